//! Keys of people, and their destruction.

use domain::ids::FirmId;
use domain::sealing::streams_of;
use log::{FoundBy, KeyedHash, Person, Rewrapped, StoreError, Wanted};
use sqlx::postgres::{PgArguments, PgRow};
use sqlx::{PgConnection, Row as _};
use uuid::Uuid;

use super::column::add;
use super::error::failed;
use super::statements::{
    BY_PHONE, BY_WORDS, COMPLETE, ERASE_PEOPLE, ERASE_SNAPSHOTS, INCOMPLETE, KEEP_PEOPLE, MISFILED,
    PEOPLE, PEOPLE_AFTER, REWRAP,
};
use super::write::{End, Transaction};
use super::{Postgres, malformed};

impl Postgres {
    pub(crate) async fn people(
        &self,
        firm: FirmId,
        ids: &[Uuid],
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let query = sqlx::query(PEOPLE).bind(firm.0).bind(ids);
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = sqlx::query(PEOPLE_AFTER).bind(firm.0).bind(after).bind(limit);
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = match wanted {
            Wanted::Phone(phone) => sqlx::query_scalar(BY_PHONE).bind(firm.0).bind(phone.to_vec()),
            Wanted::Words(words) => {
                let count = i64::try_from(words.len()).unwrap_or(i64::MAX);
                let words: Vec<Vec<u8>> = words.iter().map(|word| word.to_vec()).collect();
                sqlx::query_scalar(BY_WORDS).bind(firm.0).bind(words).bind(count)
            }
        };
        query.bind(limit).fetch_all(&mut *reader).await.map_err(failed)
    }

    pub(crate) async fn incomplete(
        &self,
        firm: FirmId,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = sqlx::query(INCOMPLETE).bind(firm.0).bind(limit);
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn misfiled(
        &self,
        firm: FirmId,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        let mut reader = self.reader(firm).await?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = sqlx::query_scalar(MISFILED).bind(firm.0).bind(limit);
        query.fetch_all(&mut *reader).await.map_err(failed)
    }

    pub(crate) async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        let mut transaction = Transaction::begin(&self.log, firm).await?;
        let mut arguments = PgArguments::default();
        add(&mut arguments, firm.0)?;
        add_people(&mut arguments, people)?;
        let query = sqlx::query_with(COMPLETE, arguments);
        let done = query.execute(transaction.connection()).await.map_err(failed);
        transaction.end(done.map(|_| End::Commit(()))).await
    }

    pub(crate) async fn keep_people(
        &self,
        firm: FirmId,
        people: &[Person],
    ) -> Result<(), StoreError> {
        let mut transaction = Transaction::begin(&self.log, firm).await?;
        let mut arguments = PgArguments::default();
        add(&mut arguments, firm.0)?;
        add_people(&mut arguments, people)?;
        let query = sqlx::query_with(KEEP_PEOPLE, arguments);
        let kept = query.execute(transaction.connection()).await.map_err(failed);
        transaction.end(kept.map(|_| End::Commit(()))).await
    }

    pub(crate) async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        let mut transaction = Transaction::begin(&self.log, firm).await?;
        let ids: Vec<Uuid> = keys.iter().map(|key| key.id).collect();
        let before: Vec<&[u8]> = keys.iter().map(|key| key.before.as_slice()).collect();
        let after: Vec<&[u8]> = keys.iter().map(|key| key.after.as_slice()).collect();
        let query = sqlx::query(REWRAP).bind(firm.0).bind(ids).bind(before).bind(after);
        let done = query.execute(transaction.connection()).await.map_err(failed);
        transaction.end(done.map(|done| End::Commit(done.rows_affected()))).await
    }
}

/// People as columns.
pub(super) fn add_people(arguments: &mut PgArguments, people: &[Person]) -> Result<(), StoreError> {
    let ids: Vec<Uuid> = people.iter().map(|person| person.id).collect();
    let keys: Vec<&[u8]> = people.iter().map(|person| person.wrapped.as_slice()).collect();
    let hashes = |of: fn(&FoundBy) -> Option<KeyedHash>| -> Vec<Option<Vec<u8>>> {
        people.iter().map(|p| of(&p.found_by).map(|hash| hash.to_vec())).collect()
    };
    let words = |person: &Person| person.found_by.words.as_ref().map(|words| words.concat());
    add(arguments, ids)?;
    add(arguments, keys)?;
    add(arguments, hashes(|by| by.phone))?;
    add(arguments, hashes(|by| by.address))?;
    add(arguments, hashes(|by| by.card))?;
    add(arguments, people.iter().map(words).collect::<Vec<Option<Vec<u8>>>>())?;
    add(arguments, people.iter().map(|person| person.complete).collect::<Vec<bool>>())
}

/// Destroys the keys of people, and the snapshots that hold what they sealed. The server keeps the old
/// rows until it vacuums, and its write-ahead log until that is recycled: `ops/backup.md` says what an
/// operator does about both.
pub(super) async fn erase(
    connection: &mut PgConnection,
    firm: FirmId,
    people: &[Uuid],
) -> Result<(), StoreError> {
    if people.is_empty() {
        return Ok(());
    }
    let query = sqlx::query(ERASE_PEOPLE).bind(firm.0).bind(people);
    query.execute(&mut *connection).await.map_err(failed)?;
    let streams = people.iter().flat_map(|person| streams_of(*person));
    let streams: Vec<String> = streams.map(|stream| stream.to_string()).collect();
    let query = sqlx::query(ERASE_SNAPSHOTS).bind(firm.0).bind(streams);
    query.execute(connection).await.map_err(failed).map(|_| ())
}

fn person(row: &PgRow) -> Result<Person, StoreError> {
    let hash = |at: usize| -> Result<Option<[u8; 32]>, StoreError> {
        let bytes: Option<&[u8]> = row.try_get(at).map_err(failed)?;
        bytes.map(|bytes| bytes.try_into().map_err(|_| malformed("a keyed hash"))).transpose()
    };
    let words: Option<&[u8]> = row.try_get(5).map_err(failed)?;
    let words =
        words.map(|bytes| FoundBy::words_from(bytes).ok_or_else(|| malformed("keyed hashes")));
    let words = words.transpose()?;
    Ok(Person {
        id: row.try_get(0).map_err(failed)?,
        wrapped: row.try_get(1).map_err(failed)?,
        found_by: FoundBy { phone: hash(2)?, address: hash(3)?, card: hash(4)?, words },
        complete: row.try_get(6).map_err(failed)?,
    })
}
