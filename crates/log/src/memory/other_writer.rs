//! What another process on the same log would do: decide something valid and append it.

use domain::command::{Command, Dated, FirmAction};
use domain::event::{Author, BureauRegistered, Recorded, StreamId};
use domain::ids::{BureauCode, CaseId, EventId, RequestId};
use domain::sealing::InTheClear;
use domain::value::Text;
use domain::world::{Context, Halt, World};
use uuid::Uuid;

use super::log::FirmLog;
use crate::fold::state_of;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::{AppendRow, Batch};
use crate::settings::NEEDS_MAX;

/// Makes the ids of another writer's requests and events unlike anyone else's.
const REQUESTS: u128 = 0x07e5_0000 << 96;
const EVENTS: u128 = 0x07e6_0000 << 96;

/// An event type of no version of this software.
const UNHEARD_OF: &str = "comet_observed";

/// Registers one more bureau, dated like the firm's last event. Whether something was written: a
/// firm that is not registered yet has no other writer.
pub(super) fn write(log: &mut FirmLog) -> bool {
    let Some(decided) = registration(log) else { return false };
    let rows = decided.events.into_iter().map(|event| (event.to_bytes(), event)).collect();
    append(log, rows, decided.request);
    true
}

/// Writes an event nobody can read, on the stream of a case that nobody works on. Its position;
/// nothing the second time, for one such event is enough.
pub(super) fn write_unreadable(log: &mut FirmLog) -> Option<u64> {
    let mut decided = registration(log)?;
    let mut event = decided.events.pop()?;
    event.stream = StreamId::Case(CaseId(Uuid::max()));
    if log.last_of(event.stream).is_some() {
        return None;
    }
    event.stream_version = 1;
    let known = event.event.type_name();
    let bytes = String::from_utf8(event.to_bytes()).ok()?.replace(known, UNHEARD_OF).into_bytes();
    append(log, vec![(bytes, event)], decided.request);
    Some(log.head().position)
}

/// What another process has decided.
struct Decided {
    events: Vec<Recorded>,
    request: RequestId,
}

fn registration(log: &FirmLog) -> Option<Decided> {
    let last = Recorded::from_bytes(&log.last_of(StreamId::Firm)?.bytes).ok()?;
    let next = log.head().position + 1;
    let command = Command::Firm {
        action: Dated {
            occurred_at: None,
            occurred_on: last.occurred_on,
            action: FirmAction::RegisterBureau(BureauRegistered {
                address: text("1 Elsewhere Street"),
                bureau: BureauCode::parse(&format!("elsewhere-{next}"))
                    .expect("a word and a number are a code"),
                name: text("Elsewhere Bureau"),
            }),
        },
    };
    let request = RequestId(Uuid::from_u128(REQUESTS | u128::from(next)));
    let events = decide(log, &command, request, &last)?;
    Some(Decided { events, request })
}

fn text(words: &str) -> Text {
    Text::parse(words).expect("fixed words are text")
}

fn decide(
    log: &FirmLog,
    command: &Command,
    request_id: RequestId,
    last: &Recorded,
) -> Option<Vec<Recorded>> {
    let head = log.head();
    let mut world = World::new(log.firm, head.position, head.invoices);
    let mut id = EVENTS | u128::from(head.position);
    for _ in 0..NEEDS_MAX {
        let mut next_id = || {
            id += 1;
            EventId(Uuid::from_u128(id))
        };
        let context = Context {
            author: Author::without_token(text("another writer")),
            request_id,
            now: last.recorded_at,
            recorded_at: head.recorded_at,
            next_id: &mut next_id,
            sealer: &mut InTheClear,
            name_found: None,
        };
        match domain::decide(&mut world, context, command) {
            Ok(events) => return Some(events),
            Err(Halt::Refused(_) | Halt::Unnamed) => return None,
            Err(Halt::Need(stream)) => {
                for loaded in log.load(&[stream], head.position) {
                    world.insert(stream, state_of(log.firm, &loaded).ok()?.0);
                }
            }
        }
    }
    None
}

fn append(log: &mut FirmLog, events: Vec<(Vec<u8>, Recorded)>, request: RequestId) {
    let expected = log.head().position;
    let mut head = log.head().clone();
    let mut accepted = Accepted::before(expected + 1);
    let mut rows = Vec::new();
    for (bytes, recorded) in events {
        let leaf = proof::leaf_hash(&bytes);
        head.frontier.push(leaf);
        head.position = recorded.position;
        head.recorded_at = recorded.recorded_at;
        accepted.take(&recorded);
        rows.push(AppendRow { recorded: recorded.into(), bytes, leaf });
    }
    let outcome = Outcome {
        fingerprint: [0xee; 32],
        recorded_at: head.recorded_at,
        result: OutcomeResult::Accepted(accepted),
    };
    let batch =
        Batch { expected, rows, outcomes: vec![(request, outcome)], head, people: Vec::new() };
    log.append(batch).expect("what was decided on the head fits the head");
}
