//! `ReadEvents`: a stretch of the log, or what is asked for of it.

use api::requests::{self, Cursor, EventFilter, EventsAsked, Page};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::event::{AccessBounds, Recorded, StreamId};
use domain::ids::FirmId;
use log::Stored;
use proof::{Hash, leaf_hash};
use store::EventsWanted;

use super::read::event_messages;
use crate::access::{Authority, table};
use crate::openings::Look;
use crate::paging::{Pager, limit};
use crate::reading::View;

/// Most bytes of events in one answer: well below the size of a message.
const PAGE_BYTES_MAX: usize = 2 << 20;
/// Events that one query gives, so that a page that ends early has not read many more.
const EVENTS_PER_QUERY: usize = 256;
/// Positions among which one request looks for events by their days or types; the page may then be short.
const SCAN_MAX: u64 = 20_000;

pub(super) async fn read_events(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ReadEventsRequest,
) -> Result<v1::ReadEventsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let Page { firm, size, token, filter, .. } = requests::read_events(message)?;
    let EventsAsked { cursor, filter } = filter;
    // The token stands instead of after_position, so it is not bound to one.
    let bound = Page { firm, size, token, at_least_position: 0, filter: filter.clone() };
    let wanted = within(authority, filter)?;
    let (pager, later) = Pager::open_at(view.ledger(), "ReadEvents", &bound, read_cursor)?;
    let cursor = later.unwrap_or(cursor);
    let head = view.head(firm, cursor.after).await?;
    view.ledger().check_cursor(firm, cursor).await?;
    let found = Reading { view, firm, wanted: &wanted, head }.page(cursor.after, size).await?;
    let look = Look::at_clients(authority, "ReadEvents");
    let events = event_messages(view.ledger(), look, firm, found.events).await?;
    let next = found.next.map(|(position, leaf)| format!("{position} {}", leaf.hex()));
    Ok(v1::ReadEventsResponse {
        events,
        next_page_token: next.map(|key| pager.token(&key)).unwrap_or_default(),
        position: int64(head),
    })
}

/// The key of a page of events: its last position, and the leaf hash of the event there, so that no page
/// goes on in another log than the one it was cut from.
fn read_cursor(key: &str) -> Option<Cursor> {
    let (after, leaf) = key.split_once(' ')?;
    let mut bytes = [0; 32];
    hex::decode_to_slice(leaf, &mut bytes).ok()?;
    Some(Cursor { after: after.parse().ok()?, leaf: Some(bytes) })
}

/// What is asked for, within what an examiner's token shows. One that is bound to cases names one of their
/// streams.
fn within(authority: &Authority, asked: EventFilter) -> Result<EventsWanted, Failure> {
    let EventFilter { stream, from, through, types } = asked;
    let bounds = authority.bounds().cloned();
    let case = match stream {
        Some(StreamId::Case(case) | StreamId::Looks(case)) => Some(case),
        Some(StreamId::Account(account)) => Some(account.owner()),
        Some(StreamId::Deposit(_) | StreamId::Firm) | None => None,
    };
    match (&bounds, case) {
        (_, Some(case)) => authority.check_case(case)?,
        (Some(bounds), None) if !bounds.cases.is_empty() => {
            return Err(Failure::OutOfBounds { rule: table::BY_CASES });
        }
        (_, None) => {}
    }
    let shown = |day: fn(AccessBounds) -> Option<calendar::CivilDate>| bounds.clone().and_then(day);
    Ok(EventsWanted {
        stream,
        types: types.into_iter().collect(),
        from: from.max(shown(|bounds| bounds.from)),
        through: [through, shown(|bounds| bounds.through)].into_iter().flatten().min(),
    })
}

/// A page of events.
#[derive(Default)]
struct Found {
    events: Vec<(Recorded, Stored)>,
    /// Where the next page begins, and the leaf hash there; nothing at the end.
    next: Option<(u64, Hash)>,
}

impl Found {
    /// Others follow the last of these.
    fn cut(mut self, head: u64) -> Self {
        let last = self.events.last().filter(|(_, event)| event.position < head);
        self.next = last.map(|(_, event)| (event.position, leaf_hash(&event.bytes)));
        self
    }
}

struct Reading<'a> {
    view: &'a View<'a>,
    firm: FirmId,
    wanted: &'a EventsWanted,
    head: u64,
}

impl Reading<'_> {
    async fn page(&self, after: u64, size: usize) -> Result<Found, Failure> {
        let up_to = match self.wanted.stream {
            Some(_) => self.head,
            None if *self.wanted == EventsWanted::default() => self.head,
            None => self.head.min(after.saturating_add(SCAN_MAX)),
        };
        let (mut found, mut at, mut bytes) = (Found::default(), after, 0);
        // One more than a page tells whether there is another.
        while found.events.len() <= size && bytes < PAGE_BYTES_MAX {
            let rows = (size + 1 - found.events.len()).min(EVENTS_PER_QUERY);
            let stored = self.some((at, up_to), rows).await?;
            let is_last = stored.len() < rows;
            for event in stored {
                if found.events.len() == size || bytes >= PAGE_BYTES_MAX {
                    return Ok(found.cut(self.head));
                }
                let recorded = self.checked(&event, (after, &found))?;
                (at, bytes) = (event.position, bytes + event.bytes.len());
                found.events.push((recorded, event));
            }
            if is_last {
                found.next = self.after(up_to).await?;
                return Ok(found);
            }
        }
        Ok(found.cut(self.head))
    }

    async fn some(&self, (after, up_to): (u64, u64), rows: usize) -> Result<Vec<Stored>, Failure> {
        if *self.wanted == EventsWanted::default() {
            let read = self.view.read(self.firm, after, rows).await?;
            return Ok(read.into_iter().filter(|event| event.position <= up_to).collect());
        }
        let store = self.view.store();
        Ok(store.list_events(self.firm, self.wanted, (after, up_to), limit(rows)).await?)
    }

    /// The event of a row that was found by the columns beside it, which another tool may have changed.
    fn checked(&self, event: &Stored, (after, found): (u64, &Found)) -> Result<Recorded, Failure> {
        let corrupt = || Failure::Corrupt { position: event.position };
        let recorded = Recorded::from_bytes(&event.bytes).map_err(|_| corrupt())?;
        let EventsWanted { stream, types, from, through } = self.wanted;
        let on = recorded.occurred_on;
        let is_it = stream.is_none_or(|stream| stream == recorded.stream)
            && (types.is_empty() || types.contains(&recorded.event.type_name()))
            && from.is_none_or(|from| from <= on)
            && through.is_none_or(|through| on <= through);
        // Of a whole stream each version follows the one before, and the first begins it.
        let is_whole = types.is_empty() && from.is_none() && through.is_none() && stream.is_some();
        let before = match found.events.last() {
            Some((before, _)) => Some(before.stream_version),
            None => (after == 0).then_some(0),
        };
        let follows =
            !is_whole || before.is_none_or(|before| before + 1 == recorded.stream_version);
        (is_it && follows).then_some(recorded).ok_or_else(corrupt)
    }

    /// Where the next page begins after a stretch that was looked through.
    async fn after(&self, up_to: u64) -> Result<Option<(u64, Hash)>, Failure> {
        if up_to >= self.head {
            return Ok(None);
        }
        let leaves = self.view.store().leaves(self.firm, up_to - 1, 1).await?;
        let leaf = leaves.first().ok_or(Failure::Corrupt { position: up_to })?;
        Ok(Some((up_to, *leaf)))
    }
}
