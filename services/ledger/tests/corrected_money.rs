//! What was told wrongly of money, over the wire: shown first, then recorded, by somebody who neither records nor
//! bills.

use crate::common;

use api::v1;
use api::v1::accounts_client::AccountsClient;
use common::{Service, date, first_month, id, new_case, reason, usd};
use tonic::Code;
use tonic_types::StatusExt as _;
use v1::correct_money_request::Becomes;

/// Two clients with an invoice each, of whom the first was told to have paid.
struct Office {
    service: Service,
    firm: String,
    accounts: Vec<String>,
    token: String,
}

impl Office {
    async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let mut accounts = Vec::new();
        for (phone, card) in [("+12015550123", "tok_1"), ("+12015550124", "tok_2")] {
            let case = new_case(&firm);
            service.record(&case, first_month(v1::Seat::Individual, phone, card)).await;
            accounts.push(case.replace("/cases/", "/accounts/"));
        }
        let run = v1::RunBillingRequest {
            parent: firm.clone(),
            request_id: id(),
            as_of: date(2026, 3, 2),
        };
        service.billing().run_billing(run).await.unwrap();
        let token = service.token(&firm, &[v1::Scope::Correct, v1::Scope::Read]).await;
        let office = Self { service, firm, accounts, token };
        office.pay(0, "pay-1", 99, &office.invoice(0).await).await;
        office
    }

    async fn account(&self, at: usize) -> v1::Account {
        let position = self.events().await.last().unwrap().position;
        let request =
            v1::GetAccountRequest { name: self.accounts[at].clone(), at_least_position: position };
        self.service.accounts().get_account(request).await.unwrap().into_inner().account.unwrap()
    }

    async fn invoice(&self, at: usize) -> String {
        let request = v1::ListInvoicesRequest {
            parent: self.firm.clone(),
            at_least_position: self.events().await.last().unwrap().position,
            ..v1::ListInvoicesRequest::default()
        };
        let invoices = self.service.accounts().list_invoices(request).await.unwrap().into_inner();
        let own = |invoice: &&v1::Invoice| invoice.account == self.accounts[at];
        invoices.invoices.iter().find(own).unwrap().name.clone()
    }

    async fn pay(&self, at: usize, payment: &str, units: i64, invoice: &str) {
        let (amount, invoice) = (usd(units), invoice.to_owned());
        let settled = v1::PaymentSettled { payment: payment.into(), amount, invoice };
        let request = v1::RecordPaymentRequest {
            name: self.accounts[at].clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            event: Some(v1::record_payment_request::Event::Settled(settled)),
        };
        self.service.accounts().record_payment(request).await.unwrap();
    }

    async fn events(&self) -> Vec<v1::Event> {
        let request = v1::ReadEventsRequest {
            parent: self.firm.clone(),
            page_size: 500,
            ..v1::ReadEventsRequest::default()
        };
        self.service.cases().read_events(request).await.unwrap().into_inner().events
    }

    async fn last(&self, kind: &str) -> i64 {
        let events = self.events().await;
        events.iter().rev().find(|event| event.r#type == kind).unwrap().position
    }

    fn asked(
        &self,
        position: i64,
        becomes: Becomes,
        validate_only: bool,
    ) -> v1::CorrectMoneyRequest {
        v1::CorrectMoneyRequest {
            name: self.accounts[0].clone(),
            request_id: id(),
            expected_version: None,
            position,
            becomes: Some(becomes),
            reason: "it was typed from another slip".into(),
            said_by: "the bookkeeper".into(),
            validate_only,
        }
    }

    async fn correct(
        &self,
        request: v1::CorrectMoneyRequest,
    ) -> Result<v1::CorrectMoneyResponse, tonic::Status> {
        let wire = self.service.wire(Some(&self.token)).await;
        Ok(AccountsClient::new(wire).correct_money(request).await?.into_inner())
    }
}

fn said(shown: &v1::CorrectMoneyResponse) -> Vec<String> {
    let effects = shown.effects.iter();
    effects.map(|e| format!("{}: {} -> {}", e.subject, e.before, e.after)).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_payment_moves_to_the_client_whose_it_is_as_it_was_shown_to() {
    let office = Office::open().await;
    let at = office.last("payment_settled").await;
    let becomes = Becomes::OfAnother(v1::PaymentOfAnother {
        account: office.accounts[1].clone(),
        invoice: office.invoice(1).await,
    });
    let before = office.events().await.len();
    let shown = office.correct(office.asked(at, becomes.clone(), true)).await.unwrap();
    let changes = said(&shown);
    for (at, change) in [(0, "USD 0.00 -> USD 99.00"), (1, "USD 99.00 -> USD 0.00")] {
        let id = office.accounts[at].rsplit('/').next().unwrap();
        for what in ["open on invoices", "receivable"] {
            let expected = format!("{what}, account {id}: {change}");
            assert!(changes.contains(&expected), "{expected}: {changes:#?}");
        }
    }
    let fact = shown.fact.as_ref().unwrap();
    assert_eq!((fact.fact_position, fact.r#type.as_str()), (at, "payment_settled"));
    assert!(fact.before_json.contains("pay-1") && fact.after_json.contains("pay-1"));
    // Nothing of it was recorded but that somebody looked.
    assert_eq!(office.events().await.len(), before + 1);

    let mut request = office.asked(at, becomes, false);
    request.expected_version = Some(shown.version);
    let done = office.correct(request.clone()).await.unwrap();
    assert_eq!(done.event_count, shown.event_count);
    assert_eq!(office.account(0).await.open_amount, usd(99));
    assert_eq!(office.account(1).await.open_amount, usd(0));
    let told = office.correct(request).await.unwrap();
    assert!(told.replayed && told.position == done.position);
    // Why is sealed in what is kept; what is no journal line any more is reversed by one.
    let events = office.events().await;
    let corrected = events.iter().find(|event| event.r#type == "money_corrected").unwrap();
    assert!(!corrected.canonical_json.contains("another slip"));
    // Whoever follows the log is told what it changed, as it was shown.
    assert_eq!(corrected.changed, shown.effects);
    let journal = v1::ListJournalRequest {
        parent: office.firm.clone(),
        from: date(2026, 1, 1),
        through: date(2026, 12, 31),
        at_least_position: done.position,
        ..v1::ListJournalRequest::default()
    };
    let journal = office.service.books().list_journal(journal).await.unwrap().into_inner().entries;
    let entry = journal.iter().find(|entry| entry.kind == "money_corrected").unwrap();
    let paid = events.iter().find(|event| event.position == at).unwrap();
    assert_eq!(entry.reverses, paid.event_id);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_rests_on_a_payment_is_named_and_corrected_first() {
    let office = Office::open().await;
    let at = office.last("payment_settled").await;
    let refunded = v1::PaymentRefunded {
        refund: "back-1".into(),
        payment: "pay-1".into(),
        amount: usd(10),
        reason: "a kindness".into(),
        request: None,
    };
    let request = v1::RecordPaymentRequest {
        name: office.accounts[0].clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(v1::record_payment_request::Event::Refunded(refunded)),
    };
    office.service.accounts().record_payment(request).await.unwrap();
    let back = office.last("refund_issued").await;
    let gone = || Becomes::TakenBack(v1::NeverHappened {});
    let refused = office.correct(office.asked(at, gone(), false)).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    let violations = refused.get_details_precondition_failure().unwrap().violations;
    let detail = &violations[0].description;
    assert!(detail.contains(&format!("refund issued at position {back}")), "{detail}");
    assert!(detail.contains(" first"), "{detail}");
    office.correct(office.asked(back, gone(), false)).await.unwrap();
    let fact = v1::MoneyFact {
        occurred_on: date(2026, 3, 2),
        event: Some(v1::money_fact::Event::Settled(v1::PaymentSettled {
            payment: "pay-1".into(),
            amount: usd(90),
            invoice: office.invoice(0).await,
        })),
    };
    office.correct(office.asked(at, Becomes::Fact(fact), false)).await.unwrap();
    assert_eq!(office.account(0).await.open_amount, usd(9));
    // The other account has no such fact, and a decision is none.
    let mut other = office.asked(office.last("payment_settled").await, gone(), false);
    other.name = office.accounts[1].clone();
    assert_eq!(reason(&office.correct(other).await.unwrap_err()), "REFERENCE_UNKNOWN");
    let mut issued = office.asked(office.last("invoice_issued").await, gone(), false);
    issued.name = office.accounts[1].clone();
    let refused = office.correct(issued).await.unwrap_err();
    assert!(["STATE_REFUSES", "REFERENCE_UNKNOWN"].contains(&reason(&refused).as_str()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_records_or_bills_corrects_no_money_of_others() {
    let office = Office::open().await;
    let at = office.last("payment_settled").await;
    for (scope, code) in [
        (v1::Scope::Record, Code::PermissionDenied),
        (v1::Scope::Administer, Code::PermissionDenied),
        (v1::Scope::Read, Code::PermissionDenied),
        // Its own slip of the day it may take back; this is another's.
        (v1::Scope::Bill, Code::FailedPrecondition),
    ] {
        let token = office.service.token(&office.firm, &[scope]).await;
        let wire = office.service.wire(Some(&token)).await;
        let asked = office.asked(at, Becomes::TakenBack(v1::NeverHappened {}), true);
        let refused = AccountsClient::new(wire).correct_money(asked).await.unwrap_err();
        assert_eq!(refused.code(), code, "{scope:?}");
    }
}
