//! What stands in the way of closing a month, and may be accepted.

use api::v1;

use super::books::{Month, cents, february, said};
use crate::common::{date, first_month, id, new_case, reason};

/// What is not finished may be accepted by a person, as much of it as there is; what differs may not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_stands_in_the_way_is_accepted_with_a_reason_as_much_of_it_as_there_is() {
    let month = Month::open().await;
    let books = || month.service.books();
    let accept = |rule: &str| v1::AcceptForCloseRequest {
        parent: month.firm.clone(),
        request_id: id(),
        through: february(28),
        rule: rule.to_owned(),
        reason: "The bank's statement comes in March.".to_owned(),
    };
    for rule in ["fees_unbilled", "exposures_open"] {
        let nothing = books().accept_for_close(accept(rule)).await.unwrap_err();
        assert!(said(&nothing).contains("nothing of that stands in the way"), "{}", said(&nothing));
    }
    let unknown = books().accept_for_close(accept("rows")).await.unwrap_err();
    assert!(
        said(&unknown).contains("must be one of lines_open, payouts_late"),
        "{}",
        said(&unknown)
    );
    for rule in ["lines_open", "payouts_late", "statement_missing"] {
        let accepted = books().accept_for_close(accept(rule)).await.unwrap().into_inner();
        assert_eq!(accepted.accepted.unwrap().rule, rule);
    }
    let refused = books().close_month(month.close()).await.unwrap_err();
    assert!(said(&refused).contains("neither a bank line nor a late payout"), "{}", said(&refused));
    // What is accepted no more is in the way again.
    let withdraw = |rule: &str| v1::WithdrawAcceptanceRequest {
        parent: month.firm.clone(),
        request_id: id(),
        through: february(28),
        rule: rule.to_owned(),
        reason: "The statement is here.".to_owned(),
    };
    let once = withdraw("statement_missing");
    books().withdraw_acceptance(once.clone()).await.unwrap();
    let again = books().withdraw_acceptance(once).await.unwrap().into_inner();
    assert!(again.receipt.unwrap().replayed);
    let twice = books().withdraw_acceptance(withdraw("statement_missing")).await.unwrap_err();
    assert!(said(&twice).contains("nothing of that is accepted"), "{}", said(&twice));
    let refused = books().close_month(month.close()).await.unwrap_err();
    assert!(
        said(&refused).contains("without a statement through 2026-02-28: operating"),
        "{}",
        said(&refused)
    );
    books().accept_for_close(accept("statement_missing")).await.unwrap();
    let clearing = accept("clearing_late");
    let accepted = books().accept_for_close(clearing.clone()).await.unwrap().into_inner();
    let accepted = accepted.accepted.unwrap();
    assert_eq!((accepted.count, cents(accepted.amount.as_ref())), (2, 7_900));
    let again = books().accept_for_close(clearing).await.unwrap().into_inner();
    assert!(again.receipt.unwrap().replayed);

    // One line more, and what was accepted of lines is not what there is.
    let mut note = month.note.clone();
    note.request_id = id();
    note.lines.truncate(1);
    note.lines[0].line_hash = "a4".repeat(32);
    books().note_bank_lines(note).await.unwrap();
    let check = v1::CheckMonthRequest {
        parent: month.firm.clone(),
        through: february(28),
        at_least_position: 0,
    };
    let checked = books().check_month(check.clone()).await.unwrap().into_inner();
    let outdated: Vec<&str> = checked.outdated.iter().map(|known| known.rule.as_str()).collect();
    assert_eq!(outdated, ["lines_open"]);
    assert!(books().close_month(month.close()).await.is_err());
    books().accept_for_close(accept("lines_open")).await.unwrap();
    books().close_month(month.close()).await.unwrap();
    let closed = books().check_month(check.clone()).await.unwrap().into_inner();
    let closed_with: Vec<(&str, i64)> =
        closed.closed_with.iter().map(|known| (known.rule.as_str(), known.count)).collect();
    let expected =
        [("payouts_late", 1), ("statement_missing", 1), ("clearing_late", 2), ("lines_open", 4)];
    assert_eq!(closed_with, expected);
    // Of a closed month each stands once; of a month that is not over nothing is proved.
    let later = v1::CheckMonthRequest { through: date(2027, 1, 31), ..check.clone() };
    let later = books().check_month(later).await.unwrap().into_inner();
    assert!(later.blocks.iter().any(|block| block.rule == "not_over" && !block.acceptable));
    let late = books().accept_for_close(accept("lines_open")).await.unwrap_err();
    assert_eq!(reason(&late), "ALREADY_RECORDED");
    let closed = books().withdraw_acceptance(withdraw("lines_open")).await.unwrap_err();
    assert_eq!(reason(&closed), "ALREADY_RECORDED");
}

/// Nothing reaches a bank before it was taken.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn money_is_not_behind_a_line_that_the_bank_booked_before_it() {
    let month = Month::open().await;
    let mut note = month.note.clone();
    note.request_id = id();
    note.lines = vec![v1::BankLine {
        line_hash: "a5".repeat(32),
        booked_on: february(2),
        ..month.note.lines[1].clone()
    }];
    let noted = month.service.books().note_bank_lines(note).await.unwrap().into_inner();
    let early = v1::ConfirmMatchRequest { name: noted.deposits[0].clone(), ..month.by_hand(0) };
    let refused = month.service.books().confirm_match(early).await.unwrap_err();
    assert!(
        said(&refused).contains("the bank booked the line on 2026-02-02, before it"),
        "{}",
        said(&refused)
    );
}

/// What is shown says that all is explained; the log does not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_month_is_closed_by_the_log_and_not_by_rows_that_another_tool_changed() {
    let month = Month::open().await;
    let change = "DELETE FROM journal_line WHERE position IN (SELECT position FROM journal_entry \
                  WHERE kind = 'statement_line_seen'); \
                  DELETE FROM journal_entry WHERE kind = 'statement_line_seen'; \
                  DELETE FROM deposit WHERE status = 'open'";
    // Whoever asks waits for the rows: there have to be some to change.
    assert!(!month.blocks().await.is_empty());
    month.service.tamper(change, change).await;
    let blocked = vec![
        ("lines_open".to_owned(), 0, 3),
        ("rows".to_owned(), 0, 0),
        ("payouts_late".to_owned(), 19_226, 0),
        ("clearing_late".to_owned(), 7_900, 0),
        ("statement_missing".to_owned(), 0, 0),
    ];
    assert_eq!(month.blocks().await, blocked);
    let refused = month.service.books().close_month(month.close()).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    // Rows alone are in the way as well, until they are made anew.
    month.explain().await;
    assert_eq!(month.blocks().await, [("rows".to_owned(), 0, 0)]);
    let firm = api::name::parse_firm(&month.firm).unwrap();
    month.service.ledger.engine().rebuild(firm, |_, _| {}).await.unwrap();
    assert_eq!(month.blocks().await, []);
    month.service.books().close_month(month.close()).await.unwrap();
}

/// A fee of a period that ends with the month is revenue of its last day, though it is asked for on the day after (ASC 606,
/// work billed in arrears): the month is not finished without it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fee_of_a_period_that_ends_with_the_month_is_in_the_way_of_closing_it() {
    let month = Month::open().await;
    let check = || v1::CheckMonthRequest {
        parent: month.firm.clone(),
        through: february(28),
        at_least_position: 0,
    };
    let unbilled = async || {
        let checked = month.service.books().check_month(check()).await.unwrap().into_inner();
        let block = checked.blocks.into_iter().find(|block| block.rule == "fees_unbilled");
        block.map(|block| (block.count, cents(block.difference.as_ref())))
    };
    assert_eq!(unbilled().await, None);
    // Thirty days from the signing on 30 January on.
    let mut actions = first_month(v1::Seat::Individual, "+12015550199", "tok_199");
    for action in &mut actions {
        let day = action.occurred_on.as_mut().unwrap();
        // Work is opened on a business day.
        let later = if day.day == 13 { 40 } else { day.day + 25 };
        (day.month, day.day) = if later > 31 { (2, later - 31) } else { (1, later) };
        if let Some(v1::action::Action::ImportReport(report)) = &mut action.action {
            report.issued_on = february(6);
        }
    }
    let case = new_case(&month.firm);
    month.service.record(&case, actions).await;
    assert_eq!(unbilled().await, Some((1, 9_900)));
    let run = v1::RunBillingRequest {
        parent: month.firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 1),
    };
    let billed = month.service.billing().run_billing(run).await.unwrap().into_inner();
    assert_eq!(billed.invoices.len(), 1);
    assert_eq!(unbilled().await, None);
}
