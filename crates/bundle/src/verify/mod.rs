//! Checking a bundle, offline, against nothing but itself, a public key, and what the caller noted
//! earlier.

mod another;
mod difference;
mod earlier;
mod events;
mod order;
mod papers;
mod signed;
mod tables;
mod text;

use std::path::Path;

use domain::ids::FirmId;
use domain::judge::EDITION;
use proof::Hash;
use proof::note::{Note, VerifierKey};

use crate::archive::{ArchiveError, ArchiveReader};
use crate::keys::GivenKey;
use crate::layout::FILES_MAX;
use crate::manifest::Format;
use crate::names;
use crate::scope::Request;
use crate::tables::{TABLES, at};

pub use text::plain;

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
    /// The firm's public keys, oldest first, with the sizes that they signed: the bundled one must be among them.
    /// An earlier checkpoint may be of any of them that the bundle does not list, such as a witness's. None means
    /// that the caller knows of none.
    pub public_keys: Vec<GivenKey>,
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
    /// What is worth knowing and no fault of the bundle.
    pub remarks: Vec<Finding>,
    /// The format that it says it is of.
    pub format: Option<Format>,
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
    /// The key that the manifest's signature was checked with.
    pub key: Option<VerifierKey>,
    /// The keys that signed the checkpoint.
    pub signers: Vec<VerifierKey>,
    /// Whether that key came from the caller and not from the bundle.
    pub key_is_given: bool,
    /// Whether a key of the firm came from the caller without the sizes that it signed.
    pub key_is_unsized: bool,
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
    remarks: Vec<Finding>,
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
        self.kept.push(finding(file, row, position, what));
    }

    fn of_file(&mut self, file: &str, what: impl Into<String>) {
        self.add(file, None, None, what);
    }

    fn remark(
        &mut self,
        file: &str,
        row: Option<u64>,
        position: Option<u64>,
        what: impl Into<String>,
    ) {
        self.remarks.push(finding(file, row, position, what));
    }

    fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }
}

/// A finding whose texts no terminal obeys, whatever of the bundle is in them.
fn finding(
    file: &str,
    row: Option<u64>,
    position: Option<u64>,
    what: impl Into<String>,
) -> Finding {
    Finding { file: text::plain(file), row, position, what: text::plain(&what.into()) }
}

/// Checks a bundle. `progress` is told how many bytes of events were read, and of how many. What an earlier edition of the
/// rules judged is held against that edition, and a remark says so.
pub fn verify(
    path: &Path,
    trust: &Trust,
    mut progress: impl FnMut(u64, u64),
) -> Result<Verified, ArchiveError> {
    let now = verify_of(path, trust, EDITION, &mut progress)?;
    if now.is_sound() || !now.findings.iter().all(|finding| is_judged(&finding.file)) {
        return Ok(now);
    }
    for edition in (1..EDITION).rev() {
        let mut earlier = verify_of(path, trust, edition, &mut progress)?;
        if earlier.is_sound() {
            let what = format!(
                "its fees are as edition {edition} of the rules judged them, and agree with that; this program judges by \
                 edition {EDITION}"
            );
            earlier.remarks.push(finding(names::MANIFEST, None, None, what));
            return Ok(earlier);
        }
    }
    Ok(now)
}

/// Whether a file of a bundle says how fees are judged.
fn is_judged(file: &str) -> bool {
    let tables = [at::FEES, at::FEE_GATES, at::EXPOSURES];
    tables.into_iter().any(|table| TABLES[table].file() == file) || file.starts_with("report/")
}

fn verify_of(
    path: &Path,
    trust: &Trust,
    edition: u32,
    progress: &mut impl FnMut(u64, u64),
) -> Result<Verified, ArchiveError> {
    let archive = ArchiveReader::open(path)?;
    let mut findings = Findings::default();
    list(&archive, &mut findings);
    let papers = papers::read(&archive, trust, &mut findings);
    let format = papers.manifest.as_ref().map(|manifest| manifest.format);
    if let Some(fault) = archive.fault() {
        findings.of_file("the archive", fault);
    }
    let mut verified = Verified {
        findings: Vec::new(),
        findings_left_out: 0,
        remarks: Vec::new(),
        format,
        firm: papers.manifest.as_ref().map(|manifest| manifest.firm),
        request: papers.manifest.as_ref().map(|manifest| manifest.request.clone()),
        events: 0,
        cases: 0,
        size: papers.checkpoint.as_ref().map_or(0, |checkpoint| checkpoint.size),
        root: proof::empty_root(),
        key: papers.key.clone(),
        signers: papers.signers.clone(),
        key_is_given: !trust.public_keys.is_empty(),
        key_is_unsized: papers.checkpoint.as_ref().is_some_and(|checkpoint| {
            let is_own = |given: &&GivenKey| given.key.name() == &checkpoint.origin;
            trust.public_keys.iter().filter(is_own).any(|given| given.sizes.is_none())
        }),
        opened: 0,
        consistency: Consistency::NotAsked,
    };
    if let (Some(manifest), Some(checkpoint), true) =
        (&papers.manifest, &papers.checkpoint, archive.has(names::EVENTS))
    {
        let read = events::read(&archive, &papers, manifest, checkpoint, &mut findings, progress)?;
        verified.events = read.events;
        verified.cases = read.gather.cases.len();
        verified.root = read.root;
        verified.opened = read.gather.openings_met;
        verified.consistency = read.consistency;
        tables::check(&archive, (manifest, edition), checkpoint, read, &mut findings)?;
    } else {
        let what =
            "no event and no table was looked at: manifest, checkpoint or events are not there";
        findings.of_file("the bundle", what);
    }
    verified.findings = findings.kept;
    verified.findings_left_out = findings.left_out;
    verified.remarks = findings.remarks;
    Ok(verified)
}

/// Holds the names of the files against the format.
fn list(archive: &ArchiveReader, findings: &mut Findings) {
    if archive.repeats_names() {
        findings.of_file("the archive", "two of its files have one name");
    }
    if u64::try_from(archive.names().count()).unwrap_or(u64::MAX) > FILES_MAX {
        findings.of_file("the archive", format!("it has more than {FILES_MAX} files"));
    }
    for name in archive.names().filter(|name| !names::is_known(name)) {
        findings.of_file(name, "the format has no file of this name");
    }
    let tables = crate::tables::TABLES.iter().map(crate::tables::Table::file);
    for name in names::ALWAYS.iter().map(|name| (*name).to_owned()).chain(tables) {
        if !archive.has(&name) {
            findings.of_file(&name, "it is missing");
        }
    }
}
