//! Checking a bundle, offline, against nothing but itself, a public key, and what the caller noted
//! earlier.

mod difference;
mod events;
mod papers;
mod tables;

use std::path::Path;

use domain::ids::FirmId;
use proof::Hash;
use proof::note::{Note, VerifierKey};

use crate::archive::{ArchiveError, ArchiveReader, FILES_MAX};
use crate::scope::Request;

/// Most findings that are kept; the rest is counted.
pub const FINDINGS_MAX: usize = 1_000;

/// Something that does not agree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The file of the bundle.
    pub file: String,
    /// The line of the file, counted from 1.
    pub row: Option<u64>,
    /// The position in the firm's log.
    pub position: Option<u64>,
    /// What is wrong, without personal values.
    pub what: String,
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.file)?;
        if let Some(row) = self.row {
            write!(f, ", row {row}")?;
        }
        if let Some(position) = self.position {
            write!(f, ", position {position}")?;
        }
        write!(f, ": {}", self.what)
    }
}

/// What the caller knows from elsewhere than the bundle.
#[derive(Clone, Debug, Default)]
pub struct Trust {
    /// The firm's public keys: the bundled one must be among them. None means that the caller knows
    /// of none.
    pub public_keys: Vec<VerifierKey>,
    /// The log had at least so many events.
    pub not_before: Option<u64>,
    /// An earlier checkpoint of the same log.
    pub earlier: Option<Note>,
}

/// How an earlier checkpoint was held against the bundle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consistency {
    /// None was given.
    NotAsked,
    /// The log begins with what it held then: its root was met on the way.
    Proved,
    /// The bundle holds a part of the log, which cannot show it.
    CannotSay,
    /// It does not agree; a finding says so.
    Refuted,
}

/// What a verification found.
#[derive(Clone, Debug)]
pub struct Verified {
    /// What does not agree; nothing if the bundle is sound.
    pub findings: Vec<Finding>,
    /// Findings beyond [`FINDINGS_MAX`].
    pub findings_left_out: u64,
    /// The firm.
    pub firm: Option<FirmId>,
    /// What the bundle says it holds.
    pub request: Option<Request>,
    /// Events read.
    pub events: u64,
    /// Cases among them.
    pub cases: usize,
    /// The log's size at the checkpoint.
    pub size: u64,
    /// The root that the events and subtrees make.
    pub root: Hash,
    /// The key that the signatures were checked with.
    pub key: Option<VerifierKey>,
    /// Whether that key came from the caller and not from the bundle.
    pub key_is_given: bool,
    /// Sealed values that were opened.
    pub opened: usize,
    /// What came of an earlier checkpoint.
    pub consistency: Consistency,
}

impl Verified {
    /// Whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.findings.is_empty()
    }
}

/// Findings as they come, with their limit.
#[derive(Debug, Default)]
struct Findings {
    kept: Vec<Finding>,
    left_out: u64,
}

impl Findings {
    fn add(
        &mut self,
        file: &str,
        row: Option<u64>,
        position: Option<u64>,
        what: impl Into<String>,
    ) {
        if self.kept.len() >= FINDINGS_MAX {
            self.left_out += 1;
            return;
        }
        let file = file.to_owned();
        self.kept.push(Finding { file, row, position, what: what.into() });
    }

    fn of_file(&mut self, file: &str, what: impl Into<String>) {
        self.add(file, None, None, what);
    }

    fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }
}

/// Checks a bundle. `progress` is told how many bytes of events were read, and of how many.
pub fn verify(
    path: &Path,
    trust: &Trust,
    mut progress: impl FnMut(u64, u64),
) -> Result<Verified, ArchiveError> {
    let mut archive = ArchiveReader::open(path)?;
    let mut findings = Findings::default();
    list(&archive, &mut findings);
    let papers = papers::read(&mut archive, trust, &mut findings);
    let mut verified = Verified {
        findings: Vec::new(),
        findings_left_out: 0,
        firm: papers.manifest.as_ref().map(|manifest| manifest.firm),
        request: papers.manifest.as_ref().map(|manifest| manifest.request.clone()),
        events: 0,
        cases: 0,
        size: papers.checkpoint.as_ref().map_or(0, |checkpoint| checkpoint.size),
        root: proof::empty_root(),
        key: papers.key.clone(),
        key_is_given: !trust.public_keys.is_empty(),
        opened: 0,
        consistency: Consistency::NotAsked,
    };
    let has_events = archive.has(crate::names::EVENTS);
    if !has_events {
        findings.of_file(crate::names::EVENTS, "it is missing");
    }
    if let (Some(manifest), Some(checkpoint), true) =
        (&papers.manifest, &papers.checkpoint, has_events)
    {
        let read =
            events::read(&archive, &papers, manifest, checkpoint, &mut findings, &mut progress)?;
        verified.events = read.events;
        verified.cases = read.gather.cases.len();
        verified.root = read.root;
        verified.opened = read.gather.openings_met;
        verified.consistency = read.consistency;
        tables::check(&archive, manifest, checkpoint, read, &mut findings)?;
    }
    verified.findings = findings.kept;
    verified.findings_left_out = findings.left_out;
    Ok(verified)
}

/// Holds the names of the files against the format.
fn list(archive: &ArchiveReader, findings: &mut Findings) {
    let names: Vec<&str> = archive.names().collect();
    if archive.repeats_names() {
        findings.of_file("the archive", "two of its files have one name");
    }
    if names.len() > FILES_MAX {
        findings.of_file("the archive", format!("it has more than {FILES_MAX} files"));
    }
    for name in names {
        if !crate::names::is_known(name) {
            findings.of_file(name, "the format has no file of this name");
        }
    }
}
