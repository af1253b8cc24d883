//! `check-proof`: what a stranger does with a proof, offline.

use std::path::PathBuf;

use anyhow::{Context, anyhow};
use api::json::from_json;
use api::v1;
use bundle::GivenKey;
use clap::Args;
use proof::note::{Note, VerifierKey};
use proof::{Checkpoint, Hash, leaf_hash, tree};
use serde_json::json;

use super::keys::given_key;
use crate::exit::Exit;
use crate::out::Out;

/// What to check, and by which keys.
#[derive(Args)]
pub(crate) struct CheckProofArgs {
    /// The proof, as `prove --json` gives it
    #[arg(value_name = "FILE")]
    proof: PathBuf,
    /// The verifier key of the log, or of a witness; one of those given has to have signed. A whole line of
    /// `keys export-public` says too which sizes of the log it signed
    #[arg(long = "key", required = true, value_name = "TEXT", value_parser = given_key)]
    keys: Vec<GivenKey>,
    /// The event's canonical bytes, as ReadEvents gives them: they must be what is proved
    #[arg(long, value_name = "FILE")]
    event: Option<PathBuf>,
}

/// Checks a proof. What does not hold ends with the code of a log that is not sound.
pub(crate) fn run(args: &CheckProofArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let file = args.proof.display();
    let text =
        std::fs::read_to_string(&args.proof).with_context(|| format!("cannot read {file}"))?;
    let is_inclusion = text.contains("\"leafHash\"");
    let checked = if is_inclusion { inclusion(args, &text) } else { consistency(args, &text) };
    let (sound, said) = match checked {
        Ok(said) => (true, said),
        Err(why) => (false, why.to_string()),
    };
    if out.is_json() {
        out.value(&json!({ "sound": sound, "what": said }))?;
    } else {
        out.line(if sound { said } else { format!("NOT PROVED: {said}") })?;
    }
    Ok(if sound { Exit::Done } else { Exit::Unsound })
}

fn inclusion(args: &CheckProofArgs, text: &str) -> anyhow::Result<String> {
    let proof: v1::GetInclusionProofResponse = read(text, "GetInclusionProofResponse")?;
    let leaf = hash(&proof.leaf_hash)?;
    if let Some(file) = &args.event {
        let event =
            std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
        // Canonical JSON ends in a brace; an editor may have added a newline.
        if leaf_hash(event.trim_ascii_end()) != leaf {
            anyhow::bail!("the event is not the one that is proved");
        }
    }
    let checkpoint = signed(args, proof.checkpoint.as_ref())?;
    let index = u64::try_from(proof.leaf_index).context("the leaf's place is negative")?;
    let hashes = hashes(&proof.hashes)?;
    tree::verify_inclusion(&leaf, index, checkpoint.size, &hashes, &checkpoint.root)?;
    let (origin, size) = (&checkpoint.origin, checkpoint.size);
    Ok(format!("Event {} is in the log {origin} of {size} events.", index + 1))
}

fn consistency(args: &CheckProofArgs, text: &str) -> anyhow::Result<String> {
    let proof: v1::GetConsistencyProofResponse = read(text, "GetConsistencyProofResponse")?;
    let old = signed(args, proof.old_checkpoint.as_ref())?;
    let new = signed(args, proof.new_checkpoint.as_ref())?;
    if old.origin != new.origin {
        anyhow::bail!("the checkpoints are of two logs");
    }
    let hashes = hashes(&proof.hashes)?;
    tree::verify_consistency(old.size, &old.root, new.size, &new.root, &hashes)?;
    let (origin, old, new) = (&new.origin, old.size, new.size);
    Ok(format!("The log {origin} of {new} events begins with what it held at {old}."))
}

fn read<M: prost::Message + Default>(text: &str, name: &str) -> anyhow::Result<M> {
    let read = from_json(text.trim_end(), &format!("counterfoil.v1.{name}"));
    read.map_err(|error| anyhow!("the file is no proof: {error}"))
}

/// What the note says, if one of the keys signed it: nothing else of the file is believed.
fn signed(args: &CheckProofArgs, kept: Option<&v1::Checkpoint>) -> anyhow::Result<Checkpoint> {
    let kept = kept.context("there is no signed checkpoint of that size")?;
    let note: Note = kept.note.parse().context("the checkpoint is no signed note")?;
    let checkpoint: Checkpoint = note.text().parse().context("the note is about no log")?;
    let known = args.keys.iter().filter(|key| key.covers(checkpoint.size));
    let known: Vec<VerifierKey> = known.map(|given| given.key.clone()).collect();
    note.verify(&known)
        .context("the checkpoint is not signed by a key given, at a size that it signed")?;
    Ok(checkpoint)
}

fn hash(bytes: &[u8]) -> anyhow::Result<Hash> {
    let bytes: [u8; 32] = bytes.try_into().context("a hash is 32 bytes")?;
    Ok(bytes.into())
}

fn hashes(all: &[Vec<u8>]) -> anyhow::Result<Vec<Hash>> {
    all.iter().map(|bytes| hash(bytes)).collect()
}
