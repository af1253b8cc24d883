//! Deciding a command to see what would come of it. What is decided is thrown away.

use api::status::Failure;
use domain::command::Command;
use domain::event::{Card, Contact, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, EventId, FirmId, RequestId};
use domain::sealing::{Place, Sealer, Unsealable};
use domain::value::Personal;
use domain::{Context, Halt, World};
use uuid::Uuid;

use crate::access::Authority;
use crate::ledger::Ledger;
use crate::reading::View;

/// Decides in a world of its own.
pub(crate) fn decide(
    ledger: &Ledger,
    authority: &Authority,
    request_id: RequestId,
    (world, command): (&mut World, &Command),
) -> Result<Vec<Recorded>, Halt> {
    let mut last = 0;
    let mut next_id = || {
        last += 1;
        EventId(Uuid::from_u128(last))
    };
    let now = ledger.now();
    let context = Context {
        author: authority.author(),
        request_id,
        now,
        recorded_at: now,
        next_id: &mut next_id,
        sealer: &mut AsTold,
    };
    domain::decide(world, context, command)
}

/// Decides in a world that is made of the streams that the decision asks for, as they stand now: the world, and the events
/// with which it would go on.
pub(crate) async fn decide_now(
    view: &View<'_>,
    authority: &Authority,
    (firm, request_id): (FirmId, RequestId),
    command: &Command,
) -> Result<(World, Vec<Recorded>), Failure> {
    let mut streams = vec![StreamId::Firm];
    loop {
        let (position, states) = view.states(firm, &streams, 0).await?;
        let mut world = World::new(firm, position, 0);
        for (&stream, state) in streams.iter().zip(states) {
            world.insert(stream, state);
        }
        match decide(view.ledger(), authority, request_id, (&mut world, command)) {
            Ok(events) => return Ok((world, events)),
            Err(Halt::Refused(refusal)) => return Err(Failure::Refused(refusal)),
            Err(Halt::Need(stream)) if streams.contains(&stream) => {
                return Err(Failure::internal("a stream that was loaded is asked for again"));
            }
            Err(Halt::Need(stream)) => streams.push(stream),
        }
    }
}

/// Seals nothing and opens nothing.
struct AsTold;

impl Sealer for AsTold {
    fn seal(&mut self, _: &Place, text: &str) -> Result<Personal, Unsealable> {
        Ok(Personal::clear(text))
    }

    fn open(&self, _: FirmId, _: StreamId, sealed: &str) -> Option<Personal> {
        Some(Personal::from_sealed(sealed))
    }

    fn compare_by(&mut self, _: CaseId, _: &Contact) {}

    fn compare_card(&mut self, _: AccountId, _: &Card) {}
}
