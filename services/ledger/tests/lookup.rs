//! Accounts found by what a request names.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::record_payment_request::Event;
use common::{Service, date, first_month, id, new_case, reason, usd};
use tonic::{Code, Status};
use tonic_types::StatusExt;

/// A firm with two paying clients and an invoice for each.
async fn billed(service: &Service) -> (String, Vec<String>) {
    let firm = service.firm().await;
    for (phone, card) in [("+12015550101", "tok_1"), ("+12015550102", "tok_2")] {
        let month = first_month(v1::Seat::Individual, phone, card);
        service.record(&new_case(&firm), month).await;
    }
    let run =
        v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: date(2026, 3, 2) };
    let ran = service.billing().run_billing(run).await.unwrap().into_inner();
    let accounts = ran.invoices.into_iter().map(|invoice| invoice.account).collect();
    (firm, accounts)
}

fn payment(firm: &str, event: Event) -> v1::RecordPaymentRequest {
    v1::RecordPaymentRequest {
        name: format!("{firm}/accounts/-"),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(event),
    }
}

fn settled(firm: &str, payment: &str, invoice: &str) -> Event {
    let invoice =
        if invoice.is_empty() { String::new() } else { format!("{firm}/invoices/{invoice}") };
    Event::Settled(v1::PaymentSettled { payment: payment.into(), amount: usd(99), invoice })
}

fn refunded(payment: &str) -> Event {
    Event::Refunded(v1::PaymentRefunded {
        refund: "ref-1".into(),
        payment: payment.into(),
        amount: usd(9),
        reason: String::new(),
        request: None,
    })
}

async fn pay(service: &Service, request: v1::RecordPaymentRequest) -> Result<v1::Receipt, Status> {
    let answer = service.accounts().record_payment(request).await?;
    Ok(answer.into_inner().receipt.unwrap())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn invoices_payments_and_chargebacks_lead_to_their_account() {
    let service = Service::start().await;
    let (firm, accounts) = billed(&service).await;
    let first = payment(&firm, settled(&firm, "pay-1", "1"));
    let receipt = pay(&service, first.clone()).await.unwrap();
    let again = pay(&service, first).await.unwrap();
    assert_eq!(again, v1::Receipt { replayed: true, ..receipt });
    pay(&service, payment(&firm, refunded("pay-1"))).await.unwrap();
    let opened = Event::ChargebackOpened(v1::ChargebackOpened {
        chargeback: "cb-1".into(),
        payment: "pay-1".into(),
        amount: usd(50),
        respond_by: date(2026, 3, 20),
    });
    let position = pay(&service, payment(&firm, opened)).await.unwrap().position;
    let due = v1::ListDueRequest {
        parent: firm.clone(),
        at_least_position: position,
        kind: v1::DueKind::ChargebackOpen.into(),
        ..v1::ListDueRequest::default()
    };
    let due = service.administration().list_due(due).await.unwrap().into_inner().due;
    assert_eq!((due.len(), due[0].due_on), (1, date(2026, 3, 20)));
    let won = Event::ChargebackWon(v1::ChargebackWon { chargeback: "cb-1".into() });
    pay(&service, payment(&firm, won)).await.unwrap();
    let failed = Event::Failed(v1::ChargeFailed {
        invoice: format!("{firm}/invoices/2"),
        reason: v1::FailureReason::CardExpired.into(),
    });
    // Nothing was asked to be charged: refused, by the account that was found.
    let refused = pay(&service, payment(&firm, failed)).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    let credit = v1::GrantCreditRequest {
        name: format!("{firm}/accounts/-"),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        invoice: format!("{firm}/invoices/2"),
        amount: usd(40),
        reason: "promised".into(),
    };
    service.accounts().grant_credit(credit).await.unwrap();
    let off = v1::WriteOffRequest {
        name: format!("{firm}/accounts/-"),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        invoice: format!("{firm}/invoices/2"),
        amount: usd(59),
        reason: "given up".into(),
    };
    let receipt = service.accounts().write_off(off).await.unwrap().into_inner().receipt;
    let position = receipt.unwrap().position;

    let payments = v1::ListPaymentsRequest {
        parent: firm.clone(),
        at_least_position: position,
        ..v1::ListPaymentsRequest::default()
    };
    let payments = service.accounts().list_payments(payments).await.unwrap().into_inner().payments;
    assert_eq!((payments.len(), &payments[0].account), (1, &accounts[0]));
    let chargeback = &payments[0].chargebacks[0];
    assert_eq!(
        (chargeback.state(), chargeback.respond_by),
        (v1::ChargebackState::Won, date(2026, 3, 20))
    );
    let get = v1::GetInvoiceRequest {
        name: format!("{firm}/invoices/2"),
        ..v1::GetInvoiceRequest::default()
    };
    let invoice = service.accounts().get_invoice(get).await.unwrap().into_inner().invoice.unwrap();
    assert_eq!(invoice.state(), v1::InvoiceState::Closed);
    let get =
        v1::GetAccountRequest { name: accounts[0].clone(), ..v1::GetAccountRequest::default() };
    let account = service.accounts().get_account(get).await.unwrap().into_inner().account.unwrap();
    assert_eq!(account.card.unwrap().since, date(2026, 1, 5));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_leads_to_no_account_is_named_by_its_field() {
    let service = Service::start().await;
    let (firm, _) = billed(&service).await;
    let lost = Event::ChargebackLost(v1::ChargebackLost { chargeback: "cb-9".into() });
    for (event, field) in [
        (settled(&firm, "pay-1", "9"), "settled.invoice"),
        (refunded("pay-9"), "refunded.payment"),
        (lost, "chargeback_lost.chargeback"),
    ] {
        let status = pay(&service, payment(&firm, event)).await.unwrap_err();
        assert_eq!(
            (status.code(), reason(&status).as_str()),
            (Code::NotFound, "REFERENCE_UNKNOWN")
        );
        let info = status.get_details_error_info().unwrap();
        assert_eq!(info.metadata["field"], field);
    }
    // Money for nothing that is named leads nowhere.
    let status = pay(&service, payment(&firm, settled(&firm, "pay-1", ""))).await.unwrap_err();
    let bad = status.get_details_bad_request().unwrap();
    assert_eq!(bad.field_violations[0].field, "name");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_name_of_another_clients_movement_is_refused_with_the_account_that_has_it() {
    let service = Service::start().await;
    let (firm, accounts) = billed(&service).await;
    let known = |status: &Status| {
        assert_eq!(
            (status.code(), reason(status).as_str()),
            (Code::AlreadyExists, "ALREADY_RECORDED")
        );
        let account = accounts[0].rsplit('/').next().unwrap();
        let known = status.get_details_resource_info().unwrap().description;
        assert!(known.contains(account), "{known}");
    };
    let first = payment(&firm, settled(&firm, "pay-1", "1"));
    pay(&service, first.clone()).await.unwrap();
    known(&pay(&service, payment(&firm, settled(&firm, "pay-1", "2"))).await.unwrap_err());
    assert!(pay(&service, first).await.unwrap().replayed);
    pay(&service, payment(&firm, settled(&firm, "pay-2", "2"))).await.unwrap();
    pay(&service, payment(&firm, refunded("pay-1"))).await.unwrap();
    known(&pay(&service, payment(&firm, refunded("pay-2"))).await.unwrap_err());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_firms_invoice_leads_nowhere() {
    let service = Service::start().await;
    let (firm, _) = billed(&service).await;
    let other = service.firm().await;
    let status = pay(&service, payment(&other, settled(&firm, "pay-1", "1"))).await.unwrap_err();
    assert_eq!(status.code(), Code::InvalidArgument);
    let token = service.token(&other, &[v1::Scope::Bill]).await;
    let mut wire = v1::accounts_client::AccountsClient::new(service.wire(Some(&token)).await);
    let status =
        wire.record_payment(payment(&firm, settled(&firm, "pay-1", "1"))).await.unwrap_err();
    assert_eq!(status.code(), Code::PermissionDenied);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_couple_shows_who_linked_it_and_a_token_when_it_was_given_out() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (one, two) = (new_case(&firm), new_case(&firm));
    for case in [&one, &two] {
        service.record(case, first_month(v1::Seat::Couple, "+12015550103", "tok_pair")).await;
    }
    let get = v1::GetCaseRequest { name: one, ..v1::GetCaseRequest::default() };
    let case = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap();
    let get = v1::GetAccountRequest { name: case.account, ..v1::GetAccountRequest::default() };
    let account = service.accounts().get_account(get).await.unwrap().into_inner().account.unwrap();
    assert_eq!(account.linked_by(), v1::LinkedBy::Rule);
    service.token(&firm, &[v1::Scope::Read]).await;
    let list = v1::ListTokensRequest { parent: firm, ..v1::ListTokensRequest::default() };
    let tokens = service.administration().list_tokens(list).await.unwrap().into_inner().tokens;
    assert_eq!(tokens[0].granted_on, date(2026, 3, 2));
}
