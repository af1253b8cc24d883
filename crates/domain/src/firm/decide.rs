//! Decisions about the firm.

use std::collections::BTreeMap;

use calendar::{CivilDate, is_month_end};
use chrono::Days;

use super::{Access, Firm};
use crate::actor::{ServiceActor, sight_of};
use crate::command::FirmAction;
use crate::event::{
    AccessBounds, AccessGranted, BookAccount, ChartRevised, FirmEvent, PackAdopted, PeriodLocked,
    PlanPublished, Scope, StandingKind,
};
use crate::money::Money;
use crate::refusal::{Reason, Refusal};
use crate::rules::check_pack;
use crate::terms::{Plan, Prices};
use crate::text::guarded;
use crate::value::Text;

/// Decides one action on the firm on a day. `money_moved_at` is the position up to which nothing is
/// known to have happened to the books since. Pure.
pub(crate) fn decide(
    firm: &Firm,
    on: CivilDate,
    money_moved_at: u64,
    action: &FirmAction,
) -> Result<FirmEvent, Refusal> {
    let event = match action {
        FirmAction::Register(details) => {
            if firm.registered.is_some() {
                return Err(Refusal::new(
                    Reason::FirmExists,
                    "firm",
                    "the firm is registered already",
                ));
            }
            return Ok(details.clone().into());
        }
        FirmAction::PublishPlan(plan) => publish(firm, plan)?.into(),
        FirmAction::AdoptPack(pack) => {
            check_adoption(firm, pack)?;
            PackAdopted { pack: pack.as_ref().clone() }.into()
        }
        FirmAction::RegisterBureau(bureau) => bureau.clone().into(),
        FirmAction::RecordStanding(standing) => {
            if standing.valid_through < standing.valid_from {
                return Err(refused("valid_through", "must not be before valid_from"));
            }
            if standing.kind == StandingKind::Bond && standing.amount.is_none() {
                return Err(refused("amount", "a bond has an amount"));
            }
            standing.clone().into()
        }
        FirmAction::GrantAccess(access) => {
            if firm.access.contains_key(&access.access) || firm.revoked.contains(&access.access) {
                return Err(already("access", "this token was given out already"));
            }
            if access.scopes.is_empty() {
                return Err(refused("scopes", "a token needs at least one scope"));
            }
            check_label(firm, on, &access.label)?;
            if let Some(bounds) = &access.bounds {
                check_bounds(bounds, access)?;
            }
            let expires_on = Some(last_day(on, access.expires_on)?);
            AccessGranted { expires_on, ..access.clone() }.into()
        }
        FirmAction::RevokeAccess(access) => {
            if !firm.access.contains_key(&access.access) {
                return Err(Refusal::new(
                    Reason::ReferenceUnknown,
                    "access",
                    "no such token is in force",
                ));
            }
            access.clone().into()
        }
        FirmAction::ReviseChart(revised) => {
            check_chart(firm, revised)?;
            revised.clone().into()
        }
        FirmAction::LockPeriod(lock) => {
            check_lock(firm, on, money_moved_at, lock)?;
            lock.clone().into()
        }
        FirmAction::SetMatchPolicy(set) => {
            if firm.automatic_matches() == set.automatic {
                return Err(already("automatic", "this is the firm's policy already"));
            }
            set.clone().into()
        }
    };
    if firm.registered.is_none() {
        return Err(Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered"));
    }
    Ok(event)
}

/// Every account keeps a number of its own.
fn check_chart(firm: &Firm, revised: &ChartRevised) -> Result<(), Refusal> {
    if revised.accounts.is_empty() {
        return Err(refused("accounts", "must name at least one account"));
    }
    let mut numbers: BTreeMap<BookAccount, String> = BookAccount::ALL
        .iter()
        .map(|account| (*account, account.usual_number().to_owned()))
        .collect();
    let kept = firm.chart.values().chain(&revised.accounts);
    numbers.extend(kept.map(|a| (a.account, a.number.as_str().to_owned())));
    let mut seen = BTreeMap::new();
    for (account, number) in &numbers {
        if let Some(other) = seen.insert(number, account) {
            let detail = format!("{number} would be the number of both {other} and {account}");
            return Err(refused("accounts.number", &detail));
        }
    }
    Ok(())
}

/// A month is closed once, in order, when it is over, and only as it was checked.
fn check_lock(
    firm: &Firm,
    on: CivilDate,
    money_moved_at: u64,
    lock: &PeriodLocked,
) -> Result<(), Refusal> {
    if !is_month_end(lock.through) {
        return Err(refused("through", "must be the last day of a month"));
    }
    if firm.locked_through().is_some_and(|locked| lock.through <= locked) {
        return Err(already("through", "this month is closed already"));
    }
    if lock.through >= on {
        return Err(refused("through", "the month is not over"));
    }
    if lock.checked_at < money_moved_at {
        let detail = format!(
            "the books were checked at position {} and moved at {money_moved_at} since: check again",
            lock.checked_at
        );
        return Err(Refusal::new(Reason::StateRefuses, "checked_at", detail));
    }
    Ok(())
}

/// Days after the day it was given out on which a token ends, unless its last day was said.
pub const TOKEN_DAYS: u64 = 90;
/// Most days after the day it was given out on which a token may end.
pub const TOKEN_DAYS_MAX: u64 = 366;

/// The last day of a token that is given out on a day. There is one for every token.
fn last_day(on: CivilDate, asked: Option<CivilDate>) -> Result<CivilDate, Refusal> {
    let after = |days| on.checked_add_days(Days::new(days));
    let last = asked.or_else(|| after(TOKEN_DAYS));
    let last = last.ok_or_else(|| refused("expires_on", "is beyond the calendar"))?;
    if last < on {
        return Err(refused("expires_on", "must not be in the past"));
    }
    if after(TOKEN_DAYS_MAX).is_some_and(|most| last > most) {
        let detail = format!("must be at most {TOKEN_DAYS_MAX} days after the token is given out");
        return Err(refused("expires_on", &detail));
    }
    Ok(last)
}

/// What is recorded with a token is signed with its label: nobody may take it for the service or another
/// token.
fn check_label(firm: &Firm, on: CivilDate, label: &Text) -> Result<(), Refusal> {
    let sight = sight_of(label.as_str());
    if sight.is_empty() {
        return Err(refused("label", "must have a letter or a digit"));
    }
    if guarded(label.as_str()) != label.as_str() {
        return Err(refused("label", "must not begin with what a spreadsheet calculates: = + - @"));
    }
    if let Some(actor) = ServiceActor::seen_in(label) {
        let detail =
            format!("must not look like \"{}\", which the service calls itself", actor.name());
        return Err(refused("label", &detail));
    }
    let same = |access: &&Access| sight_of(access.granted.label.as_str()) == sight;
    if let Some(Access { granted, .. }) = firm.in_force(on).find(same) {
        let detail = format!(
            "looks like that of token {}, which is in force: choose another, or revoke that one first",
            granted.access
        );
        return Err(refused("label", &detail));
    }
    Ok(())
}

/// Most cases that a token is bound to: the event that says so has to stay small.
pub const BOUND_CASES_MAX: usize = 500;

fn check_bounds(bounds: &AccessBounds, access: &AccessGranted) -> Result<(), Refusal> {
    if !access.scopes.iter().all(|scope| *scope == Scope::Examine) {
        return Err(refused("bounds", "only a token that may examine and nothing else is bound"));
    }
    if bounds.cases.len() > BOUND_CASES_MAX {
        return Err(refused("bounds.cases", &format!("must be at most {BOUND_CASES_MAX}")));
    }
    if bounds.from.is_some_and(|from| bounds.through.is_some_and(|through| through < from)) {
        return Err(refused("bounds.through", "must not be before bounds.from"));
    }
    Ok(())
}

fn refused(subject: &str, detail: &str) -> Refusal {
    Refusal::new(Reason::ValueRefused, subject, detail)
}

fn already(subject: &str, detail: &str) -> Refusal {
    Refusal::new(Reason::AlreadyRecorded, subject, detail)
}

fn publish(firm: &Firm, plan: &Plan) -> Result<PlanPublished, Refusal> {
    if plan.first_work.is_empty() || plan.monthly_work.is_empty() {
        return Err(Refusal::citing(
            Reason::ValueRefused,
            "plan",
            "a fee without promised work could never be earned",
            "15 USC 1679b(b), 1679d(b)(2)",
        ));
    }
    if plan.periods == 0 {
        return Err(refused("plan.periods", "must be at least 1"));
    }
    for prices in std::iter::once(&plan.individual).chain(&plan.couple) {
        check_prices(firm, prices)?;
    }
    let version = firm.plan(&plan.code).map_or(0, |newest| newest.version) + 1;
    Ok(PlanPublished { plan: Plan { version, ..plan.clone() } })
}

fn check_prices(firm: &Firm, prices: &Prices) -> Result<(), Refusal> {
    let fits = |fee: Money| {
        fee.minor() >= 0 && firm.registered.as_ref().is_none_or(|f| f.currency == fee.currency())
    };
    if fits(prices.first_fee) && fits(prices.monthly_fee) {
        Ok(())
    } else {
        Err(refused("plan.prices", "must be in the firm's currency and not below zero"))
    }
}

fn check_adoption(firm: &Firm, pack: &crate::rules::RulePack) -> Result<(), Refusal> {
    if let Some(rule) = check_pack(pack) {
        return Err(refused("pack", &rule));
    }
    if firm.packs.iter().any(|known| known.reference() == pack.reference()) {
        return Err(already("pack", "this version was adopted; a change needs a new version"));
    }
    Ok(())
}
