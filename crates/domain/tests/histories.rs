//! Fifteen histories worked by hand: what may be asked for, and what is owed back.
//!
//! All are signed on Monday 2 March 2026 with service from 6 March (15 USC 1679d(a)(2), 1679e(a)); the plan
//! promises a round of letters a month, 99.00 the first time and 89.00 after that, ten days of grace.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::case::EarnedFee;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, Explanation, FeeStanding, Gate};
use counterfoil_domain::ids::*;
use counterfoil_domain::refusal::Refusal;
use counterfoil_domain::terms::*;

const CLIENT: u128 = 7;

fn monthly() -> Plan {
    Plan {
        code: PlanCode::parse("monthly").unwrap(),
        couple: None,
        first_work: vec![Work::DisputeRound],
        grace_days: Some(10),
        individual: Prices { first_fee: usd(9_900), monthly_fee: usd(8_900) },
        monthly_work: vec![Work::DisputeRound],
        name: text("Monthly"),
        periods: 12,
        version: 0,
    }
}

struct Client {
    desk: Desk,
}

impl Client {
    /// Everything that comes before the first round is done; the total that the agreement states is given.
    fn signed(total: i64) -> Self {
        Self::of(monthly(), total)
    }

    /// The same under a plan.
    fn of(plan: Plan, total: i64) -> Self {
        let mut desk = Desk::open();
        desk.firm(FirmAction::PublishPlan(plan));
        let plan = PlanCode::parse("monthly").unwrap();
        let enrol = Enrol { plan, ..enrol() };
        desk.act(case(CLIENT), "2026-03-02", CaseAction::Enrol(Box::new(enrol)));
        let mut client = Self { desk };
        client.sign("2026-03-02", total);
        client.tell("2026-03-02", CaseAction::ImportReport(report(NORTH, "2026-03-02", &["a"])));
        client.tell("2026-03-02", attest(NORTH, "a"));
        client
    }

    fn sign(&mut self, on: &str, total: i64) {
        let acknowledged = DisclosureAcknowledged { document: None };
        let sign = SignConsent { total_of_payments: usd(total), ..sign() };
        let actions =
            vec![CaseAction::DisclosureAcknowledged(acknowledged), CaseAction::SignConsent(sign)];
        self.desk.try_acts(case(CLIENT), on, actions).unwrap();
    }

    fn tell(&mut self, on: &str, action: CaseAction) {
        self.desk.act(case(CLIENT), on, action);
    }

    fn round(&mut self, on: &str) {
        self.tell(on, CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    }

    /// A round that completes the period before its day.
    fn late_round(&mut self, on: &str) {
        let round = SendRound { completes_before: Some(true), ..round(NORTH, &["a"]) };
        self.tell(on, CaseAction::NoteRoundSent(round));
    }

    fn today(&mut self, day: &str) -> &mut Self {
        self.desk.today(day);
        self
    }

    /// What may be asked for on a day, period by period.
    fn claimable(&mut self, on: &str) -> Vec<(u32, i64)> {
        self.desk.today(on);
        self.desk.judged(case(CLIENT), |judge| {
            let open: Vec<u32> = judge.open_periods(day(on)).collect();
            let explained = open.into_iter().filter_map(|period| judge.explain(period, day(on)));
            let claimable = explained.filter(Explanation::is_claimable);
            claimable.map(|e| (e.period.number, e.amount.unwrap().minor())).collect()
        })
    }

    fn bill(&mut self, on: &str) -> Vec<Recorded> {
        self.desk.bill(account(CLIENT), on)
    }

    fn pay(&mut self, on: &str, name: &str, amount: i64, invoice: u64) {
        let payment = PaymentReceived {
            amount: usd(amount),
            invoice: Some(invoice),
            payment: reference(name),
        };
        self.desk
            .try_account(account(CLIENT), on, AccountAction::PaymentReceived(payment))
            .unwrap();
    }

    fn claim(&mut self, period: u32, on: &str) -> Result<Vec<Recorded>, Refusal> {
        self.desk.claim(case(CLIENT), period, on)
    }

    /// Each claimed fee: what stands behind it, and what is owed.
    fn fees(&self) -> Vec<(u32, FeeStanding, i64)> {
        self.desk.judged(case(CLIENT), |judge| {
            judge.fees().map(|fee| (fee.fee.period, fee.standing, fee.owed.minor())).collect()
        })
    }

    fn owed(&self) -> i64 {
        self.fees().iter().map(|(_, _, owed)| owed).sum()
    }

    /// The days of every period.
    fn periods(&mut self, today: &str) -> Vec<(String, String)> {
        self.desk.today(today);
        self.desk.judged(case(CLIENT), |judge| {
            let last = |period: calendar::Period| period.end.pred_opt().unwrap().to_string();
            judge.periods().map(|period| (period.start.to_string(), last(period))).collect()
        })
    }
}

const PLENTY: i64 = 500_000;

#[test]
fn periods_are_counted_from_the_day_of_signing() {
    let mut client = Client::signed(PLENTY);
    let days = client.periods("2026-06-01");
    let expected = [
        ("2026-03-02", "2026-03-31"),
        ("2026-04-01", "2026-04-30"),
        ("2026-05-01", "2026-05-30"),
        ("2026-05-31", "2026-06-29"),
    ];
    assert_eq!(days, expected.map(|(from, to)| (from.to_owned(), to.to_owned())));
}

#[test]
fn h1_a_round_counts_for_its_own_period_unless_it_says_that_it_completes_the_one_before() {
    let claimable = |first: bool, second: bool| {
        let mut client = Client::signed(PLENTY);
        if first {
            client.late_round("2026-04-09");
        } else {
            client.round("2026-04-09");
        }
        if second {
            client.late_round("2026-05-08");
        } else {
            client.round("2026-05-08");
        }
        client.claimable("2026-06-01")
    };
    assert_eq!(claimable(false, false), [(2, 8_900), (3, 8_900)]);
    assert_eq!(claimable(true, false), [(1, 9_900), (3, 8_900)]);
    assert_eq!(claimable(true, true), [(1, 9_900), (2, 8_900)]);
}

#[test]
fn h2_a_fact_told_late_about_another_piece_of_work_moves_nothing() {
    let plan = Plan { first_work: vec![Work::DisputeRound, Work::ProgressReport], ..monthly() };
    let mut client = Client::of(plan, PLENTY);
    client.round("2026-04-09");
    client.bill("2026-05-01");
    client.pay("2026-05-02", "p1", 8_900, 1);
    let before = client.fees();
    client.today("2026-05-20").tell("2026-04-02", progress());
    assert_eq!(client.fees(), before);
    assert_eq!(before, [(2, FeeStanding::Allowed, 0)]);
    assert_eq!(client.claimable("2026-05-20"), []);
}

#[test]
fn h3_a_renewal_governs_from_the_first_period_after_its_own_days() {
    let mut client = Client::signed(PLENTY);
    for on in ["2026-03-10", "2026-04-10"] {
        client.round(on);
    }
    client.bill("2026-05-01");
    client.desk.today("2026-05-18");
    let cheaper =
        Plan { individual: Prices { first_fee: usd(9_900), monthly_fee: usd(6_900) }, ..monthly() };
    client.desk.firm(FirmAction::PublishPlan(cheaper));
    client.sign("2026-05-18", PLENTY);
    client.round("2026-05-10");
    client.round("2026-06-01");
    assert_eq!(client.claimable("2026-07-01"), [(3, 8_900), (4, 6_900)]);
}

#[test]
fn h5_no_more_than_the_total_that_the_agreement_states() {
    let mut client = Client::signed(30_000);
    for on in ["2026-03-10", "2026-04-10", "2026-05-10", "2026-06-10"] {
        client.round(on);
    }
    client.bill("2026-06-01");
    assert_eq!(client.fees().len(), 3);
    assert_eq!(client.claimable("2026-07-01"), []);
    let total = |client: &Client| client.desk.answer(case(CLIENT), 4, "2026-07-01", Gate::Total);
    assert_eq!(total(&client), Answer::Fails);
}

#[test]
fn h6_work_after_an_end_is_a_breach_and_taints_no_later_agreement() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.tell(
        "2026-06-30",
        CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None }),
    );
    client.round("2026-07-10");
    client.sign("2026-07-20", PLENTY);
    client.round("2026-07-28");
    assert_eq!(client.claimable("2026-09-01"), [(1, 9_900), (6, 9_900)]);
    let breaches = client.desk.judged(case(CLIENT), |judge| judge.breaches().count());
    assert_eq!(breaches, 1);
}

/// The round of March never went out: the one that was told was April's (15 USC 1679b(b)).
#[test]
fn h7_a_round_that_came_after_the_asking_does_not_reach_back() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-30");
    client.bill("2026-04-01");
    client.pay("2026-04-01", "p1", 9_900, 1);
    assert_eq!(client.owed(), 0);
    let at = client.desk.last("round_sent");
    let late = SendRound { completes_before: Some(true), ..round(NORTH, &["a"]) };
    let told = anew("2026-04-05", CaseAction::NoteRoundSent(late));
    client.desk.today("2026-04-20").correct(case(CLIENT), at, told);
    assert_eq!(client.fees(), [(1, FeeStanding::Exposed, 9_900)]);
    let back = Refund {
        amount: usd(9_900),
        payment: reference("p1"),
        reason: None,
        refund: reference("r1"),
        request: None,
    };
    let back = AccountAction::Refund(back);
    client.desk.try_account(account(CLIENT), "2026-04-21", back).unwrap();
    assert_eq!(client.owed(), 0);
}

#[test]
fn h8_an_early_round_told_late_makes_every_fee_of_its_agreement_owed() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.round("2026-04-10");
    client.bill("2026-05-01");
    client.pay("2026-05-01", "p1", 18_800, 1);
    assert_eq!(client.owed(), 0);
    client.round("2026-03-04");
    assert_eq!(client.fees(), [(1, FeeStanding::Exposed, 9_900), (2, FeeStanding::Exposed, 8_900)]);
    assert_eq!(client.owed(), 18_800);
}

#[test]
fn h9_a_billing_day_works_from_the_next_period_which_has_at_least_28_days() {
    let mut client = Client::signed(PLENTY);
    let billing = calendar::PeriodRule::monthly_on(15).unwrap();
    client.tell("2026-03-20", CaseAction::BillingDayChanged(BillingDayChanged { billing }));
    for on in ["2026-03-10", "2026-04-10", "2026-05-10"] {
        client.round(on);
    }
    assert_eq!(client.periods("2026-05-20")[1], ("2026-04-01".into(), "2026-05-14".into()));
    assert_eq!(client.claimable("2026-06-01"), [(1, 9_900), (2, 8_900)]);
}

/// A change of billing day dated before the day of the enrolment is one still: what the enrolment says holds until it
/// is changed.
#[test]
fn a_billing_day_changed_before_the_enrolment_works_from_the_first_period() {
    let mut client = Client::signed(PLENTY);
    let billing = calendar::PeriodRule::monthly_on(10).unwrap();
    client.tell("2026-02-20", CaseAction::BillingDayChanged(BillingDayChanged { billing }));
    assert_eq!(client.periods("2026-05-20")[0], ("2026-03-02".into(), "2026-04-09".into()));
}

#[test]
fn h10_a_period_cut_short_by_an_end_earns_nothing() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.round("2026-04-05");
    client.tell(
        "2026-04-20",
        CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None }),
    );
    assert_eq!(client.claimable("2026-06-01"), [(1, 9_900)]);
    let runs = client.desk.judged(case(CLIENT), |judge| judge.running().is_some());
    assert!(!runs, "an ended service has no running period");
}

#[test]
fn h11_a_pause_stops_the_count_of_days() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.round("2026-04-05");
    let reason = personal("travels");
    client.tell("2026-04-10", CaseAction::PauseService(ServicePaused { reason }));
    client.tell("2026-04-20", CaseAction::ResumeService);
    client.round("2026-04-25");
    assert_eq!(client.periods("2026-05-05")[1], ("2026-04-01".into(), "2026-05-10".into()));
    assert_eq!(client.claimable("2026-05-11"), [(1, 9_900), (2, 8_900)]);
}

/// 15 USC 1679d(b)(1): the agreement states the total of all payments.
#[test]
fn h14_what_is_above_a_total_that_was_mistyped_is_owed() {
    let mut client = Client::signed(50_000);
    for on in ["2026-03-10", "2026-04-10", "2026-05-10"] {
        client.round(on);
    }
    client.bill("2026-06-01");
    client.pay("2026-06-01", "p1", 27_700, 1);
    assert_eq!(client.owed(), 0);
    let at = client.desk.last("consent_signed");
    let sign = SignConsent { total_of_payments: usd(20_000), ..sign() };
    let told = anew("2026-03-02", CaseAction::SignConsent(sign));
    client.desk.correct(case(CLIENT), at, told);
    assert_eq!(client.owed(), 8_900);
    assert_eq!(client.fees()[2], (3, FeeStanding::Exposed, 8_900));
}

#[test]
fn h15_the_order_of_one_day_that_nobody_stated_leaves_a_fee_unproved() {
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(monthly()));
    let plan = PlanCode::parse("monthly").unwrap();
    desk.act(case(CLIENT), "2026-03-02", CaseAction::Enrol(Box::new(Enrol { plan, ..enrol() })));
    let acknowledged = DisclosureAcknowledged { document: None };
    desk.act(case(CLIENT), "2026-03-02", CaseAction::DisclosureAcknowledged(acknowledged));
    desk.act(case(CLIENT), "2026-03-02", CaseAction::SignConsent(sign()));
    let mut client = Client { desk };
    client.tell("2026-03-02", CaseAction::ImportReport(report(NORTH, "2026-03-02", &["a"])));
    client.tell("2026-03-02", attest(NORTH, "a"));
    client.round("2026-03-10");
    assert_eq!(client.claimable("2026-04-01"), []);
    let answer = client.desk.answer(case(CLIENT), 1, "2026-04-01", Gate::Disclosure);
    assert_eq!(answer, Answer::Unknown);
    assert!(client.claim(1, "2026-04-01").is_err());

    // Found out once the fee was paid: the signing, told of the day after, was of the same day.
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(monthly()));
    let plan = PlanCode::parse("monthly").unwrap();
    desk.act(case(CLIENT), "2026-03-02", CaseAction::Enrol(Box::new(Enrol { plan, ..enrol() })));
    let acknowledged = DisclosureAcknowledged { document: None };
    desk.act(case(CLIENT), "2026-03-02", CaseAction::DisclosureAcknowledged(acknowledged));
    desk.act(case(CLIENT), "2026-03-03", CaseAction::SignConsent(sign()));
    let mut client = Client { desk };
    let signed = client.desk.last("consent_signed");
    client.tell("2026-03-03", CaseAction::ImportReport(report(NORTH, "2026-03-03", &["a"])));
    client.tell("2026-03-03", attest(NORTH, "a"));
    client.round("2026-03-10");
    client.bill("2026-04-02");
    client.pay("2026-04-03", "p1", 9_900, 1);
    assert_eq!(client.fees(), [(1, FeeStanding::Allowed, 0)]);
    client.today("2026-04-05").desk.correct(
        case(CLIENT),
        signed,
        Becomes::OnDay(day("2026-03-02")),
    );
    // Nothing is owed, and nothing more is asked for until the order is stated.
    assert_eq!(client.fees(), [(1, FeeStanding::Unproved, 0)]);
    client.round("2026-04-10");
    assert_eq!(client.claimable("2026-05-02"), []);
}

/// What a correction states stands (15 USC 1679c(a)): "it may state the order within a day".
#[test]
fn the_order_of_one_day_is_stated_by_a_correction_of_both() {
    let mut desk = Desk::open();
    desk.act(case(CLIENT), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    desk.act(case(CLIENT), "2026-03-02", CaseAction::SignConsent(sign()));
    let acknowledged = DisclosureAcknowledged { document: None };
    desk.act(case(CLIENT), "2026-03-02", CaseAction::DisclosureAcknowledged(acknowledged));
    desk.today("2026-04-10");
    let order = |desk: &mut Desk, facts: [&str; 2]| {
        let same_day = || Becomes::OnDay(day("2026-03-02"));
        let position = |desk: &Desk, kind: &str| {
            let of_kind = |told: &Recorded| match &told.event {
                Event::Case(CaseEvent::FactCorrected(e)) => e.kind.code() == kind,
                event => event.type_name() == kind,
            };
            desk.log.iter().rev().find(|told| of_kind(told)).unwrap().position
        };
        let corrections = facts.map(|kind| desk.correction(position(desk, kind), same_day()));
        let corrections = corrections.into();
        let command = Command::Correct {
            by: CorrectedBy::Anyone,
            case: case(CLIENT),
            expected_version: None,
            corrections,
        };
        desk.command(&command).unwrap();
        desk.answer(case(CLIENT), 1, "2026-04-10", Gate::Disclosure)
    };
    assert_eq!(
        desk.answer(case(CLIENT), 1, "2026-04-10", Gate::Disclosure),
        Answer::Unknown,
        "nobody said which came first"
    );
    assert_eq!(order(&mut desk, ["consent_signed", "disclosure_acknowledged"]), Answer::Fails);
    assert_eq!(order(&mut desk, ["disclosure_acknowledged", "consent_signed"]), Answer::Holds);
}

/// 15 USC 1679b(b): "charge or receive". What came before its fee was allowed is owed from the day it came.
#[test]
fn h12_money_that_came_before_its_fee_was_allowed_is_owed() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.desk.today("2026-03-15");
    let payment = PaymentReceived { amount: usd(9_900), invoice: None, payment: reference("p1") };
    let paid = AccountAction::PaymentReceived(payment);
    let told = client.desk.try_account(account(CLIENT), "2026-03-15", paid).unwrap();
    assert_eq!(names(&told), ["payment_settled", "unearned_payment_found"]);
    client.bill("2026-04-01");
    assert_eq!(client.fees(), [(1, FeeStanding::Allowed, 0)]);
    let paid = &client.desk.account(account(CLIENT)).payments[&reference("p1")];
    assert_eq!((paid.unearned_left, paid.applied.len()), (usd(9_900), 0));
}

/// 15 USC 1679d, 1679e(a): a renewal that is cancelled in its days is as if it had never been signed; the agreement before
/// it goes on, under its own price.
#[test]
fn a_renewal_cancelled_in_its_days_leaves_the_agreement_before_it_as_it_was() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.round("2026-04-10");
    client.bill("2026-05-01");
    client.pay("2026-05-02", "p1", 18_800, 1);
    client.desk.today("2026-05-18");
    let cheaper =
        Plan { individual: Prices { first_fee: usd(9_900), monthly_fee: usd(6_900) }, ..monthly() };
    client.desk.firm(FirmAction::PublishPlan(cheaper));
    client.sign("2026-05-18", PLENTY);
    client.round("2026-05-10");
    client.round("2026-06-01");
    let before = client.periods("2026-07-01");
    assert_eq!(client.claimable("2026-07-01"), [(3, 8_900), (4, 6_900)]);
    let cancel = Cancel { reason: None, sent_on: day("2026-05-20") };
    client.tell("2026-07-01", CaseAction::Cancel(cancel));
    assert_eq!(client.periods("2026-07-01"), before);
    assert_eq!(client.claimable("2026-07-01"), [(3, 8_900), (4, 8_900)]);
    let allowed = [(1, FeeStanding::Allowed, 0), (2, FeeStanding::Allowed, 0)];
    assert_eq!(client.fees(), allowed);
}

/// 15 USC 1679b(b), 1679e(a): a charge request that waits goes no further once the agreement turns out to be cancelled,
/// and no other is made.
#[test]
fn a_cancellation_told_with_a_charge_open_leaves_nothing_to_charge() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.bill("2026-04-01");
    let ask = || AccountAction::RequestCharge { invoice: 1 };
    client.desk.try_account(account(CLIENT), "2026-04-03", ask()).unwrap();
    let cancel = Cancel { reason: None, sent_on: day("2026-03-04") };
    client.tell("2026-04-04", CaseAction::Cancel(cancel));
    assert_eq!(client.fees(), [(1, FeeStanding::Exposed, 0)]);
    assert!(client.desk.try_account(account(CLIENT), "2026-04-05", ask()).is_err());
    // It went out all the same, and came in: all of it is owed.
    client.pay("2026-04-06", "p1", 9_900, 1);
    assert_eq!(client.owed(), 9_900);
}

/// 15 USC 1679b(b): "charge or receive". Naming the invoice that came later makes nothing of it lawful.
#[test]
fn money_that_came_before_its_fee_was_asked_for_is_owed_though_it_names_the_invoice() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.bill("2026-04-01");
    client.pay("2026-03-15", "p1", 9_900, 1);
    let paid = &client.desk.account(account(CLIENT)).payments[&reference("p1")];
    assert_eq!((paid.unearned_left, paid.applied.len(), paid.meant), (usd(9_900), 0, Some(1)));
    client.pay("2026-04-01", "p2", 9_900, 1);
    let paid = &client.desk.account(account(CLIENT)).payments[&reference("p2")];
    assert_eq!(paid.unearned_left, usd(0));
}

#[test]
fn a_cancellation_postmarked_in_its_days_counts_whenever_it_is_told() {
    let mut client = Client::signed(PLENTY);
    client.round("2026-03-10");
    client.bill("2026-04-01");
    client.pay("2026-04-01", "p1", 9_900, 1);
    client.tell(
        "2026-04-02",
        CaseAction::EndService(ServiceEnded { by: EndedBy::Firm, reason: None }),
    );
    let sent_on = day("2026-03-05");
    client.tell("2026-04-03", CaseAction::Cancel(Cancel { reason: None, sent_on }));
    assert_eq!(client.fees(), [(1, FeeStanding::Exposed, 9_900)]);
    assert_eq!(client.claimable("2026-06-01"), []);
    let earned: Vec<EarnedFee> =
        client.desk.state(case(CLIENT)).earned.iter().map(|fee| fee.as_ref().clone()).collect();
    assert_eq!(earned.len(), 1);
}

#[test]
fn what_is_above_the_price_of_its_period_is_not_asked_for_and_the_rest_is() {
    let mut desk = Desk::open();
    desk.firm(FirmAction::PublishPlan(monthly()));
    let plan = PlanCode::parse("monthly").unwrap();
    let enrol = Enrol { plan, ..enrol() };
    desk.act(case(CLIENT), "2026-01-31", CaseAction::Enrol(Box::new(enrol)));
    let mut client = Client { desk };
    client.sign("2026-03-02", PLENTY);
    client.tell("2026-03-02", CaseAction::ImportReport(report(NORTH, "2026-03-02", &["a"])));
    client.tell("2026-03-02", attest(NORTH, "a"));
    client.round("2026-03-10");
    client.bill("2026-04-01");
    // Told late: an agreement a period earlier. What was claimed as the first month was the second.
    client.sign("2026-01-31", PLENTY);
    let exposed = client.desk.judged(case(CLIENT), |judge| {
        judge.fees().map(|fee| (fee.exposed, fee.open, fee.closed)).collect::<Vec<_>>()
    });
    assert_eq!(exposed, [(usd(1_000), usd(1_000), vec![Gate::Total])]);
    let request = AccountAction::RequestCharge { invoice: 1 };
    let asked = client.desk.try_account(account(CLIENT), "2026-04-01", request).unwrap();
    let Event::Account(AccountEvent::ChargeRequested(charge)) = &asked[0].event else { panic!() };
    assert_eq!(charge.amount, usd(8_900));
}
