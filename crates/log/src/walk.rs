//! The answers of a store, one after the other.

use std::vec::IntoIter;

use domain::ids::{FirmId, RequestId};
use uuid::Uuid;

use crate::error::StoreError;
use crate::ports::LogStore;
use crate::remembered::Remembered;
use crate::settings::MOVE_PAGE;

/// A request and what is remembered of it.
type Answered = (RequestId, Remembered);

/// A walk by request id.
pub(crate) struct Walk<'s> {
    store: &'s dyn LogStore,
    firm: FirmId,
    page: IntoIter<Answered>,
    next: Option<Answered>,
    /// Where the next page begins; nothing behind the last id there can be.
    from: Option<RequestId>,
}

impl<'s> Walk<'s> {
    pub(crate) fn of(store: &'s dyn LogStore, firm: FirmId) -> Self {
        let from = Some(RequestId(Uuid::nil()));
        Self { store, firm, page: Vec::new().into_iter(), next: None, from }
    }

    /// The answer that comes next, until the last was passed.
    pub(crate) async fn peek(&mut self) -> Result<Option<&Answered>, StoreError> {
        if self.next.is_none() {
            self.next = self.page.next();
        }
        if let (None, Some(from)) = (&self.next, self.from) {
            let page = self.store.remembered_from(self.firm, from, MOVE_PAGE).await?;
            self.from = page.last().and_then(|(last, _)| after(*last));
            self.page = page.into_iter();
            self.next = self.page.next();
        }
        Ok(self.next.as_ref())
    }

    /// Passes it.
    pub(crate) fn pass(&mut self) {
        self.next = None;
    }
}

fn after(id: RequestId) -> Option<RequestId> {
    id.0.as_u128().checked_add(1).map(|next| RequestId(Uuid::from_u128(next)))
}
