//! Making a bundle from a log that is read once, from its first event to the checkpoint.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter, Read as _, Seek, SeekFrom, Write};

use domain::event::StreamId;
use domain::ids::FirmId;
use domain::judge::EDITION;
use domain::world::Impossible;
use proof::note::{Note, NoteError, SignerKey};
use proof::{Checkpoint, CheckpointError, Hash, leaf_hash};
use uuid::Uuid;

use crate::archive::{ArchiveError, ArchiveWriter, joined};
use crate::attach::{Document, Documents, Gap};
use crate::derive::{Frame, Untold, Why};
use crate::documents::{self, FORMAT_DOCUMENT, Facts, PYTHON_VERIFIER};
use crate::envelope::Envelope;
use crate::gather::{EVENTS_MAX, Gaps, Gather};
use crate::index::{HELD_BYTES_MAX, Unread};
use crate::intake::Intake;
use crate::keys::{self, KeySpan};
use crate::manifest::{Format, Manifest, note_text};
use crate::names;
use crate::openings::Openings;
use crate::outlet::{Kept, Outlet as _, Spools};
use crate::scope::{Request, Scope};
use crate::spool::{Digest, Spool, Spooled};
use crate::subtrees::Run;
use crate::tables::{TABLES, data_dictionary, place_of};
use crate::telling::{TellError, tell_all};

/// Why no bundle was made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// An event of the log is not what its place calls for.
    #[error("position {position}: {what}")]
    Event {
        /// Its position.
        position: u64,
        /// What is wrong.
        what: String,
    },
    /// The events do not make the root that the checkpoint states.
    #[error("the log's events do not make the root of the checkpoint at size {size}")]
    OtherRoot {
        /// The size that the checkpoint states.
        size: u64,
    },
    /// The checkpoint is not one that a key listed for its size signed.
    #[error("the checkpoint is not signed by a key that signed at its size")]
    Note(#[from] NoteError),
    /// The checkpoint's text is not one.
    #[error("the checkpoint cannot be read")]
    Checkpoint(#[from] CheckpointError),
    /// A stream of the scope has fewer events than were counted.
    #[error("{stream} has another number of events than were counted")]
    Counts {
        /// The stream.
        stream: StreamId,
    },
    /// A part of the log without the firm's first event, or too large for one bundle.
    #[error("a bundle holds 1 to {EVENTS_MAX} events")]
    Size,
    /// A client has more events than are told of at once.
    #[error("the events of client {client} have more than {HELD_BYTES_MAX} bytes")]
    Client {
        /// Which.
        client: Uuid,
    },
    /// A document is not what an event names, or cannot be opened.
    #[error("the document {name} cannot be put into the bundle")]
    Document {
        /// The file that it would be.
        name: String,
        /// Why, if its bytes are not just others.
        #[source]
        source: Option<io::Error>,
    },
    /// An opening is given for an event that is not in the bundle.
    #[error("an opening is of an event that is not in the bundle")]
    Opening,
    /// The events do not fold, or temporary files failed.
    #[error("the tables cannot be made")]
    Tell(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// The archive failed.
    #[error("the archive cannot be written")]
    Archive(#[from] ArchiveError),
    /// Temporary files failed.
    #[error("a temporary file cannot be written")]
    Io(#[from] io::Error),
}

impl From<TellError> for ExportError {
    fn from(error: TellError) -> Self {
        match error {
            TellError::Io(error) => Self::Io(error),
            TellError::Folding => Self::Tell(Box::new(error)),
        }
    }
}

/// What a bundle was made of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Events in it.
    pub events: u64,
    /// Cases in it.
    pub cases: usize,
    /// The log's size at the checkpoint.
    pub size: u64,
    /// The log's root there.
    pub root: Hash,
    /// Bytes of the archive, with the documents.
    pub bytes: u64,
    /// Where documents belong in what was written, in order.
    pub gaps: Vec<Gap>,
}

/// Who signs a bundle.
#[derive(Clone, Copy, Debug)]
pub struct Signing<'a> {
    /// The key in force.
    pub key: &'a SignerKey,
    /// Every key that signed a checkpoint of the log, by the first that each signed.
    pub spans: &'a [KeySpan],
}

/// A bundle that is being made.
pub struct Export {
    firm: FirmId,
    scope: Scope,
    note: Note,
    checkpoint: Checkpoint,
    openings: Openings,
    intake: Intake<Spools>,
    /// The leaves so far, and those since the last event of the bundle.
    whole: Run,
    absent: Run,
    subtrees: String,
    /// Events of streams of the bundle that are left out, since they tell of somebody else.
    left_out: BTreeMap<StreamId, u64>,
}

impl Export {
    /// Begins, under a signed checkpoint of the firm's log.
    pub fn new(
        firm: FirmId,
        scope: Scope,
        checkpoint: &Note,
        openings: Openings,
    ) -> Result<Self, ExportError> {
        let request = scope.request().clone();
        Ok(Self {
            firm,
            scope,
            note: checkpoint.clone(),
            checkpoint: checkpoint.text().parse()?,
            openings,
            intake: Intake::new(
                Gather::new(firm, request, Gaps::Stated),
                Spool::new()?,
                Spools::new()?,
                Format::LAST,
            ),
            whole: Run::at(0),
            absent: Run::at(0),
            subtrees: String::new(),
            left_out: BTreeMap::new(),
        })
    }

    /// Takes the next event of the log, in order from position 1; those after the checkpoint are not
    /// looked at. Gives whether more are wanted.
    pub fn push(&mut self, bytes: &[u8]) -> Result<bool, ExportError> {
        let size = self.checkpoint.size;
        if self.whole.end() >= size {
            return Ok(false);
        }
        let position = self.whole.end() + 1;
        let fault = |what: &str| ExportError::Event { position, what: what.into() };
        let text = std::str::from_utf8(bytes).map_err(|_| fault("the event is not UTF-8"))?;
        let envelope = Envelope::read(text).ok_or_else(|| fault("this is not an event"))?;
        let stream = envelope.stream_id().ok_or_else(|| fault("the event has no stream"))?;
        if envelope.position != position {
            return Err(fault("another position stands here"));
        }
        let leaf = leaf_hash(bytes);
        self.whole.push(0, leaf);
        let payload = || serde_json::from_str(envelope.payload).ok();
        let is_held = self.scope.takes(&stream);
        if is_held && !self.scope.tells_of_others(stream, envelope.event, payload) {
            self.take(&envelope, stream, bytes, &leaf)?;
        } else {
            if is_held {
                *self.left_out.entry(stream).or_default() += 1;
            }
            self.absent.push(0, leaf);
        }
        Ok(position < size)
    }

    fn take(
        &mut self,
        envelope: &Envelope<'_>,
        stream: StreamId,
        line: &[u8],
        leaf: &Hash,
    ) -> Result<(), ExportError> {
        if self.intake.gather.index.length() >= EVENTS_MAX {
            return Err(ExportError::Size);
        }
        self.end_run();
        let wrong = self.intake.take(envelope, stream, line.len(), &self.openings);
        if let Some(what) = wrong.into_iter().next() {
            return Err(ExportError::Event { position: envelope.position, what });
        }
        Ok(self.intake.keep(envelope, line, leaf)?)
    }

    fn end_run(&mut self) {
        for hash in self.absent.hashes() {
            self.subtrees.push_str(&hash.hex());
            self.subtrees.push('\n');
        }
        self.absent = Run::at(self.whole.end());
    }

    /// Makes the bundle. The key signs the manifest; the checkpoint must be of a key that signed at its
    /// size. What is written has a gap for each document: the archive is whole once they are put there.
    pub fn finish<W: Write + Seek>(
        mut self,
        Signing { key, spans }: Signing<'_>,
        mut documents: Documents<'_>,
        to: W,
    ) -> Result<Exported, ExportError> {
        let Checkpoint { size, root, .. } = self.checkpoint.clone();
        let spans = keys::up_to(spans, size);
        self.note.verify(&keys::of_size(&spans, size))?;
        if self.whole.end() != size || self.whole.root() != root {
            return Err(ExportError::OtherRoot { size });
        }
        if !self.absent.is_empty() {
            self.end_run();
        }
        self.check_counts()?;
        let (gather, lines, mut outlet) = self.intake.finish()?;
        let as_of = gather.last_day().ok_or(ExportError::Size)?;
        let told_of = (self.scope.request != Request::All).then(|| gather.cases.clone());
        let (format, edition, names) = (Format::LAST, EDITION, gather.names);
        let frame = Frame { format, edition, as_of, size, root, names, told_of };
        let lines = lines.finish()?;
        let events = u64::try_from(gather.index.length()).unwrap_or(u64::MAX);
        let cases = gather.cases.len();
        let by_stream = gather.index.by_stream();
        let (mut unread, mut untold): (Option<Unread>, Option<Untold>) = (None, None);
        // The largest file is packed while the tables are made.
        let (packed, kept) = std::thread::scope(|scope| {
            let packing = scope.spawn(|| pack(names::EVENTS, &lines));
            let told = tell_all(&by_stream, &lines, &frame, |mut rows| {
                unread = unread.take().or(rows.unread.pop());
                untold = untold.take().or(rows.untold.pop());
                outlet.rows(&rows)
            });
            let packed = joined(packing, "packs");
            told?;
            Ok::<_, ExportError>((packed?, outlet.finish()?))
        })?;
        drop(by_stream);
        if let Some(Untold { client, why }) = untold {
            return Err(match why {
                Why::Impossible(Impossible { position, what }) => {
                    ExportError::Event { position, what }
                }
                Why::Failed => TellError::Folding.into(),
                Why::TooMuch => ExportError::Client { client },
            });
        }
        if let Some(Unread { position, what, .. }) = unread {
            return Err(ExportError::Event { position: position.unwrap_or(0), what });
        }
        let public_key = key.verifier().to_string();
        let facts = Facts {
            firm: self.firm,
            request: self.scope.request(),
            events,
            size,
            root,
            public_key: &public_key,
        };
        let mut small = BTreeMap::from([
            (names::README, documents::readme(&facts)),
            (names::FORMAT, FORMAT_DOCUMENT.to_owned()),
            (names::CHECKPOINT, self.note.to_string()),
            (names::DATA_DICTIONARY, data_dictionary()),
            (names::KEYS, keys::to_lines(&spans)),
            (names::PUBLIC_KEY, format!("{public_key}\n")),
            (names::VERIFIER, PYTHON_VERIFIER.to_owned()),
        ]);
        if let Some(counts) = &self.scope.counts {
            small.insert(names::STREAMS, stream_lines(&stated(counts.clone())));
            small.insert(names::GAPS, stream_lines(&self.left_out));
            small.insert(names::SUBTREES, self.subtrees);
        }
        if !self.openings.is_empty() {
            small.insert(names::OPENINGS, self.openings.to_lines());
        }
        let manifest = Manifest {
            format: Format::LAST,
            firm: self.firm,
            request: self.scope.request,
            tree_size: size,
            root,
            events,
            files: files(&small, &lines, &kept, &documents.list),
        };
        let listed = manifest.to_bytes();
        let note = note_text(Format::LAST, self.checkpoint.origin.as_str(), &listed);
        let note = Note::signed(note, &[key])?.to_string();
        let parts = Parts {
            manifest: &manifest,
            listed,
            note,
            small: &small,
            packed: &packed,
            kept: &kept,
        };
        let (bytes, gaps) = parts.write(&mut documents, to)?;
        Ok(Exported { events, cases, size, root, bytes, gaps })
    }

    fn check_counts(&self) -> Result<(), ExportError> {
        if self.openings.len() != self.intake.gather.openings_met {
            return Err(ExportError::Opening);
        }
        let Some(counted) = &self.scope.counts else { return Ok(()) };
        let mut found: BTreeMap<StreamId, u64> = self.intake.gather.index.counts().collect();
        for (stream, count) in counted {
            let left_out = self.left_out.get(stream).copied().unwrap_or(0);
            if found.remove(stream).unwrap_or(0) + left_out != *count {
                return Err(ExportError::Counts { stream: *stream });
            }
        }
        Ok(())
    }
}

/// The streams of a part, with those of looks that a client does not have: that nobody looked is stated too.
pub(crate) fn stated(mut counts: BTreeMap<StreamId, u64>) -> BTreeMap<StreamId, u64> {
    let looks = |stream: &StreamId| match stream {
        StreamId::Case(case) => Some((StreamId::Looks(*case), 0)),
        StreamId::Account(_) | StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => None,
    };
    let none: Vec<_> = counts.keys().filter_map(looks).collect();
    for (stream, count) in none {
        counts.entry(stream).or_insert(count);
    }
    counts
}

/// `proofs/streams.txt`: how many events the firm says each stream has at the checkpoint.
pub(crate) fn stream_lines(counts: &BTreeMap<StreamId, u64>) -> String {
    let mut lines: Vec<String> =
        counts.iter().map(|(stream, count)| format!("{stream} {count}\n")).collect();
    lines.sort_unstable();
    lines.concat()
}

fn files(
    small: &BTreeMap<&'static str, String>,
    lines: &Spooled,
    kept: &Kept,
    documents: &[Document],
) -> BTreeMap<String, Digest> {
    let mut files: BTreeMap<String, Digest> = small
        .iter()
        .map(|(name, text)| ((*name).to_owned(), Digest::of(text.as_bytes())))
        .collect();
    files.insert(names::EVENTS.to_owned(), lines.digest);
    files.extend(TABLES.iter().zip(&kept.tables).map(|(t, spooled)| (t.file(), spooled.digest)));
    files.extend(kept.pages.iter().map(|(name, (_, digest))| (name.clone(), *digest)));
    let name = |document: &Document| names::document(document.case, document.hash);
    files.extend(documents.iter().map(|document| (name(document), document.digest())));
    files
}

/// Packs one file into an archive of its own.
fn pack(name: &str, spooled: &Spooled) -> Result<File, ArchiveError> {
    let mut archive = ArchiveWriter::new(BufWriter::new(tempfile::tempfile()?));
    archive.add(name, spooled.digest.bytes, &mut spooled.open()?)?;
    let packed = archive.finish()?.into_inner();
    let mut file = packed.into_inner().map_err(|error| ArchiveError::Io(error.into_error()))?;
    file.seek(SeekFrom::Start(0))?;
    Ok(file)
}

/// What an archive is made of.
struct Parts<'a> {
    manifest: &'a Manifest,
    /// The manifest as it is written.
    listed: Vec<u8>,
    note: String,
    small: &'a BTreeMap<&'static str, String>,
    packed: &'a File,
    kept: &'a Kept,
}

impl Parts<'_> {
    /// Writes the archive: what a person reads first, then everything else in the order of the names.
    /// Gives its bytes, and where documents were left out.
    fn write<W: Write + Seek>(
        &self,
        documents: &mut Documents<'_>,
        to: W,
    ) -> Result<(u64, Vec<Gap>), ExportError> {
        let Self { manifest, small, kept, .. } = self;
        let mut archive = ArchiveWriter::new(to);
        let mut add = |name: &str, bytes: &[u8]| {
            let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
            archive.add(name, length, &mut &bytes[..])
        };
        for name in [names::README, names::FORMAT] {
            add(name, small[name].as_bytes())?;
        }
        add(names::MANIFEST, &self.listed)?;
        add(names::MANIFEST_NOTE, self.note.as_bytes())?;
        let mut pages = kept.reports.open()?;
        let mut left_out = Vec::new();
        for (name, digest) in &manifest.files {
            if names::FIRST.contains(&name.as_str()) {
                continue;
            }
            if let Some(text) = small.get(name.as_str()) {
                archive.add(name, digest.bytes, &mut text.as_bytes())?;
            } else if name == names::EVENTS {
                archive.add_packed(self.packed)?;
            } else if let Some(place) = place_of(name) {
                archive.add(name, digest.bytes, &mut kept.tables[place].open()?)?;
            } else if let Some((offset, _)) = kept.pages.get(name) {
                pages.seek(SeekFrom::Start(*offset))?;
                archive.add(name, digest.bytes, &mut (&mut pages).take(digest.bytes))?;
            } else if let Some((case, hash)) = names::as_document(name) {
                let document = Document { case, hash, bytes: digest.bytes };
                archive.add_gap(name, &opened(documents, &document)?)?;
                // What has no bytes leaves no gap.
                left_out.extend((document.bytes > 0).then_some(document));
            }
        }
        let mut to = archive.finish()?;
        let bytes = to.seek(SeekFrom::End(0))?;
        to.flush()?;
        let gaps = to.gaps().into_iter().zip(left_out);
        Ok((bytes, gaps.map(|(after, document)| Gap { after, document }).collect()))
    }
}

fn opened(documents: &mut Documents<'_>, document: &Document) -> Result<Vec<u8>, ExportError> {
    let fault = |source| {
        let name = names::document(document.case, document.hash);
        ExportError::Document { name, source }
    };
    let bytes = (documents.open)(document).map_err(|error| fault(Some(error)))?;
    if document.is(&bytes) { Ok(bytes) } else { Err(fault(None)) }
}
