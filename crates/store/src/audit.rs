//! Signed checkpoints, the keys that sign them, and the signatures of witnesses: kept for ever, and the
//! same on both engines.

use domain::event::UtcMicros;
use domain::ids::FirmId;
use log::StoreError;
use proof::Hash;

use crate::read::limit;
use crate::row::selected;
use crate::statement::{Statement, statements};
use crate::store::Store;
use crate::value::{Column as _, Value};

/// Most signing keys of a firm that are read: one that is rotated each day has as many in three years.
pub const SIGNING_KEYS_MAX: u32 = 1_000;
/// Most witnesses of a firm that are read.
pub const WITNESS_KEYS_MAX: u32 = 100;
/// Most cosignatures of a checkpoint that are read: a note has no more.
const COSIGNATURES_MAX: u32 = 60;

selected! {
    /// A signed checkpoint as it is kept.
    pub struct KeptCheckpoint {
        /// How many events it is about.
        size: u64,
        /// The size of the one before it that its tree was proved to continue; 0 for the first.
        previous_size: u64,
        /// When it was made, UTC.
        made_at: UtcMicros,
        /// The note as it was signed, C2SP signed-note.
        note_text: String,
    }
}

selected! {
    /// A key that signs, or did.
    pub struct SigningKeyRow {
        /// Its short id, eight hexadecimal digits.
        key_id: String,
        /// Its name, which is the origin of the log.
        name: String,
        /// The public key of RFC 8032.
        public_key: Hash,
        /// The seed, sealed; empty once the key signs no more.
        sealed_private: Vec<u8>,
        /// When it was made, UTC.
        created_at: UtcMicros,
        /// Since when it signs no more.
        retired_at: Option<UtcMicros>,
        /// Since when it is not to be trusted.
        revoked_at: Option<UtcMicros>,
    }
}

selected! {
    /// Somebody whose signatures are kept beside ours.
    pub struct WitnessKeyRow {
        /// The text of the key, C2SP signed-note.
        verifier_key: String,
        /// When it was registered, UTC.
        added_at: UtcMicros,
    }
}

selected! {
    /// A signature of a witness.
    pub struct CosignatureRow {
        /// The size of the checkpoint that is signed.
        size: u64,
        /// The line, without its newline.
        signature: String,
        /// When it was added, UTC.
        added_at: UtcMicros,
    }
}

statements! {
    REWRAP_SIGNING_KEY = "UPDATE signing_key SET sealed_private = $4 \
        WHERE firm = $1 AND key_id = $2 AND sealed_private = $3 AND retired_at IS NULL";
    CHECKPOINT_AT = "SELECT size, previous_size, made_at, note_text FROM checkpoint \
        WHERE firm = $1 AND size = $2";
    CHECKPOINTS = "SELECT size, previous_size, made_at, note_text FROM checkpoint \
        WHERE firm = $1 AND size < $2 ORDER BY size DESC LIMIT $3";
    KEEP_CHECKPOINT = "INSERT INTO checkpoint (firm, size, previous_size, made_at, note_text) \
        VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING";
    SIGNING_KEYS = "SELECT key_id, name, public_key, sealed_private, created_at, retired_at, \
        revoked_at FROM signing_key WHERE firm = $1 ORDER BY created_at, key_id LIMIT $2";
    KEEP_SIGNING_KEY = "INSERT INTO signing_key (firm, key_id, name, public_key, sealed_private, \
        created_at, retired_at, revoked_at) VALUES ($1, $2, $3, $4, $5, $6, $7, $8) \
        ON CONFLICT DO NOTHING";
    RETIRE = "UPDATE signing_key SET retired_at = $3, sealed_private = $4 \
        WHERE firm = $1 AND key_id = $2 AND retired_at IS NULL";
    REVOKE = "UPDATE signing_key SET revoked_at = $3 \
        WHERE firm = $1 AND key_id = $2 AND revoked_at IS NULL";
    WITNESS_KEYS = "SELECT verifier_key, added_at FROM witness_key WHERE firm = $1 \
        ORDER BY verifier_key LIMIT $2";
    KEEP_WITNESS_KEY = "INSERT INTO witness_key (firm, verifier_key, added_at) VALUES ($1, $2, $3) \
        ON CONFLICT DO NOTHING";
    COSIGNATURES = "SELECT size, signature, added_at FROM cosignature \
        WHERE firm = $1 AND size = $2 ORDER BY signature LIMIT $3";
    COSIGNATURES_AFTER = "SELECT size, signature, added_at FROM cosignature \
        WHERE firm = $1 AND (size, signature) > ($2, $3) ORDER BY size, signature LIMIT $4";
    KEEP_COSIGNATURE = "INSERT INTO cosignature (firm, size, signature, added_at) \
        VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING";
}

impl Store {
    /// The checkpoint of a size, if one is kept.
    pub async fn checkpoint_at(
        &self,
        firm: FirmId,
        size: u64,
    ) -> Result<Option<KeptCheckpoint>, StoreError> {
        self.fetch_one(&CHECKPOINT_AT, vec![Value::Id(firm.0), size.put()]).await
    }

    /// The largest checkpoint.
    pub async fn latest_checkpoint(
        &self,
        firm: FirmId,
    ) -> Result<Option<KeptCheckpoint>, StoreError> {
        Ok(self.checkpoints_below(firm, None, 1).await?.pop())
    }

    /// Checkpoints below a size, or all, the largest first.
    pub async fn checkpoints_below(
        &self,
        firm: FirmId,
        size: Option<u64>,
        most: u32,
    ) -> Result<Vec<KeptCheckpoint>, StoreError> {
        let below = size.map_or(Value::Integer(i64::MAX), |size| size.put());
        self.fetch(&CHECKPOINTS, vec![Value::Id(firm.0), below, limit(most)]).await
    }

    /// Keeps a checkpoint. Whether it is kept now and was not before: another may be kept of its size,
    /// or after the same one before it.
    pub async fn keep_checkpoint(
        &self,
        firm: FirmId,
        made: &KeptCheckpoint,
    ) -> Result<bool, StoreError> {
        let KeptCheckpoint { size, previous_size, made_at, note_text } = made;
        let values = [size.put(), previous_size.put(), made_at.put(), note_text.put()];
        self.keep(firm, &KEEP_CHECKPOINT, values).await
    }

    /// Every signing key, in the order they were made.
    pub async fn signing_keys(&self, firm: FirmId) -> Result<Vec<SigningKeyRow>, StoreError> {
        self.fetch(&SIGNING_KEYS, vec![Value::Id(firm.0), limit(SIGNING_KEYS_MAX)]).await
    }

    /// Keeps a new key, and retires the one that was in force when the new one was made, whose seed is
    /// gone by that. Whether the new one is kept: only one can be in force.
    pub async fn keep_signing_key(
        &self,
        firm: FirmId,
        key: &SigningKeyRow,
        in_force: Option<&str>,
    ) -> Result<bool, StoreError> {
        let mut statements = Vec::new();
        if let Some(old) = in_force {
            statements.push((&RETIRE, retirement(firm, old, key.created_at)));
        }
        statements.push((&KEEP_SIGNING_KEY, key_values(firm, key)));
        Ok(self.change(firm, statements).await?.last() == Some(&1))
    }

    /// Takes a key back: it signs no more, and its seed is gone. Whether it was there and not taken back.
    pub async fn revoke_signing_key(
        &self,
        firm: FirmId,
        key_id: &str,
        at: UtcMicros,
    ) -> Result<bool, StoreError> {
        let key = vec![Value::Id(firm.0), Value::Text(key_id.to_owned()), at.put()];
        let statements = vec![(&RETIRE, retirement(firm, key_id, at)), (&REVOKE, key)];
        Ok(self.change(firm, statements).await?.last() == Some(&1))
    }

    /// Puts a newly sealed seed in the place of the one it was opened from. Whether that was still there.
    pub async fn rewrap_signing_key(
        &self,
        firm: FirmId,
        key: &SigningKeyRow,
        sealed_private: Vec<u8>,
    ) -> Result<bool, StoreError> {
        let values = vec![
            Value::Id(firm.0),
            Value::Text(key.key_id.clone()),
            Value::Bytes(key.sealed_private.clone()),
            Value::Bytes(sealed_private),
        ];
        Ok(self.change(firm, vec![(&REWRAP_SIGNING_KEY, values)]).await? == [1])
    }

    /// Every registered witness.
    pub async fn witness_keys(&self, firm: FirmId) -> Result<Vec<WitnessKeyRow>, StoreError> {
        self.fetch(&WITNESS_KEYS, vec![Value::Id(firm.0), limit(WITNESS_KEYS_MAX)]).await
    }

    /// Registers a witness. Whether it was not registered before.
    pub async fn keep_witness_key(
        &self,
        firm: FirmId,
        key: &WitnessKeyRow,
    ) -> Result<bool, StoreError> {
        let values = [key.verifier_key.put(), key.added_at.put()];
        self.keep(firm, &KEEP_WITNESS_KEY, values).await
    }

    /// The witnesses' signatures of a checkpoint.
    pub async fn cosignatures(
        &self,
        firm: FirmId,
        size: u64,
    ) -> Result<Vec<CosignatureRow>, StoreError> {
        let arguments = vec![Value::Id(firm.0), size.put(), limit(COSIGNATURES_MAX)];
        self.fetch(&COSIGNATURES, arguments).await
    }

    /// Signatures of witnesses of every checkpoint, by size and line, after one.
    pub async fn cosignatures_after(
        &self,
        firm: FirmId,
        after: Option<&CosignatureRow>,
        most: u32,
    ) -> Result<Vec<CosignatureRow>, StoreError> {
        let (size, line) = after.map_or((0, ""), |row| (row.size, &*row.signature));
        let arguments = vec![Value::Id(firm.0), size.put(), line.to_owned().put(), limit(most)];
        self.fetch(&COSIGNATURES_AFTER, arguments).await
    }

    /// Keeps a witness's signature. Whether it was not kept before.
    pub async fn keep_cosignature(
        &self,
        firm: FirmId,
        made: &CosignatureRow,
    ) -> Result<bool, StoreError> {
        let values = [made.size.put(), made.signature.put(), made.added_at.put()];
        self.keep(firm, &KEEP_COSIGNATURE, values).await
    }

    async fn keep<const N: usize>(
        &self,
        firm: FirmId,
        statement: &'static Statement,
        values: [Value; N],
    ) -> Result<bool, StoreError> {
        let arguments = std::iter::once(Value::Id(firm.0)).chain(values).collect();
        Ok(self.change(firm, vec![(statement, arguments)]).await? == [1])
    }

    /// Copies all of it to another store, where what is there already stays.
    pub async fn copy_audit_to(&self, target: &Self, firm: FirmId) -> Result<(), StoreError> {
        for key in self.signing_keys(firm).await? {
            let mut statements = vec![(&KEEP_SIGNING_KEY, key_values(firm, &key))];
            // It may have been copied before, while it was in force.
            if let Some(at) = key.retired_at {
                statements.push((&RETIRE, retirement(firm, &key.key_id, at)));
            }
            if let Some(at) = key.revoked_at {
                statements.push((&REVOKE, vec![Value::Id(firm.0), key.key_id.put(), at.put()]));
            }
            target.change(firm, statements).await?;
        }
        for key in self.witness_keys(firm).await? {
            target.keep_witness_key(firm, &key).await?;
        }
        let mut below = None;
        loop {
            let page = self.checkpoints_below(firm, below, CHECKPOINTS_PAGE).await?;
            let Some(last) = page.last() else { return Ok(()) };
            below = Some(last.size);
            for checkpoint in &page {
                target.keep_checkpoint(firm, checkpoint).await?;
                for signature in self.cosignatures(firm, checkpoint.size).await? {
                    target.keep_cosignature(firm, &signature).await?;
                }
            }
        }
    }
}

/// Checkpoints of one page of a copy.
const CHECKPOINTS_PAGE: u32 = 500;

fn retirement(firm: FirmId, key_id: &str, at: UtcMicros) -> Vec<Value> {
    let key_id = Value::Text(key_id.to_owned());
    vec![Value::Id(firm.0), key_id, at.put(), Value::Bytes(Vec::new())]
}

fn key_values(firm: FirmId, key: &SigningKeyRow) -> Vec<Value> {
    let SigningKeyRow {
        key_id,
        name,
        public_key,
        sealed_private,
        created_at,
        retired_at,
        revoked_at,
    } = key;
    vec![
        Value::Id(firm.0),
        key_id.put(),
        name.put(),
        public_key.put(),
        sealed_private.put(),
        created_at.put(),
        retired_at.put(),
        revoked_at.put(),
    ]
}
