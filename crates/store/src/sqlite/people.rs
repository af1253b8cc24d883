//! Keys of people, and their destruction.

use domain::ids::FirmId;
use domain::sealing::streams_of;
use log::{FoundBy, Person, Rewrapped, StoreError, Wanted};
use sqlx::sqlite::SqliteRow;
use sqlx::{Row as _, SqliteConnection};
use uuid::Uuid;

use super::append::{Adding, execute};
use super::error::failed;
use super::load::json_list;
use super::statements::{
    BY_PHONE, BY_WORDS, COMPLETE, ERASE_PERSON, ERASE_SNAPSHOTS, FOLD_AND_EMPTY, INCOMPLETE, LOG,
    MISFILED, PEOPLE, PEOPLE_AFTER, PERSON_COLUMNS, REWRAP, ROWS_MAX,
};
use super::write::End;
use super::{Sqlite, Writer, malformed};

impl Sqlite {
    pub(crate) async fn people(
        &self,
        firm: FirmId,
        ids: &[Uuid],
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let ids = json_list(ids.iter().map(|id| format!("\"{}\"", id.simple())));
        let query = sqlx::query(PEOPLE).bind(firm.0.as_bytes().to_vec()).bind(ids);
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn people_after(
        &self,
        firm: FirmId,
        after: Option<Uuid>,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        // Nothing is before the shortest value there is.
        let after = after.map_or_else(Vec::new, |id| id.as_bytes().to_vec());
        let query = sqlx::query(PEOPLE_AFTER)
            .bind(firm.0.as_bytes().to_vec())
            .bind(after)
            .bind(i64::try_from(limit).unwrap_or(i64::MAX));
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn find(
        &self,
        firm: FirmId,
        wanted: &Wanted,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let firm = firm.0.as_bytes().to_vec();
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = match wanted {
            Wanted::Phone(phone) => sqlx::query(BY_PHONE).bind(firm).bind(phone.to_vec()),
            Wanted::Words(words) => {
                let list = json_list(
                    words.iter().map(|word| format!("\"{}\"", proof::Hash::from(*word).hex())),
                );
                let count = i64::try_from(words.len()).unwrap_or(i64::MAX);
                sqlx::query(BY_WORDS).bind(firm).bind(list).bind(count)
            }
        };
        let rows = query.bind(limit).fetch_all(&mut *reader).await.map_err(failed)?;
        let id = |row: &sqlx::sqlite::SqliteRow| {
            let id = Uuid::from_slice(row.try_get(0).map_err(failed)?);
            id.map_err(|_| malformed("a person's id"))
        };
        rows.iter().map(id).collect()
    }

    pub(crate) async fn incomplete(
        &self,
        firm: FirmId,
        limit: usize,
    ) -> Result<Vec<Person>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = sqlx::query(INCOMPLETE).bind(firm.0.as_bytes().to_vec()).bind(limit);
        query.fetch_all(&mut *reader).await.map_err(failed)?.iter().map(person).collect()
    }

    pub(crate) async fn misfiled(
        &self,
        firm: FirmId,
        limit: usize,
    ) -> Result<Vec<Uuid>, StoreError> {
        let mut reader = self.readers.acquire().await.map_err(failed)?;
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let query = sqlx::query(MISFILED).bind(firm.0.as_bytes().to_vec()).bind(limit);
        let rows = query.fetch_all(&mut *reader).await.map_err(failed)?;
        let id = |row: &SqliteRow| {
            let id = Uuid::from_slice(row.try_get(0).map_err(failed)?);
            id.map_err(|_| malformed("a person's id"))
        };
        rows.iter().map(id).collect()
    }

    pub(crate) async fn complete(&self, firm: FirmId, people: &[Person]) -> Result<(), StoreError> {
        let mut transaction = self.begin(Writer::Log).await?;
        let done = complete(&mut transaction.connection, firm, people).await;
        self.end(transaction, done.map(End::Commit)).await
    }

    pub(crate) async fn keep_people(
        &self,
        firm: FirmId,
        people: &[Person],
    ) -> Result<(), StoreError> {
        let mut transaction = self.begin(Writer::Log).await?;
        let kept = keep_people(&mut transaction.connection, firm, people).await;
        self.end(transaction, kept.map(End::Commit)).await
    }

    pub(crate) async fn rewrap(&self, firm: FirmId, keys: &[Rewrapped]) -> Result<u64, StoreError> {
        let mut transaction = self.begin(Writer::Log).await?;
        let done = rewrap(&mut transaction.connection, firm, keys).await;
        self.end(transaction, done.map(End::Commit)).await
    }

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

async fn complete(
    connection: &mut SqliteConnection,
    firm: FirmId,
    people: &[Person],
) -> Result<(), StoreError> {
    for person in people {
        let FoundBy { phone, address, card, words } = &person.found_by;
        let query = sqlx::query(COMPLETE)
            .bind(firm.0.as_bytes().to_vec())
            .bind(person.id.as_bytes().to_vec())
            .bind(phone.map(|hash| hash.to_vec()))
            .bind(address.map(|hash| hash.to_vec()))
            .bind(card.map(|hash| hash.to_vec()))
            .bind(words.as_ref().map(|words| words.concat()));
        query.execute(&mut *connection).await.map_err(failed)?;
    }
    Ok(())
}

async fn rewrap(
    connection: &mut SqliteConnection,
    firm: FirmId,
    keys: &[Rewrapped],
) -> Result<u64, StoreError> {
    let mut done = 0;
    for key in keys {
        let query = sqlx::query(REWRAP)
            .bind(firm.0.as_bytes().to_vec())
            .bind(key.id.as_bytes().to_vec())
            .bind(key.before.clone())
            .bind(key.after.clone());
        done += query.execute(&mut *connection).await.map_err(failed)?.rows_affected();
    }
    Ok(done)
}

fn person(row: &sqlx::sqlite::SqliteRow) -> Result<Person, StoreError> {
    let id = Uuid::from_slice(row.try_get(0).map_err(failed)?);
    let hash = |at: usize| -> Result<Option<[u8; 32]>, StoreError> {
        let bytes: Option<&[u8]> = row.try_get(at).map_err(failed)?;
        bytes.map(|bytes| bytes.try_into().map_err(|_| malformed("a keyed hash"))).transpose()
    };
    let words: Option<&[u8]> = row.try_get(5).map_err(failed)?;
    let words =
        words.map(|bytes| FoundBy::words_from(bytes).ok_or_else(|| malformed("keyed hashes")));
    let words = words.transpose()?;
    Ok(Person {
        id: id.map_err(|_| malformed("a person's id"))?,
        wrapped: row.try_get(1).map_err(failed)?,
        found_by: FoundBy { phone: hash(2)?, address: hash(3)?, card: hash(4)?, words },
        complete: row.try_get(6).map_err(failed)?,
    })
}
