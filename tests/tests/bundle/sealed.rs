//! Personal values: sealed, and opened by the keys that go along.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use counterfoil_tests::history::Move;
use domain::command::{Becomes, CaseAction, Command, CorrectedBy, Correction, Dated};
use domain::event::{Address, ContactChanged};
use domain::ids::StateCode;

use super::*;

/// Seals everybody's values under a key made of the person's id.
#[derive(Debug)]
struct Sealed;

fn person_key(person: Uuid) -> PersonKey {
    PersonKey::from_bytes(Sha256::digest(person.as_bytes()).into())
}

impl Sealer for Sealed {
    fn seal(&mut self, place: &Place, text: &str) -> Result<Personal, Unsealable> {
        let person = person_of(place.stream).expect("a firm has no personal values");
        let scope = log::scope(place.firm, place.stream);
        let event = *place.event.0.as_bytes();
        let place = vault::Place { scope: &scope, event, ordinal: place.ordinal };
        Ok(Personal::from_sealed(&person_key(person).seal(&place, text)))
    }

    fn open(&self, firm: FirmId, stream: StreamId, sealed: &str) -> Option<Personal> {
        let scope = log::scope(firm, stream);
        let text = person_key(person_of(stream)?).open(&scope, sealed).ok()?;
        Some(Personal::clear(&text))
    }

    fn compare_by(&mut self, _: CaseId, _: &Contact) {}

    fn compare_card(&mut self, _: AccountId, _: &Card) {}
}

/// A sealed history, the keys of every name of one case, and the name as the history gave it.
fn sealed_history() -> (Vec<Vec<u8>>, CaseId, Openings, String) {
    let player = sealed_player();
    let (openings, name) = openings(&player);
    (bytes(&player.log), case_id(1), openings, name)
}

fn sealed_player() -> Player {
    let shape = Shape { clients: 4, enrol_days: 10, nonsense_percent: 0 };
    let mut crm = Crm::new(3, shape);
    let mut player = Player::default();
    player.sealer = Box::new(Sealed);
    for step in crm.set_up() {
        player.play(&step).unwrap();
    }
    for _ in 0..90 {
        for step in crm.day() {
            player.play_and_tell(&mut crm, &step);
        }
    }
    player
}

fn openings(player: &Player) -> (Openings, String) {
    let case = case_id(1);
    let (mut openings, mut name) = (Openings::default(), None);
    for recorded in player.log.iter().filter(|r| r.stream == StreamId::Case(case)) {
        let contact = match &recorded.event {
            Event::Case(CaseEvent::Enrolled(e)) => &e.contact,
            Event::Case(CaseEvent::ContactChanged(e)) => &e.contact,
            _ => continue,
        };
        let sealed = contact.name.sealed().unwrap();
        let key = person_key(case.0).value_key(sealed).unwrap();
        let (_, ordinal) = vault::place_of(sealed).unwrap();
        openings.insert(recorded.position, ordinal, ValueKey(key.to_bytes())).unwrap();
        let scope = log::scope(recorded.firm, recorded.stream);
        name = Some(key.open(&scope, sealed).unwrap().to_string());
    }
    (openings, name.unwrap())
}

/// What was taken back as another person's is opened to nobody again, whoever signs the bundle.
#[test]
fn a_key_of_what_was_another_persons_is_found() {
    let mut player = sealed_player();
    let case = case_id(1);
    let of_case = |recorded: &&Recorded| recorded.stream == StreamId::Case(case);
    let last = player.log.iter().rfind(of_case).unwrap();
    let now = last.recorded_at;
    let on = last.occurred_on;
    let contact = Contact {
        address: Address {
            city: Personal::clear("Exampleton"),
            line1: Personal::clear("1 Other Street"),
            line2: None,
            state: StateCode::parse("IL").unwrap(),
            zip: Personal::clear("60600"),
        },
        email: Personal::clear("other@example.com"),
        name: Personal::clear("Somebody Else"),
        phone: Personal::phone("+12025550199").unwrap(),
    };
    let changed = CaseAction::ContactChanged(Box::new(ContactChanged { contact }));
    let actions = vec![Dated { occurred_at: None, occurred_on: on, action: changed }];
    let told = Command::Case { case, expected_version: None, actions };
    let told = player.play(&Move { now, command: told }).unwrap();
    let (opened, _) = openings(&player);
    let told = Box::new(told[0].clone());
    let correction = Correction {
        about_another: true,
        becomes: Becomes::Nothing,
        reason: Personal::clear("it was typed into the wrong file"),
        replaces: told.clone(),
        said_by: Personal::clear("the clerk"),
        told,
    };
    let (by, corrections) = (CorrectedBy::Anyone, vec![correction]);
    let command = Command::Correct { by, case, expected_version: None, corrections };
    player.play(&Move { now, command }).unwrap();
    let request = || Request::Cases([case].into());
    let log = bytes(&player.log);
    let shut = Unpacked::of(&try_export(&log, request(), Openings::default()).unwrap());
    assert_eq!(findings(&shut), (vec![], vec![]));
    let open = Unpacked::of(&try_export(&log, request(), opened).unwrap());
    both_find(&open, &["another person's, and a value of it is opened"]);
}

#[test]
fn a_name_is_told_only_with_its_key() {
    let (log, case, openings, name) = sealed_history();
    let request = || Request::Cases([case].into());
    let sealed = Unpacked::of(&try_export(&log, request(), Openings::default()).unwrap());
    let opened = Unpacked::of(&try_export(&log, request(), openings).unwrap());
    assert_eq!(findings(&sealed), (vec![], vec![]));
    assert_eq!(findings(&opened), (vec![], vec![]));
    let report = format!("report/{case}.html");
    assert!(opened.text(&report).contains(&name));
    for (file, text) in &sealed.0 {
        assert!(!String::from_utf8_lossy(text).contains(&name), "{file} tells a name");
    }
    let others = opened.0.keys().filter(|file| **file != report);
    for file in others {
        assert!(!opened.text(file).contains(&name), "{file} tells a name");
    }
}

#[test]
fn a_key_that_opens_nothing_is_found() {
    let (log, case, openings, _) = sealed_history();
    let sound = Unpacked::of(&try_export(&log, Request::Cases([case].into()), openings).unwrap());
    let lines = sound.text("openings.jsonl");
    let key = lines.split("\"value_key\":\"").nth(1).unwrap();
    let other = if key.starts_with('0') { "1" } else { "0" };
    let forge = |lines: String| sound.forged("openings.jsonl", lines);
    let wrong = lines.replacen(&key[..64], &format!("{other}{}", &key[1..64]), 1);
    both_find(&forge(wrong), &["committed"]);
    let elsewhere = lines.replacen("\"ordinal\":", "\"ordinal\":9", 1);
    both_find(&forge(elsewhere), &["value"]);
    let unknown = lines.replacen("\"position\":", "\"position\":9999", 1);
    both_find(&forge(unknown), &["openings.jsonl"]);
}
