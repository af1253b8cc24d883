//! The pass over the events: every line is an event in its place, and all of them and the subtrees
//! between make the checkpoint's root.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read};
use std::sync::mpsc::{Receiver, sync_channel};

use domain::event::StreamId;
use domain::ids::{CaseId, DocumentHash};
use proof::{Checkpoint, Hash, leaf_hash};

use super::another::OfAnother;
use super::order::{Looked, Order};
use super::papers::Papers;
use super::{Consistency, Findings};
use crate::archive::{ArchiveError, ArchiveReader, joined};
use crate::envelope::{EVENT_BYTES_MAX, Envelope};
use crate::export::{stated, stream_lines};
use crate::gather::{EVENTS_MAX, Gaps, Gather};
use crate::intake::Intake;
use crate::manifest::{Format, Manifest};
use crate::names;
use crate::outlet::Digests;
use crate::scope::{Request, expected_streams};
use crate::spool::{Digest, Digester, Spool, Spooled};
use crate::subtrees::{Run, cover};

/// Bytes of events unpacked at once.
const BLOCK_BYTES: usize = 256 << 10;
/// Blocks unpacked ahead of the reading.
const BLOCKS_AHEAD: usize = 8;
/// Most bytes of the statement of streams.
const STREAMS_BYTES_MAX: u64 = 1 << 30;

/// What the pass leaves.
pub(super) struct Pass {
    pub(super) gather: Gather,
    pub(super) lines: Spooled,
    /// Of the file of events; nothing if it does not unpack to its end.
    pub(super) digest: Option<Digest>,
    pub(super) derived: Digests,
    pub(super) events: u64,
    pub(super) root: Hash,
    pub(super) consistency: Consistency,
}

/// The hashes of what the bundle leaves out, one a line.
struct Subtrees<R> {
    lines: Option<R>,
    read: u64,
}

impl<R: BufRead> Subtrees<R> {
    /// The next hash; nothing if there is none or the line is not one.
    fn next(&mut self) -> Option<Hash> {
        let mut line = String::new();
        let hash_and_newline = 65;
        self.lines.as_mut()?.take(hash_and_newline).read_line(&mut line).ok()?;
        self.read += 1;
        let text = line.strip_suffix('\n')?;
        let hash = Hash::from_hex(text).ok()?;
        (hash.hex() == text).then_some(hash)
    }

    fn is_at_end(&mut self) -> bool {
        let Some(lines) = &mut self.lines else { return true };
        lines.fill_buf().is_ok_and(<[u8]>::is_empty)
    }
}

struct Reader<'a, R> {
    papers: &'a Papers,
    manifest: &'a Manifest,
    checkpoint: &'a Checkpoint,
    findings: &'a mut Findings,
    subtrees: Subtrees<R>,
    intake: Intake<Digests>,
    order: Order,
    whole: Run,
    events: u64,
    last_position: u64,
    /// Whether no root can be made of what was read, for a reason that was found.
    is_rootless: bool,
    consistency: Consistency,
    documents: Unnamed,
    of_another: OfAnother,
    /// Events recorded before the one before them, and the first of them by row and position.
    run_back: u64,
    first_run_back: Option<(u64, u64)>,
}

/// Documents of the archive that no event was found to name yet.
struct Unnamed {
    unnamed: BTreeMap<CaseId, BTreeSet<DocumentHash>>,
    /// Every case that a document is of.
    cases: BTreeSet<CaseId>,
}

impl Unnamed {
    fn of(archive: &ArchiveReader) -> Self {
        let mut all: BTreeMap<CaseId, BTreeSet<DocumentHash>> = BTreeMap::new();
        for (case, hash) in archive.names().filter_map(names::as_document) {
            all.entry(case).or_default().insert(hash);
        }
        Self { cases: all.keys().copied().collect(), unnamed: all }
    }

    /// An event names a document by its hash, in a member of its own or in a list. What comes back is wrong.
    fn take(&mut self, stream: StreamId, envelope: &Envelope<'_>) -> Option<&'static str> {
        let StreamId::Case(case) = stream else { return None };
        if let Some(hashes) = self.unnamed.get_mut(&case) {
            hashes.retain(|hash| !envelope.payload.contains(&format!("\"{hash}\"")));
        }
        (envelope.event == "client_erased" && self.cases.contains(&case))
            .then_some("the client was erased, and documents of the case are here")
    }

    fn report(&self, findings: &mut Findings) {
        for (case, hashes) in &self.unnamed {
            for hash in hashes {
                let name = names::document(*case, *hash);
                findings.of_file(&name, "no event of its case names it");
            }
        }
    }
}

/// Reads the events.
pub(super) fn read(
    archive: &ArchiveReader,
    papers: &Papers,
    manifest: &Manifest,
    checkpoint: &Checkpoint,
    findings: &mut Findings,
    progress: &mut impl FnMut(u64, u64),
) -> Result<Pass, ArchiveError> {
    let has_subtrees = archive.has(names::SUBTREES);
    let subtrees =
        if has_subtrees { Some(BufReader::new(archive.file(names::SUBTREES)?)) } else { None };
    check_parts(archive, manifest, findings);
    let gaps = match manifest.format {
        Format::V1 => Gaps::None,
        Format::V2 | Format::V3 | Format::V4 => Gaps::Stated,
    };
    let gather = Gather::new(manifest.firm, manifest.request.clone(), gaps);
    // The digest is made where the lines are unpacked.
    let lines = Spool::without_digest()?;
    let mut reader = Reader {
        papers,
        manifest,
        checkpoint,
        findings,
        subtrees: Subtrees { lines: subtrees, read: 0 },
        intake: Intake::new(gather, lines, Digests::new(), manifest.format),
        order: Order::default(),
        whole: Run::at(0),
        events: 0,
        last_position: 0,
        is_rootless: false,
        consistency: match &papers.earlier {
            None => Consistency::NotAsked,
            Some(_) if has_subtrees => Consistency::CannotSay,
            Some(_) => Consistency::Refuted,
        },
        documents: Unnamed::of(archive),
        of_another: OfAnother::default(),
        run_back: 0,
        first_run_back: None,
    };
    reader.meet_earlier();
    let of = manifest.files.get(names::EVENTS).map_or(0, |digest| digest.bytes);
    let digest = std::thread::scope(|scope| {
        let (blocks, unpacked) = sync_channel(BLOCKS_AHEAD);
        let unpacking = scope.spawn(move || unpack(archive, &blocks));
        let read = reader.lines(&unpacked, of, progress);
        drop(unpacked);
        let digest = joined(unpacking, "unpacks");
        read?;
        digest
    })?;
    let pass = reader.finish(digest)?;
    check_streams(archive, manifest, &pass.gather, findings);
    Ok(pass)
}

/// A whole log has no proofs beside it; a part has both.
fn check_parts(archive: &ArchiveReader, manifest: &Manifest, findings: &mut Findings) {
    let gaps = Some(names::GAPS).filter(|_| manifest.format != Format::V1);
    for name in [names::SUBTREES, names::STREAMS].into_iter().chain(gaps) {
        match (&manifest.request, archive.has(name)) {
            (Request::All, true) => findings.of_file(name, "a whole log needs no such file"),
            (Request::Cases(_) | Request::Days { .. }, false) => {
                findings.of_file(name, "it is missing");
            }
            (Request::All, false) | (Request::Cases(_) | Request::Days { .. }, true) => {}
        }
    }
}

/// Some lines of the events, without the last newline.
struct Block {
    /// Bytes where they are no text.
    text: Result<String, Vec<u8>>,
    /// Where each line ends, and its leaf hash.
    lines: Vec<(usize, Hash)>,
    /// What is wrong behind them.
    fault: Option<String>,
    /// Bytes of the file so far.
    done: u64,
}

/// Unpacks the events, block by block, and gives their digest, or none where they cannot be unpacked to their
/// end. Hashing is done here too, since this thread has less to do than the one that reads the lines.
fn unpack(
    archive: &ArchiveReader,
    blocks: &std::sync::mpsc::SyncSender<Block>,
) -> Result<Option<Digest>, ArchiveError> {
    let mut file = archive.file(names::EVENTS)?;
    let mut digester = Digester::default();
    let (mut begun, mut done) = (Vec::new(), 0);
    loop {
        let mut bytes = Vec::with_capacity(BLOCK_BYTES + begun.len());
        bytes.append(&mut begun);
        let had = bytes.len();
        let block = u64::try_from(BLOCK_BYTES).unwrap_or(u64::MAX);
        let damaged = (&mut file).take(block).read_to_end(&mut bytes).err();
        let unpacked = &bytes[had..];
        digester.take(unpacked);
        done += u64::try_from(unpacked.len()).unwrap_or(0);
        let at_end = unpacked.is_empty();
        if at_end && had == 0 && damaged.is_none() {
            return Ok(Some(digester.finish()));
        }
        let mut lines = Vec::new();
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', &bytes) {
            lines.push((end, leaf_hash(&bytes[from..end])));
            from = end + 1;
        }
        begun = bytes.split_off(from);
        let is_whole = at_end && damaged.is_none();
        let fault = if let Some(error) = damaged {
            Some(format!("it cannot be read from here on: {error}"))
        } else if at_end {
            Some("the last line does not end".to_owned())
        } else {
            (begun.len() > EVENT_BYTES_MAX).then(|| {
                "a line is longer than an event can be: neither it nor those behind it were read".to_owned()
            })
        };
        let text = String::from_utf8(bytes).map_err(std::string::FromUtf8Error::into_bytes);
        let is_over = fault.is_some();
        if blocks.send(Block { text, lines, fault, done }).is_err() || is_over {
            return Ok(is_whole.then(|| digester.finish()));
        }
    }
}

impl<R: BufRead> Reader<'_, R> {
    fn lines(
        &mut self,
        blocks: &Receiver<Block>,
        of: u64,
        progress: &mut impl FnMut(u64, u64),
    ) -> Result<(), ArchiveError> {
        for Block { text, lines, fault, done } in blocks {
            let mut from = 0;
            for (end, leaf) in lines {
                let line = match &text {
                    Ok(text) => text.get(from..end),
                    Err(bytes) => std::str::from_utf8(&bytes[from..end]).ok(),
                };
                self.line(line, leaf)?;
                from = end + 1;
            }
            if let Some(fault) = fault {
                self.events += 1;
                self.place_fault(fault);
            }
            progress(done, of);
        }
        Ok(())
    }

    fn event_fault(&mut self, what: impl Into<String>) {
        let position = Some(self.last_position).filter(|position| *position > 0);
        self.findings.add(names::EVENTS, Some(self.events), position, what);
    }

    /// A fault after which no root can be made.
    fn place_fault(&mut self, what: impl Into<String>) {
        self.is_rootless = true;
        self.event_fault(what);
    }

    /// Nothing where the line is no text.
    fn line(&mut self, line: Option<&str>, leaf: Hash) -> Result<(), ArchiveError> {
        self.events += 1;
        if self.intake.gather.index.length() >= EVENTS_MAX {
            self.place_fault(format!("there are more than {EVENTS_MAX} events"));
            return Ok(());
        }
        let placed = line.and_then(|line| {
            let envelope = Envelope::read(line)?;
            Some((line, envelope, envelope.stream_id()?))
        });
        let Some((line, envelope, stream)) = placed else {
            self.place_fault("this is not an event");
            return Ok(());
        };
        let is_next = envelope.position > self.last_position;
        if is_next {
            let before = self.last_position;
            self.last_position = envelope.position;
            self.place(before, envelope.position, leaf);
        } else {
            self.place_fault(format!("position {} stands after this one", envelope.position));
        }
        if envelope.firm.parse::<uuid::Uuid>().ok() != Some(self.manifest.firm.0) {
            self.event_fault("the event is of another firm");
        }
        let Looked { wrong, runs_back } = self.order.take(&envelope, self.events);
        if runs_back {
            self.run_back += 1;
            self.first_run_back.get_or_insert((self.events, envelope.position));
        }
        if self.manifest.format == Format::V1 && envelope.access.is_some() {
            self.event_fault("the first version of the format has no member access");
        }
        if let Some(what) = self.documents.take(stream, &envelope) {
            self.event_fault(what);
        }
        let openings = &self.papers.openings;
        if let Some(what) = self.of_another.take(&envelope, openings) {
            self.event_fault(what);
        }
        let taken = self.intake.take(&envelope, stream, line.len(), openings);
        for what in wrong.into_iter().chain(taken) {
            self.event_fault(what);
        }
        Ok(self.intake.keep(&envelope, line.as_bytes(), &leaf)?)
    }

    /// Puts a leaf into the tree, after the subtrees of what is left out before it.
    fn place(&mut self, before: u64, position: u64, leaf: Hash) {
        if self.is_rootless {
            return;
        }
        if position > self.checkpoint.size {
            return self.place_fault("the event is behind the end of the checkpoint's log");
        }
        if !self.fill(before, position - 1) {
            return;
        }
        self.whole.push(0, leaf);
        self.meet_earlier();
    }

    /// Takes the subtrees of the leaves from index `from` up to, not including, `to`.
    fn fill(&mut self, from: u64, to: u64) -> bool {
        if from < to && self.subtrees.lines.is_none() {
            self.place_fault(format!(
                "the events from position {} are missing before it",
                from + 1
            ));
            return false;
        }
        for level in cover(from, to) {
            let Some(hash) = self.subtrees.next() else {
                let row = Some(self.subtrees.read);
                let what = "a hash is missing here, or is not 64 hexadecimal digits in lower case";
                self.findings.add(names::SUBTREES, row, None, what);
                self.is_rootless = true;
                return false;
            };
            self.whole.push(level, hash);
        }
        true
    }

    fn meet_earlier(&mut self) {
        let Some(earlier) = &self.papers.earlier else { return };
        if self.subtrees.lines.is_none()
            && earlier.size == self.whole.end()
            && earlier.root == self.whole.root()
        {
            self.consistency = Consistency::Proved;
        }
    }

    fn finish(mut self, digest: Option<Digest>) -> Result<Pass, ArchiveError> {
        self.documents.report(self.findings);
        let is_whole = self.manifest.request == Request::All;
        for (row, position, what) in std::mem::take(&mut self.order).finish(is_whole) {
            self.findings.add(names::EVENTS, row, position, what);
        }
        if let Some((row, position)) = self.first_run_back {
            let what = format!(
                "recorded before the event before it, as {} are: the clock ran back, which older \
                 versions let happen",
                self.run_back
            );
            self.findings.remark(names::EVENTS, Some(row), Some(position), what);
        }
        let size = self.checkpoint.size;
        if !self.is_rootless && self.fill(self.last_position, size) && !self.subtrees.is_at_end() {
            self.findings.of_file(names::SUBTREES, "there are more hashes than are needed");
            self.is_rootless = true;
        }
        let root = self.whole.root();
        if self.is_rootless {
            let what = "no root was made of these events, for what was found before";
            self.findings.of_file(names::EVENTS, what);
        } else if (self.whole.end(), root) != (size, self.checkpoint.root) {
            let what =
                format!("these events do not make the root of the checkpoint at size {size}");
            self.findings.of_file(names::EVENTS, what);
        }
        if self.events != self.manifest.events {
            let what = format!("there are {} events, not {}", self.events, self.manifest.events);
            self.findings.of_file(names::EVENTS, what);
        }
        if self.papers.openings.len() != self.intake.gather.openings_met {
            let what = "a key is of an event that is not in the bundle";
            self.findings.of_file(names::OPENINGS, what);
        }
        if self.consistency == Consistency::Refuted {
            let what = "the log does not begin with what it held at the earlier checkpoint";
            self.findings.of_file(names::EVENTS, what);
        }
        let (gather, lines, derived) = self.intake.finish()?;
        Ok(Pass {
            gather,
            lines: lines.finish()?,
            digest,
            derived,
            events: self.events,
            root,
            consistency: self.consistency,
        })
    }
}

/// For a part: its streams are those that its request calls for, each as long as the firm states.
fn check_streams(
    archive: &ArchiveReader,
    manifest: &Manifest,
    gather: &Gather,
    findings: &mut Findings,
) {
    let mut counts = gather.index.counts().collect::<BTreeMap<_, _>>();
    let cases: BTreeSet<_> = match &manifest.request {
        Request::All => return,
        Request::Cases(cases) => cases.clone(),
        Request::Days { .. } => gather.cases.clone(),
    };
    let expected = expected_streams(&cases, &gather.moved, |stream| {
        counts.contains_key(stream) || matches!(stream, StreamId::Case(_) | StreamId::Firm)
    });
    let found: BTreeSet<StreamId> = counts.keys().copied().collect();
    for stream in expected.difference(&found) {
        findings.of_file(names::EVENTS, format!("no event of {stream} is there"));
    }
    if let Request::Days { .. } = manifest.request {
        for case in gather.cases.difference(&gather.in_days) {
            let what = format!("no event of case/{case} happened in the days asked for");
            findings.of_file(names::EVENTS, what);
        }
    }
    for stream in found.difference(&expected) {
        findings.of_file(names::EVENTS, format!("the request does not call for {stream}"));
    }
    for (stream, gap) in gaps(archive, manifest, gather, &cases, findings) {
        *counts.entry(stream).or_default() += gap;
    }
    if !archive.has(names::STREAMS) {
        return;
    }
    if manifest.format >= Format::V3 {
        counts = stated(counts);
    }
    let found = match archive.read(names::STREAMS, STREAMS_BYTES_MAX) {
        Ok(found) => found,
        Err(error) => {
            return findings.of_file(names::STREAMS, format!("it cannot be read: {error}"));
        }
    };
    let expected = stream_lines(&counts);
    if found != expected.as_bytes() {
        let row = super::difference::first_line(expected.as_bytes(), &found);
        let what = "the firm states another number of events than the bundle holds";
        findings.add(names::STREAMS, Some(row), None, what);
    }
}

/// How many events of each stream the firm states to have left out, since they tell of somebody else: as many as
/// are missing before the last event of the stream, or more.
fn gaps(
    archive: &ArchiveReader,
    manifest: &Manifest,
    gather: &Gather,
    cases: &BTreeSet<CaseId>,
    findings: &mut Findings,
) -> BTreeMap<StreamId, u64> {
    let mut stated = BTreeMap::new();
    if manifest.format != Format::V1 && archive.has(names::GAPS) {
        let text = archive.read(names::GAPS, STREAMS_BYTES_MAX).ok();
        let text = text.and_then(|bytes| String::from_utf8(bytes).ok());
        let read = |line: &str| {
            let (stream, count) = line.split_once(' ')?;
            Some((StreamId::parse(stream)?, count.parse().ok().filter(|count| *count > 0_u64)?))
        };
        let read = |text: &String| text.lines().map(read).collect::<Option<BTreeMap<_, _>>>();
        match text.as_ref().and_then(read) {
            Some(gaps) if text.as_deref() == Some(&stream_lines(&gaps)) => stated = gaps,
            Some(_) | None => findings.of_file(names::GAPS, "it is no list of streams and counts"),
        }
    }
    for stream in stated.keys() {
        let is_of_others = match stream {
            StreamId::Firm => true,
            StreamId::Account(account) => !cases.contains(&account.owner()),
            StreamId::Case(_) | StreamId::Deposit(_) | StreamId::Looks(_) => false,
        };
        if !is_of_others || !gather.index.counts().any(|(held, _)| held == *stream) {
            let what = format!("nothing is left out of {stream} for telling of others");
            findings.of_file(names::GAPS, what);
        }
    }
    for (stream, missing) in &gather.gaps {
        let stated = stated.get(stream).copied().unwrap_or(0);
        if *missing > stated {
            let what = format!("{missing} events of {stream} are missing, and {stated} are stated");
            findings.of_file(names::GAPS, what);
        }
    }
    stated
}
