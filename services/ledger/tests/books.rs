//! A bookkeeper's month, from the bank's lines to its close, on both engines.
//!
//! The figures are worked by hand from the rules of double entry; revenue in the month it was earned
//! is ASC 606's (work billed in arrears).

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]
#![allow(
    clippy::unnecessary_wraps,
    reason = "fields of messages are optional in the generated code"
)]

use crate::common;

use std::collections::BTreeMap;

use api::google::r#type::{Date, Money};
use api::v1;
use api::v1::record_payment_request::Event;
use common::{Service, date, first_month, id, new_case, reason, usd};
use tonic::Code;
use tonic_types::StatusExt as _;

/// Minor units of an amount.
pub(super) fn cents(money: Option<&Money>) -> i64 {
    money.map_or(0, |m| m.units * 100 + i64::from(m.nanos) / 10_000_000)
}

pub(super) fn amount(cents: i64) -> Option<Money> {
    let nanos = i32::try_from(cents % 100).unwrap() * 10_000_000;
    Some(Money { currency_code: "USD".into(), units: cents / 100, nanos })
}

/// Every field that is wrong and the rule it breaks.
pub(super) fn said(status: &tonic::Status) -> String {
    let details = status.get_error_details();
    let fields = details.bad_request().map(|bad| bad.field_violations.as_slice());
    let fields = fields.unwrap_or_default().iter();
    let fields = fields.map(|f| format!("{} {}", f.field, f.description));
    let state = details.precondition_failure().map(|of| of.violations.as_slice());
    let state =
        state.unwrap_or_default().iter().map(|of| format!("{} {}", of.r#type, of.description));
    fields.chain(state).collect::<Vec<_>>().join("\n")
}

pub(super) fn february(day: i32) -> Option<Date> {
    date(2026, 2, day)
}

pub(super) struct Month {
    pub(super) service: Service,
    pub(super) firm: String,
    pub(super) lines: Vec<String>,
    pub(super) payout: String,
    pub(super) note: v1::NoteBankLinesRequest,
}

impl Month {
    async fn pay(&self, on: i32, event: Event) {
        let request = v1::RecordPaymentRequest {
            name: format!("{}/accounts/-", self.firm),
            request_id: id(),
            occurred_on: february(on),
            event: Some(event),
        };
        self.service.accounts().record_payment(request).await.unwrap();
    }

    /// Three clients billed and paid, one paid back in part; a payout of two of the payments, a
    /// deposit of the third less its refund, and what the bank charged.
    pub(super) async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        for at in 0..3 {
            let month = first_month(
                v1::Seat::Individual,
                &format!("+1201555{:04}", 100 + at),
                &format!("tok_{at}"),
            );
            service.record(&new_case(&firm), month).await;
        }
        let run =
            v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: february(10) };
        let billed = service.billing().run_billing(run).await.unwrap().into_inner();
        assert_eq!(billed.invoices.len(), 3);
        let note = v1::NoteBankLinesRequest::default();
        let mut month = Self { service, firm, lines: Vec::new(), payout: String::new(), note };
        for (at, invoice) in billed.invoices.iter().enumerate() {
            let paid = v1::PaymentSettled {
                payment: format!("pay-{}", at + 1),
                amount: usd(99),
                invoice: invoice.name.clone(),
            };
            month.pay(12, Event::Settled(paid)).await;
        }
        let refund = v1::PaymentRefunded {
            refund: "ref-1".into(),
            payment: "pay-3".into(),
            amount: usd(20),
            reason: String::new(),
            request: None,
        };
        month.pay(13, Event::Refunded(refund)).await;
        month.bank().await;
        month
    }

    async fn bank(&mut self) {
        let account = v1::BankAccount {
            bank: "operating".into(),
            display_name: "Operating account".into(),
            last_four: "4821".into(),
            opened_on: february(1),
            opening: amount(0),
            ..v1::BankAccount::default()
        };
        let declare = v1::DeclareBankAccountRequest {
            name: self.firm.clone(),
            request_id: id(),
            account: Some(account),
        };
        self.service.books().declare_bank_account(declare).await.unwrap();
        let line = |name: &str| v1::PayoutLine {
            kind: v1::MovementKind::Payment.into(),
            name: name.into(),
            amount: usd(99),
        };
        let payout = v1::NotePayoutRequest {
            parent: self.firm.clone(),
            request_id: id(),
            payout: "po-1".into(),
            paid_on: february(16),
            net: amount(19_226),
            lines: vec![line("pay-1"), line("pay-2")],
            ..v1::NotePayoutRequest::default()
        };
        let noted = self.service.books().note_payout(payout).await.unwrap().into_inner();
        self.payout = noted.deposit;
        let line = |hash: &str, day, cents, references: &[&str]| v1::BankLine {
            bank: "operating".into(),
            line_hash: hash.repeat(32),
            booked_on: february(day),
            amount: amount(cents),
            references: references.iter().map(|text| (*text).to_owned()).collect(),
            ..v1::BankLine::default()
        };
        self.note = v1::NoteBankLinesRequest {
            parent: self.firm.clone(),
            request_id: id(),
            lines: vec![
                line("a1", 17, 19_226, &["po-1"]),
                line("a2", 18, 7_900, &[]),
                line("a3", 20, -1_500, &[]),
            ],
        };
        let noted = self.service.books().note_bank_lines(self.note.clone()).await.unwrap();
        let noted = noted.into_inner();
        assert_eq!(noted.receipt.unwrap().event_count, 3);
        self.lines = noted.deposits;
    }

    pub(super) fn close(&self) -> v1::CloseMonthRequest {
        v1::CloseMonthRequest { parent: self.firm.clone(), request_id: id(), through: february(28) }
    }

    pub(super) async fn blocks(&self) -> Vec<(String, i64, i32)> {
        let request = v1::CheckMonthRequest {
            parent: self.firm.clone(),
            through: february(28),
            at_least_position: 0,
        };
        let checked = self.service.books().check_month(request).await.unwrap().into_inner();
        let blocks = checked.blocks.iter();
        blocks.map(|b| (b.rule.clone(), cents(b.difference.as_ref()), b.lines)).collect()
    }

    pub(super) fn by_hand(&self, cents: i64) -> v1::ConfirmMatchRequest {
        let movement = |kind: v1::MovementKind, name: &str| v1::MatchedMovement {
            kind: kind.into(),
            name: name.into(),
            ..v1::MatchedMovement::default()
        };
        v1::ConfirmMatchRequest {
            name: self.lines[1].clone(),
            request_id: id(),
            movements: vec![
                movement(v1::MovementKind::Payment, "pay-3"),
                movement(v1::MovementKind::Refund, "ref-1"),
            ],
            costs: amount(cents),
            ..v1::ConfirmMatchRequest::default()
        }
    }

    /// The month's statement, with its first so many lines.
    pub(super) fn statement(&self, lines: usize) -> v1::NoteStatementRequest {
        let sum: i64 =
            self.note.lines[..lines].iter().map(|line| cents(line.amount.as_ref())).sum();
        v1::NoteStatementRequest {
            parent: self.firm.clone(),
            request_id: id(),
            bank: "operating".into(),
            file_hash: "f1".repeat(32),
            part: 1,
            source: v1::StatementSource::Camt053.into(),
            from: february(1),
            through: february(28),
            opening: amount(0),
            closing: amount(sum),
            lines: self.lines[..lines].to_vec(),
        }
    }

    /// Everything explained, and the statement recorded.
    pub(super) async fn explain(&self) {
        self.service.books().note_statement(self.statement(3)).await.unwrap();
        let whole = v1::ConfirmMatchRequest {
            name: self.lines[0].clone(),
            request_id: id(),
            payout: self.payout.clone(),
            ..v1::ConfirmMatchRequest::default()
        };
        self.service.books().confirm_match(whole).await.unwrap();
        self.service.books().confirm_match(self.by_hand(0)).await.unwrap();
        let charge = v1::BookDepositRequest {
            name: self.lines[2].clone(),
            request_id: id(),
            purpose: v1::Purpose::BankCosts.into(),
            note: "Monthly charge".into(),
        };
        self.service.books().book_deposit(charge).await.unwrap();
    }

    async fn position(&self) -> i64 {
        let request = v1::GetHeadRequest { parent: self.firm.clone() };
        self.service.administration().get_head(request).await.unwrap().into_inner().position
    }

    /// Closing balances in cents of every account that is not at zero, by meaning.
    async fn balances(&self, from: Option<Date>, through: Option<Date>) -> BTreeMap<String, i64> {
        let request = v1::GetTrialBalanceRequest {
            parent: self.firm.clone(),
            from,
            through,
            at_least_position: self.position().await,
        };
        let trial = self.service.books().get_trial_balance(request).await.unwrap().into_inner();
        assert_eq!(trial.rows.len(), 13);
        let closing = |row: &v1::TrialBalanceRow| cents(row.closing.as_ref());
        assert_eq!(trial.rows.iter().map(closing).sum::<i64>(), 0, "debits are credits");
        let name = |row: &v1::TrialBalanceRow| {
            row.account().as_str_name().trim_start_matches("BOOK_ACCOUNT_").to_lowercase()
        };
        let rows = trial.rows.iter().filter(|row| closing(row) != 0);
        rows.map(|row| (name(row), closing(row))).collect()
    }

    async fn journal(&self, from: Option<Date>, through: Option<Date>) -> Vec<v1::JournalEntry> {
        let mut request = v1::ListJournalRequest {
            parent: self.firm.clone(),
            page_size: 4,
            at_least_position: self.position().await,
            from,
            through,
            ..v1::ListJournalRequest::default()
        };
        let mut entries = Vec::new();
        loop {
            let page =
                self.service.books().list_journal(request.clone()).await.unwrap().into_inner();
            entries.extend(page.entries);
            if page.next_page_token.is_empty() {
                break entries;
            }
            request.page_token = page.next_page_token;
        }
    }

    /// Months through February: earned, collected, given back, open, owed and at risk in cents, and fees held.
    async fn months(&self, from: Option<Date>) -> Vec<(String, [i64; 6], i64)> {
        let request = v1::ListMonthsRequest {
            parent: self.firm.clone(),
            from,
            through: if from.is_some() { from } else { february(3) },
            at_least_position: self.position().await,
            ..v1::ListMonthsRequest::default()
        };
        let page = self.service.books().list_months(request).await.unwrap().into_inner();
        let whole = |month: v1::MonthSummary| {
            let amounts = [month.earned, month.collected, month.given_back, month.receivable];
            let [earned, collected, back, open] = amounts.map(|amount| cents(amount.as_ref()));
            let [owed, risk] = [month.owed_to_clients, month.at_risk].map(|m| cents(m.as_ref()));
            (month.month, [earned, collected, back, open, owed, risk], month.held_count)
        };
        page.months.into_iter().map(whole).collect()
    }

    async fn aged(&self, as_of: Option<Date>) -> (usize, [i64; 3]) {
        let request = v1::ListAgingRequest {
            parent: self.firm.clone(),
            page_size: 2,
            as_of,
            at_least_position: self.position().await,
            ..v1::ListAgingRequest::default()
        };
        let page = self.service.books().list_aging(request).await.unwrap().into_inner();
        let totals = page.totals.unwrap();
        let sums = [totals.current.as_ref(), totals.days_1_to_30.as_ref(), totals.total.as_ref()];
        (page.accounts.len(), sums.map(cents))
    }
}

fn balances(expected: &[(&str, i64)]) -> BTreeMap<String, i64> {
    expected.iter().map(|(name, cents)| ((*name).to_owned(), *cents)).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_month_is_proved_to_the_cent_and_closed_once() {
    let month = Month::open().await;
    let books = || month.service.books();
    // The same lines again, under another request: nothing is recorded twice.
    let again = v1::NoteBankLinesRequest { request_id: id(), ..month.note.clone() };
    let again = books().note_bank_lines(again).await.unwrap().into_inner();
    assert_eq!((again.receipt.unwrap().event_count, &again.deposits), (0, &month.lines));

    let open = 19_226 + 7_900 - 1_500;
    let blocked = vec![
        ("lines_open".into(), 0, 3),
        ("payouts_late".into(), 19_226, 0),
        ("clearing_late".into(), 7_900, 0),
        ("statement_missing".into(), 0, 0),
    ];
    assert_eq!(month.blocks().await, blocked);
    let refused = books().close_month(month.close()).await.unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused).as_str()),
        (Code::FailedPrecondition, "STATE_REFUSES")
    );

    // What is named and to the cent is certain; the sum of a day's movements is only proposed.
    let request = v1::ProposeMatchesRequest { parent: month.firm.clone(), at_least_position: 0 };
    let proposed = books().propose_matches(request).await.unwrap().into_inner().proposals;
    let sure: Vec<v1::MatchCertainty> = proposed.iter().map(v1::MatchProposal::certainty).collect();
    let (certain, only) = (v1::MatchCertainty::Certain, v1::MatchCertainty::Only);
    assert_eq!(sure, [certain, only, v1::MatchCertainty::Open]);
    assert_eq!((&proposed[0].payout, cents(proposed[0].costs.as_ref())), (&month.payout, 574));
    let names: Vec<&str> = proposed[1].movements.iter().map(|m| m.name.as_str()).collect();
    assert_eq!(names, ["pay-3", "ref-1"]);

    // A cent that does not fit is refused with what would.
    let off = books().confirm_match(month.by_hand(1)).await.unwrap_err();
    assert_eq!((off.code(), reason(&off).as_str()), (Code::InvalidArgument, "VALUE_REFUSED"));
    assert!(said(&off).contains("that leaves USD 0.00"), "{}", said(&off));
    month.explain().await;
    assert_eq!(month.blocks().await, []);
    let taken = books().confirm_match(month.by_hand(0)).await.unwrap_err();
    assert_eq!(reason(&taken), "STATE_REFUSES");

    // 297.00 earned; 20.00 paid back; the processor kept 198.00 less 192.26, the bank 15.00.
    let expected = balances(&[
        ("bank", open),
        ("fee_revenue", -29_700),
        ("refunds_and_credits", 2_000),
        ("processor_costs", 574),
        ("bank_costs", 1_500),
    ]);
    assert_eq!(month.balances(february(1), february(28)).await, expected);
    // The period ran to 3 February, so January earned nothing.
    assert_eq!(month.balances(date(2026, 1, 1), date(2026, 1, 31)).await, balances(&[]));
    assert_eq!(month.aged(february(10)).await, (2, [29_700, 0, 29_700]));
    assert_eq!(month.aged(february(11)).await, (2, [0, 29_700, 29_700]));
    assert_eq!(month.aged(february(12)).await, (0, [0, 0, 0]));
    let revenue = v1::GetRevenueByPlanRequest {
        parent: month.firm.clone(),
        from: february(1),
        through: february(28),
        at_least_position: 0,
    };
    let plans = books().get_revenue_by_plan(revenue).await.unwrap().into_inner().plans;
    assert_eq!(plans.len(), 1);
    assert_eq!((plans[0].plan.as_str(), plans[0].fees), ("steady", 3));
    assert_eq!(cents(plans[0].amount.as_ref()), 29_700);
    assert_eq!(month.months(None).await, [("2026-02".into(), [29_700, 29_700, 2_000, 0, 0, 0], 0)]);
    let march = ("2026-03".into(), [0; 6], 0);
    assert_eq!(month.months(date(2026, 3, 1)).await, [march]);
    assert_eq!(month.months(date(2026, 1, 31)).await, []);

    // Eight at once, two of them the same request: one close, whose request gets its answer twice.
    let close = month.close();
    let others = (0..6).map(|_| month.close());
    let asked: Vec<_> = others.chain([close.clone(), close.clone()]).collect();
    let answers = asked.iter().map(|close| {
        let mut books = books();
        async move { (close.request_id.clone(), books.close_month(close.clone()).await) }
    });
    let mut closed = Vec::new();
    for (request_id, answer) in futures::future::join_all(answers).await {
        match answer {
            Ok(answer) => closed.push((request_id, answer.into_inner().receipt.unwrap())),
            Err(refused) => assert_eq!(reason(&refused), "ALREADY_RECORDED", "{refused:?}"),
        }
    }
    assert!(closed.iter().all(|(request, _)| *request == closed[0].0), "{closed:?}");
    assert_eq!(closed.iter().filter(|(_, receipt)| !receipt.replayed).count(), 1, "{closed:?}");
    let close = v1::CloseMonthRequest { request_id: closed[0].0.clone(), ..close };
    let replayed = books().close_month(close).await.unwrap().into_inner();
    assert!(replayed.receipt.unwrap().replayed);
    let twice = books().close_month(month.close()).await.unwrap_err();
    assert_eq!(reason(&twice), "ALREADY_RECORDED");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_told_after_a_close_lands_in_the_open_month_and_says_where_it_belongs() {
    let month = Month::open().await;
    let books = || month.service.books();
    month.explain().await;
    books().close_month(month.close()).await.unwrap();
    let february_closed = month.balances(february(1), february(28)).await;

    let reversed = v1::ReverseMatchRequest { name: month.lines[1].clone(), request_id: id() };
    books().reverse_match(reversed).await.unwrap();
    let march = month.journal(date(2026, 3, 1), date(2026, 3, 31)).await;
    assert_eq!(march.len(), 1);
    let entry = &march[0];
    assert_eq!((entry.kind.as_str(), entry.occurred_on), ("match_reversed", february(18)));
    assert_eq!(entry.posted_on, date(2026, 3, 1));
    let matched = month.journal(february(1), february(28)).await;
    let reverses = matched.iter().find(|e| e.event_id == entry.reverses).unwrap();
    assert_eq!(reverses.kind, "deposit_matched");
    assert_eq!(month.balances(february(1), february(28)).await, february_closed);
    let mut lines: Vec<(i32, i64)> =
        entry.lines.iter().map(|line| (line.account, cents(line.amount.as_ref()))).collect();
    lines.sort_unstable();
    let (suspense, clearing) = (v1::BookAccount::Suspense, v1::BookAccount::Clearing);
    assert_eq!(lines, [(suspense.into(), -7_900), (clearing.into(), 7_900)]);

    // Matched again, and the books of both months are what a rebuild makes of the log.
    books().confirm_match(month.by_hand(0)).await.unwrap();
    let year = (date(2026, 1, 1), date(2026, 12, 31));
    let before = (month.balances(year.0, year.1).await, month.journal(year.0, year.1).await);
    let rebuild = v1::RebuildReadModelsRequest { parent: month.firm.clone() };
    let mut progress =
        month.service.administration().rebuild_read_models(rebuild).await.unwrap().into_inner();
    while progress.message().await.unwrap().is_some() {}
    let after = (month.balances(year.0, year.1).await, month.journal(year.0, year.1).await);
    assert_eq!(after, before);
    for entry in &after.1 {
        let sum: i64 = entry.lines.iter().map(|line| cents(line.amount.as_ref())).sum();
        assert_eq!(sum, 0, "{entry:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_chart_is_the_firms_own_and_what_is_wrong_is_named() {
    let month = Month::open().await;
    let books = || month.service.books();
    let revise = |number: &str| v1::ReviseChartRequest {
        name: month.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        accounts: vec![v1::ChartAccount {
            account: v1::BookAccount::Bank.into(),
            number: number.into(),
            display_name: "Operating account".into(),
            accountant_code: "B-1".into(),
            account_type: String::new(),
        }],
    };
    let taken = books().revise_chart(revise("4000")).await.unwrap_err();
    assert_eq!(reason(&taken), "VALUE_REFUSED");
    let revised = books().revise_chart(revise("0900")).await.unwrap().into_inner();
    let get = v1::GetChartRequest {
        name: month.firm.clone(),
        at_least_position: revised.receipt.unwrap().position,
    };
    let chart = books().get_chart(get).await.unwrap().into_inner();
    let first = &chart.accounts[0];
    assert_eq!((first.number.as_str(), first.account()), ("0900", v1::BookAccount::Bank));
    assert_eq!((first.accountant_code.as_str(), first.account_type.as_str()), ("B-1", "Assets"));
    assert_eq!((chart.accounts.len(), chart.locked_through), (13, None));

    // Half of a month is no month, and a month that is not over cannot be closed.
    let half = v1::CloseMonthRequest { through: february(15), ..month.close() };
    let half = books().close_month(half).await.unwrap_err();
    assert_eq!(half.code(), Code::InvalidArgument);
    month.explain().await;
    let march = v1::CloseMonthRequest { through: date(2026, 3, 31), ..month.close() };
    let march = books().close_month(march).await.unwrap_err();
    assert_eq!(reason(&march), "VALUE_REFUSED");
    // Neither a payout nor movements.
    let nothing = v1::ConfirmMatchRequest {
        name: month.lines[0].clone(),
        request_id: id(),
        ..v1::ConfirmMatchRequest::default()
    };
    let nothing = books().confirm_match(nothing).await.unwrap_err();
    assert_eq!(nothing.code(), Code::InvalidArgument);
    assert!(said(&nothing).contains("movements is required"), "{}", said(&nothing));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_matched_without_a_person_but_by_policy_and_a_no_is_kept() {
    let month = Month::open().await;
    let books = || month.service.books();
    let automatically =
        || v1::MatchAutomaticallyRequest { parent: month.firm.clone(), request_id: id() };
    let policy = |automatic: v1::AutomaticMatches| v1::SetMatchPolicyRequest {
        name: month.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        automatic: automatic.into(),
    };
    let proposed = async || {
        let at_least_position = month.position().await;
        let parent = month.firm.clone();
        let request = v1::ProposeMatchesRequest { parent, at_least_position };
        books().propose_matches(request).await.unwrap().into_inner().proposals
    };
    let line = async |at: usize| {
        let request = v1::ListDepositsRequest {
            parent: month.firm.clone(),
            at_least_position: month.position().await,
            ..v1::ListDepositsRequest::default()
        };
        let deposits = books().list_deposits(request).await.unwrap().into_inner().deposits;
        deposits.into_iter().find(|deposit| deposit.name == month.lines[at]).unwrap()
    };

    // Without a policy a person confirms, and the policy that is in force cannot be set again.
    let before = automatically();
    let refused = books().match_automatically(before.clone()).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    let nothing =
        books().set_match_policy(policy(v1::AutomaticMatches::Nothing)).await.unwrap_err();
    assert_eq!(reason(&nothing), "ALREADY_RECORDED");
    let unsaid = books().set_match_policy(policy(v1::AutomaticMatches::Unspecified)).await;
    assert!(said(&unsaid.unwrap_err()).contains("automatic"));
    books().set_match_policy(policy(v1::AutomaticMatches::Certain)).await.unwrap();
    // The refusal is the answer to that request for good.
    let again = books().match_automatically(before).await.unwrap_err();
    assert_eq!(reason(&again), "STATE_REFUSES");

    // What is certain is matched, what is only proposed is left, and again there is nothing to do.
    let matched = books().match_automatically(automatically()).await.unwrap().into_inner();
    assert_eq!(matched.deposits, [month.lines[0].clone()]);
    let first = line(0).await;
    assert_eq!((first.state(), first.automatic), (v1::DepositState::Matched, true));
    let again = books().match_automatically(automatically()).await.unwrap().into_inner();
    assert!(again.deposits.is_empty() && again.position > 0);

    // Taken back by a person, it is proposed to a person and not made again by itself.
    let reversed = v1::ReverseMatchRequest { name: month.lines[0].clone(), request_id: id() };
    books().reverse_match(reversed).await.unwrap();
    let offered = proposed().await.remove(0);
    assert_ne!(offered.certainty(), v1::MatchCertainty::Certain, "{}", offered.because);
    assert_eq!(offered.payout, month.payout);
    let kept = books().match_automatically(automatically()).await.unwrap().into_inner();
    assert!(kept.deposits.is_empty());
    assert_eq!(line(0).await.refusals, 1);

    // A no is kept, is not proposed again, and said twice is told so; a person may still confirm.
    let no = || v1::RefuseMatchRequest {
        name: month.lines[1].clone(),
        request_id: id(),
        movements: month.by_hand(0).movements,
        ..v1::RefuseMatchRequest::default()
    };
    books().refuse_match(no()).await.unwrap();
    let twice = books().refuse_match(no()).await.unwrap_err();
    assert_eq!(reason(&twice), "ALREADY_RECORDED");
    let other = proposed().await.into_iter().find(|p| p.deposit == month.lines[1]).unwrap();
    let names: Vec<&str> = other.movements.iter().map(|m| m.name.as_str()).collect();
    assert_ne!(names, ["pay-3", "ref-1"], "{}", other.because);
    let of_payout = v1::RefuseMatchRequest {
        payout: month.payout.clone(),
        movements: Vec::new(),
        name: month.lines[0].clone(),
        ..no()
    };
    books().refuse_match(of_payout).await.unwrap();
    let open = proposed().await.remove(0);
    assert!(open.payout.is_empty(), "{}", open.because);
    let both = v1::RefuseMatchRequest { payout: month.payout.clone(), ..no() };
    let both = books().refuse_match(both).await.unwrap_err();
    assert!(said(&both).contains("movements must be empty"), "{}", said(&both));
    month.explain().await;
    assert_eq!(month.blocks().await, []);
    let by_hand = line(0).await;
    assert_eq!((by_hand.automatic, by_hand.refusals), (false, 2));
    let late = books().refuse_match(no()).await.unwrap_err();
    assert_eq!(reason(&late), "STATE_REFUSES");
}
