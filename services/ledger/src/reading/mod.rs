//! Where a read looks: at the database that is written to, or at a replica of it.
//!
//! A handler that reads is given a [`View`] and asks it alone. A handler that decides anything is given
//! the [`Ledger`], whose engine and store are the primary's: so the types say that no decision, no
//! gate and no token is ever judged by what a replica shows.

mod cases;
mod history;
mod replicated;
mod shown;

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use api::status::Failure;
use domain::event::{Recorded, StreamId};
use domain::ids::FirmId;
use domain::world::State;
use log::{ReadBehind, Stored};
use store::Store;
use tokio::time::{Instant, sleep, timeout};

use crate::access::Authority;
use crate::ledger::{Ledger, within_log};
use crate::openings::{Look, clients_of};

pub(crate) use cases::{CasePage, CasesOf, LAST, following};
pub(crate) use history::History;
pub(crate) use replicated::Replicated;
use replicated::Unfit;
use shown::Positions;
pub(crate) use shown::Reader;

/// How long a read waits at the replica for a position before the primary is asked instead: many
/// times what a healthy one is behind.
const REPLICA_PATIENCE: Duration = Duration::from_millis(250);
/// Pause between two looks at how far the replica is.
const REPLICA_LOOK: Duration = Duration::from_millis(10);
/// How long the replica may take over one read before the primary is asked instead. The caller's
/// own deadline goes on meanwhile.
const REPLICA_ANSWER_MAX: Duration = Duration::from_secs(10);
/// How long it may take to say where it stands: a machine that is gone says nothing.
const REPLICA_STANDING_MAX: Duration = Duration::from_secs(2);

/// What one read looks at.
pub(crate) struct View<'l> {
    ledger: &'l Ledger,
    replica: Option<&'l Replicated>,
    reader: Reader,
    seen: Mutex<Option<(FirmId, Positions)>>,
}

impl<'l> View<'l> {
    /// The primary.
    pub(crate) fn of_primary(ledger: &'l Ledger, authority: &Authority) -> Self {
        Self { ledger, replica: None, reader: Reader::of(authority), seen: Mutex::default() }
    }

    /// The replica, if there is one and it is not set aside.
    pub(crate) fn of_replica(ledger: &'l Ledger, authority: &Authority) -> Option<Self> {
        let replica = ledger.replica().filter(|replica| replica.may_be_asked())?;
        Some(Self { replica: Some(replica), ..Self::of_primary(ledger, authority) })
    }

    /// What is the same wherever the read looks: firms and their day, limits.
    pub(crate) fn ledger(&self) -> &Ledger {
        self.ledger
    }

    /// The read models.
    pub(crate) fn store(&self) -> &Store {
        self.replica.map_or_else(|| self.ledger.store(), Replicated::store)
    }

    /// Waits for the read models to reach a position, and says which they were read at. A reader
    /// never sees an earlier one than before.
    pub(crate) async fn read_at(&self, firm: FirmId, at_least: u64) -> Result<u64, Failure> {
        let wanted = at_least.max(self.shown(firm).applied);
        let applied = match self.replica {
            None => {
                self.ledger.check_reached(firm, at_least).await?;
                self.ledger.wait_applied(firm, wanted).await?
            }
            Some(replica) => patiently(replica.store(), firm, Side::ReadModels, wanted).await?,
        };
        self.saw(firm, Positions { applied, head: 0 });
        Ok(applied)
    }

    /// The end of the log, which must have reached a position.
    pub(crate) async fn head(&self, firm: FirmId, at_least: u64) -> Result<u64, Failure> {
        let wanted = at_least.max(self.shown(firm).head);
        let head = match self.replica {
            None => {
                let end = self.ledger.engine().head(firm).await?.position;
                within_log(at_least, end)?;
                reached(wanted, end)?
            }
            Some(replica) => patiently(replica.store(), firm, Side::Log, wanted).await?,
        };
        self.saw(firm, Positions { applied: 0, head });
        Ok(head)
    }

    /// Streams folded up to the end of the log, which must have reached a position.
    pub(crate) async fn states(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        at_least: u64,
    ) -> Result<(u64, Vec<State>), Failure> {
        let position = self.head(firm, at_least).await?;
        Ok((position, self.states_at(firm, streams, position).await?))
    }

    /// The event at a position, if the log has one there.
    pub(crate) async fn event_at(
        &self,
        firm: FirmId,
        position: u64,
    ) -> Result<Option<Recorded>, Failure> {
        let Some(after) = position.checked_sub(1) else { return Ok(None) };
        let Some(stored) = self.read(firm, after, 1).await?.pop() else { return Ok(None) };
        match Recorded::from_bytes(&stored.bytes) {
            Ok(recorded) => Ok(Some(recorded)),
            Err(_) => Err(Failure::Corrupt { position }),
        }
    }

    /// Streams folded up to a position that was reached.
    pub(crate) async fn states_at(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        position: u64,
    ) -> Result<Vec<State>, Failure> {
        Ok(log::states_at(&**self.store(), firm, streams, position).await?)
    }

    /// Opens the personal values of states, in the order of their streams, if the caller may see them, and
    /// puts on record whose they are. Keys are the primary's: an erasure holds for what a replica shows
    /// as well, from the moment it is made.
    pub(crate) async fn open(
        &self,
        look: Look<'_>,
        firm: FirmId,
        streams: &[StreamId],
        states: &mut [State],
    ) -> Result<(), Failure> {
        if !look.may_see {
            return Ok(());
        }
        let states = streams.iter().copied().zip(states);
        let opened = self.ledger.engine().open_states(firm, states).await?;
        self.ledger.note_openings(look, firm, clients_of(opened)).await
    }

    /// Events after a position.
    pub(crate) async fn read(
        &self,
        firm: FirmId,
        after: u64,
        limit: usize,
    ) -> Result<Vec<Stored>, Failure> {
        Ok(self.store().read(firm, after, limit).await?)
    }

    /// The replica's answer, if it may be given. Whatever else it comes to, the primary is asked: its
    /// answer stands, a failure too.
    pub(crate) async fn settle<T>(
        &self,
        read: impl Future<Output = Result<T, Failure>>,
    ) -> Option<T> {
        let replica = self.replica?;
        let answer = match timeout(REPLICA_ANSWER_MAX, read).await {
            Ok(Ok(answer)) => answer,
            Ok(Err(failure)) => {
                if is_of_the_store(&failure) {
                    replica.set_aside(&Unfit::Failing);
                }
                return None;
            }
            Err(_) => {
                replica.set_aside(&Unfit::Slow);
                return None;
            }
        };
        // Only now: a standby that was promoted before the read ended may have shown a log of its own.
        if let Some((firm, _)) = self.seen() {
            let checked = timeout(REPLICA_STANDING_MAX, replica.check(self.ledger.store(), firm));
            let checked = checked.await.unwrap_or(Err(Unfit::Silent));
            if let Err(unfit) = checked {
                replica.set_aside(&unfit);
                return None;
            }
        }
        replica.answered();
        self.show();
        Some(answer)
    }

    /// Notes what the reader has been shown.
    pub(crate) fn show(&self) {
        if let (Some(replica), Some((firm, positions))) = (self.ledger.replica(), self.seen()) {
            replica.shown().raise((firm, self.reader), positions);
        }
    }

    fn shown(&self, firm: FirmId) -> Positions {
        let shown = self.ledger.replica().map(|replica| replica.shown().of((firm, self.reader)));
        shown.unwrap_or_default()
    }

    fn saw(&self, firm: FirmId, positions: Positions) {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        let before = seen.map_or_else(Positions::default, |(_, before)| before);
        *seen = Some((firm, before.max(positions)));
    }

    fn seen(&self) -> Option<(FirmId, Positions)> {
        *self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Answers a read from the replica if it can be, and from the primary otherwise.
macro_rules! read {
    ($ledger:expr, $request:expr, $read:path) => {{
        let (ledger, authority) = (&$ledger, $crate::access::Authority::of(&$request)?);
        let message = $request.get_ref();
        let mut answer = None;
        if let Some(view) = $crate::reading::View::of_replica(ledger, &authority) {
            answer = view.settle($read(&view, &authority, message)).await;
        }
        let answer = match answer {
            Some(answer) => answer,
            None => {
                let view = $crate::reading::View::of_primary(ledger, &authority);
                let answer = $read(&view, &authority, message).await?;
                view.show();
                answer
            }
        };
        Ok(tonic::Response::new(answer))
    }};
}
pub(crate) use read;

fn reached(wanted: u64, applied: u64) -> Result<u64, Failure> {
    if applied < wanted { Err(ReadBehind { wanted, applied }.into()) } else { Ok(applied) }
}

/// Of what a position is.
#[derive(Clone, Copy)]
enum Side {
    ReadModels,
    Log,
}

/// Looks until a position is reached, as long as patience lasts.
async fn patiently(store: &Store, firm: FirmId, side: Side, wanted: u64) -> Result<u64, Failure> {
    let begun = Instant::now();
    loop {
        let applied = match side {
            Side::ReadModels => store.checkpoint(firm).await?.position,
            Side::Log => store.head(firm).await?.position,
        };
        if applied >= wanted || begun.elapsed() >= REPLICA_PATIENCE {
            return reached(wanted, applied);
        }
        sleep(REPLICA_LOOK).await;
    }
}

/// Whether a failure says that the store is not as it should be, rather than what was asked.
fn is_of_the_store(failure: &Failure) -> bool {
    matches!(
        failure,
        Failure::Unavailable
            | Failure::OutcomeUnknown
            | Failure::Corrupt { .. }
            | Failure::Internal { .. }
    )
}
