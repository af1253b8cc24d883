//! The draft of a decision.

use std::collections::HashMap;

use super::{Halt, Impossible, Mark, State, World};
use crate::codec::Field;
use crate::event::{
    AccountEvent, Author, Card, Contact, Event, EventRef, Recorded, StreamId, UtcMicros,
};
use crate::ids::{AccountId, CaseId, EventId, RequestId};
use crate::named::NameFound;
use crate::refusal::{Reason, Refusal};
use crate::sealing::{Place, Sealer, Unsealable, contact_of, corrects_contact, seal_event};

/// What a decision is given beside the world: everything a pure function may not fetch itself.
pub struct Context<'a> {
    /// Who asks.
    pub author: Author,
    /// The request.
    pub request_id: RequestId,
    /// When it is decided, UTC: what happens today, and how late something is told, goes by it.
    pub now: UtcMicros,
    /// What its events say they were recorded at: `now`, or the time of the log's last event if the
    /// clock was set back since.
    pub recorded_at: UtcMicros,
    /// Gives the next event id.
    pub next_id: &'a mut dyn FnMut() -> EventId,
    /// Seals personal values.
    pub sealer: &'a mut dyn Sealer,
    /// Where the name was found that the command records a movement under. A world that began with its log needs none.
    pub name_found: Option<&'a NameFound>,
}

/// The events of one command as they are decided, already numbered and folded into the world.
///
/// A command that refuses after it drafted something is undone: the streams it touched are put back
/// as they were.
pub(crate) struct Draft<'w, 'c> {
    world: &'w mut World,
    context: Context<'c>,
    events: Vec<Recorded>,
    undo: Option<Undo>,
}

/// The card that an event puts on file, if it does.
pub const fn card_of(event: &Event) -> Option<&Card> {
    if let Event::Account(AccountEvent::CardOnFileChanged(changed)) = event {
        Some(&changed.card)
    } else {
        None
    }
}

struct Undo {
    began_at: Mark,
    streams: HashMap<StreamId, State>,
}

impl<'w, 'c> Draft<'w, 'c> {
    /// The request that is decided.
    pub(crate) fn request(&self) -> RequestId {
        self.context.request_id
    }

    pub(crate) const fn author(&self) -> &Author {
        &self.context.author
    }

    /// Begins. `may_undo` has to be true if anything can be refused after the first event.
    pub(crate) fn begin(world: &'w mut World, context: Context<'c>, may_undo: bool) -> Self {
        let undo = may_undo.then(|| Undo { began_at: world.mark(), streams: HashMap::new() });
        Self { world, context, events: Vec::new(), undo }
    }

    /// The world, with everything drafted so far in it.
    pub(crate) fn world(&self) -> &World {
        self.world
    }

    /// Where the name was found that the command records a movement under.
    pub(crate) const fn name_found(&self) -> Option<&NameFound> {
        self.context.name_found
    }

    /// What was drafted so far.
    pub(crate) fn events(&self) -> &[Recorded] {
        &self.events
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
        self.add_at(stream, (occurred_on, None), event)
    }

    /// The same of one whose moment may be known.
    pub(crate) fn add_at(
        &mut self,
        stream: StreamId,
        (occurred_on, occurred_at): (calendar::CivilDate, Option<UtcMicros>),
        event: impl Into<Event>,
    ) -> Result<EventRef, Halt> {
        let state = self.world.streams.get(&stream).ok_or(Halt::Need(stream))?;
        let stream_version = state.version() + 1;
        if let Some(undo) = &mut self.undo {
            undo.streams.entry(stream).or_insert_with(|| state.clone());
        }
        let (mut event, event_id) = (event.into(), (self.context.next_id)());
        if let (StreamId::Case(case), Some(contact)) = (stream, contact_of(&event)) {
            // What is told late of an address that the client has left changes nothing that is compared.
            if self.world.case(case)?.contact().is_none_or(|newest| newest.mark.on <= occurred_on) {
                self.context.sealer.compare_by(case, contact);
            }
        }
        self.seal(stream, stream_version, event_id, &mut event)?;
        let corrects_contact = corrects_contact(&event);
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
            occurred_at,
            occurred_on,
            position: self.world.position + 1,
            recorded_at: self.context.recorded_at,
            request_id: self.context.request_id,
            stream,
            stream_version,
        };
        let reference = recorded.reference();
        self.fold(&recorded)?;
        if let StreamId::Case(case) = stream
            && corrects_contact
            && let Some(contact) = self.opened_contact(case)?
        {
            self.context.sealer.compare_by(case, &contact);
        }
        self.events.push(recorded);
        Ok(reference)
    }

    /// Folds what was drafted. Amounts may come to more than an amount can be, as when a payment far
    /// beyond all bounds is charged back and comes again: that refuses the command. It is folded on a copy,
    /// so that the account is as it was then.
    fn fold(&mut self, recorded: &Recorded) -> Result<(), Halt> {
        let copy = match self.world.streams.get(&recorded.stream) {
            Some(state @ State::Account(_)) if recorded.event.moves_money() => Some(state.clone()),
            Some(_) | None => None,
        };
        let Err(Impossible { what, .. }) = self.world.apply(recorded) else { return Ok(()) };
        if let Some(copy) = copy {
            self.world.streams.insert(recorded.stream, copy);
        }
        Err(Refusal::new(Reason::ValueRefused, recorded.stream, what).into())
    }

    fn seal(
        &mut self,
        stream: StreamId,
        version: u64,
        event_id: EventId,
        event: &mut Event,
    ) -> Result<(), Halt> {
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

    pub(crate) fn opened<T: Field + Clone>(&self, stream: StreamId, of: &T) -> Option<T> {
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
