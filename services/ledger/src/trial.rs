//! What a command would make, decided in a world of its own and thrown away.

use std::collections::BTreeMap;

use api::status::Failure;
use calendar::CivilDate;
use domain::command::Command;
use domain::event::{Card, Contact, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, EventId, FirmId, RequestId};
use domain::judge::{Judge, Matter};
use domain::named::NameFound;
use domain::sealing::{Place, Sealer, Unsealable};
use domain::value::Personal;
use domain::world::State;
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
    world: &mut World,
    command: &Command,
) -> Result<Vec<Recorded>, Halt> {
    decide_named(ledger, authority, (request_id, None), world, command)
}

/// The same of a command that records a movement under a name, which was looked up.
fn decide_named(
    ledger: &Ledger,
    authority: &Authority,
    (request_id, name_found): (RequestId, Option<&NameFound>),
    world: &mut World,
    command: &Command,
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
        name_found,
    };
    domain::decide(world, context, command)
}

/// A command that was decided, with the world before it and after it.
pub(crate) struct Trial {
    pub(crate) before: World,
    pub(crate) after: World,
    pub(crate) events: Vec<Recorded>,
    /// The position that it was decided at.
    pub(crate) position: u64,
}

/// Decides a command on whatever it needs, and on what the fees of some cases are `judged` by, all read at one
/// position.
pub(crate) async fn run(
    view: &View<'_>,
    authority: &Authority,
    (firm, request_id): (FirmId, RequestId),
    command: &Command,
    judged: &[CaseId],
) -> Result<Trial, Failure> {
    let mut streams = vec![StreamId::Firm];
    loop {
        let (position, states) = view.states(firm, &streams, 0).await?;
        let known: BTreeMap<StreamId, State> = streams.iter().copied().zip(states).collect();
        let world = || {
            let mut world = World::new(firm, position, 0);
            for (stream, state) in &known {
                world.insert(*stream, state.clone());
            }
            world
        };
        let (before, mut after) = (world(), world());
        // What is looked up after the position is at most too new.
        let found = match command.movement_name() {
            Some(name) => {
                view.read_at(firm, position).await?;
                Some(view.store().named(firm, &name).await?)
            }
            None => None,
        };
        let loaded = judged.iter().try_for_each(|case| before.payers(*case).map(|_| ()));
        let asked = (request_id, found.as_ref());
        let decided = loaded
            .and_then(|()| decide_named(view.ledger(), authority, asked, &mut after, command));
        match decided {
            Ok(events) => return Ok(Trial { before, after, events, position }),
            Err(Halt::Refused(refusal)) => return Err(Failure::Refused(refusal)),
            // A command needs what it is about and who shares an account: few streams, each asked for once.
            Err(Halt::Need(stream)) if !known.contains_key(&stream) => streams.push(stream),
            Err(Halt::Unnamed) => {
                return Err(Failure::internal("a name was looked up behind what was read"));
            }
            Err(Halt::Need(_)) => return Err(Failure::internal("a stream is asked for twice")),
        }
    }
}

/// Judges a case in a world, if everything is loaded that its fees are judged by.
pub(crate) fn judge<T>(
    world: &World,
    id: CaseId,
    today: CivilDate,
    ask: impl FnOnce(&Judge<'_>) -> T,
) -> Result<T, Halt> {
    let (case, firm) = (world.case(id)?, world.firm()?);
    let accounts = world.payers(id)?;
    Ok(ask(&Judge::of(Matter { id, case, accounts: &accounts, firm, today })))
}

/// Seals nothing and opens nothing: what is decided on trial is thrown away.
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
