//! Copying the log out of the tables of before (migration 0020), on either engine.
//!
//! A process that opens the database does it before it serves: some rows at a time, each time in a transaction
//! of its own that begins where the last one ended, so that what is cut short goes on. The last one drops the
//! tables of before. Bytes and leaf hashes are copied as they are; the head stays untouched.

use domain::ids::RequestId;
use log::{AnswerRow, Outcome, Remembered};

/// Rows of one transaction.
pub(crate) const ROWS_AT_ONCE: i64 = 5_000;

/// What names a row in the order of copying: the firm, and behind it a position.
pub(crate) const LAST_EVENT: &str =
    "SELECT firm, position FROM event ORDER BY firm DESC, position DESC LIMIT 1";
/// The same of requests.
pub(crate) const LAST_REQUEST: &str =
    "SELECT firm, request_id FROM request ORDER BY firm DESC, request_id DESC LIMIT 1";

/// The next events behind a firm and a position.
pub(crate) const COPY_EVENTS: &str = "INSERT INTO event (firm, position, previous, type, occurred_on, leaf, body) \
    SELECT e.firm, e.position, COALESCE((SELECT p.position FROM event_before p WHERE p.firm = e.firm \
    AND p.stream = e.stream AND p.stream_version = e.stream_version - 1), 0), e.type, e.occurred_on, e.leaf, \
    e.body FROM event_before e WHERE (e.firm, e.position) > ($1, $2) ORDER BY e.firm, e.position LIMIT $3";
/// The next answers behind a firm and a request.
pub(crate) const READ_REQUESTS: &str = "SELECT firm, request_id, fingerprint, outcome FROM request_before \
    WHERE (firm, request_id) > ($1, $2) ORDER BY firm, request_id LIMIT $3";

/// Where each stream ends, given its key as this engine makes it of the name.
pub(crate) fn copy_ends(key: &str) -> String {
    format!(
        "INSERT INTO stream (firm, stream, last_position, version) SELECT e.firm, {key}, \
         MAX(e.position), MAX(e.stream_version) FROM event_before e GROUP BY e.firm, e.stream"
    )
}

/// The hexadecimal digits of a stream's key, made of its name.
pub(crate) const KEY_DIGITS: &str = "CASE WHEN e.stream = 'firm' THEN '0000000000000000000000000000000000' \
    WHEN e.stream LIKE 'case/%' THEN replace(substr(e.stream, 6), '-', '') || '01' \
    WHEN e.stream LIKE 'account/%' THEN replace(substr(e.stream, 9), '-', '') || '02' \
    WHEN e.stream LIKE 'deposit/%' THEN replace(substr(e.stream, 9), '-', '') || '03' \
    WHEN e.stream LIKE 'looks/%' THEN replace(substr(e.stream, 7), '-', '') || '04' END";

pub(crate) const DROP_BEFORE: [&str; 2] = ["DROP TABLE event_before", "DROP TABLE request_before"];

/// An answer as it is kept now. One that does not read is kept as it was, and found as ever.
pub(crate) fn answer_of(request: RequestId, fingerprint: &[u8], outcome: Vec<u8>) -> AnswerRow {
    let read = Outcome::from_bytes(&outcome);
    match read.ok().filter(|read| read.fingerprint == fingerprint) {
        Some(read) => Remembered::of(&read).to_row(request),
        None => AnswerRow::unread(request, fingerprint, outcome),
    }
}
