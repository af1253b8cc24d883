//! Making an examiner's bundle, and sending it as it is.
//!
//! The log is read page by page here and told on a thread of its own; what grows with the log lies in
//! temporary files, which only this process can read and which are gone with it.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};

use api::requests::{BundleAsked, BundleScope};
use api::scalar::int64;
use api::status::{Failure, with_causes};
use api::v1::export_bundle_response::Message;
use api::{name, v1};
use bundle::{
    Document, Documents, Export, ExportError, Exported, KeySpan, OPENINGS_MAX, Openings,
    RequestError, Scope, Scout, Signing, ValueKey,
};
use domain::event::{CaseEvent, Event, LookKind, Recorded, Scope as DomainScope, StreamId};
use domain::ids::{CaseId, DocumentHash, FirmId};
use log::Stored;
use proof::note::{Note, SignerKey};
use sha2::{Digest as _, Sha256};
use tokio::io::{AsyncReadExt as _, AsyncSeekExt as _};
use tokio::runtime::Handle;
use tokio::sync::{Semaphore, SemaphorePermit, mpsc};

use super::checkpoint::Signed;
use super::{checkpoint, keys};
use crate::access::{Authority, table};
use crate::answers::{self, Answers, answers_of, run_progress};
use crate::evidence::{attached, may_read, opened};
use crate::ledger::Ledger;
use crate::openings::{CASES_PER_APPEND, clients_of};

/// Bytes of a chunk: far below what a message may have.
const CHUNK_BYTES: usize = 256 << 10;
/// Events of one page of the log.
const PAGE_EVENTS: u64 = 4_000;
/// Most documents of one bundle.
const DOCUMENTS_MAX: usize = 20_000;
/// Pages that are read ahead.
const PAGES_AHEAD: usize = 4;
/// Bundles that are made at once in this process; others wait, as long as their callers do. One that is
/// made and sent keeps nobody waiting, however slowly its caller takes it.
const EXPORTS_AT_ONCE: usize = 2;

static EXPORTS: Semaphore = Semaphore::const_new(EXPORTS_AT_ONCE);

type Outgoing = answers::Outgoing<v1::ExportBundleResponse>;

fn told(message: Message) -> v1::ExportBundleResponse {
    v1::ExportBundleResponse { message: Some(message) }
}

/// Whether the caller may have what is asked for: keys of personal values only whoever administers the
/// firm, and a bound token only its own cases or days.
pub(super) fn check(authority: &Authority, asked: &BundleAsked) -> Result<(), Failure> {
    if asked.open_personal && !authority.has_any(&[DomainScope::Administer]) {
        return Err(Failure::PermissionDenied { scope: Some(DomainScope::Administer.code()) });
    }
    if asked.documents {
        may_read(authority)?;
    }
    if let BundleScope::Cases(cases) = &asked.scope {
        cases.iter().try_for_each(|case| authority.check_case(*case))?;
    }
    let Some(bounds) = authority.bounds() else { return Ok(()) };
    match &asked.scope {
        // A case is exported whole, with all its days; days take every stream that moved in them from its
        // beginning on.
        _ if table::by_days(bounds) => Err(Failure::OutOfBounds { rule: table::BY_DAYS }),
        // Every case was checked.
        BundleScope::Cases(_) => Ok(()),
        BundleScope::WholeLog | BundleScope::Days { .. } => {
            Err(Failure::OutOfBounds { rule: table::BY_CASES })
        }
    }
}

/// Makes a bundle. Nothing goes on for a caller who has left.
pub(super) fn export(
    ledger: &Ledger,
    authority: Authority,
    asked: BundleAsked,
) -> Answers<v1::ExportBundleResponse> {
    answers_of(ledger, async move |ledger, outgoing| {
        make(&ledger, &authority, asked, &outgoing).await
    })
}

async fn make(
    ledger: &Ledger,
    authority: &Authority,
    asked: BundleAsked,
    outgoing: &Outgoing,
) -> Result<(), Failure> {
    let turn = EXPORTS.acquire().await.map_err(Failure::internal)?;
    let firm = asked.firm;
    let signed = match asked.tree_size {
        None => checkpoint::make(ledger, firm).await?,
        Some(size) => checkpoint::get(ledger, firm, Some(size)).await?,
    };
    let Signed { note, checkpoint, .. } = signed;
    // The key in force signs the manifest; the checkpoint stays as it was signed, maybe by a key before it.
    let signing =
        Signers { key: keys::signer(ledger, firm).await?, spans: keys::spans(ledger, firm).await? };
    let verifier_key = signing.key.verifier().to_string();
    let log = Log { ledger, firm, size: checkpoint.size, outgoing };
    let named = match &asked.scope {
        BundleScope::Cases(cases) => Some(cases.clone()),
        BundleScope::WholeLog | BundleScope::Days { .. } => None,
    };
    let scope = log.scope(asked.scope).await?;
    let mut opened_of = BTreeSet::new();
    let openings = if asked.open_personal {
        log.openings(&scope, &mut opened_of).await?
    } else {
        Openings::default()
    };
    let documents = if asked.documents {
        let named = log.documents(&scope).await?;
        opened_of.extend(named.iter().map(|(case, _)| *case));
        attached(ledger, firm, &named).await?
    } else {
        Vec::new()
    };
    // On record before a byte leaves, and behind the log that is exported.
    let opens = asked.open_personal || asked.documents;
    if let Some(cases) = named {
        let kind = if opens { LookKind::Open } else { LookKind::Export };
        taken(ledger, authority, firm, kind, cases).await?;
    } else {
        taken(ledger, authority, firm, LookKind::Export, BTreeSet::new()).await?;
        let opened_of: Vec<CaseId> = opened_of.into_iter().collect();
        for some in opened_of.chunks(CASES_PER_APPEND) {
            let some = some.iter().copied().collect();
            taken(ledger, authority, firm, LookKind::Open, some).await?;
        }
    }
    let (exported, file) = log.export(turn, scope, note, signing, openings, documents).await?;
    Sending { ledger, firm, outgoing, hasher: Sha256::new() }
        .send(file, exported, verifier_key)
        .await
}

/// Puts on record what is taken along, and of whom.
async fn taken(
    ledger: &Ledger,
    authority: &Authority,
    firm: FirmId,
    kind: LookKind,
    cases: BTreeSet<CaseId>,
) -> Result<(), Failure> {
    ledger.note_look(authority, firm, kind, "ExportBundle", cases).await
}

/// A firm's log up to its checkpoint.
struct Log<'a> {
    ledger: &'a Ledger,
    firm: FirmId,
    size: u64,
    outgoing: &'a Outgoing,
}

impl Log<'_> {
    fn pages(&self) -> Pages<'_> {
        Pages { log: self, after: 0 }
    }

    /// The streams to take, found in a first pass where they are not all of them.
    async fn scope(&self, asked: BundleScope) -> Result<Scope, Failure> {
        let request = match asked {
            BundleScope::WholeLog => return Ok(Scope::all()),
            BundleScope::Cases(cases) => bundle::Request::Cases(cases),
            BundleScope::Days { from, through } => bundle::Request::Days { from, through },
        };
        let mut scout = Scout::new(request);
        let mut pages = self.pages();
        while let Some(page) = pages.next().await? {
            for stored in &page {
                scout.look(&stored.bytes);
            }
        }
        scout.finish().map_err(|error| match error {
            RequestError::CaseUnknown(case) => Failure::Unfound {
                field: "cases.names",
                resource_type: "Case",
                name: name::case(self.firm, case),
            },
            RequestError::Cases(_) | RequestError::Days { .. } => Failure::internal(error),
        })
    }

    /// The positions of events that tell of another person than their client, as was found since.
    async fn of_others(&self, scope: &Scope) -> Result<HashSet<u64>, Failure> {
        let mut readings: HashMap<u64, Vec<u64>> = HashMap::new();
        let mut hidden = HashSet::new();
        let mut pages = self.pages();
        while let Some(events) = pages.next_of(scope).await? {
            for recorded in &events {
                let Event::Case(CaseEvent::FactCorrected(corrected)) = &recorded.event else {
                    continue;
                };
                let fact = corrected.fact.position;
                let of_fact = readings.entry(fact).or_insert_with(|| vec![fact]);
                of_fact.push(recorded.position);
                if corrected.about_another == Some(true) {
                    hidden.extend(of_fact.drain(..));
                }
            }
        }
        Ok(hidden)
    }

    /// The keys of every personal value in the events of a scope, and whose values they open.
    async fn openings(
        &self,
        scope: &Scope,
        opened_of: &mut BTreeSet<CaseId>,
    ) -> Result<Openings, Failure> {
        let mut openings = Openings::default();
        let of_others = self.of_others(scope).await?;
        let mut pages = self.pages();
        while let Some(mut events) = pages.next_of(scope).await? {
            events.retain(|recorded| !of_others.contains(&recorded.position));
            let streams = events.iter().map(|recorded| recorded.stream);
            let opener = self.ledger.engine().opener(self.firm, streams).await?;
            for mut recorded in events {
                let (stream, position) = (recorded.stream, recorded.position);
                let (mut ordinal, mut fits) = (0, Ok(()));
                recorded.event.each_personal(&mut |value| {
                    let key = value.sealed().and_then(|sealed| opener.value_key(stream, sealed));
                    if let (Ok(()), Some(key)) = (&fits, key) {
                        fits = openings.insert(position, ordinal, ValueKey(key));
                        opened_of.extend(clients_of([stream]));
                    }
                    ordinal += 1;
                });
                fits.map_err(|_| Failure::Quota {
                    subject: "open_personal".into(),
                    limit: format!(
                        "{OPENINGS_MAX} personal values in a bundle: ask for fewer cases"
                    ),
                })?;
            }
        }
        Ok(openings)
    }

    /// The documents that the events of a scope name, by their cases.
    async fn documents(&self, scope: &Scope) -> Result<BTreeSet<(CaseId, DocumentHash)>, Failure> {
        let mut named = BTreeSet::new();
        let of_others = self.of_others(scope).await?;
        let mut pages = self.pages();
        while let Some(mut events) = pages.next_of(scope).await? {
            events.retain(|recorded| !of_others.contains(&recorded.position));
            for recorded in &events {
                if let (StreamId::Case(case), Event::Case(event)) =
                    (recorded.stream, &recorded.event)
                {
                    event.each_document(&mut |hash| {
                        named.insert((case, hash));
                    });
                }
            }
            if named.len() > DOCUMENTS_MAX {
                return Err(Failure::Quota {
                    subject: "documents".into(),
                    limit: format!("{DOCUMENTS_MAX} documents in a bundle: ask for fewer cases"),
                });
            }
        }
        Ok(named)
    }

    /// Reads the log once more and makes the archive.
    async fn export(
        &self,
        turn: SemaphorePermit<'static>,
        scope: Scope,
        note: Note,
        signing: Signers,
        openings: Openings,
        documents: Vec<Document>,
    ) -> Result<(Exported, File), Failure> {
        let (taken, incoming) = mpsc::channel(PAGES_AHEAD);
        let (firm, ledger, runtime) = (self.firm, self.ledger.clone(), Handle::current());
        let wanted = Wanted(self.outgoing.clone());
        let caller = self.outgoing.clone();
        let making = tokio::task::spawn_blocking(move || {
            // The next one's turn comes when this thread has ended, also for a caller who has left.
            let _turn = turn;
            // An archive that fails for a document says no more than that; what became of it is kept here.
            let mut lost = None;
            let mut open = |document: &Document| {
                let opening = opened(&ledger, firm, document.case, document.hash);
                let opened = runtime.block_on(async {
                    tokio::select! {
                        opened = opening => Some(opened),
                        () = caller.closed() => None,
                    }
                });
                let Some(opened) = opened else {
                    return Err(io::Error::other("the caller has left"));
                };
                opened.map_err(|failure| {
                    lost = Some(failure);
                    io::Error::other("a document cannot be opened")
                })
            };
            let documents = Documents::new(documents, &mut open);
            let made =
                archive((firm, scope), openings, documents, &note, &signing, incoming, &wanted);
            made.map_err(|error| lost.unwrap_or_else(|| failure(error)))
        });
        let read = self.hand_over(taken).await;
        let made = making.await.map_err(Failure::internal)?;
        read?;
        made?.ok_or_else(|| Failure::internal("the log was not handed over to its end"))
    }

    /// Hands every page to whoever takes them, until nobody does, and says that these were all.
    async fn hand_over(&self, taken: mpsc::Sender<Handed>) -> Result<(), Failure> {
        let mut pages = self.pages();
        while let Some(page) = pages.next().await? {
            if taken.send(Handed::Page(page)).await.is_err() {
                return Ok(());
            }
        }
        // Whoever makes the archive may have failed, and says so itself.
        let _ = taken.send(Handed::End).await;
        Ok(())
    }
}

/// What is handed over to whoever makes the archive. Without an end the reading was given up, as when the
/// caller leaves, and there is nothing to make of it.
enum Handed {
    Page(Vec<Stored>),
    End,
}

/// One reading of the log.
struct Pages<'a> {
    log: &'a Log<'a>,
    after: u64,
}

impl Pages<'_> {
    /// The events of the next page that a scope takes; nothing at the end.
    async fn next_of(&mut self, scope: &Scope) -> Result<Option<Vec<Recorded>>, Failure> {
        let Some(page) = self.next().await? else { return Ok(None) };
        let mut events = Vec::with_capacity(page.len());
        for stored in page.iter().filter(|stored| stored.position <= self.log.size) {
            let recorded = Recorded::from_bytes(&stored.bytes);
            let recorded = recorded.map_err(|_| Failure::Corrupt { position: stored.position })?;
            if scope.takes_event(&recorded) {
                events.push(recorded);
            }
        }
        Ok(Some(events))
    }

    /// The next page; nothing at the end.
    async fn next(&mut self) -> Result<Option<Vec<Stored>>, Failure> {
        let Log { ledger, firm, size, outgoing } = *self.log;
        let limit = usize::try_from(PAGE_EVENTS.min(size - self.after)).unwrap_or(usize::MAX);
        if limit == 0 {
            return Ok(None);
        }
        let page = ledger.store().read(firm, self.after, limit).await?;
        let Some(last) = page.last() else {
            return Err(checkpoint::corrupt(self.after + 1, "the log ends before its checkpoint"));
        };
        self.after = last.position.min(size);
        let progress = Message::Progress(run_progress(self.after, size));
        // Progress that nobody takes in time is left out.
        let _ = outgoing.try_send(Ok(told(progress)));
        Ok(Some(page))
    }
}

/// Who signs a bundle, and every key that signed the log.
struct Signers {
    key: SignerKey,
    spans: Vec<KeySpan>,
}

fn archive(
    (firm, scope): (FirmId, Scope),
    openings: Openings,
    documents: Documents<'_>,
    note: &Note,
    signing: &Signers,
    mut handed: mpsc::Receiver<Handed>,
    wanted: &Wanted,
) -> Result<Option<(Exported, File)>, ExportError> {
    let mut export = Export::new(firm, scope, note, openings)?;
    loop {
        match handed.blocking_recv() {
            Some(Handed::Page(page)) => {
                for stored in &page {
                    export.push(&stored.bytes)?;
                }
            }
            Some(Handed::End) => break,
            None => return Ok(None),
        }
    }
    let mut file = tempfile::tempfile()?;
    let Signers { key, spans } = signing;
    let out = WhileWanted { file: &mut file, wanted };
    let exported = export.finish(Signing { key, spans }, documents, BufWriter::new(out))?;
    Ok(Some((exported, file)))
}

/// Whether the caller of an export is still there.
struct Wanted(Outgoing);

impl Wanted {
    fn still(&self) -> io::Result<()> {
        if self.0.is_closed() {
            return Err(io::Error::other("the caller has left"));
        }
        Ok(())
    }
}

/// A file that nothing more is written to when nobody waits for it.
struct WhileWanted<'a> {
    file: &'a mut File,
    wanted: &'a Wanted,
}

impl Write for WhileWanted<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.wanted.still()?;
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Seek for WhileWanted<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

fn failure(error: ExportError) -> Failure {
    match error {
        ExportError::Event { position, what } => checkpoint::corrupt(position, &what),
        ExportError::OtherRoot { size } => {
            checkpoint::corrupt(size, "the events do not make the root of the checkpoint")
        }
        ExportError::Client { client } => Failure::Quota {
            subject: format!("client {client}"),
            limit: "16 MiB of events of one client in a bundle, beside personal values".into(),
        },
        other => Failure::internal(format!("a bundle was not made: {}", with_causes(&other))),
    }
}

/// Sends the archive, with each document where the archive has a gap for it, and what was made.
struct Sending<'a> {
    ledger: &'a Ledger,
    firm: FirmId,
    outgoing: &'a Outgoing,
    hasher: Sha256,
}

impl Sending<'_> {
    async fn send(
        mut self,
        file: File,
        exported: Exported,
        verifier_key: String,
    ) -> Result<(), Failure> {
        let mut file = tokio::fs::File::from_std(file);
        file.rewind().await.map_err(Failure::internal)?;
        let mut sent = 0;
        for gap in &exported.gaps {
            if !self.part(&mut file, gap.after - sent).await? {
                return Ok(());
            }
            sent = gap.after;
            let Document { case, hash, .. } = gap.document;
            let bytes = opened(self.ledger, self.firm, case, hash).await?;
            for chunk in bytes.chunks(CHUNK_BYTES) {
                if !self.chunk(chunk.to_vec()).await {
                    return Ok(());
                }
            }
        }
        if !self.part(&mut file, u64::MAX).await? {
            return Ok(());
        }
        let count = |number: usize| int64(u64::try_from(number).unwrap_or(u64::MAX));
        let report = v1::BundleReport {
            event_count: int64(exported.events),
            case_count: count(exported.cases),
            tree_size: int64(exported.size),
            root: exported.root.hex(),
            verifier_key,
            byte_count: int64(exported.bytes),
            sha256: hex::encode(self.hasher.finalize()),
            document_count: count(exported.gaps.len()),
        };
        // The caller may have left with the last chunk.
        let _ = self.outgoing.send(Ok(told(Message::Report(report)))).await;
        Ok(())
    }

    /// So many bytes of the archive, or what there is. Whether the caller is still there.
    async fn part(&mut self, file: &mut tokio::fs::File, mut left: u64) -> Result<bool, Failure> {
        let most = u64::try_from(CHUNK_BYTES).unwrap_or(u64::MAX);
        while left > 0 {
            let mut chunk = Vec::with_capacity(CHUNK_BYTES);
            let read = file.take(left.min(most)).read_to_end(&mut chunk).await;
            let read = u64::try_from(read.map_err(Failure::internal)?).unwrap_or(u64::MAX);
            if read == 0 {
                break;
            }
            left -= read;
            if !self.chunk(chunk).await {
                return Ok(false);
            }
        }
        Ok(true)
    }

    async fn chunk(&mut self, chunk: Vec<u8>) -> bool {
        self.hasher.update(&chunk);
        self.outgoing.send(Ok(told(Message::Chunk(chunk)))).await.is_ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proof::note::KeyName;
    use proof::{Checkpoint, empty_root};

    /// A caller who leaves ends the reading; what was read by then is no log that could be wrong.
    #[test]
    fn a_reading_that_was_given_up_is_no_bundle_and_no_fault() {
        let name = KeyName::parse("ledger.example/plum").unwrap();
        let signer = SignerKey::from_seed(name.clone(), &[7; 32]);
        let body = Checkpoint::new(name, 3, empty_root()).body();
        let note = Note::signed(body, &[&signer]).unwrap();
        let firm = FirmId(uuid::Uuid::from_u128(1));
        let (taken, handed) = mpsc::channel(1);
        drop(taken);
        let mut open = |_: &Document| Ok(Vec::new());
        let documents = Documents::new(Vec::new(), &mut open);
        let whole = (firm, Scope::all());
        let signing = Signers { key: signer, spans: Vec::new() };
        let wanted = Wanted(mpsc::channel(1).0);
        let made = archive(whole, Openings::default(), documents, &note, &signing, handed, &wanted);
        assert!(matches!(made, Ok(None)));
    }
}
