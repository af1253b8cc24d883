//! The small files: manifest, signatures, checkpoint, openings and the documents that never vary.

use std::collections::BTreeSet;

use proof::Checkpoint;
use proof::note::{Note, VerifierKey};

use super::signed::{Keys, spans};
use super::{Findings, Trust};
use crate::archive::ArchiveReader;
use crate::documents::{self, FORMAT_DOCUMENT, Facts, PYTHON_VERIFIER};
use crate::manifest::{Format, Manifest, note_text};
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
    /// The keys that signed the checkpoint.
    pub(super) signers: Vec<VerifierKey>,
    pub(super) checkpoint: Option<Checkpoint>,
    pub(super) earlier: Option<Checkpoint>,
    pub(super) openings: Openings,
}

/// Reads and checks them.
pub(super) fn read(archive: &ArchiveReader, trust: &Trust, findings: &mut Findings) -> Papers {
    let bundled = bundled_key(archive, findings);
    let known = |key: &VerifierKey| trust.public_keys.iter().any(|given| given.key == *key);
    let key = match (bundled, trust.public_keys.first()) {
        (bundled, None) => bundled,
        (Some(bundled), Some(_)) if known(&bundled) => Some(bundled),
        (bundled, Some(given)) => {
            if bundled.is_some() {
                findings.of_file(names::PUBLIC_KEY, "this is not a public key that was given");
            }
            Some(given.key.clone())
        }
    };
    let bytes = small(archive, names::MANIFEST, MANIFEST_BYTES_MAX, findings);
    let manifest = bytes.as_deref().and_then(Manifest::from_bytes);
    if bytes.is_some() && manifest.is_none() {
        findings.of_file(names::MANIFEST, "it is not a manifest in canonical form");
    }
    let note = checkpoint_note(archive, findings);
    let checkpoint = note.as_ref().and_then(|note| note.text().parse::<Checkpoint>().ok());
    if note.is_some() && checkpoint.is_none() {
        findings.of_file(names::CHECKPOINT, "it is not a checkpoint");
    }
    let format = manifest.as_ref().map_or(Format::LAST, |manifest| manifest.format);
    let size = checkpoint.as_ref().map(|checkpoint| checkpoint.size);
    let listed = text(archive, names::KEYS, SMALL_BYTES_MAX, findings);
    let keys = Keys {
        own: key.as_ref(),
        given: &trust.public_keys,
        spans: spans(listed.as_deref(), archive.has(names::KEYS), format, size, findings),
    };
    let mut signers = Vec::new();
    if let (Some(note), Some(checkpoint)) = (&note, &checkpoint) {
        signers = keys.bundled(checkpoint, note, findings);
    }
    if let (Some(bytes), Some(checkpoint), Some(key)) = (&bytes, &checkpoint, &key) {
        let expected = note_text(format, checkpoint.origin.as_str(), bytes);
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
    let earlier = keys.earlier(trust, checkpoint.as_ref(), &signers, findings);
    let openings = if archive.has(names::OPENINGS) {
        openings(archive, findings)
    } else {
        Openings::default()
    };
    Papers { manifest, key, signers, checkpoint, earlier, openings }
}

fn small(
    archive: &ArchiveReader,
    name: &str,
    bytes_max: u64,
    findings: &mut Findings,
) -> Option<Vec<u8>> {
    // That a file is missing is said where all of them are listed.
    if !archive.has(name) {
        return None;
    }
    match archive.read(name, bytes_max) {
        Ok(bytes) => Some(bytes),
        Err(error) => {
            findings.of_file(name, format!("it cannot be read: {error}"));
            None
        }
    }
}

fn text(
    archive: &ArchiveReader,
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

fn bundled_key(archive: &ArchiveReader, findings: &mut Findings) -> Option<VerifierKey> {
    let text = text(archive, names::PUBLIC_KEY, SMALL_BYTES_MAX, findings)?;
    let key: Option<VerifierKey> = text.strip_suffix('\n').and_then(|line| line.parse().ok());
    if key.as_ref().is_none_or(|key| format!("{key}\n") != text) {
        findings.of_file(names::PUBLIC_KEY, "it is not one verifier key");
        return None;
    }
    key
}

fn checkpoint_note(archive: &ArchiveReader, findings: &mut Findings) -> Option<Note> {
    let text = text(archive, names::CHECKPOINT, SMALL_BYTES_MAX, findings)?;
    let note: Option<Note> = text.parse().ok();
    let note = note.filter(|note| note.to_string() == text);
    if note.is_none() {
        findings.of_file(names::CHECKPOINT, "it is not a signed note");
    }
    let mut lines = BTreeSet::new();
    if !text.lines().all(|line| lines.insert(line)) {
        findings.of_file(names::CHECKPOINT, "it has a line twice");
    }
    note
}

fn manifest_note(
    archive: &ArchiveReader,
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
    archive: &ArchiveReader,
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
    if manifest.format < Format::LAST {
        return earlier_version(archive, manifest.format, &readme, findings);
    }
    for (name, expected) in [
        (names::README, readme.as_str()),
        (names::FORMAT, FORMAT_DOCUMENT),
        (names::DATA_DICTIONARY, &data_dictionary()),
        (names::VERIFIER, PYTHON_VERIFIER),
    ] {
        let Some(found) = small(archive, name, SMALL_BYTES_MAX, findings) else { continue };
        if found == expected.as_bytes() {
            continue;
        }
        if documents::is_of_version(manifest.format, name, &found) {
            findings.remark(name, None, None, "it is that of earlier software of this version");
        } else {
            let row = super::difference::first_line(expected.as_bytes(), &found);
            findings.add(name, Some(row), None, "it is not what this version of the format has");
        }
    }
}

/// The documents of a bundle of an earlier version are those of the software that wrote it. Of its front page
/// only what it states of this bundle is compared.
fn earlier_version(archive: &ArchiveReader, format: Format, readme: &str, findings: &mut Findings) {
    let facts = |text: &str| text.lines().skip(6).take(6).map(str::to_owned).collect::<Vec<_>>();
    if let Some(found) = text(archive, names::README, SMALL_BYTES_MAX, findings)
        && facts(&found) != facts(readme)
    {
        findings.add(names::README, Some(7), None, "it does not state what the manifest does");
    }
    for name in [names::FORMAT, names::VERIFIER] {
        if let Some(found) = small(archive, name, SMALL_BYTES_MAX, findings)
            && !documents::is_of_version(format, name, &found)
        {
            findings
                .of_file(name, "it is not what any software of this version of the format wrote");
        }
    }
    let version = match format {
        Format::V1 => "first",
        Format::V2 => "second",
        Format::V3 | Format::V4 => "third",
    };
    let mut what = format!(
        "of the {version} version of the format: the words of its README.txt and data dictionary are those \
         of the software that wrote it and were not compared"
    );
    if !format.guards_text() {
        what += ", and its text may hide characters or be calculated by a spreadsheet";
    }
    findings.remark(names::MANIFEST, None, None, what);
    findings.remark(names::MANIFEST, None, None, OF_EARLIER_EDITION);
}

/// What is not made again of a bundle that was written before these rules.
const OF_EARLIER_EDITION: &str = "the judgement of fees in it follows an earlier edition of the rules and was not made \
    again: of fees.csv only claimed fees were compared, and that periods were given up, and neither fee_gates.csv nor \
    whether exposures stand nor what pages say of all that";

fn openings(archive: &ArchiveReader, findings: &mut Findings) -> Openings {
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
