//! What is recorded of claimed fees when facts come late or the firm's own change (15 USC 1679b(b)).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::collections::BTreeSet;

use calendar::CivilDate;
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate};
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::judge::EDITION;
use counterfoil_domain::refusal::Reason;

const A: u128 = 2;

/// A month of work of a client of a state.
fn worked(state: &str) -> Desk {
    let mut desk = Desk::open();
    let mut enrol = enrol();
    enrol.contact.address.state = StateCode::parse(state).unwrap();
    desk.firm(FirmAction::RecordStanding(standing(StandingKind::Registration)));
    desk.firm(FirmAction::RecordStanding(standing(StandingKind::Bond)));
    desk.signed_as(case(A), "2026-03-02", enrol);
    desk.act(case(A), "2026-03-10", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-11");
    desk
}

/// Its fee (see `plan`), claimed on 1 April and paid.
fn paid(state: &str) -> Desk {
    let mut desk = worked(state);
    let billed = desk.bill(account(A), "2026-04-01");
    assert_eq!(names(&billed), ["fee_earned", "invoice_issued"]);
    let price = desk.account(account(A)).invoices[&1].total.minor();
    let payment =
        PaymentReceived { amount: usd(price), invoice: Some(1), payment: reference("p1") };
    let paid = AccountAction::PaymentReceived(payment);
    let paid = desk.try_account(account(A), "2026-04-02", paid).unwrap();
    assert_eq!(names(&paid), ["payment_settled"], "an allowed fee is not marked");
    desk
}

fn standing(kind: StandingKind) -> StandingRecorded {
    StandingRecorded {
        amount: (kind == StandingKind::Bond).then(|| usd(10_000_000)),
        document: None,
        kind,
        state: StateCode::parse("CA").unwrap(),
        valid_from: day("2025-01-01"),
        // The bond alone ends with the year.
        valid_through: day(if kind == StandingKind::Bond { "2026-12-31" } else { "2027-12-31" }),
    }
}

fn marks(events: &[Recorded]) -> Vec<&FeeMarked> {
    let marked = events.iter().filter_map(|recorded| {
        if let Event::Case(CaseEvent::FeeMarked(mark)) = &recorded.event {
            Some(mark)
        } else {
            None
        }
    });
    marked.collect()
}

fn cancelled(sent_on: &str) -> CaseAction {
    CaseAction::Cancel(Cancel { reason: None, sent_on: day(sent_on) })
}

fn refund(name: &str, minor: i64) -> AccountAction {
    AccountAction::Refund(Refund {
        amount: usd(minor),
        payment: reference("p1"),
        reason: None,
        refund: reference(name),
        request: None,
    })
}

/// 15 USC 1679e(a): a cancellation counts from the day it was sent, whenever it comes to light.
#[test]
fn a_postmarked_cancellation_told_late_marks_the_fee_and_giving_it_back_clears_what_is_owed() {
    let mut desk = paid("IL");
    let price = desk.account(account(A)).invoices[&1].total;
    let told = desk.act(case(A), "2026-05-04", cancelled("2026-03-04"));
    assert_eq!(names(&told), ["consent_cancelled", "exposure_found", "fee_marked"]);
    let mark = marks(&told)[0];
    assert_eq!(mark.standing, FeeStanding::Exposed);
    assert_eq!((mark.exposed, mark.owed, mark.open), (price, price, usd(0)));
    assert!(mark.exposed_before.is_zero() && mark.owed_before.is_zero());
    assert!(mark.gates.contains(&Gate::Agreement), "{:?}", mark.gates);
    assert_eq!(told[2].occurred_on, day("2026-05-04"), "it is concluded on the day it is told");

    // What has nothing to do with it is not told once more.
    let erase = CaseAction::EraseClient(ClientErased { basis: ErasureBasis::Asked });
    let refusal = desk.refusal(case(A), "2026-05-05", erase);
    assert!(rules(&refusal).contains(&"owed"), "{refusal:?}");

    let half = desk.try_account(account(A), "2026-05-06", refund("r1", 4_000)).unwrap();
    assert_eq!(names(&half), ["refund_issued", "fee_marked"]);
    let mark = marks(&half)[0];
    assert_eq!((mark.owed_before, mark.owed), (price, usd(price.minor() - 4_000)));
    assert_eq!((mark.exposed_before, mark.exposed), (price, price));
    let rest = refund("r2", price.minor() - 4_000);
    let rest = desk.try_account(account(A), "2026-05-07", rest).unwrap();
    assert!(marks(&rest)[0].owed.is_zero());
}

/// "Owed money [is] a function of [facts], whatever the order of telling" (trade rules): of a fee that has an invoice for itself.
#[test]
fn what_is_owed_depends_on_no_order_in_which_refunds_a_chargeback_and_the_exposure_are_told() {
    let chargeback = AccountAction::OpenChargeback(Chargeback {
        amount: usd(5_000),
        chargeback: reference("c1"),
        payment: reference("p1"),
        respond_by: None,
    });
    let money = [
        Some(("2026-04-10", refund("r1", 4_000))),
        Some(("2026-04-12", refund("r2", 3_000))),
        Some(("2026-04-15", chargeback)),
        None,
    ];
    let mut said = Vec::new();
    for order in 0..24 {
        let mut desk = paid("IL");
        desk.today("2026-05-04");
        let (mut left, mut order): (Vec<usize>, usize) = ((0..4).collect(), order);
        while !left.is_empty() {
            let fact = left.remove(order % left.len());
            order /= left.len() + 1;
            match &money[fact] {
                Some((on, action)) => {
                    desk.try_account(account(A), on, action.clone()).unwrap();
                }
                None => {
                    desk.act(case(A), "2026-05-04", cancelled("2026-03-04"));
                }
            }
        }
        let mark = desk.state(case(A)).marks.values().next().unwrap();
        let mark = mark.said.clone();
        said.push(
            [mark.exposed, mark.owed, mark.open, mark.given_back]
                .map(counterfoil_domain::money::Money::minor),
        );
        assert_eq!(said[0], *said.last().unwrap());
    }
    let [exposed, owed, open, given_back] = said[0];
    assert_eq!((owed, open, given_back), (exposed - 12_000, 5_000, 7_000));
}

/// The day on which a fee was found to be exposed is that of the first mark that says so, whatever money moves since.
#[test]
fn since_when_a_fee_is_exposed_is_kept_by_each_later_mark() {
    let mut desk = paid("IL");
    desk.act(case(A), "2026-05-04", cancelled("2026-03-04"));
    desk.try_account(account(A), "2026-05-06", refund("r1", 4_000)).unwrap();
    let mark = desk.state(case(A)).marks.values().next().unwrap();
    assert_eq!((mark.mark.on, mark.since.on), (day("2026-05-06"), day("2026-05-04")));
}

fn bond_ended(last_day: &str) -> FirmAction {
    FirmAction::EndStanding(StandingEnded {
        document: None,
        kind: StandingKind::Bond,
        last_day: day(last_day),
        reason: StandingEndReason::SuretyCancelled,
        state: StateCode::parse("CA").unwrap(),
        valid_from: day("2025-01-01"),
    })
}

/// "A new version or pack that would expose old fees first shows count, amount and cases; an administrator records
/// the result, and the books move only then": no next fact of the client moves them before.
#[test]
fn what_awaits_a_review_is_carried_to_a_fee_by_no_fact_of_its_client() {
    let awaiting = || {
        let mut desk = paid("CA");
        desk.today("2026-04-20");
        desk.firm(bond_ended("2026-03-20"));
        desk
    };
    let mut desk = awaiting();
    let exposed = |desk: &Desk| {
        desk.judged(case(A), |judge| judge.fees().next().unwrap().exposed.is_positive())
    };
    assert!(exposed(&desk), "it is shown as it is judged");
    // That it was done without security is a breach of its own (15 USC 1679j), and moves no money.
    let told = desk.act(case(A), "2026-04-20", progress());
    assert_eq!(names(&told), ["progress_report_sent", "exposure_found"]);
    assert_eq!(
        names(&desk.try_account(account(A), "2026-04-20", refund("r1", 100)).unwrap()),
        ["refund_issued"]
    );
    // What the client's own facts expose is marked with them.
    let mut of_client = awaiting();
    let told = of_client.act(case(A), "2026-04-21", cancelled("2026-03-04"));
    assert_eq!(names(&told), ["consent_cancelled", "exposure_found", "fee_marked"]);
    assert!(marks(&told)[0].owed.is_positive());
    let reviewed = desk.command(&Command::Review { case: case(A) }).unwrap();
    assert_eq!(marks(&reviewed)[0].gates, BTreeSet::from([Gate::State]));
    // Once it is exposed, money that comes and goes is told of it, also while a review is due.
    let told = desk.try_account(account(A), "2026-04-22", refund("r2", 100)).unwrap();
    assert_eq!(names(&told), ["refund_issued", "fee_marked"]);
}

/// "Terms are the plan's version of the signing day", whenever it is told: what was asked for above its price is an
/// exposure of that part (15 USC 1679b(b)), once an administrator has recorded the review.
#[test]
fn a_price_told_after_the_signing_exposes_what_is_above_it() {
    let mut desk = paid("CA");
    desk.today("2026-04-20");
    let price = desk.account(account(A)).invoices[&1].total.minor();
    let noted = |desk: &mut Desk| {
        let through = desk.firm_state().law_at;
        let reviewed = FeesReviewed { edition: EDITION, marked: 0, through };
        desk.firm(FirmAction::NoteReview(reviewed));
    };
    noted(&mut desk);
    let mut publish = |on: &str, minor: i64| {
        let mut cheaper = plan();
        cheaper.individual.first_fee = usd(minor);
        let action = Dated {
            occurred_at: None,
            occurred_on: day(on),
            action: FirmAction::PublishPlan(cheaper),
        };
        desk.command(&Command::Firm { action }).unwrap();
        let due = desk.firm_state().review_is_due();
        let marked = desk.command(&Command::Review { case: case(A) }).unwrap();
        noted(&mut desk);
        (due, marks(&marked).iter().map(|mark| mark.owed.minor()).collect::<Vec<_>>())
    };
    // A version of after the signing is none of its.
    assert_eq!(publish("2026-03-03", price - 3_000), (true, vec![]));
    assert_eq!(publish("2026-03-02", price - 2_000), (true, vec![2_000]));
    // One of before it is no version of its day any more.
    assert_eq!(publish("2026-03-01", price - 5_000), (true, vec![]));
    // Nor is it owed any more once the true price is told.
    assert_eq!(publish("2026-03-02", price), (true, vec![0]));
}

/// What begins later never reaches back: a bond that ends touches no fee that was asked for before it did.
#[test]
fn h4_a_bond_that_ends_later_owes_nothing_back_and_holds_the_next_fee() {
    let mut desk = paid("CA");
    desk.act(case(A), "2026-12-05", progress());
    let mut moved = contact();
    moved.phone = counterfoil_domain::value::Personal::phone("+12025550199").unwrap();
    moved.address.state = StateCode::parse("CA").unwrap();
    let changed = CaseAction::ContactChanged(Box::new(ContactChanged { contact: moved }));
    // The bond is on file through 31 December 2026.
    let told = desk.act(case(A), "2027-01-04", changed);
    assert_eq!(names(&told), ["contact_changed"]);
    let fee = desk.judged(case(A), |judge| judge.fees().next().unwrap().owed.minor());
    assert_eq!(fee, 0);
    let running = desk.judged(case(A), |judge| judge.first_open().unwrap().number);
    assert_eq!(desk.answer(case(A), running, "2027-01-04", Gate::State), Answer::Fails);
}

/// Cal. Civ. Code 1789.18 (bond), 1789.25 (registration): what is found to have lapsed before the fee was asked for exposes
/// it; what is filed again only later heals nothing, and what stood on the day after all does.
#[test]
fn what_is_found_to_have_lapsed_before_the_asking_exposes_and_is_healed_by_nothing_later() {
    for kind in [StandingKind::Bond, StandingKind::Registration] {
        let mut desk = paid("CA");
        desk.today("2026-05-04");
        let review = Command::Review { case: case(A) };
        // Shortened: it ended while the month's work was done.
        let ended = StandingEnded {
            document: None,
            kind,
            last_day: day("2026-03-20"),
            reason: StandingEndReason::SuretyCancelled,
            state: StateCode::parse("CA").unwrap(),
            valid_from: day("2025-01-01"),
        };
        desk.firm(FirmAction::EndStanding(ended));
        assert_eq!(names(&desk.command(&review).unwrap()), ["fee_marked"], "{kind:?}");
        let found = |desk: &Desk| {
            desk.judged(case(A), |judge| {
                let fee = judge.fees().next().unwrap();
                (fee.standing, fee.owed.is_positive())
            })
        };
        assert_eq!(found(&desk), (FeeStanding::Exposed, true), "{kind:?}");
        // Cured later, which never reaches back to the asking of 1 April.
        let later = StandingRecorded { valid_from: day("2026-04-10"), ..standing(kind) };
        desk.firm(FirmAction::RecordStanding(later));
        assert_eq!(names(&desk.command(&review).unwrap()), [""; 0], "{kind:?}");
        assert_eq!(found(&desk), (FeeStanding::Exposed, true), "{kind:?}");
        // It stood all along, under another paper that nobody had told of.
        let other = StandingRecorded { valid_from: day("2025-06-01"), ..standing(kind) };
        desk.firm(FirmAction::RecordStanding(other));
        assert_eq!(names(&desk.command(&review).unwrap()), ["fee_marked"], "{kind:?}");
        assert_eq!(found(&desk), (FeeStanding::Allowed, false), "{kind:?}");
    }
}

/// An earlier day answers what was so then, and opens nothing: asking is done today, whatever day is named.
#[test]
fn an_earlier_day_opens_no_gate_that_is_closed_today() {
    let mut desk = worked("CA");
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::State), Answer::Holds);
    desk.today("2026-05-04");
    desk.firm(bond_ended("2026-04-20"));
    assert_eq!(desk.answer(case(A), 1, "2026-04-02", Gate::State), Answer::Fails);
    assert!(desk.claim(case(A), 1, "2026-04-02").is_err());
    assert_eq!(names(&desk.bill(account(A), "2026-04-02")), ["fee_held"]);

    // Nor is a charge asked for on an earlier day that would not be today; the fee itself was allowed.
    let mut desk = worked("CA");
    desk.bill(account(A), "2026-04-02");
    desk.today("2026-05-04");
    desk.firm(bond_ended("2026-04-20"));
    let charge = AccountAction::RequestCharge { invoice: 1 };
    assert!(desk.try_account(account(A), "2026-04-03", charge).is_err());
    let standing = desk.judged(case(A), |judge| judge.fees().next().unwrap().standing);
    assert_eq!(standing, FeeStanding::Allowed);
}

/// Nothing allowed it, so nothing is owed of it by the client either.
#[test]
fn what_is_open_of_an_exposed_fee_is_marked_open_and_never_asked_for() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let price = desk.account(account(A)).invoices[&1].total;
    let early = CaseAction::NoteRoundSent(round(NORTH, &["a"]));
    let told = desk.act(case(A), "2026-03-04", early);
    let mark = marks(&told)[0];
    assert_eq!((mark.owed, mark.open, mark.exposed), (usd(0), price, price));
    assert_eq!(mark.gates, BTreeSet::from([Gate::WaitingDays]));
    let charge = AccountAction::RequestCharge { invoice: 1 };
    assert!(desk.try_account(account(A), "2026-04-03", charge).is_err());
}

/// What nothing allowed is no loss of the firm's: the mark says what of it was written off, as the books lost it.
#[test]
fn what_was_written_off_of_an_exposed_fee_is_marked_as_it_was_lost() {
    let lower = |minor| Lower { amount: usd(minor), invoice: 1, reason: personal("a reason") };
    let opened = |minor| {
        AccountAction::OpenChargeback(Chargeback {
            amount: usd(minor),
            chargeback: reference("cb-1"),
            payment: reference("p1"),
            respond_by: None,
        })
    };
    let mut desk = paid("IL");
    let price = desk.account(account(A)).invoices[&1].total.minor();
    desk.act(case(A), "2026-05-04", cancelled("2026-03-04"));
    let taken = desk.try_account(account(A), "2026-05-05", opened(price)).unwrap();
    assert_eq!((marks(&taken)[0].owed, marks(&taken)[0].lost), (usd(0), None));
    let loss = AccountAction::WriteOff(lower(price));
    let lost = desk.try_account(account(A), "2026-05-06", loss).unwrap();
    let whole = Loss { bad_debt: usd(0), charged_back: usd(price) };
    assert_eq!((marks(&lost)[0].open, marks(&lost)[0].lost), (usd(0), Some(whole)));
    let won = AccountAction::ChargebackWon(reference("cb-1"));
    let won = desk.try_account(account(A), "2026-05-07", won).unwrap();
    let mark = marks(&won)[0];
    assert_eq!((mark.owed, mark.lost, mark.lost_before), (usd(price), None, Some(whole)));

    // In part, and before anybody knew.
    let mut desk = worked("IL");
    desk.bill(account(A), "2026-04-01");
    let loss = AccountAction::WriteOff(lower(5_000));
    assert_eq!(names(&desk.try_account(account(A), "2026-04-02", loss).unwrap()), ["written_off"]);
    let told = desk.act(case(A), "2026-05-04", cancelled("2026-03-04"));
    let mark = marks(&told)[0];
    let part = Loss { bad_debt: usd(5_000), charged_back: usd(0) };
    assert_eq!((mark.open, mark.lost), (usd(price - 5_000), Some(part)));
}

/// What a bond covered is asked of each fee on the days that its pack names (trade rules, G7); here it is found to
/// have ended before the fee was asked for.
#[test]
fn what_the_firm_tells_of_itself_is_carried_to_fees_by_a_review_and_by_nothing_else() {
    let mut desk = paid("CA");
    desk.today("2026-04-20");
    let through = |desk: &Desk| desk.firm_state().law_at;
    let review = Command::Review { case: case(A) };
    assert_eq!(names(&desk.command(&review).unwrap()), [""; 0], "nothing has changed");
    let note = |through, marked| {
        FirmAction::NoteReview(FeesReviewed { edition: EDITION, marked, through })
    };
    let noted = note(through(&desk), 0);
    desk.firm(noted);
    assert!(!desk.firm_state().review_is_due());

    let ended = desk.firm(bond_ended("2026-03-20"));
    assert_eq!(names(&ended), ["standing_ended"]);
    assert!(desk.firm_state().review_is_due());
    // A review of before cannot be noted now.
    let stale = Dated {
        occurred_at: None,
        occurred_on: CivilDate::MIN,
        action: note(through(&desk) - 1, 0),
    };
    let stale = Dated { occurred_at: None, occurred_on: day("2026-04-20"), ..stale };
    is(&desk.command(&Command::Firm { action: stale }).unwrap_err(), Reason::StateRefuses);

    let reviewed = desk.command(&review).unwrap();
    assert_eq!(names(&reviewed), ["fee_marked"]);
    assert_eq!(marks(&reviewed)[0].gates, BTreeSet::from([Gate::State]));
    assert!(marks(&reviewed)[0].owed.is_positive());
    assert_eq!(names(&desk.command(&review).unwrap()), [""; 0], "it is marked once");
    desk.firm(note(through(&desk), 1));
    assert!(!desk.firm_state().review_is_due());

    // Found again: the bond had gone on after all under another paper.
    let again = StandingRecorded { valid_from: day("2026-03-01"), ..standing(StandingKind::Bond) };
    desk.firm(FirmAction::RecordStanding(again));
    let healed = desk.command(&review).unwrap();
    let mark = marks(&healed)[0];
    assert!(mark.is_allowed() && mark.owed.is_zero(), "{mark:?}");
    assert_eq!(mark.owed_before, mark.exposed_before);
}

/// Before an administrator's review nothing moves, whichever way a firm's correction goes.
#[test]
fn a_review_carries_to_claimed_fees_what_a_firm_corrected_of_itself() {
    let mut desk = paid("CA");
    desk.today("2026-05-04");
    desk.firm(bond_ended("2026-03-20"));
    let review = Command::Review { case: case(A) };
    let owed = |desk: &Desk| {
        let marks = &desk.state(case(A)).marks;
        marks.values().map(|mark| mark.said.owed.minor()).sum::<i64>()
    };
    assert_eq!(names(&desk.command(&review).unwrap()), ["fee_marked"]);
    let was_owed = owed(&desk);
    assert!(was_owed > 0);
    let told = desk.log.iter().rev().find(|told| told.event.type_name() == "standing_ended");
    let correction = FirmCorrection {
        becomes: FirmBecomes::Nothing,
        reason: text("It was another firm's bond."),
        said_by: text("the office"),
        told: Box::new(told.unwrap().clone()),
    };
    let told = desk.command(&Command::CorrectFirm(Box::new(correction))).unwrap();
    assert_eq!(names(&told), ["firm_corrected"]);
    assert_eq!(owed(&desk), was_owed);
    assert!(desk.firm_state().review_is_due());
    assert_eq!(names(&desk.command(&review).unwrap()), ["fee_marked"]);
    assert_eq!(owed(&desk), 0);
}
