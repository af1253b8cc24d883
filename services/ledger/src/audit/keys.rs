//! The keys that sign a firm's checkpoints: one in force at a time, and all there ever were.

use api::scalar::{int64, timestamp};
use api::status::{Failure, with_causes};
use api::v1;
use bundle::KeySpan;
use domain::event::UtcMicros;
use domain::ids::FirmId;
use log::{Ids as _, StoreError, UuidV7Ids};
use proof::note::{KeyName, Note, NoteError, Signature, SignerKey, VerifierKey};
use store::{KeptCheckpoint, SigningKeyRow, WITNESS_KEYS_MAX, WitnessKeyRow};
use vault::WrapError;
use zeroize::Zeroizing;

use crate::ledger::Ledger;

/// The origin of a log whose key is made without one, before the firm's id.
const ORIGIN: &str = "counterfoil.example/firms/";

/// Checkpoints that are read at once.
const CHECKPOINTS_AT_ONCE: u32 = 1_000;

/// Why a key is not made, used or changed.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// A key is in force already.
    #[error("signing key {key_id} is in force already")]
    InForce {
        /// Which.
        key_id: String,
    },
    /// No key is in force.
    #[error("no signing key is in force")]
    NoneInForce,
    /// The key is not there, or was taken back before.
    #[error("there is no such signing key that was not taken back")]
    Unknown,
    /// A log keeps its origin for ever.
    #[error("the origin of this log is {origin}, and stays so")]
    Origin {
        /// What it is.
        origin: String,
    },
    /// Another process changed the keys at the same time.
    #[error("another process changed the keys at the same time")]
    Changed,
    /// A witness's key has the name of the log.
    #[error("the key has the name of the log, which only the firm's own keys have")]
    WitnessName,
    /// As many witnesses are registered as there can be.
    #[error("there are {WITNESS_KEYS_MAX} witnesses already")]
    TooManyWitnesses,
    /// A name or a stored key does not read.
    #[error("a name or a stored key is not what it should be")]
    Note(#[from] NoteError),
    /// The sealed seed does not open under the firm keys, or is not this key's.
    #[error("the seed of the signing key does not open")]
    Sealed(#[from] WrapError),
    /// The store failed.
    #[error("the keys cannot be read or written")]
    Store(#[from] StoreError),
}

impl From<KeyError> for Failure {
    fn from(error: KeyError) -> Self {
        match error {
            KeyError::NoneInForce => Self::Unready {
                reason: "NO_SIGNING_KEY",
                what: "the firm has no signing key in force",
            },
            KeyError::Store(error) => error.into(),
            KeyError::Sealed(_)
            | KeyError::InForce { .. }
            | KeyError::Unknown
            | KeyError::Origin { .. }
            | KeyError::Changed
            | KeyError::TooManyWitnesses
            | KeyError::WitnessName
            | KeyError::Note(_) => Self::internal(with_causes(&error)),
        }
    }
}

/// What a sealed seed is, and whose.
fn purpose(firm: FirmId, key_id: &str) -> String {
    format!("counterfoil/signing/1/{firm}/{key_id}")
}

pub(super) fn verifier_of(row: &SigningKeyRow) -> Result<VerifierKey, NoteError> {
    VerifierKey::new(KeyName::parse(&row.name)?, row.public_key.as_bytes())
}

/// The key in force, of all there are.
fn in_force(rows: &[SigningKeyRow]) -> Option<&SigningKeyRow> {
    rows.iter().find(|row| row.retired_at.is_none())
}

/// Every key that ever signed for a firm.
pub(super) async fn own(ledger: &Ledger, firm: FirmId) -> Result<Vec<VerifierKey>, KeyError> {
    let rows = ledger.store().signing_keys(firm).await?;
    rows.iter().map(|row| Ok(verifier_of(row)?)).collect()
}

/// Every key that signed a checkpoint that is kept, with the sizes of the first and the last: what a bundle lists.
/// A key takes over where the one before it ends, so the whole list of checkpoints is read once.
pub(super) async fn spans(ledger: &Ledger, firm: FirmId) -> Result<Vec<KeySpan>, KeyError> {
    let rows = ledger.store().signing_keys(firm).await?;
    let keys: Vec<VerifierKey> = rows.iter().map(verifier_of).collect::<Result<_, _>>()?;
    let mut spans: Vec<Option<KeySpan>> = vec![None; keys.len()];
    let mut below = None;
    loop {
        let page = ledger.store().checkpoints_below(firm, below, CHECKPOINTS_AT_ONCE).await?;
        let Some(lowest) = page.last() else { break };
        below = Some(lowest.size);
        for KeptCheckpoint { size, note_text, .. } in &page {
            let note: Note = note_text.parse()?;
            for (place, key) in keys.iter().enumerate() {
                let signed = |signature: &Signature| {
                    (signature.name(), signature.id()) == (key.name(), key.id())
                };
                if !note.signatures().iter().any(signed) {
                    continue;
                }
                let is_revoked = rows[place].revoked_at.is_some();
                let new = KeySpan { key: key.clone(), first: *size, last: *size, is_revoked };
                let span = spans[place].get_or_insert(new);
                (span.first, span.last) = (span.first.min(*size), span.last.max(*size));
            }
        }
    }
    let mut spans: Vec<KeySpan> = spans.into_iter().flatten().collect();
    spans.sort_by_key(|span| span.first);
    Ok(spans)
}

/// Every registered witness.
pub(super) async fn witnesses(ledger: &Ledger, firm: FirmId) -> Result<Vec<VerifierKey>, KeyError> {
    let rows = ledger.store().witness_keys(firm).await?;
    rows.iter().map(|row| Ok(row.verifier_key.parse()?)).collect()
}

/// The key in force, opened.
pub(super) async fn signer(ledger: &Ledger, firm: FirmId) -> Result<SignerKey, KeyError> {
    let rows = ledger.store().signing_keys(firm).await?;
    opened(ledger, firm, in_force(&rows).ok_or(KeyError::NoneInForce)?)
}

/// A key, opened.
pub(super) fn opened(
    ledger: &Ledger,
    firm: FirmId,
    row: &SigningKeyRow,
) -> Result<SignerKey, KeyError> {
    let firm_keys = ledger.engine().firm_keys();
    let seed = firm_keys.unwrap_secret(&purpose(firm, &row.key_id), &row.sealed_private)?;
    let signer = SignerKey::from_seed(KeyName::parse(&row.name)?, &seed);
    // A seed under another key's name would sign what nobody can check.
    if *signer.verifier() != verifier_of(row)? {
        return Err(WrapError::Altered.into());
    }
    Ok(signer)
}

/// A new key, sealed, made after all others whatever the clock says: keys are listed in their order.
fn new_row(
    ledger: &Ledger,
    (firm, name): (FirmId, KeyName),
    before: &[SigningKeyRow],
) -> (SigningKeyRow, VerifierKey) {
    let seed = Zeroizing::new(UuidV7Ids::new().key());
    let verifier = SignerKey::from_seed(name, &seed).verifier().clone();
    let (key_id, now) = (verifier.id().to_string(), ledger.now());
    let row = SigningKeyRow {
        sealed_private: ledger.engine().firm_keys().wrap_secret(&purpose(firm, &key_id), &seed),
        key_id,
        name: verifier.name().to_string(),
        public_key: (*verifier.public_key()).into(),
        created_at: before.last().map_or(now, |last| now.max(UtcMicros(last.created_at.0 + 1))),
        retired_at: None,
        revoked_at: None,
    };
    (row, verifier)
}

impl Ledger {
    /// Makes the signing key of a firm that has none in force. Its name is the origin of the firm's log,
    /// the same for ever: the one asked for, or `counterfoil.example/firms/` and the firm's id.
    pub async fn create_signing_key(
        &self,
        firm: FirmId,
        origin: Option<KeyName>,
    ) -> Result<VerifierKey, KeyError> {
        let rows = self.store().signing_keys(firm).await?;
        if let Some(row) = in_force(&rows) {
            return Err(KeyError::InForce { key_id: row.key_id.clone() });
        }
        let name = match (rows.last(), origin) {
            (Some(row), Some(origin)) if row.name != origin.as_str() => {
                return Err(KeyError::Origin { origin: row.name.clone() });
            }
            (Some(row), _) => KeyName::parse(&row.name)?,
            (None, Some(origin)) => origin.for_new_key()?,
            (None, None) => KeyName::parse(&format!("{ORIGIN}{firm}"))?,
        };
        let (row, verifier) = new_row(self, (firm, name), &rows);
        let kept = self.store().keep_signing_key(firm, &row, None).await?;
        if kept { Ok(verifier) } else { Err(KeyError::Changed) }
    }

    /// Makes a new signing key and retires the one in force, whose seed is gone by that. What it signed
    /// stays checkable.
    pub async fn rotate_signing_key(&self, firm: FirmId) -> Result<VerifierKey, KeyError> {
        let rows = self.store().signing_keys(firm).await?;
        let old = in_force(&rows).ok_or(KeyError::NoneInForce)?;
        let (row, verifier) = new_row(self, (firm, KeyName::parse(&old.name)?), &rows);
        let kept = self.store().keep_signing_key(firm, &row, Some(&old.key_id)).await?;
        if kept { Ok(verifier) } else { Err(KeyError::Changed) }
    }

    /// Takes a signing key back, in force or not: it signs no more, its seed is gone, and it is listed
    /// as one that nobody should trust.
    pub async fn revoke_signing_key(&self, firm: FirmId, key_id: &str) -> Result<(), KeyError> {
        let revoked = self.store().revoke_signing_key(firm, key_id, self.now()).await?;
        if revoked { Ok(()) } else { Err(KeyError::Unknown) }
    }

    /// Wraps the seed of the key in force anew, if another firm key wrapped it than the one in use.
    pub async fn rewrap_signing_key(&self, firm: FirmId) -> Result<bool, KeyError> {
        let firm_keys = self.engine().firm_keys();
        let rows = self.store().signing_keys(firm).await?;
        let Some(row) = in_force(&rows) else { return Ok(false) };
        if firm_keys.is_current(&row.sealed_private) {
            return Ok(false);
        }
        let purpose = purpose(firm, &row.key_id);
        let seed = firm_keys.unwrap_secret(&purpose, &row.sealed_private)?;
        let sealed = firm_keys.wrap_secret(&purpose, &seed);
        Ok(self.store().rewrap_signing_key(firm, row, sealed).await?)
    }

    /// Registers a witness, whose signatures of checkpoints are kept from then on. Whether it is new.
    pub async fn register_witness(
        &self,
        firm: FirmId,
        key: &VerifierKey,
    ) -> Result<bool, KeyError> {
        key.name().clone().for_new_key()?;
        // Whoever reads a checkpoint knows the firm's own keys by the name of the log.
        if self.store().signing_keys(firm).await?.iter().any(|row| row.name == key.name().as_str())
        {
            return Err(KeyError::WitnessName);
        }
        let known = self.store().witness_keys(firm).await?.len();
        if u32::try_from(known).is_ok_and(|known| known >= WITNESS_KEYS_MAX) {
            return Err(KeyError::TooManyWitnesses);
        }
        let row = WitnessKeyRow { verifier_key: key.to_string(), added_at: self.now() };
        Ok(self.store().keep_witness_key(firm, &row).await?)
    }
}

/// Every key as callers see it: the firm's own, then those of witnesses.
pub(super) async fn messages(
    ledger: &Ledger,
    firm: FirmId,
) -> Result<Vec<v1::SigningKey>, KeyError> {
    let spans = spans(ledger, firm).await?;
    let mut keys = Vec::new();
    for row in ledger.store().signing_keys(firm).await? {
        let state = match (row.revoked_at, row.retired_at) {
            (Some(_), _) => v1::SigningKeyState::Revoked,
            (None, Some(_)) => v1::SigningKeyState::Retired,
            (None, None) => v1::SigningKeyState::Active,
        };
        let verifier = verifier_of(&row)?;
        let span = spans.iter().find(|span| span.key == verifier);
        keys.push(v1::SigningKey {
            first_tree_size: int64(span.map_or(0, |span| span.first)),
            last_tree_size: int64(span.map_or(0, |span| span.last)),
            verifier_key: verifier.to_string(),
            key_id: row.key_id,
            state: state.into(),
            created_at: Some(timestamp(row.created_at)),
            retired_at: row.retired_at.map(timestamp),
            revoked_at: row.revoked_at.map(timestamp),
        });
    }
    for row in ledger.store().witness_keys(firm).await? {
        let key: VerifierKey = row.verifier_key.parse()?;
        keys.push(v1::SigningKey {
            key_id: key.id().to_string(),
            verifier_key: row.verifier_key,
            state: v1::SigningKeyState::Witness.into(),
            created_at: Some(timestamp(row.added_at)),
            ..v1::SigningKey::default()
        });
    }
    Ok(keys)
}
