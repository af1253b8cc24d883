//! Answers that outlive the moment in which their caller was let in.
//!
//! A token ends on a day or is taken back at any time. Whoever is let in is looked at again by the clock for
//! as long as the answer lasts, whether or not anything is said on it.

use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use http_body::{Frame, SizeHint};
use tonic::Status;
use tonic::body::Body;
use tonic::codegen::http::{HeaderMap, Response};

use super::Authority;
use crate::ledger::Ledger;
use api::status::Failure;

/// How often a token is looked at again. What another process took back is believed for as long once more.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// Comes true when a token is over.
pub(crate) type TokenOver = Pin<Box<dyn Future<Output = Failure> + Send>>;

/// Waits until what a caller was let in by is over; for ever, where that is no token. A store that does not
/// answer is no reason: nothing is read from it either, and the next look is a second away.
pub(crate) fn token_over(ledger: &Ledger, authority: &Authority) -> TokenOver {
    let (ledger, authority) = (ledger.clone(), authority.clone());
    Box::pin(async move {
        if matches!(authority, Authority::Local | Authority::Schedule) {
            std::future::pending::<()>().await;
        }
        loop {
            tokio::time::sleep(LOOK_AGAIN).await;
            if let Err(Failure::Unauthenticated) = ledger.still_admitted(&authority).await {
                return Failure::Unauthenticated;
            }
        }
    })
}

/// An answer that ends with its caller's token at the latest.
pub(crate) fn lasting(response: Response<Body>, over: TokenOver) -> Response<Body> {
    response.map(|inner| Body::new(Lasting { inner, over: Some(over) }))
}

struct Lasting {
    inner: Body,
    /// Nothing once the answer has ended with it.
    over: Option<TokenOver>,
}

impl http_body::Body for Lasting {
    type Data = <Body as http_body::Body>::Data;
    type Error = <Body as http_body::Body>::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        let Some(over) = &mut self.over else { return Poll::Ready(None) };
        if let Poll::Ready(failure) = over.as_mut().poll(context) {
            self.over = None;
            // Whoever makes the answer learns from this that nobody takes it any more.
            self.inner = Body::empty();
            let mut trailers = HeaderMap::new();
            return match Status::from(failure).add_header(&mut trailers) {
                Ok(()) => Poll::Ready(Some(Ok(Frame::trailers(trailers)))),
                Err(unwritten) => Poll::Ready(Some(Err(unwritten))),
            };
        }
        Pin::new(&mut self.inner).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.over.is_none() || self.inner.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.inner.size_hint()
    }
}
