//! Charges that were recorded and did not reach the processor at once.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use std::collections::BTreeSet;
use std::path::PathBuf;

use api::v1;
use domain::ids::{FirmId, RequestId};
use tonic::Code;

use crate::common::{Service, action, date, first_month, id, new_case, reason, usd};

const DAY_MICROS: i64 = 24 * 3_600 * 1_000_000;

/// A firm whose clients have an invoice each.
async fn billed(service: &Service, clients: usize) -> String {
    let firm = service.firm().await;
    for at in 0..clients {
        let (phone, card) = (format!("+1201555{:04}", 100 + at), format!("tok_{at}"));
        let month = first_month(v1::Seat::Individual, &phone, &card);
        service.record(&new_case(&firm), month).await;
    }
    let request_id = id();
    let run = v1::RunBillingRequest { parent: firm.clone(), request_id, as_of: date(2026, 3, 2) };
    service.billing().run_billing(run).await.unwrap();
    firm
}

fn request(firm: &str) -> v1::RequestChargesRequest {
    v1::RequestChargesRequest {
        parent: firm.into(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        charges_max: 0,
    }
}

async fn ask(
    service: &Service,
    request: &v1::RequestChargesRequest,
) -> Result<v1::RequestChargesResponse, tonic::Status> {
    Ok(service.accounts().request_charges(request.clone()).await?.into_inner())
}

/// Where the file of a request comes.
fn file(service: &Service, request: &v1::RequestChargesRequest) -> PathBuf {
    let firm = FirmId::parse(request.parent.split_once('/').unwrap().1).unwrap();
    service.outbox.path_of(firm, RequestId::parse(&request.request_id).unwrap())
}

/// The processor's keys in every file of the outbox.
fn keys(service: &Service) -> Vec<String> {
    let mut keys = Vec::new();
    for entry in std::fs::read_dir(service.place.outbox()).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            continue;
        }
        for line in std::fs::read_to_string(path).unwrap().lines() {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            keys.push(line["idempotency_key"].as_str().unwrap().to_owned());
        }
    }
    keys.sort();
    keys
}

/// Two charges on record of which no file was written: a folder has the file's name.
async fn stranded(service: &Service) -> (String, v1::RequestChargesRequest) {
    let firm = billed(service, 2).await;
    let lost = request(&firm);
    std::fs::create_dir_all(file(service, &lost)).unwrap();
    private(&service.place.outbox());
    let status = ask(service, &lost).await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status)),
        (Code::Unavailable, "CHARGES_NOT_HANDED_OVER".into())
    );
    assert_eq!(keys(service), Vec::<String>::new());
    (firm, lost)
}

#[cfg(unix)]
fn private(folder: &std::path::Path) {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o700)).unwrap();
}

#[cfg(not(unix))]
fn private(_: &std::path::Path) {}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_recorded_and_not_handed_over_goes_out_with_the_next_request_under_the_same_keys()
{
    let service = Service::start().await;
    let (firm, lost) = stranded(&service).await;
    let next = ask(&service, &request(&firm)).await.unwrap();
    assert!(next.charges.is_empty() && next.skipped.is_empty() && !next.more, "{next:?}");
    assert_eq!(next.handed_over_again.len(), 2);
    let sent = keys(&service);
    assert_eq!(sent.len(), 2);
    let firm_id = firm.split_once('/').unwrap().1;
    for (key, charge) in sent.iter().zip(&next.handed_over_again) {
        let number = charge.invoice.rsplit_once('/').unwrap().1;
        assert_eq!(*key, format!("{firm_id}-{number}-1"));
    }
    // Once is enough, whoever asks and however often.
    let after = ask(&service, &request(&firm)).await.unwrap();
    assert!(after.charges.is_empty() && after.handed_over_again.is_empty(), "{after:?}");
    // The first request is answered at last, and the processor knows each charge by its key.
    std::fs::remove_dir(file(&service, &lost)).unwrap();
    let first = ask(&service, &lost).await.unwrap();
    assert_eq!(first.charges, next.handed_over_again);
    let all: BTreeSet<String> = keys(&service).into_iter().collect();
    assert_eq!(all.into_iter().collect::<Vec<_>>(), sent);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_more_is_handed_over_again_than_was_asked_for_at_once() {
    let service = Service::start().await;
    let (firm, _) = stranded(&service).await;
    let one = v1::RequestChargesRequest { charges_max: 1, ..request(&firm) };
    let first = ask(&service, &one).await.unwrap();
    assert!(first.handed_over_again.len() == 1 && first.more, "{first:?}");
    let second =
        ask(&service, &v1::RequestChargesRequest { request_id: id(), ..one }).await.unwrap();
    assert!(second.handed_over_again.len() == 1 && !second.more, "{second:?}");
    assert_eq!(keys(&service).len(), 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_not_owed_any_more_is_not_handed_over_again() {
    let service = Service::start().await;
    let (firm, _) = stranded(&service).await;
    let list = v1::ListInvoicesRequest { parent: firm.clone(), ..Default::default() };
    let invoices = service.accounts().list_invoices(list).await.unwrap().into_inner().invoices;
    let credit = v1::GrantCreditRequest {
        name: invoices[0].account.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        invoice: invoices[0].name.clone(),
        amount: usd(1),
        reason: "goodwill".into(),
    };
    service.accounts().grant_credit(credit).await.unwrap();
    let next = ask(&service, &request(&firm)).await.unwrap();
    assert_eq!(next.handed_over_again.len(), 1);
    let skipped: Vec<&str> = next.skipped.iter().map(|skipped| skipped.invoice.as_str()).collect();
    assert_eq!(skipped, [&invoices[0].name]);
    assert!(next.skipped[0].detail.contains("less is open"), "{next:?}");
    assert_eq!(keys(&service).len(), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fee_that_nothing_allows_any_more_is_not_handed_over_by_any_request() {
    let service = Service::start().await;
    let (firm, lost) = stranded(&service).await;
    let list = v1::ListInvoicesRequest { parent: firm.clone(), ..Default::default() };
    let invoices = service.accounts().list_invoices(list).await.unwrap().into_inner().invoices;
    let invoice = &invoices[0];
    // Told late: a letter left in the cancellation days (15 USC 1679d(a)(2)).
    let letters = vec![v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::FirstClass.into(),
        ..v1::Letter::default()
    }];
    let early = v1::SendRound { completes_before: false, letters };
    let early = action(date(2026, 1, 6), v1::action::Action::NoteRoundSent(early));
    service.record(&invoice.lines[0].case, vec![early]).await;
    std::fs::remove_dir(file(&service, &lost)).unwrap();
    // The request whose answer was lost, asked again, and one that comes after it.
    let (again, next) =
        (ask(&service, &lost).await.unwrap(), ask(&service, &request(&firm)).await.unwrap());
    for (asked, handed_over) in [(&again, 1), (&next, 0)] {
        assert_eq!(asked.charges.len(), handed_over, "{asked:?}");
        assert!(asked.handed_over_again.is_empty(), "{asked:?}");
        let skipped = asked.skipped.iter().find(|skipped| skipped.invoice == invoice.name);
        let skipped = skipped.unwrap();
        assert_eq!(skipped.reason, "GATES_CLOSED");
        assert!(skipped.detail.contains("may not be asked for now"), "{skipped:?}");
    }
    assert_eq!(keys(&service).len(), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_asked_for_that_has_nowhere_to_go() {
    let service = Service::start().await;
    let firm = billed(&service, 1).await;
    let head = || async {
        let get = v1::GetHeadRequest { parent: firm.clone() };
        service.administration().get_head(get).await.unwrap().into_inner().position
    };
    let before = head().await;
    std::fs::write(service.place.outbox(), "a file").unwrap();
    let request = request(&firm);
    let status = ask(&service, &request).await.unwrap_err();
    assert_eq!((status.code(), reason(&status)), (Code::Unavailable, "OUTBOX_UNUSABLE".into()));
    assert_eq!(head().await, before);
    std::fs::remove_file(service.place.outbox()).unwrap();
    assert_eq!(ask(&service, &request).await.unwrap().charges.len(), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_charge_that_waits_since_a_day_is_due_and_says_since_when() {
    let service = Service::start().await;
    let firm = billed(&service, 1).await;
    ask(&service, &request(&firm)).await.unwrap();
    let due = || async {
        let kind = v1::DueKind::ChargeWaiting.into();
        let head = v1::GetHeadRequest { parent: firm.clone() };
        let head = service.administration().get_head(head).await.unwrap().into_inner();
        let at_least_position = head.position;
        let parent = firm.clone();
        let list = v1::ListDueRequest { parent, kind, at_least_position, ..Default::default() };
        service.administration().list_due(list).await.unwrap().into_inner().due
    };
    assert!(due().await.is_empty(), "it may be answered today");
    service.clock.advance(DAY_MICROS);
    let waiting = due().await;
    assert_eq!(waiting.len(), 1, "{waiting:?}");
    assert_eq!(waiting[0].since, date(2026, 3, 2));
    let get = v1::GetInvoiceRequest { name: waiting[0].invoice.clone(), at_least_position: 0 };
    let invoice = service.accounts().get_invoice(get).await.unwrap().into_inner().invoice.unwrap();
    assert_eq!(invoice.charge_waiting_since, date(2026, 3, 2));
    let failed = v1::RecordPaymentRequest {
        name: invoice.account.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(v1::record_payment_request::Event::Failed(v1::ChargeFailed {
            invoice: invoice.name.clone(),
            reason: v1::FailureReason::InsufficientFunds.into(),
        })),
    };
    let answer = service.accounts().record_payment(failed).await.unwrap().into_inner();
    let position = answer.receipt.unwrap().position;
    let get = v1::GetInvoiceRequest { name: invoice.name, at_least_position: position };
    let invoice = service.accounts().get_invoice(get).await.unwrap().into_inner().invoice.unwrap();
    assert_eq!(invoice.charge_waiting_since, None);
    assert!(due().await.is_empty());
}
