//! Giving money back through the processor, and keeping it by counsel's reason.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use std::path::PathBuf;

use api::v1;
use api::v1::accounts_client::AccountsClient;
use api::v1::administration_client::AdministrationClient;
use api::v1::billing_client::BillingClient;
use domain::ids::{FirmId, RequestId};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;
use v1::record_payment_request::Event;
use vault::BlobStore;

use crate::common::{Service, date, first_month, id, new_case, reason, usd};
use crate::evidence::upload_to;

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
    case: String,
    invoice: String,
}

impl Office {
    /// A client who paid the fee of 99 that nothing allows, as it turns out.
    async fn open() -> Self {
        let office = Self::paid().await;
        office.prohibit().await;
        let request =
            v1::ReviewFeesRequest { parent: office.firm.clone(), request_id: id(), record: true };
        office.service.billing().review_fees(request).await.unwrap();
        office
    }

    async fn paid() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let case = new_case(&firm);
        let month = first_month(v1::Seat::Individual, "+12015550123", "tok_1");
        service.record(&case, month).await;
        let run = v1::RunBillingRequest {
            parent: firm.clone(),
            request_id: id(),
            as_of: date(2026, 3, 2),
        };
        let billed = service.billing().run_billing(run).await.unwrap().into_inner();
        let invoice = billed.invoices[0].name.clone();
        let office = Self { service, firm, case, invoice };
        let settled = v1::PaymentSettled {
            payment: "pay-1".into(),
            amount: usd(99),
            invoice: office.invoice.clone(),
        };
        office.money(Event::Settled(settled)).await.unwrap();
        office
    }

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
    }

    async fn money(&self, event: Event) -> Result<(), Status> {
        let payment = v1::RecordPaymentRequest {
            name: self.case.replace("/cases/", "/accounts/"),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            event: Some(event),
        };
        self.service.accounts().record_payment(payment).await.map(|_| ())
    }

    fn asks(&self) -> v1::RequestRefundRequest {
        v1::RequestRefundRequest {
            name: format!("{}/accounts/-", self.firm),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            payment: "pay-1".into(),
            amount: None,
            reason: "nothing allowed the fee".into(),
            validate_only: false,
        }
    }

    async fn ask(
        &self,
        request: &v1::RequestRefundRequest,
    ) -> Result<v1::RequestRefundResponse, Status> {
        Ok(self.service.accounts().request_refund(request.clone()).await?.into_inner())
    }

    fn file(&self, request: &v1::RequestRefundRequest) -> PathBuf {
        let firm = FirmId::parse(self.firm.split_once('/').unwrap().1).unwrap();
        let request = RequestId::parse(&request.request_id).unwrap();
        self.service.outbox.path_of_refunds(firm, request)
    }

    /// The lines of every file in the outbox.
    fn sent(&self) -> Vec<serde_json::Value> {
        let Ok(entries) = std::fs::read_dir(self.service.place.outbox()) else { return Vec::new() };
        let files = entries.map(|entry| entry.unwrap().path()).filter(|path| path.is_file());
        let texts = files.map(|path| std::fs::read_to_string(path).unwrap());
        texts
            .flat_map(|text| {
                let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
                lines.collect::<Vec<_>>()
            })
            .collect()
    }

    async fn head(&self) -> i64 {
        let request = v1::GetHeadRequest { parent: self.firm.clone() };
        self.service.administration().get_head(request).await.unwrap().into_inner().position
    }

    async fn due(&self, kind: v1::DueKind, as_of: (i32, i32, i32)) -> Vec<v1::DueItem> {
        let request = v1::ListDueRequest {
            parent: self.firm.clone(),
            kind: kind.into(),
            as_of: date(as_of.0, as_of.1, as_of.2),
            at_least_position: self.head().await,
            ..Default::default()
        };
        self.service.administration().list_due(request).await.unwrap().into_inner().due
    }

    async fn explained(&self) -> v1::FeeExplanation {
        let request =
            v1::ExplainFeeRequest { name: self.case.clone(), period: 1, ..Default::default() };
        let answer = self.service.billing().explain_fee(request).await.unwrap().into_inner();
        answer.explanation.unwrap()
    }

    async fn exposed(&self) -> v1::Exposure {
        let request = v1::ListExposuresRequest {
            parent: self.firm.clone(),
            at_least_position: self.head().await,
            kind: v1::ExposureKind::FeeAskedUnearned.into(),
            ..Default::default()
        };
        let listed = self.service.accounts().list_exposures(request).await.unwrap().into_inner();
        assert_eq!(listed.exposures.len(), 1);
        listed.exposures[0].clone()
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

    /// The lines of the entries of a kind, each by account and amount.
    async fn entries(&self, kind: &str) -> Vec<Vec<(v1::BookAccount, i64)>> {
        let request = v1::ListJournalRequest {
            parent: self.firm.clone(),
            from: date(2026, 1, 1),
            through: date(2026, 12, 31),
            at_least_position: self.head().await,
            ..Default::default()
        };
        let listed = self.service.books().list_journal(request).await.unwrap().into_inner();
        let of_kind = listed.entries.iter().filter(|entry| entry.kind == kind);
        let lines = of_kind.map(|entry| {
            let line =
                |line: &v1::JournalLine| (line.account(), line.amount.as_ref().unwrap().units);
            entry.lines.iter().map(line).collect()
        });
        lines.collect()
    }

    fn keeps(&self) -> v1::KeepFeeRequest {
        v1::KeepFeeRequest {
            name: self.case.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            fee: Some(v1::keep_fee_request::Fee::Period(1)),
            amount: None,
            counsel: "C. Ounsel".into(),
            reason: "the statute is read otherwise by the state's own office".into(),
            document_sha256: String::new(),
            validate_only: false,
        }
    }
}

fn back(refund: &str, request: Option<i32>) -> Event {
    Event::Refunded(v1::PaymentRefunded {
        refund: refund.into(),
        payment: "pay-1".into(),
        amount: usd(99),
        reason: String::new(),
        request,
    })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_owed_is_asked_of_the_processor_and_given_back_when_it_says_so() {
    let office = Office::open().await;
    let head = office.head().await;
    let shown =
        office.ask(&v1::RequestRefundRequest { validate_only: true, ..office.asks() }).await;
    let shown = shown.unwrap();
    assert_eq!((office.head().await, office.sent().len(), shown.handed_over), (head, 0, false));

    let request = office.asks();
    let asked = office.ask(&request).await.unwrap();
    assert!(asked.handed_over && !asked.replayed && asked.skipped.is_empty(), "{asked:?}");
    let refund = asked.refund.clone().unwrap();
    assert_eq!(refund, shown.refund.unwrap());
    assert_eq!((&refund.amount, &refund.left, refund.number), (&usd(99), &usd(0), 1));
    assert_eq!(refund.invoices[0].invoice, office.invoice);
    let sent = office.sent();
    let account = office.case.rsplit_once('/').unwrap().1;
    let firm = office.firm.split_once('/').unwrap().1;
    assert_eq!(
        sent,
        [serde_json::json!({
            "firm": firm, "account": account, "refund": 1, "payment": "pay-1",
            "idempotency_key": format!("{firm}-{account}-refund-1"),
            "amount_minor": "9900", "currency": "USD",
        })]
    );
    // The same request is the same order.
    let again = office.ask(&request).await.unwrap();
    assert!(again.replayed && again.handed_over && again.refund == asked.refund);
    assert_eq!(office.sent(), sent);

    // Until it came it is owed, and shown as asked back wherever the fee is.
    let fee = office.explained().await;
    assert_eq!((fee.owed, fee.asked_back, fee.kept), (usd(99), usd(99), usd(0)));
    let exposed = office.exposed().await;
    assert_eq!((exposed.owed, exposed.asked_back), (usd(99), usd(99)));
    assert_eq!(office.balance(v1::BookAccount::OwedToClients).await, -99);
    let due = office.due(v1::DueKind::RefundWaiting, (2026, 3, 12)).await;
    assert_eq!(due.len(), 1);
    assert!(due[0].detail.contains("USD 99.00 asked back 10 days ago"), "{}", due[0].detail);
    let get = v1::GetInvoiceRequest {
        name: office.invoice.clone(),
        at_least_position: office.head().await,
    };
    let invoice = office.service.accounts().get_invoice(get).await.unwrap().into_inner();
    let waiting = invoice.invoice.unwrap().refunds_waiting;
    assert_eq!((waiting.len(), &waiting[0].amount), (1, &usd(99)));

    // A second request, or a refund that may be the answer, is not guessed about.
    let second = office.ask(&office.asks()).await.unwrap_err();
    assert_eq!(reason(&second), "STATE_REFUSES");
    let unsaid = office.money(back("ref-1", None)).await.unwrap_err();
    assert_eq!((unsaid.code(), reason(&unsaid).as_str()), (Code::InvalidArgument, "VALUE_REFUSED"));
    office.money(back("ref-1", Some(1))).await.unwrap();
    let exposed = office.exposed().await;
    assert_eq!((exposed.owed, exposed.asked_back), (usd(0), usd(0)));
    assert_eq!(office.balance(v1::BookAccount::OwedToClients).await, 0);
    assert!(office.due(v1::DueKind::RefundWaiting, (2026, 3, 12)).await.is_empty());
}

/// The processor gives back once: what was recorded and not handed over goes out under the key it had, unless money of
/// the payment moved.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refund_that_was_not_handed_over_goes_out_later_under_its_key_or_not_at_all() {
    for by_hand in [false, true] {
        let office = Office::open().await;
        let unearned =
            v1::PaymentSettled { payment: "pay-2".into(), amount: usd(5), invoice: String::new() };
        office.money(Event::Settled(unearned)).await.unwrap();
        let lost = office.asks();
        std::fs::create_dir_all(office.file(&lost)).unwrap();
        private(&office.service.place.outbox());
        let failed = office.ask(&lost).await.unwrap_err();
        let said = (failed.code(), reason(&failed));
        assert_eq!(said, (Code::Unavailable, "REFUND_NOT_HANDED_OVER".into()));
        assert!(office.sent().is_empty());
        if by_hand {
            office.money(back("ref-1", Some(0))).await.unwrap();
        }
        let other = v1::RequestRefundRequest { payment: "pay-2".into(), ..office.asks() };
        let next = office.ask(&other).await.unwrap();
        assert_eq!(next.refund.unwrap().amount, usd(5));
        let keys: Vec<String> =
            office.sent().iter().map(|line| line["idempotency_key"].to_string()).collect();
        if by_hand {
            assert_eq!((keys.len(), next.handed_over_again.len(), next.skipped.len()), (1, 0, 1));
            assert!(next.skipped[0].detail.contains("withdrawn"), "{:?}", next.skipped);
            std::fs::remove_dir(office.file(&lost)).unwrap();
            let again = office.ask(&lost).await.unwrap();
            assert!(again.replayed && !again.handed_over, "nor does the request itself send it");
        } else {
            assert_eq!((keys.len(), next.handed_over_again.len(), next.skipped.len()), (2, 1, 0));
            assert!(keys.iter().any(|key| key.ends_with("-refund-1\"")), "{keys:?}");
        }
    }
}

#[cfg(unix)]
fn private(folder: &std::path::Path) {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o700)).unwrap();
}

#[cfg(not(unix))]
fn private(_: &std::path::Path) {}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refund_that_failed_waits_for_a_person_and_none_goes_out_while_a_review_is_due() {
    let office = Office::paid().await;
    office.prohibit().await;
    assert_eq!(office.due(v1::DueKind::ReviewDue, (2026, 3, 2)).await.len(), 1);
    let early = office.ask(&office.asks()).await.unwrap_err();
    assert_eq!(reason(&early), "REVIEW_DUE");
    let review =
        v1::ReviewFeesRequest { parent: office.firm.clone(), request_id: id(), record: true };
    office.service.billing().review_fees(review).await.unwrap();
    assert!(office.due(v1::DueKind::ReviewDue, (2026, 3, 2)).await.is_empty());

    office.ask(&office.asks()).await.unwrap();
    let failed = v1::RefundFailed {
        payment: "pay-1".into(),
        request: 1,
        reason: v1::RefundFailureReason::PaymentTooOld.into(),
    };
    office.money(Event::RefundFailed(failed)).await.unwrap();
    let due = office.due(v1::DueKind::RefundFailed, (2026, 3, 2)).await;
    assert!(due.len() == 1 && due[0].detail.contains("payment_too_old"), "{due:?}");
    assert_eq!(office.explained().await.asked_back, usd(0));
    let next = office.ask(&office.asks()).await.unwrap();
    assert_eq!(next.refund.unwrap().number, 2);
    assert!(office.due(v1::DueKind::RefundFailed, (2026, 3, 2)).await.is_empty());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counsel_keeps_what_was_collected_and_it_is_shown_for_ever() {
    let office = Office::open().await;
    let token = office.service.token(&office.firm, &[v1::Scope::Accept]).await;
    let mut billing = BillingClient::new(office.service.wire(Some(&token)).await);
    let head = office.head().await;
    let shown = v1::KeepFeeRequest { validate_only: true, ..office.keeps() };
    let shown = billing.keep_fee(shown).await.unwrap().into_inner();
    assert_eq!((office.head().await, shown.receipt), (head, None));
    assert_eq!(shown.explanation.unwrap().kept, usd(99));
    assert_eq!(office.explained().await.kept, usd(0));

    let request = office.keeps();
    let kept = billing.keep_fee(request.clone()).await.unwrap().into_inner();
    assert!(!kept.receipt.unwrap().replayed);
    assert!(billing.keep_fee(request).await.unwrap().into_inner().receipt.unwrap().replayed);
    let fee = office.explained().await;
    assert_eq!(fee.standing(), v1::FeeStanding::Exposed, "it stays what it is");
    assert_eq!((fee.owed, fee.kept, fee.claimable), (usd(0), usd(99), false));
    assert_eq!((fee.keepings.len(), fee.keepings[0].counsel.as_str()), (1, "C. Ounsel"));
    assert_eq!(fee.keepings[0].gates, [i32::from(v1::Gate::State)]);
    let exposed = office.exposed().await;
    assert_eq!((exposed.kept, exposed.kept_on, exposed.owed), (usd(99), date(2026, 3, 2), usd(0)));
    let due = office.due(v1::DueKind::FeeKept, (2026, 3, 2)).await;
    assert!(due.len() == 1 && due[0].detail.contains("reason of 2026-03-02"), "{due:?}");
    assert!(office.due(v1::DueKind::FeeExposed, (2026, 3, 2)).await.is_empty());
    assert_eq!(office.balance(v1::BookAccount::OwedToClients).await, 0);
    assert_eq!(office.balance(v1::BookAccount::FeeRevenue).await, -99);
    assert_eq!(office.balance(v1::BookAccount::RefundsAndCredits).await, 0);

    let back = v1::KeepFeeRequest { amount: usd(0), ..office.keeps() };
    billing.keep_fee(back).await.unwrap();
    let fee = office.explained().await;
    assert_eq!((fee.owed, fee.kept, fee.keepings.len()), (usd(99), usd(0), 2));
    assert_eq!(office.balance(v1::BookAccount::FeeRevenue).await, 0);
}

/// Nothing moves before a review; whoever follows is told which fees the firm's correction makes otherwise.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_correction_of_the_firm_says_in_the_feed_which_fees_it_changes() {
    let office = Office::open().await;
    let read = v1::ReadEventsRequest {
        parent: office.firm.clone(),
        page_size: 500,
        ..v1::ReadEventsRequest::default()
    };
    let events = async || {
        let answer = office.service.cases().read_events(read.clone()).await.unwrap();
        answer.into_inner().events
    };
    let confirmed = events().await.into_iter().rfind(|event| event.r#type == "pack_confirmed");
    let token = office.service.token(&office.firm, &[v1::Scope::Correct]).await;
    let wire = office.service.wire(Some(&token)).await;
    let request = v1::CorrectFirmRequest {
        parent: office.firm.clone(),
        request_id: id(),
        position: confirmed.unwrap().position,
        becomes: Some(v1::correct_firm_request::Becomes::TakenBack(v1::NeverHappened {})),
        reason: "counsel confirmed another pack".into(),
        said_by: "the office".into(),
        validate_only: false,
    };
    AdministrationClient::new(wire).correct_firm(request).await.unwrap();
    let events = events().await;
    let corrected = events.iter().find(|event| event.r#type == "firm_corrected").unwrap();
    let claim = events.iter().find(|event| event.r#type == "fee_earned").unwrap().position;
    let [fee] = corrected.changed.as_slice() else { panic!("{:?}", corrected.changed) };
    assert!(fee.subject.ends_with(&format!("claimed at position {claim}")), "{fee:?}");
    assert!(fee.before.starts_with("USD 99.00 not allowed (G7)"), "{fee:?}");
    assert_ne!(fee.before, fee.after);
    let others = events.iter().filter(|event| event.r#type != "firm_corrected");
    assert!(others.into_iter().all(|event| event.changed.is_empty()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counsel_decides_on_what_was_reviewed_and_names_what_was_uploaded() {
    let office = Office::open().await;
    let token = office.service.token(&office.firm, &[v1::Scope::Accept]).await;
    let mut billing = BillingClient::new(office.service.wire(Some(&token)).await);
    let unknown = v1::KeepFeeRequest { document_sha256: "ab".repeat(32), ..office.keeps() };
    for validate_only in [true, false] {
        let request = v1::KeepFeeRequest { validate_only, ..unknown.clone() };
        let refused = billing.keep_fee(request).await.unwrap_err();
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "document_sha256");
        assert!(violations[0].description.contains("evidence add"), "{violations:?}");
    }
    let folder = office.service.place.folder().join("evidence");
    office.service.ledger.keep_evidence_in(BlobStore::in_folder(&folder));
    let uploaded = upload_to(&office.service, &office.case, b"what counsel wrote").await.unwrap();
    let hash = uploaded.document.unwrap().sha256;
    let named = v1::KeepFeeRequest { document_sha256: hash.clone(), ..office.keeps() };
    billing.keep_fee(named).await.unwrap();
    assert_eq!(office.explained().await.keepings[0].document_sha256, hash);

    // The state's law is read as nobody read it when the fee was reviewed: the decision waits as a request does.
    let office = Office::paid().await;
    office.prohibit().await;
    let token = office.service.token(&office.firm, &[v1::Scope::Accept]).await;
    let mut billing = BillingClient::new(office.service.wire(Some(&token)).await);
    let head = office.head().await;
    let early = billing.keep_fee(office.keeps()).await.unwrap_err();
    assert_eq!(reason(&early), "REVIEW_DUE");
    assert_eq!(office.head().await, head);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_records_or_bills_keeps_nothing() {
    let office = Office::open().await;
    let others = [
        v1::Scope::Record,
        v1::Scope::Bill,
        v1::Scope::Administer,
        v1::Scope::Read,
        v1::Scope::Correct,
    ];
    for scope in others {
        let token = office.service.token(&office.firm, &[scope]).await;
        let wire = office.service.wire(Some(&token)).await;
        let refused = BillingClient::new(wire).keep_fee(office.keeps()).await.unwrap_err();
        assert_eq!(refused.code(), Code::PermissionDenied, "{scope:?}");
    }
    for other in [v1::Scope::Record, v1::Scope::Bill] {
        let scopes = vec![v1::Scope::Accept.into(), other.into()];
        let token = v1::Token { label: "both".into(), scopes, ..v1::Token::default() };
        let request = v1::CreateTokenRequest {
            parent: office.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            token: Some(token),
        };
        let refused = office.service.administration().create_token(request).await.unwrap_err();
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "token.scopes");
    }
    let token = office.service.token(&office.firm, &[v1::Scope::Accept]).await;
    let wire = office.service.wire(Some(&token)).await;
    let refused = AccountsClient::new(wire).request_refund(office.asks()).await.unwrap_err();
    assert_eq!(refused.code(), Code::PermissionDenied);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_gives_back_what_is_owed_is_no_expense_on_any_day() {
    use v1::BookAccount::{Clearing, OwedToClients, RefundsAndCredits};
    let office = Office::open().await;
    office.money(back("ref-1", None)).await.unwrap();
    let entries = office.entries("refund_issued").await;
    let [lines] = entries.as_slice() else { panic!("{entries:?}") };
    let mut lines = lines.clone();
    lines.sort_unstable_by_key(|(_, units)| *units);
    assert_eq!(lines, [(Clearing, -99), (OwedToClients, 99)]);
    for kind in ["refund_issued", "fee_marked"] {
        for lines in office.entries(kind).await {
            assert!(lines.iter().all(|(account, _)| *account != RefundsAndCredits), "{lines:?}");
        }
    }
    assert_eq!(office.balance(OwedToClients).await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_given_back_before_the_fee_was_exposed_turns_out_to_be_no_expense() {
    use v1::BookAccount::{FeeRevenue, OwedToClients, RefundsAndCredits};
    let office = Office::paid().await;
    office.money(back("ref-1", None)).await.unwrap();
    assert_eq!(office.balance(RefundsAndCredits).await, 99);
    office.prohibit().await;
    let request =
        v1::ReviewFeesRequest { parent: office.firm.clone(), request_id: id(), record: true };
    office.service.billing().review_fees(request).await.unwrap();
    let told_otherwise = Office::open().await;
    told_otherwise.money(back("ref-1", None)).await.unwrap();
    for account in [FeeRevenue, RefundsAndCredits, OwedToClients] {
        assert_eq!(office.balance(account).await, 0, "{account:?}");
        assert_eq!(told_otherwise.balance(account).await, 0, "{account:?}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_bank_takes_back_of_what_was_refunded_is_a_loss_to_dispute() {
    use v1::BookAccount::{ChargebackLosses, Clearing};
    let office = Office::paid().await;
    office.money(back("ref-1", None)).await.unwrap();
    let opened = Event::ChargebackOpened(v1::ChargebackOpened {
        chargeback: "cb-1".into(),
        payment: "pay-1".into(),
        amount: usd(99),
        respond_by: date(2026, 3, 20),
    });
    office.money(opened).await.unwrap();
    assert_eq!(office.balance(ChargebackLosses).await, 99);
    assert_eq!(office.balance(Clearing).await, -99);
    let due = office.due(v1::DueKind::ChargebackOpen, (2026, 3, 2)).await;
    assert!(due[0].detail.contains("more went out than came in"), "{due:?}");
    let won = Event::ChargebackWon(v1::ChargebackWon { chargeback: "cb-1".into() });
    office.money(won).await.unwrap();
    assert_eq!(office.balance(ChargebackLosses).await, 0);
}
