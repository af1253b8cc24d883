//! Actions on a firm, checked, and what a firm has, as the contract shows it.

mod law;

use std::collections::BTreeSet;

use domain::event::{BureauRegistered, FirmRegistered, Scope};
use domain::ids::{BureauCode, PlanCode};
use domain::money::{Currency, Money};
use domain::terms::{Plan, Prices, Work};
use domain::value::Text;

use crate::case_action::zone;
use crate::code::Paired;
use crate::field::Fields;
use crate::limit::{
    INVOICE_DUE_DAYS_MAX, PLAN_PERIODS_MAX, SCOPES_MAX, TRANSIT_DAYS_MAX, WORK_MAX,
};
use crate::scalar::{int32, money_message};
use crate::v1;

pub use law::{adopted_message, pack_message, security_message, standing_message};
pub(crate) use law::{at_own_risk, confirmed, pack, security_event, standing, standing_ended};

pub(crate) fn firm(f: &mut Fields, m: &v1::Firm) -> Option<FirmRegistered> {
    let name = f.parse("display_name", &m.display_name, Text::line);
    let currency = f.parse("currency_code", &m.currency_code, Currency::parse);
    let zone = f.parse("time_zone", &m.time_zone, zone);
    let due = f.number("invoice_due_days", m.invoice_due_days, 0..=INVOICE_DUE_DAYS_MAX);
    let transit = f.number("transit_days", m.transit_days, 0..=TRANSIT_DAYS_MAX);
    Some(FirmRegistered {
        currency: currency?,
        invoice_due_days: due?,
        name: name?,
        transit_days: transit?,
        zone: zone?,
    })
}

fn prices(f: &mut Fields, m: &v1::Prices) -> Option<Prices> {
    let first_fee = f.money("first_fee", m.first_fee.as_ref());
    let monthly_fee = f.money("monthly_fee", m.monthly_fee.as_ref());
    Some(Prices { first_fee: first_fee?, monthly_fee: monthly_fee? })
}

fn work(f: &mut Fields, name: &str, values: &[i32]) -> Option<Vec<Work>> {
    f.each(name, values, 1..=WORK_MAX, |f, value| f.code_self::<v1::Work>(*value))
}

/// A plan as offered. Its version is the service's to give, so it is 0 here.
pub(crate) fn plan(f: &mut Fields, m: &v1::Plan) -> Option<Plan> {
    let code = f.parse("code", &m.code, PlanCode::parse);
    let name = f.parse("display_name", &m.display_name, Text::line);
    let individual = f.message("individual", m.individual.as_ref(), prices);
    let couple = f.optional("couple", m.couple.as_ref(), prices);
    let first_work = work(f, "first_work", &m.first_work);
    let monthly_work = work(f, "monthly_work", &m.monthly_work);
    let periods = f.number("periods", m.periods, 1..=PLAN_PERIODS_MAX);
    let grace_days = match m.grace_days {
        // Fewer than a period has days, so that work completes one period at most.
        Some(days) => f.number("grace_days", days, 0..=calendar::PERIOD_DAYS_MIN - 1).map(Some),
        None => Some(None),
    };
    Some(Plan {
        code: code?,
        couple: couple?,
        first_work: first_work?,
        grace_days: grace_days?,
        individual: individual?,
        monthly_work: monthly_work?,
        name: name?,
        periods: periods?,
        version: 0,
    })
}

pub(crate) fn bureau(f: &mut Fields, m: &v1::Bureau) -> Option<BureauRegistered> {
    let bureau = f.parse("code", &m.code, BureauCode::parse);
    let name = f.parse("display_name", &m.display_name, Text::line);
    let address = f.parse("address", &m.address, Text::parse);
    Some(BureauRegistered { address: address?, bureau: bureau?, name: name? })
}

pub(crate) fn scopes(f: &mut Fields, values: &[i32]) -> Option<BTreeSet<Scope>> {
    f.each("scopes", values, 1..=SCOPES_MAX, |f, value| f.code_self::<v1::Scope>(*value))
        .and_then(|scopes| apart(f, scopes.into_iter().collect()))
}

/// Whoever records or bills neither corrects what was recorded nor judges it: what would help a fee through is seen
/// by a second person.
fn apart(f: &mut Fields, scopes: BTreeSet<Scope>) -> Option<BTreeSet<Scope>> {
    let records = scopes.contains(&Scope::Record) || scopes.contains(&Scope::Bill);
    for (scope, rule) in [
        (Scope::Correct, "correct is not given together with record or bill"),
        (Scope::Accept, "accept is not given together with record or bill"),
    ] {
        if records && scopes.contains(&scope) {
            return f.refuse("scopes", rule);
        }
    }
    Some(scopes)
}

fn prices_message(prices: &Prices) -> v1::Prices {
    let amount = |money: Money| Some(money_message(money));
    v1::Prices { first_fee: amount(prices.first_fee), monthly_fee: amount(prices.monthly_fee) }
}

/// Writes a plan.
pub fn plan_message(plan: &Plan) -> v1::Plan {
    let work = |work: &[Work]| work.iter().map(|&w| v1::Work::from_domain(w).into()).collect();
    v1::Plan {
        code: plan.code.to_string(),
        display_name: plan.name.to_string(),
        individual: Some(prices_message(&plan.individual)),
        couple: plan.couple.as_ref().map(prices_message),
        first_work: work(&plan.first_work),
        monthly_work: work(&plan.monthly_work),
        periods: int32(plan.periods),
        version: int32(plan.version),
        grace_days: plan.grace_days.map(int32),
    }
}

/// Writes a bureau.
pub fn bureau_message(bureau: &BureauRegistered) -> v1::Bureau {
    v1::Bureau {
        code: bureau.bureau.to_string(),
        display_name: bureau.name.to_string(),
        address: bureau.address.to_string(),
    }
}
