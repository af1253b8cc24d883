//! A page of the log, decoded.

use std::collections::HashMap;

use domain::State;
use domain::event::{Recorded, StreamId};
use domain::ids::FirmId;

use crate::error::StoreError;
use crate::fold::{self, Fault};
use crate::ports::Store;

/// Events that follow a position, up to the first that cannot be read.
pub(crate) struct Page {
    /// The position.
    pub(crate) after: u64,
    /// The events.
    pub(crate) events: Vec<Recorded>,
    /// Streams that are folded already up to some event of it.
    pub(crate) states: HashMap<StreamId, State>,
    /// What is wrong with the one after them, if something is.
    pub(crate) fault: Option<Fault>,
}

/// Reads at most `limit` events after a position.
pub(crate) async fn read_page(
    store: &dyn Store,
    firm: FirmId,
    after: u64,
    limit: usize,
) -> Result<Page, StoreError> {
    let stored = store.read(firm, after, limit).await?;
    let events = Vec::with_capacity(stored.len());
    let mut page = Page { after, events, states: HashMap::new(), fault: None };
    for (expected, stored) in (after + 1..).zip(&stored) {
        let decoded = if stored.position == expected {
            fold::decode(firm, stored)
        } else {
            Err(Fault::new(expected, "the position is missing"))
        };
        match decoded {
            Ok(recorded) => page.events.push(recorded),
            Err(fault) => {
                page.fault = Some(fault);
                break;
            }
        }
    }
    Ok(page)
}
