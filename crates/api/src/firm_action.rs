//! Actions on a firm, checked, and what a firm has, as the contract shows it.

use std::collections::BTreeSet;

use domain::event::{BureauRegistered, FirmRegistered, Scope, StandingRecorded};
use domain::ids::{BureauCode, PlanCode, StateCode};
use domain::money::{Currency, Money};
use domain::rules::RulePack;
use domain::terms::{Plan, Prices, Work};
use domain::value::{Text, ValueError};

use crate::case_action::{document, zone};
use crate::code::Paired;
use crate::field::Fields;
use crate::limit::{
    INVOICE_DUE_DAYS_MAX, PACK_JSON_BYTES_MAX, PLAN_PERIODS_MAX, SCOPES_MAX, TRANSIT_DAYS_MAX,
    WORK_MAX,
};
use crate::scalar::{date_message, int32, money_message};
use crate::v1;

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
    Some(Plan {
        code: code?,
        couple: couple?,
        first_work: first_work?,
        individual: individual?,
        monthly_work: monthly_work?,
        name: name?,
        periods: periods?,
        version: 0,
    })
}

/// A rule pack. The fault says where in the JSON and what was expected; packs hold no personal values.
pub(crate) fn pack(f: &mut Fields, json: &str) -> Option<RulePack> {
    if json.len() > PACK_JSON_BYTES_MAX {
        return f.refuse("pack_json", format!("must be at most {PACK_JSON_BYTES_MAX} bytes"));
    }
    f.parse("pack_json", json, |json| {
        RulePack::from_json(json)
            .map_err(|error| ValueError::new(format!("must be a rule pack: {error}")))
    })
}

pub(crate) fn bureau(f: &mut Fields, m: &v1::Bureau) -> Option<BureauRegistered> {
    let bureau = f.parse("code", &m.code, BureauCode::parse);
    let name = f.parse("display_name", &m.display_name, Text::line);
    let address = f.parse("address", &m.address, Text::parse);
    Some(BureauRegistered { address: address?, bureau: bureau?, name: name? })
}

pub(crate) fn standing(f: &mut Fields, m: &v1::Standing) -> Option<StandingRecorded> {
    let kind = f.code::<v1::StandingKind>("kind", m.kind);
    let state = f.parse("state_code", &m.state_code, StateCode::parse);
    let valid_from = f.date("valid_from", m.valid_from.as_ref());
    let valid_through = f.date("valid_through", m.valid_through.as_ref());
    let amount = f.optional_money("amount", m.amount.as_ref());
    let document = document(f, &m.document_sha256);
    if let (Some(from), Some(through)) = (valid_from, valid_through)
        && through < from
    {
        f.fail("valid_through", "must not be before valid_from");
    }
    Some(StandingRecorded {
        amount: amount?,
        document: document?,
        kind: kind?,
        state: state?,
        valid_from: valid_from?,
        valid_through: valid_through?,
    })
}

pub(crate) fn scopes(f: &mut Fields, values: &[i32]) -> Option<BTreeSet<Scope>> {
    f.each("scopes", values, 1..=SCOPES_MAX, |f, value| f.code_self::<v1::Scope>(*value))
        .map(|scopes| scopes.into_iter().collect())
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

/// Writes a registration or bond.
pub fn standing_message(standing: &StandingRecorded) -> v1::Standing {
    v1::Standing {
        kind: v1::StandingKind::from_domain(standing.kind).into(),
        state_code: standing.state.to_string(),
        valid_from: Some(date_message(standing.valid_from)),
        valid_through: Some(date_message(standing.valid_through)),
        amount: standing.amount.map(money_message),
        document_sha256: standing.document.map_or_else(String::new, |hash| hash.to_string()),
    }
}

/// Writes a rule pack as it was read, rule by rule, and whole.
pub fn pack_message(pack: &RulePack) -> v1::RulePack {
    let json = domain::codec::to_bytes(pack);
    v1::RulePack {
        code: pack.code.to_string(),
        version: int32(pack.version),
        state_code: pack.state.map_or_else(String::new, |state| state.to_string()),
        in_force_from: Some(date_message(pack.in_force_from)),
        confirmed_by_counsel: pack.confirmed_by_counsel,
        note: pack.note.to_string(),
        rules: pack_rules(pack),
        // The codec writes JSON, which is UTF-8.
        json: String::from_utf8_lossy(&json).into_owned(),
    }
}

fn pack_rules(pack: &RulePack) -> Vec<v1::PackRule> {
    let rule = |dimension: &str, requirement: String, cites: &Text| v1::PackRule {
        dimension: dimension.to_owned(),
        requirement,
        citation: cites.to_string(),
    };
    let prohibited =
        |d: &domain::rules::Duty| rule("prohibited", "not allowed here".into(), &d.cites);
    let registered = |d: &domain::rules::Duty| {
        rule("registration", "registration or licence on file".into(), &d.cites)
    };
    let statement = |d: &domain::rules::StatementDuty| {
        rule(
            "monthly_statement",
            "a statement of the services performed, every period".into(),
            &d.cites,
        )
    };
    let rules = [
        pack.cancellation.as_ref().map(|c| {
            rule(
                "cancellation",
                format!("the client may cancel for {} business days", c.days),
                &c.cites,
            )
        }),
        pack.performance
            .as_ref()
            .map(|p| rule("performance", format!("fully performed: {}", p.reading), &p.cites)),
        pack.telemarketing.as_ref().map(|t| {
            let exempt: Vec<&str> = t.exempt.iter().map(|channel| channel.code()).collect();
            rule("telemarketing", format!("exempt with evidence: {}", exempt.join(", ")), &t.cites)
        }),
        pack.perform_within.as_ref().map(|p| {
            rule(
                "perform_within",
                format!("all services within {} days of signing", p.days),
                &p.cites,
            )
        }),
        pack.registration.as_ref().map(registered),
        pack.bond.as_ref().map(|b| rule("bond", format!("a bond of {}", b.amount), &b.cites)),
        pack.monthly_statement.as_ref().map(statement),
        pack.prohibited.as_ref().map(prohibited),
    ];
    rules.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_packs_read_and_show_every_rule() {
        for json in domain::rules::EXAMPLE_PACKS {
            let pack = Fields::check(None, |f| super::pack(f, json)).unwrap();
            let shown = pack_message(&pack);
            assert!(!shown.rules.is_empty(), "{}", shown.code);
            assert!(shown.rules.iter().all(|rule| !rule.citation.is_empty()), "{}", shown.code);
            assert_eq!(RulePack::from_json(&shown.json).unwrap(), pack);
        }
    }

    #[test]
    fn a_broken_pack_names_its_field() {
        let errors = Fields::check(None, |f| super::pack(f, "{\"code\":1}")).unwrap_err();
        assert_eq!(errors.0[0].field, "pack_json");
    }
}
