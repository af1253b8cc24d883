//! What needs a person, kind by kind.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::action::Action as A;
use common::{Service, action, date, enrol, first_month, id, new_case, usd};
use v1::DueKind as Kind;

const PHONE: &str = "+12015550123";

async fn due(service: &Service, firm: &str, kind: Kind, position: i64) -> Vec<v1::DueItem> {
    let request = v1::ListDueRequest {
        parent: firm.into(),
        kind: kind.into(),
        at_least_position: position,
        ..v1::ListDueRequest::default()
    };
    service.administration().list_due(request).await.unwrap().into_inner().due
}

fn kinds(due: &[v1::DueItem]) -> Vec<Kind> {
    due.iter().map(v1::DueItem::kind).collect()
}

fn message(direction: v1::Direction, complaint: bool) -> A {
    let text = "words".into();
    A::MessageLogged(v1::MessageLogged { direction: direction.into(), text, complaint })
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_complaint_is_due_until_it_is_answered() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let complaint = action(date(2026, 1, 20), message(v1::Direction::Incoming, true));
    let at = service.record(&case, vec![complaint]).await.position;
    let chat = action(date(2026, 1, 21), message(v1::Direction::Outgoing, false));
    let position = service.record(&case, vec![chat]).await.position;
    let waiting = due(&service, &firm, Kind::Complaint, position).await;
    assert_eq!(waiting.len(), 1);
    assert_eq!((&waiting[0].case, waiting[0].since), (&case, date(2026, 1, 20)));
    assert_eq!(waiting[0].subject, format!("event {at}"));
    assert_eq!(due(&service, &firm, Kind::Exception, position).await, waiting);
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    let shown = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap();
    assert_eq!(shown.exceptions[0].kind(), v1::ExceptionKind::Complaint);
    let answer = action(date(2026, 1, 22), message(v1::Direction::Outgoing, true));
    let position = service.record(&case, vec![answer]).await.position;
    assert_eq!(due(&service, &firm, Kind::Unspecified, position).await, []);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn work_before_the_days_were_over_is_due_with_its_rule() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, PHONE, "tok_1");
    month.truncate(11);
    let letters = vec![v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::FirstClass.into(),
        ..v1::Letter::default()
    }];
    // Signed on Monday, 5 January 2026: service may begin on the 9th (15 USC 1679d(a)(2)).
    for _ in 0..2 {
        let sent =
            A::NoteRoundSent(v1::SendRound { completes_before: false, letters: letters.clone() });
        month.push(action(date(2026, 1, 7), sent));
    }
    let position = service.record(&case, month).await.position;
    let standing = due(&service, &firm, Kind::Exposure, position).await;
    assert_eq!(standing.len(), 1, "twice the same thing is put right once: {standing:?}");
    assert_eq!(
        (standing[0].subject.as_str(), standing[0].citation.as_str(), standing[0].since),
        ("early service", "15 USC 1679d(a)(2)", date(2026, 1, 7))
    );
    let list =
        v1::ListExposuresRequest { parent: firm.clone(), ..v1::ListExposuresRequest::default() };
    let listed = service.accounts().list_exposures(list).await.unwrap().into_inner().exposures;
    assert_eq!(listed.len(), 2, "both are on record");
    let event = listed[0].event.clone().unwrap();
    let read = v1::ReadEventsRequest {
        parent: firm.clone(),
        after_position: event.position - 1,
        page_size: 1,
        ..v1::ReadEventsRequest::default()
    };
    let events = service.cases().read_events(read).await.unwrap().into_inner().events;
    assert_eq!(events[0].event_id, event.event_id);
    // No end of the service makes it not have happened (15 USC 1679d(a)(2)).
    let end = A::EndService(v1::EndService {
        ended_by: v1::EndedBy::Firm.into(),
        ..v1::EndService::default()
    });
    let position = service.record(&case, vec![action(date(2026, 2, 1), end)]).await.position;
    assert_eq!(due(&service, &firm, Kind::Exposure, position).await, standing);
    let list =
        v1::ListExposuresRequest { parent: firm.clone(), ..v1::ListExposuresRequest::default() };
    let listed = service.accounts().list_exposures(list).await.unwrap().into_inner().exposures;
    let stands: Vec<bool> = listed.iter().map(|exposure| !exposure.put_right).collect();
    assert_eq!(stands, [true, true]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_kind_is_listed_under_its_own_name_the_most_pressing_first() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let received = A::IdentityPaperReceived(v1::IdentityPaperReceived {
        paper: "id-1".into(),
        kind: v1::PaperKind::PhotoId.into(),
        document_sha256: String::new(),
    });
    let failed = A::ReportIdentityFailed(v1::ReportIdentityFailed { source: "Portal".into() });
    let mut actions = vec![enrol(v1::Seat::Individual, PHONE, "tok_1")];
    actions.extend([received, failed].map(|a| action(date(2026, 1, 6), a)));
    service.record(&case, actions).await;
    let settled =
        v1::PaymentSettled { payment: "pay-1".into(), amount: usd(20), invoice: String::new() };
    let payment = v1::RecordPaymentRequest {
        name: case.replace("/cases/", "/accounts/"),
        request_id: id(),
        occurred_on: date(2026, 1, 7),
        event: Some(v1::record_payment_request::Event::Settled(settled)),
    };
    let receipt = service.accounts().record_payment(payment).await.unwrap().into_inner().receipt;
    let position = receipt.unwrap().position;
    let all = due(&service, &firm, Kind::Unspecified, position).await;
    let own = [Kind::UnearnedMoney, Kind::IdentityFailed, Kind::PaperWaiting];
    assert_eq!(kinds(&all), own);
    for kind in own {
        assert_eq!(kinds(&due(&service, &firm, kind, position).await), [kind]);
    }
    assert_eq!(due(&service, &firm, Kind::Exception, position).await, all);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_listing_that_came_back_and_one_that_was_refused_show_as_they_are() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (refused, back) = (new_case(&firm), new_case(&firm));
    for case in [&refused, &back] {
        service.record(case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    }
    let answered = |outcome: v1::Outcome| {
        let outcomes = vec![v1::ItemOutcome { item: "item-1".into(), outcome: outcome.into() }];
        let response = v1::ReceiveResponse {
            round: 1,
            bureau: "northern".into(),
            outcomes,
            ..v1::ReceiveResponse::default()
        };
        action(date(2026, 2, 10), A::ReceiveResponse(response))
    };
    service.record(&refused, vec![answered(v1::Outcome::Frivolous)]).await;
    let again = v1::ImportReport {
        bureau: "northern".into(),
        issued_on: date(2026, 2, 20),
        items: vec![v1::ItemSeen {
            item: "item-1".into(),
            kind: v1::ItemKind::Collection.into(),
            furnisher: "Harbour Stores".into(),
            ..v1::ItemSeen::default()
        }],
        ..v1::ImportReport::default()
    };
    let again = action(date(2026, 2, 20), A::ImportReport(again));
    let position =
        service.record(&back, vec![answered(v1::Outcome::Deleted), again]).await.position;
    let shown = async |case: &str| {
        let get = v1::GetCaseRequest { name: case.into(), ..v1::GetCaseRequest::default() };
        service.cases().get_case(get).await.unwrap().into_inner().case.unwrap()
    };
    let case = shown(&refused).await;
    assert_eq!(
        (case.listings[0].state(), case.listings[0].seen_by()),
        (v1::ListingState::Refused, v1::SeenBy::Response)
    );
    // Accepted, and still the day it came in.
    assert!(case.papers.iter().all(|paper| paper.received_on == date(2026, 1, 6)));
    let case = shown(&back).await;
    assert_eq!(
        (case.listings[0].state(), case.listings[0].seen_by()),
        (v1::ListingState::Reinserted, v1::SeenBy::Import)
    );
    let due = due(&service, &firm, Kind::ReinsertionWithoutNotice, position).await;
    assert_eq!((due.len(), &due[0].case), (1, &back));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_letter_nobody_answered_leaves_its_listing_unanswered() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let outcome = v1::Outcome::NoAnswer.into();
    let silence = A::ReceiveResponse(v1::ReceiveResponse {
        round: 1,
        bureau: "northern".into(),
        outcomes: vec![v1::ItemOutcome { item: "item-1".into(), outcome }],
        ..v1::ReceiveResponse::default()
    });
    service.record(&case, vec![action(date(2026, 2, 25), silence)]).await;
    let get = v1::GetCaseRequest { name: case, ..v1::GetCaseRequest::default() };
    let shown = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap();
    assert_eq!(
        (shown.listings[0].state(), shown.listings[0].seen_by()),
        (v1::ListingState::Unanswered, v1::SeenBy::Unspecified)
    );
}

/// 15 USC 1681i(a)(3)(A): said of the listing before the letter goes out, and due once it has.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dispute_repeated_with_nothing_new_is_said_before_and_due_after() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let verified = A::ReceiveResponse(v1::ReceiveResponse {
        round: 1,
        bureau: "northern".into(),
        outcomes: vec![v1::ItemOutcome {
            item: "item-1".into(),
            outcome: v1::Outcome::Verified.into(),
        }],
        ..v1::ReceiveResponse::default()
    });
    let position = service.record(&case, vec![action(date(2026, 2, 25), verified)]).await.position;
    let shown = async || {
        let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
        service.cases().get_case(get).await.unwrap().into_inner().case.unwrap()
    };
    let before = shown().await;
    assert_eq!(before.listings[0].unchanged_since, date(2026, 2, 25));
    // Mailed January 13th, received the 18th, due February 17th.
    let late: Vec<_> = before.clocks.iter().map(|clock| (clock.state(), clock.days_late)).collect();
    assert!(late.contains(&(v1::ClockState::MetLate, 8)), "{late:?}");
    assert_eq!(due(&service, &firm, Kind::RepeatedDispute, position).await, []);
    let letters = vec![v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::Portal.into(),
        ..v1::Letter::default()
    }];
    let again = A::SendRound(v1::SendRound { completes_before: false, letters });
    let position = service.record(&case, vec![action(date(2026, 2, 26), again)]).await.position;
    let repeated = due(&service, &firm, Kind::RepeatedDispute, position).await;
    assert_eq!((repeated.len(), &*repeated[0].subject), (1, "item-1@northern"));
    let exceptions = shown().await.exceptions;
    assert_eq!(exceptions.last().unwrap().kind(), v1::ExceptionKind::RepeatedDispute);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rounds_are_possible_since_the_last_thing_they_needed_the_oldest_first() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (later, sooner, waiting) = (new_case(&firm), new_case(&firm), new_case(&firm));
    let mut position = 0;
    for (case, answered_on) in
        [(&later, Some(date(2026, 2, 10))), (&sooner, Some(date(2026, 2, 3))), (&waiting, None)]
    {
        let mut month = first_month(v1::Seat::Individual, PHONE, "tok_1");
        if let Some(on) = answered_on {
            let verified = v1::Outcome::Verified.into();
            let response = v1::ReceiveResponse {
                round: 1,
                bureau: "northern".into(),
                outcomes: vec![v1::ItemOutcome { item: "item-1".into(), outcome: verified }],
                ..v1::ReceiveResponse::default()
            };
            month.push(action(on, A::ReceiveResponse(response)));
        }
        position = service.record(case, month).await.position;
    }
    let possible = due(&service, &firm, Kind::RoundPossible, position).await;
    let shown: Vec<_> = possible.iter().map(|item| (&item.case, item.since)).collect();
    assert_eq!(shown, [(&sooner, date(2026, 2, 3)), (&later, date(2026, 2, 10))]);
    let mut page = v1::ListDueRequest {
        parent: firm.clone(),
        kind: Kind::RoundPossible.into(),
        page_size: 1,
        ..v1::ListDueRequest::default()
    };
    let mut paged = Vec::new();
    loop {
        let answer = service.administration().list_due(page.clone()).await.unwrap().into_inner();
        paged.extend(answer.due);
        if answer.next_page_token.is_empty() {
            break;
        }
        page.page_token = answer.next_page_token;
    }
    assert_eq!(paged, possible);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_client_took_back_is_due_and_shown_with_what_it_stops() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let change = |kind: v1::Circumstance, ended| {
        let kind = kind.into();
        A::ChangeCircumstance(v1::ChangeCircumstance { kind, ended, ..Default::default() })
    };
    let revoked = action(date(2026, 2, 10), change(v1::Circumstance::AuthorityRevoked, false));
    let position = service.record(&case, vec![revoked]).await.position;
    let waiting = due(&service, &firm, Kind::Circumstance, position).await;
    assert_eq!(kinds(&waiting), [Kind::Circumstance]);
    assert_eq!(waiting[0].subject, "authority revoked");
    assert!(waiting[0].detail.starts_with("no letter may go out"), "{}", waiting[0].detail);
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    let shown = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap();
    let seen = &shown.circumstances[0];
    assert_eq!((seen.kind(), seen.since), (v1::Circumstance::AuthorityRevoked, date(2026, 2, 10)));
    let given = action(date(2026, 2, 12), change(v1::Circumstance::AuthorityRevoked, true));
    let position = service.record(&case, vec![given]).await.position;
    assert_eq!(due(&service, &firm, Kind::Circumstance, position).await, []);
}

/// 16 CFR 314.4(j): from 500 consumers on, within 30 days of the discovery.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_event_of_security_is_due_until_the_commission_was_notified() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let record = async |consumers, notified_on| {
        let event = v1::SecurityEvent {
            display_name: "lost laptop".into(),
            discovered_on: date(2026, 2, 2),
            consumers,
            notified_on,
            ..v1::SecurityEvent::default()
        };
        let request = v1::RecordSecurityEventRequest {
            parent: firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 2, 20),
            security_event: Some(event),
        };
        service.administration().record_security_event(request).await.unwrap();
        due(&service, &firm, Kind::SecurityEvent, 0).await
    };
    assert_eq!(record(499, None).await, []);
    let waiting = record(500, None).await;
    assert_eq!((waiting.len(), waiting[0].due_on), (1, date(2026, 3, 4)));
    assert_eq!(record(500, date(2026, 2, 19)).await, []);
}

/// 12 CFR 1005.10(b), (d): an invoice whose charge is refused is due with the reason until the client's word covers it; and
/// of a client who died what is open, owed and waiting is settled with the estate (common law of agency).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_charge_that_is_refused_and_the_estate_of_a_client_who_died_are_due() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let run =
        v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: date(2026, 3, 2) };
    service.billing().run_billing(run).await.unwrap();
    let change = |on, change: v1::ChangeCircumstance| action(on, A::ChangeCircumstance(change));
    let debit = v1::Circumstance::DebitCard.into();
    let debit = v1::ChangeCircumstance { kind: debit, ..Default::default() };
    assert_eq!(due(&service, &firm, Kind::ChargeRefused, 0).await, []);
    let position = service.record(&case, vec![change(date(2026, 2, 10), debit)]).await.position;
    let refused = due(&service, &firm, Kind::ChargeRefused, position).await;
    assert_eq!(kinds(&refused), [Kind::ChargeRefused]);
    assert_eq!(refused[0].citation, "12 CFR 1005.10(b)");
    assert!(refused[0].detail.contains("is refused: the card draws"), "{}", refused[0].detail);
    assert_eq!((&refused[0].case, refused[0].invoice.is_empty()), (&case, false));
    let mandate = |units| v1::ChangeCircumstance {
        kind: v1::Circumstance::ChargeMandate.into(),
        amount: usd(units),
        ..Default::default()
    };
    let position =
        service.record(&case, vec![change(date(2026, 2, 11), mandate(1))]).await.position;
    let refused = due(&service, &firm, Kind::ChargeRefused, position).await;
    assert_eq!(refused[0].citation, "12 CFR 1005.10(d)");
    let counted = v1::ListDueRequest {
        parent: firm.clone(),
        with_counts: true,
        ..v1::ListDueRequest::default()
    };
    let counted = service.administration().list_due(counted).await.unwrap().into_inner();
    let of_kind =
        |kind: Kind| counted.counts.iter().find(|of| of.kind() == kind).map(|of| of.count);
    assert_eq!(of_kind(Kind::ChargeRefused), Some(1));
    assert_eq!(of_kind(Kind::Estate), None);
    // The estate is asked, and no card is charged.
    let died = A::EndService(v1::EndService {
        ended_by: v1::EndedBy::Death.into(),
        ..v1::EndService::default()
    });
    let position = service.record(&case, vec![action(date(2026, 2, 20), died)]).await.position;
    assert_eq!(due(&service, &firm, Kind::ChargeRefused, position).await, []);
    let estate = due(&service, &firm, Kind::Estate, position).await;
    assert_eq!((kinds(&estate), estate[0].since), (vec![Kind::Estate], date(2026, 2, 20)));
    let detail = &estate[0].detail;
    assert!(
        detail.contains("is open: ask the estate") && detail.contains("1 dispute waits"),
        "{detail}"
    );
}
