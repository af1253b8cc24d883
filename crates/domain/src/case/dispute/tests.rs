//! What is taken back was never told.

use calendar::CivilDate;
use proptest::prelude::*;
use uuid::Uuid;

use super::super::Case;
use crate::codec;
use crate::event::{
    Ask, Basis, BasisAttested, BlockRefusal, BlockRefused, BureauAnswered, BureauAsked, CaseEvent,
    ClientInformationSent, EventRef, ItemKind, ItemOutcome, ItemReinserted, ItemSeen, Letter,
    LetterDelivered, MailClass, Outcome, Recorded, ReportImported, ResponseReceived, RoundSent,
    SeenBy, StreamId, UtcMicros,
};
use crate::ids::{BureauCode, CaseId, EventId, FirmId, ItemCode, RequestId};
use crate::value::Text;

fn bureau() -> BureauCode {
    BureauCode::parse("north").expect("a code")
}

fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code")
}

fn on(day: u16) -> CivilDate {
    CivilDate::from_ymd_opt(2026, 1, 1).expect("a day") + chrono::Days::new(day.into())
}

fn recorded(position: u64, day: u16, event: CaseEvent) -> Recorded {
    Recorded {
        access: None,
        actor: Text::parse("test").expect("text"),
        causation: None,
        event: event.into(),
        event_id: EventId(Uuid::from_u128(position.into())),
        firm: FirmId(Uuid::from_u128(1)),
        late_days: None,
        occurred_at: None,
        occurred_on: on(day),
        position,
        recorded_at: UtcMicros(0),
        // Some facts of a day are of one request.
        request_id: RequestId(Uuid::from_u128((position / 3).into())),
        stream: StreamId::Case(CaseId(Uuid::from_u128(2))),
        stream_version: position,
    }
}

fn report(day: u16, items: u8) -> CaseEvent {
    let seen = |number: u8| ItemSeen {
        balance: None,
        delinquent_since: Some(on(u16::from(number) * (day % 2))),
        furnisher: Text::parse("Example Collections").expect("text"),
        item: item(number),
        kind: ItemKind::Collection,
    };
    let items: Vec<ItemSeen> = (0..3).filter(|bit| items & (1 << bit) != 0).map(seen).collect();
    ReportImported {
        bureau: bureau(),
        card_balance: None,
        card_limit: None,
        completes_before: None,
        document: None,
        free_annual: day.is_multiple_of(5),
        inquiries: 0,
        issued_on: on(day),
        listings: u32::try_from(items.len()).expect("three"),
        items: Some(items),
        score: None,
    }
    .into()
}

fn round(number: u32, items: u8) -> CaseEvent {
    let letter = Letter {
        bureau: bureau(),
        document: None,
        items: (0..3).filter(|bit| items & (1 << bit) != 0).map(item).collect(),
        mail_class: MailClass::Certified,
        tracking: None,
    };
    let contact = EventRef { id: EventId(Uuid::from_u128(1)), position: 1 };
    RoundSent { completes_before: None, contact, letters: vec![letter], round: number }.into()
}

fn fact() -> impl Strategy<Value = (u16, CaseEvent)> {
    let event = |day: u16, kind: u8, items: u8, round_number: u32, outcome: Outcome| -> CaseEvent {
        let number = items % 3;
        match kind {
            0 | 1 => report(day, items),
            2 => round(round_number, items),
            3 => LetterDelivered { bureau: bureau(), round: round_number }.into(),
            4 => ClientInformationSent { bureau: bureau(), document: None, round: round_number }
                .into(),
            5 => ItemReinserted { bureau: bureau(), item: item(number), seen_by: SeenBy::Notice }
                .into(),
            6 => BasisAttested {
                basis: Basis::ALL[usize::from(items) % Basis::ALL.len()],
                bureau: bureau(),
                item: item(number),
                statement: None,
            }
            .into(),
            7 => BureauAsked { ask: Ask::TheftBlock, bureau: bureau() }.into(),
            8 => BureauAnswered { ask: Ask::TheftBlock, bureau: bureau(), refused: None }.into(),
            9 => {
                let determined_on = on(day.saturating_sub(u16::from(items)));
                let how = BlockRefusal::ALL[usize::from(items) % BlockRefusal::ALL.len()];
                let is_notice = items > 3;
                let refused = BlockRefused { determined_on, how, is_notice, reason: None };
                let (ask, refused) = (Ask::TheftBlock, Some(refused));
                BureauAnswered { ask, bureau: bureau(), refused }.into()
            }
            _ => ResponseReceived {
                bureau: bureau(),
                determined_on: None,
                document: None,
                outcomes: vec![ItemOutcome { item: item(number), outcome }],
                round: round_number,
            }
            .into(),
        }
    };
    let outcome = prop::sample::select(Outcome::ALL);
    (0_u16..60, 0_u8..12, 0_u8..8, 1_u32..4, outcome).prop_map(
        move |(day, kind, items, number, outcome)| (day, event(day, kind, items, number, outcome)),
    )
}

/// Whether every listing is what its whole story makes of it.
fn is_concluded(case: &Case) -> bool {
    let listings = case.listings.iter();
    listings.into_iter().all(|((item, bureau), listing)| {
        case.concluded(item, bureau, listing.told.clone()).as_ref() == Ok(listing.as_ref())
    })
}

fn folded(facts: &[(u16, CaseEvent)], without: Option<usize>) -> Case {
    let mut case = Case::default();
    for (at, (day, event)) in facts.iter().enumerate() {
        if without != Some(at) {
            let position = u64::try_from(at + 1).expect("few");
            case.evolve(&recorded(position, *day, event.clone()), event);
            assert!(is_concluded(&case), "after {event:?} of day {day}");
        }
    }
    case
}

/// Without what only the telling makes.
fn plain(mut case: Case) -> Case {
    case.version = 0;
    case.rounds_told = 0;
    case.told_last = None;
    let listings = std::sync::Arc::make_mut(&mut case.listings);
    for listing in listings.values_mut() {
        std::sync::Arc::make_mut(listing).told.is_gone_in_log = false;
    }
    case
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// Facts mostly come by their days, and then nothing is gone through twice.
    #[test]
    fn what_goes_on_from_the_fact_before_is_what_the_whole_story_says(
        facts in prop::collection::vec(fact(), 1..40),
        late in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>()), 0..4),
    ) {
        let mut numbers = std::collections::BTreeSet::new();
        let mut facts: Vec<(u16, CaseEvent)> = facts
            .into_iter()
            .filter(|(_, event)| {
                let CaseEvent::RoundSent(e) = event else { return true };
                numbers.insert(e.round)
            })
            .collect();
        facts.sort_by_key(|(day, _)| *day);
        for (from, to) in late {
            let fact = facts.remove(from.index(facts.len()));
            facts.insert(to.index(facts.len() + 1), fact);
        }
        folded(&facts, None);
    }

    #[test]
    fn what_is_taken_back_was_never_told(
        facts in prop::collection::vec(fact(), 1..16),
        which in any::<prop::sample::Index>(),
    ) {
        let at = which.index(facts.len());
        // Rounds have numbers of their own, and what came of a letter comes behind it.
        let mut numbers = std::collections::BTreeSet::new();
        let mut facts = facts;
        for (day, event) in &mut facts {
            if let CaseEvent::RoundSent(e) = event && !numbers.insert(e.round) {
                *event = report(*day, 7);
            }
        }
        let mut case = folded(&facts, None);
        let was_there = case.take_back_dispute(u64::try_from(at + 1).unwrap());
        let never = folded(&facts, Some(at));
        prop_assert_eq!(plain(case.clone()), plain(never));
        prop_assert!(!case.take_back_dispute(u64::try_from(at + 1).unwrap()));
        prop_assert!(was_there || matches!(
            facts[at].1,
            CaseEvent::LetterDelivered(_)
                | CaseEvent::ClientInformationSent(_)
                | CaseEvent::ResponseReceived(_)
        ), "only what came of a letter that nobody told of is nowhere");
    }
}

#[test]
fn the_number_of_a_round_that_was_taken_back_is_not_given_again() {
    let facts = [(0, report(0, 7)), (9, round(1, 1)), (20, round(2, 2))];
    let mut case = folded(&facts, None);
    assert!(case.take_back_dispute(3));
    assert_eq!((case.rounds.len(), case.work.len(), case.rounds_told), (1, 2, 2));
}

#[test]
fn reports_that_list_the_same_share_the_list() {
    let facts = [(0, report(0, 7)), (2, report(2, 7)), (4, report(4, 3)), (6, report(6, 7))];
    let case = folded(&facts, None);
    lists_are_shared(&case);
    let bytes = codec::to_bytes(&case);
    let read: Case = codec::from_bytes(&bytes).expect("what was written");
    assert_eq!(read, case);
    lists_are_shared(&read);
    let text = String::from_utf8(bytes).expect("JSON");
    let no_list = text.replace("\"list\":1", "\"list\":9");
    assert!(codec::from_bytes::<Case>(no_list.as_bytes()).is_err(), "no such list");
    let no_entry = text.replace("\"lists\":[[0,1,2]", "\"lists\":[[0,1,7]");
    assert!(codec::from_bytes::<Case>(no_entry.as_bytes()).is_err(), "no such entry");
}

fn lists_are_shared(case: &Case) {
    let items: Vec<_> = case.reports[&bureau()].all().map(|seen| seen.items.clone()).collect();
    let [Some(first), Some(second), Some(third), Some(_)] = &items[..] else {
        panic!("four lists")
    };
    assert!(std::sync::Arc::ptr_eq(first, second));
    assert!(std::sync::Arc::ptr_eq(&first[0], &third[0]), "an entry is kept once");
}
