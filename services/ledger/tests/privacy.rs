//! A client's personal values: sealed wherever they lie, shown to whoever may see them, and gone for good
//! once the client was erased, while everything else stands.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use aho_corasick::AhoCorasick;
use api::v1::privacy_client::PrivacyClient;
use api::{name, v1};
use common::erasing::{LATER, end_service, erasure, files};
use common::{Service, action, contact, date, first_month, id, new_case, reason, record};
use counterfoil_ledger::Limits;
use domain::event::{AccountEvent, CardOnFileChanged, Recorded};
use domain::ids::{EventId, FirmId, RequestId};
use domain::value::{Personal, Text};
use domain::world::card_of;
use sha2::{Digest as _, Sha256};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;
use uuid::Uuid;

const PHONE: &str = "+12015550177";
/// What the client said: found nowhere else in the world.
const WORDS: &str = "the quince jelly letters are mine";

/// The processor's token of the client's first card.
const TOKEN: &str = "tok_quillon_01";

/// Everything personal that the tests tell of the client, in words that no other test uses: what is
/// searched for may lie where other tests write as well.
const PERSONAL: [&str; 7] = [
    "Quillon Fennimore",
    "quillon.fennimore@example.com",
    PHONE,
    "88 Sorrel Terrace",
    "1961-11-29",
    WORDS,
    TOKEN,
];

fn message() -> v1::action::Action {
    v1::action::Action::MessageLogged(v1::MessageLogged {
        direction: v1::Direction::Incoming.into(),
        text: WORDS.into(),
        complaint: false,
    })
}

fn client() -> v1::Contact {
    let mut client = contact(PHONE);
    client.display_name = PERSONAL[0].into();
    client.email = PERSONAL[1].into();
    client.address.as_mut().unwrap().line1 = PERSONAL[3].into();
    client
}

/// The first month of this client.
fn month() -> Vec<v1::Action> {
    let mut month = first_month(v1::Seat::Individual, PHONE, TOKEN);
    if let Some(v1::action::Action::Enrol(enrol)) = &mut month[0].action {
        enrol.contact = Some(client());
        enrol.birth_date = date(1961, 11, 29);
    }
    month
}

/// A client who was served for a month, wrote, and left.
async fn served(service: &Service, firm: &str) -> String {
    let case = new_case(firm);
    service.record(&case, month()).await;
    service.record(&case, vec![action(date(2026, 2, 20), message())]).await;
    service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;
    case
}

async fn seen(service: &Service, case: &str) -> v1::Case {
    let request = v1::GetCaseRequest { name: case.into(), ..v1::GetCaseRequest::default() };
    service.cases().get_case(request).await.unwrap().into_inner().case.unwrap()
}

async fn events(service: &Service, firm: &str) -> Vec<v1::Event> {
    let request = v1::ReadEventsRequest {
        parent: firm.into(),
        page_size: 1_000,
        ..v1::ReadEventsRequest::default()
    };
    service.cases().read_events(request).await.unwrap().into_inner().events
}

/// The citations of a refusal.
fn cited(status: &Status) -> Vec<String> {
    let details = status.get_error_details();
    let violations = details.precondition_failure().unwrap().violations.clone();
    violations.into_iter().map(|violation| violation.description).collect()
}

fn privacy(service: &Service) -> PrivacyClient<tonic::transport::Channel> {
    PrivacyClient::new(service.local.clone())
}

#[tokio::test(flavor = "multi_thread")]
async fn values_are_sealed_in_the_log_and_opened_for_whoever_may_see_them() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = served(&service, &firm).await;
    assert_eq!(seen(&service, &case).await.client.unwrap(), client());
    let events = events(&service, &firm).await;
    for value in PERSONAL {
        let sealed = |event: &v1::Event| !event.canonical_json.contains(value);
        assert!(events.iter().all(sealed), "{value} is in the log");
        let opened = events.iter().filter(|event| event.opened_payload_json.contains(value));
        assert_eq!(opened.count(), 1, "{value} is opened where it was told");
    }
    // An examiner's token sees what is hashed, and nothing opened.
    let token = service.token(&firm, &[v1::Scope::Examine]).await;
    let wire = service.wire(Some(&token)).await;
    let mut examiner = v1::case_ledger_client::CaseLedgerClient::new(wire);
    let request = v1::ReadEventsRequest {
        parent: firm.clone(),
        page_size: 1_000,
        ..v1::ReadEventsRequest::default()
    };
    let examined = examiner.read_events(request).await.unwrap().into_inner().events;
    assert!(examined.iter().all(|event| event.opened_payload_json.is_empty()));
    let same = |(one, two): (&v1::Event, &v1::Event)| one.canonical_json == two.canonical_json;
    assert!(examined.iter().zip(&events).all(same));
}

#[tokio::test(flavor = "multi_thread")]
async fn erasure_waits_for_the_end_for_retention_and_for_holds() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, month()).await;
    let mut client = privacy(&service);
    let refused = client.erase_person(erasure(&case, date(2026, 3, 2))).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES", "{refused:?}");
    service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;

    // 15 USC 1679i and 15 USC 1679c(c): five years from the end, two from the signed acknowledgment.
    let refused = client.erase_person(erasure(&case, date(2026, 3, 2))).await.unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused).as_str()),
        (Code::FailedPrecondition, "NOT_ALLOWED_YET")
    );
    let said = cited(&refused).join("; ");
    for part in ["15 USC 1679i", "2031-03-02", "15 USC 1679c(c)", "2028-01-05"] {
        assert!(said.contains(part), "{part} is not in {said}");
    }

    let hold = v1::PlaceLegalHoldRequest {
        name: case.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        matter: "Docket 26-114".into(),
    };
    let held = client.place_legal_hold(hold.clone()).await.unwrap().into_inner();
    service.clock.set(LATER);
    let refused = client.erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap_err();
    assert!(cited(&refused).join(";").contains("Docket 26-114"), "{refused:?}");
    let kept = v1::ListRetentionRequest {
        parent: firm,
        at_least_position: held.receipt.unwrap().position,
        ..v1::ListRetentionRequest::default()
    };
    let kept = client.list_retention(kept).await.unwrap().into_inner().cases.remove(0);
    assert_eq!(kept.erasable_from, date(2031, 3, 3));
    assert_eq!((kept.records.len(), kept.holds.len(), kept.erased_on), (2, 1, None));

    let lift = v1::LiftLegalHoldRequest {
        name: case.clone(),
        request_id: id(),
        occurred_on: date(2032, 2, 2),
        matter: hold.matter,
    };
    client.lift_legal_hold(lift).await.unwrap();
    let erased = client.erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap().into_inner();
    assert_eq!(erased.clear_matter_positions.len(), 2, "placed and lifted, in the clear for good");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_erased_client_is_read_by_nobody_and_everything_else_stands() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = served(&service, &firm).await;
    let other = new_case(&firm);
    service.record(&other, first_month(v1::Seat::Individual, "+12015550199", "tok_b")).await;
    let before = events(&service, &firm).await;
    // Another process that has both clients in memory.
    let beside = service.beside(Limits::default()).await;
    let local = beside.connect_in_process().await.unwrap();
    let mut there = v1::case_ledger_client::CaseLedgerClient::new(local);
    there.record(record(&other, vec![action(date(2026, 3, 2), message())])).await.unwrap();

    service.clock.set(LATER);
    let request = erasure(&case, date(2032, 2, 2));
    let erased = privacy(&service).erase_person(request.clone()).await.unwrap().into_inner();
    let again = privacy(&service).erase_person(request).await.unwrap().into_inner();
    assert!(again.receipt.unwrap().replayed, "the same request again has the same answer");

    let shown = seen(&service, &case).await;
    assert_eq!(shown.client, None);
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    let shown = there.get_case(get).await.unwrap().into_inner().case.unwrap();
    assert_eq!(shown.client, None, "the other process shows nothing either");
    assert_eq!(seen(&service, &other).await.client.unwrap().display_name, contact("").display_name);

    let after = events(&service, &firm).await;
    for (old, new) in before.iter().zip(&after) {
        assert_eq!(old.canonical_json, new.canonical_json, "no byte of the log changed");
        let of_erased = case.ends_with(new.stream.rsplit('/').next().unwrap());
        assert!(!of_erased || new.opened_payload_json.is_empty(), "{new:?}");
    }
    let (firm_id, case_id) = name::parse_case(&case).unwrap();
    let people = service.store.people(firm_id, &[case_id.0]).await.unwrap();
    assert!(people.is_empty(), "the key is gone");
    let verified = service.ledger.engine().verify(firm_id, |_, _| {}).await.unwrap();
    let head = service.ledger.engine().head(firm_id).await.unwrap().position;
    assert_eq!(verified.events, head);
    // Behind it stands only whom of the others somebody saw since.
    assert!(i64::try_from(head).unwrap() > erased.receipt.unwrap().position);

    // Nothing personal is taken any more, by whichever process.
    for cases in [&mut service.cases(), &mut there] {
        let refused = cases.record(record(&case, vec![action(date(2032, 2, 2), message())])).await;
        assert_eq!(reason(&refused.unwrap_err()), "STATE_REFUSES");
    }
    nothing_is_found(&service, firm_id).await;
    assert!(erased.clear_card_positions.is_empty(), "every token was sealed: {erased:?}");
    service.ledger.engine().rebuild(firm_id, |_, _| {}).await.unwrap();
    nothing_is_found(&service, firm_id).await;
    beside.shutdown().await;
}

/// Searches every file of the database, and of what lies beside it, for each value in the encodings a
/// program is likely to write it in.
async fn nothing_is_found(service: &Service, firm: FirmId) {
    // Whatever the database still holds back is written.
    service.store.head(firm).await.unwrap();
    let values = PERSONAL.into_iter().flat_map(|value| {
        // Hashes that anybody could make of it as well: of it alone, and after the firm's id.
        let hash =
            |before: &[u8]| Sha256::new().chain_update(before).chain_update(value).finalize();
        let hashes = [hash(&[]), hash(firm.0.as_bytes())].map(|hash| hash.to_vec());
        let hashes = hashes.into_iter().flat_map(|hash| [hex::encode(&hash).into_bytes(), hash]);
        forms(value).into_iter().chain(hashes).map(move |form| (value, form))
    });
    let forms: Vec<(&str, Vec<u8>)> = values.collect();
    let search = AhoCorasick::new(forms.iter().map(|(_, form)| form)).unwrap();
    let mut searched = 0;
    for file in service.place.written().iter().flat_map(|folder| files(folder)) {
        let Ok(bytes) = std::fs::read(&file) else { continue };
        searched += bytes.len();
        let found = search.find(&bytes).map(|found| forms[found.pattern().as_usize()].0);
        assert_eq!(found, None, "found in {}", file.display());
    }
    assert!(searched > 100_000, "{searched} bytes are no database");
}

fn forms(value: &str) -> Vec<Vec<u8>> {
    use base64::Engine as _;
    use base64::engine::general_purpose::STANDARD_NO_PAD;
    let wide = |order: fn(u16) -> [u8; 2]| value.encode_utf16().flat_map(order).collect();
    // The part of base64 that does not depend on what stands before, at each offset. Sealed values are
    // base64 themselves: eight digits of it come about by chance once in a million gigabytes.
    let inside = |shift: usize| {
        let padded = [&vec![0; shift][..], value.as_bytes()].concat();
        let text = STANDARD_NO_PAD.encode(padded).into_bytes();
        text[2 * shift..text.len() - 3].to_vec()
    };
    let base64 = (0..3).map(inside).filter(|form| form.len() >= 8);
    [
        value.as_bytes().to_vec(),
        wide(u16::to_le_bytes),
        wide(u16::to_be_bytes),
        hex::encode(value).into_bytes(),
    ]
    .into_iter()
    .chain(base64)
    .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_card_is_sealed_and_the_same_card_is_known_again() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = served(&service, &firm).await;
    let name = case.replace("/cases/", "/accounts/");
    let change = async |token: &str, expires: &str, day: i32| {
        let card = v1::Card { token: token.into(), last4: "4242".into(), expires: expires.into() };
        let request = v1::ChangeCardRequest {
            name: name.clone(),
            request_id: id(),
            occurred_on: date(2026, 2, day),
            card: Some(card),
        };
        service.accounts().change_card(request).await.unwrap();
        let get = v1::GetAccountRequest { name: name.clone(), ..Default::default() };
        let account = service.accounts().get_account(get).await.unwrap().into_inner().account;
        account.unwrap().card.unwrap().since
    };
    assert_eq!(change(TOKEN, "2031-12", 2).await, date(2026, 1, 5), "the card before, renewed");
    assert_eq!(change("tok_quillon_02", "2031-12", 3).await, date(2026, 2, 3), "another card");
    assert_eq!(change("tok_quillon_02", "2032-12", 4).await, date(2026, 2, 3));
    let events = events(&service, &firm).await;
    let cards = events.iter().filter(|event| event.r#type == "card_on_file_changed");
    let cards: Vec<&v1::Event> = cards.collect();
    assert_eq!(cards.len(), 4);
    for card in cards {
        assert!(!card.canonical_json.contains("tok_"), "{}", card.canonical_json);
        assert!(card.opened_payload_json.contains("tok_quillon"), "{card:?}");
    }
}

/// An event as versions before wrote it: the last one of a card, with its token in the clear.
struct Older(Vec<log::Stored>);

impl log::Plan for Older {
    fn open(&mut self, log::Opening { mut head, .. }: log::Opening) -> log::Step {
        let all = self.0.iter().map(|stored| Recorded::from_bytes(&stored.bytes).unwrap());
        let on_file = all.rev().find(|recorded| card_of(&recorded.event).is_some()).unwrap();
        let mut card = card_of(&on_file.event).unwrap().clone();
        card.token = Personal::clear(TOKEN);
        let expected = head.position;
        let request_id = RequestId(Uuid::now_v7());
        let recorded = Recorded {
            event: AccountEvent::CardOnFileChanged(CardOnFileChanged { card, same: None }).into(),
            event_id: EventId(Uuid::now_v7()),
            position: expected + 1,
            request_id,
            stream_version: on_file.stream_version + 1,
            ..on_file
        };
        let (bytes, recorded_at) = (recorded.to_bytes(), recorded.recorded_at);
        let leaf = proof::leaf_hash(&bytes);
        head.position += 1;
        head.frontier.push(leaf);
        let streams = vec![(recorded.stream, recorded.stream_version)];
        let accepted = log::Accepted { count: 1, first: head.position, streams };
        let result = log::OutcomeResult::Accepted(accepted);
        let outcome = log::Outcome { fingerprint: [0; 32], recorded_at, result };
        log::Step::Write(log::Batch {
            expected,
            rows: vec![log::AppendRow { recorded: recorded.into(), bytes, leaf }],
            outcomes: vec![(request_id, outcome)],
            head,
            people: Vec::new(),
        })
    }

    fn loaded(&mut self, _: Vec<log::LoadedStream>) -> log::Step {
        unreachable!("nothing is asked for")
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_erases_is_told_what_older_events_hold_for_good() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, month()).await;
    let (firm_id, _) = name::parse_case(&case).unwrap();
    let log = service.store.read(firm_id, 0, 1_000).await.unwrap();
    let mut older = Older(log);
    service.store.transact(firm_id, log::NOTHING_KNOWN, &[], &mut older).await.unwrap();
    let position = service.store.head(firm_id).await.unwrap().position;
    service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;
    // The same token, which is in the clear now: the card before, with another month.
    let change = v1::ChangeCardRequest {
        name: case.replace("/cases/", "/accounts/"),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        card: Some(v1::Card {
            token: TOKEN.into(),
            last4: "4242".into(),
            expires: "2031-12".into(),
        }),
    };
    service.accounts().change_card(change).await.unwrap();
    service.ledger.engine().verify(firm_id, |_, _| {}).await.unwrap();
    service.clock.set(LATER);
    let request = erasure(&case, date(2032, 2, 2));
    let erased = privacy(&service).erase_person(request).await.unwrap().into_inner();
    assert_eq!(erased.clear_card_positions, [i64::try_from(position).unwrap()]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_erased_client_is_not_charged() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, month()).await;
    let run =
        v1::RunBillingRequest { parent: firm.clone(), request_id: id(), as_of: date(2026, 3, 2) };
    let ran = service.billing().run_billing(run).await.unwrap().into_inner();
    assert_eq!(ran.invoices_issued, 1);
    service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;
    service.clock.set(LATER);
    privacy(&service).erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap();
    let ask = v1::RequestChargesRequest {
        parent: firm.clone(),
        request_id: id(),
        as_of: date(2032, 2, 2),
        ..Default::default()
    };
    let asked = service.accounts().request_charges(ask).await.unwrap().into_inner();
    assert_eq!(asked.charges, []);
    let action = domain::command::AccountAction::RequestCharge { invoice: 1 };
    let occurred_on = "2032-02-02".parse().unwrap();
    let charge = log::Submission {
        request_id: RequestId(Uuid::now_v7()),
        fingerprint: [7; 32],
        author: domain::event::Author::without_token(Text::parse("test").unwrap()),
        command: domain::command::Command::Account {
            account: domain::ids::AccountId::parse(case.rsplit('/').next().unwrap()).unwrap(),
            action: domain::command::Dated { occurred_at: None, occurred_on, action },
        },
    };
    let firm = FirmId::parse(firm.rsplit('/').next().unwrap()).unwrap();
    let refused = service.ledger.engine().submit(firm, charge).await.unwrap_err();
    let log::SubmitError::Refused(refused) = refused else { panic!("{refused:?}") };
    assert_eq!(refused.reason, domain::refusal::Reason::StateRefuses);
    assert!(refused.to_string().contains("the client was erased"), "{refused}");
}
