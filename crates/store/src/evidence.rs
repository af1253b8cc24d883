//! What was uploaded: one row for each sealed blob, which lies elsewhere.

use domain::event::UtcMicros;
use domain::ids::{CaseId, FirmId};
use domain::media::MediaType;
use log::StoreError;
use proof::Hash;
use uuid::Uuid;

use crate::read::limit;
use crate::row::selected;
use crate::statement::statements;
use crate::store::Store;
use crate::value::{Column as _, Value};

/// Rows of one page of a copy.
const COPIED_PAGE: u32 = 500;

selected! {
    /// A document that was uploaded.
    pub struct EvidenceRow {
        /// Whose.
        person: CaseId,
        /// The name it is stored under: a keyed hash of the content's hash.
        name: Hash,
        /// How long the content is.
        bytes: u64,
        /// What it is.
        media_type: MediaType,
        /// When, UTC.
        uploaded_at: UtcMicros,
        /// The hash of the content, sealed for its name and what the row states; nothing in rows of an
        /// earlier version.
        sealed_hash: Option<Vec<u8>>,
    }
}

impl EvidenceRow {
    /// What the row states of the document it names: what its hash is sealed with.
    pub fn stated(&self) -> Vec<u8> {
        let Self { person: _, name: _, bytes, media_type, uploaded_at, sealed_hash: _ } = self;
        let numbers = [bytes.to_be_bytes(), uploaded_at.0.to_be_bytes()].concat();
        [&numbers, media_type.code().as_bytes()].concat()
    }
}

statements! {
    KEEP = "INSERT INTO evidence (firm, person, name, bytes, media_type, uploaded_at, sealed_hash) \
        VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT DO NOTHING";
    GET = "SELECT person, name, bytes, media_type, uploaded_at, sealed_hash FROM evidence \
        WHERE firm = $1 AND person = $2 AND name = $3";
    OF_PERSON = "SELECT person, name, bytes, media_type, uploaded_at, sealed_hash FROM evidence \
        WHERE firm = $1 AND person = $2 AND name > $3 ORDER BY name LIMIT $4";
    OWNERS = "SELECT person FROM evidence WHERE firm = $1 AND person > $2 \
        GROUP BY person ORDER BY person LIMIT $3";
    FORGET = "DELETE FROM evidence WHERE firm = $1 AND person = $2";
}

impl Store {
    /// Keeps the row of a document whose blob is stored. Whether it was not kept before.
    pub async fn keep_evidence(&self, firm: FirmId, row: &EvidenceRow) -> Result<bool, StoreError> {
        let EvidenceRow { person, name, bytes, media_type, uploaded_at, sealed_hash } = row;
        let values = vec![
            Value::Id(firm.0),
            person.put(),
            name.put(),
            bytes.put(),
            media_type.put(),
            uploaded_at.put(),
            sealed_hash.put(),
        ];
        Ok(self.change(firm, vec![(&KEEP, values)]).await? == [1])
    }

    /// The row of a document, by the name it is stored under.
    pub async fn evidence(
        &self,
        firm: FirmId,
        person: CaseId,
        name: Hash,
    ) -> Result<Option<EvidenceRow>, StoreError> {
        self.fetch_one(&GET, vec![Value::Id(firm.0), person.put(), name.put()]).await
    }

    /// The rows of a client, in the order of their names, after one.
    pub async fn evidence_after(
        &self,
        firm: FirmId,
        person: CaseId,
        after: Option<Hash>,
        most: u32,
    ) -> Result<Vec<EvidenceRow>, StoreError> {
        // Nothing is before the shortest value there is.
        let after = after.map_or(Value::Bytes(Vec::new()), |name| name.put());
        let arguments = vec![Value::Id(firm.0), person.put(), after, limit(most)];
        self.fetch(&OF_PERSON, arguments).await
    }

    /// The clients who have documents, in the order of their ids, after one.
    pub async fn evidence_owners(
        &self,
        firm: FirmId,
        after: Option<CaseId>,
        most: u32,
    ) -> Result<Vec<CaseId>, StoreError> {
        // Nobody has the nil UUID.
        let after = after.unwrap_or(CaseId(Uuid::nil()));
        let arguments = vec![Value::Id(firm.0), after.put(), limit(most)];
        self.fetch(&OWNERS, arguments).await
    }

    /// Deletes the rows of a client whose blobs are gone, and says how many there were.
    pub async fn forget_evidence(&self, firm: FirmId, person: CaseId) -> Result<u64, StoreError> {
        let arguments = vec![Value::Id(firm.0), person.put()];
        Ok(self.change(firm, vec![(&FORGET, arguments)]).await?.into_iter().sum())
    }

    /// Copies every row to another store, where what is there already stays. The blobs are not in the
    /// store, and stay where they are.
    pub async fn copy_evidence_to(&self, target: &Self, firm: FirmId) -> Result<(), StoreError> {
        let mut owner = None;
        loop {
            let owners = self.evidence_owners(firm, owner, COPIED_PAGE).await?;
            let Some(last) = owners.last() else { return Ok(()) };
            owner = Some(*last);
            for person in owners {
                self.copy_evidence_of(person, target, firm).await?;
            }
        }
    }

    async fn copy_evidence_of(
        &self,
        person: CaseId,
        target: &Self,
        firm: FirmId,
    ) -> Result<(), StoreError> {
        let mut after = None;
        loop {
            let rows = self.evidence_after(firm, person, after, COPIED_PAGE).await?;
            let Some(last) = rows.last() else { return Ok(()) };
            after = Some(last.name);
            for row in &rows {
                target.keep_evidence(firm, row).await?;
            }
        }
    }
}
