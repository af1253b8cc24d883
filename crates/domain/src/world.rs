//! The folded streams that decisions are made on, and the draft of a decision.

mod draft;

use std::collections::HashMap;
use std::sync::Arc;

use crate::account::Account;
use crate::case::Case;
use crate::codec::{self, DecodeError, Field};
use crate::deposit::Deposit;
use crate::event::{AccountEvent, Event, LookEvent, Recorded, StreamId};
use crate::firm::Firm;
use crate::ids::{AccountId, CaseId, DepositId, FirmId};
use crate::named::Lately;
use crate::refusal::Refusal;
use crate::value::Personal;

pub(crate) use draft::Draft;
pub use draft::{Context, card_of};

/// Raised in the same commit as any change of what `evolve` makes of a history; snapshots of
/// another version are thrown away unread.
pub const STATE_VERSION: u32 = 16;

/// Most bytes of one event: a C2SP tile's entry bundle counts an entry's length in 16 bits.
pub const EVENT_BYTES_MAX: usize = 65_535;

/// An event that cannot follow what is there: the log is not what was written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("position {position}: {what}")]
pub struct Impossible {
    /// The position of the event.
    pub position: u64,
    /// What is wrong, without personal values.
    pub what: String,
}

impl Impossible {
    /// Of one event.
    pub fn new(recorded: &Recorded, what: impl Into<String>) -> Self {
        Self { position: recorded.position, what: what.into() }
    }
}

/// A stream folded up to some version. Copies share what they hold until one of them takes in another event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum State {
    /// A case.
    Case(Arc<Case>),
    /// An account.
    Account(Arc<Account>),
    /// A deposit.
    Deposit(Arc<Deposit>),
    /// The firm.
    Firm(Arc<Firm>),
    /// The looks at a client: only how many there are, which numbers the next.
    Looks(u64),
}

impl State {
    /// A stream before its first event.
    pub fn empty(stream: StreamId) -> Self {
        match stream {
            StreamId::Case(_) => Self::Case(Arc::default()),
            StreamId::Account(_) => Self::Account(Arc::default()),
            StreamId::Deposit(_) => Self::Deposit(Arc::default()),
            StreamId::Firm => Self::Firm(Arc::default()),
            StreamId::Looks(_) => Self::Looks(0),
        }
    }

    /// The version folded up to; 0 before the first event.
    pub fn version(&self) -> u64 {
        match self {
            Self::Case(case) => case.version,
            Self::Account(account) => account.version,
            Self::Deposit(deposit) => deposit.version,
            Self::Firm(firm) => firm.version,
            Self::Looks(count) => *count,
        }
    }

    /// Folds the next event in.
    ///
    /// # Errors
    /// [`Impossible`] if the event is of another kind of stream, not the next version, or says amounts
    /// that cannot be. The state may be half folded then, and is of no use any more.
    pub fn fold(&mut self, recorded: &Recorded) -> Result<(), Impossible> {
        let expected = self.version() + 1;
        if recorded.stream_version != expected {
            let what = format!("version {expected} of the stream is missing");
            return Err(Impossible::new(recorded, what));
        }
        match (self, &recorded.event) {
            (Self::Case(case), Event::Case(event)) => Arc::make_mut(case).evolve(recorded, event),
            (Self::Account(account), Event::Account(event)) => Arc::make_mut(account)
                .evolve(recorded, event)
                .map_err(|unfit| Impossible::new(recorded, unfit.to_string()))?,
            (Self::Deposit(deposit), Event::Deposit(event)) => {
                Arc::make_mut(deposit).evolve(recorded, event);
            }
            (Self::Firm(firm), Event::Firm(event)) => Arc::make_mut(firm).evolve(recorded, event),
            (Self::Looks(count), Event::Look(LookEvent::ClientLookedAt(_))) => {
                *count = recorded.stream_version;
            }
            (
                Self::Case(_)
                | Self::Account(_)
                | Self::Deposit(_)
                | Self::Firm(_)
                | Self::Looks(_),
                Event::Case(_)
                | Event::Account(_)
                | Event::Deposit(_)
                | Event::Firm(_)
                | Event::Look(_),
            ) => {
                let what = format!("{} does not belong to its stream", recorded.event.type_name());
                return Err(Impossible::new(recorded, what));
            }
        }
        Ok(())
    }

    /// The same of an event that was held against what is there before.
    ///
    /// # Panics
    /// If it is [`Impossible`].
    pub fn apply(&mut self, recorded: &Recorded) {
        if let Err(impossible) = self.fold(recorded) {
            panic!("{impossible}");
        }
    }

    /// Shows every personal value.
    pub fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        match self {
            Self::Case(case) => Arc::make_mut(case).each_personal(visit),
            Self::Account(account) => Arc::make_mut(account).each_personal(visit),
            Self::Deposit(deposit) => Arc::make_mut(deposit).each_personal(visit),
            Self::Firm(firm) => Arc::make_mut(firm).each_personal(visit),
            Self::Looks(_) => {}
        }
    }

    /// A disposable snapshot; keep [`STATE_VERSION`] beside it.
    pub fn to_snapshot(&self) -> Vec<u8> {
        match self {
            Self::Case(case) => codec::to_bytes(case),
            Self::Account(account) => codec::to_bytes(account),
            Self::Deposit(deposit) => codec::to_bytes(deposit),
            Self::Firm(firm) => codec::to_bytes(firm),
            Self::Looks(count) => codec::to_bytes(count),
        }
    }

    /// Reads a snapshot of the current [`STATE_VERSION`]. On any error, replay instead.
    pub fn from_snapshot(stream: StreamId, bytes: &[u8]) -> Result<Self, DecodeError> {
        match stream {
            StreamId::Case(_) => codec::from_bytes(bytes).map(Self::Case),
            StreamId::Account(_) => {
                let account: Arc<Account> = codec::from_bytes(bytes)?;
                if account.adds_up() {
                    Ok(Self::Account(account))
                } else {
                    Err(DecodeError::new(0, "invoices on which an amount is open"))
                }
            }
            StreamId::Deposit(_) => codec::from_bytes(bytes).map(Self::Deposit),
            StreamId::Firm => codec::from_bytes(bytes).map(Self::Firm),
            StreamId::Looks(_) => codec::from_bytes(bytes).map(Self::Looks),
        }
    }
}

/// Why a decision stopped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Halt {
    /// A stream has to be loaded first; then decide again.
    Need(StreamId),
    /// The name that a movement is recorded under has to be looked up first, further than it was.
    Unnamed,
    /// The command is refused.
    Refused(Box<Refusal>),
}

impl From<Refusal> for Halt {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(Box::new(refusal))
    }
}

/// One firm's streams, as far as they are loaded, and the end of its log.
#[derive(Debug)]
pub struct World {
    /// Whose.
    firm_id: FirmId,
    /// The last position of the log.
    position: u64,
    /// Invoices issued so far: the next one has the next number.
    invoices: u64,
    /// The last position at which money moved, or may have without this world having seen it.
    money_moved_at: u64,
    /// Names of movements recorded lately.
    pub(crate) lately: Lately,
    streams: HashMap<StreamId, State>,
}

/// An end of the log, as a world stood there.
#[derive(Clone, Copy, Debug)]
pub struct Mark {
    position: u64,
    invoices: u64,
    money_moved_at: u64,
}

impl World {
    /// A firm's world with nothing loaded, at the end of its log.
    pub fn new(firm_id: FirmId, position: u64, invoices: u64) -> Self {
        let lately = Lately::since(position);
        Self {
            firm_id,
            position,
            invoices,
            money_moved_at: position,
            lately,
            streams: HashMap::new(),
        }
    }

    /// Whose world this is.
    pub const fn firm_id(&self) -> FirmId {
        self.firm_id
    }

    /// The last position of the log.
    pub const fn position(&self) -> u64 {
        self.position
    }

    /// Invoices issued so far.
    pub const fn invoices(&self) -> u64 {
        self.invoices
    }

    /// The last position at which money moved, or may have moved: what happened before this world
    /// began or while it looked away counts as money.
    pub const fn money_moved_at(&self) -> u64 {
        self.money_moved_at
    }

    /// How many streams are loaded.
    pub fn loaded(&self) -> usize {
        self.streams.len()
    }

    /// Whether a stream is loaded.
    pub fn has(&self, stream: StreamId) -> bool {
        self.streams.contains_key(&stream)
    }

    /// A loaded stream's state.
    pub fn state(&self, stream: StreamId) -> Option<&State> {
        self.streams.get(&stream)
    }

    /// Puts a loaded stream in, folded up to its last event.
    pub fn insert(&mut self, stream: StreamId, state: State) {
        self.streams.insert(stream, state);
    }

    /// Drops a stream; it will be loaded again when it is needed.
    pub fn forget(&mut self, stream: StreamId) {
        self.streams.remove(&stream);
    }

    /// Moves to an end of the log that others wrote. The streams they wrote to must have been
    /// forgotten; all others stand as they stood.
    ///
    /// # Panics
    /// If the log went back.
    pub fn move_to(&mut self, position: u64, invoices: u64) {
        assert!(position >= self.position && invoices >= self.invoices, "a log only grows");
        if position > self.position {
            self.money_moved_at = position;
            self.lately = Lately::since(position);
        }
        (self.position, self.invoices) = (position, invoices);
    }

    /// Where the log ends now, to return to.
    pub const fn mark(&self) -> Mark {
        Mark {
            position: self.position,
            invoices: self.invoices,
            money_moved_at: self.money_moved_at,
        }
    }

    /// Takes back what was applied since a mark, but for the streams it was applied to: they are put
    /// back or forgotten.
    pub fn return_to(&mut self, mark: Mark) {
        self.lately.return_to(mark.position);
        self.position = mark.position;
        self.invoices = mark.invoices;
        self.money_moved_at = mark.money_moved_at;
    }

    /// Drops every loaded stream for which `keep` is false.
    pub fn retain(&mut self, mut keep: impl FnMut(StreamId) -> bool) {
        self.streams.retain(|stream, _| keep(*stream));
    }

    /// The firm.
    pub fn firm(&self) -> Result<&Firm, Halt> {
        let stream = StreamId::Firm;
        let Some(State::Firm(firm)) = self.streams.get(&stream) else {
            return Err(Halt::Need(stream));
        };
        Ok(firm)
    }

    /// A case, enrolled or not.
    pub fn case(&self, id: CaseId) -> Result<&Case, Halt> {
        let stream = StreamId::Case(id);
        let Some(State::Case(case)) = self.streams.get(&stream) else {
            return Err(Halt::Need(stream));
        };
        Ok(case)
    }

    /// An account, opened or not.
    pub fn account(&self, id: AccountId) -> Result<&Account, Halt> {
        let stream = StreamId::Account(id);
        let Some(State::Account(account)) = self.streams.get(&stream) else {
            return Err(Halt::Need(stream));
        };
        Ok(account)
    }

    /// How often somebody looked at a client.
    pub fn looks(&self, id: CaseId) -> Result<u64, Halt> {
        let stream = StreamId::Looks(id);
        let Some(State::Looks(count)) = self.streams.get(&stream) else {
            return Err(Halt::Need(stream));
        };
        Ok(*count)
    }

    /// A deposit, known or not.
    pub fn deposit(&self, id: DepositId) -> Result<&Deposit, Halt> {
        let stream = StreamId::Deposit(id);
        let Some(State::Deposit(deposit)) = self.streams.get(&stream) else {
            return Err(Halt::Need(stream));
        };
        Ok(deposit)
    }

    /// Takes in the next event of the log, folding it if its stream is loaded.
    ///
    /// # Errors
    /// As of [`State::fold`].
    ///
    /// # Panics
    /// If it is not the next event: the log is dense.
    pub fn apply(&mut self, recorded: &Recorded) -> Result<(), Impossible> {
        assert_eq!(recorded.position, self.position + 1, "the log is dense");
        if let Some(state) = self.streams.get_mut(&recorded.stream) {
            state.fold(recorded)?;
        }
        self.position = recorded.position;
        if let Event::Account(AccountEvent::InvoiceIssued(_)) = &recorded.event {
            self.invoices += 1;
        }
        if recorded.event.moves_money() {
            self.money_moved_at = recorded.position;
        }
        self.lately.note(recorded);
        Ok(())
    }
}
