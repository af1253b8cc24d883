//! Making an examiner's bundle, and sending it as it is.
//!
//! The log is read page by page here and told on a thread of its own; what grows with the log lies in
//! temporary files, which only this process can read and which are gone with it.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom};

use api::requests::{BundleAsked, BundleScope};
use api::scalar::int64;
use api::status::{Failure, with_causes};
use api::v1::export_bundle_response::Message;
use api::{name, v1};
use bundle::{
    Export, ExportError, Exported, OPENINGS_MAX, Openings, RequestError, Scope, Scout, ValueKey,
};
use domain::event::{LookKind, Recorded, Scope as DomainScope};
use domain::ids::FirmId;
use log::{LogStore as _, Stored};
use proof::note::{Note, SignerKey};
use sha2::{Digest as _, Sha256};
use tokio::sync::{Semaphore, mpsc};

use super::{checkpoint, keys};
use crate::access::Authority;
use crate::answers::{self, Answers, answers_of, run_progress};
use crate::ledger::Ledger;

/// Bytes of a chunk: far below what a message may have.
const CHUNK_BYTES: usize = 256 << 10;
/// Events of one page of the log.
const PAGE_EVENTS: u64 = 4_000;
/// Pages that are read ahead.
const PAGES_AHEAD: usize = 4;
/// Bundles that are made at once in this process; others wait, as long as their callers do.
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
    if let BundleScope::Cases(cases) = &asked.scope {
        cases.iter().try_for_each(|case| authority.check_case(*case))?;
    }
    let Some(bounds) = authority.bounds() else { return Ok(()) };
    let within = match &asked.scope {
        // Every case was checked; a case is exported whole, with all its days.
        BundleScope::Cases(_) => bounds.from.is_none() && bounds.through.is_none(),
        // Days take every stream that moved in them from its beginning on.
        BundleScope::WholeLog | BundleScope::Days { .. } => false,
    };
    if within { Ok(()) } else { Err(Failure::PermissionDenied { scope: None }) }
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
    let _permit = EXPORTS.acquire().await.map_err(Failure::internal)?;
    let firm = asked.firm;
    let signed = match asked.tree_size {
        None => checkpoint::make(ledger, firm).await?,
        Some(size) => checkpoint::get(ledger, firm, Some(size)).await?,
    };
    let checkpoint = signed.checkpoint;
    // The key in force signs both notes of a bundle; a kept note may be of a key before it.
    let signer = keys::signer(ledger, firm).await?;
    let verifier_key = signer.verifier().to_string();
    let note = Note::signed(checkpoint.body(), &[&signer]).map_err(Failure::internal)?;
    let log = Log { ledger, firm, size: checkpoint.size, outgoing };
    let cases = match &asked.scope {
        BundleScope::Cases(cases) => cases.clone(),
        BundleScope::WholeLog | BundleScope::Days { .. } => BTreeSet::new(),
    };
    let scope = log.scope(asked.scope).await?;
    let openings =
        if asked.open_personal { log.openings(&scope).await? } else { Openings::default() };
    // On record before a byte leaves, and behind the log that is exported.
    let kind = if asked.open_personal { LookKind::Open } else { LookKind::Export };
    ledger.note_look(authority, firm, kind, "ExportBundle", cases).await?;
    let (exported, file) = log.export(scope, note, signer, openings).await?;
    send(file, exported, verifier_key, outgoing.clone()).await
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

    /// The keys of every personal value in the events of a scope.
    async fn openings(&self, scope: &Scope) -> Result<Openings, Failure> {
        let mut openings = Openings::default();
        let mut pages = self.pages();
        while let Some(page) = pages.next().await? {
            let mut events = Vec::with_capacity(page.len());
            for stored in page.iter().filter(|stored| stored.position <= self.size) {
                let recorded = Recorded::from_bytes(&stored.bytes);
                let recorded =
                    recorded.map_err(|_| Failure::Corrupt { position: stored.position })?;
                if scope.takes(&recorded.stream) {
                    events.push(recorded);
                }
            }
            let streams = events.iter().map(|recorded| recorded.stream);
            let opener = self.ledger.engine().opener(self.firm, streams).await?;
            for mut recorded in events {
                let (stream, position) = (recorded.stream, recorded.position);
                let (mut ordinal, mut fits) = (0, Ok(()));
                recorded.event.each_personal(&mut |value| {
                    let key = value.sealed().and_then(|sealed| opener.value_key(stream, sealed));
                    if let (Ok(()), Some(key)) = (&fits, key) {
                        fits = openings.insert(position, ordinal, ValueKey(key));
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

    /// Reads the log once more and makes the archive.
    async fn export(
        &self,
        scope: Scope,
        note: Note,
        signer: SignerKey,
        openings: Openings,
    ) -> Result<(Exported, File), Failure> {
        let (taken, incoming) = mpsc::channel(PAGES_AHEAD);
        let firm = self.firm;
        let making = tokio::task::spawn_blocking(move || {
            archive((firm, scope), openings, &note, &signer, incoming)
        });
        let read = self.hand_over(taken).await;
        let made = making.await.map_err(Failure::internal)?;
        read?;
        made.map_err(failure)
    }

    /// Hands every page to whoever takes them, until nobody does.
    async fn hand_over(&self, taken: mpsc::Sender<Vec<Stored>>) -> Result<(), Failure> {
        let mut pages = self.pages();
        while let Some(page) = pages.next().await? {
            if taken.send(page).await.is_err() {
                break;
            }
        }
        Ok(())
    }
}

/// One reading of the log.
struct Pages<'a> {
    log: &'a Log<'a>,
    after: u64,
}

impl Pages<'_> {
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

fn archive(
    (firm, scope): (FirmId, Scope),
    openings: Openings,
    note: &Note,
    signer: &SignerKey,
    mut pages: mpsc::Receiver<Vec<Stored>>,
) -> Result<(Exported, File), ExportError> {
    let mut export = Export::new(firm, scope, note, openings)?;
    while let Some(page) = pages.blocking_recv() {
        for stored in &page {
            export.push(&stored.bytes)?;
        }
    }
    let mut file = tempfile::tempfile()?;
    let exported = export.finish(signer, BufWriter::new(&mut file))?;
    Ok((exported, file))
}

fn failure(error: ExportError) -> Failure {
    match error {
        ExportError::Event { position, what } => checkpoint::corrupt(position, &what),
        ExportError::OtherRoot { size } => {
            checkpoint::corrupt(size, "the events do not make the root of the checkpoint")
        }
        other => Failure::internal(format!("a bundle was not made: {}", with_causes(&other))),
    }
}

/// Sends the archive and what it is.
async fn send(
    mut file: File,
    exported: Exported,
    verifier_key: String,
    outgoing: Outgoing,
) -> Result<(), Failure> {
    let sending = tokio::task::spawn_blocking(move || {
        let mut hasher = Sha256::new();
        file.seek(SeekFrom::Start(0))?;
        loop {
            let mut chunk = Vec::with_capacity(CHUNK_BYTES);
            let limit = u64::try_from(CHUNK_BYTES).unwrap_or(u64::MAX);
            (&mut file).take(limit).read_to_end(&mut chunk)?;
            if chunk.is_empty() {
                break;
            }
            hasher.update(&chunk);
            if outgoing.blocking_send(Ok(told(Message::Chunk(chunk)))).is_err() {
                return Ok(());
            }
        }
        let report = v1::BundleReport {
            event_count: int64(exported.events),
            case_count: int64(u64::try_from(exported.cases).unwrap_or(u64::MAX)),
            tree_size: int64(exported.size),
            root: exported.root.hex(),
            verifier_key,
            byte_count: int64(exported.bytes),
            sha256: hex::encode(hasher.finalize()),
        };
        // The caller may have left with the last chunk.
        let _ = outgoing.blocking_send(Ok(told(Message::Report(report))));
        Ok::<_, std::io::Error>(())
    });
    sending.await.map_err(Failure::internal)?.map_err(Failure::internal)
}
