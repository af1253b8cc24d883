//! What is seen of one connection while it is served, and when that is enough.

use std::collections::{HashMap, HashSet};
use std::io::{self, IoSlice};
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::Notify;
use tokio::time::{Instant, Interval, Sleep, sleep_until};
use tokio_util::sync::CancellationToken;

use super::call::Call;
use super::connections::{Entry, Reason};
use super::frames::{Frames, HEADERS, Head, WINDOW_UPDATE};
use crate::access::Authority;
use crate::config::DoorLimits;
use crate::quota::{Kind, Quotas};

/// The time over which the frames of known callers are counted.
const CONTROL_PERIOD: Duration = Duration::from_secs(1);

/// What is to become of a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Nothing speaks against it.
    Stays,
    /// It is told to go, and calls that were begun may end.
    Leaves(Reason),
    /// It is closed at once.
    Closed(Reason),
}

/// One connection.
pub(crate) struct Watch {
    /// Closes it.
    pub(crate) told_to_go: CancellationToken,
    limits: DoorLimits,
    /// Whether its bytes are let through no more.
    cut: AtomicBool,
    /// None of a caller in this process, which nothing is expected of.
    entry: Option<Entry>,
    /// Something was seen that the next look is not waited for with.
    urgent: Notify,
    seen: Mutex<Seen>,
}

struct Seen {
    begun: Instant,
    received: Frames,
    sent: Frames,
    /// Since when headers, or a frame that is no content, are not whole.
    unfinished_since: Option<Instant>,
    headers_go_on: bool,
    /// Since when the system takes no more of what is to be sent.
    blocked_since: Option<Instant>,
    /// Streams that are not ended, as the frames tell.
    open: HashSet<u32>,
    calls: HashMap<u64, Arc<Call>>,
    calls_begun: u64,
    /// Since when there is no call.
    idle_since: Instant,
    /// Whether a token was accepted on it.
    known: bool,
    /// Whose the first of them was.
    authority: Option<Authority>,
    refused: usize,
    control: usize,
    control_since: Instant,
    verdict: Verdict,
}

impl Watch {
    pub(crate) fn new(
        limits: &DoorLimits,
        entry: Option<Entry>,
        told_to_go: CancellationToken,
    ) -> Arc<Self> {
        let now = Instant::now();
        let seen = Seen {
            begun: now,
            received: Frames::of_client(),
            sent: Frames::of_server(),
            unfinished_since: None,
            headers_go_on: false,
            blocked_since: None,
            open: HashSet::new(),
            calls: HashMap::new(),
            calls_begun: 0,
            idle_since: now,
            known: entry.is_none(),
            authority: None,
            refused: 0,
            control: 0,
            control_since: now,
            verdict: Verdict::Stays,
        };
        let (limits, cut, seen) = (limits.clone(), AtomicBool::new(false), Mutex::new(seen));
        Arc::new(Self { told_to_go, limits, cut, entry, urgent: Notify::new(), seen })
    }

    /// Where the other end is, if it is not in this process.
    pub(crate) fn address(&self) -> Option<IpAddr> {
        self.entry.as_ref().map(|entry| entry.address)
    }

    /// Whose token was the first to be accepted on it.
    pub(crate) fn authority(&self) -> Option<Authority> {
        self.lock().authority.clone()
    }

    /// A token was accepted. What was asked before and goes on is no stranger's any more.
    pub(crate) fn is_known(&self, authority: &Authority, quotas: &Arc<Quotas>) {
        let mut seen = self.lock();
        if !seen.known {
            seen.known = true;
            seen.control = 0;
            seen.authority = Some(authority.clone());
            for call in seen.calls.values() {
                call.is_known(|| quotas.hold(Kind::Open, authority).ok().flatten());
            }
            drop(seen);
            if let Some(entry) = &self.entry {
                entry.is_known();
            }
        }
    }

    /// A call was turned down, or answered, that no token was asked for. Somebody who only ever makes
    /// such calls, or leaves their answers unread, is told to go.
    pub(crate) fn is_unasked(&self) {
        let mut seen = self.lock();
        seen.refused += 1;
        let unread = seen.open.len() > seen.calls.len() + self.limits.unread_answers_max;
        if !seen.known && (seen.refused > self.limits.refused_calls_max || unread) {
            seen.verdict = Verdict::Leaves(Reason::Refusals);
            // Until the next look in time it would be answered many times more.
            self.urgent.notify_one();
        }
    }

    /// Counts a call until it has ended.
    pub(super) fn begin(self: &Arc<Self>, call: &Arc<Call>) -> Begun {
        let mut seen = self.lock();
        let number = seen.calls_begun;
        seen.calls_begun += 1;
        seen.calls.insert(number, Arc::clone(call));
        Begun { watch: Arc::clone(self), number }
    }

    /// Until it is to be looked at again: from time to time, and as soon as it has to leave.
    pub(super) async fn next_look(&self, looks: &mut Interval) {
        tokio::select! {
            _ = looks.tick() => {}
            () = self.urgent.notified() => {}
        }
    }

    /// Looks at it once more. Calls that have had their time are ended.
    pub(super) fn look(&self) -> Verdict {
        let now = Instant::now();
        let limits = &self.limits;
        let seen = self.lock();
        for call in seen.calls.values() {
            call.end_if_due(now, limits.write_stall_max);
        }
        let over = |since: Option<Instant>, most: Duration| {
            since.is_some_and(|since| now.duration_since(since) > most)
        };
        let greeted = seen.received.has_preface() || seen.received.is_other();
        let begun = (!greeted).then_some(seen.begun);
        let idle = seen.calls.is_empty().then_some(seen.idle_since);
        if over(begun, limits.preface_max) {
            return Verdict::Closed(Reason::Preface);
        }
        if over(seen.unfinished_since, limits.headers_max) {
            return Verdict::Closed(Reason::Headers);
        }
        // What ended for us and not on the wire is waiting for a caller to read it.
        let unread = idle.filter(|_| !seen.open.is_empty());
        if over(seen.blocked_since, limits.write_stall_max) || over(unread, limits.write_stall_max)
        {
            return Verdict::Closed(Reason::Unread);
        }
        let idle_max =
            if seen.known { limits.connection_idle_max } else { limits.unknown_idle_max };
        if over(idle, idle_max) {
            return Verdict::Leaves(Reason::Idle);
        }
        seen.verdict
    }

    /// Lets no more bytes through: the transport ends as when the other end is gone.
    pub(super) fn cut(&self) {
        self.cut.store(true, Ordering::Relaxed);
    }

    /// When its bytes are read on, if not now.
    fn due(&self) -> Option<Instant> {
        let entry = self.entry.as_ref()?;
        if self.lock().known { None } else { entry.due() }
    }

    fn check(&self) -> io::Result<()> {
        if self.cut.load(Ordering::Relaxed) {
            return Err(io::ErrorKind::ConnectionAborted.into());
        }
        Ok(())
    }

    /// Whether nobody waits for an answer.
    pub(super) fn is_idle(&self) -> bool {
        self.lock().calls.is_empty()
    }

    pub(super) fn count(&self, reason: Reason) {
        if let Some(entry) = &self.entry {
            entry.count(reason);
        }
    }

    fn received(&self, bytes: &[u8]) {
        let now = Instant::now();
        let mut seen = self.lock();
        let Seen { received, open, headers_go_on, .. } = &mut *seen;
        let (mut whole, mut frames, mut control, mut updates) = (false, 0, 0, 0);
        received.pass(bytes, |head: Head| {
            whole = true;
            frames += 1;
            if head.is_of_headers() {
                *headers_go_on = head.goes_on();
            }
            if head.kind == HEADERS {
                open.insert(head.stream);
            } else if head.kind == WINDOW_UPDATE {
                updates += 1;
            } else if head.is_control() {
                control += 1;
                if head.ends_stream() {
                    open.remove(&head.stream);
                }
            }
        });
        let unfinished =
            seen.headers_go_on || (seen.received.is_within() && !seen.received.is_within_data());
        if seen.received.is_other() {
            // HTTP/1.1: the transport itself waits for headers no longer than it was told.
            frames = 1;
        }
        let since = seen.unfinished_since.filter(|_| !whole || seen.headers_go_on);
        seen.unfinished_since = unfinished.then(|| since.unwrap_or(now));
        if let Some(entry) = self.entry.as_ref().filter(|_| !seen.known) {
            entry.passed(frames);
        }
        // Reading much makes many updates of windows, which only known callers do.
        seen.control += if seen.known { control } else { control + updates };
        let most = if seen.known {
            if now.duration_since(seen.control_since) > CONTROL_PERIOD {
                (seen.control, seen.control_since) = (0, now);
            }
            self.limits.control_frames_per_second_max
        } else {
            self.limits.control_frames_unknown_max
        };
        if seen.control > most {
            seen.verdict = Verdict::Closed(Reason::Flood);
        }
    }

    fn sent(&self, bytes: &[u8]) {
        let mut seen = self.lock();
        seen.blocked_since = None;
        let Seen { received, sent, open, .. } = &mut *seen;
        if received.is_other() {
            return;
        }
        sent.pass(bytes, |head| {
            if head.ends_stream() {
                open.remove(&head.stream);
            }
        });
    }

    fn blocked(&self) {
        self.lock().blocked_since.get_or_insert_with(Instant::now);
    }

    fn unblocked(&self) {
        self.lock().blocked_since = None;
    }

    fn lock(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A call that has not ended yet.
pub(super) struct Begun {
    watch: Arc<Watch>,
    number: u64,
}

impl Drop for Begun {
    fn drop(&mut self) {
        let mut seen = self.watch.lock();
        seen.calls.remove(&self.number);
        seen.idle_since = Instant::now();
    }
}

/// A connection's bytes, which are looked at as they pass.
pub(super) struct Watched<T> {
    io: T,
    watch: Arc<Watch>,
    /// Set while a stranger is read no further.
    pause: Option<Pin<Box<Sleep>>>,
}

impl<T> Watched<T> {
    pub(super) fn new(io: T, watch: Arc<Watch>) -> Self {
        Self { io, watch, pause: None }
    }
}

impl<T: AsyncRead + Unpin> AsyncRead for Watched<T> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.watch.check()?;
        while let Some(due) = self.watch.due() {
            let pause = self.pause.get_or_insert_with(|| Box::pin(sleep_until(due)));
            ready!(pause.as_mut().poll(context));
            self.pause = None;
        }
        let before = buffer.filled().len();
        let read = Pin::new(&mut self.io).poll_read(context, buffer);
        let bytes = &buffer.filled()[before..];
        if !bytes.is_empty() {
            self.watch.received(bytes);
        }
        read
    }
}

impl<T: AsyncWrite + Unpin> AsyncWrite for Watched<T> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.watch.check()?;
        let written = Pin::new(&mut self.io).poll_write(context, bytes);
        match &written {
            Poll::Ready(Ok(count)) => self.watch.sent(&bytes[..*count]),
            Poll::Ready(Err(_)) => {}
            Poll::Pending => self.watch.blocked(),
        }
        written
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        slices: &[IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        self.watch.check()?;
        let written = Pin::new(&mut self.io).poll_write_vectored(context, slices);
        match &written {
            Poll::Ready(Ok(count)) => {
                let mut left = *count;
                for slice in slices {
                    let taken = left.min(slice.len());
                    self.watch.sent(&slice[..taken]);
                    left -= taken;
                }
            }
            Poll::Ready(Err(_)) => {}
            Poll::Pending => self.watch.blocked(),
        }
        written
    }

    fn is_write_vectored(&self) -> bool {
        self.io.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.watch.check()?;
        let flushed = Pin::new(&mut self.io).poll_flush(context);
        match &flushed {
            Poll::Ready(_) => self.watch.unblocked(),
            Poll::Pending => self.watch.blocked(),
        }
        flushed
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(context)
    }
}
