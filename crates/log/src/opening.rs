//! Opening what is shown, and what a service makes of a firm's own secret.

use std::collections::HashMap;

use domain::event::{Recorded, StreamId};
use domain::ids::{CaseId, FirmId};
use domain::sealing::person_of;
use domain::value::Personal;
use domain::world::State;
use uuid::Uuid;
use vault::{BlindKey, BlobKeys, PersonKey};

use crate::engine::Engine;
use crate::error::StoreError;
use crate::sealing::{OwnRequests, scope, unwrapped};

impl Engine {
    /// Opens the personal values of states for somebody who may see them, and gives the streams in which
    /// there were any. Those of a person who was erased stay sealed.
    pub async fn open_states<'s>(
        &self,
        firm: FirmId,
        states: impl IntoIterator<Item = (StreamId, &'s mut State)>,
    ) -> Result<Vec<StreamId>, StoreError> {
        let mut states: Vec<_> = states.into_iter().collect();
        let streams = states.iter().map(|(stream, _)| *stream);
        let opener = self.opener(firm, streams).await?;
        let mut opened = Vec::with_capacity(states.len());
        for (stream, state) in &mut states {
            let mut any = false;
            state.each_personal(&mut |value| any |= opener.open(*stream, value));
            opened.extend(any.then_some(*stream));
        }
        Ok(opened)
    }

    /// What names, seals and opens the scans and letters of clients, as of now: of each who has a key.
    /// Ask for it anew for each request, so that no key outlives its erasure.
    pub async fn blob_keys(
        &self,
        firm: FirmId,
        clients: &[CaseId],
    ) -> Result<HashMap<CaseId, BlobKeys>, StoreError> {
        // The firm's own secret is kept as a person's key, and is nobody's for documents.
        let ids: Vec<Uuid> =
            clients.iter().map(|client| client.0).filter(|id| *id != firm.0).collect();
        let people = self.inner().store.people(firm, &ids).await?;
        let keys = people.iter().map(|person| {
            let key = unwrapped(&self.inner().firm_keys, firm, person)?;
            Ok((CaseId(person.id), key.blobs(firm.0, person.id)))
        });
        keys.collect()
    }

    /// What opens the values of these streams, as of now.
    pub async fn opener(
        &self,
        firm: FirmId,
        streams: impl IntoIterator<Item = StreamId>,
    ) -> Result<Opener, StoreError> {
        let mut ids: Vec<Uuid> = streams.into_iter().filter_map(person_of).collect();
        ids.sort_unstable();
        ids.dedup();
        let mut keys = HashMap::with_capacity(ids.len());
        if !ids.is_empty() {
            for person in self.inner().store.people(firm, &ids).await? {
                keys.insert(person.id, unwrapped(&self.inner().firm_keys, firm, &person)?);
            }
        }
        Ok(Opener { firm, keys })
    }
}

impl Engine {
    /// What ids of the service's own requests of a firm are made with. Ask for it anew for each run.
    ///
    /// # Errors
    /// If the store does not answer, or the firm was never asked anything: it has its secret from its first
    /// request on.
    pub async fn own_requests(&self, firm: FirmId) -> Result<OwnRequests, StoreError> {
        let own = self.inner().store.people(firm, &[firm.0]).await?.pop();
        let own = own.ok_or_else(|| StoreError::internal("the firm has no secret of its own"))?;
        Ok(OwnRequests(BlindKey::of(&unwrapped(&self.inner().firm_keys, firm, &own)?)))
    }
}

/// The keys of some people, to open their values with. Ask for it anew for each answer, so that no key
/// outlives its erasure.
pub struct Opener {
    firm: FirmId,
    keys: HashMap<Uuid, PersonKey>,
}

impl Opener {
    /// Opens a value of a stream, if its person still has a key. Whether it was opened.
    pub fn open(&self, stream: StreamId, value: &mut Personal) -> bool {
        let Some(key) = person_of(stream).and_then(|person| self.keys.get(&person)) else {
            return false;
        };
        let opened =
            value.sealed().and_then(|sealed| key.open(&scope(self.firm, stream), sealed).ok());
        match opened {
            Some(text) => *value = Personal::clear(&text),
            None => return false,
        }
        true
    }

    /// Opens what an event holds. Whether there was anything to open.
    pub fn open_event(&self, recorded: &mut Recorded) -> bool {
        let (stream, mut any) = (recorded.stream, false);
        recorded.event.each_personal(&mut |value| any |= self.open(stream, value));
        any
    }

    /// The key of one sealed value, to be handed out with it.
    pub fn value_key(&self, stream: StreamId, sealed: &str) -> Option<[u8; 32]> {
        let key = self.keys.get(&person_of(stream)?)?;
        key.value_key(sealed).ok().map(|key| key.to_bytes())
    }
}
