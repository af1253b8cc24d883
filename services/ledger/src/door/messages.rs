//! The messages of a request as they pass by (gRPC over HTTP/2, "Length-Prefixed-Message"): a byte that
//! says whether one is compressed, four of its length, then the message. Whoever decodes it sets room aside
//! for all of it once its length is known.

use std::sync::{Arc, Mutex, PoisonError};

use api::status::Failure;

use crate::quota::Held;

const HEAD_BYTES: usize = 5;

/// Where the bytes so far end.
#[derive(Default)]
struct Messages {
    head: [u8; HEAD_BYTES],
    have: usize,
    left: usize,
}

impl Messages {
    /// Takes the next bytes, and tells the length of every message whose head ended among them.
    fn pass(&mut self, mut bytes: &[u8], mut begins: impl FnMut(usize)) {
        while !bytes.is_empty() {
            let passed = self.left.min(bytes.len());
            self.left -= passed;
            bytes = &bytes[passed..];
            let taken = (HEAD_BYTES - self.have).min(bytes.len());
            self.head[self.have..self.have + taken].copy_from_slice(&bytes[..taken]);
            self.have += taken;
            bytes = &bytes[taken..];
            if self.have == HEAD_BYTES {
                let [_, length @ ..] = self.head;
                self.left = usize::try_from(u32::from_be_bytes(length)).unwrap_or(usize::MAX);
                self.have = 0;
                begins(self.left);
            }
        }
    }
}

/// Counts a request's bytes against what its firm may have going on.
pub(crate) struct Meter {
    messages: Messages,
    held: Arc<Mutex<Held>>,
    /// A larger message is refused by whoever decodes it, and nothing is set aside for it.
    message_bytes_max: usize,
    counted: Counted,
}

/// What of a request is held until it has ended.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Counted {
    /// All its messages.
    Together,
    /// The last: it is a stream that is worked on as it comes, where a message is over when the next one begins.
    OneByOne,
    /// All its bytes, which are no messages of gRPC.
    Whole,
}

impl Meter {
    pub(crate) fn new(held: Arc<Mutex<Held>>, message_bytes_max: usize, counted: Counted) -> Self {
        Self { messages: Messages::default(), held, message_bytes_max, counted }
    }

    pub(super) fn pass(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        let Self { messages, held, message_bytes_max, counted } = self;
        let mut added = Ok(());
        let mut add = |length: usize| {
            if added.is_ok() {
                let mut held = held.lock().unwrap_or_else(PoisonError::into_inner);
                let before = if matches!(counted, Counted::OneByOne) { 0 } else { held.amount() };
                added = held.resize(before + length);
            }
        };
        match counted {
            Counted::Whole => add(bytes.len()),
            Counted::Together | Counted::OneByOne => messages.pass(bytes, |length| {
                if length <= *message_bytes_max {
                    add(length);
                }
            }),
        }
        added
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_told_alike_however_the_bytes_are_cut() {
        // gRPC over HTTP/2: Compressed-Flag, Message-Length (big endian), Message.
        let sent = [0, 0, 0, 0, 3, 7, 7, 7, 0, 0, 0, 0, 0, 1, 0, 0, 1, 2, 9];
        for cut in 1..=sent.len() {
            let (mut messages, mut told) = (Messages::default(), Vec::new());
            for bytes in sent.chunks(cut) {
                messages.pass(bytes, |length| told.push(length));
            }
            assert_eq!(told, [3, 0, 258], "cut at {cut}");
        }
    }
}
