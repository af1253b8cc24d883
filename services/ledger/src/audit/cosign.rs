//! Signatures of witnesses: whoever signs a checkpoint elsewhere has seen the same log.

use api::FieldErrors;
use api::requests::CosignatureAsked;
use api::status::Failure;
use proof::Checkpoint;
use proof::note::NoteError;
use store::CosignatureRow;

use super::checkpoint::{self, Signed};
use super::keys;
use crate::ledger::Ledger;

/// Keeps what registered witnesses signed of a kept checkpoint.
pub(super) async fn add(ledger: &Ledger, asked: CosignatureAsked) -> Result<Signed, Failure> {
    let CosignatureAsked { firm, note } = asked;
    let wrong = |rule: &str| Failure::from(FieldErrors::one("note", rule));
    let signed: Checkpoint =
        note.text().parse().map_err(|_| wrong("must be a note about a checkpoint"))?;
    let own = checkpoint::get(ledger, firm, Some(signed.size)).await?;
    if own.note.text() != note.text() {
        return Err(wrong("must have the text of the kept checkpoint of its size"));
    }
    let witnesses = keys::witnesses(ledger, firm).await?;
    let signers = note.verify(&witnesses).map_err(|error| match error {
        NoteError::Unsigned => wrong("must have a signature of a registered witness"),
        NoteError::Signature
        | NoteError::Name
        | NoteError::NewName
        | NoteError::Key
        | NoteError::Text
        | NoteError::Form
        | NoteError::Limit => wrong("has a signature of a registered witness that does not hold"),
    })?;
    let is_known = |signature: &&proof::note::Signature| {
        signers.iter().any(|key| key.name() == signature.name() && key.id() == signature.id())
    };
    for signature in note.signatures().iter().filter(is_known) {
        let signature = signature.to_string();
        let row = CosignatureRow { size: signed.size, signature, added_at: ledger.now() };
        ledger.store().keep_cosignature(firm, &row).await?;
    }
    Ok(own)
}
