//! Sealing what is decided, and opening what is shown.

use std::collections::{BTreeMap, HashMap};

use domain::codec::Field;
use domain::couple::address_key;
use domain::event::{Card, Contact, StreamId};
use domain::ids::{AccountId, CaseId, FirmId, RequestId};
use domain::sealing::{Place, Sealer, Unsealable, person_of, streams_of};
use domain::value::Personal;
use domain::words::words_of;
use uuid::Uuid;
use vault::{BlindKey, FirmKeys, PersonKey};
use zeroize::Zeroizing;

use crate::clock::Ids;
use crate::error::StoreError;
use crate::people::{FoundBy, KeyedHash, PeopleStore, Person, Rewrapped};

/// Kinds of values that keyed hashes are made of.
const PHONE: &str = "phone";
const ADDRESS: &str = "address";
const CARD: &str = "card";
const WORD: &str = "word";
const REQUEST: &str = "request";
const OWN_REQUEST: &str = "own request";

/// The associated data of everything sealed in a stream.
pub fn scope(firm: FirmId, stream: StreamId) -> String {
    format!("{firm}/{stream}")
}

/// Keys as far as a writer has loaded them. No key stands for a person who has none, not yet or not any
/// more.
pub(crate) type Keys = HashMap<Uuid, Option<PersonKey>>;

/// Seals one command's events.
pub(crate) struct CommandSealer<'a> {
    keys: &'a Keys,
    ids: &'a dyn Ids,
    made: HashMap<Uuid, PersonKey>,
    told: Vec<(Uuid, Told)>,
}

/// What a client is found by from now on, in the clear; nothing leaves what was known.
#[derive(Default)]
pub(crate) struct Told {
    phone: Option<Zeroizing<String>>,
    address: Option<Zeroizing<String>>,
    card: Option<Zeroizing<String>>,
    words: Option<Vec<Zeroizing<String>>>,
}

impl Told {
    /// By a contact that is open.
    pub(crate) fn contact(contact: &Contact) -> Option<Self> {
        let words = words_of(contact.name.revealed()?).into_iter().map(Zeroizing::new);
        Some(Self {
            phone: Some(Zeroizing::new(contact.phone.revealed()?.to_owned())),
            address: Some(Zeroizing::new(address_key(contact)?)),
            words: Some(words.collect()),
            card: None,
        })
    }

    /// By a card that is open.
    pub(crate) fn card(card: &Card) -> Option<Self> {
        let token = Zeroizing::new(card.token.revealed()?.to_owned());
        Some(Self { card: Some(token), ..Self::default() })
    }

    /// As keyed hashes.
    pub(crate) fn hashed(&self, blind: &BlindKey) -> FoundBy {
        let hash = |kind, value: &Zeroizing<String>| blind.hash_bytes(kind, value.as_bytes());
        let words = self.words.as_ref().map(|words| {
            let mut words: Vec<KeyedHash> = words.iter().map(|word| hash(WORD, word)).collect();
            words.sort_unstable();
            words
        });
        FoundBy {
            phone: self.phone.as_ref().map(|phone| hash(PHONE, phone)),
            address: self.address.as_ref().map(|address| hash(ADDRESS, address)),
            card: self.card.as_ref().map(|card| hash(CARD, card)),
            words,
        }
    }
}

/// The hash that a telephone number is looked for by.
pub(crate) fn phone_hash(blind: &BlindKey, phone: &str) -> KeyedHash {
    blind.hash_bytes(PHONE, phone.as_bytes())
}

/// The hash that a word of a name is looked for by.
pub(crate) fn word_hash(blind: &BlindKey, word: &str) -> KeyedHash {
    blind.hash_bytes(WORD, word.as_bytes())
}

impl<'a> CommandSealer<'a> {
    pub(crate) fn new(keys: &'a Keys, ids: &'a dyn Ids) -> Self {
        Self { keys, ids, made: HashMap::new(), told: Vec::new() }
    }

    /// What came of a command that was accepted.
    pub(crate) fn finish(self) -> Sealed {
        Sealed { made: self.made, told: self.told }
    }

    fn key(&self, person: Uuid) -> Option<&PersonKey> {
        self.made.get(&person).or_else(|| self.keys.get(&person)?.as_ref())
    }
}

impl Sealer for CommandSealer<'_> {
    fn seal(&mut self, place: &Place, text: &str) -> Result<Personal, Unsealable> {
        // The firm's stream has no personal value: whose would it be?
        let person = person_of(place.stream).ok_or(Unsealable::Erased)?;
        if self.key(person).is_none() {
            match (self.keys.get(&person), place.stream, place.version) {
                (None, _, _) => return Err(Unsealable::NotLoaded),
                (Some(_), StreamId::Case(_), 1) => {
                    self.made.insert(person, PersonKey::from_bytes(self.ids.key()));
                }
                (Some(_), _, _) => return Err(Unsealable::Erased),
            }
        }
        let key = self.key(person).ok_or(Unsealable::NotLoaded)?;
        let scope = scope(place.firm, place.stream);
        let event = place.event.0.into_bytes();
        let place = vault::Place { scope: &scope, event, ordinal: place.ordinal };
        Ok(Personal::from_sealed(&key.seal(&place, text)))
    }

    fn open(&self, firm: FirmId, stream: StreamId, sealed: &str) -> Option<Personal> {
        let key = self.key(person_of(stream)?)?;
        key.open(&scope(firm, stream), sealed).ok().map(|text| Personal::clear(&text))
    }

    fn compare_by(&mut self, case: CaseId, contact: &Contact) {
        self.told.extend(Told::contact(contact).map(|told| (case.0, told)));
    }

    fn compare_card(&mut self, account: AccountId, card: &Card) {
        self.told.extend(Told::card(card).map(|told| (account.0, told)));
    }
}

/// What sealing a command brought about.
pub(crate) struct Sealed {
    made: HashMap<Uuid, PersonKey>,
    told: Vec<(Uuid, Told)>,
}

/// The people that a batch writes.
pub(crate) struct BatchPeople<'a> {
    firm: FirmId,
    firm_keys: &'a FirmKeys,
    people: BTreeMap<Uuid, Person>,
}

impl<'a> BatchPeople<'a> {
    pub(crate) fn new(firm: FirmId, firm_keys: &'a FirmKeys) -> Self {
        Self { firm, firm_keys, people: BTreeMap::new() }
    }

    /// The key that the firm's keyed hashes are made with; made when it is first asked for. Nothing if
    /// the firm's stream is not loaded.
    fn blind(&mut self, keys: &mut Keys, ids: &dyn Ids) -> Option<BlindKey> {
        let kept = keys.get_mut(&self.firm.0)?;
        let secret = kept.get_or_insert_with(|| {
            let secret = PersonKey::from_bytes(ids.key());
            let wrapped = self.firm_keys.wrap(self.firm.0, self.firm.0, &secret);
            let person = new_person(self.firm.0, wrapped);
            self.people.insert(self.firm.0, person);
            secret
        });
        Some(BlindKey::of(secret))
    }

    /// A request's fingerprint as it is kept. What it is made of holds personal values, and some of
    /// them are few enough to be guessed.
    pub(crate) fn fingerprint(
        &mut self,
        keys: &mut Keys,
        ids: &dyn Ids,
        asked: &[u8; 32],
    ) -> Option<[u8; 32]> {
        Some(kept(&self.blind(keys, ids)?, asked))
    }

    /// Takes in what an accepted command brought about.
    pub(crate) fn take(&mut self, keys: &mut Keys, ids: &dyn Ids, sealed: Sealed) {
        let Sealed { made, told } = sealed;
        for (person, key) in made {
            self.keep(person, &key);
            keys.insert(person, Some(key));
        }
        for (person, told) in told {
            let Some(blind) = self.blind(keys, ids) else { continue };
            let Some(key) = keys.get(&person).and_then(Option::as_ref) else { continue };
            let kept = self.keep(person, key);
            kept.found_by = told.hashed(&blind).or(&kept.found_by);
        }
    }

    fn keep(&mut self, person: Uuid, key: &PersonKey) -> &mut Person {
        let (firm, firm_keys) = (self.firm.0, self.firm_keys);
        let wrapped = || firm_keys.wrap(firm, person, key);
        self.people.entry(person).or_insert_with(|| new_person(person, wrapped()))
    }

    pub(crate) fn clear(&mut self) {
        self.people.clear();
    }

    pub(crate) fn finish(&mut self) -> Vec<Person> {
        std::mem::take(&mut self.people).into_values().collect()
    }
}

/// A row as this version writes it. On one that is there already it does not say whether that is complete.
const fn new_person(id: Uuid, wrapped: Vec<u8>) -> Person {
    let found_by = FoundBy { phone: None, address: None, card: None, words: None };
    Person { id, wrapped, found_by, complete: true }
}

/// What a client is found by, made anew from contact and card as they are recorded; nothing if one of them
/// does not open.
pub(crate) fn found_by(
    firm: FirmId,
    person: Uuid,
    (contact, card): (&Contact, Option<&Card>),
    (key, secret): (&PersonKey, &PersonKey),
) -> Option<FoundBy> {
    let [case, account] = streams_of(person);
    let blind = BlindKey::of(secret);
    let told = Told::contact(&opened(firm, case, contact, key))?.hashed(&blind);
    let Some(card) = card else { return Some(told) };
    Some(Told::card(&opened(firm, account, card, key))?.hashed(&blind).or(&told))
}

/// The same with every value open that opens.
fn opened<T: Field + Clone>(firm: FirmId, stream: StreamId, of: &T, key: &PersonKey) -> T {
    let (mut opened, scope) = (of.clone(), scope(firm, stream));
    opened.each_personal(&mut |value| {
        if let Some(text) = value.sealed().and_then(|sealed| key.open(&scope, sealed).ok()) {
            *value = Personal::clear(&text);
        }
    });
    opened
}

/// Ids of the requests that a service makes of a firm by itself, such as a day's billing run.
///
/// Each is derived from what makes the request what it is, so that doing it again, on whichever server, is the
/// same request; and with the firm's own secret, so that nobody who knows what that is can use the id first.
/// The secret is drawn once for a firm and moves with its log; new firm keys wrap it anew and leave it as it is.
pub struct OwnRequests(pub(crate) BlindKey);

impl OwnRequests {
    /// The id: a UUID of the firm's own kind (RFC 9562 section 5.8, version 8) made of HMAC-SHA-256.
    pub fn id(&self, kind: &str, parts: &[&[u8]]) -> RequestId {
        let mut whole = Vec::new();
        for part in std::iter::once(kind.as_bytes()).chain(parts.iter().copied()) {
            // Each part with its length, so that no two lists of parts read alike.
            whole.extend(u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
            whole.extend(part);
        }
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&self.0.hash_bytes(OWN_REQUEST, &whole)[..16]);
        RequestId(uuid::Builder::from_custom_bytes(bytes).into_uuid())
    }
}

fn kept(blind: &BlindKey, asked: &[u8; 32]) -> [u8; 32] {
    blind.hash_bytes(REQUEST, asked)
}

/// A request's fingerprint as it is kept, by the secret that is kept under the firm's own id: for whoever
/// checks what the log remembers.
pub fn kept_fingerprint(
    firm_keys: &FirmKeys,
    firm: FirmId,
    own: &Person,
    asked: &[u8; 32],
) -> Result<[u8; 32], StoreError> {
    Ok(kept(&BlindKey::of(&unwrapped(firm_keys, firm, own)?), asked))
}

/// People of one page of a rewrapping.
const PEOPLE_PAGE: usize = 500;

/// Wraps every key of a firm anew that another firm key wrapped, and says how many. Whoever records
/// meanwhile is not in the way: a key that changes under this is let be, as it is wrapped anew already.
pub async fn rewrap(
    store: &dyn PeopleStore,
    firm: FirmId,
    firm_keys: &FirmKeys,
) -> Result<u64, StoreError> {
    let (mut after, mut done) = (None, 0);
    loop {
        let page = store.people_after(firm, after, PEOPLE_PAGE).await?;
        let Some(last) = page.last() else { return Ok(done) };
        after = Some(last.id);
        let mut keys = Vec::new();
        for person in page.into_iter().filter(|p| !firm_keys.is_current(&p.wrapped)) {
            let key = unwrapped(firm_keys, firm, &person)?;
            let wrapped = firm_keys.wrap(firm.0, person.id, &key);
            keys.push(Rewrapped { id: person.id, before: person.wrapped, after: wrapped });
        }
        done += if keys.is_empty() { 0 } else { store.rewrap(firm, &keys).await? };
    }
}

/// A person's key, unwrapped.
pub(crate) fn unwrapped(
    firm_keys: &FirmKeys,
    firm: FirmId,
    person: &Person,
) -> Result<PersonKey, StoreError> {
    firm_keys.unwrap(firm.0, person.id, &person.wrapped).map_err(|error| StoreError::Internal {
        what: format!("the key of {} cannot be unwrapped: {error}", person.id),
        source: None,
    })
}
