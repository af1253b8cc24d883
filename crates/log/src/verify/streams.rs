//! Where streams end, held against the events that were read.

use std::collections::HashMap;

use domain::event::{StreamId, Tail};
use domain::ids::FirmId;

use super::{VERIFY_PAGE, VerifyError, finding};
use crate::ports::{LogStore, StreamEnd};

/// Every stream that was read is kept with its end, and no other. One that moved since the head was read
/// ends at an event behind it, which is its own.
pub(super) async fn end_where_they_say(
    store: &dyn LogStore,
    firm: FirmId,
    read: &HashMap<StreamId, StreamEnd>,
    head: u64,
) -> Result<(), VerifyError> {
    let (mut after, mut known) = (None, 0);
    loop {
        let page = store.ends_after(firm, after, VERIFY_PAGE).await?;
        let Some(last) = page.last() else { break };
        after = Some(last.stream);
        for kept in page {
            let was = read.get(&kept.stream);
            known += usize::from(was.is_some());
            if was == Some(&kept) || moved_since(store, firm, &kept, (was, head)).await? {
                continue;
            }
            let what = format!("{} is kept as ending at position {}", kept.stream, kept.last);
            return Err(finding(was.map_or(head, |was| was.last), what));
        }
    }
    if known == read.len() {
        return Ok(());
    }
    let what = format!("{known} of {} streams are kept with where they end", read.len());
    Err(finding(head, what))
}

/// Whether a stream was written to after the head was read, and ends there.
async fn moved_since(
    store: &dyn LogStore,
    firm: FirmId,
    kept: &StreamEnd,
    (was, head): (Option<&StreamEnd>, u64),
) -> Result<bool, VerifyError> {
    if kept.last <= head || kept.version <= was.map_or(0, |was| was.version) {
        return Ok(false);
    }
    let event = store.read(firm, kept.last - 1, 1).await?.pop();
    let tail = event.filter(|event| event.position == kept.last);
    let tail = tail.and_then(|event| Tail::of(&event.bytes));
    Ok(tail.is_some_and(|tail| (tail.stream, tail.stream_version) == (kept.stream, kept.version)))
}
