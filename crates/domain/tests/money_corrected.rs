//! What was told wrongly of money: taken back, told anew, moved to the client whose it was. Afterwards the account
//! is as if it had been told right at first (15 USC 1679b(b): what was charged or received is what counts).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::account::{Account, Invoice, MoneyBack, Payment};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::ids::AccessId;
use counterfoil_domain::refusal::{Reason, Refusal};
use uuid::Uuid;

const A: u128 = 2;
const B: u128 = 3;

/// Two clients with an invoice of 199.00 each.
fn invoiced() -> Desk {
    let mut desk = Desk::open();
    for id in [A, B] {
        desk.opened(case(id), "2026-03-02", "2026-03-06").month(case(id), "2026-03-09");
    }
    desk.bill(account(A), "2026-04-01");
    desk.bill(account(B), "2026-04-01");
    desk.today("2026-05-20");
    desk
}

fn pay(name: &str, minor: i64, invoice: Option<u64>) -> AccountAction {
    let (amount, payment) = (usd(minor), reference(name));
    AccountAction::PaymentReceived(PaymentReceived { amount, invoice, payment })
}

fn refund(name: &str, minor: i64) -> AccountAction {
    let (amount, payment, refund) = (usd(minor), reference("p1"), reference(name));
    let reason = Some(personal("The client asked for it."));
    AccountAction::Refund(Refund { amount, payment, reason, refund, request: None })
}

fn chargeback(minor: i64) -> AccountAction {
    let (amount, payment, chargeback) = (usd(minor), reference("p1"), reference("c1"));
    AccountAction::OpenChargeback(Chargeback { amount, chargeback, payment, respond_by: None })
}

fn lower(minor: i64) -> Lower {
    Lower { amount: usd(minor), invoice: 1, reason: personal("A kindness.") }
}

fn fails(reason: FailureReason) -> AccountAction {
    AccountAction::ChargeFailed(ChargeFailed { invoice: 1, reason })
}

fn won() -> AccountAction {
    AccountAction::ChargebackWon(reference("c1"))
}

fn on(day: &str, action: AccountAction) -> MoneyBecomes {
    MoneyBecomes::Told(Box::new(Dated { occurred_at: None, occurred_on: common::day(day), action }))
}

fn tell(desk: &mut Desk, day: &str, action: AccountAction) -> u64 {
    desk.try_account(account(A), day, action).unwrap()[0].position
}

fn try_correct(
    desk: &mut Desk,
    id: u128,
    position: u64,
    becomes: MoneyBecomes,
) -> Result<Vec<Recorded>, Refusal> {
    let told = desk.log.iter().find(|told| told.position == position).unwrap().clone();
    let (reason, said_by) = (personal("It was mistyped."), personal("the bookkeeper"));
    let correction = MoneyCorrection { becomes, reason, said_by, told: Box::new(told) };
    let correction = Box::new(correction);
    desk.command(&Command::CorrectMoney {
        account: account(id),
        by: CorrectedBy::Anyone,
        expected_version: None,
        correction,
    })
}

fn correct(desk: &mut Desk, position: u64, becomes: MoneyBecomes) -> Vec<Recorded> {
    try_correct(desk, A, position, becomes).unwrap()
}

/// What an account says of its money, whichever events told it.
fn says(account: &Account) -> String {
    let invoice = |(number, i): (&u64, &Invoice)| {
        let asked = i.charge_asked.as_ref().map(|mark| mark.on);
        let charge = (asked, i.charge_open, i.failed, i.next_try_on, i.tries);
        format!(
            "{number} {} {} {} {} {:?} {charge:?}",
            i.paid, i.credited, i.written_off, i.charged_back, i.sums
        )
    };
    let payment = |(name, p): (_, &Payment)| {
        let money = (p.amount, p.returned, p.unearned, p.unearned_left);
        format!("{name} {} {money:?} {:?}", p.mark.on, p.applied)
    };
    let back = |(name, b): (_, &MoneyBack)| {
        let won = b.won.as_ref().map(|mark| mark.on);
        format!(
            "{name} {} {} {:?} {} {:?} {won:?}",
            b.mark.on, b.amount, b.invoices, b.unearned, b.status
        )
    };
    let mut said: Vec<String> = account.invoices.iter().map(invoice).collect();
    said.extend(account.payments.iter().map(payment));
    said.extend(account.money_back.iter().map(back));
    said.join("\n")
}

/// The account of a story, each fact of it on its day.
fn told(story: &[(&str, AccountAction)]) -> Desk {
    let mut desk = invoiced();
    for (day, action) in story {
        tell(&mut desk, day, action.clone());
    }
    desk
}

/// Tells a story, corrects its last fact, and holds the account against the story told right at first.
fn corrected(
    story: &[(&str, AccountAction)],
    becomes: MoneyBecomes,
    right: &[(&str, AccountAction)],
) {
    let mut desk = told(story);
    let kind = desk.log.iter().rev().find_map(|told| match &told.event {
        Event::Account(event) => event.money_fact().map(|_| told.position),
        Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    });
    correct(&mut desk, kind.unwrap(), becomes);
    assert_eq!(says(desk.account(account(A))), says(told(right).account(account(A))));
}

#[test]
fn each_fact_about_money_is_as_if_it_had_been_told_right_at_first() {
    let charge = || AccountAction::RequestCharge { invoice: 1 };
    let paid = || ("2026-04-16", pay("p1", 19_900, Some(1)));
    let broke = || fails(FailureReason::InsufficientFunds);
    let back = || ("2026-04-20", chargeback(19_900));
    let nothing = MoneyBecomes::Nothing;

    // A payment: its amount, its day, its name, that there was none. The charge that waited waits again.
    let asked = ("2026-04-16", charge());
    for (becomes, right) in [
        (on("2026-04-16", pay("p1", 9_900, Some(1))), vec![pay("p1", 9_900, Some(1))]),
        (on("2026-04-16", pay("p1", 29_900, Some(1))), vec![pay("p1", 29_900, Some(1))]),
        (on("2026-04-16", pay("p2", 19_900, Some(1))), vec![pay("p2", 19_900, Some(1))]),
        (on("2026-04-16", pay("p1", 19_900, None)), vec![pay("p1", 19_900, None)]),
        (nothing.clone(), vec![]),
    ] {
        let right = right.into_iter().map(|action| ("2026-04-16", action));
        let right: Vec<_> = std::iter::once(asked.clone()).chain(right).collect();
        corrected(&[asked.clone(), paid()], becomes, &right);
    }
    corrected(
        &[paid()],
        MoneyBecomes::OnDay(day("2026-04-17")),
        &[("2026-04-17", pay("p1", 19_900, Some(1)))],
    );
    // A charge that failed: why, when, that it did not.
    corrected(
        &[asked.clone(), ("2026-04-17", broke())],
        on("2026-04-18", fails(FailureReason::Declined)),
        &[asked.clone(), ("2026-04-18", fails(FailureReason::Declined))],
    );
    corrected(
        &[asked.clone(), ("2026-04-17", broke())],
        nothing.clone(),
        std::slice::from_ref(&asked),
    );
    // A refund, out of what was unearned and out of what was earned.
    for minor in [5_000, 12_000] {
        let over = ("2026-04-16", pay("p1", 29_900, Some(1)));
        let right = [over.clone(), ("2026-04-20", refund("r1", minor))];
        let wrong = [over.clone(), ("2026-04-20", refund("r1", 15_000))];
        corrected(&wrong, on("2026-04-20", refund("r1", minor)), &right);
        corrected(&wrong, nothing.clone(), &[over]);
    }
    // A chargeback and its ends.
    corrected(
        &[paid(), back()],
        on("2026-04-20", chargeback(9_900)),
        &[paid(), ("2026-04-20", chargeback(9_900))],
    );
    corrected(&[paid(), back()], nothing.clone(), &[paid()]);
    let ended = |action: AccountAction| [paid(), back(), ("2026-04-25", action)];
    corrected(&ended(won()), nothing.clone(), &[paid(), back()]);
    corrected(
        &ended(AccountAction::ChargebackLost(reference("c1"))),
        nothing.clone(),
        &[paid(), back()],
    );
    let lost = [paid(), back(), ("2026-04-22", AccountAction::WriteOff(lower(15_000)))];
    let and_won = [&lost[..], &[("2026-04-25", won())]].concat();
    corrected(&and_won, nothing.clone(), &lost);
    corrected(
        &and_won,
        MoneyBecomes::OnDay(day("2026-04-26")),
        &[&lost[..], &[("2026-04-26", won())]].concat(),
    );
    // A credit and a write-off, of what a bank took back too.
    let lowers: [fn(Lower) -> AccountAction; 2] =
        [AccountAction::GrantCredit, AccountAction::WriteOff];
    for action in lowers {
        let story = |minor: i64| [paid(), back(), ("2026-04-22", action(lower(minor)))];
        corrected(&story(9_900), on("2026-04-22", action(lower(900))), &story(900));
        corrected(&story(19_900), nothing.clone(), &[paid(), back()]);
    }
}

#[test]
fn a_payment_of_the_wrong_client_moves_to_the_right_one_in_one_act() {
    let mut desk = told(&[("2026-04-10", pay("p1", 19_900, Some(1)))]);
    let at = desk.last("payment_settled");
    let becomes = MoneyBecomes::MovedTo { account: account(B), invoice: Some(2) };
    let events = correct(&mut desk, at, becomes);
    assert_eq!(names(&events), ["money_corrected", "payment_settled"]);
    assert_eq!(events[1].stream, StreamId::Account(account(B)));
    assert_eq!(events[1].occurred_on, day("2026-04-10"));
    assert_eq!(desk.account(account(A)).open_minor(), 19_900);
    assert_eq!(desk.account(account(B)).open_minor(), 0);
    assert!(desk.account(account(B)).payments.contains_key(&reference("p1")));

    // Whoever tells it here again is told where it is, and so is whoever corrects it here again.
    let again = desk.try_account(account(A), "2026-04-10", pay("p1", 19_900, Some(1))).unwrap_err();
    is(&again, Reason::AlreadyRecorded);
    let again = try_correct(&mut desk, A, at, MoneyBecomes::Nothing).unwrap_err();
    assert!(again.violations[0].detail.contains("correct it there"), "{again:?}");
    // It moves back.
    let at = desk.last("payment_settled");
    let becomes = MoneyBecomes::MovedTo { account: account(A), invoice: Some(1) };
    try_correct(&mut desk, B, at, becomes).unwrap();
    assert_eq!(desk.account(account(A)).open_minor(), 0);
    assert_eq!(desk.account(account(B)).open_minor(), 19_900);
}

/// A correction that is refused, and why; nothing is changed by it.
fn refused(desk: &mut Desk, position: u64, becomes: MoneyBecomes) -> String {
    let before = (desk.log.len(), says(desk.account(account(A))));
    let refusal = try_correct(desk, A, position, becomes).unwrap_err();
    assert_eq!(before, (desk.log.len(), says(desk.account(account(A)))));
    refusal.violations[0].detail.clone()
}

#[test]
fn what_rests_on_a_reading_is_corrected_first() {
    let nothing = || MoneyBecomes::Nothing;
    let less = || on("2026-04-16", pay("p1", 9_900, Some(1)));
    let paid = |minor: i64| ("2026-04-16", pay("p1", minor, Some(1)));
    let first = |story: &[(&str, AccountAction)], becomes: MoneyBecomes| {
        let mut desk = told(story);
        let at = desk.first("payment_settled");
        let last = desk.log.iter().rev().find(|told| told.event.moves_money()).unwrap().position;
        let detail = refused(&mut desk, at, becomes);
        assert!(detail.contains("correct the fact at position"), "{detail}");
        assert!(detail.contains(&format!("position {last}")), "{detail}");
    };
    first(&[paid(19_900), ("2026-04-20", refund("r1", 900))], less());
    first(&[paid(19_900), ("2026-04-20", chargeback(900))], nothing());
}

/// What came since on top of a mistake is never in the way: what was told is gone through by its days without it, and what
/// finds no room is owed to the client (15 USC 1679b(b): nothing earned stands behind it).
#[test]
fn what_a_correction_leaves_over_is_owed_or_given_up_no_more() {
    let paid = |minor: i64| ("2026-04-16", pay("p1", minor, Some(1)));
    let again = |minor: i64| ("2026-04-20", pay("p2", minor, Some(1)));
    let gives_up = |minor: i64| ("2026-04-20", AccountAction::WriteOff(lower(minor)));
    let forgives = |minor: i64| ("2026-04-18", AccountAction::GrantCredit(lower(minor)));
    let back = ("2026-04-18", chargeback(19_900));
    let less = || on("2026-04-16", pay("p1", 9_900, Some(1)));
    let nothing = || MoneyBecomes::Nothing;
    let same = |kind: &str, wrong: &[_], becomes: MoneyBecomes, right: &[_], open: i64, owed| {
        let mut desk = told(wrong);
        let at = desk.first(kind);
        correct(&mut desk, at, becomes);
        let found = desk.account(account(A));
        assert_eq!((found.open_minor(), found.unearned_minor()), (open, owed), "{wrong:?}");
        let right = told(right);
        let found = right.account(account(A));
        assert_eq!((found.open_minor(), found.unearned_minor()), (open, owed), "{found:?}");
    };
    let of_payment = "payment_settled";
    // Given up since, because that much was open: that much stays given up, and the rest is open.
    same(
        of_payment,
        &[paid(15_000), gives_up(4_900)],
        less(),
        &[paid(9_900), gives_up(4_900)],
        5_100,
        0,
    );
    // Paid beyond it since, because no more was open: it pays now.
    same(of_payment, &[paid(15_000), again(9_900)], less(), &[paid(9_900), again(9_900)], 100, 0);
    same(of_payment, &[paid(19_900), again(19_900)], nothing(), &[again(19_900)], 0, 0);
    // A credit of which no more was open, and more was: what was paid meanwhile is owed.
    let more = on("2026-04-18", AccountAction::GrantCredit(lower(9_900)));
    let wrong = [forgives(900), again(19_000)];
    same("credit_granted", &wrong, more, &[forgives(9_900), again(19_000)], 0, 9_000);
    // A write-off of more than is open since: what was paid of it is recovered.
    let gives = |minor: i64| ("2026-04-18", AccountAction::WriteOff(lower(minor)));
    let more = on("2026-04-18", AccountAction::WriteOff(lower(9_900)));
    let wrong = [gives(900), again(19_000)];
    same("written_off", &wrong, more, &[gives(9_900), again(19_000)], 0, 0);
    // Never more than the invoice has.
    let mut desk = told(&wrong);
    let at = desk.first("written_off");
    let more = on("2026-04-18", AccountAction::WriteOff(lower(20_000)));
    assert!(refused(&mut desk, at, more).contains("is not credited of invoice 1"));
    // What a client pays for nothing is no matter: it would have paid nothing either way.
    let nothing_meant = ("2026-04-20", pay("p2", 19_900, None));
    let wrong = [paid(19_900), nothing_meant.clone()];
    same(of_payment, &wrong, nothing(), &[nothing_meant], 19_900, 19_900);
    // A chargeback that never was, after the client had paid again: paid twice.
    let wrong = [paid(19_900), back, again(19_900)];
    same("chargeback_opened", &wrong, nothing(), &[paid(19_900), again(19_900)], 0, 19_900);
}

#[test]
fn a_reading_that_was_replaced_is_refused_with_the_newer_and_no_decision_is_corrected() {
    let mut desk = told(&[("2026-04-16", pay("p1", 19_900, Some(1)))]);
    let at = desk.first("payment_settled");
    let same = on("2026-04-16", pay("p1", 19_900, Some(1)));
    assert!(refused(&mut desk, at, same).contains("nothing would change"));
    correct(&mut desk, at, on("2026-04-16", pay("p1", 9_900, Some(1))));
    let newer = desk.last("payment_settled");
    let detail = refused(&mut desk, at, MoneyBecomes::Nothing);
    assert!(detail.contains(&format!("in force is at position {newer}")), "{detail}");
    correct(&mut desk, newer, MoneyBecomes::Nothing);
    assert!(refused(&mut desk, newer, MoneyBecomes::Nothing).contains("a fact of its own"));
    let issued = desk.first("invoice_issued");
    assert!(refused(&mut desk, issued, MoneyBecomes::Nothing).contains("judged again"));
    let mut wrong = told(&[("2026-04-16", pay("p1", 19_900, Some(1)))]);
    let at = wrong.first("payment_settled");
    let kind = on("2026-04-16", AccountAction::WriteOff(lower(900)));
    assert!(refused(&mut wrong, at, kind).contains("stays one"));
    is(
        &try_correct(&mut wrong, A, at, on("2026-06-01", pay("p1", 900, Some(1)))).unwrap_err(),
        Reason::DateImpossible,
    );
}

#[test]
fn the_claimed_fees_of_both_clients_are_judged_again() {
    // A round that did not go out: nothing earned the fee of the first, and what was paid of it is owed.
    let mut desk = told(&[("2026-04-16", pay("p1", 19_900, Some(1)))]);
    let round = desk.first("round_sent");
    let exposed = desk.correct(case(A), round, Becomes::Nothing);
    assert!(names(&exposed).contains(&"fee_marked"));
    let owed =
        |desk: &Desk, id| desk.judged(case(id), |judge| judge.fees().next().unwrap().owed.minor());
    assert_eq!(owed(&desk, A), 19_900);
    let at = desk.first("payment_settled");
    let becomes = MoneyBecomes::MovedTo { account: account(B), invoice: Some(2) };
    let events = correct(&mut desk, at, becomes);
    assert_eq!(names(&events), ["money_corrected", "payment_settled", "fee_marked"]);
    assert_eq!(owed(&desk, A), 0);
}

#[test]
fn a_payment_that_moved_away_and_back_is_corrected_like_any_other_and_answers_its_charge() {
    let mut desk = invoiced();
    let card = AccountAction::ChangeCard(card("tok"));
    desk.try_account(account(A), "2026-04-02", card).unwrap();
    tell(&mut desk, "2026-04-12", AccountAction::RequestCharge { invoice: 1 });
    tell(&mut desk, "2026-04-13", pay("p1", 19_900, Some(1)));
    let told_right = says(desk.account(account(A)));
    let first = desk.last("payment_settled");
    let to_other = MoneyBecomes::MovedTo { account: account(B), invoice: Some(2) };
    correct(&mut desk, first, to_other.clone());
    let at = desk.last("payment_settled");
    let back = MoneyBecomes::MovedTo { account: account(A), invoice: Some(1) };
    try_correct(&mut desk, B, at, back).unwrap();
    let at = desk.last("payment_settled");
    assert_eq!(says(desk.account(account(A))), told_right);
    // Whoever names the first reading is led to the one in force.
    let refused = try_correct(&mut desk, A, first, MoneyBecomes::Nothing).unwrap_err();
    assert!(refused.to_string().contains(&format!("position {at}")), "{refused}");
    correct(&mut desk, at, on("2026-04-13", pay("p1", 9_900, Some(1))));
    let at = desk.last("payment_settled");
    correct(&mut desk, at, to_other);
    let at = desk.last("payment_settled");
    try_correct(&mut desk, B, at, MoneyBecomes::Nothing).unwrap();
    assert_eq!(desk.account(account(A)).open_minor(), 19_900);
}

/// A slip of the day is taken back by the token that made it, and by no other; what else is wrong is for whoever corrects.
#[test]
fn whoever_bills_takes_back_its_own_slip_of_the_day() {
    let token = |n| Author { access: Some(AccessId(Uuid::from_u128(n))), actor: text("billing") };
    let mut desk = invoiced();
    let before = desk.account(account(A)).clone();
    desk.author = token(1);
    let at = tell(&mut desk, "2026-05-20", pay("p1", 19_900, Some(1)));
    let by = |desk: &mut Desk, becomes: MoneyBecomes| {
        let told = desk.log.iter().find(|told| told.position == at).unwrap().clone();
        let (reason, said_by) = (personal("It was typed twice."), personal("the biller"));
        let correction =
            Box::new(MoneyCorrection { becomes, reason, said_by, told: Box::new(told) });
        let (account, by) = (account(A), CorrectedBy::Recorder);
        desk.command(&Command::CorrectMoney { account, by, expected_version: None, correction })
    };
    desk.author = token(2);
    is(&by(&mut desk, MoneyBecomes::Nothing).unwrap_err(), Reason::StateRefuses);
    desk.author = token(1);
    let other_day = MoneyBecomes::OnDay(day("2026-05-19"));
    is(&by(&mut desk, other_day).unwrap_err(), Reason::StateRefuses);
    desk.today("2026-05-21");
    is(&by(&mut desk, MoneyBecomes::Nothing).unwrap_err(), Reason::StateRefuses);
    desk.today("2026-05-20");
    by(&mut desk, MoneyBecomes::Nothing).unwrap();
    let after = desk.account(account(A));
    assert_eq!(after.invoices[&1].open(), before.invoices[&1].open());
    assert!(after.payments.is_empty());
}
