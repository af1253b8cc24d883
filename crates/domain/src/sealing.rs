//! The seam to sealing. The domain seals every personal value of an event as it is drafted, and opens
//! one only to compare two clients; with what, it does not know.

use uuid::Uuid;

use crate::event::{Card, CaseEvent, Contact, Event, FactCorrected, FactKind, Recorded, StreamId};
use crate::ids::{AccountId, CaseId, EventId, FirmId};
use crate::value::Personal;

/// Where a personal value stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Whose log.
    pub firm: FirmId,
    /// The stream of the event.
    pub stream: StreamId,
    /// The event's version in its stream; the first one brings its person into being.
    pub version: u64,
    /// The event.
    pub event: EventId,
    /// Which of the event's personal values, from zero, in the order they are stored.
    pub ordinal: u64,
}

/// The person whose values a stream holds: a case and the account of its own are one person's. Who looked
/// at a client is no value of the client's.
pub fn person_of(stream: StreamId) -> Option<Uuid> {
    match stream {
        StreamId::Case(id) => Some(id.0),
        StreamId::Account(id) => Some(id.0),
        StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => None,
    }
}

/// The streams of one person.
pub fn streams_of(person: Uuid) -> [StreamId; 2] {
    [StreamId::Case(CaseId(person)), StreamId::Account(AccountId(person))]
}

/// Under which id the key is kept that comes with a stream: its person's, and the firm's with the firm's own.
/// Deposits and looks hold nothing personal and come with none.
pub fn holder_of(firm: FirmId, stream: StreamId) -> Option<Uuid> {
    match stream {
        StreamId::Firm => Some(firm.0),
        StreamId::Case(_) | StreamId::Account(_) | StreamId::Deposit(_) | StreamId::Looks(_) => {
            person_of(stream)
        }
    }
}

/// Whom an event erases: no key and no snapshot of that person outlives it.
pub fn erased_by(recorded: &Recorded) -> Option<Uuid> {
    let erases = matches!(recorded.event, Event::Case(CaseEvent::ClientErased(_)));
    person_of(recorded.stream).filter(|_| erases)
}

/// Why a value could not be sealed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unsealable {
    /// The person's key is not loaded: load the stream and decide again.
    NotLoaded,
    /// The person was erased.
    Erased,
}

/// Seals and opens on behalf of a decision.
pub trait Sealer {
    /// Seals one value.
    fn seal(&mut self, place: &Place, text: &str) -> Result<Personal, Unsealable>;

    /// Opens one value of a stream; nothing if it cannot be opened any more.
    fn open(&self, firm: FirmId, stream: StreamId, sealed: &str) -> Option<Personal>;

    /// Notes what a client is found and compared by from now on, before it is sealed.
    fn compare_by(&mut self, case: CaseId, contact: &Contact);

    /// Notes the card that an account is compared by from now on, before it is sealed.
    fn compare_card(&mut self, account: AccountId, card: &Card);
}

/// Seals nothing: for histories that exist to be looked at.
#[derive(Clone, Copy, Debug, Default)]
pub struct InTheClear;

impl Sealer for InTheClear {
    fn seal(&mut self, _: &Place, text: &str) -> Result<Personal, Unsealable> {
        Ok(Personal::clear(text))
    }

    fn open(&self, _: FirmId, _: StreamId, _: &str) -> Option<Personal> {
        None
    }

    fn compare_by(&mut self, _: CaseId, _: &Contact) {}

    fn compare_card(&mut self, _: AccountId, _: &Card) {}
}

/// Seals every value of an event that is not sealed yet.
pub(crate) fn seal_event(
    sealer: &mut dyn Sealer,
    first: &Place,
    event: &mut Event,
) -> Result<(), Unsealable> {
    let mut place = *first;
    let mut failed = None;
    event.each_personal(&mut |value| {
        if failed.is_none()
            && let Some(text) = value.revealed()
        {
            match sealer.seal(&place, text) {
                Ok(sealed) => *value = sealed,
                Err(unsealable) => failed = Some(unsealable),
            }
        }
        place.ordinal += 1;
    });
    failed.map_or(Ok(()), Err)
}

/// The contact that an event says, if it says one: what clients and couples are found by.
pub(crate) const fn contact_of(event: &Event) -> Option<&Contact> {
    if let Event::Case(CaseEvent::Enrolled(enrolled)) = event {
        Some(&enrolled.contact)
    } else if let Event::Case(CaseEvent::ContactChanged(changed)) = event {
        Some(&changed.contact)
    } else {
        None
    }
}

/// Whether an event may make another contact the current one by telling an older one otherwise.
pub(crate) const fn corrects_contact(event: &Event) -> bool {
    matches!(
        event,
        Event::Case(CaseEvent::FactCorrected(FactCorrected {
            kind: FactKind::Enrolled | FactKind::ContactChanged,
            ..
        }))
    )
}
