//! The small files: manifest, signatures, checkpoint, openings and the documents that never vary.

use proof::Checkpoint;
use proof::note::{Note, VerifierKey};

use super::{Findings, Trust};
use crate::archive::ArchiveReader;
use crate::documents::{self, FORMAT_DOCUMENT, Facts, PYTHON_VERIFIER};
use crate::manifest::{Manifest, note_text};
use crate::names;
use crate::openings::Openings;
use crate::tables::data_dictionary;

/// Most bytes of the manifest: it has a line for every client's report.
const MANIFEST_BYTES_MAX: u64 = 1 << 30;
/// Most bytes of any other small file.
const SMALL_BYTES_MAX: u64 = 1 << 20;
/// Most bytes of the openings.
const OPENINGS_BYTES_MAX: u64 = 16 << 20;

/// What the small files say.
pub(super) struct Papers {
    pub(super) manifest: Option<Manifest>,
    pub(super) key: Option<VerifierKey>,
    pub(super) checkpoint: Option<Checkpoint>,
    pub(super) earlier: Option<Checkpoint>,
    pub(super) openings: Openings,
}

/// Reads and checks them.
pub(super) fn read(archive: &mut ArchiveReader, trust: &Trust, findings: &mut Findings) -> Papers {
    let bundled = bundled_key(archive, findings);
    let known = |key: &VerifierKey| trust.public_keys.contains(key);
    let key = match (bundled, trust.public_keys.first()) {
        (bundled, None) => bundled,
        (Some(bundled), Some(_)) if known(&bundled) => Some(bundled),
        (bundled, Some(given)) => {
            if bundled.is_some() {
                findings.of_file(names::PUBLIC_KEY, "this is not a public key that was given");
            }
            Some(given.clone())
        }
    };
    let bytes = small(archive, names::MANIFEST, MANIFEST_BYTES_MAX, findings);
    let manifest = bytes.as_deref().and_then(Manifest::from_bytes);
    if bytes.is_some() && manifest.is_none() {
        findings.of_file(names::MANIFEST, "it is not a manifest in canonical form");
    }
    let checkpoint = checkpoint(archive, key.as_ref(), findings);
    if let (Some(bytes), Some(checkpoint), Some(key)) = (&bytes, &checkpoint, &key) {
        let expected = note_text(checkpoint.origin.as_str(), bytes);
        manifest_note(archive, &expected, key, findings);
    }
    if let Some(manifest) = &manifest {
        documents(archive, manifest, key.as_ref(), findings);
        if let Some(checkpoint) = &checkpoint
            && (manifest.tree_size, manifest.root) != (checkpoint.size, checkpoint.root)
        {
            findings.of_file(names::MANIFEST, "size or root are not the checkpoint's");
        }
    }
    let earlier = earlier(trust, key.as_ref(), checkpoint.as_ref(), findings);
    let openings = if archive.has(names::OPENINGS) {
        openings(archive, findings)
    } else {
        Openings::default()
    };
    Papers { manifest, key, checkpoint, earlier, openings }
}

fn small(
    archive: &mut ArchiveReader,
    name: &str,
    bytes_max: u64,
    findings: &mut Findings,
) -> Option<Vec<u8>> {
    match archive.read(name, bytes_max) {
        Ok(bytes) => Some(bytes),
        Err(error) => {
            findings.of_file(name, format!("it is missing or cannot be read: {error}"));
            None
        }
    }
}

fn text(
    archive: &mut ArchiveReader,
    name: &str,
    bytes_max: u64,
    findings: &mut Findings,
) -> Option<String> {
    let bytes = small(archive, name, bytes_max, findings)?;
    let text = String::from_utf8(bytes).ok();
    if text.is_none() {
        findings.of_file(name, "it is not UTF-8");
    }
    text
}

fn bundled_key(archive: &mut ArchiveReader, findings: &mut Findings) -> Option<VerifierKey> {
    let text = text(archive, names::PUBLIC_KEY, SMALL_BYTES_MAX, findings)?;
    let key: Option<VerifierKey> = text.strip_suffix('\n').and_then(|line| line.parse().ok());
    if key.as_ref().is_none_or(|key| format!("{key}\n") != text) {
        findings.of_file(names::PUBLIC_KEY, "it is not one verifier key");
        return None;
    }
    key
}

fn checkpoint(
    archive: &mut ArchiveReader,
    key: Option<&VerifierKey>,
    findings: &mut Findings,
) -> Option<Checkpoint> {
    let text = text(archive, names::CHECKPOINT, SMALL_BYTES_MAX, findings)?;
    let note: Option<Note> = text.parse().ok();
    let Some(note) = note else {
        findings.of_file(names::CHECKPOINT, "it is not a signed note");
        return None;
    };
    if let Some(key) = key
        && let Err(error) = note.verify(std::slice::from_ref(key))
    {
        findings.of_file(names::CHECKPOINT, format!("the signature does not hold: {error}"));
    }
    let checkpoint: Option<Checkpoint> = note.text().parse().ok();
    if checkpoint.is_none() {
        findings.of_file(names::CHECKPOINT, "it is not a checkpoint");
    }
    checkpoint
}

fn manifest_note(
    archive: &mut ArchiveReader,
    expected: &str,
    key: &VerifierKey,
    findings: &mut Findings,
) {
    let Some(text) = text(archive, names::MANIFEST_NOTE, SMALL_BYTES_MAX, findings) else { return };
    let note: Option<Note> = text.parse().ok();
    let Some(note) = note.filter(|note| note.signatures().len() == 1) else {
        return findings.of_file(names::MANIFEST_NOTE, "it is not a note with one signature");
    };
    if let Err(error) = note.verify(std::slice::from_ref(key)) {
        findings.of_file(names::MANIFEST_NOTE, format!("the signature does not hold: {error}"));
    }
    if note.text() != expected {
        findings.of_file(names::MANIFEST_NOTE, "it was signed for another manifest");
    }
    if note.to_string() != text {
        findings.of_file(names::MANIFEST_NOTE, "it is not spelled as a note is");
    }
}

/// The documents that are the same in every bundle, and the front page, which follows from the
/// manifest.
fn documents(
    archive: &mut ArchiveReader,
    manifest: &Manifest,
    key: Option<&VerifierKey>,
    findings: &mut Findings,
) {
    let key = key.map(ToString::to_string).unwrap_or_default();
    let readme = documents::readme(&Facts {
        firm: manifest.firm,
        request: &manifest.request,
        events: manifest.events,
        size: manifest.tree_size,
        root: manifest.root,
        public_key: &key,
    });
    for (name, expected) in [
        (names::README, readme.as_str()),
        (names::FORMAT, FORMAT_DOCUMENT),
        (names::DATA_DICTIONARY, &data_dictionary()),
        (names::VERIFIER, PYTHON_VERIFIER),
    ] {
        let Some(found) = small(archive, name, SMALL_BYTES_MAX, findings) else { continue };
        if found != expected.as_bytes() {
            let row = super::difference::first_line(expected.as_bytes(), &found);
            findings.add(name, Some(row), None, "it is not what this version of the format has");
        }
    }
}

fn openings(archive: &mut ArchiveReader, findings: &mut Findings) -> Openings {
    let Some(text) = text(archive, names::OPENINGS, OPENINGS_BYTES_MAX, findings) else {
        return Openings::default();
    };
    let read = Openings::from_lines(&text);
    if !text.ends_with('\n') {
        findings.of_file(names::OPENINGS, "its last line does not end");
    }
    read.unwrap_or_else(|error| {
        findings.of_file(names::OPENINGS, error.to_string());
        Openings::default()
    })
}

/// What was noted earlier: the bundle must not be older, and the same size must have the same root.
fn earlier(
    trust: &Trust,
    key: Option<&VerifierKey>,
    checkpoint: Option<&Checkpoint>,
    findings: &mut Findings,
) -> Option<Checkpoint> {
    let mut stale = |size: u64| {
        if let Some(now) = checkpoint.filter(|now| now.size < size) {
            let what = format!("it is stale: the log had {size} events already, not {}", now.size);
            findings.of_file(names::CHECKPOINT, what);
        }
    };
    if let Some(size) = trust.not_before {
        stale(size);
    }
    let note = trust.earlier.as_ref()?;
    let noted: Option<Checkpoint> = note.text().parse().ok();
    if let Some(noted) = &noted {
        stale(noted.size);
    }
    let signed = key.is_none_or(|key| note.verify(std::slice::from_ref(key)).is_ok());
    let named = "the earlier checkpoint";
    let (Some(noted), true) = (noted, signed) else {
        findings.of_file(named, "it is not one that this key signed");
        return None;
    };
    if checkpoint.is_some_and(|now| now.origin != noted.origin) {
        findings.of_file(named, "it is of another log");
        return None;
    }
    if let Some(now) = checkpoint
        && now.size == noted.size
        && now.root != noted.root
    {
        let what = "the log had another root at this size: the firm signed two histories";
        findings.of_file(names::CHECKPOINT, what);
    }
    Some(noted)
}
