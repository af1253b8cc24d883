//! Accounts at banks: what is declared, their statements, what is taken back, and their reconciliation. Figures are worked by
//! hand.

use api::v1;
use tonic::Code;
use tonic_types::StatusExt as _;

use super::books::{Month, amount, cents, february, said};
use crate::common::{date, id, reason};

impl Month {
    async fn reconciled(&self) -> v1::GetReconciliationResponse {
        let request = v1::GetReconciliationRequest {
            parent: self.firm.clone(),
            through: february(28),
            bank: String::new(),
            at_least_position: 0,
        };
        self.service.books().get_reconciliation(request).await.unwrap().into_inner()
    }

    /// Items between statement and ledger, by name with cents.
    async fn items(&self) -> Vec<(String, i64)> {
        let answer = self.reconciled().await;
        let bank = &answer.banks[0];
        let items: Vec<_> =
            bank.items.iter().map(|of| (of.kind.clone(), cents(of.amount.as_ref()))).collect();
        let difference =
            cents(bank.statement_balance.as_ref()) - cents(bank.ledger_balance.as_ref());
        if bank.stated_on.is_some() {
            assert_eq!(items.iter().map(|(_, cents)| cents).sum::<i64>(), difference);
            assert_eq!(cents(bank.difference.as_ref()), difference);
        }
        items
    }

    async fn declare(&self, opening: i64, day: i32) {
        let account = v1::BankAccount {
            bank: "operating".into(),
            display_name: "Operating account".into(),
            opened_on: february(day),
            opening: amount(opening),
            ..v1::BankAccount::default()
        };
        let declare = v1::DeclareBankAccountRequest {
            name: self.firm.clone(),
            request_id: id(),
            account: Some(account),
        };
        self.service.books().declare_bank_account(declare).await.unwrap();
    }

    async fn take_back(&self, name: &str) -> Result<(), tonic::Status> {
        let request = v1::TakeBackDepositRequest {
            name: name.to_owned(),
            request_id: id(),
            reason: "The file was of another account.".into(),
        };
        self.service.books().take_back_deposit(request).await.map(|_| ())
    }

    async fn rules(&self) -> Vec<String> {
        self.blocks().await.into_iter().map(|(rule, ..)| rule).collect()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_code_that_nobody_declared_is_refused_with_those_that_are() {
    let month = Month::open().await;
    let mut other = month.note.clone();
    other.request_id = id();
    other.lines.iter_mut().for_each(|line| line.bank = "Operating".into());
    let refused = month.service.books().note_bank_lines(other).await.unwrap_err();
    assert_eq!(reason(&refused), "REFERENCE_UNKNOWN");
    let told = format!("{:?}", refused.get_error_details());
    assert!(told.contains("declared are operating"), "{told}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_statement_is_one_only_to_the_cent_and_the_same_twice_is_the_first() {
    let month = Month::open().await;
    let books = || month.service.books();
    let off = v1::NoteStatementRequest { closing: amount(25_627), ..month.statement(3) };
    let off = books().note_statement(off).await.unwrap_err();
    assert!(said(&off).contains("USD 256.27 was said"), "{}", said(&off));
    let outside = v1::NoteStatementRequest { through: february(19), ..month.statement(3) };
    let outside = books().note_statement(outside).await.unwrap_err();
    assert!(said(&outside).contains("on no day of the statement"), "{}", said(&outside));
    let first = books().note_statement(month.statement(3)).await.unwrap().into_inner();
    let again = v1::NoteStatementRequest { request_id: id(), ..month.statement(3) };
    let again = books().note_statement(again).await.unwrap().into_inner();
    assert_eq!((again.receipt.unwrap().event_count, again.statement), (0, first.statement));
    let another = books().note_statement(month.statement(2)).await.unwrap_err();
    assert_eq!(reason(&another), "ALREADY_RECORDED");
    assert_eq!(month.items().await, []);
    let answer = month.reconciled().await;
    // What three clients paid less a refund of 20.00 is on its way: two payments, one payment, one refund.
    assert_eq!((cents(answer.clearing.as_ref()), answer.in_transit.len()), (27_700, 4));
    let sum: i64 = answer.in_transit.iter().map(|of| cents(of.amount.as_ref())).sum();
    assert_eq!(sum, 27_700);
    assert_eq!(answer.banks[0].not_explained.len(), 3);
    month.service.books().confirm_match(month.by_hand(0)).await.unwrap();
    assert_eq!(cents(month.reconciled().await.clearing.as_ref()), 19_800);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_differs_is_named_and_stands_in_the_way_until_it_is_put_right() {
    let month = Month::open().await;
    // The statement ended at 256.26 + 1,000.00: there was an opening balance.
    let opened = v1::NoteStatementRequest {
        opening: amount(100_000),
        closing: amount(100_000 + 19_226 + 7_900),
        ..month.statement(2)
    };
    let statement = month.service.books().note_statement(opened).await.unwrap().into_inner();
    let missing = ("in_ledger_only".to_owned(), 1_500);
    let expected = [("opening_differs".to_owned(), 100_000), missing.clone()];
    assert_eq!(month.items().await, expected);
    let rules = month.rules().await;
    assert!(
        rules.ends_with(&["statement_broken".to_owned(), "bank_differs".to_owned()]),
        "{rules:?}"
    );
    month.declare(100_000, 1).await;
    assert_eq!(month.items().await, [missing]);
    // The line that the statement does not have was a mistake.
    month.take_back(&month.lines[2]).await.unwrap();
    assert_eq!(month.items().await, []);
    assert!(
        !month
            .rules()
            .await
            .iter()
            .any(|rule| rule.contains("bank_") || rule.contains("statement_"))
    );
    let answer = month.reconciled().await;
    assert_eq!(cents(answer.banks[0].ledger_balance.as_ref()), 127_126);
    let nothing = month.take_back(&month.lines[2]).await.unwrap_err();
    assert_eq!(reason(&nothing), "REFERENCE_UNKNOWN");
    // The statement takes with it what only it told, and nothing while anything rests on that.
    month.service.books().confirm_match(month.by_hand(0)).await.unwrap();
    let rests = month.take_back(&statement.statement).await.unwrap_err();
    assert_eq!(reason(&rests), "STATE_REFUSES");
    let unmatch = v1::ReverseMatchRequest { name: month.lines[1].clone(), request_id: id() };
    month.service.books().reverse_match(unmatch).await.unwrap();
    month.take_back(&statement.statement).await.unwrap();
    let answer = month.reconciled().await;
    let bank = &answer.banks[0];
    assert_eq!((bank.statements.len(), cents(bank.ledger_balance.as_ref())), (0, 100_000));
    // And is recorded again, line by line, as if it had never been.
    let again = v1::NoteBankLinesRequest { request_id: id(), ..month.note.clone() };
    month.service.books().note_bank_lines(again).await.unwrap();
    let again = v1::NoteStatementRequest {
        opening: amount(100_000),
        closing: amount(125_626),
        ..month.statement(3)
    };
    month.service.books().note_statement(again).await.unwrap();
    assert_eq!(month.items().await, []);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn gaps_are_named_and_overlaps_that_agree_are_none() {
    let month = Month::open().await;
    let books = || month.service.books();
    // To the 17th, and from the 18th; the line of the 20th is on the second.
    let first = v1::NoteStatementRequest { through: february(17), ..month.statement(1) };
    books().note_statement(first.clone()).await.unwrap();
    let second = |from: i32, opening: i64, lines: &[usize]| v1::NoteStatementRequest {
        request_id: id(),
        file_hash: "f2".repeat(32),
        from: february(from),
        opening: amount(opening),
        closing: amount(opening + lines.iter().map(|at| [19_226, 7_900, -1_500][*at]).sum::<i64>()),
        lines: lines.iter().map(|at| month.lines[*at].clone()).collect(),
        ..month.statement(3)
    };
    // The 18th and 19th are on none; the ledger knows of 79.00 then.
    books().note_statement(second(20, 27_126, &[2])).await.unwrap();
    assert_eq!(month.items().await, [("days_without_statement".to_owned(), 0)]);
    assert!(month.rules().await.contains(&"statement_broken".to_owned()));
    let whole = v1::NoteStatementRequest { file_hash: "f3".repeat(32), ..second(1, 0, &[0, 1, 2]) };
    books().note_statement(whole).await.unwrap();
    assert_eq!(month.items().await, []);
    // A statement that begins elsewhere than the one before ends.
    let other = Month::open().await;
    other
        .service
        .books()
        .note_statement(v1::NoteStatementRequest {
            parent: other.firm.clone(),
            lines: other.lines[..1].to_vec(),
            ..first
        })
        .await
        .unwrap();
    let broken = v1::NoteStatementRequest {
        parent: other.firm.clone(),
        lines: other.lines[1..].to_vec(),
        ..second(18, 19_326, &[1, 2])
    };
    other.service.books().note_statement(broken).await.unwrap();
    assert_eq!(other.items().await, [("statement_does_not_continue".to_owned(), 100)]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_impossible_payout_is_taken_back_and_one_behind_a_line_is_not() {
    let month = Month::open().await;
    let impossible = v1::NotePayoutRequest {
        parent: month.firm.clone(),
        request_id: id(),
        payout: "po-9".into(),
        paid_on: february(10),
        net: amount(1_000),
        lines: vec![v1::PayoutLine {
            kind: v1::MovementKind::Payment.into(),
            name: "pay-99".into(),
            amount: amount(1_000),
        }],
        ..v1::NotePayoutRequest::default()
    };
    let noted = month.service.books().note_payout(impossible).await.unwrap().into_inner();
    let late = |blocks: &[(String, i64, i32)]| {
        blocks.iter().find(|of| of.0 == "payouts_late").map(|of| of.1)
    };
    assert_eq!(late(&month.blocks().await), Some(19_226 + 1_000));
    month.take_back(&noted.deposit).await.unwrap();
    assert_eq!(late(&month.blocks().await), Some(19_226));
    month.explain().await;
    let behind = month.take_back(&month.payout).await.unwrap_err();
    assert!(said(&behind).contains("reverse that match first"), "{}", said(&behind));
}

/// A payout that was told wrongly is corrected in one act: what was really paid out takes its place, and both stay in the log.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_payout_is_told_anew_in_one_act_until_a_match_names_it() {
    let month = Month::open().await;
    let told = |net: i64, because: &str| v1::NotePayoutRequest {
        parent: month.firm.clone(),
        request_id: id(),
        payout: "po-9".into(),
        paid_on: february(10),
        net: amount(net),
        lines: vec![v1::PayoutLine {
            kind: v1::MovementKind::Payment.into(),
            name: "pay-99".into(),
            amount: amount(net),
        }],
        instead_because: because.into(),
    };
    let note = async |told: v1::NotePayoutRequest| {
        let answer = month.service.books().note_payout(told).await;
        answer.map(|answer| answer.into_inner().receipt.unwrap().event_count)
    };
    let unknown = note(told(1_000, "It was mistyped.")).await.unwrap_err();
    assert!(said(&unknown).contains("no payout po-9 is recorded"), "{}", said(&unknown));
    assert_eq!(note(told(1_000, "")).await.unwrap(), 2);
    let refused = note(told(1_200, "")).await.unwrap_err();
    assert_eq!(refused.code(), Code::AlreadyExists, "{refused:?}");
    let late = |blocks: &[(String, i64, i32)]| {
        blocks.iter().find(|of| of.0 == "payouts_late").map(|of| of.1)
    };
    assert_eq!(note(told(1_200, "It was mistyped.")).await.unwrap(), 3, "taken back, told anew");
    assert_eq!(late(&month.blocks().await), Some(19_226 + 1_200));
    assert_eq!(note(told(1_200, "It was mistyped.")).await.unwrap(), 0, "it says so already");
    month.explain().await;
    let behind = v1::NotePayoutRequest { payout: "po-1".into(), ..told(1_000, "It was mistyped.") };
    let behind = note(behind).await.unwrap_err();
    assert!(said(&behind).contains("reverse that match first"), "{}", said(&behind));
}

/// A payout whose movements were matched one by one has arrived as well.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_payout_whose_movements_are_at_the_bank_is_not_late() {
    let month = Month::open().await;
    let movement = |name: &str| v1::MatchedMovement {
        kind: v1::MovementKind::Payment.into(),
        name: name.into(),
        ..v1::MatchedMovement::default()
    };
    let by_hand = v1::ConfirmMatchRequest {
        name: month.lines[0].clone(),
        request_id: id(),
        movements: vec![movement("pay-1"), movement("pay-2")],
        costs: amount(574),
        ..v1::ConfirmMatchRequest::default()
    };
    month.service.books().confirm_match(by_hand).await.unwrap();
    assert!(!month.rules().await.contains(&"payouts_late".to_owned()));
}

/// A month that was closed with open lines leaves nothing in suspense of a later one once they are explained.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn suspense_of_a_closed_month_does_not_stay_in_the_way() {
    let month = Month::open().await;
    let books = || month.service.books();
    books().note_statement(month.statement(3)).await.unwrap();
    for rule in ["lines_open", "payouts_late", "clearing_late"] {
        let accept = v1::AcceptForCloseRequest {
            parent: month.firm.clone(),
            request_id: id(),
            through: february(28),
            rule: rule.into(),
            reason: "They are explained in March.".into(),
        };
        books().accept_for_close(accept).await.unwrap();
    }
    books().close_month(month.close()).await.unwrap();
    let charge = v1::BookDepositRequest {
        name: month.lines[2].clone(),
        request_id: id(),
        purpose: v1::Purpose::BankCosts.into(),
        note: String::new(),
    };
    books().book_deposit(charge).await.unwrap();
    books().confirm_match(month.by_hand(0)).await.unwrap();
    let whole = v1::ConfirmMatchRequest {
        name: month.lines[0].clone(),
        request_id: id(),
        payout: month.payout.clone(),
        ..v1::ConfirmMatchRequest::default()
    };
    books().confirm_match(whole).await.unwrap();
    let check = v1::CheckMonthRequest {
        parent: month.firm.clone(),
        through: date(2026, 3, 31),
        at_least_position: 0,
    };
    let checked = books().check_month(check).await.unwrap().into_inner();
    let rules: Vec<&str> = checked.blocks.iter().map(|of| of.rule.as_str()).collect();
    assert!(!rules.contains(&"suspense") && !rules.contains(&"lines_open"), "{rules:?}");
    // On the last day of the closed month they stood in suspense, and the reconciliation still says so.
    let lines = month.reconciled().await.banks.remove(0).not_explained;
    assert_eq!((lines.len(), lines.iter().all(|line| line.explained_since)), (3, true));
}

/// Line by line a bank's file is of one account: under the firm's code of another the same money would be there twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_lines_of_one_account_are_not_taken_for_another_as_well() {
    let month = Month::open().await;
    let savings = v1::BankAccount {
        bank: "savings".into(),
        display_name: "Savings account".into(),
        opened_on: february(1),
        opening: amount(0),
        ..v1::BankAccount::default()
    };
    let declare = v1::DeclareBankAccountRequest {
        name: month.firm.clone(),
        request_id: id(),
        account: Some(savings),
    };
    month.service.books().declare_bank_account(declare).await.unwrap();
    let mut again = v1::NoteBankLinesRequest { request_id: id(), ..month.note.clone() };
    again.lines.iter_mut().for_each(|line| line.bank = "savings".into());
    let refused = month.service.books().note_bank_lines(again).await.unwrap_err();
    assert_eq!(reason(&refused), "ALREADY_RECORDED");
    let told = format!("{:?}", refused.get_error_details());
    assert!(told.contains("recorded as a line of operating"), "{told}");
}

/// Two statements of one day, the second opening with the balance at which the first closes, go on from each other
/// (ISO 20022, OPBD: "always equals the closing book balance from the previous report", from memory). One that says otherwise
/// of days of which another speaks is named.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn statements_of_one_day_go_on_from_each_other_and_one_that_contradicts_is_named() {
    let month = Month::open().await;
    let books = || month.service.books();
    let of = |file: &str, (from, through): (i32, i32), opening: i64, lines: &[usize]| {
        let sum: i64 = lines.iter().map(|at| [19_226, 7_900, -1_500][*at]).sum();
        v1::NoteStatementRequest {
            request_id: id(),
            file_hash: file.repeat(32),
            from: february(from),
            through: february(through),
            opening: amount(opening),
            closing: amount(opening + sum),
            lines: lines.iter().map(|at| month.lines[*at].clone()).collect(),
            ..month.statement(3)
        }
    };
    for statement in [
        of("f1", (1, 18), 0, &[0]),
        of("f2", (18, 18), 19_226, &[1]),
        of("f3", (19, 28), 27_126, &[2]),
    ] {
        books().note_statement(statement).await.unwrap();
    }
    assert_eq!(month.items().await, []);
    books().note_statement(of("f4", (1, 18), 100, &[0])).await.unwrap();
    assert_eq!(month.items().await, [("statement_contradicts".to_owned(), 0)]);
    assert!(month.rules().await.contains(&"statement_broken".to_owned()));
}
