//! Accounts: couples, invoices, charges, payments and what goes back.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::account::InvoiceStatus;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::money::{Currency, Money};
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::{Plan, Prices, Seat};
use counterfoil_domain::value::Personal;

const A: u128 = 2;
const B: u128 = 3;

fn invoiced() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    desk
}

fn pay(name: &str, minor: i64, invoice: Option<u64>) -> AccountAction {
    AccountAction::PaymentReceived(PaymentReceived {
        amount: usd(minor),
        invoice,
        payment: reference(name),
    })
}

fn charge() -> AccountAction {
    AccountAction::RequestCharge { invoice: 1 }
}

fn fail(reason: FailureReason) -> AccountAction {
    AccountAction::ChargeFailed(ChargeFailed { invoice: 1, reason })
}

fn invoice(desk: &Desk) -> &counterfoil_domain::account::Invoice {
    &desk.world.account(account(A)).unwrap().invoices[&1]
}

fn couple_member(name: &str) -> Enrol {
    let mut enrol = Enrol { seat: Seat::Couple, ..enrol() };
    enrol.contact.name = personal(name);
    enrol
}

/// Two members with the same telephone, address and card, as far as `change` leaves them.
fn couple(change: impl Fn(&mut Enrol)) -> Desk {
    let mut desk = Desk::open();
    desk.signed_as(case(A), "2026-03-02", couple_member("Ada Lark"));
    let mut second = couple_member("Ben Lark");
    // The same flat as people write it: USPS Publication 28 makes them one.
    second.contact.address.line1 = personal("12 N. Main St #4");
    second.contact.address.line2 = None;
    change(&mut second);
    desk.signed_as(case(B), "2026-03-03", second);
    desk
}

fn pair(
    desk: &mut Desk,
    action: CoupleAction,
) -> Result<Vec<Recorded>, counterfoil_domain::refusal::Refusal> {
    desk.command(&Command::Couple { first: case(B), second: case(A), action })
}

#[test]
fn three_of_three_links_by_rule_whoever_is_named_first() {
    let mut desk = couple(|_| {});
    let events = pair(&mut desk, CoupleAction::Compare).unwrap();
    assert_eq!(names(&events), ["member_linked", "payment_moved"]);
    assert_eq!(
        desk.world.account(account(A)).unwrap().members,
        [case(A), case(B)],
        "the first to enrol pays"
    );
    assert!(
        pair(&mut desk, CoupleAction::Compare).unwrap().is_empty(),
        "comparing again changes nothing"
    );
}

#[test]
fn two_of_three_is_suggested_and_a_person_decides() {
    let mut desk = couple(|second| second.card = Some(card("tok_other")));
    assert_eq!(names(&pair(&mut desk, CoupleAction::Compare).unwrap()), ["link_suggested"]);
    assert!(pair(&mut desk, CoupleAction::Compare).unwrap().is_empty(), "suggested once");
    assert_eq!(names(&pair(&mut desk, CoupleAction::Refuse).unwrap()), ["link_refused"]);
    assert!(pair(&mut desk, CoupleAction::Compare).unwrap().is_empty(), "refused for good");
    assert_eq!(
        names(&pair(&mut desk, CoupleAction::Confirm).unwrap()),
        ["member_linked", "payment_moved"]
    );
}

#[test]
fn one_of_three_is_nothing() {
    let mut desk = couple(|second| {
        second.card = None;
        second.contact.phone = Personal::phone("+12025550199").unwrap();
    });
    assert!(pair(&mut desk, CoupleAction::Compare).unwrap().is_empty());
}

#[test]
fn neither_a_third_member_nor_an_individual_plan() {
    let mut desk = couple(|_| {});
    pair(&mut desk, CoupleAction::Compare).unwrap();
    desk.signed_as(case(4), "2026-03-04", couple_member("Cy Lark"));
    let third = Command::Couple { first: case(4), second: case(A), action: CoupleAction::Confirm };
    is(&desk.command(&third).unwrap_err(), Reason::StateRefuses);
    let mut desk = couple(|second| second.seat = Seat::Individual);
    assert!(pair(&mut desk, CoupleAction::Compare).unwrap().is_empty());
}

#[test]
fn each_share_is_earned_by_its_members_own_work_and_the_shares_add_up() {
    let mut desk = couple(|_| {});
    pair(&mut desk, CoupleAction::Compare).unwrap();
    for id in [A, B] {
        desk.act(case(id), "2026-03-09", CaseAction::OpenWork);
    }
    desk.month(case(A), "2026-03-10");
    let events = desk.bill(account(A), "2026-04-02");
    assert_eq!(
        names(&events),
        ["fee_earned", "fee_held", "invoice_issued"],
        "one is done, the other is not"
    );
    // Told late: it was done in time.
    desk.month(case(B), "2026-03-12");
    let events = desk.bill(account(A), "2026-04-03");
    let total =
        |number: u64| desk.world.account(account(A)).unwrap().invoices[&number].total.minor();
    assert_eq!(names(&events), ["fee_earned", "invoice_issued"]);
    assert_eq!((total(1), total(2)), (15_000, 14_999), "29,999 cents by largest remainder");
    assert!(desk.bill(account(B), "2026-04-03").is_empty(), "the other account asks for nothing");
}

#[test]
fn both_members_done_are_two_lines_of_one_invoice() {
    let mut desk = couple(|_| {});
    pair(&mut desk, CoupleAction::Compare).unwrap();
    for id in [A, B] {
        desk.act(case(id), "2026-03-09", CaseAction::OpenWork);
        desk.month(case(id), "2026-03-10");
    }
    desk.bill(account(A), "2026-04-02");
    let invoice = &desk.world.account(account(A)).unwrap().invoices[&1];
    assert_eq!((invoice.lines.len(), invoice.total), (2, usd(29_999)));
}

#[test]
fn unlinking_restores_two_accounts_and_keeps_past_invoices() {
    let mut desk = couple(|_| {});
    pair(&mut desk, CoupleAction::Compare).unwrap();
    desk.act(case(A), "2026-03-09", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-10");
    desk.bill(account(A), "2026-04-02");
    let before = invoice(&desk).clone();
    pair(&mut desk, CoupleAction::Unlink).unwrap();
    assert_eq!(*invoice(&desk), before);
    assert_eq!(desk.world.account(account(B)).unwrap().moved_to, None);
    let fees = desk.judged(case(A), |judge| {
        judge.fees().map(|fee| (fee.fee.amount, fee.exposed)).collect::<Vec<_>>()
    });
    assert_eq!(fees, [(usd(15_000), usd(0))], "it was the larger share when it was claimed");
    is(&pair(&mut desk, CoupleAction::Unlink).unwrap_err(), Reason::StateRefuses);
}

#[test]
fn a_payment_pays_its_invoice_and_is_recorded_once() {
    let mut desk = invoiced();
    desk.try_account(account(A), "2026-04-01", charge()).unwrap();
    desk.try_account(account(A), "2026-04-02", pay("pay-1", 19_900, Some(1))).unwrap();
    assert_eq!(invoice(&desk).status(), InvoiceStatus::Paid);
    let again =
        desk.try_account(account(A), "2026-04-02", pay("pay-1", 19_900, Some(1))).unwrap_err();
    is(&again, Reason::AlreadyRecorded);
}

/// 15 USC 1679b(b): what nothing earned stands behind is owed back, and an exposure.
#[test]
fn money_for_nothing_earned_is_an_exposure() {
    for (action, unearned) in
        [(pay("pay-1", 5_000, None), 5_000), (pay("pay-2", 20_000, Some(1)), 100)]
    {
        let mut desk = invoiced();
        let events = desk.try_account(account(A), "2026-04-02", action).unwrap();
        assert_eq!(names(&events), ["payment_settled", "unearned_payment_found"]);
        assert_eq!(desk.world.account(account(A)).unwrap().unearned_minor(), unearned);
    }
}

#[test]
fn insufficient_funds_are_tried_twice_more_and_then_a_person_decides() {
    let mut desk = invoiced();
    let mut on = "2026-04-01".to_owned();
    for next in [Some("2026-04-06"), Some("2026-04-11"), None] {
        desk.try_account(account(A), &on, charge()).unwrap();
        is(&desk.try_account(account(A), &on, charge()).unwrap_err(), Reason::StateRefuses);
        desk.try_account(account(A), &on, fail(FailureReason::InsufficientFunds)).unwrap();
        assert_eq!(invoice(&desk).next_try_on, next.map(day));
        is(&desk.try_account(account(A), &on, charge()).unwrap_err(), Reason::StateRefuses);
        on = next.unwrap_or("2026-05-01").to_owned();
    }
    is(&desk.try_account(account(A), &on, charge()).unwrap_err(), Reason::StateRefuses);
}

#[test]
fn another_failure_is_never_tried_again_by_itself() {
    let mut desk = invoiced();
    desk.try_account(account(A), "2026-04-01", charge()).unwrap();
    desk.try_account(account(A), "2026-04-01", fail(FailureReason::LostOrStolen)).unwrap();
    assert_eq!(invoice(&desk).next_try_on, None);
    is(&desk.try_account(account(A), "2026-04-20", charge()).unwrap_err(), Reason::StateRefuses);
}

#[test]
fn a_refund_gives_back_no_more_than_the_payment_and_lowers_the_invoice() {
    let mut desk = invoiced();
    desk.try_account(account(A), "2026-04-02", pay("pay-1", 19_900, Some(1))).unwrap();
    let refund = |name: &str, minor| {
        AccountAction::Refund(Refund {
            amount: usd(minor),
            payment: reference("pay-1"),
            reason: None,
            refund: reference(name),
            request: None,
        })
    };
    is(
        &desk.try_account(account(A), "2026-04-03", refund("r-1", 19_901)).unwrap_err(),
        Reason::ValueRefused,
    );
    desk.try_account(account(A), "2026-04-03", refund("r-1", 9_900)).unwrap();
    assert_eq!(
        (invoice(&desk).paid, invoice(&desk).credited, invoice(&desk).open()),
        (usd(10_000), usd(9_900), usd(0))
    );
    is(
        &desk.try_account(account(A), "2026-04-03", refund("r-2", 10_001)).unwrap_err(),
        Reason::ValueRefused,
    );
    is(
        &desk.try_account(account(A), "2026-04-03", refund("r-1", 1)).unwrap_err(),
        Reason::AlreadyRecorded,
    );
}

/// An invoice that was paid, and whose payment the client's bank took back.
fn charged_back() -> Desk {
    let mut desk = invoiced();
    desk.try_account(account(A), "2026-04-02", pay("pay-1", 19_900, Some(1))).unwrap();
    let opened = Chargeback {
        amount: usd(19_900),
        chargeback: reference("cb-1"),
        payment: reference("pay-1"),
        respond_by: None,
    };
    desk.try_account(account(A), "2026-05-02", AccountAction::OpenChargeback(opened)).unwrap();
    desk
}

#[test]
fn a_chargeback_opens_the_invoice_and_a_win_closes_it_again() {
    let mut desk = charged_back();
    assert_eq!(invoice(&desk).open(), usd(19_900));
    desk.try_account(account(A), "2026-06-02", AccountAction::ChargebackWon(reference("cb-1")))
        .unwrap();
    assert_eq!(invoice(&desk).open(), usd(0));
    let again = desk.try_account(
        account(A),
        "2026-06-02",
        AccountAction::ChargebackLost(reference("cb-1")),
    );
    is(&again.unwrap_err(), Reason::AlreadyRecorded);
}

/// It may be recorded on another account: this one knows of its own only.
#[test]
fn a_payment_that_the_account_does_not_have_is_said_to_be_not_of_it() {
    let mut desk = invoiced();
    let opened = Chargeback {
        amount: usd(100),
        chargeback: reference("cb-1"),
        payment: reference("pay-74-1"),
        respond_by: None,
    };
    let refused = desk
        .try_account(account(A), "2026-05-02", AccountAction::OpenChargeback(opened))
        .unwrap_err();
    is(&refused, Reason::ReferenceUnknown);
    assert!(
        refused.to_string().contains("the payment pay-74-1 is not of this account"),
        "{refused}"
    );
}

#[test]
fn a_chargeback_does_not_end_before_it_was_opened() {
    let mut desk = charged_back();
    let ends = [AccountAction::ChargebackWon, AccountAction::ChargebackLost];
    for end in ends {
        let early = desk.try_account(account(A), "2026-05-01", end(reference("cb-1")));
        let early = early.unwrap_err();
        is(&early, Reason::DateImpossible);
        assert!(
            early.to_string().contains("the chargeback cb-1 was opened on 2026-05-02"),
            "{early}"
        );
    }
    desk.try_account(account(A), "2026-05-02", ends[0](reference("cb-1"))).unwrap();
}

/// Money that comes again for an invoice that was settled otherwise belongs to the client, but for what
/// the firm had written off (common practice, no source).
#[test]
fn a_win_does_not_overpay_an_invoice_that_was_settled_meanwhile() {
    let win = |desk: &mut Desk| {
        let won = AccountAction::ChargebackWon(reference("cb-1"));
        desk.try_account(account(A), "2026-06-02", won).unwrap();
        (invoice(desk).open(), desk.world.account(account(A)).unwrap().unearned_minor())
    };
    let lower = |minor| Lower { amount: usd(minor), invoice: 1, reason: personal("goodwill") };

    let mut paid = charged_back();
    paid.try_account(account(A), "2026-05-03", pay("pay-2", 15_000, Some(1))).unwrap();
    assert_eq!(win(&mut paid), (usd(0), 15_000));
    let back = |name: &str, minor| {
        AccountAction::Refund(Refund {
            amount: usd(minor),
            payment: reference("pay-1"),
            reason: Some(personal("it came twice")),
            refund: reference(name),
            request: None,
        })
    };
    paid.try_account(account(A), "2026-06-03", back("r-1", 15_000)).unwrap();
    assert_eq!(invoice(&paid).status(), InvoiceStatus::Paid, "what was owed went back first");
    assert_eq!(paid.world.account(account(A)).unwrap().unearned_minor(), 0);

    let mut credited = charged_back();
    let credit = AccountAction::GrantCredit(lower(900));
    credited.try_account(account(A), "2026-05-03", credit).unwrap();
    assert_eq!(win(&mut credited), (usd(0), 900));

    let mut written_off = charged_back();
    let loss = AccountAction::WriteOff(lower(19_900));
    written_off.try_account(account(A), "2026-05-03", loss).unwrap();
    assert_eq!(win(&mut written_off), (usd(0), 0));
    assert_eq!(invoice(&written_off).written_off, usd(0), "the loss was made good");
    assert_eq!(invoice(&written_off).status(), InvoiceStatus::Paid);
}

#[test]
fn credits_and_write_offs_stop_at_what_is_open() {
    let mut desk = invoiced();
    let lower = |minor| Lower { amount: usd(minor), invoice: 1, reason: personal("goodwill") };
    is(
        &desk
            .try_account(account(A), "2026-04-02", AccountAction::GrantCredit(lower(19_901)))
            .unwrap_err(),
        Reason::ValueRefused,
    );
    is(
        &desk
            .try_account(account(A), "2026-04-02", AccountAction::GrantCredit(lower(0)))
            .unwrap_err(),
        Reason::ValueRefused,
    );
    desk.try_account(account(A), "2026-04-02", AccountAction::GrantCredit(lower(900))).unwrap();
    desk.try_account(account(A), "2026-04-03", AccountAction::WriteOff(lower(19_000))).unwrap();
    assert_eq!(invoice(&desk).status(), InvoiceStatus::WrittenOff);
}

#[test]
fn a_card_is_not_charged_again_for_what_its_bank_took_back() {
    let mut desk = charged_back();
    is(&desk.try_account(account(A), "2026-05-03", charge()).unwrap_err(), Reason::StateRefuses);
}

#[test]
fn another_card_starts_the_tries_anew() {
    let mut desk = invoiced();
    desk.try_account(account(A), "2026-04-01", charge()).unwrap();
    desk.try_account(account(A), "2026-04-01", fail(FailureReason::CardExpired)).unwrap();
    let change = |token| AccountAction::ChangeCard(card(token));
    desk.try_account(account(A), "2026-04-02", change("tok_one")).unwrap();
    is(&desk.try_account(account(A), "2026-04-02", charge()).unwrap_err(), Reason::StateRefuses);
    desk.try_account(account(A), "2026-04-03", change("tok_new")).unwrap();
    desk.try_account(account(A), "2026-04-03", charge()).unwrap();
}

/// The largest amount there is, in cents.
const MOST: i64 = counterfoil_domain::money::MINOR_MAX;

/// Whoever writes past the program may write this; no fold makes nothing of it.
#[test]
fn an_event_whose_money_cannot_be_is_a_fault_with_its_position() {
    let desk = charged_back();
    let stream = StreamId::Account(account(A));
    let last = desk.log.iter().rfind(|recorded| recorded.stream == stream).unwrap();
    let lower = |amount, invoice| CreditGranted {
        amount,
        invoice,
        lines: None,
        reason: personal("goodwill"),
    };
    let euros = Money::new(1, Currency::parse("EUR").unwrap()).unwrap();
    let refund = |payment: &str| RefundIssued {
        amount: usd(1),
        lines: None,
        owed: None,
        payment: reference(payment),
        reason: None,
        refund: reference("r-9"),
        request: None,
    };
    let cases: [(AccountEvent, &str); 6] = [
        (lower(usd(1), 9).into(), "it names an invoice that the account does not have"),
        (lower(euros, 1).into(), "amounts in different currencies do not add up"),
        (lower(usd(-MOST), 1).into(), "the amount is too large"),
        (refund("pay-9").into(), "it names a payment that the account does not have"),
        (
            ChargebackWon { chargeback: reference("cb-9"), whole: None }.into(),
            "it names a chargeback that the account does not have",
        ),
        (
            ChargebackLost { chargeback: reference("cb-9") }.into(),
            "it names a refund or chargeback that the account does not have",
        ),
    ];
    for (event, said) in cases {
        let recorded = Recorded {
            event: event.into(),
            position: last.position + 7,
            stream_version: last.stream_version + 1,
            ..last.clone()
        };
        let mut state = desk.world.state(stream).unwrap().clone();
        let impossible = state.fold(&recorded).unwrap_err();
        assert_eq!((impossible.position, &*impossible.what), (last.position + 7, said));
    }
}

/// The sum of what banks took back of one invoice has to be an amount as well.
#[test]
fn money_that_comes_to_no_amount_refuses_its_command_and_changes_nothing() {
    let most = 1_000_000_000_000;
    let mut desk = Desk::open();
    let prices = Prices { first_fee: usd(most), monthly_fee: usd(most) };
    desk.firm(FirmAction::PublishPlan(Plan { individual: prices, ..plan() }));
    let agreement = SignConsent { total_of_payments: usd(most), ..sign() };
    desk.signed_for(case(A), "2026-03-02", enrol(), agreement);
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    desk.month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let take = |desk: &mut Desk, number: u32| {
        let payment = format!("pay-{number}");
        let on = format!("2026-04-0{number}");
        desk.try_account(account(A), &on, pay(&payment, most, Some(1))).unwrap();
        let opened = Chargeback {
            amount: usd(most),
            chargeback: reference(&format!("cb-{number}")),
            payment: reference(&payment),
            respond_by: None,
        };
        desk.try_account(account(A), &on, AccountAction::OpenChargeback(opened))
    };
    take(&mut desk, 1).unwrap();
    // Paid again once the bank has it.
    let refused = take(&mut desk, 2).unwrap_err();
    is(&refused, Reason::ValueRefused);
    assert!(refused.to_string().contains("the amount is too large"), "{refused}");
    assert_eq!((invoice(&desk).paid, invoice(&desk).charged_back), (usd(most), usd(most)));
    let account = desk.account(account(A));
    assert!(!account.money_back.contains_key(&reference("cb-2")), "nothing of it is kept");
    assert!(Money::new(most + 1, Currency::USD).is_err());
}
