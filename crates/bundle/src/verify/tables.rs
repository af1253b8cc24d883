//! Every file against the manifest, and every table and report against the events.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read as _;

use domain::event::StreamId;
use domain::ids::{AccountId, CaseId};
use domain::world::Impossible;
use proof::Checkpoint;

use super::earlier::{LeftOut, Lines};
use super::events::Pass;
use super::{FINDINGS_MAX, Findings, difference};
use crate::archive::{ArchiveError, ArchiveReader, joined};
use crate::derive::{Charge, Frame, Named, Rows, Since, Untold, Why, timeline_row};
use crate::envelope::Envelope;
use crate::index::{ByStream, HELD_BYTES_MAX, Unread};
use crate::manifest::{Format, Manifest};
use crate::names;
use crate::outlet::{Kept, Outlet as _, Spools};
use crate::recordable::NOT_ANEW;
use crate::scope::Request;
use crate::spool::{Digest, Digester, Spooled};
use crate::tables::{TABLES, at, place_of};
use crate::telling::{TellError, tell_all};

const BLOCK_BYTES: usize = 64 << 10;

/// Compares them all.
pub(super) fn check(
    archive: &ArchiveReader,
    (manifest, edition): (&Manifest, u32),
    checkpoint: &Checkpoint,
    pass: Pass,
    findings: &mut Findings,
) -> Result<(), ArchiveError> {
    let Pass { mut gather, lines, digest, mut derived, .. } = pass;
    let events_are_sound = findings.is_empty();
    let Some(as_of) = gather.last_day() else {
        let what = "no event tells a day, so no table and no report was made again";
        findings.of_file(names::EVENTS, what);
        let (found, unread) = digests(archive, digest);
        unreadable(unread, findings);
        against_manifest(archive, manifest, &found, findings);
        return Ok(());
    };
    let names = std::mem::take(&mut gather.names);
    let is_part = manifest.format != Format::V1 && manifest.request != Request::All;
    let told_of = is_part.then(|| gather.cases.clone());
    let format = manifest.format;
    let frame = Frame {
        format,
        edition,
        as_of,
        size: checkpoint.size,
        root: checkpoint.root,
        names,
        told_of,
    };
    let by_stream = gather.index.by_stream();
    let mut faults = Faults::default();
    let ((found, unread), told) = std::thread::scope(|scope| {
        let hashing = scope.spawn(|| Ok(digests(archive, digest)));
        let told = tell_all(&by_stream, &lines, &frame, |mut rows| {
            faults.take(&mut rows);
            derived.rows(&rows)
        });
        joined(hashing, "hashes").map(|found| (found, told))
    })?;
    unreadable(unread, findings);
    against_manifest(archive, manifest, &found, findings);
    let is_whole = manifest.request == Request::All;
    let untold: Vec<uuid::Uuid> = faults.untold.iter().map(|untold| untold.client).collect();
    faults.report(|case| is_whole || by_stream.has(&StreamId::Case(case)), findings);
    match told {
        Ok(()) => {}
        Err(TellError::Io(error)) => return Err(ArchiveError::Io(error)),
        Err(error @ TellError::Folding) => {
            let what = format!("{error}, so no table and no report was compared");
            findings.of_file(names::EVENTS, what);
            return Ok(());
        }
    }
    let expected = derived.finish();
    let differing = differing(archive, format, &expected, &found, &untold, findings)?;
    if differing.is_empty() {
        return Ok(());
    }
    if !untold.is_empty() {
        for name in differing {
            let what = "it was not compared: of a client not everything was made again";
            findings.of_file(&name, what);
        }
        return Ok(());
    }
    if !events_are_sound {
        for name in differing {
            findings.of_file(&name, "it is not what these events make");
        }
        return Ok(());
    }
    let kept = again(&by_stream, &lines, &frame)?;
    for name in differing {
        locate(archive, format, &name, &kept, findings)?;
    }
    Ok(())
}

/// What telling finds.
#[derive(Default)]
struct Faults {
    unread: BTreeSet<Unread>,
    untold: Vec<Untold>,
    by_position: Vec<(u64, String)>,
    charges: Charges,
}

impl Faults {
    fn take(&mut self, rows: &mut Rows) {
        self.unread.extend(rows.unread.drain(..).take(FINDINGS_MAX));
        self.untold.append(&mut rows.untold);
        self.by_position.append(&mut rows.faults);
        self.charges.take(rows);
    }

    fn report(mut self, has: impl Fn(CaseId) -> bool, findings: &mut Findings) {
        for Unread { line, position, what } in self.unread {
            findings.add(names::EVENTS, Some(line), position, what);
        }
        for Untold { client, why } in self.untold {
            let (position, why) = match why {
                Why::Impossible(Impossible { position, what }) => {
                    (Some(position), format!("do not fit together ({what})"))
                }
                Why::Failed => (None, "do not fit together".to_owned()),
                Why::TooMuch => {
                    (None, format!("have more than {HELD_BYTES_MAX} bytes without personal values"))
                }
            };
            let what = format!(
                "the events of client {client} {why}, so not all of its tables and page was made again"
            );
            findings.add(names::EVENTS, None, position, what);
        }
        self.charges.check(has, &mut self.by_position);
        for (position, what) in self.by_position {
            findings.add(names::EVENTS, None, Some(position), what);
        }
    }
}

fn unreadable(unread: Vec<(String, ArchiveError)>, findings: &mut Findings) {
    for (name, error) in unread {
        findings.of_file(&name, format!("it cannot be read: {error}"));
    }
}

/// Fees and the lines of invoices, to be held against each other: no line without a fee of its own.
#[derive(Default)]
struct Charges {
    /// The fees of each case and period: one that was given back may be claimed anew.
    earned: BTreeMap<(CaseId, u32), Vec<Charge>>,
    lines: Vec<(u64, Charge)>,
    moved: Vec<(u64, AccountId)>,
    settled: BTreeSet<(u64, AccountId)>,
    names: Vec<Named>,
    agreements: Since,
    shares: Since,
}

impl Charges {
    fn take(&mut self, rows: &Rows) {
        for fee in &rows.earned {
            self.earned.entry((fee.case, fee.period)).or_default().push(*fee);
        }
        self.agreements.take(&rows.agreements);
        self.shares.take(&rows.shares);
        self.lines.extend_from_slice(&rows.lines);
        self.moved.extend_from_slice(&rows.moved);
        self.settled.extend(rows.settled.iter().copied());
        self.names.extend_from_slice(&rows.names);
    }

    fn check(&mut self, has: impl Fn(CaseId) -> bool, faults: &mut Vec<(u64, String)>) {
        for (number, line) in &self.lines {
            // The fees of a case that is not in the bundle are not seen.
            let fees = self.earned.get_mut(&(line.case, line.period));
            let is_of_it = |fee: &Charge| {
                fee.position < line.position
                    && (Charge { position: line.position, ..*fee }) == *line
            };
            let own = fees.and_then(|fees| {
                let at = fees.iter().position(is_of_it)?;
                Some(fees.swap_remove(at))
            });
            if own.is_none() && has(line.case) {
                let what =
                    format!("a line of invoice {number} has no earned fee of its own behind it");
                faults.push((line.position, what));
            }
        }
        for &(position, to) in &self.moved {
            if has(to.owner()) && !self.settled.contains(&(position + 1, to)) {
                faults.push((position, NOT_ANEW.to_owned()));
            }
        }
        // A processor's name is of one movement in the whole firm. Earlier software let it be of one in each account.
        self.names.sort_unstable();
        for pair in self.names.windows(2) {
            if let [first, second] = pair
                && first.name == second.name
            {
                let Named { name, position, account } = first;
                let what =
                    format!("{name} is recorded on account {account} at position {position} too");
                faults.push((second.position, what));
            }
        }
        // Only a log that earlier software wrote has such events, and none of later software before them.
        for (since, what) in [
            (&self.agreements, "the fee names no agreement, and one before it does"),
            (&self.shares, "it does not say which lines it is of, and money before it does"),
        ] {
            faults.extend(since.too_late().map(|position| (position, what.to_owned())));
        }
    }
}

/// Digests by file, and the files that cannot be read, with the reason.
type Found = (BTreeMap<String, Digest>, Vec<(String, ArchiveError)>);

/// The digest of every file of the archive but the events, which were read already and of which there is none if
/// they cannot be read to their end.
fn digests(archive: &ArchiveReader, of_events: Option<Digest>) -> Found {
    let names: Vec<String> = archive.names().map(str::to_owned).collect();
    let (mut digests, mut unread) = (BTreeMap::new(), Vec::new());
    let mut block = vec![0; BLOCK_BYTES];
    for name in names {
        if name == names::EVENTS {
            digests.extend(of_events.map(|digest| (name, digest)));
            continue;
        }
        match digest(archive, &name, &mut block) {
            Ok(digest) => {
                digests.insert(name, digest);
            }
            Err(error) => unread.push((name, error)),
        }
    }
    (digests, unread)
}

/// The digest of one file, which is read block by block.
fn digest(archive: &ArchiveReader, name: &str, block: &mut [u8]) -> Result<Digest, ArchiveError> {
    let mut digester = Digester::default();
    let mut file = archive.file(name)?;
    loop {
        let read = file.read(block)?;
        if read == 0 {
            return Ok(digester.finish());
        }
        digester.take(&block[..read]);
    }
}

fn against_manifest(
    archive: &ArchiveReader,
    manifest: &Manifest,
    found: &BTreeMap<String, Digest>,
    findings: &mut Findings,
) {
    for (name, digest) in found {
        if [names::MANIFEST, names::MANIFEST_NOTE].contains(&name.as_str()) {
            continue;
        }
        match manifest.files.get(name) {
            None => findings.of_file(name, "the manifest does not list it"),
            Some(listed) if listed != digest => {
                findings.of_file(name, "length or SHA-256 are not the manifest's");
            }
            Some(_) => {}
        }
        if names::as_document(name).is_some_and(|(_, hash)| hash.0 != digest.sha256) {
            findings.of_file(name, "these are not the bytes of the document that it is named for");
        }
    }
    for name in manifest.files.keys().filter(|name| !archive.has(name)) {
        findings.of_file(name, "the manifest lists it, and it is not there");
    }
}

/// The tables and reports that are there and not what the events make.
fn differing(
    archive: &ArchiveReader,
    format: Format,
    expected: &BTreeMap<String, Digest>,
    found: &BTreeMap<String, Digest>,
    untold: &[uuid::Uuid],
    findings: &mut Findings,
) -> Result<Vec<String>, ArchiveError> {
    let mut differing = Vec::new();
    for (name, digest) in expected {
        let left_out = LeftOut::of(format, name);
        let found = match found.get(name) {
            Some(_) if left_out == LeftOut::Everything => continue,
            Some(_) if left_out != LeftOut::Nothing => Some(left_out.digest(archive.file(name)?)?),
            found => found.copied(),
        };
        match found {
            // That a table is missing, or a file cannot be read, was said before.
            None if place_of(name).is_some() || archive.has(name) => {}
            None => findings.of_file(name, "it is missing"),
            Some(found) if found != *digest => differing.push(name.clone()),
            Some(_) => {}
        }
    }
    let is_derived = |name: &&String| name.starts_with("report/") || name.starts_with("tables/");
    // What would be made of a client whose events do not fold is not known.
    let unknown: BTreeSet<String> =
        untold.iter().map(|client| names::report(CaseId(*client))).collect();
    let is_unmade = |name: &&String| !expected.contains_key(*name) && !unknown.contains(*name);
    for name in found.keys().filter(is_derived).filter(is_unmade) {
        findings.of_file(name, "the events make no such file");
    }
    Ok(differing)
}

/// Derives everything once more, to be looked at line by line.
fn again(by_stream: &ByStream, lines: &Spooled, frame: &Frame) -> Result<Kept, ArchiveError> {
    use std::io::BufRead as _;
    let mut spools = Spools::new()?;
    let mut rows = String::new();
    for line in std::io::BufReader::new(lines.open()?).lines() {
        let line = line?;
        if let Some(envelope) = Envelope::read(&line) {
            rows.clear();
            timeline_row(&envelope, &proof::leaf_hash(line.as_bytes()), frame.format, &mut rows);
            spools.table(at::TIMELINE, &rows)?;
        }
    }
    let told = tell_all(by_stream, lines, frame, |rows| spools.rows(&rows));
    told.map_err(|error| ArchiveError::Io(std::io::Error::other(error)))?;
    Ok(spools.finish()?)
}

/// Names the first line of a file that is not what the events make.
fn locate(
    archive: &ArchiveReader,
    format: Format,
    name: &str,
    kept: &Kept,
    findings: &mut Findings,
) -> Result<(), ArchiveError> {
    use std::io::{Seek as _, SeekFrom};
    let found = Lines::of(LeftOut::of(format, name), archive.file(name)?);
    if let Some(place) = place_of(name) {
        let expected = kept.tables[place].open()?;
        let (row, what) = difference::in_table(&TABLES[place], expected, found)?;
        findings.add(name, Some(row), None, what);
    } else if let Some((offset, digest)) = kept.pages.get(name) {
        let mut expected = kept.reports.open()?;
        expected.seek(SeekFrom::Start(*offset))?;
        let row = difference::line_of(expected.take(digest.bytes), found)?;
        findings.add(name, Some(row), None, "the line is not what the events make");
    }
    Ok(())
}
