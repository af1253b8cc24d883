//! Holding what is kept of proofs against the log: signed checkpoints, the keys that sign them, and the
//! signatures of witnesses.
//!
//! No event tells of any of it. What is said of it here is what follows from what else is kept.

use std::collections::BTreeMap;

use api::status::Failure;
use domain::event::UtcMicros;
use domain::ids::FirmId;
use log::{LogCheckpoint, Noted};
use proof::Checkpoint;
use proof::note::{Note, Signature, VerifierKey};
use store::{CosignatureRow, KeptCheckpoint, SigningKeyRow};

use super::keys;
use crate::ledger::Ledger;

/// Rows read at a time.
const ROWS_PAGE: u32 = 1_000;

/// What is wrong, and where in the log.
pub(crate) struct Finding {
    /// The size that a checkpoint signs; 0 of what belongs to no position.
    pub(crate) position: u64,
    /// What, beginning with the table.
    pub(crate) what: String,
}

/// What was found.
#[derive(Default)]
pub(crate) struct Kept {
    /// What the log has to begin with.
    pub(crate) noted: Vec<Noted>,
    /// The first thing that is not as it should be.
    pub(crate) finding: Option<Finding>,
    /// What cannot be known.
    pub(crate) remarks: Vec<String>,
}

/// Reads all of it. The roots are left to whoever reads the log.
pub(crate) async fn kept(ledger: &Ledger, firm: FirmId) -> Result<Kept, Failure> {
    let mut kept = Kept::default();
    let rows = ledger.store().signing_keys(firm).await?;
    match check(ledger, firm, &rows, &mut kept).await? {
        Ok(()) => {}
        Err(finding) => kept.finding = Some(finding),
    }
    if !kept.noted.is_empty() {
        kept.remarks.push(format!(
            "{} signed checkpoints are kept, and the log has the root of each. When one was made, and \
             whether later ones were taken away, no event tells: hold the log against one that was given \
             out, verify --checkpoint",
            kept.noted.len()
        ));
    }
    if !rows.is_empty() {
        let what = "when a signing key was made, and whether and when it was retired or revoked, stands \
                    in no event: the table signing_key alone says it";
        kept.remarks.push(what.to_owned());
    }
    Ok(kept)
}

/// What is wrong with the seed of the key in force. It opens under the firm keys alone, which the log is
/// verified without.
pub(crate) async fn seed_fault(ledger: &Ledger, firm: FirmId) -> Result<Option<String>, Failure> {
    let rows = ledger.store().signing_keys(firm).await?;
    let wrong = rows
        .iter()
        .filter(|row| row.retired_at.is_none())
        .find(|row| keys::opened(ledger, firm, row).is_err());
    Ok(wrong.map(|row| {
        format!(
            "the table signing_key: key {} is in force, and its seed does not open or is another key's",
            row.key_id
        )
    }))
}

async fn check(
    ledger: &Ledger,
    firm: FirmId,
    rows: &[SigningKeyRow],
    kept: &mut Kept,
) -> Result<Result<(), Finding>, Failure> {
    let own = match own_keys(rows) {
        Ok(own) => own,
        Err(what) => return Ok(Err(Finding { position: 0, what })),
    };
    let notes = match notes(checkpoints(ledger, firm).await?, &own) {
        Ok(notes) => notes,
        Err(finding) => return Ok(Err(finding)),
    };
    let how = "that the table checkpoint keeps";
    kept.noted =
        notes.values().map(|(_, checkpoint)| Noted { checkpoint: *checkpoint, how }).collect();
    let mut witnesses: Vec<VerifierKey> = Vec::new();
    for row in ledger.store().witness_keys(firm).await? {
        let Ok(key) = row.verifier_key.parse() else {
            let what = format!("the table witness_key: {} is no key", row.verifier_key);
            return Ok(Err(Finding { position: 0, what }));
        };
        witnesses.push(key);
    }
    let mut last: Option<CosignatureRow> = None;
    loop {
        let page = ledger.store().cosignatures_after(firm, last.as_ref(), ROWS_PAGE).await?;
        for row in &page {
            let note = notes.get(&row.size).map(|(note, _)| note);
            if !note.is_some_and(|note| holds(note, row, &witnesses)) {
                let what = "the table cosignature: a signature there is not of this checkpoint, or not \
                            of a witness that is registered";
                return Ok(Err(Finding { position: row.size, what: what.to_owned() }));
            }
        }
        match page.into_iter().next_back() {
            Some(row) => last = Some(row),
            None => return Ok(Ok(())),
        }
    }
}

/// The keys of the firm in the order they were made; what is wrong, if a row is not one of such a list.
fn own_keys(rows: &[SigningKeyRow]) -> Result<Vec<VerifierKey>, String> {
    let mut own = Vec::with_capacity(rows.len());
    let mut before: Option<UtcMicros> = None;
    for row in rows {
        let wrong = |what: &str| Err(format!("the table signing_key: key {} {what}", row.key_id));
        let Ok(key) = keys::verifier_of(row) else { return wrong("does not read") };
        if key.id().to_string() != row.key_id || row.name != rows[0].name {
            return wrong("is not the one that its name and public key make");
        }
        if before.is_some_and(|before| before >= row.created_at) {
            return wrong("was not made after the one before it");
        }
        before = Some(row.created_at);
        match row.retired_at {
            Some(_) if !row.sealed_private.is_empty() => {
                return wrong("signs no more, and its seed is still there");
            }
            None if row.revoked_at.is_some() => return wrong("was revoked, and still signs"),
            Some(_) | None => {}
        }
        own.push(key);
    }
    let in_force = rows.iter().filter(|row| row.retired_at.is_none()).count();
    if in_force > 1 {
        return Err(format!("the table signing_key: {in_force} keys are in force"));
    }
    Ok(own)
}

/// Every checkpoint that is kept, the smallest first.
async fn checkpoints(ledger: &Ledger, firm: FirmId) -> Result<Vec<KeptCheckpoint>, Failure> {
    let mut all: Vec<KeptCheckpoint> = Vec::new();
    loop {
        let below = all.last().map(|kept| kept.size);
        let page = ledger.store().checkpoints_below(firm, below, ROWS_PAGE).await?;
        if page.is_empty() {
            all.reverse();
            return Ok(all);
        }
        all.extend(page);
    }
}

/// Each checkpoint by its size: signed by a key of the firm, in the order of the keys, and one chain.
fn notes(
    all: Vec<KeptCheckpoint>,
    own: &[VerifierKey],
) -> Result<BTreeMap<u64, (Note, LogCheckpoint)>, Finding> {
    let mut notes = BTreeMap::new();
    let (mut before, mut key_before) = (0, 0);
    for kept in all {
        let KeptCheckpoint { size, previous_size, note_text, made_at: _ } = kept;
        let wrong = |what: &str| {
            Err(Finding {
                position: size,
                what: format!("the table checkpoint: size {size} {what}"),
            })
        };
        let read = note_text.parse::<Note>().ok();
        let read = read.and_then(|note| Some((note.text().parse::<Checkpoint>().ok()?, note)));
        let Some((checkpoint, note)) = read else { return wrong("does not read") };
        let signers = note.verify(own).unwrap_or_default();
        let place = own.iter().position(|key| signers.first() == Some(&key));
        let Some(place) = place else { return wrong("is not signed by a key of the firm") };
        if checkpoint.size != size || checkpoint.origin != *own[place].name() {
            return wrong("is not what its note signs");
        }
        if previous_size != before {
            return wrong("does not follow the one before it: one is missing or was changed");
        }
        if place < key_before {
            return wrong("is signed by a key that another one had replaced");
        }
        (before, key_before) = (size, place);
        let noted = LogCheckpoint { position: size, root: checkpoint.root };
        notes.insert(size, (note, noted));
    }
    Ok(notes)
}

fn holds(note: &Note, row: &CosignatureRow, witnesses: &[VerifierKey]) -> bool {
    let Ok(signature) = row.signature.parse::<Signature>() else { return false };
    let (name, id) = (signature.name().clone(), signature.id());
    let Ok(note) = note.clone().with_signature(signature) else { return false };
    let signers = note.verify(witnesses).unwrap_or_default();
    signers.iter().any(|key| *key.name() == name && key.id() == id)
}
