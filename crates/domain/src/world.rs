//! The folded streams that decisions are made on, and the draft of a decision.

use std::collections::HashMap;

use crate::account::Account;
use crate::case::Case;
use crate::codec::{self, DecodeError, Field};
use crate::deposit::Deposit;
use crate::event::{
    AccountEvent, Author, Card, CaseEvent, Contact, Event, EventRef, LookEvent, Recorded, StreamId,
    UtcMicros,
};
use crate::firm::Firm;
use crate::ids::{AccountId, CaseId, DepositId, EventId, FirmId, RequestId};
use crate::refusal::{Reason, Refusal};
use crate::sealing::{Place, Sealer, Unsealable, seal_event};
use crate::value::Personal;

/// Raised in the same commit as any change of what `evolve` makes of a history; snapshots of
/// another version are thrown away unread.
pub const STATE_VERSION: u32 = 7;

/// Most bytes of one event: a C2SP tile's entry bundle counts an entry's length in 16 bits.
pub const EVENT_BYTES_MAX: usize = 65_535;

/// A stream folded up to some version.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum State {
    /// A case.
    Case(Box<Case>),
    /// An account.
    Account(Box<Account>),
    /// A deposit.
    Deposit(Box<Deposit>),
    /// The firm.
    Firm(Box<Firm>),
    /// The looks at a client: only how many there are, which numbers the next.
    Looks(u64),
}

impl State {
    /// A stream before its first event.
    pub fn empty(stream: StreamId) -> Self {
        match stream {
            StreamId::Case(_) => Self::Case(Box::default()),
            StreamId::Account(_) => Self::Account(Box::default()),
            StreamId::Deposit(_) => Self::Deposit(Box::default()),
            StreamId::Firm => Self::Firm(Box::default()),
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
    /// # Panics
    /// If the event is of another kind of stream or not the next version: the log is dense, so
    /// either is a fault of the caller.
    pub fn apply(&mut self, recorded: &Recorded) {
        assert_eq!(recorded.stream_version, self.version() + 1, "a stream folds without gaps");
        match (self, &recorded.event) {
            (Self::Case(case), Event::Case(event)) => case.evolve(recorded, event),
            (Self::Account(account), Event::Account(event)) => account.evolve(recorded, event),
            (Self::Deposit(deposit), Event::Deposit(event)) => deposit.evolve(recorded, event),
            (Self::Firm(firm), Event::Firm(event)) => firm.evolve(recorded, event),
            (Self::Looks(count), Event::Look(LookEvent::ClientLookedAt(_))) => {
                *count = recorded.stream_version;
            }
            (state, event) => {
                panic!("{} does not belong to version {}", event.type_name(), state.version())
            }
        }
    }

    /// Shows every personal value.
    pub fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        match self {
            Self::Case(case) => case.each_personal(visit),
            Self::Account(account) => account.each_personal(visit),
            Self::Deposit(deposit) => deposit.each_personal(visit),
            Self::Firm(firm) => firm.each_personal(visit),
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
            StreamId::Account(_) => codec::from_bytes(bytes).map(Self::Account),
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
        Self { firm_id, position, invoices, money_moved_at: position, streams: HashMap::new() }
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
    pub const fn return_to(&mut self, mark: Mark) {
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
        match self.streams.get(&StreamId::Firm) {
            Some(State::Firm(firm)) => Ok(firm),
            _ => Err(Halt::Need(StreamId::Firm)),
        }
    }

    /// A case, enrolled or not.
    pub fn case(&self, id: CaseId) -> Result<&Case, Halt> {
        let stream = StreamId::Case(id);
        match self.streams.get(&stream) {
            Some(State::Case(case)) => Ok(case),
            _ => Err(Halt::Need(stream)),
        }
    }

    /// An account, opened or not.
    pub fn account(&self, id: AccountId) -> Result<&Account, Halt> {
        let stream = StreamId::Account(id);
        match self.streams.get(&stream) {
            Some(State::Account(account)) => Ok(account),
            _ => Err(Halt::Need(stream)),
        }
    }

    /// How often somebody looked at a client.
    pub fn looks(&self, id: CaseId) -> Result<u64, Halt> {
        let stream = StreamId::Looks(id);
        match self.streams.get(&stream) {
            Some(State::Looks(count)) => Ok(*count),
            _ => Err(Halt::Need(stream)),
        }
    }

    /// A deposit, known or not.
    pub fn deposit(&self, id: DepositId) -> Result<&Deposit, Halt> {
        let stream = StreamId::Deposit(id);
        match self.streams.get(&stream) {
            Some(State::Deposit(deposit)) => Ok(deposit),
            _ => Err(Halt::Need(stream)),
        }
    }

    /// Takes in the next event of the log, folding it if its stream is loaded.
    ///
    /// # Panics
    /// If it is not the next event: the log is dense.
    pub fn apply(&mut self, recorded: &Recorded) {
        assert_eq!(recorded.position, self.position + 1, "the log is dense");
        self.position = recorded.position;
        if let Event::Account(AccountEvent::InvoiceIssued(_)) = &recorded.event {
            self.invoices += 1;
        }
        if recorded.event.moves_money() {
            self.money_moved_at = recorded.position;
        }
        if let Some(state) = self.streams.get_mut(&recorded.stream) {
            state.apply(recorded);
        }
    }
}

/// What a decision is given beside the world: everything a pure function may not fetch itself.
pub struct Context<'a> {
    /// Who asks.
    pub author: Author,
    /// The request.
    pub request_id: RequestId,
    /// When it is decided, UTC.
    pub now: UtcMicros,
    /// Gives the next event id.
    pub next_id: &'a mut dyn FnMut() -> EventId,
    /// Seals personal values.
    pub sealer: &'a mut dyn Sealer,
}

/// The events of one command as they are decided, already numbered and folded into the world.
///
/// A command that refuses after it drafted something is undone: the streams it touched are put back
/// as they were.
pub struct Draft<'w, 'c> {
    world: &'w mut World,
    context: Context<'c>,
    events: Vec<Recorded>,
    undo: Option<Undo>,
}

/// The contact that an event says, if it says one: what clients and couples are found by.
pub const fn contact_of(event: &Event) -> Option<&Contact> {
    match event {
        Event::Case(CaseEvent::Enrolled(enrolled)) => Some(&enrolled.contact),
        Event::Case(CaseEvent::ContactChanged(changed)) => Some(&changed.contact),
        _ => None,
    }
}

/// The card that an event puts on file, if it does.
pub const fn card_of(event: &Event) -> Option<&Card> {
    match event {
        Event::Account(AccountEvent::CardOnFileChanged(changed)) => Some(&changed.card),
        _ => None,
    }
}

struct Undo {
    began_at: Mark,
    streams: HashMap<StreamId, State>,
}

impl<'w, 'c> Draft<'w, 'c> {
    /// Begins. `may_undo` has to be true if anything can be refused after the first event.
    pub(crate) fn begin(world: &'w mut World, context: Context<'c>, may_undo: bool) -> Self {
        let undo = may_undo.then(|| Undo { began_at: world.mark(), streams: HashMap::new() });
        Self { world, context, events: Vec::new(), undo }
    }

    /// The world, with everything drafted so far in it.
    pub(crate) fn world(&self) -> &World {
        self.world
    }

    /// When it is decided.
    pub(crate) fn now(&self) -> UtcMicros {
        self.context.now
    }

    /// Adds one event. The stream must be loaded.
    pub(crate) fn add(
        &mut self,
        stream: StreamId,
        occurred_on: calendar::CivilDate,
        event: impl Into<Event>,
    ) -> Result<EventRef, Halt> {
        let state = self.world.streams.get(&stream).ok_or(Halt::Need(stream))?;
        let stream_version = state.version() + 1;
        if let Some(undo) = &mut self.undo {
            undo.streams.entry(stream).or_insert_with(|| state.clone());
        }
        let (mut event, event_id) = (event.into(), (self.context.next_id)());
        self.seal(stream, stream_version, event_id, &mut event)?;
        // Looking at one client led to no look at another, and must not name it.
        let apart = matches!(stream, StreamId::Looks(_));
        let recorded = Recorded {
            access: self.context.author.access,
            actor: self.context.author.actor.clone(),
            causation: self.events.first().filter(|_| !apart).map(|first| first.event_id),
            event,
            event_id,
            firm: self.world.firm_id,
            late_days: self
                .world
                .firm()
                .ok()
                .and_then(|firm| firm.late_days(occurred_on, self.context.now)),
            occurred_on,
            position: self.world.position + 1,
            recorded_at: self.context.now,
            request_id: self.context.request_id,
            stream,
            stream_version,
        };
        let reference = recorded.reference();
        self.world.apply(&recorded);
        self.events.push(recorded);
        Ok(reference)
    }

    fn seal(
        &mut self,
        stream: StreamId,
        version: u64,
        event_id: EventId,
        event: &mut Event,
    ) -> Result<(), Halt> {
        if let (StreamId::Case(case), Some(contact)) = (stream, contact_of(event)) {
            self.context.sealer.compare_by(case, contact);
        }
        if let (StreamId::Account(account), Some(card)) = (stream, card_of(event)) {
            self.context.sealer.compare_card(account, card);
        }
        let place =
            Place { firm: self.world.firm_id, stream, version, event: event_id, ordinal: 0 };
        seal_event(self.context.sealer, &place, event).map_err(|unsealable| match unsealable {
            Unsealable::NotLoaded => Halt::Need(stream),
            Unsealable::Erased => Refusal::new(
                Reason::StateRefuses,
                stream,
                "the client was erased: nothing personal can be recorded of this person any more",
            )
            .into(),
        })
    }

    /// A client's current contact with every value opened, if each can be.
    pub(crate) fn opened_contact(&self, case: CaseId) -> Result<Option<Contact>, Halt> {
        let since = self.world.case(case)?.contact();
        Ok(since.and_then(|since| self.opened(StreamId::Case(case), &since.contact)))
    }

    /// The card on file of an account with every value opened, if each can be.
    pub(crate) fn opened_card(&self, account: AccountId) -> Result<Option<Card>, Halt> {
        let card = self.world.account(account)?.card.as_ref();
        Ok(card.and_then(|card| self.opened(StreamId::Account(account), card)))
    }

    fn opened<T: Field + Clone>(&self, stream: StreamId, of: &T) -> Option<T> {
        let (mut opened, mut all) = (of.clone(), true);
        let (sealer, firm) = (&*self.context.sealer, self.world.firm_id);
        opened.each_personal(&mut |value| {
            if let Some(sealed) = value.sealed() {
                match sealer.open(firm, stream, sealed) {
                    Some(opened) => *value = opened,
                    None => all = false,
                }
            }
        });
        all.then_some(opened)
    }

    /// Ends well.
    pub(crate) fn finish(self) -> Vec<Recorded> {
        self.events
    }

    /// Ends with a refusal or a need: nothing happened.
    pub(crate) fn abandon(self) {
        if let Some(undo) = self.undo {
            self.world.return_to(undo.began_at);
            self.world.streams.extend(undo.streams);
        } else {
            assert!(self.events.is_empty(), "a command that cannot be undone refused too late");
        }
    }
}
