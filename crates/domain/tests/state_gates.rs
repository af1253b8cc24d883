//! What each dimension of a state's pack does to an agreement and its fees, each with its statute.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::collections::BTreeSet;

use common::states::*;
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate, Opens};
use counterfoil_domain::rules::*;
use counterfoil_domain::terms::{Plan, Seat};

const A: u128 = 1;

fn holding(items: &[ContractItem]) -> SignConsent {
    SignConsent { items: Some(items.iter().copied().collect()), ..sign() }
}

fn from(state: &str) -> Enrol {
    let mut enrol = enrol();
    enrol.contact.address.state = code(state);
    enrol
}

/// A client of a state, signed on 2026-03-02, whose first month's work is done.
fn served(desk: &mut Desk, state: &str, agreement: SignConsent) {
    desk.today("2026-03-02").signed_for(case(A), "2026-03-02", from(state), agreement);
    desk.today("2026-03-17");
    desk.act(case(A), "2026-03-17", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    desk.act(
        case(A),
        "2026-03-17",
        CaseAction::ImportReport(report(SOUTH, "2026-03-17", &["a", "b"])),
    );
    desk.act(case(A), "2026-03-17", progress());
    desk.today("2026-04-01");
}

/// What a gate says of the first month's fee on the first of April.
fn says(desk: &Desk, gate: Gate) -> (Answer, Option<Opens>, String, String) {
    let explained = desk.explain(case(A), 1, "2026-04-01");
    let found = explained.findings.into_iter().find(|found| found.gate == gate).unwrap();
    (found.answer, found.opens, found.because, found.cites)
}

fn state_gate(desk: &Desk) -> (Answer, String, String) {
    let (answer, _, because, cites) = says(desk, Gate::State);
    (answer, because, cites)
}

fn sell(desk: &mut Desk, periods: u32, monthly: i64) {
    let mut plan = Plan { periods, ..plan() };
    plan.individual.monthly_fee = usd(monthly);
    plan.individual.first_fee = usd(monthly);
    desk.firm(FirmAction::PublishPlan(plan));
}

#[test]
fn a_client_of_a_state_without_a_pack_is_billed_by_no_rule_at_all() {
    for state in ["NC", "MT"] {
        let mut desk = Desk::open();
        served(&mut desk, state, sign());
        let (answer, because, _) = state_gate(&desk);
        assert_eq!(answer, Answer::Unknown);
        assert_eq!(because, format!("no rule pack of {state} was adopted"));
    }
}

/// Packs from before these dimensions were asked for have read nothing of them.
#[test]
fn what_an_older_pack_does_not_say_it_has_not_read() {
    let mut desk = Desk::open();
    let mut old = RulePack::from_json(EXAMPLE_PACKS[1]).unwrap();
    old.version = 7;
    old.read.as_mut().unwrap().extend([Dimension::Performance, Dimension::Telemarketing]);
    adopt(&mut desk, old);
    file(&mut desk, StandingKind::Registration, "CA", None);
    file(&mut desk, StandingKind::Bond, "CA", Some(usd(10_000_000)));
    served(&mut desk, "CA", sign());
    let (answer, because, _) = state_gate(&desk);
    assert_eq!(answer, Answer::Unknown);
    for unread in ["contract_items", "estimate_cap", "statement"] {
        assert!(because.contains(unread) && because.contains("were read"), "{because}");
    }
}

/// RSMo 407.642.1(3), Neb. Rev. Stat. 45-808(1)(c): the agreement estimates 180 days at most.
#[test]
fn an_agreement_that_estimates_too_long_earns_no_fee_there() {
    let estimate = [ContractItem::Estimate, ContractItem::RefundPromises, ContractItem::Agent];
    let items = [&estimate[..], &[ContractItem::StateStatement]].concat();
    for (state, statute) in [("MO", "RSMo 407.642.1(3)"), ("NE", "Neb. Rev. Stat. 45-808(1)(c)")] {
        let mut desk = firm_of(&[state]);
        file(&mut desk, StandingKind::Registration, state, None);
        file(&mut desk, StandingKind::Bond, state, Some(usd(10_000_000)));
        served(&mut desk, state, holding(&items));
        assert_eq!(state_gate(&desk).0, Answer::Holds, "{:?}", state_gate(&desk));
        let mut desk = firm_of(&[state]);
        sell(&mut desk, 7, 9_900);
        file(&mut desk, StandingKind::Registration, state, None);
        file(&mut desk, StandingKind::Bond, state, Some(usd(10_000_000)));
        served(&mut desk, state, holding(&items));
        let (answer, opens, because, cites) = says(&desk, Gate::State);
        assert_eq!((answer, opens), (Answer::Fails, Some(Opens::Never)));
        assert_eq!(cites, statute);
        let expected =
            format!("the agreement of 2026-03-02 estimates 210 days, and {state} allows 180");
        assert!(because.starts_with(&expected), "{because}");
        let stands_for_it = format!("version {} confirmed by Robin Ashdown", of(state).version);
        assert!(because.contains(&stands_for_it), "{because}");
    }
}

/// N.Y. Gen. Bus. Law 458-c, 458-f(1); N.C.G.S. 66-224(a): what the papers hold is said, or nobody knows.
#[test]
fn an_agreement_without_what_the_state_asks_for_earns_no_fee_there() {
    for (state, lacking) in [("NY", "state statement"), ("NC", "bond notice")] {
        let all: BTreeSet<ContractItem> =
            of(state).items_asked().into_iter().flat_map(|(_, items)| items).collect();
        let one = ContractItem::ALL.iter().find(|i| i.code().replace('_', " ") == lacking).unwrap();
        let without: Vec<ContractItem> = all.iter().copied().filter(|item| item != one).collect();
        let all: Vec<ContractItem> = all.into_iter().collect();
        let asked = |agreement| {
            let mut desk = firm_of(&[state]);
            file(&mut desk, StandingKind::TrustAccount, state, None);
            served(&mut desk, state, agreement);
            state_gate(&desk)
        };
        assert_eq!(asked(holding(&all)).0, Answer::Holds, "{:?}", asked(holding(&all)));
        let (answer, because, _) = asked(sign());
        assert_eq!(answer, Answer::Unknown);
        assert!(because.starts_with("nobody has said whether the agreement"), "{because}");
        let (answer, because, cites) = asked(holding(&without));
        assert_eq!(answer, Answer::Fails);
        assert!(
            because.contains(&format!("lacks what {state} asks of it: {lacking};")),
            "{because}"
        );
        assert!(!cites.is_empty());
    }
}

/// C.R.S. 5-19-104(1), N.C.G.S. 66-223(1): nothing before all agreed services are done; Va. Code 59.1-335.5(1): by the
/// period only where the client may cancel at any time; Conn. Gen. Stat. 36a-700(e): service by service.
#[test]
fn a_month_is_a_service_of_its_own_only_where_the_state_says_so() {
    let months = |state: &str, items: &[ContractItem]| {
        let mut desk = firm_of(&[state]);
        served(&mut desk, state, holding(items));
        says(&desk, Gate::FullyPerformed)
    };
    for state in ["CO", "NC", "NY", "MI"] {
        let (answer, _, because, cites) = months(state, &[]);
        assert_eq!(answer, Answer::Fails, "{state}: {because}");
        assert_eq!(cites, of(state).early_fee.unwrap().cites.as_str());
    }
    assert_eq!(months("VA", &[]).0, Answer::Fails);
    assert_eq!(months("VA", &[ContractItem::CancelAnyTime]).0, Answer::Holds);
    assert_eq!(months("CT", &[]).0, Answer::Holds);
}

/// "All work the plan promised for it is evidenced" (1679b(b)): a whole contract makes its fees wait for the last of
/// its months, and earns none in which nothing was done.
#[test]
fn a_month_behind_a_whole_contract_is_not_earned_without_work() {
    let mut desk = firm_of(&["CO"]);
    sell(&mut desk, 1, 8_900);
    served(&mut desk, "CO", sign());
    assert_eq!(
        says(&desk, Gate::FullyPerformed).0,
        Answer::Holds,
        "{:?}",
        says(&desk, Gate::FullyPerformed)
    );
    desk.today("2026-05-10");
    assert_eq!(desk.answer(case(A), 2, "2026-05-10", Gate::FullyPerformed), Answer::Fails);
}

/// Miss. Code 81-22-13: thirty dollars a month, after a free first session.
#[test]
fn a_fee_above_the_states_cap_is_held() {
    for (monthly, expected) in [(3_000, Answer::Holds), (3_001, Answer::Fails)] {
        let mut desk = firm_of(&["MS"]);
        sell(&mut desk, 6, monthly);
        file(&mut desk, StandingKind::Registration, "MS", None);
        file(&mut desk, StandingKind::Bond, "MS", Some(usd(5_000_000)));
        let items =
            [ContractItem::BondNotice, ContractItem::FreeFirstSession, ContractItem::CancelAnyTime];
        served(&mut desk, "MS", holding(&items));
        let (answer, because, _) = state_gate(&desk);
        assert_eq!(answer, expected, "{because}");
    }
}

/// K.S.A. 50-1126(b)(2): the lesser of 40 dollars and 5 for each creditor; reports show one.
#[test]
fn a_cap_for_each_creditor_is_asked_of_those_that_reports_show() {
    for (monthly, said) in [
        (500, None),
        (
            501,
            Some(
                "KS allows USD 5.00 a month for each creditor, USD 5.01 is more than that, and reports show 1",
            ),
        ),
        (4_001, Some("USD 40.01 is above USD 40.00, the most that KS allows a month")),
    ] {
        let mut desk = firm_of(&["KS"]);
        sell(&mut desk, 6, monthly);
        served(&mut desk, "KS", sign());
        let because = state_gate(&desk).1;
        assert_eq!(because.contains("KS allows"), said.is_some(), "{because}");
        assert!(said.is_none_or(|said| because.contains(said)), "{because}");
    }
}

/// A plan is sold nowhere that bars the trade (O.C.G.A. 16-9-59).
#[test]
fn a_plan_does_not_fit_where_the_trade_is_not_allowed() {
    let desk = firm_of(&["GA"]);
    let terms = plan().terms(Seat::Individual).unwrap();
    let misfits = desk.firm_state().misfits(&terms, day("2026-03-02"));
    assert_eq!(misfits[0].rule, "prohibited");
}

/// N.C.G.S. 66-222: bond or trust account; RCW 19.134.020(1)(a): bond and trust account.
#[test]
fn a_security_stands_in_the_kinds_that_the_statute_names() {
    let nc: Vec<ContractItem> = of("NC").items_asked().into_iter().flat_map(|(_, i)| i).collect();
    let mut desk = firm_of(&["NC"]);
    served(&mut desk, "NC", holding(&nc));
    let (answer, because, cites) = state_gate(&desk);
    assert_eq!((answer, cites.as_str()), (Answer::Unknown, "N.C.G.S. 66-222"));
    assert!(because.starts_with("no bond or trust account of USD 10000.00"), "{because}");
    file(&mut desk, StandingKind::Bond, "NC", Some(usd(999_999)));
    assert_eq!(state_gate(&desk).0, Answer::Fails, "a dollar short");
    file(&mut desk, StandingKind::TrustAccount, "NC", None);
    assert_eq!(state_gate(&desk).0, Answer::Holds);

    let wa: Vec<ContractItem> = of("WA").items_asked().into_iter().flat_map(|(_, i)| i).collect();
    let mut desk = firm_of(&["WA"]);
    file(&mut desk, StandingKind::Bond, "WA", Some(usd(1_000_000)));
    served(&mut desk, "WA", holding(&wa));
    assert_eq!(state_gate(&desk).0, Answer::Unknown, "nobody told of a trust account");
    file(&mut desk, StandingKind::TrustAccount, "WA", None);
    assert_eq!(state_gate(&desk).0, Answer::Holds);
}

/// RCW 19.134.020(1)(a): charging "prior to full and complete performance" needs a bond and a trust account; charging once all
/// that was agreed is done needs neither.
#[test]
fn no_security_is_asked_for_once_all_that_was_agreed_is_done() {
    let rule = of("WA").security.unwrap().remove(0);
    assert_eq!(rule.when, BondWhen::IfPaidBeforeAllDone);
    let items: Vec<ContractItem> =
        of("WA").items_asked().into_iter().flat_map(|(_, i)| i).collect();
    for (periods, expected) in [(1, Answer::Holds), (2, Answer::Unknown)] {
        let mut desk = firm_of(&["WA"]);
        sell(&mut desk, periods, 8_900);
        served(&mut desk, "WA", holding(&items));
        let (answer, because, _) = state_gate(&desk);
        assert_eq!(answer, expected, "{periods}: {because}");
    }
}

/// The same, of a contract of which one month is given up once the other was asked for: what comes later does not reach back.
#[test]
fn a_period_given_up_later_exposes_no_fee_that_was_asked_for_before() {
    let items: Vec<ContractItem> =
        of("WA").items_asked().into_iter().flat_map(|(_, i)| i).collect();
    let mut desk = firm_of(&["WA"]);
    sell(&mut desk, 2, 8_900);
    let total_of_payments = usd(8_900);
    served(&mut desk, "WA", SignConsent { total_of_payments, ..holding(&items) });
    desk.today("2026-04-10");
    desk.act(case(A), "2026-04-10", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    desk.act(case(A), "2026-04-10", progress());
    let billed = desk.bill(account(A), "2026-05-01");
    assert_eq!(names(&billed), ["fee_earned", "fee_held", "invoice_issued"]);
    desk.today("2026-05-04");
    let given_up =
        PeriodClosedWithoutFee { end: None, period: 2, reason: personal("goodwill"), start: None };
    let told = desk.act(case(A), "2026-05-04", CaseAction::ClosePeriod(given_up));
    assert_eq!(names(&told), ["period_closed_without_fee"]);
    let standing = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(standing, FeeStanding::Allowed);
}

/// Va. Code 59.1-335.4(A): a hundred times the standard fee, 5,000 to 50,000 dollars.
#[test]
fn a_security_is_as_large_as_the_formula_says() {
    let va = of("VA").security.unwrap().remove(0).amount;
    let mut terms = plan().terms(counterfoil_domain::terms::Seat::Individual).unwrap();
    assert_eq!(va.enough(&terms), usd(1_990_000), "a hundred times 199.00");
    terms.prices.first_fee = usd(1_000);
    terms.prices.monthly_fee = usd(1_000);
    assert_eq!(va.enough(&terms), usd(500_000), "not below the least");
    let nh = of("NH").security.unwrap().remove(0).amount;
    assert_eq!(nh.enough(&terms), usd(2_500_000), "where nobody knows the year's fees, the most");
}

/// MCL 445.1823(f): ninety days, unless the agreement goes on and may be cancelled at any time.
#[test]
fn an_agreement_that_goes_on_may_be_outside_of_a_limit() {
    let ongoing = [
        ContractItem::CancelAnyTime,
        ContractItem::CreditRecordOnly,
        ContractItem::PeriodicPayments,
    ];
    for (items, expected) in [(&ongoing[..2], Answer::Fails), (&ongoing[..], Answer::Holds)] {
        let mut desk = firm_of(&["MI"]);
        served(&mut desk, "MI", holding(items));
        for on in ["2026-04-10", "2026-05-10", "2026-06-10"] {
            desk.today(on);
            desk.act(case(A), on, CaseAction::NoteRoundSent(round(NORTH, &["a"])));
            desk.act(case(A), on, progress());
        }
        desk.today("2026-07-01");
        let last = desk.explain(case(A), 4, "2026-07-01");
        let found = last.findings.iter().find(|found| found.gate == Gate::State).unwrap();
        assert_eq!(found.answer, expected, "{}", found.because);
    }
}

/// N.C.G.S. 66-226: any contract activity; O.C.G.A. 16-9-59(b): a firm that operates there.
#[test]
fn a_place_of_the_firm_brings_its_states_law_along() {
    let mut desk = firm_of(&["NC", "GA"]);
    served(&mut desk, "IL", sign());
    assert_eq!(state_gate(&desk).0, Answer::Holds);
    file(&mut desk, StandingKind::Office, "NC", None);
    let (answer, because, _) = state_gate(&desk);
    assert_eq!(answer, Answer::Unknown, "{because}");
    file(&mut desk, StandingKind::Office, "GA", None);
    let (answer, because, _) = state_gate(&desk);
    // Every reason, what fails first; and the firm's own events that it rests on.
    assert_eq!(answer, Answer::Fails);
    assert!(because.starts_with("the trade is not allowed in GA; no bond"), "{because}");
    assert!(because.contains("us-ga version 3 does not say that cancellation, "), "{because}");
    let explained = desk.explain(case(A), 1, "2026-04-01");
    let found = explained.findings.iter().find(|found| found.gate == Gate::State).unwrap();
    let rests_on: BTreeSet<u64> = found.events.iter().map(|event| event.position).collect();
    for kind in ["pack_adopted", "pack_confirmed", "standing_recorded"] {
        assert!(rests_on.contains(&desk.last(kind)), "{kind}: {rests_on:?}");
    }
    let mut desk = firm_of(&[]);
    served(&mut desk, "IL", SignConsent { activity: [code("NC")].into(), ..sign() });
    let because = state_gate(&desk).1;
    assert!(because.starts_with("no rule pack of NC was adopted"), "{because}");
}

/// Tennessee Code 47-18-1001 and 73 Pa. Stat. 2181 were not read in how far they reach: adopting their packs makes nothing
/// known that was not, and opens no gate.
#[test]
fn an_act_of_which_nobody_read_how_far_it_reaches_is_taken_to_reach() {
    for state in ["TN", "PA"] {
        let gate = |packs: &[&str]| {
            let mut desk = firm_of(packs);
            served(&mut desk, "IL", SignConsent { activity: [code(state)].into(), ..sign() });
            state_gate(&desk)
        };
        assert_eq!(gate(&[]).0, Answer::Unknown);
        let (answer, because, _) = gate(&[state]);
        assert_ne!(answer, Answer::Holds, "{because}");
        assert!(because.contains("reach was read") || because.contains("reach,"), "{because}");
    }
}

/// N.C.G.S. 66-221, Cal. Civ. Code 1789.12: whoever is outside the act shows it, and for that act alone.
#[test]
fn a_firm_that_shows_that_it_is_outside_an_act_is_not_under_its_pack() {
    for state in ["NC", "CA"] {
        let mut desk = firm_of(&[state]);
        served(&mut desk, state, sign());
        assert_ne!(state_gate(&desk).0, Answer::Holds);
        file(&mut desk, StandingKind::Exemption, if state == "NC" { "CA" } else { "NC" }, None);
        assert_ne!(state_gate(&desk).0, Answer::Holds, "another state's act");
        file(&mut desk, StandingKind::Exemption, state, None);
        assert_eq!(state_gate(&desk).0, Answer::Holds, "{:?}", state_gate(&desk));
        // It takes the whole act away, so it is named with its event.
        let at = desk.last("standing_recorded");
        let named = format!("by position {at} the firm holds itself outside of the act of {state}");
        assert!(state_gate(&desk).1.contains(&named), "{:?}", state_gate(&desk));
    }
    let mut desk = Desk::open();
    let unshown = FirmAction::RecordStanding(StandingRecorded {
        amount: None,
        document: None,
        kind: StandingKind::Exemption,
        state: code("NC"),
        valid_from: day("2026-01-01"),
        valid_through: day("2026-12-31"),
    });
    let action = Dated { occurred_at: None, occurred_on: day("2026-01-02"), action: unshown };
    let refusal = desk.command(&Command::Firm { action }).unwrap_err();
    assert_eq!(refusal.violations[0].subject, "standing.document");
}

/// RCW 19.134.020(1)(f), Cal. Civ. Code 1789.13(m): nothing is written without prior written authorization.
#[test]
fn the_service_writes_no_letter_without_the_authorization_that_the_state_asks_for() {
    for state in ["WA", "CA"] {
        for authorized in [false, true] {
            let mut items = vec![ContractItem::Estimate];
            items.extend(authorized.then_some(ContractItem::DisputeAuthorization));
            let mut desk = firm_of(&[state]);
            desk.today("2026-03-02").signed_for(
                case(A),
                "2026-03-02",
                from(state),
                holding(&items),
            );
            desk.today("2026-03-16").act(case(A), "2026-03-16", CaseAction::OpenWork);
            let letters = CaseAction::SendRound(round(NORTH, &["a"]));
            if authorized {
                desk.act(case(A), "2026-03-16", letters);
            } else {
                let refusal = desk.refusal(case(A), "2026-03-16", letters);
                assert_eq!(rules(&refusal), ["dispute_consent"], "{state}");
            }
        }
    }
}

/// RCW 19.134.040: four years after the end; Iowa Code 538A.11(1): ten years in which a buyer may sue.
#[test]
fn the_latest_day_of_all_packs_that_reach_a_client_keeps_the_record() {
    for (state, what, until) in
        [("WA", KeepWhat::Statement, "2030-04-10"), ("IA", KeepWhat::Suit, "2036-03-02")]
    {
        let mut desk = firm_of(&[state]);
        served(&mut desk, state, sign());
        let firm = desk.firm_state().clone();
        assert!(desk.state(case(A)).retained_by_states(&firm).is_empty(), "the service goes on");
        let ended = ServiceEnded { by: EndedBy::Client, reason: None };
        desk.today("2026-04-10").act(case(A), "2026-04-10", CaseAction::EndService(ended));
        let kept = desk.state(case(A)).retained_by_states(&firm);
        let kept = kept.iter().find(|kept| kept.what == what).unwrap();
        assert_eq!(kept.until, day(until));
        if state == "IA" {
            let erase = CaseAction::EraseClient(ClientErased { basis: ErasureBasis::ALL[0] });
            desk.today("2033-01-03");
            let refusal = desk.refusal(case(A), "2033-01-03", erase);
            assert!(refusal.to_string().contains("kept until 2036-03-02"), "{refusal}");
        }
    }
}

/// What ends is told 45 days before, and not where something follows it.
#[test]
fn the_end_of_a_registration_is_told_before_it_bites() {
    let mut desk = firm_of(&["NC"]);
    file(&mut desk, StandingKind::Bond, "NC", Some(usd(1_000_000)));
    let told = |desk: &Desk, on: &str| desk.firm_state().standings_ending(day(on)).count();
    assert_eq!([told(&desk, "2026-11-15"), told(&desk, "2026-11-16")], [0, 1]);
    assert_eq!(told(&desk, "2027-01-01"), 0, "it has ended");
    desk.firm(FirmAction::RecordStanding(StandingRecorded {
        amount: Some(usd(1_000_000)),
        document: None,
        kind: StandingKind::Bond,
        state: code("NC"),
        valid_from: day("2027-01-01"),
        valid_through: day("2027-12-31"),
    }));
    assert_eq!(told(&desk, "2026-12-20"), 0);
}

/// A plan is named where it does not fit: an estimate of 210 days, a fee by the month, a price.
#[test]
fn a_plan_is_told_where_it_does_not_fit_and_why() {
    let desk = firm_of(&["MO", "NC", "MS", "ND", "CT"]);
    let mut terms = plan().terms(counterfoil_domain::terms::Seat::Individual).unwrap();
    terms.periods = 7;
    let misfits = desk.firm_state().misfits(&terms, day("2026-03-02"));
    let found: BTreeSet<(&str, &str)> =
        misfits.iter().map(|m| (m.subject.as_str(), m.rule.as_str())).collect();
    let expected = [("MO", "estimate_cap"), ("NC", "early_fee"), ("MS", "fee_caps")];
    assert!(expected.iter().all(|misfit| found.contains(misfit)), "{found:?}");
    assert!(!found.iter().any(|(state, _)| ["ND", "CT"].contains(state)), "{found:?}");
    terms.periods = 6;
    let misfits = desk.firm_state().misfits(&terms, day("2026-03-02"));
    assert!(!misfits.iter().any(|m| m.subject == "MO"), "six periods are 180 days: {misfits:?}");
}
