//! Trying the key of every client, and what couples are found by.

use std::collections::{HashMap, HashSet};

use domain::event::{Card, Contact, StreamId};
use domain::ids::FirmId;
use domain::sealing::{erased_by, streams_of};
use domain::world::{State, card_of};
use uuid::Uuid;
use vault::{FirmKeys, PersonKey};

use super::{DerivedFault, PAGE};
use crate::fold::{self, Fault};
use crate::people::Person;
use crate::ports::{LoadedStream, Store};
use crate::rebuild::RebuildError;
use crate::sealing::{found_by, unwrapped};

/// Most people whose words are told of.
const MISFILED_MAX: usize = 1_000;

/// What a client's own events say of what is kept beside them.
#[derive(Default)]
pub(crate) struct Client {
    enrolled: bool,
    erased: bool,
    /// The current contact.
    pub(crate) contact: Option<Contact>,
    /// And the card.
    pub(crate) card: Option<Card>,
}

/// The people of a firm.
pub(super) struct People<'a> {
    pub(super) store: &'a dyn Store,
    pub(super) firm_keys: &'a FirmKeys,
    pub(super) firm: FirmId,
}

impl People<'_> {
    /// Each client who was not erased has a key that opens, and is compared by what the contact says;
    /// who was erased has none, and nobody has one whom the log does not know.
    pub(super) async fn check(
        &self,
        mut clients: HashSet<Uuid>,
        faults: &mut Vec<DerivedFault>,
    ) -> Result<(), RebuildError> {
        let own = self.store.people(self.firm, &[self.firm.0]).await?.pop();
        let own = own.and_then(|own| unwrapped(self.firm_keys, self.firm, &own).ok());
        if own.is_none() && !clients.is_empty() {
            let what = "the key that makes keyed hashes is missing or does not open";
            faults.push(DerivedFault::Person { id: self.firm.0, what });
        }
        let mut after = None;
        loop {
            let page = self.store.people_after(self.firm, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = Some(last.id);
            let ids: Vec<Uuid> =
                page.iter().map(|p| p.id).filter(|id| *id != self.firm.0).collect();
            let known = self.clients(&ids).await?;
            for person in page.into_iter().filter(|person| person.id != self.firm.0) {
                clients.remove(&person.id);
                let wrong = known
                    .get(&person.id)
                    .and_then(|client| self.wrong_with(&person, client, own.as_ref()));
                if let Some(what) = wrong
                    // Who was erased or moved since the page was read is no fault.
                    && self.store.people(self.firm, &[person.id]).await?.pop() == Some(person.clone())
                {
                    faults.push(DerivedFault::Person { id: person.id, what });
                }
            }
        }
        let what = "the words it is found by in person_word are others than those of its name";
        let misfiled = self.store.misfiled(self.firm, MISFILED_MAX).await?;
        faults.extend(misfiled.into_iter().map(|id| DerivedFault::Person { id, what }));
        let without: Vec<Uuid> = clients.into_iter().collect();
        for ids in without.chunks(PAGE) {
            let missing = self.clients(ids).await?.into_iter().filter(|(_, client)| !client.erased);
            let what = "the key is missing, and with it everything personal";
            faults.extend(missing.map(|(id, _)| DerivedFault::Person { id, what }));
        }
        Ok(())
    }

    fn wrong_with(
        &self,
        person: &Person,
        client: &Client,
        own: Option<&PersonKey>,
    ) -> Option<&'static str> {
        if !client.enrolled {
            return Some("the log knows no such client");
        }
        if client.erased {
            return Some("the client was erased, and the key is there");
        }
        let Ok(key) = unwrapped(self.firm_keys, self.firm, person) else {
            return Some("the key does not open");
        };
        let told = (client.contact.as_ref()?, client.card.as_ref());
        let Some(expected) = found_by(self.firm, person.id, told, (&key, own?)) else {
            return Some("the contact or the card does not open with the key");
        };
        let kept = &person.found_by;
        let differs = if person.complete {
            *kept != expected
        } else {
            (kept.phone, kept.address) != (expected.phone, expected.address)
        };
        differs.then_some("it is not found by what the contact and the card say")
    }

    /// What the log says of clients, each there, known or not.
    async fn clients(&self, ids: &[Uuid]) -> Result<HashMap<Uuid, Client>, RebuildError> {
        clients(self.store, self.firm, ids).await
    }
}

/// What the log says of clients, each there, known or not.
pub(crate) async fn clients(
    store: &dyn Store,
    firm: FirmId,
    ids: &[Uuid],
) -> Result<HashMap<Uuid, Client>, RebuildError> {
    let streams: Vec<StreamId> = ids.iter().flat_map(|id| streams_of(*id)).collect();
    let head = store.head(firm).await?.position;
    let loaded = store.load_from_first(firm, &streams, head).await?;
    let clients = ids.iter().zip(loaded.chunks(2));
    let clients = clients.map(|(id, loaded)| Ok((*id, told(firm, loaded)?)));
    clients.collect::<Result<_, Fault>>().map_err(RebuildError::Fault)
}

fn told(firm: FirmId, loaded: &[LoadedStream]) -> Result<Client, Fault> {
    let mut client = Client::default();
    let mut case = None;
    for stored in loaded.iter().flat_map(|loaded| &loaded.events) {
        let recorded = fold::decode(firm, stored)?;
        client.enrolled |= matches!(recorded.stream, StreamId::Case(_));
        client.erased |= erased_by(&recorded).is_some();
        if let StreamId::Case(_) = recorded.stream {
            fold::apply(case.get_or_insert_with(|| State::empty(recorded.stream)), &recorded)?;
        }
        if let Some(card) = card_of(&recorded.event) {
            client.card = Some(card.clone());
        }
    }
    if let Some(State::Case(case)) = &case {
        client.contact = case.contact().map(|since| since.contact.clone());
    }
    Ok(client)
}
