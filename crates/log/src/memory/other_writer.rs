//! What another process on the same log would do: decide something valid and append it.

use domain::command::{Command, Dated, FirmAction};
use domain::event::{BureauRegistered, Recorded, StreamId};
use domain::ids::{BureauCode, EventId, RequestId};
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

/// Registers one more bureau, dated like the firm's last event. Whether something was written: a
/// firm that is not registered yet has no other writer.
pub(super) fn write(log: &mut FirmLog) -> bool {
    let last = log.last_of(StreamId::Firm).and_then(|last| Recorded::from_bytes(&last.bytes).ok());
    let Some(last) = last else { return false };
    let next = log.head().position + 1;
    let command = Command::Firm {
        action: Dated {
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
    let Some(events) = decide(log, &command, request, &last) else { return false };
    append(log, events, request, &last);
    true
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
            actor: text("another writer"),
            request_id,
            now: last.recorded_at,
            next_id: &mut next_id,
        };
        match domain::decide(&mut world, context, command) {
            Ok(events) => return Some(events),
            Err(Halt::Refused(_)) => return None,
            Err(Halt::Need(stream)) => {
                for loaded in log.load(&[stream], head.position) {
                    world.insert(stream, state_of(log.firm, &loaded).ok()?.0);
                }
            }
        }
    }
    None
}

fn append(log: &mut FirmLog, events: Vec<Recorded>, request: RequestId, last: &Recorded) {
    let expected = log.head().position;
    let mut head = log.head().clone();
    let count = u64::try_from(events.len()).expect("a few events fit 64 bits");
    let streams = events.iter().map(|event| (event.stream, event.stream_version)).collect();
    let mut rows = Vec::new();
    for recorded in events {
        let bytes = recorded.to_bytes();
        let leaf = proof::leaf_hash(&bytes);
        head.frontier.push(leaf);
        head.position = recorded.position;
        rows.push(AppendRow { recorded, bytes, leaf });
    }
    let accepted = Accepted { count, first: expected + 1, streams };
    let outcome = Outcome {
        fingerprint: [0xee; 32],
        recorded_at: last.recorded_at,
        result: OutcomeResult::Accepted(accepted),
    };
    let batch = Batch { expected, rows, outcomes: vec![(request, outcome)], head };
    log.append(batch).expect("what was decided on the head fits the head");
}
