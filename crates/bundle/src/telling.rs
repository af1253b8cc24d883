//! The second pass: every client's rows and report, made by several threads, given in order.

use std::collections::BTreeMap;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

use domain::event::StreamId;
use domain::ids::{AccountId, CaseId};
use uuid::Uuid;

use crate::derive::{FirmBook, Frame, Party, Rows, Untold, Why, look, tell};
use crate::index::{ByStream, Unread};
use crate::recordable::{self, FirmRecord};
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
    /// A stream's events do not fold.
    #[error("the events of a client cannot be folded")]
    Folding,
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
    let (mut firm, mut looked, mut rows) = (FirmBook::default(), 0, Rows::new(frame.format));
    let mut record = FirmRecord::default();
    let mut unread = Vec::new();
    events.each(StreamId::Firm, &mut pieces, &mut unread, |recorded, _, unread| {
        looked += look(&recorded, &mut rows);
        record.take(&recorded, &mut rows);
        if let Err(impossible) = firm.take(&recorded) {
            rows.fault(impossible.position, impossible.what);
        }
        if looked + unread.len() < LOOKS_AT_ONCE {
            return Ok(());
        }
        looked = 0;
        rows.unread.append(unread);
        take(std::mem::replace(&mut rows, Rows::new(frame.format)))
    })?;
    record.finish(&mut rows);
    // Nothing is told of these, and each of them is decoded all the same.
    for stream in events.others() {
        events.each(stream, &mut pieces, &mut unread, |recorded, _, _| {
            recordable::check_day(&recorded, &record, &mut rows);
            Ok(())
        })?;
    }
    rows.unread.append(&mut unread);
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
            let (done, parties, firm, record) = (done.clone(), &parties, &firm, &record);
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
                    let told = tell_some(events, chunk_of, (firm, record), frame, &mut pieces);
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
    (firm, record): (&FirmBook, &FirmRecord),
    frame: &Frame,
    pieces: &mut Pieces,
) -> Result<Rows, TellError> {
    let mut rows = Rows::new(frame.format);
    for id in ids {
        let why = match load(events, *id, pieces, &mut rows.unread)? {
            None => Some(Why::TooMuch),
            // Folds rest on what the ledger lets into a log. What somebody else made may break them.
            Some(party) => {
                let told = catch_unwind(AssertUnwindSafe(|| {
                    recordable::check(&party, record, &mut rows);
                    tell(&party, firm, frame, &mut rows)
                }));
                match told {
                    Ok(Ok(())) => None,
                    Ok(Err(impossible)) => Some(Why::Impossible(impossible)),
                    Err(_) => Some(Why::Failed),
                }
            }
        };
        rows.untold.extend(why.map(|why| Untold { client: *id, why }));
        let mut unread = std::mem::take(&mut rows.unread);
        events.each(StreamId::Looks(CaseId(*id)), pieces, &mut unread, |recorded, _, _| {
            recordable::check_day(&recorded, record, &mut rows);
            look(&recorded, &mut rows);
            Ok(())
        })?;
        rows.unread = unread;
    }
    Ok(rows)
}

/// The events of a client; nothing if they are more than are held at once.
fn load(
    events: &ByStream,
    id: Uuid,
    pieces: &mut Pieces,
    unread: &mut Vec<Unread>,
) -> io::Result<Option<Party>> {
    let own = AccountId(id);
    let mut held = 0;
    let mut load = |stream| events.load(stream, pieces, unread, &mut held);
    let Some(case) = load(StreamId::Case(CaseId(id)))? else { return Ok(None) };
    let mut accounts = BTreeMap::new();
    let Some(account) = load(StreamId::Account(own))? else { return Ok(None) };
    let payers: Vec<AccountId> = Party::moved_to(&account).collect();
    if events.has(&StreamId::Account(own)) {
        accounts.insert(own, account);
    }
    for payer in payers {
        if !accounts.contains_key(&payer) && events.has(&StreamId::Account(payer)) {
            let Some(account) = load(StreamId::Account(payer))? else { return Ok(None) };
            accounts.insert(payer, account);
        }
    }
    Ok(Some(Party { id, case, accounts }))
}
