//! What the last verification of a firm's log found.

use domain::event::UtcMicros;
use domain::ids::FirmId;
use log::StoreError;
use proof::Hash;

use crate::row::selected;
use crate::statement::statements;
use crate::store::Store;
use crate::value::{Column as _, Value};

selected! {
    /// A verification that came to its end.
    pub struct VerificationRow {
        /// When it ended, UTC.
        ended_at: UtcMicros,
        /// The last position it read, or where something does not agree: 0 for what stands nowhere in the log.
        position: u64,
        /// The root of what it read, RFC 9162; nothing if something does not agree.
        root: Option<Hash>,
        /// The first thing that does not agree; nothing if the log is sound.
        finding: Option<String>,
    }
}

statements! {
    LAST = "SELECT ended_at, position, root, finding FROM verification WHERE firm = $1";
    KEEP = "INSERT INTO verification (firm, ended_at, position, root, finding) VALUES ($1, $2, $3, $4, $5) \
        ON CONFLICT (firm) DO UPDATE SET ended_at = excluded.ended_at, position = excluded.position, \
        root = excluded.root, finding = excluded.finding WHERE excluded.ended_at >= verification.ended_at";
}

impl Store {
    /// The last verification; nothing before the first.
    pub async fn last_verification(
        &self,
        firm: FirmId,
    ) -> Result<Option<VerificationRow>, StoreError> {
        self.fetch_one(&LAST, vec![Value::Id(firm.0)]).await
    }

    /// Keeps a verification in the place of an earlier one. A database that is only read keeps none.
    pub async fn keep_verification(
        &self,
        firm: FirmId,
        row: &VerificationRow,
    ) -> Result<(), StoreError> {
        if self.engine.is_only_read() {
            return Ok(());
        }
        let VerificationRow { ended_at, position, root, finding } = row;
        let values = [Value::Id(firm.0), ended_at.put(), position.put(), root.put(), finding.put()];
        self.change(firm, vec![(&KEEP, values.to_vec())]).await.map(|_| ())
    }
}
