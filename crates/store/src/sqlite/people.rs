//! Keys of people, and their destruction.

use async_trait::async_trait;
use domain::ids::FirmId;
use domain::sealing::streams_of;
use log::{FoundBy, PeopleStore, Person, Rewrapped, StoreError, Wanted};
use sqlx::SqliteConnection;
use uuid::Uuid;

use super::adding::{Adding, execute};
use super::error::failed;
use super::statements::{
    BY_WORDS, ERASE_PERSON, ERASE_SNAPSHOTS, FOLD_AND_EMPTY, INCOMPLETE, LOG, MISFILED, PEOPLE,
    PERSON_COLUMNS, ROWS_MAX,
};
use super::write::End;
use super::{Sqlite, Writer};
use crate::engine::fetch;
use crate::people;
use crate::value::{Value, rows_limit};

#[async_trait]
impl PeopleStore for Sqlite {
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
        let mut transaction = self.begin(Writer::Log).await?;
        let kept = keep_people(&mut transaction.connection, firm, people).await;
        self.end(transaction, kept.map(End::Commit)).await
    }

    async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        people::rewrap(self, firm, keys).await
    }
}

impl Sqlite {
    /// Folds the write-ahead log into the file and empties it. Readers who are in the middle of
    /// something keep it from being emptied; the next erasure or fold does it then.
    pub(super) async fn empty_wal(&self) {
        let emptied = async {
            let mut reader = self.readers.acquire().await?;
            sqlx::query(FOLD_AND_EMPTY).fetch_all(&mut *reader).await
        };
        if let Err(error) = emptied.await {
            tracing::warn!(%error, "the write-ahead log is not emptied yet");
        }
    }
}

pub(super) async fn keep_people(
    connection: &mut SqliteConnection,
    firm: FirmId,
    people: &[Person],
) -> Result<(), StoreError> {
    for some in people.chunks(ROWS_MAX) {
        let (statement, room) = LOG.people.with_room_for(some.len());
        execute(connection, statement, |add| add_people(add, firm, some, room)).await?;
    }
    Ok(())
}

fn add_people(
    add: &mut Adding,
    firm: FirmId,
    people: &[Person],
    room: usize,
) -> Result<(), StoreError> {
    for person in people {
        let FoundBy { phone, address, card, words } = &person.found_by;
        add.value(firm.0.as_bytes().to_vec())?;
        add.value(person.id.as_bytes().to_vec())?;
        add.value(person.wrapped.clone())?;
        add.value(phone.map(|hash| hash.to_vec()))?;
        add.value(address.map(|hash| hash.to_vec()))?;
        add.value(card.map(|hash| hash.to_vec()))?;
        add.value(words.as_ref().map(|words| words.concat()))?;
        add.value(person.complete)?;
    }
    add.nothing((room - people.len()) * PERSON_COLUMNS)
}

/// Destroys the keys of people, and the snapshots that hold what they sealed.
pub(super) async fn erase(
    connection: &mut SqliteConnection,
    firm: FirmId,
    people: &[Uuid],
) -> Result<(), StoreError> {
    for person in people {
        let firm = firm.0.as_bytes().to_vec();
        let query = sqlx::query(ERASE_PERSON).bind(firm.clone()).bind(person.as_bytes().to_vec());
        query.execute(&mut *connection).await.map_err(failed)?;
        let [case, account] = streams_of(*person).map(|stream| stream.to_string());
        let query = sqlx::query(ERASE_SNAPSHOTS).bind(firm).bind(case).bind(account);
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    Ok(())
}
