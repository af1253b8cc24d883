//! What a model written from the trade's text alone found wrong in the judge, each with the words that decided.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::FeeStanding;
use counterfoil_domain::gates::{Answer, Gate};
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::terms::{Channel, Sale};

const A: u128 = 2;

fn pay(desk: &mut Desk, on: &str, amount: i64, invoice: u64) {
    let payment = reference(&format!("pay-{invoice}"));
    let received = PaymentReceived { amount: usd(amount), invoice: Some(invoice), payment };
    desk.try_account(account(A), on, AccountAction::PaymentReceived(received)).unwrap();
}

fn refund(desk: &mut Desk, on: &str, amount: i64, invoice: u64) {
    let action = AccountAction::Refund(Refund {
        amount: usd(amount),
        payment: reference(&format!("pay-{invoice}")),
        reason: None,
        refund: reference(&format!("back-{invoice}")),
        request: None,
    });
    desk.try_account(account(A), on, action).unwrap();
}

fn standings(desk: &Desk) -> Vec<FeeStanding> {
    desk.judged(case(A), |judge| judge.fees().map(|fee| fee.standing).collect())
}

/// "less what was credited or given back by today": once, although a refund lowers the invoice as a credit does.
#[test]
fn what_is_paid_back_counts_once_under_the_total() {
    let mut desk = Desk::open();
    let agreement = SignConsent { total_of_payments: usd(25_000), ..sign() };
    desk.signed_for(case(A), "2026-03-02", enrol(), agreement);
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09").bill(account(A), "2026-04-01");
    pay(&mut desk, "2026-04-01", 19_900, 1);
    refund(&mut desk, "2026-04-02", 3_000, 1);
    desk.month(case(A), "2026-04-09").today("2026-05-01");
    // 16,900 kept and 9,900 asked for are 26,800 of 25,000.
    assert_eq!(desk.answer(case(A), 2, "2026-05-01", Gate::Total), Answer::Fails);
}

/// "the fees claimed under that agreement up to and with this one, less what was credited or given back": of this
/// one as well.
#[test]
fn what_was_given_back_of_a_fee_makes_room_for_it() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    for on in ["2026-04-09", "2026-05-09", "2026-06-09"] {
        desk.month(case(A), on);
    }
    desk.bill(account(A), "2026-07-01");
    pay(&mut desk, "2026-07-01", 49_600, 1);
    // A renewal of April with a total of 12,000 is told late: the third and the fourth fee are of it.
    let renewal = SignConsent { total_of_payments: usd(12_000), ..sign() };
    desk.today("2026-07-05");
    desk.act(case(A), "2026-04-20", CaseAction::SignConsent(renewal));
    let exposed =
        [FeeStanding::Allowed, FeeStanding::Allowed, FeeStanding::Allowed, FeeStanding::Exposed];
    assert_eq!(standings(&desk), exposed);
    // A refund is shared by the lines of its invoice: a half of all of them is a half of each.
    refund(&mut desk, "2026-07-06", 24_800, 1);
    assert_eq!(standings(&desk), [FeeStanding::Allowed; 4]);
}

/// "what begins later never reaches back": a correction that a later report showed is a result, whatever is
/// disputed after it.
#[test]
fn a_later_dispute_exposes_no_fee_of_a_telephone_sale() {
    let mut desk = Desk::open();
    let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days: 30 };
    let promised = promising([put_right(NORTH, "a", 20_000)]);
    desk.signed_for(case(A), "2026-03-02", Enrol { sale, ..enrol() }, promised);
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk.act(case(A), "2026-04-10", response(NORTH, 1, &[("a", Outcome::Corrected)]));
    let shows = CaseAction::ImportReport(corrected("a", report(NORTH, "2026-11-02", &["a", "b"])));
    desk.try_acts(case(A), "2026-11-02", vec![shows, progress()]).unwrap();
    let claimed = desk.claim(case(A), 1, "2026-11-03").unwrap();
    assert_eq!(names(&claimed), ["fee_earned", "invoice_issued"]);
    desk.act(case(A), "2026-11-10", CaseAction::SendRound(round(NORTH, &["a"])));
    assert_eq!(standings(&desk), [FeeStanding::Allowed]);
    desk.today("2026-11-20");
    assert!(desk.holds(case(A), 1, "2026-11-20", Gate::Telemarketing), "it is still corrected");
}

/// "Facts of one request stand in the order in which it lists them": what a request states after an end of the
/// service was done after it, and is a breach (15 USC 1679d(a)).
#[test]
fn work_after_an_end_that_its_request_states_first_counts_for_nothing() {
    let end = || CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None });
    let work = || {
        let import = CaseAction::ImportReport(report(SOUTH, "2026-03-31", &["a", "b"]));
        vec![import, progress(), CaseAction::NoteRoundSent(round(NORTH, &["a"]))]
    };
    let told = |actions: Vec<CaseAction>| {
        let mut desk = Desk::open();
        desk.opened(case(A), "2026-03-02", "2026-03-06");
        desk.try_acts(case(A), "2026-03-31", actions).unwrap();
        desk.today("2026-04-01");
        let breaches = desk.judged(case(A), |judge| judge.breaches().count());
        (desk.holds(case(A), 1, "2026-04-01", Gate::FullyPerformed), breaches)
    };
    assert_eq!(told([work(), vec![end()]].concat()), (true, 0));
    // The report is preparation where no service runs; the letters and the word to the client are breaches.
    assert_eq!(told([vec![end()], work()].concat()), (false, 2));
    let (before, after) = (work()[..2].to_vec(), work()[2..].to_vec());
    assert_eq!(told([before, vec![end()], after].concat()), (false, 1));
    // A pause that a request states before a round holds the round.
    let pause = CaseAction::PauseService(ServicePaused { reason: personal("away") });
    assert_eq!(told([vec![pause], work()].concat()), (false, 0));
}

/// "The order of telling decides nothing": on one day an end belongs to the pause that was open before it.
#[test]
fn a_pause_that_ends_and_begins_on_one_day_is_the_same_in_any_order() {
    let pause = || CaseAction::PauseService(ServicePaused { reason: personal("away") });
    let first = ("2026-03-10", pause());
    let (again, resumed) = (("2026-03-12", pause()), ("2026-03-12", CaseAction::ResumeService));
    let in_order = [first.clone(), resumed.clone(), again.clone()];
    let told_late = [again, resumed, first];
    let [one, other] = [in_order, told_late].map(|told| {
        let mut desk = Desk::open();
        desk.opened(case(A), "2026-03-02", "2026-03-06").today("2026-05-20");
        for (on, action) in told {
            desk.act(case(A), on, action);
        }
        desk.judged(case(A), |judge| judge.periods().collect::<Vec<_>>())
    });
    assert_eq!(one, other);
    assert_eq!(one.len(), 1, "the second pause holds the first period open");
}

/// "A statement duty is met once per period by a statement of that period's work": without work there is nothing to
/// state, and a report that completes the month before states no work of its own month.
#[test]
fn a_statement_is_of_the_work_of_its_period() {
    let california = || {
        let mut desk = Desk::open();
        let bond = Some(usd(10_000_000));
        for (kind, amount) in [(StandingKind::Registration, None), (StandingKind::Bond, bond)] {
            desk.firm(FirmAction::RecordStanding(StandingRecorded {
                amount,
                document: None,
                kind,
                state: StateCode::parse("CA").unwrap(),
                valid_from: day("2026-01-01"),
                valid_through: day("2026-12-31"),
            }));
        }
        let mut contact = contact();
        contact.address.state = StateCode::parse("CA").unwrap();
        desk.signed_as(case(A), "2026-03-02", Enrol { contact, ..enrol() });
        desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
        desk
    };
    let mut desk = california();
    desk.today("2026-05-01");
    assert_eq!(desk.answer(case(A), 2, "2026-05-01", Gate::State), Answer::Holds);
    let mut desk = california();
    desk.act(case(A), "2026-04-02", CaseAction::SendRound(round(NORTH, &["a"])));
    let completing = ProgressReportSent { completes_before: Some(true), document: None };
    desk.act(case(A), "2026-04-03", CaseAction::ProgressReportSent(completing));
    desk.today("2026-05-01");
    assert_eq!(desk.answer(case(A), 2, "2026-05-01", Gate::State), Answer::Fails);
}

/// "In an agreement's waiting days … it also closes G3 for that agreement": of each of two that wait at once.
#[test]
fn early_service_taints_every_agreement_in_whose_waiting_days_it_was_done() {
    let mut desk = Desk::open();
    desk.signed(case(A), "2026-03-02");
    desk.act(case(A), "2026-03-04", CaseAction::SignConsent(sign()));
    desk.act(case(A), "2026-03-05", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    desk.today("2026-05-01");
    // The first period is of the first agreement, the second of the renewal.
    for period in [1, 2] {
        assert_eq!(desk.answer(case(A), period, "2026-05-01", Gate::WaitingDays), Answer::Fails);
    }
}

/// A fee is judged as it stands: of one that nothing allowed and that was given back no page says that none was claimed.
#[test]
fn of_what_was_given_back_it_is_not_said_that_nothing_was_claimed() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    desk.today("2026-05-01");
    let claimed = |desk: &Desk| {
        let explained = desk.explain(case(A), 1, "2026-05-01");
        explained.findings.iter().find(|of| of.gate == Gate::NotClaimed).unwrap().because.clone()
    };
    let (amount, payment) = (usd(19_900), reference("p1"));
    let paid = PaymentReceived { amount, invoice: Some(1), payment: payment.clone() };
    desk.try_account(account(A), "2026-04-02", AccountAction::PaymentReceived(paid)).unwrap();
    desk.act(case(A), "2026-03-04", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(claimed(&desk), "claimed on 2026-04-01, and no other fee was");
    let refund = reference("r1");
    let back = Refund { amount, payment, reason: None, refund, request: None };
    desk.try_account(account(A), "2026-04-10", AccountAction::Refund(back)).unwrap();
    assert_eq!(claimed(&desk), "what was claimed for the period was given back");
}
