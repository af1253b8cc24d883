//! Bundles of a random history, taken apart and put together again by somebody who is not the
//! exporter.

use std::collections::BTreeMap;
use std::io::{Cursor, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::Command;

use bundle::{
    Document, Documents, Export, ExportError, KeySpan, Openings, Request, Scope, Scout, Signing,
};
use domain::event::{AccountEvent, Event, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, DocumentHash};
use proof::note::{KeyName, Note, SignerKey};
use proof::{Checkpoint, Frontier, leaf_hash};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::history::{Crm, Shape, firm_id};
use crate::player::Player;

/// The log's origin and the name of its key.
pub const ORIGIN: &str = "ledger.example/firm";

/// The firm's signing key.
pub fn key() -> SignerKey {
    SignerKey::from_seed(KeyName::parse(ORIGIN).expect("a name of ours"), &[7; 32])
}

/// A key of the same name that is not the firm's.
pub fn other_key() -> SignerKey {
    SignerKey::from_seed(KeyName::parse(ORIGIN).expect("a name of ours"), &[8; 32])
}

/// The signed checkpoint over the first events of a log.
pub fn checkpoint(log: &[Vec<u8>], key: &SignerKey) -> Note {
    let mut frontier = Frontier::new();
    for event in log {
        frontier.push(leaf_hash(event));
    }
    checkpoint_of(&frontier, key)
}

/// The signed checkpoint over the leaves of a log.
pub fn checkpoint_of(frontier: &Frontier, key: &SignerKey) -> Note {
    let origin = KeyName::parse(ORIGIN).expect("a name of ours");
    let checkpoint = Checkpoint::new(origin, frontier.size(), frontier.root());
    Note::signed(checkpoint.body(), &[key]).expect("a checkpoint is a note")
}

/// The keys that signed a log: the firm's one, from its first event to its last.
pub fn spans(events: usize) -> Vec<KeySpan> {
    let last = u64::try_from(events).expect("a number of events");
    vec![KeySpan { key: key().verifier().clone(), first: 1, last, is_revoked: false }]
}

/// The canonical bytes of a log.
pub fn bytes(log: &[Recorded]) -> Vec<Vec<u8>> {
    log.iter().map(Recorded::to_bytes).collect()
}

/// Exports a bundle of a log as it is now.
pub fn export(log: &[Vec<u8>], request: Request) -> Vec<u8> {
    try_export(log, request, Openings::default()).expect("the log is sound")
}

/// The same, with openings and what may go wrong.
pub fn try_export(
    log: &[Vec<u8>],
    request: Request,
    openings: Openings,
) -> Result<Vec<u8>, ExportError> {
    export_with(log, request, openings, &BTreeMap::new())
}

/// Documents by their cases and hashes.
pub type Scans = BTreeMap<(CaseId, DocumentHash), Vec<u8>>;

/// The same with documents.
pub fn export_with(
    log: &[Vec<u8>],
    request: Request,
    openings: Openings,
    documents: &Scans,
) -> Result<Vec<u8>, ExportError> {
    let mut scout = Scout::new(request);
    let scope = if scout.is_needed() {
        for event in log {
            scout.look(event);
        }
        scout.finish().expect("the log has the case")
    } else {
        Scope::all()
    };
    let mut export = Export::new(firm_id(), scope, &checkpoint(log, &key()), openings)?;
    for event in log {
        export.push(event)?;
    }
    let list = documents.iter().map(|((case, hash), bytes)| Document {
        case: *case,
        hash: *hash,
        bytes: u64::try_from(bytes.len()).expect("a length"),
    });
    let of = |document: &Document| &documents[&(document.case, document.hash)];
    let mut open = |document: &Document| Ok(of(document).clone());
    let list = Documents::new(list.collect(), &mut open);
    let mut archive = Cursor::new(Vec::new());
    let (key, spans) = (key(), spans(log.len()));
    let exported = export.finish(Signing { key: &key, spans: &spans }, list, &mut archive)?;
    // As whoever sends the archive does.
    let mut rest = archive.get_ref().as_slice();
    let (mut whole, mut taken) = (Vec::new(), 0);
    for gap in &exported.gaps {
        let (before, after) = rest.split_at(usize::try_from(gap.after - taken).expect("a place"));
        whole.extend_from_slice(before);
        whole.extend_from_slice(of(&gap.document));
        (rest, taken) = (after, gap.after);
    }
    whole.extend_from_slice(rest);
    assert_eq!(u64::try_from(whole.len()), Ok(exported.bytes));
    Ok(whole)
}

/// The random firm of the first seed from one on that has what a test is about.
pub fn firm_with(
    seed: u64,
    shape: Shape,
    days: u32,
    wanted: impl Fn(&[Recorded]) -> bool,
) -> Player {
    let mut firms = (seed..seed + 200).map(|seed| Player::days(&mut Crm::new(seed, shape), days));
    firms.find(|player| wanted(&player.log)).expect("some random firm has it")
}

/// A couple: who moved its payments, and for good, to which account, on which its owner was asked for fees, and both
/// were if there is such a one.
pub fn couple(log: &[Recorded]) -> Option<(CaseId, AccountId)> {
    let is_asked = |account: AccountId, case: CaseId| {
        log.iter().any(|recorded| {
            let Event::Account(AccountEvent::InvoiceIssued(e)) = &recorded.event else {
                return false;
            };
            recorded.stream == StreamId::Account(account)
                && e.lines.iter().any(|line| line.case == case)
        })
    };
    let moved = log.iter().filter_map(|recorded| match (&recorded.event, recorded.stream) {
        (Event::Account(AccountEvent::PaymentMoved(e)), StreamId::Account(from)) => {
            let is_back = |other: &Recorded| {
                other.stream == recorded.stream
                    && matches!(&other.event, Event::Account(AccountEvent::PaymentMovedBack(_)))
            };
            let stays = !log.iter().any(is_back);
            stays.then_some((from.owner(), e.to))
        }
        _ => None,
    });
    let asked = moved.filter(|(_, to)| is_asked(*to, to.owner()));
    asked.max_by_key(|(case, to)| is_asked(*to, *case))
}

/// A bundle's files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unpacked(pub BTreeMap<String, Vec<u8>>);

impl Unpacked {
    /// Takes an archive apart.
    pub fn of(archive: &[u8]) -> Self {
        let mut zip = zip::ZipArchive::new(Cursor::new(archive)).expect("a zip file");
        let mut files = BTreeMap::new();
        for place in 0..zip.len() {
            let mut file = zip.by_index(place).expect("a file");
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes).expect("a whole file");
            files.insert(file.name().expect("a name").into_owned(), bytes);
        }
        Self(files)
    }

    /// Puts it together again.
    pub fn pack(&self, to: &Path) {
        std::fs::write(to, self.packed()).expect("room");
    }

    /// The archive, laid out as the format has it.
    pub fn packed(&self) -> Vec<u8> {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        let options = |name: &str| {
            let method = if name.starts_with("evidence/") {
                zip::CompressionMethod::Stored
            } else {
                zip::CompressionMethod::Deflated
            };
            let options = zip::write::SimpleFileOptions::default().compression_method(method);
            options.last_modified_time(zip::DateTime::default()).unix_permissions(0o644)
        };
        let first = ["README.txt", "FORMAT.md", "manifest.json", "manifest.note"];
        let rest = self.0.keys().map(String::as_str).filter(|name| !first.contains(name));
        let first = first.into_iter().filter(|name| self.0.contains_key(*name));
        for name in first.chain(rest) {
            zip.start_file(name, options(name)).expect("a name");
            zip.write_all(&self.0[name]).expect("room");
        }
        zip.finish().expect("room").into_inner()
    }

    /// A file's text.
    pub fn text(&self, name: &str) -> String {
        String::from_utf8(self.0[name].clone()).expect("UTF-8")
    }

    /// Writes the manifest anew over the files as they are now, as anybody can.
    pub fn rehash(&mut self) {
        let Ok(mut manifest) = serde_json::from_slice::<Value>(&self.0["manifest.json"]) else {
            return;
        };
        let listed = self.0.iter().filter(|(name, _)| !name.starts_with("manifest."));
        let files: Vec<Value> = listed
            .map(|(name, bytes)| {
                let sha256 = hex::encode(Sha256::digest(bytes));
                serde_json::json!({"bytes": bytes.len(), "name": name, "sha256": sha256})
            })
            .collect();
        if let Some(events) = self.0.get("events.jsonl") {
            manifest["events"] = (events.split(|byte| *byte == b'\n').count() - 1).into();
        }
        manifest["files"] = files.into();
        self.0.insert("manifest.json".into(), manifest.to_string().into_bytes());
    }

    /// The same, signed by the firm, if there is a manifest.
    pub fn rehash_if_listed(&mut self) {
        if self.0.contains_key("manifest.json") {
            self.rehash();
            if self.0.contains_key("manifest.note") {
                self.sign(&key());
            }
        }
    }

    /// Signs the manifest as it is now, as only who holds the key can.
    pub fn sign(&mut self, key: &SignerKey) {
        let manifest = &self.0["manifest.json"];
        let hash = hex::encode(Sha256::digest(manifest));
        let read: Option<Value> = serde_json::from_slice(manifest).ok();
        let format = read.as_ref().and_then(|read| read["format"].as_str());
        let format = format.unwrap_or(bundle::FORMAT);
        let text = format!("{format}\nlog {ORIGIN}\nmanifest {hash}\n");
        let note = Note::signed(text, &[key]).expect("a note");
        self.0.insert("manifest.note".into(), note.to_string().into_bytes());
    }

    /// The same with another file in the place of one, hashed and signed by the firm.
    #[must_use]
    pub fn forged(&self, name: &str, bytes: impl Into<Vec<u8>>) -> Self {
        let mut forged = self.clone();
        forged.0.insert(name.into(), bytes.into());
        forged.rehash();
        forged.sign(&key());
        forged
    }
}

/// The project's folder.
pub fn project() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the project's folder").to_owned()
}

/// The path of the verifier in Python.
pub fn python_verifier() -> PathBuf {
    project().join("crates/bundle/documents/verify.py")
}

/// What the verifier in Python finds in every archive of a folder, which holds `key.txt` too, and
/// `earlier.txt` if an earlier checkpoint is to be given.
pub fn python_findings(folder: &Path) -> BTreeMap<String, Vec<String>> {
    let batch = project().join("tests/reference/bundle_batch.py");
    let output = Command::new("python3")
        .arg(batch)
        .arg(python_verifier())
        .arg(folder)
        .arg(folder.join("key.txt"))
        .args(Some(folder.join("earlier.txt")).filter(|file| file.exists()))
        .output()
        .expect("python3 is there");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "the verifier in Python failed: {errors}");
    let lines = String::from_utf8(output.stdout).expect("UTF-8");
    let found = lines.lines().map(|line| {
        let line: Value = serde_json::from_str(line).expect("a line of JSON");
        let text = |value: &Value| value.as_str().expect("text").to_owned();
        let findings = line["findings"].as_array().expect("a list").iter().map(text).collect();
        (text(&line["name"]), findings)
    });
    found.collect()
}

/// Writes the firm's public key where [`python_findings`] looks for it.
pub fn write_key(folder: &Path) {
    let text = format!("{}\n", key().verifier());
    std::fs::write(folder.join("key.txt"), text).expect("a file of ours");
}

/// What the verifier in Rust finds, with the firm's key given.
pub fn rust_findings(path: &Path) -> Vec<String> {
    rust_findings_with(path, bundle::Trust::default())
}

/// The same beside an earlier checkpoint, which is in a file.
pub fn rust_findings_after(path: &Path, earlier: &Path) -> Vec<String> {
    let earlier = std::fs::read_to_string(earlier).expect("a note");
    let earlier = Some(earlier.parse().expect("a note"));
    rust_findings_with(path, bundle::Trust { earlier, ..bundle::Trust::default() })
}

fn rust_findings_with(path: &Path, trust: bundle::Trust) -> Vec<String> {
    let trust = bundle::Trust { public_keys: vec![key().verifier().clone().into()], ..trust };
    match bundle::verify(path, &trust, |_, _| {}) {
        Ok(verified) => verified.findings.iter().map(ToString::to_string).collect(),
        Err(error) => vec![error.to_string()],
    }
}
