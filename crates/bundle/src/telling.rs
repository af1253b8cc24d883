//! The second pass: every client's rows and report, made by several threads, given in order.

use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

use domain::event::StreamId;
use domain::ids::{AccountId, CaseId};
use uuid::Uuid;

use crate::derive::{FirmBook, Frame, Party, Rows, look, tell};
use crate::index::{ByStream, LoadError};
use crate::spool::{Pieces, Spooled};

/// Clients that one thread tells of before it hands over.
const CLIENTS_AT_ONCE: usize = 32;
/// Looks of people whose rows are handed over together.
const LOOKS_AT_ONCE: usize = 1_000;
/// Hand-overs that may wait for one before them.
const WAITING_MAX: usize = 8;
/// Threads that tell.
const THREADS: usize = 2;

/// Why the events could not be told.
#[derive(Debug, thiserror::Error)]
pub(crate) enum TellError {
    /// The temporary files failed, or what is told of could not be kept.
    #[error("a temporary file cannot be read or written")]
    Io(#[from] io::Error),
    /// An event is not what its place calls for.
    #[error("line {line} of events.jsonl: {what}")]
    Event {
        /// Counted from 1.
        line: u64,
        /// What is wrong.
        what: String,
    },
    /// A stream's events do not fold.
    #[error("the events of a client cannot be folded")]
    Folding,
}

impl From<LoadError> for TellError {
    fn from(error: LoadError) -> Self {
        match error {
            LoadError::Io(error) => Self::Io(error),
            LoadError::Event { line, what } => Self::Event { line, what },
        }
    }
}

/// Tells of every client in the order of first appearance.
pub(crate) fn tell_all(
    events: &ByStream,
    lines: &Spooled,
    frame: &Frame,
    mut take: impl FnMut(Rows) -> io::Result<()>,
) -> Result<(), TellError> {
    let parties = events.parties();
    let mut pieces = Pieces::new(lines.open()?);
    let (mut firm, mut looked, mut rows) = (FirmBook::default(), 0, Rows::new());
    events.each(StreamId::Firm, &mut pieces, |recorded| {
        looked += look(&recorded, &mut rows);
        firm.take(&recorded);
        if looked < LOOKS_AT_ONCE {
            return Ok(());
        }
        looked = 0;
        take(std::mem::replace(&mut rows, Rows::new()))
    })?;
    take(rows)?;
    let next = AtomicUsize::new(0);
    let stop = AtomicBool::new(false);
    // One permit for each hand-over that may be under way or waiting.
    let (permits, permitted) = mpsc::sync_channel::<()>(WAITING_MAX);
    let permitted = std::sync::Mutex::new(permitted);
    std::thread::scope(|scope| {
        let (done, finished) = mpsc::channel();
        let mut threads = Vec::new();
        for _ in 0..THREADS {
            let (done, parties, firm) = (done.clone(), &parties, &firm);
            let (next, stop, permitted) = (&next, &stop, &permitted);
            let mut pieces = Pieces::new(lines.open()?);
            threads.push(scope.spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    let received = permitted.lock().map(|permitted| permitted.recv());
                    if !matches!(received, Ok(Ok(()))) {
                        break;
                    }
                    let chunk = next.fetch_add(1, Ordering::Relaxed);
                    let from = chunk * CLIENTS_AT_ONCE;
                    let Some(rest) = parties.get(from..).filter(|rest| !rest.is_empty()) else {
                        break;
                    };
                    let chunk_of = &rest[..rest.len().min(CLIENTS_AT_ONCE)];
                    let told = tell_some(events, chunk_of, firm, frame, &mut pieces);
                    if done.send((chunk, told)).is_err() {
                        break;
                    }
                }
            }));
        }
        drop(done);
        let given = give(&finished, &permits, &mut take);
        stop.store(true, Ordering::Relaxed);
        drop(permits);
        // Every one of them is waited for: one that nobody waited for would panic here.
        let mut panicked = false;
        for thread in threads {
            panicked |= thread.join().is_err();
        }
        if panicked { Err(TellError::Folding) } else { given }
    })
}

fn give(
    finished: &mpsc::Receiver<(usize, Result<Rows, TellError>)>,
    permits: &mpsc::SyncSender<()>,
    take: &mut impl FnMut(Rows) -> io::Result<()>,
) -> Result<(), TellError> {
    for _ in 0..WAITING_MAX {
        let _ = permits.try_send(());
    }
    let mut waiting = BTreeMap::new();
    let mut wanted = 0;
    for (chunk, told) in finished {
        waiting.insert(chunk, told);
        while let Some(told) = waiting.remove(&wanted) {
            take(told?)?;
            wanted += 1;
            // The threads may be gone already.
            let _ = permits.try_send(());
        }
    }
    Ok(())
}

fn tell_some(
    events: &ByStream,
    ids: &[Uuid],
    firm: &FirmBook,
    frame: &Frame,
    pieces: &mut Pieces,
) -> Result<Rows, TellError> {
    let mut rows = Rows::new();
    for id in ids {
        let party = load(events, *id, pieces)?;
        tell(&party, firm, frame, &mut rows);
        events.each(StreamId::Looks(CaseId(*id)), pieces, |recorded| {
            look(&recorded, &mut rows);
            Ok(())
        })?;
    }
    Ok(rows)
}

fn load(events: &ByStream, id: Uuid, pieces: &mut Pieces) -> Result<Party, LoadError> {
    let own = AccountId(id);
    let case = events.load(StreamId::Case(CaseId(id)), pieces)?;
    let mut accounts = BTreeMap::new();
    let account = events.load(StreamId::Account(own), pieces)?;
    let payers: Vec<AccountId> = Party::moved_to(&account).collect();
    if events.has(&StreamId::Account(own)) {
        accounts.insert(own, account);
    }
    for payer in payers {
        if !accounts.contains_key(&payer) && events.has(&StreamId::Account(payer)) {
            accounts.insert(payer, events.load(StreamId::Account(payer), pieces)?);
        }
    }
    Ok(Party { id, case, accounts })
}
