//! Keys of people, and their destruction.

use async_trait::async_trait;
use domain::ids::FirmId;
use domain::sealing::streams_of;
use log::{FoundBy, KeyedHash, PeopleStore, Person, Rewrapped, StoreError, Wanted};
use sqlx::PgConnection;
use sqlx::postgres::PgArguments;
use uuid::Uuid;

use super::Postgres;
use super::column::add;
use super::error::failed;
use super::statements::{
    BY_WORDS, ERASE_PEOPLE, ERASE_SNAPSHOTS, INCOMPLETE, KEEP_PEOPLE, MISFILED, PEOPLE,
};
use super::write::{End, Transaction};
use crate::engine::fetch;
use crate::people;
use crate::value::{Value, rows_limit};

#[async_trait]
impl PeopleStore for Postgres {
    async fn people(&self, firm: FirmId, ids: &[Uuid]) -> Result<Vec<Person>, StoreError> {
        fetch(self, PEOPLE, vec![Value::Id(firm.0), Value::Ids(ids.to_vec())]).await
    }

    async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        people::after(self, firm, after, limit).await
    }

    async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        people::find(self, BY_WORDS, firm, wanted, limit).await
    }

    async fn incomplete(&self, firm: FirmId, limit: usize) -> Result<Vec<Person>, StoreError> {
        fetch(self, INCOMPLETE, vec![Value::Id(firm.0), rows_limit(limit)]).await
    }

    async fn misfiled(&self, firm: FirmId, limit: usize) -> Result<Vec<Uuid>, StoreError> {
        fetch(self, MISFILED, vec![Value::Id(firm.0), rows_limit(limit)]).await
    }

    async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        people::complete(self, firm, people).await
    }

    async fn keep_people(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        let mut transaction = Transaction::begin(&self.log, firm).await?;
        let mut arguments = PgArguments::default();
        add(&mut arguments, firm.0)?;
        add_people(&mut arguments, people)?;
        let query = sqlx::query_with(KEEP_PEOPLE, arguments);
        let kept = query.execute(transaction.connection()).await.map_err(failed);
        transaction.end(kept.map(|_| End::Commit(()))).await
    }

    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        people::rewrap(self, firm, keys).await
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
