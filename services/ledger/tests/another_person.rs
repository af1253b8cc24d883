//! What was told of another person than the client, or makes the client one of two: nobody reads of it where it was
//! told, no note names it, and a couple is found as soon as a mistake is put right.

use crate::common;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::erasing::{LATER, end_service};
use common::{Service, action, date, enrol, id, new_case, reason, record};
use v1::fact_correction::Becomes;

use crate::evidence::{Desk, download, letter, upload};

async fn correct(service: &Service, firm: &str, case: &str, at: i64, becomes: Becomes) -> i64 {
    let token = service.token(firm, &[v1::Scope::Correct]).await;
    let correction = v1::FactCorrection {
        position: at,
        becomes: Some(becomes),
        reason: "it was typed from another file".into(),
        said_by: "the front desk".into(),
    };
    let request = v1::CorrectFactsRequest {
        name: case.into(),
        request_id: id(),
        expected_version: None,
        corrections: vec![correction],
        validate_only: false,
    };
    let mut client = CaseLedgerClient::new(service.wire(Some(&token)).await);
    let shown = v1::CorrectFactsRequest { validate_only: true, ..request.clone() };
    let shown = client.correct_facts(shown).await.unwrap().into_inner();
    let done = client.correct_facts(request.clone()).await.unwrap().into_inner();
    assert_eq!(shown.event_count, done.event_count);
    let again = client.correct_facts(request).await.unwrap().into_inner();
    assert!(again.replayed && again.version == done.version, "{again:?}");
    done.position
}

fn paper(document_sha256: &str) -> v1::Action {
    let received = v1::IdentityPaperReceived {
        paper: "id-1".into(),
        kind: v1::PaperKind::PhotoId.into(),
        document_sha256: document_sha256.into(),
    };
    action(date(2026, 1, 6), v1::action::Action::IdentityPaperReceived(received))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_scan_of_another_person_is_opened_to_nobody() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    let theirs = letter(2_000);
    let document = upload(&desk, &case, &theirs).await.unwrap().document.unwrap();
    let told = desk.service.record(&case, vec![paper(&document.sha256)]).await;
    assert_eq!(download(&desk, &case, &document.sha256).await.unwrap().1, theirs);
    let gone = Becomes::TakenBack(v1::TakenBack { about_another: true });
    correct(&desk.service, &desk.firm, &case, told.first_position, gone).await;
    let refused = download(&desk, &case, &document.sha256).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    // Whoever only records opens nothing again by naming it.
    desk.service.record(&case, vec![paper(&document.sha256)]).await;
    let refused = download(&desk, &case, &document.sha256).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES");
    // What is the client's own is opened still.
    let own = upload(&desk, &case, &letter(3_000)).await.unwrap().document.unwrap();
    download(&desk, &case, &own.sha256).await.unwrap();
}

/// A paper that was scanned into the wrong file is read in the right one, with its scan, and back again; whoever
/// erases the client is told what the other file keeps of it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_paper_of_the_wrong_client_moves_with_its_scan() {
    let desk = Desk::open().await;
    let (wrong, right) = (desk.client("+12015550123").await, desk.client("+12015550124").await);
    let scan = letter(2_000);
    let document = upload(&desk, &wrong, &scan).await.unwrap().document.unwrap();
    let told = desk.service.record(&wrong, vec![paper(&document.sha256)]).await;
    let of = |case: &str| Becomes::OfAnother(v1::FactOfAnother { case: case.to_owned() });
    // Behind the fact stands what says that it was moved.
    let there =
        correct(&desk.service, &desk.firm, &wrong, told.first_position, of(&right)).await - 1;
    assert_eq!(download(&desk, &right, &document.sha256).await.unwrap().1, scan);
    assert_eq!(
        reason(&download(&desk, &wrong, &document.sha256).await.unwrap_err()),
        "STATE_REFUSES"
    );
    let back = correct(&desk.service, &desk.firm, &right, there, of(&wrong)).await - 1;
    assert_eq!(download(&desk, &wrong, &document.sha256).await.unwrap().1, scan);
    correct(&desk.service, &desk.firm, &wrong, back, of(&right)).await;
    assert_eq!(download(&desk, &right, &document.sha256).await.unwrap().1, scan);

    desk.service.record(&right, vec![action(date(2026, 3, 2), end_service())]).await;
    desk.service.clock.set(LATER);
    let erase = v1::ErasePersonRequest {
        name: right,
        request_id: id(),
        occurred_on: date(2032, 2, 2),
        basis: v1::ErasureBasis::Asked.into(),
    };
    let mut privacy = v1::privacy_client::PrivacyClient::new(desk.service.local.clone());
    let erased = privacy.erase_person(erase).await.unwrap().into_inner();
    assert_eq!(erased.elsewhere_positions, [told.first_position, back]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_note_names_no_event_of_another_client() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let cases = [new_case(&firm), new_case(&firm)];
    let mut positions = Vec::new();
    for (case, phone) in cases.iter().zip(["+12015550123", "+12015550124"]) {
        let card = format!("tok_{}", &phone[8..]);
        let told = service.record(case, vec![enrol(v1::Seat::Individual, phone, &card)]).await;
        positions.push(told.first_position);
    }
    let note = |position: i64| {
        let note = v1::NoteCorrection {
            corrects: position,
            note: "the street was spelled otherwise".into(),
        };
        action(date(2026, 1, 6), v1::action::Action::NoteCorrection(note))
    };
    let mut client = service.cases();
    let refused = client.record(record(&cases[0], vec![note(positions[1])])).await.unwrap_err();
    assert_eq!(reason(&refused), "REFERENCE_UNKNOWN");
    service.record(&cases[0], vec![note(positions[0])]).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_couple_is_found_as_soon_as_a_telephone_is_put_right() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let (ada, ben) = (new_case(&firm), new_case(&firm));
    service.record(&ada, vec![enrol(v1::Seat::Couple, "+12015550123", "tok_1")]).await;
    let told = service.record(&ben, vec![enrol(v1::Seat::Couple, "+12015550199", "tok_1")]).await;
    let right = enrol(v1::Seat::Couple, "+12015550123", "tok_1");
    let Some(v1::action::Action::Enrol(mut right)) = right.action else { unreachable!() };
    right.card = None;
    let right = action(date(2026, 1, 5), v1::action::Action::Enrol(right));
    correct(&service, &firm, &ben, told.first_position, Becomes::Action(right)).await;
    let events = v1::ReadEventsRequest {
        parent: firm.clone(),
        page_size: 500,
        ..v1::ReadEventsRequest::default()
    };
    let events = service.cases().read_events(events).await.unwrap().into_inner().events;
    assert!(events.iter().any(|event| event.r#type == "member_linked"), "all three match now");
}
