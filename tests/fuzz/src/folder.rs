//! A bundle that its firm made up: any files, with root, checkpoint, manifest and both signatures as
//! they have to be, so that what is wrong in a file is met by its reader and not by a hash before it.

use std::collections::BTreeMap;
use std::io::{Cursor, Write as _};

use ::bundle::{FORMAT, Trust};
use proof::note::Note;
use proof::{Checkpoint, Frontier, leaf_hash};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use crate::proofs::KEY;

type Files = BTreeMap<String, Vec<u8>>;

/// Files, each its name, a line end and its bytes, parted by NUL: the verifier answers, and says nothing
/// that a terminal obeys.
pub(crate) fn folder(bytes: &[u8]) {
    let mut files = Files::new();
    for file in bytes.split(|byte| *byte == 0) {
        let end = file.iter().position(|byte| *byte == b'\n').unwrap_or(file.len());
        let name = String::from_utf8_lossy(&file[..end]).into_owned();
        files.insert(name, file.get(end + 1..).unwrap_or_default().to_vec());
    }
    sign(&mut files);
    let Some(archive) = packed(&files) else { return };
    let mut file = tempfile::NamedTempFile::new().expect("room for a file");
    file.write_all(&archive).expect("room for a file");
    let trust = Trust { public_keys: vec![KEY.verifier().clone().into()], ..Trust::default() };
    match ::bundle::verify(file.path(), &trust, |_, _| {}) {
        Ok(verified) => {
            let told = verified.findings.iter().chain(&verified.remarks);
            told.for_each(|finding| crate::check_words(&finding.to_string()));
        }
        Err(error) => crate::check_words(&error.to_string()),
    }
}

fn note(text: String) -> Vec<u8> {
    Note::signed(text, &[&KEY]).map(|note| note.to_string().into_bytes()).unwrap_or_default()
}

/// Makes checkpoint and manifest of the files, as who holds the key can.
fn sign(files: &mut Files) {
    let mut frontier = Frontier::new();
    if let Some(events) = files.get("events.jsonl") {
        for event in events.split(|byte| *byte == b'\n').filter(|event| !event.is_empty()) {
            frontier.push(leaf_hash(event));
        }
    }
    let origin = KEY.verifier().name().clone();
    let checkpoint = Checkpoint::new(origin.clone(), frontier.size(), frontier.root());
    if files.contains_key("checkpoint.txt") {
        files.insert("checkpoint.txt".into(), note(checkpoint.body()));
    }
    let manifest = files.get("manifest.json").and_then(|bytes| serde_json::from_slice(bytes).ok());
    let Some(Value::Object(mut manifest)) = manifest else { return };
    let listed = files.iter().filter(|(name, _)| !name.starts_with("manifest."));
    let hashed = listed.map(|(name, bytes)| {
        json!({"bytes": bytes.len(), "name": name, "sha256": hex::encode(Sha256::digest(bytes))})
    });
    let hashed: Vec<Value> = hashed.collect();
    manifest.insert("files".into(), hashed.into());
    manifest.insert("root".into(), frontier.root().hex().into());
    manifest.insert("tree_size".into(), frontier.size().into());
    manifest.insert("events".into(), frontier.size().into());
    let manifest = Value::Object(manifest).to_string().into_bytes();
    let hash = hex::encode(Sha256::digest(&manifest));
    files.insert("manifest.json".into(), manifest);
    files
        .insert("manifest.note".into(), note(format!("{FORMAT}\nlog {origin}\nmanifest {hash}\n")));
}

/// The archive as the format lays it out; nothing where a name cannot stand in one.
fn packed(files: &Files) -> Option<Vec<u8>> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let first = ["README.txt", "FORMAT.md", "manifest.json", "manifest.note"];
    let rest = files.keys().map(String::as_str).filter(|name| !first.contains(name));
    for name in first.into_iter().filter(|name| files.contains_key(*name)).chain(rest) {
        zip.start_file(name, options).ok()?;
        zip.write_all(&files[name]).ok()?;
    }
    Some(zip.finish().ok()?.into_inner())
}
