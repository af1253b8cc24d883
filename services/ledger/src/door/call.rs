//! One call, from its first header to the last byte of its answer.
//!
//! The transport polls the body of an answer only when its caller takes more of it. So a clock in the
//! body would stand still exactly when it is needed, and a call is ended from outside: by the look at
//! its connection, or by whoever wants its place.

use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use api::status::Failure;
use http_body::{Frame, SizeHint};
use hyper::body::Bytes;
use hyper::rt::Executor;
use tokio::time::{Instant, Sleep, sleep_until};
use tokio_util::sync::{CancellationToken, WaitForCancellationFutureOwned};
use tonic::Status;
use tonic::body::Body;

use super::messages::Meter;
use super::room::Place;
use super::watch::Watch;
use crate::ledger::Ledger;
use crate::quota::Held;

/// Most bytes that the transport is given of an answer at a time, so that what it holds for a caller
/// who does not read is little.
const PIECE_BYTES: usize = 16 << 10;

tokio::task_local! {
    static CALL: Arc<Call>;
}

/// One call.
#[derive(Default)]
pub(crate) struct Call {
    /// Ends it.
    pub(crate) told_to_go: CancellationToken,
    pace: Mutex<Pace>,
    stay: Mutex<Option<Stay>>,
}

/// What a call that needs no token is let in by.
#[expect(dead_code, reason = "each is held for what happens when it is dropped")]
pub(crate) enum Stay {
    /// A place among strangers, who may end it for another's sake.
    Place(Place),
    /// What its token may have going on. Nobody else can end it.
    Counted(Held),
}

#[derive(Default)]
struct Pace {
    /// Since when its caller has a piece of the answer to take.
    giving_since: Option<Instant>,
    /// When it ends, whatever it is at.
    due: Option<Instant>,
}

impl Call {
    /// The call that is worked on here.
    pub(crate) fn current() -> Arc<Self> {
        CALL.try_with(Arc::clone).unwrap_or_default()
    }

    /// Ends it after a time, whatever it is at then.
    pub(crate) fn ends_in(&self, time: Duration) {
        self.lock().due = Some(Instant::now() + time);
    }

    pub(super) fn end_if_due(&self, now: Instant, stall_max: Duration) {
        let pace = self.lock();
        let stalled = pace.giving_since.is_some_and(|since| now.duration_since(since) > stall_max);
        if stalled || pace.due.is_some_and(|due| now >= due) {
            self.told_to_go.cancel();
        }
    }

    /// Holds what it is let in by until it has ended.
    pub(crate) fn stays(&self, stay: Stay) {
        self.stay().replace(stay);
    }

    /// A token was accepted on its connection: if it stays among strangers, it is counted for that token
    /// instead, as far as there is room.
    pub(super) fn is_known(&self, count: impl FnOnce() -> Option<Held>) {
        let mut stay = self.stay();
        if let Some(Stay::Place(_)) = &*stay
            && let Some(held) = count()
        {
            *stay = Some(Stay::Counted(held));
        }
    }

    fn stay(&self) -> MutexGuard<'_, Option<Stay>> {
        self.stay.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn gives(&self, piece: bool) {
        self.lock().giving_since = piece.then(Instant::now);
    }

    fn lock(&self) -> MutexGuard<'_, Pace> {
        self.pace.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Runs the calls of one connection.
#[derive(Clone)]
pub(super) struct Calls {
    pub(super) ledger: Ledger,
    pub(super) watch: Arc<Watch>,
}

impl Calls {
    /// Runs a call until it has ended or was ended: then there is nothing.
    pub(super) fn run<W: Future>(
        &self,
        work: W,
    ) -> impl Future<Output = Option<W::Output>> + use<W> {
        let call = Arc::new(Call::default());
        let begun = self.watch.begin(&call);
        async move {
            let done = tokio::select! {
                // First, so that a call that was ended is broken off, whatever else has ended with it.
                biased;
                () = call.told_to_go.cancelled() => None,
                done = CALL.scope(Arc::clone(&call), work) => Some(done),
            };
            drop(begun);
            done
        }
    }
}

impl<F> Executor<F> for Calls
where
    F: Future<Output = ()> + Send + 'static,
{
    fn execute(&self, work: F) {
        let run = self.run(work);
        self.ledger.spawn(async move {
            run.await;
        });
    }
}

/// The body of an answer, given out piece by piece.
pub(crate) struct Given<H> {
    inner: Body,
    rest: Bytes,
    call: Arc<Call>,
    /// What the call holds until its answer has been taken, if anything.
    _held: H,
}

impl<H> Given<H> {
    pub(crate) fn new(inner: Body, call: Arc<Call>, held: H) -> Self {
        Self { inner, rest: Bytes::new(), call, _held: held }
    }
}

impl<H: Unpin> http_body::Body for Given<H> {
    type Data = Bytes;
    type Error = Status;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Status>>> {
        if self.rest.is_empty() {
            // The service's turn: its caller has taken everything.
            self.call.gives(false);
            match ready!(Pin::new(&mut self.inner).poll_frame(context)) {
                Some(Ok(frame)) => match frame.into_data() {
                    Ok(data) => self.rest = data,
                    Err(frame) => {
                        self.call.gives(true);
                        return Poll::Ready(Some(Ok(frame)));
                    }
                },
                other => return Poll::Ready(other),
            }
        }
        self.call.gives(true);
        let most = self.rest.len().min(PIECE_BYTES);
        // A copy, since the last piece of a large message would keep all of it.
        let piece = Bytes::copy_from_slice(&self.rest.split_to(most));
        Poll::Ready(Some(Ok(Frame::data(piece))))
    }

    fn is_end_stream(&self) -> bool {
        self.rest.is_empty() && self.inner.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::default()
    }
}

/// What the body of a request may take.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Patience {
    /// How long nothing of it may come.
    pub(crate) idle: Duration,
    /// When all of it has to be there, if it has an end.
    pub(crate) whole_by: Option<Instant>,
    /// Most bytes of it, if it is bounded here.
    pub(crate) bytes_max: Option<usize>,
}

/// The body of a request, as long as patience lasts.
pub(crate) struct Received {
    inner: Body,
    patience: Patience,
    bytes: usize,
    meter: Option<Meter>,
    /// Work that a handler left to a task of its own reads on when the call is no more.
    told_to_go: CancellationToken,
    waiting: Option<Waiting>,
}

/// Set while something is waited for.
struct Waiting {
    end: Pin<Box<Sleep>>,
    gone: Pin<Box<WaitForCancellationFutureOwned>>,
}

impl Received {
    pub(crate) fn new(inner: Body, patience: Patience, call: &Call) -> Self {
        let told_to_go = call.told_to_go.clone();
        Self { inner, patience, bytes: 0, meter: None, told_to_go, waiting: None }
    }

    /// The same, counted as it comes.
    pub(crate) fn counted_by(self, meter: Option<Meter>) -> Self {
        Self { meter, ..self }
    }
}

impl http_body::Body for Received {
    type Data = Bytes;
    type Error = Status;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Status>>> {
        let Patience { idle, whole_by, bytes_max } = self.patience;
        let polled = Pin::new(&mut self.inner).poll_frame(context);
        match polled {
            Poll::Ready(frame) => {
                self.waiting = None;
                if let Some(Ok(frame)) = &frame
                    && let Some(data) = frame.data_ref()
                {
                    self.bytes += data.len();
                    if let Some(Err(failure)) = self.meter.as_mut().map(|meter| meter.pass(data)) {
                        return Poll::Ready(Some(Err(failure.into())));
                    }
                }
                if let Some(most) = bytes_max.filter(|most| self.bytes > *most) {
                    let limit = format!("a request has at most {most} bytes");
                    let failure = Failure::Quota { subject: "request".into(), limit };
                    return Poll::Ready(Some(Err(failure.into())));
                }
                Poll::Ready(frame)
            }
            Poll::Pending => {
                let this = &mut *self;
                let waiting = this.waiting.get_or_insert_with(|| {
                    let idle = Instant::now() + idle;
                    Waiting {
                        end: Box::pin(sleep_until(whole_by.map_or(idle, |by| by.min(idle)))),
                        gone: Box::pin(this.told_to_go.clone().cancelled_owned()),
                    }
                });
                if waiting.gone.as_mut().poll(context).is_pending() {
                    ready!(waiting.end.as_mut().poll(context));
                }
                Poll::Ready(Some(Err(Failure::DeadlineExceeded.into())))
            }
        }
    }

    fn is_end_stream(&self) -> bool {
        self.inner.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.inner.size_hint()
    }
}
