//! Keys of people, as both engines read and change them.

use domain::ids::FirmId;
use log::{FoundBy, Person, Rewrapped, StoreError, Wanted};
use proof::Hash;
use uuid::Uuid;

use crate::engine::{Engine, fetch};
use crate::read::from_id;
use crate::row::{Selected, Values, next};
use crate::statement::statements;
use crate::value::{Column, Kind, Malformed, Value, rows_limit};

statements! {
    AFTER = "SELECT person, wrapped_key, phone_key, address_key, card_key, word_keys, complete FROM person \
        WHERE firm = $1 AND person >= $2 ORDER BY person LIMIT $3";
    BY_PHONE = "SELECT person FROM person WHERE firm = $1 AND phone_key = $2 ORDER BY person LIMIT $3";
    COMPLETE = "UPDATE person SET complete = TRUE, phone_key = COALESCE(phone_key, $3), \
        address_key = COALESCE(address_key, $4), card_key = COALESCE(card_key, $5), \
        word_keys = COALESCE(word_keys, $6) WHERE firm = $1 AND person = $2 AND NOT complete";
    REWRAP = "UPDATE person SET wrapped_key = $4 WHERE firm = $1 AND person = $2 AND wrapped_key = $3";
}

impl Selected for Person {
    fn kinds(out: &mut Vec<Kind>) {
        let (hash, bytes) = (Hash::KIND, <Vec<u8> as Column>::KIND);
        out.extend([Uuid::KIND, bytes, hash, hash, hash, bytes, bool::KIND]);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        let (id, wrapped) = (next(values)?, next(values)?);
        let mut hash = || Ok(next::<Option<Hash>>(values)?.map(|hash| *hash.as_bytes()));
        let (phone, address, card) = (hash()?, hash()?, hash()?);
        let words: Option<Vec<u8>> = next(values)?;
        let words = words
            .map(|bytes| FoundBy::words_from(&bytes).ok_or(Malformed { wanted: "keyed hashes" }));
        let found_by = FoundBy { phone, address, card, words: words.transpose()? };
        Ok(Self { id, wrapped, found_by, complete: next(values)? })
    }
}

/// See [`log::PeopleStore::people_after`].
pub(crate) async fn after(
    engine: &dyn Engine,
    firm: FirmId,
    after: Option<Uuid>,
    limit: usize,
) -> Result<Vec<Person>, StoreError> {
    let Some(from) = from_id(after) else { return Ok(Vec::new()) };
    fetch(engine, &AFTER, vec![Value::Id(firm.0), from, rows_limit(limit)]).await
}

/// See [`log::PeopleStore::find`]. Lists of words each engine has in its own way.
pub(crate) async fn find(
    engine: &dyn Engine,
    by_words: &'static str,
    firm: FirmId,
    wanted: &Wanted,
    limit: usize,
) -> Result<Vec<Uuid>, StoreError> {
    let (firm, limit) = (Value::Id(firm.0), rows_limit(limit));
    match wanted {
        Wanted::Phone(phone) => {
            fetch(engine, &BY_PHONE, vec![firm, Value::Hash(*phone), limit]).await
        }
        Wanted::Words(words) => {
            let arguments =
                vec![firm, Value::Hashes(words.clone()), rows_limit(words.len()), limit];
            fetch(engine, by_words, arguments).await
        }
    }
}

/// See [`log::PeopleStore::complete`].
pub(crate) async fn complete(
    engine: &dyn Engine,
    firm: FirmId,
    people: &[Person],
) -> Result<(), StoreError> {
    let hash = |hash: Option<[u8; 32]>| hash.map_or(Value::Null, Value::Hash);
    let statement = |person: &Person| {
        let FoundBy { phone, address, card, words } = &person.found_by;
        let words = words.as_ref().map(|words| words.concat()).put();
        let person = Value::Id(person.id);
        let values = [Value::Id(firm.0), person, hash(*phone), hash(*address), hash(*card), words];
        (&COMPLETE, values.to_vec())
    };
    engine.change(firm, people.iter().map(statement).collect()).await.map(|_| ())
}

/// See [`log::PeopleStore::rewrap`].
pub(crate) async fn rewrap(
    engine: &dyn Engine,
    firm: FirmId,
    keys: &[Rewrapped],
) -> Result<u64, StoreError> {
    let statement = |key: &Rewrapped| {
        let Rewrapped { id, before, after } = key;
        (&REWRAP, vec![Value::Id(firm.0), Value::Id(*id), before.put(), after.put()])
    };
    Ok(engine.change(firm, keys.iter().map(statement).collect()).await?.into_iter().sum())
}
