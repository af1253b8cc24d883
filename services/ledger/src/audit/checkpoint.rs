//! Making, reading and presenting checkpoints.
//!
//! A checkpoint says that the log is what it is and nothing else, for ever. So none is signed before
//! the tiles were found to lead to the head's root, and to continue the tree of the last checkpoint
//! that is kept, whose note is checked again for that.

use api::scalar::{int64, timestamp};
use api::status::Failure;
use api::{name, v1};
use domain::ids::FirmId;
use log::ProveError;
use proof::note::{Note, VerifierKey};
use proof::tile::ProofPlan;
use proof::{Checkpoint, Hash, tree};
use store::KeptCheckpoint;

use super::keys;
use crate::ledger::Ledger;

/// Most times a checkpoint is tried again because another process kept one first.
const TRIES_MAX: u32 = 5;

/// Signs the log as it stands, or gives what was signed of it before.
pub(super) async fn make(ledger: &Ledger, firm: FirmId) -> Result<Signed, Failure> {
    for _ in 0..TRIES_MAX {
        if let Some(signed) = try_make(ledger, firm).await? {
            return Ok(signed);
        }
    }
    Err(Failure::Unavailable)
}

/// One try; nothing if another process kept a checkpoint meanwhile.
async fn try_make(ledger: &Ledger, firm: FirmId) -> Result<Option<Signed>, Failure> {
    // The last one first: the log is at least as long when it is looked at.
    let last = ledger.store().latest_checkpoint(firm).await?;
    let head = ledger.engine().head(firm).await?;
    if head.position == 0 {
        return Err(Failure::NotFound { resource_type: "Firm", name: name::firm(firm) });
    }
    let (size, root) = (head.position, head.root());
    if root_from_tiles(ledger, firm, size).await? != root {
        return Err(corrupt(size, "the tiles lead to another root than the head's"));
    }
    let previous_size = match checked(ledger, firm, last).await? {
        None => 0,
        Some(last) => {
            continues(ledger, firm, &last.checkpoint, (size, root)).await?;
            if last.checkpoint.size == size {
                return Ok(Some(last));
            }
            last.checkpoint.size
        }
    };
    let signer = keys::signer(ledger, firm).await?;
    let body = Checkpoint::new(signer.verifier().name().clone(), size, root).body();
    let note = Note::signed(body, &[&signer]).map_err(Failure::internal)?;
    let note_text = note.to_string();
    let kept = KeptCheckpoint { size, previous_size, made_at: ledger.now(), note_text };
    if !ledger.store().keep_checkpoint(firm, &kept).await? {
        return Ok(None);
    }
    tracing::info!(%firm, size, %root, key = %signer.verifier().id(), "signed a checkpoint");
    checked(ledger, firm, Some(kept)).await
}

/// That a tree begins with what a checkpoint signed.
async fn continues(
    ledger: &Ledger,
    firm: FirmId,
    before: &Checkpoint,
    (size, root): (u64, Hash),
) -> Result<(), Failure> {
    let Some(plan) = ProofPlan::consistency(before.size, size) else {
        return Err(corrupt(size, "the log ends before its last checkpoint"));
    };
    let hashes = hashes(ledger, firm, &plan).await?;
    tree::verify_consistency(before.size, &before.root, size, &root, &hashes)
        .map_err(|_| corrupt(before.size, "the log does not continue its last checkpoint"))
}

/// One checkpoint, or the latest.
pub(super) async fn get(
    ledger: &Ledger,
    firm: FirmId,
    size: Option<u64>,
) -> Result<Signed, Failure> {
    let store = ledger.store();
    let (kept, name) = match size {
        Some(size) => (store.checkpoint_at(firm, size).await?, name::checkpoint(firm, size)),
        None => (store.latest_checkpoint(firm).await?, name::latest_checkpoint(firm)),
    };
    let found = checked(ledger, firm, kept).await?;
    found.ok_or(Failure::NotFound { resource_type: "Checkpoint", name })
}

/// The checkpoint of a size, if one is kept.
pub(super) async fn of_size(
    ledger: &Ledger,
    firm: FirmId,
    size: u64,
) -> Result<Option<Signed>, Failure> {
    let kept = ledger.store().checkpoint_at(firm, size).await?;
    checked(ledger, firm, kept).await
}

/// What is kept, held against every key that the firm ever signed with.
async fn checked(
    ledger: &Ledger,
    firm: FirmId,
    kept: Option<KeptCheckpoint>,
) -> Result<Option<Signed>, Failure> {
    let Some(kept) = kept else { return Ok(None) };
    Signed::read(kept, &keys::own(ledger, firm).await?).map(Some)
}

/// A kept checkpoint whose note is what a key of the firm signed.
pub(super) struct Signed {
    pub(super) kept: KeptCheckpoint,
    pub(super) note: Note,
    pub(super) checkpoint: Checkpoint,
}

impl Signed {
    /// Checks a kept note with the keys that the firm ever signed with.
    pub(super) fn read(kept: KeptCheckpoint, keys: &[VerifierKey]) -> Result<Self, Failure> {
        let changed = || corrupt(kept.size, "a kept checkpoint is not what was signed");
        let note: Note = kept.note_text.parse().map_err(|_| changed())?;
        note.verify(keys).map_err(|_| changed())?;
        let checkpoint: Checkpoint = note.text().parse().map_err(|_| changed())?;
        if checkpoint.size == kept.size {
            Ok(Self { kept, note, checkpoint })
        } else {
            Err(changed())
        }
    }

    /// The checkpoint as callers see it, with the signatures of witnesses.
    pub(super) async fn message(
        self,
        ledger: &Ledger,
        firm: FirmId,
    ) -> Result<v1::Checkpoint, Failure> {
        let Self { kept, mut note, checkpoint } = self;
        for row in ledger.store().cosignatures(firm, kept.size).await? {
            let added = row.signature.parse().and_then(|signature| note.with_signature(signature));
            note = added.map_err(|_| corrupt(kept.size, "a kept signature does not read"))?;
        }
        Ok(v1::Checkpoint {
            name: name::checkpoint(firm, kept.size),
            size: int64(kept.size),
            root: checkpoint.root.hex(),
            note: note.to_string(),
            made_at: Some(timestamp(kept.made_at)),
            previous_size: int64(kept.previous_size),
        })
    }
}

/// The hashes of a proof, unchecked.
pub(super) async fn hashes(
    ledger: &Ledger,
    firm: FirmId,
    plan: &ProofPlan,
) -> Result<Vec<Hash>, Failure> {
    let made = ledger.engine().prove(firm, plan, ledger.limits().read_wait).await;
    made.map_err(unproved)
}

/// Why there is no proof.
pub(super) fn unproved(error: ProveError) -> Failure {
    match error {
        ProveError::Behind(behind) => behind.into(),
        ProveError::Store(error) => error.into(),
    }
}

/// The root that the tiles lead to.
pub(super) async fn root_from_tiles(
    ledger: &Ledger,
    firm: FirmId,
    size: u64,
) -> Result<Hash, Failure> {
    let root = hashes(ledger, firm, &ProofPlan::root(size)).await?;
    root.first().copied().ok_or_else(|| Failure::internal("a tree without a root"))
}

/// The log, its tiles or a note are not what was written.
pub(super) fn corrupt(position: u64, what: &str) -> Failure {
    tracing::error!(position, what, "the log cannot be proved");
    Failure::Corrupt { position }
}
