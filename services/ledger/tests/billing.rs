//! From work done to a paid invoice.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::time::Duration;

use api::v1;
use common::{Service, date, first_month, id, new_case, reason, usd};
use counterfoil_ledger::Limits;
use tonic::Code;

const CLIENTS: usize = 40;

fn phone(at: usize) -> String {
    // Numbers that are given out to nobody: 555-0100 to 555-0199.
    format!("+1201555{:04}", 100 + at % 100)
}

async fn clients(service: &Service, firm: &str, count: usize) -> Vec<String> {
    let mut cases = Vec::new();
    for at in 0..count {
        let case = new_case(firm);
        service
            .record(&case, first_month(v1::Seat::Individual, &phone(at), &format!("tok_{at}")))
            .await;
        cases.push(case);
    }
    cases
}

fn run(firm: &str) -> v1::RunBillingRequest {
    v1::RunBillingRequest { parent: firm.into(), request_id: id(), as_of: date(2026, 3, 2) }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_bills_what_is_earned_holds_the_rest_and_repeats_its_answer() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let cases = clients(&service, &firm, CLIENTS).await;
    // One more, whose month has no round.
    let idle = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, &phone(99), "tok_idle");
    month.pop();
    let position = service.record(&idle, month).await.position;
    let list = v1::ListClaimableRequest {
        parent: firm.clone(),
        as_of: date(2026, 3, 2),
        at_least_position: position,
        page_size: 7,
        with_sums: true,
        ..v1::ListClaimableRequest::default()
    };
    let mut claimable = Vec::new();
    let mut page = list.clone();
    loop {
        let answer = service.billing().list_claimable(page.clone()).await.unwrap().into_inner();
        // All of them, whatever the page shows.
        let sum = |opening: v1::GateOpening, fees: i64| v1::FeeSum {
            opening: opening.into(),
            fees: i32::try_from(fees).unwrap(),
            amount: usd(99 * fees),
        };
        let earned = i64::try_from(CLIENTS).unwrap();
        let open = sum(v1::GateOpening::Unspecified, earned);
        assert_eq!(answer.sums, [open, sum(v1::GateOpening::Never, 1)]);
        claimable.extend(answer.fees);
        if answer.next_page_token.is_empty() {
            break;
        }
        page.page_token = answer.next_page_token;
    }
    assert_eq!(claimable.len(), CLIENTS + 1);
    assert_eq!(claimable.iter().filter(|fee| fee.claimable).count(), CLIENTS);
    let held = claimable.iter().find(|fee| !fee.claimable).unwrap();
    assert_eq!(held.case, idle);
    assert_eq!(
        held.findings.iter().map(v1::GateFinding::gate).collect::<Vec<_>>(),
        [v1::Gate::FullyPerformed]
    );

    let request = run(&firm);
    let first = service.billing().run_billing(request.clone()).await.unwrap().into_inner();
    let wanted = i32::try_from(CLIENTS).unwrap();
    assert_eq!((first.invoices_issued, first.fees_earned, first.fees_held), (wanted, wanted, 1));
    assert_eq!(first.accounts_considered, wanted + 1);
    assert_eq!(first.totals, [usd(99 * i64::from(wanted)).unwrap()]);
    assert!(!first.replayed);
    assert_eq!((first.accounts_refused, first.refusals.len()), (0, 0));
    let numbers: Vec<String> = first.invoices.iter().map(|invoice| invoice.name.clone()).collect();
    let gapless: Vec<String> =
        (1..=CLIENTS).map(|number| format!("{firm}/invoices/{number}")).collect();
    assert_eq!(numbers, gapless);

    let again = service.billing().run_billing(request.clone()).await.unwrap().into_inner();
    assert_eq!(again, v1::RunBillingResponse { replayed: true, ..first });
    let other = v1::RunBillingRequest { as_of: date(2026, 3, 1), ..request };
    let reused = service.billing().run_billing(other).await.unwrap_err();
    assert_eq!(reason(&reused), "REQUEST_ID_REUSED");
    // A second run finds nothing to bill twice.
    let second = service.billing().run_billing(run(&firm)).await.unwrap().into_inner();
    assert_eq!((second.invoices_issued, second.fees_held), (0, 1));

    let explain = v1::ExplainFeeRequest {
        name: cases[0].clone(),
        period: 1,
        ..v1::ExplainFeeRequest::default()
    };
    let explained =
        service.billing().explain_fee(explain).await.unwrap().into_inner().explanation.unwrap();
    assert!(explained.invoice.starts_with(&firm) && !explained.claimable);
    assert_eq!(explained.claimed_on, date(2026, 3, 2));
    assert_eq!(explained.findings.len(), 8);
    assert!(explained.findings.iter().all(|finding| finding.holds), "{:?}", explained.findings);
    assert!(explained.late_evidence, "January's work was told in March");
    let claim =
        v1::ClaimFeeRequest { name: idle, request_id: id(), period: 1, as_of: date(2026, 3, 2) };
    let refused = service.billing().claim_fee(claim).await.unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused).as_str()),
        (Code::FailedPrecondition, "GATES_CLOSED")
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_billed_up_to_a_day_to_come() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let request = v1::RunBillingRequest { as_of: date(2026, 3, 3), ..run(&firm) };
    let status = service.billing().run_billing(request).await.unwrap_err();
    assert_eq!(reason(&status), "DATE_IMPOSSIBLE");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_is_given_a_cards_token_is_on_record_with_it() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let cases = clients(&service, &firm, 1).await;
    service.billing().run_billing(run(&firm)).await.unwrap();
    let request = v1::RequestChargesRequest {
        parent: firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        charges_max: 0,
    };
    let looks = async || {
        let stream = format!("looks/{}", cases[0].rsplit('/').next().unwrap());
        let read = v1::ReadEventsRequest {
            parent: firm.clone(),
            stream: Some(stream),
            page_size: 100,
            ..v1::ReadEventsRequest::default()
        };
        let events = service.cases().read_events(read).await.unwrap().into_inner().events;
        let of_charges = events.into_iter().filter(|e| e.canonical_json.contains("RequestCharges"));
        of_charges.map(|event| event.access).collect::<Vec<_>>()
    };
    let mut asked_by = Vec::new();
    // The second asks again what the first has asked, and is given the same.
    for _ in 0..2 {
        let made = service.create_token(&firm, &[v1::Scope::Bill], None).await;
        let wire = service.wire(Some(&made.secret)).await;
        let mut accounts = v1::accounts_client::AccountsClient::new(wire);
        let given = accounts.request_charges(request.clone()).await.unwrap().into_inner();
        assert_eq!(given.charges.len(), 1);
        asked_by.push(made.token.unwrap().token_id);
        assert_eq!(looks().await, asked_by);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_id_is_one_run_however_it_is_written() {
    let service = Service::start().await;
    let firm = service.firm().await;
    clients(&service, &firm, 1).await;
    let first = run(&firm);
    service.billing().run_billing(first.clone()).await.unwrap();
    let upper =
        v1::RunBillingRequest { request_id: first.request_id.to_uppercase(), ..first.clone() };
    assert!(service.billing().run_billing(upper).await.unwrap().into_inner().replayed);
    let charges = v1::RequestChargesRequest {
        parent: firm.clone(),
        request_id: first.request_id,
        as_of: first.as_of,
        charges_max: 0,
    };
    let refused = service.accounts().request_charges(charges.clone()).await.unwrap_err();
    assert_eq!(reason(&refused), "REQUEST_ID_REUSED");
    let to_come =
        v1::RequestChargesRequest { request_id: id(), as_of: date(9999, 12, 31), ..charges };
    let refused = service.accounts().request_charges(to_come).await.unwrap_err();
    assert_eq!(reason(&refused), "DATE_IMPOSSIBLE");
    let detail = format!("{:?}", tonic_types::StatusExt::get_details_bad_request(&refused));
    assert!(
        detail.contains("9999-12-31 is in the future") && !detail.contains("as_of: "),
        "{detail}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_charge_goes_out_comes_back_and_is_seen_everywhere() {
    let service = Service::start().await;
    let firm = service.firm().await;
    clients(&service, &firm, 2).await;
    service.billing().run_billing(run(&firm)).await.unwrap();
    let request = v1::RequestChargesRequest {
        parent: firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        charges_max: 0,
    };
    let asked = service.accounts().request_charges(request.clone()).await.unwrap().into_inner();
    assert_eq!(asked.charges.len(), 2);
    assert!(!asked.more && asked.skipped.is_empty());
    let again = service.accounts().request_charges(request.clone()).await.unwrap().into_inner();
    assert_eq!(again.charges, asked.charges);
    let (_, firm_id) = firm.split_once('/').unwrap();
    let file = service.outbox.path_of(
        domain::ids::FirmId::parse(firm_id).unwrap(),
        domain::ids::RequestId::parse(&request.request_id).unwrap(),
    );
    let text = std::fs::read_to_string(file).unwrap();
    assert_eq!(text.lines().count(), 2);
    assert!(text.contains("\"amount_minor\":\"9900\""));

    let record = |charge: &v1::Charge, event| v1::RecordPaymentRequest {
        name: charge.account.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        event: Some(event),
    };
    let settled = v1::PaymentSettled {
        payment: "pay-1".into(),
        amount: usd(99),
        invoice: asked.charges[0].invoice.clone(),
    };
    let settled = v1::record_payment_request::Event::Settled(settled);
    service.accounts().record_payment(record(&asked.charges[0], settled)).await.unwrap();
    let failed = v1::ChargeFailed {
        invoice: asked.charges[1].invoice.clone(),
        reason: v1::FailureReason::CardExpired.into(),
    };
    let failed = v1::record_payment_request::Event::Failed(failed);
    let last = service.accounts().record_payment(record(&asked.charges[1], failed)).await.unwrap();
    let position = last.into_inner().receipt.unwrap().position;

    let list = v1::ListInvoicesRequest {
        parent: firm.clone(),
        at_least_position: position,
        state: v1::InvoiceState::Paid.into(),
        ..v1::ListInvoicesRequest::default()
    };
    let paid = service.accounts().list_invoices(list).await.unwrap().into_inner().invoices;
    assert_eq!(
        paid.iter().map(|invoice| &invoice.name).collect::<Vec<_>>(),
        [&asked.charges[0].invoice]
    );
    let payments =
        v1::ListPaymentsRequest { parent: firm.clone(), ..v1::ListPaymentsRequest::default() };
    let payments = service.accounts().list_payments(payments).await.unwrap().into_inner().payments;
    assert_eq!(payments.len(), 1);
    assert_eq!(payments[0].state(), v1::PaymentState::Settled);
    let due = v1::ListDueRequest { parent: firm.clone(), ..v1::ListDueRequest::default() };
    let due = service.administration().list_due(due).await.unwrap().into_inner().due;
    let failed: Vec<_> =
        due.iter().filter(|item| item.kind() == v1::DueKind::ChargeFailed).collect();
    assert_eq!(failed.len(), 1);
    assert_eq!(failed[0].invoice, asked.charges[1].invoice);
    assert_eq!(failed[0].subject, "", "the invoice is named once");
    // The letter of January is still unanswered in March.
    assert!(due.iter().any(|item| item.kind() == v1::DueKind::ClockOverdue));
    // A page at a time, the list is the same.
    let mut paged = Vec::new();
    let mut page =
        v1::ListDueRequest { parent: firm.clone(), page_size: 1, ..v1::ListDueRequest::default() };
    loop {
        let answer = service.administration().list_due(page.clone()).await.unwrap().into_inner();
        paged.extend(answer.due);
        if answer.next_page_token.is_empty() {
            break;
        }
        page.page_token = answer.next_page_token;
    }
    assert_eq!(paged, due);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_log_verifies_and_the_read_models_rebuild() {
    let service = Service::start().await;
    let firm = service.firm().await;
    clients(&service, &firm, 3).await;
    service.billing().run_billing(run(&firm)).await.unwrap();
    let verify = v1::VerifyLogRequest { parent: firm.clone(), checkpoint: None };
    let mut stream = service.administration().verify_log(verify).await.unwrap().into_inner();
    let mut report = None;
    while let Some(message) = stream.message().await.unwrap() {
        if let Some(v1::verify_log_response::Message::Report(found)) = message.message {
            report = Some(found);
        }
    }
    let report = report.unwrap();
    let head = v1::GetHeadRequest { parent: firm.clone() };
    let head = service.administration().get_head(head).await.unwrap().into_inner();
    assert!(report.sound);
    assert_eq!((report.root, report.position, report.invoice_count), (head.root, head.position, 3));
    let list = || v1::ListCasesRequest {
        parent: firm.clone(),
        at_least_position: report.position,
        ..v1::ListCasesRequest::default()
    };
    let before = service.cases().list_cases(list()).await.unwrap().into_inner().cases;
    let check = v1::CheckDerivedRequest { parent: firm.clone() };
    let mut stream = service.administration().check_derived(check).await.unwrap().into_inner();
    let mut derived = None;
    while let Some(message) = stream.message().await.unwrap() {
        if let Some(v1::check_derived_response::Message::Report(found)) = message.message {
            derived = Some(found);
        }
    }
    let derived = derived.unwrap();
    assert!(derived.sound && derived.faults.is_empty() && derived.fault_count == 0, "{derived:?}");
    // Behind it stand the looks of the list at most.
    assert!(derived.position >= report.position, "{derived:?}");
    let rebuild = v1::RebuildReadModelsRequest { parent: firm.clone() };
    let mut stream =
        service.administration().rebuild_read_models(rebuild).await.unwrap().into_inner();
    while stream.message().await.unwrap().is_some() {}
    let after = service.cases().list_cases(list()).await.unwrap().into_inner().cases;
    assert_eq!(before.len(), 3);
    assert_eq!(before, after);
}

/// How many invoices there are, once the read models have seen the head.
async fn invoices(service: &Service, firm: &str) -> usize {
    let head = v1::GetHeadRequest { parent: firm.to_owned() };
    let at_least_position =
        service.administration().get_head(head).await.unwrap().into_inner().position;
    let list = v1::ListInvoicesRequest {
        parent: firm.to_owned(),
        at_least_position,
        ..Default::default()
    };
    service.accounts().list_invoices(list).await.unwrap().into_inner().invoices.len()
}

async fn until_there_are(service: &Service, firm: &str, wanted: usize) {
    let billed = async {
        while invoices(service, firm).await < wanted {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(30), billed).await.expect("the day's run bills them");
    assert_eq!(invoices(service, firm).await, wanted);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_day_is_billed_once_at_its_time_wherever_the_firm_is() {
    let look = Duration::from_millis(20);
    let limits = Limits { daily_billing_look: look, ..Limits::default() };
    let service = Service::with(limits.clone()).await;
    let firm = service.firm().await;
    clients(&service, &firm, 2).await;
    // It is noon where the firm is.
    let (half_past_one, hour) = (Duration::from_mins(13 * 60 + 30), 3_600_000_000);
    service.ledger.bill_daily(half_past_one);
    tokio::time::sleep(10 * look).await;
    service.clock.advance(hour);
    tokio::time::sleep(10 * look).await;
    assert_eq!(invoices(&service, &firm).await, 0, "it is one o'clock");
    service.clock.advance(hour);
    until_there_are(&service, &firm, 2).await;

    let next = service.beside(limits).await;
    next.bill_daily(half_past_one);
    tokio::time::sleep(10 * look).await;
    assert_eq!(invoices(&service, &firm).await, 2, "nothing is billed twice");
    service.record(&new_case(&firm), first_month(v1::Seat::Individual, &phone(7), "tok_7")).await;
    service.clock.advance(24 * hour);
    until_there_are(&service, &firm, 3).await;

    let events =
        v1::ReadEventsRequest { parent: firm.clone(), page_size: 500, ..Default::default() };
    let events = service.cases().read_events(events).await.unwrap().into_inner().events;
    let by_schedule = |event: &&v1::Event| event.r#type == "invoice_issued";
    let actors: Vec<&str> =
        events.iter().filter(by_schedule).map(|event| event.actor.as_str()).collect();
    assert_eq!(actors, ["daily schedule"; 3]);
    assert!(next.shutdown().await);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_run_counts_as_held_what_is_listed_and_no_period_that_the_service_cut_short() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, &phone(1), "tok_cut");
    month.pop();
    service.record(&case, month).await;
    let ran = service.billing().run_billing(run(&firm)).await.unwrap().into_inner();
    assert_eq!(ran.fees_held, 1);
    // Told late: the service ended before the period did.
    let end = v1::EndService { ended_by: v1::EndedBy::Client.into(), reason: String::new() };
    let end = common::action(date(2026, 1, 20), v1::action::Action::EndService(end));
    let position = service.record(&case, vec![end]).await.position;
    let list = v1::ListClaimableRequest {
        parent: firm.clone(),
        as_of: date(2026, 3, 2),
        at_least_position: position,
        ..v1::ListClaimableRequest::default()
    };
    let listed = service.billing().list_claimable(list).await.unwrap().into_inner().fees;
    let ran = service.billing().run_billing(run(&firm)).await.unwrap().into_inner();
    assert_eq!((ran.fees_held, listed.len()), (0, 0), "{listed:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_period_noted_as_held_is_not_counted_once_the_service_is_known_to_have_cut_it_short() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, &phone(1), "tok_cut");
    month.pop();
    service.record(&case, month).await;
    // Both periods are over, 5 January to 3 February and 4 February to 5 March, and neither has a round.
    service.clock.advance(10 * 24 * 3_600 * 1_000_000);
    let as_of = date(2026, 3, 12);
    let ran = async || {
        let run = v1::RunBillingRequest { as_of, ..run(&firm) };
        service.billing().run_billing(run).await.unwrap().into_inner().fees_held
    };
    assert_eq!(ran().await, 2);
    let end = v1::EndService { ended_by: v1::EndedBy::Client.into(), reason: String::new() };
    let end = common::action(date(2026, 2, 20), v1::action::Action::EndService(end));
    let position = service.record(&case, vec![end]).await.position;
    let list = v1::ListClaimableRequest {
        parent: firm.clone(),
        as_of,
        at_least_position: position,
        ..v1::ListClaimableRequest::default()
    };
    let listed = service.billing().list_claimable(list).await.unwrap().into_inner().fees;
    assert_eq!(listed.iter().map(|fee| fee.period).collect::<Vec<_>>(), [1]);
    assert_eq!(ran().await, 1);
}
