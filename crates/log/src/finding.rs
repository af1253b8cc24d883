//! Finding clients by what nobody may read in the database: names and telephone numbers.
//!
//! Whoever has only the database sees which clients share a word, and no word: the hashes are made with a
//! key of the firm's. Erasing a client deletes them.

use domain::ids::{CaseId, FirmId};
use domain::value::Personal;
use domain::words::words_of;
use uuid::Uuid;
use vault::{BlindKey, PersonKey};

use crate::derived::people::clients;
use crate::engine::Engine;
use crate::error::StoreError;
use crate::people::{Person, Wanted};
use crate::rebuild::RebuildError;
use crate::sealing::{found_by, phone_hash, unwrapped, word_hash};

/// Incomplete people that are filled in together.
const PAGE: usize = 200;

/// What clients are looked for by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sought {
    /// Words of the name: a client has all of them, whole, in any order.
    Name(Personal),
    /// The telephone number, E.164.
    Phone(Personal),
}

/// Who was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// In the order of their ids.
    pub cases: Vec<CaseId>,
    /// Whether there may be others, of whom not everything that they are found by is there yet.
    pub incomplete: bool,
}

impl Engine {
    /// Clients who were not erased, by what they are called or how they are reached: at most `limit`. A
    /// name without a word finds nobody.
    pub async fn find_clients(
        &self,
        firm: FirmId,
        sought: &Sought,
        limit: usize,
    ) -> Result<Found, StoreError> {
        let store = self.inner().store.as_ref();
        // A firm without a secret has no client.
        let Some(secret) = self.firm_secret(firm).await? else { return Ok(Found::default()) };
        let blind = BlindKey::of(&secret);
        let incomplete = !store.incomplete(firm, 1).await?.is_empty();
        let wanted = match sought {
            Sought::Phone(phone) => {
                phone.revealed().map(|phone| Wanted::Phone(phone_hash(&blind, phone)))
            }
            Sought::Name(name) => name.revealed().map(|name| {
                Wanted::Words(words_of(name).iter().map(|word| word_hash(&blind, word)).collect())
            }),
        };
        let found = match wanted {
            None => Vec::new(),
            Some(Wanted::Words(words)) if words.is_empty() => Vec::new(),
            Some(wanted) => store.find(firm, &wanted, limit).await?,
        };
        // Numbers were there before the words of names were.
        let incomplete = incomplete && matches!(sought, Sought::Name(_));
        Ok(Found { cases: found.into_iter().map(CaseId).collect(), incomplete })
    }

    /// Fills in what clients of an earlier version are found by: at most `limit` of them. Their contacts
    /// and cards are opened to be hashed and shown to nobody. Gives how many were filled in.
    pub async fn index_people(&self, firm: FirmId, limit: usize) -> Result<usize, StoreError> {
        let store = self.inner().store.as_ref();
        let mut done = 0;
        while done < limit {
            let mut people = store.incomplete(firm, PAGE.min(limit - done)).await?;
            if people.is_empty() {
                break;
            }
            let Some(secret) = self.firm_secret(firm).await? else { break };
            let ids: Vec<Uuid> = people.iter().map(|person| person.id).collect();
            let known = clients(store, firm, &ids).await.map_err(|error| match error {
                RebuildError::Store(error) => error,
                RebuildError::Fault(fault) => fault.into(),
                // Nobody's rows are made here.
                RebuildError::Superseded | RebuildError::Outrun => {
                    StoreError::Unavailable { source: None }
                }
            })?;
            for person in &mut people {
                let client = known.get(&person.id);
                let told = client
                    .and_then(|client| Some((client.contact.as_ref()?, client.card.as_ref())));
                let key = unwrapped(&self.inner().firm_keys, firm, person)?;
                let made = told.and_then(|told| found_by(firm, person.id, told, (&key, &secret)));
                person.found_by = made.ok_or_else(|| {
                    StoreError::internal(format!("what {} is found by does not open", person.id))
                })?;
            }
            store.complete(firm, &people).await?;
            done += people.len();
        }
        Ok(done)
    }

    /// The secret that a firm's keyed hashes are made with; nothing before its first request.
    async fn firm_secret(&self, firm: FirmId) -> Result<Option<PersonKey>, StoreError> {
        let inner = self.inner();
        let own: Option<Person> = inner.store.people(firm, &[firm.0]).await?.pop();
        own.map(|own| unwrapped(&inner.firm_keys, firm, &own)).transpose()
    }
}
