//! What the firm tells of the law is carried to the fees that were claimed of its clients.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use common::{Service, date, first_month, id, new_case, reason, usd};
use tonic::Code;
use v1::record_payment_request::Event;

/// The state's law as somebody reads it later: the trade is not allowed there, and was not before.
const PROHIBITED: &str = r#"{
    "code": "us-il", "version": 2, "state": "IL", "in_force_from": "2020-01-01",
    "confirmed_by_counsel": false, "note": "Invented for tests.",
    "read": ["cancellation", "monthly_statement", "perform_within", "performance", "prohibited", "registration",
             "security", "telemarketing"],
    "prohibited": { "cites": "invented for tests" }
}"#;

struct Office {
    service: Service,
    firm: String,
    paid: String,
    open: String,
}

impl Office {
    /// Two clients with a fee each; one has paid.
    async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let (paid, open) = (new_case(&firm), new_case(&firm));
        for (case, phone) in [(&paid, "+12015550123"), (&open, "+12015550124")] {
            service.record(case, first_month(v1::Seat::Individual, phone, "tok_1")).await;
        }
        let office = Self { service, firm, paid, open };
        let billed = office.service.billing().run_billing(office.run()).await.unwrap();
        let billed = billed.into_inner();
        assert_eq!(billed.invoices.len(), 2);
        let account = office.paid.replace("/cases/", "/accounts/");
        let invoice = billed.invoices.iter().find(|invoice| invoice.account == account).unwrap();
        let settled = v1::PaymentSettled {
            payment: "pay-1".into(),
            amount: usd(99),
            invoice: invoice.name.clone(),
        };
        let payment = v1::RecordPaymentRequest {
            name: account,
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            event: Some(Event::Settled(settled)),
        };
        office.service.accounts().record_payment(payment).await.unwrap();
        office
    }

    fn run(&self) -> v1::RunBillingRequest {
        v1::RunBillingRequest {
            parent: self.firm.clone(),
            request_id: id(),
            as_of: date(2026, 3, 2),
        }
    }

    async fn review(&self, record: bool) -> v1::ReviewFeesResponse {
        let request = v1::ReviewFeesRequest { parent: self.firm.clone(), request_id: id(), record };
        self.service.billing().review_fees(request).await.unwrap().into_inner()
    }

    /// The state forbids the trade, as the firm learns now.
    async fn prohibit(&self) {
        let pack = self.service.adopt(&self.firm, PROHIBITED).await;
        let confirm = v1::ConfirmPackRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            code: pack.code,
            version: pack.version,
            sha256: pack.sha256,
            counsel: "C. Ounsel".into(),
            document_sha256: String::new(),
        };
        self.service.administration().confirm_pack(confirm).await.unwrap();
        assert!(self.review(true).await.recorded);
    }

    async fn head(&self) -> i64 {
        let request = v1::GetHeadRequest { parent: self.firm.clone() };
        self.service.administration().get_head(request).await.unwrap().into_inner().position
    }

    /// What stands in the way of closing the month, if it is of the fees.
    async fn differences(&self) -> Vec<String> {
        let request = v1::CheckMonthRequest {
            parent: self.firm.clone(),
            through: date(2026, 2, 28),
            at_least_position: 0,
        };
        let checked = self.service.books().check_month(request).await.unwrap().into_inner();
        let rules = checked.blocks.into_iter().map(|block| block.rule);
        rules.filter(|rule| !matches!(rule.as_str(), "lines_open" | "suspense")).collect()
    }

    async fn balance(&self, account: v1::BookAccount) -> i64 {
        let request = v1::GetTrialBalanceRequest {
            parent: self.firm.clone(),
            from: date(2026, 1, 1),
            through: date(2026, 12, 31),
            at_least_position: self.head().await,
        };
        let trial = self.service.books().get_trial_balance(request).await.unwrap().into_inner();
        let row = trial.rows.iter().find(|row| row.account() == account);
        row.and_then(|row| row.closing.as_ref()).map_or(0, |amount| amount.units)
    }
}

/// What nothing allowed was never the firm's to lose, whether it was given up before that was known or after.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_write_off_of_an_exposed_fee_is_no_loss_whichever_came_first() {
    for exposed_first in [true, false] {
        let office = Office::open().await;
        let write_off = async || {
            let request = v1::ListInvoicesRequest {
                parent: office.firm.clone(),
                at_least_position: office.head().await,
                ..Default::default()
            };
            let listed = office.service.accounts().list_invoices(request).await.unwrap();
            let account = office.open.replace("/cases/", "/accounts/");
            let invoices = listed.into_inner().invoices;
            let invoice = invoices.into_iter().find(|invoice| invoice.account == account).unwrap();
            let request = v1::WriteOffRequest {
                name: account,
                invoice: invoice.name,
                request_id: id(),
                occurred_on: date(2026, 3, 2),
                amount: usd(99),
                reason: "it cannot be collected".into(),
            };
            office.service.accounts().write_off(request).await.unwrap();
        };
        if exposed_first {
            office.prohibit().await;
            write_off().await;
        } else {
            write_off().await;
            assert_eq!(office.balance(v1::BookAccount::BadDebt).await, 99);
            office.prohibit().await;
        }
        for account in [
            v1::BookAccount::BadDebt,
            v1::BookAccount::FeeRevenue,
            v1::BookAccount::Receivable,
            v1::BookAccount::RefundsAndCredits,
        ] {
            let balance = office.balance(account).await;
            assert_eq!(balance, 0, "{account:?}, exposed first: {exposed_first}");
        }
        assert_eq!(
            office.balance(v1::BookAccount::OwedToClients).await,
            -99,
            "of the one who paid"
        );
        assert_eq!(office.differences().await, [""; 0]);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_law_that_is_read_later_is_shown_first_then_recorded_and_nothing_is_asked_meanwhile() {
    let office = Office::open().await;
    assert_eq!(office.balance(v1::BookAccount::FeeRevenue).await, -198);
    assert_eq!(office.review(false).await.fees_changed, 0);
    let pack = office.service.adopt(&office.firm, PROHIBITED).await;
    let confirm = v1::ConfirmPackRequest {
        parent: office.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        code: pack.code,
        version: pack.version,
        sha256: pack.sha256,
        counsel: "C. Ounsel".into(),
        document_sha256: String::new(),
    };
    office.service.administration().confirm_pack(confirm).await.unwrap();

    // Nothing is asked of clients while fees wait to be judged again.
    let billed = office.service.billing().run_billing(office.run()).await.unwrap_err();
    assert_eq!((billed.code(), reason(&billed).as_str()), (Code::FailedPrecondition, "REVIEW_DUE"));
    let claim = v1::ClaimFeeRequest {
        name: office.open.clone(),
        request_id: id(),
        period: 2,
        as_of: date(2026, 3, 2),
    };
    let claimed = office.service.billing().claim_fee(claim).await.unwrap_err();
    assert_eq!(reason(&claimed), "REVIEW_DUE");
    let charges = v1::RequestChargesRequest {
        parent: office.firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        charges_max: 0,
    };
    let charged = office.service.accounts().request_charges(charges).await.unwrap_err();
    assert_eq!(reason(&charged), "REVIEW_DUE");

    // Shown, and nothing is changed by that.
    let head = office.head().await;
    let shown = office.review(false).await;
    assert_eq!((shown.fees_changed, shown.cases, shown.was_due), (2, 2, true));
    assert_eq!((&shown.owed_change, &shown.open_change), (&usd(99), &usd(99)));
    assert!(!shown.recorded && shown.fees.iter().all(|fee| fee.exposed == usd(99)));
    assert!(shown.fees.iter().all(|fee| fee.gates == [i32::from(v1::Gate::State)]));
    assert_eq!(office.head().await, head);

    let recorded = office.review(true).await;
    assert!(recorded.recorded && recorded.fees == shown.fees);
    assert_eq!(office.balance(v1::BookAccount::FeeRevenue).await, 0);
    assert_eq!(office.balance(v1::BookAccount::OwedToClients).await, -99);
    assert_eq!(office.balance(v1::BookAccount::Receivable).await, 0);
    assert_eq!(office.differences().await, [""; 0]);
    let again = office.review(true).await;
    assert_eq!((again.fees_changed, again.was_due), (0, false));

    let exposures = v1::ListExposuresRequest {
        parent: office.firm.clone(),
        at_least_position: office.head().await,
        ..Default::default()
    };
    let page = exposures.clone();
    let exposures = office.service.accounts().list_exposures(exposures).await.unwrap().into_inner();
    let fees: Vec<_> = exposures.exposures.iter().map(|of| (of.kind(), of.period)).collect();
    let of = |kind, period| [(kind, period); 2];
    let signings = of(v1::ExposureKind::SignedAgainstLaw, None);
    assert_eq!(fees, [signings, of(v1::ExposureKind::FeeAskedUnearned, Some(1))].concat());
    let mut one_by_one = Vec::new();
    let mut page = v1::ListExposuresRequest { page_size: 1, ..page };
    while one_by_one.is_empty() || !page.page_token.is_empty() {
        let answer = office.service.accounts().list_exposures(page.clone()).await.unwrap();
        let answer = answer.into_inner();
        one_by_one.extend(answer.exposures);
        page.page_token = answer.next_page_token;
    }
    assert_eq!(one_by_one, exposures.exposures);
    let due = v1::ListDueRequest {
        parent: office.firm.clone(),
        kind: v1::DueKind::FeeExposed.into(),
        as_of: date(2026, 3, 2),
        ..Default::default()
    };
    let due = office.service.administration().list_due(due).await.unwrap().into_inner().due;
    assert_eq!(due.len(), 2, "{due:?}");
    // Billing goes on, and holds what the law does not allow.
    let billed = office.service.billing().run_billing(office.run()).await.unwrap().into_inner();
    assert_eq!(billed.invoices.len(), 0);

    // What goes back is owed no more.
    let refund = v1::PaymentRefunded {
        refund: "ref-1".into(),
        payment: "pay-1".into(),
        amount: usd(99),
        reason: String::new(),
        request: None,
    };
    let back = v1::RecordPaymentRequest {
        name: office.paid.replace("/cases/", "/accounts/"),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(Event::Refunded(refund)),
    };
    office.service.accounts().record_payment(back).await.unwrap();
    assert_eq!(office.balance(v1::BookAccount::OwedToClients).await, 0);
    assert_eq!(office.balance(v1::BookAccount::FeeRevenue).await, 0);
    assert_eq!(office.balance(v1::BookAccount::RefundsAndCredits).await, 0);
    assert_eq!(office.differences().await, [""; 0]);
}

/// A client in a state whose law nobody stands for is not billed by federal rules alone: the review says which state, how
/// many clients, and why, before anything is asked of them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_review_names_the_states_whose_law_is_not_known() {
    let office = Office::open().await;
    assert!(office.review(false).await.unknown_states.is_empty());
    let unread = PROHIBITED
        .replace("\"prohibited\": { \"cites\": \"invented for tests\" }", "\"questions\": []");
    office.service.adopt(&office.firm, &unread).await;
    let review = office.review(false).await;
    assert!(review.was_due && !review.recorded);
    let [state] = review.unknown_states.as_slice() else { panic!("{:?}", review.unknown_states) };
    assert_eq!((state.state_code.as_str(), state.clients), ("IL", 2));
    for reason in [
        "pack us-il version 2 is neither confirmed by counsel nor used at own risk",
        "pack us-il version 2 does not say that estimate_cap was read",
    ] {
        assert!(state.reasons.iter().any(|said| said == reason), "{:?}", state.reasons);
    }
    let refused = office.service.billing().run_billing(office.run()).await.unwrap_err();
    assert_eq!(reason(&refused), "REVIEW_DUE");
}

/// 15 USC 1679b(b): while a review is due, whatever shows what is owed, held or exposed says so, in the same words, and none of
/// it says so before and after.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_answer_that_shows_money_says_that_a_review_is_due() {
    let office = Office::open().await;
    let said = async || {
        let (parent, at_least_position) = (office.firm.clone(), office.head().await);
        let service = &office.service;
        let (cases, accounts) = (service.cases(), service.accounts());
        let (books, billing) = (service.books(), service.billing());
        let (from, through) = (date(2026, 1, 1), date(2026, 3, 2));
        let account = office.paid.replace("/cases/", "/accounts/");
        let mut said = Vec::new();
        macro_rules! ask {
            ($client:ident . $call:ident ( $request:ident { $($member:tt)* } )) => {
                let mut client = $client.clone();
                #[allow(clippy::needless_update, reason = "some requests have no other member")]
                let request = v1::$request { at_least_position, $($member)*, ..Default::default() };
                said.push((stringify!($call), client.$call(request).await.unwrap().into_inner().review_due));
            };
        }
        ask!(cases.get_case(GetCaseRequest { name: office.paid.clone() }));
        ask!(accounts.get_account(GetAccountRequest { name: account.clone() }));
        ask!(accounts.list_accounts(ListAccountsRequest { parent: parent.clone() }));
        ask!(accounts.get_invoice(GetInvoiceRequest { name: format!("{parent}/invoices/1") }));
        ask!(accounts.list_invoices(ListInvoicesRequest { parent: parent.clone() }));
        ask!(accounts.list_payments(ListPaymentsRequest { parent: parent.clone() }));
        ask!(accounts.list_exposures(ListExposuresRequest { parent: parent.clone() }));
        ask!(billing.explain_fee(ExplainFeeRequest { name: office.paid.clone(), period: 1 }));
        ask!(
            billing.list_claimable(ListClaimableRequest { parent: parent.clone(), as_of: through })
        );
        ask!(books.get_trial_balance(GetTrialBalanceRequest {
            parent: parent.clone(),
            from,
            through
        }));
        ask!(books.get_revenue_by_plan(GetRevenueByPlanRequest {
            parent: parent.clone(),
            from,
            through
        }));
        ask!(books.list_months(ListMonthsRequest { parent: parent.clone(), from, through }));
        ask!(books.list_aging(ListAgingRequest { parent: parent.clone(), as_of: through }));
        ask!(books.list_journal(ListJournalRequest { parent: parent.clone(), from, through }));
        said
    };
    assert!(said().await.iter().all(|(_, said)| said.is_empty()));
    office.service.adopt(&office.firm, PROHIBITED).await;
    let due = said().await;
    assert!(due[0].1.starts_with("A review of claimed fees is due"), "{due:?}");
    for (call, sentence) in &due {
        assert_eq!(*sentence, due[0].1, "{call}");
    }
    office.review(true).await;
    assert!(said().await.iter().all(|(_, said)| said.is_empty()));
}
