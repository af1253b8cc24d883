//! A client who changes to another plan, comes back after an end, or negotiated in another language than that of the papers.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::states::{adopt, code, file, firm_of};
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::Prepared;
use counterfoil_domain::gates::Gate;
use counterfoil_domain::ids::*;
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::rules::{Dimension, RulePack};
use counterfoil_domain::terms::*;

const A: u128 = 1;

fn priced(name: &str, first_fee: i64, monthly_fee: i64) -> Plan {
    Plan {
        code: PlanCode::parse(name).unwrap(),
        couple: None,
        first_work: vec![Work::DisputeRound],
        individual: Prices { first_fee: usd(first_fee), monthly_fee: usd(monthly_fee) },
        monthly_work: vec![Work::DisputeRound],
        ..plan()
    }
}

fn changed_to(name: &str) -> CaseAction {
    CaseAction::SignConsent(SignConsent { plan: Some(PlanCode::parse(name).unwrap()), ..sign() })
}

fn sent(desk: &mut Desk, on: &str) {
    desk.act(case(A), on, CaseAction::NoteRoundSent(round(NORTH, &["a"])));
}

/// A client on the usual plan, and a firm that offers another one too.
fn signed() -> Desk {
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(priced(plan().code.as_str(), 9_900, 8_900)));
    desk.firm(FirmAction::PublishPlan(priced("light", 6_900, 5_900)));
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-02", attest(NORTH, "a"));
    desk
}

fn prices(desk: &mut Desk, on: &str) -> Vec<(i64, bool)> {
    desk.today(on).judged(case(A), |judge| {
        let open: Vec<u32> = judge.open_periods(day(on)).collect();
        let explained = open.into_iter().filter_map(|period| judge.explain(period, day(on)));
        explained.map(|of| (of.amount.unwrap().minor(), of.is_claimable())).collect()
    })
}

fn earned(desk: &mut Desk, on: &str) -> Vec<(i64, String)> {
    let billed = desk.bill(account(A), on);
    let fees = billed.iter().filter_map(|recorded| match &recorded.event {
        Event::Case(CaseEvent::FeeEarned(fee)) => {
            Some((fee.amount.minor(), fee.plan.as_ref().unwrap().to_string()))
        }
        _ => None,
    });
    fees.collect()
}

/// "A later agreement governs from the first period that begins on or after its own `service_from`": a change of plan is a
/// new agreement (15 USC 1679d(a)(1)), with terms, days and total of its own, and each fee names its plan.
#[test]
fn a_change_of_plan_is_a_new_agreement_that_governs_from_its_first_period() {
    let mut desk = signed();
    for on in ["2026-03-10", "2026-04-10"] {
        sent(&mut desk, on);
    }
    let told = desk.act(case(A), "2026-04-20", changed_to("light"));
    let Event::Case(CaseEvent::ConsentSigned(signed)) = &told[0].event else { panic!("{told:?}") };
    assert_eq!(signed.plan.as_ref().unwrap().version, 1);
    assert_eq!(signed.terms.prices.monthly_fee, usd(5_900));
    let on = desk.state(case(A)).plan().unwrap();
    assert_eq!(on, PlanSigned { code: PlanCode::parse("light").unwrap(), version: 1 });
    sent(&mut desk, "2026-05-10");
    // 99 and 89 under the first; the third period is the first that begins behind the days of the second.
    assert_eq!(prices(&mut desk, "2026-06-01"), [(9_900, true), (8_900, true), (5_900, true)]);
    let usual = plan().code.to_string();
    let fees = earned(&mut desk, "2026-06-01");
    assert_eq!(fees, [(9_900, usual.clone()), (8_900, usual), (5_900, "light".to_owned())]);
    // The price that the plan had on the day of signing counts, and no later one.
    desk.firm(FirmAction::PublishPlan(priced("light", 1_000, 1_000)));
    sent(&mut desk, "2026-06-10");
    assert_eq!(prices(&mut desk, "2026-07-01"), [(5_900, true)]);
}

/// A change that was told wrongly is put right like any signing.
#[test]
fn a_change_of_plan_is_corrected_as_a_signing_is() {
    let mut desk = signed();
    desk.act(case(A), "2026-04-20", changed_to("light"));
    let at = desk.last("consent_signed");
    let usual = anew("2026-04-20", CaseAction::SignConsent(sign()));
    desk.correct(case(A), at, usual);
    sent(&mut desk, "2026-05-10");
    let third = |desk: &mut Desk| prices(desk, "2026-06-01").pop().unwrap();
    assert_eq!(third(&mut desk), (8_900, true));
    let at = desk.last("fact_corrected");
    desk.correct(case(A), at, anew("2026-04-20", changed_to("light")));
    assert_eq!(third(&mut desk), (5_900, true));
}

/// A plan that the firm never published is none, and one that is not for couples is none for a member of one.
#[test]
fn an_agreement_is_of_a_plan_that_is_offered() {
    let mut desk = signed();
    let refusal = desk.refusal(case(A), "2026-04-20", changed_to("unheard-of"));
    is(&refusal, Reason::ReferenceUnknown);
    let individual = priced(plan().code.as_str(), 9_900, 8_900);
    let couple = Some(individual.individual.clone());
    desk.today("2026-03-02").firm(FirmAction::PublishPlan(Plan { couple, ..individual }));
    desk.signed_as(case(2), "2026-03-02", Enrol { seat: Seat::Couple, ..enrol() });
    let refusal = desk.refusal(case(2), "2026-04-20", changed_to("light"));
    is(&refusal, Reason::StateRefuses);
}

/// "A gap is at least one day on which no agreement is signed and unended. First price and first work belong to the first
/// period of the first agreement or of one after a gap": who comes back has old periods that stay closed, new days to
/// cancel (15 USC 1679e(a)), and a first period of the new agreement.
#[test]
fn a_client_who_returns_has_a_new_agreement_and_no_period_of_the_old() {
    let mut desk = signed();
    sent(&mut desk, "2026-03-10");
    let ended = ServiceEnded { by: EndedBy::Client, reason: None };
    desk.act(case(A), "2026-04-20", CaseAction::EndService(ended));
    desk.act(case(A), "2026-06-01", changed_to("light"));
    assert!(!desk.state(case(A)).is_over());
    // 1 June is a Monday: three business days counted with it, and those after it, whichever are later.
    assert_eq!(desk.state(case(A)).agreement().unwrap().service_from, day("2026-06-05"));
    sent(&mut desk, "2026-06-10");
    let starts: Vec<String> = desk
        .today("2026-07-01")
        .judged(case(A), |judge| judge.periods().map(|period| period.start.to_string()).collect());
    assert_eq!(starts, ["2026-03-02", "2026-04-01", "2026-06-01", "2026-07-01"]);
    assert_eq!(prices(&mut desk, "2026-07-01"), [(9_900, true), (6_900, true)]);
    // The one that the end cut short earns nothing.
    assert!(!desk.explain(case(A), 2, "2026-07-01").is_claimable());
    // Work in the new days to cancel taints the new agreement alone.
    sent(&mut desk, "2026-06-02");
    assert_eq!(prices(&mut desk, "2026-07-01"), [(9_900, true), (6_900, false)]);
    assert!(!desk.holds(case(A), 3, "2026-07-01", Gate::WaitingDays));
    assert!(desk.holds(case(A), 1, "2026-07-01", Gate::WaitingDays));
}

fn languages(agreement: &str, negotiation: &str, notice: &str) -> Languages {
    let of = |code: &str| (!code.is_empty()).then(|| LanguageCode::parse(code).unwrap());
    Languages { agreement: of(agreement), negotiation: of(negotiation), notice: of(notice) }
}

fn objected(desk: &Desk, state: &str, languages: Option<&Languages>) -> Vec<String> {
    let terms = plan().terms(Seat::Individual).unwrap();
    let place = code(state).into();
    let prepared = Prepared { place, terms: &terms, items: &[].into(), languages };
    let objections = desk.firm_state().objections(prepared, day("2026-03-02"));
    let of_language = objections.into_iter().filter(|of| of.rule == "language");
    of_language.map(|of| of.cites).collect()
}

/// Whether a signing in some languages was against law, by its languages.
fn broke(desk: &mut Desk, number: u128, state: &str, said: Languages) -> bool {
    let mut enrol = enrol();
    enrol.contact.address.state = code(state);
    let agreement = SignConsent { languages: Some(said), ..sign() };
    desk.signed_for(case(number), "2026-03-02", enrol, agreement);
    desk.judged(case(number), |judge| {
        let against = judge.signed_against_law();
        against.iter().flat_map(|of| &of.violations).any(|of| of.rule == "language")
    })
}

/// Cal. Civ. Code 1789.16(b), C.R.S. 5-19-107: the notices of cancellation are in the language of the contract.
#[test]
fn notices_are_in_the_language_of_the_agreement() {
    for (state, cites) in [("CA", "Cal. Civ. Code 1789.16(b)"), ("CO", "C.R.S. 5-19-107")] {
        let mut desk = firm_of(&[state]);
        assert_eq!(objected(&desk, state, None), [cites], "nobody said");
        assert_eq!(objected(&desk, state, Some(&languages("es", "", ""))), [cites], "half said");
        assert_eq!(objected(&desk, state, Some(&languages("es", "", "en"))), [cites]);
        assert_eq!(objected(&desk, state, Some(&languages("es", "en", "es"))), [""; 0]);
        assert!(broke(&mut desk, 1, state, languages("es", "es", "en")), "{state}");
        assert!(!broke(&mut desk, 2, state, languages("es", "en", "es")), "{state}");
        // What nobody said is no breach.
        assert!(!broke(&mut desk, 3, state, languages("es", "es", "")), "{state}");
    }
}

/// The strictest of the rule's two forms: papers and notices in the language of the negotiation; an invented act.
#[test]
fn papers_are_in_the_language_of_the_negotiation() {
    let read: Vec<String> = Dimension::ALL.iter().map(|one| format!("\"{one}\"")).collect();
    let json = format!(
        r#"{{ "code": "us-il-act", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
            "confirmed_by_counsel": false, "note": "Invented for tests.", "read": [{}],
            "language": {{ "rule": "as_negotiated", "cites": "an invented act" }} }}"#,
        read.join(", ")
    );
    let mut desk = Desk::open();
    desk.today("2026-03-02");
    adopt(&mut desk, RulePack::from_json(&json).unwrap());
    for (said, is_kept) in [
        (languages("es", "es", "es"), true),
        (languages("en", "es", "en"), false),
        (languages("es", "es", "en"), false),
        (languages("", "es", "en"), false),
    ] {
        assert_eq!(objected(&desk, "IL", Some(&said)).is_empty(), is_kept, "{said:?}");
    }
    assert!(broke(&mut desk, 1, "IL", languages("en", "es", "en")));
    assert!(!broke(&mut desk, 2, "IL", languages("es", "es", "es")));
}

/// A dimension that bears on no gate is asked for before a signing all the same: nobody has read it, nothing is signed by it.
#[test]
fn what_was_not_read_of_agent_or_language_bars_preparing() {
    for dimension in [Dimension::Agent, Dimension::Language] {
        let mut desk = Desk::open();
        desk.today("2026-03-02");
        for read in [false, true] {
            let mut pack = states::of("NC");
            pack.version = 90 + u32::from(read);
            if !read {
                pack.read.as_mut().unwrap().remove(&dimension);
                for source in pack.sources.iter_mut().flatten() {
                    source.dimensions.remove(&dimension);
                }
                match dimension {
                    Dimension::Agent => pack.agent = None,
                    _ => pack.language = None,
                }
            }
            adopt(&mut desk, pack);
            file(&mut desk, StandingKind::Bond, "NC", Some(usd(1_000_000)));
            let terms = plan().terms(Seat::Individual).unwrap();
            let (place, languages) = (code("NC").into(), english());
            let languages = Some(&languages);
            let prepared = Prepared { place, terms: &terms, items: &[].into(), languages };
            let found = desk.firm_state().objections(prepared, day("2026-03-02"));
            let says = format!("does not say that {dimension} was read");
            let unread = found.iter().any(|of| of.detail.contains(&says));
            assert_eq!(unread, !read, "{dimension}: {found:?}");
        }
    }
}
