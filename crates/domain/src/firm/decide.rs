//! Decisions about the firm.

use std::collections::BTreeMap;

use calendar::{CivilDate, is_month_end};
use chrono::Days;

use super::{Access, AdoptedPack, Backing, Confirmation, FiledStanding, Firm, security};
use crate::actor::{ServiceActor, is_plain, sight_of};
use crate::command::FirmAction;
use crate::event::{
    AccessBounds, AccessGranted, BankAccountDeclared, BookAccount, ChartRevised,
    CloseAcceptanceWithdrawn, EventRef, FirmEvent, PackAdopted, PackConfirmed, PackUsedAtOwnRisk,
    PeriodLocked, PlanPublished, Scope, StandingEnded, StandingKind,
};
use crate::ids::{BankCode, PackCode};
use crate::judge::EDITION;
use crate::money::Money;
use crate::refusal::{Reason, Refusal};
use crate::rules::{PackRef, RulePack, check_pack};
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
        FirmAction::ConfirmPack(confirmed) => {
            check_confirmation(firm, on, confirmed)?;
            confirmed.clone().into()
        }
        FirmAction::UsePackAtOwnRisk(used) => {
            check_own_risk(firm, used)?;
            used.clone().into()
        }
        FirmAction::RegisterBureau(bureau) => bureau.clone().into(),
        FirmAction::RecordStanding(standing) => {
            if standing.valid_through < standing.valid_from {
                return Err(refused("standing.valid_through", "must not be before valid_from"));
            }
            if standing.kind == StandingKind::Exemption && standing.document.is_none() {
                let detail = "that the firm is outside an act needs a document that shows it";
                return Err(refused("standing.document", detail));
            }
            let kind = standing.kind;
            let has_amount = kind.is_security() && kind != StandingKind::TrustAccount;
            if has_amount && standing.amount.is_none() {
                let detail = format!("a {} has an amount", kind.code().replace('_', " "));
                return Err(refused("standing.amount", &detail));
            }
            if standing.amount.is_some_and(|amount| !amount.is_positive()) {
                return Err(refused("standing.amount", "must be above zero"));
            }
            standing.clone().into()
        }
        FirmAction::EndStanding(end) => {
            check_end(firm, end)?;
            end.clone().into()
        }
        FirmAction::RecordSecurityEvent(said) => {
            security::check(on, said)?;
            said.clone().into()
        }
        FirmAction::NoteReview(reviewed) => {
            if reviewed.through < firm.law_at || reviewed.edition != EDITION {
                let detail = "something was told of the firm since: review the fees again";
                return Err(Refusal::new(Reason::StateRefuses, "firm", detail));
            }
            reviewed.clone().into()
        }
        FirmAction::GrantAccess(access) => {
            if firm.access.contains_key(&access.access) || firm.revoked.contains(&access.access) {
                return Err(already("access", "this token was given out already"));
            }
            if access.scopes.is_empty() {
                return Err(refused("token.scopes", "a token needs at least one scope"));
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
        FirmAction::DeclareBankAccount(declared) => {
            check_bank(firm, on, declared)?;
            declared.clone().into()
        }
        FirmAction::WithdrawAcceptance { reason, rule, through } => {
            let (reason, rule, through) = (reason.clone(), *rule, *through);
            check_month_open(firm, on, through)?;
            let Some(known) = firm.acceptance(through, rule) else {
                let detail = "nothing of that is accepted for this month";
                return Err(Refusal::new(Reason::StateRefuses, "rule", detail));
            };
            let acceptance = known.at.clone();
            CloseAcceptanceWithdrawn { acceptance, reason, rule, through }.into()
        }
        FirmAction::AcceptForClose(accepted) => {
            check_month_open(firm, on, accepted.through)?;
            accepted.clone().into()
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

/// A code is told from another one at a glance, or the lines of one account are recorded under both.
fn check_bank(firm: &Firm, on: CivilDate, declared: &BankAccountDeclared) -> Result<(), Refusal> {
    let alike = |other: &&BankCode| {
        **other != declared.bank && other.as_str().eq_ignore_ascii_case(declared.bank.as_str())
    };
    if let Some(other) = firm.banks.keys().find(alike) {
        let detail =
            format!("{other} is declared, and differs from {} in case alone", declared.bank);
        return Err(refused("bank", &detail));
    }
    let currency = firm.registered.as_ref().map(|firm| firm.currency);
    if let Some(currency) = currency.filter(|own| *own != declared.opening.currency()) {
        return Err(refused("opening", &format!("must be in {}", currency.as_str())));
    }
    let four =
        |text: &Text| text.as_str().len() == 4 && text.as_str().bytes().all(|b| b.is_ascii_digit());
    if declared.last_four.as_ref().is_some_and(|text| !four(text)) {
        return Err(refused("last_four", "must be four digits"));
    }
    if declared.closed_on.is_some_and(|closed| closed < on) {
        return Err(refused("closed_on", "must not be before the day of the opening balance"));
    }
    let known = firm.banks.get(&declared.bank);
    if known.is_some_and(|known| known.declared == *declared && known.opened_on == on) {
        return Err(already("bank", "it is declared so already"));
    }
    Ok(())
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
    check_month_open(firm, on, lock.through)?;
    let of_month =
        |at: &EventRef| firm.accepted.iter().any(|a| a.at == *at && a.said.through == lock.through);
    if !lock.accepted.iter().flatten().all(of_month) {
        return Err(refused("accepted", "must name what was accepted for this month"));
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

/// A month that is over and not closed.
fn check_month_open(firm: &Firm, on: CivilDate, through: CivilDate) -> Result<(), Refusal> {
    if !is_month_end(through) {
        return Err(refused("through", "must be the last day of a month"));
    }
    if firm.locked_through().is_some_and(|locked| through <= locked) {
        return Err(already("through", "this month is closed already"));
    }
    if through >= on {
        return Err(refused("through", "the month is not over"));
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
    let last = last.ok_or_else(|| refused("token.expires_on", "is beyond the calendar"))?;
    if last < on {
        return Err(refused("token.expires_on", "must not be in the past"));
    }
    if after(TOKEN_DAYS_MAX).is_some_and(|most| last > most) {
        let detail = format!("must be at most {TOKEN_DAYS_MAX} days after the token is given out");
        return Err(refused("token.expires_on", &detail));
    }
    Ok(last)
}

/// What is recorded with a token is signed with its label: nobody may take it for the service or another
/// token.
fn check_label(firm: &Firm, on: CivilDate, label: &Text) -> Result<(), Refusal> {
    let sight = sight_of(label.as_str());
    if sight.is_empty() {
        return Err(refused("token.label", "must have a letter or a digit"));
    }
    if guarded(label.as_str()) != label.as_str() {
        return Err(refused(
            "token.label",
            "must not begin with what a spreadsheet calculates: = + - @",
        ));
    }
    if let Some(actor) = ServiceActor::seen_in(label) {
        let detail =
            format!("must not look like \"{}\", which the service calls itself", actor.name());
        return Err(refused("token.label", &detail));
    }
    if !is_plain(label.as_str()) {
        let detail = "must be written in letters of common use (Unicode Technical Standard #39)";
        return Err(refused("token.label", detail));
    }
    let same = |access: &&Access| sight_of(access.granted.label.as_str()) == sight;
    if let Some(Access { granted, .. }) = firm.in_force(on).find(same) {
        let detail = format!(
            "looks like that of token {}, which is in force: choose another, or revoke that one first",
            granted.access
        );
        return Err(refused("token.label", &detail));
    }
    Ok(())
}

/// Most cases that a token is bound to: the event that says so has to stay small.
pub const BOUND_CASES_MAX: usize = 500;

fn check_bounds(bounds: &AccessBounds, access: &AccessGranted) -> Result<(), Refusal> {
    if !access.scopes.iter().all(|scope| *scope == Scope::Examine) {
        return Err(refused(
            "token.bounds",
            "only a token that may examine and nothing else is bound",
        ));
    }
    if bounds.cases.len() > BOUND_CASES_MAX {
        return Err(refused("token.bounds.cases", &format!("must be at most {BOUND_CASES_MAX}")));
    }
    if bounds.from.is_some_and(|from| bounds.through.is_some_and(|through| through < from)) {
        return Err(refused("token.bounds.through", "must not be before from"));
    }
    Ok(())
}

pub(super) fn refused(subject: &str, detail: &str) -> Refusal {
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
    check_prices(firm, "plan.individual", &plan.individual)?;
    if let Some(prices) = &plan.couple {
        check_prices(firm, "plan.couple", prices)?;
    }
    let version = firm.plan(&plan.code).map_or(0, |newest| newest.version) + 1;
    Ok(PlanPublished { plan: Plan { version, ..plan.clone() } })
}

fn check_prices(firm: &Firm, field: &str, prices: &Prices) -> Result<(), Refusal> {
    let fits = |fee: Money| {
        fee.minor() >= 0 && firm.registered.as_ref().is_none_or(|f| f.currency == fee.currency())
    };
    if fits(prices.first_fee) && fits(prices.monthly_fee) {
        Ok(())
    } else {
        Err(refused(field, "must be in the firm's currency and not below zero"))
    }
}

fn check_adoption(firm: &Firm, pack: &RulePack) -> Result<(), Refusal> {
    if let Some(rule) = check_pack(pack) {
        return Err(refused("pack_json", &rule));
    }
    if pack.confirmed_by_counsel {
        let detail = "confirmed_by_counsel must be false: that counsel confirmed a pack is recorded on its own, \
                      with counsel's name";
        return Err(refused("pack_json", detail));
    }
    if firm.adopted(&pack.reference()).is_some() {
        return Err(already("pack_json", "this version was adopted; a change needs a new version"));
    }
    let of_another =
        |known: &&AdoptedPack| known.pack.code == pack.code && known.pack.state != pack.state;
    if let Some(known) = firm.packs.iter().find(of_another) {
        let state = known.pack.state.map_or_else(|| "federal".to_owned(), |s| format!("of {s}"));
        return Err(refused(
            "pack_json",
            &format!("state must stay: pack {} is {state}", pack.code),
        ));
    }
    Ok(())
}

/// The version of a pack that a request names.
fn named<'a>(firm: &'a Firm, code: &PackCode, version: u32) -> Result<&'a AdoptedPack, Refusal> {
    firm.adopted(&PackRef { code: code.clone(), version }).ok_or_else(|| {
        let detail = format!("pack {code} version {version} was not adopted");
        Refusal::new(Reason::ReferenceUnknown, "pack", detail)
    })
}

fn check_confirmation(
    firm: &Firm,
    on: CivilDate,
    confirmed: &PackConfirmed,
) -> Result<(), Refusal> {
    let adopted = named(firm, &confirmed.code, confirmed.version)?;
    if let Some(read_on) = adopted.pack.text_read_on.filter(|read_on| on < *read_on) {
        let detail =
            format!("the law was read for this text on {read_on}: nobody confirmed it before");
        return Err(Refusal::new(Reason::DateImpossible, "occurred_on", detail));
    }
    let hash = adopted.pack.hash();
    if confirmed.hash != hash {
        let detail =
            format!("the pack that was adopted has the hash {hash}: counsel read another one");
        return Err(refused("hash", &detail));
    }
    let same = |known: &Confirmation| {
        known.said.counsel == confirmed.counsel && known.said.document == confirmed.document
    };
    if adopted.confirmations.iter().any(same) {
        return Err(already("pack", "this counsel's confirmation was recorded"));
    }
    Ok(())
}

fn check_own_risk(firm: &Firm, used: &PackUsedAtOwnRisk) -> Result<(), Refusal> {
    let adopted = named(firm, &used.code, used.version)?;
    match adopted.backing() {
        Backing::Statute => {
            Err(refused("pack", "the federal pack is the statute: nobody has to stand for it"))
        }
        Backing::Counsel(_) => Err(already("pack", "counsel confirmed this version")),
        Backing::OwnRisk(_) => Err(already("pack", "this version is used at own risk already")),
        Backing::Nobody if adopted.pack.adds_nothing() => Err(refused(
            "pack",
            "that a state's law adds nothing is for counsel to confirm, and for nobody to risk",
        )),
        Backing::Nobody => Ok(()),
    }
}

fn check_end(firm: &Firm, end: &StandingEnded) -> Result<(), Refusal> {
    let named = firm.standings.iter().filter(|standing| standing.is_named_by(end));
    let Some(last) = named.map(FiledStanding::last_day).max() else {
        let detail =
            format!("no {} of {} from {} was recorded", end.kind, end.state, end.valid_from);
        return Err(Refusal::new(Reason::ReferenceUnknown, "standing", detail));
    };
    if end.last_day < end.valid_from.pred_opt().unwrap_or(end.valid_from) {
        return Err(refused("last_day", "must be at the earliest the day before valid_from"));
    }
    if end.last_day >= last {
        return Err(refused("last_day", &format!("must be before {last}, its last day so far")));
    }
    Ok(())
}
