//! Reading cases and events.

use std::collections::{BTreeSet, HashSet};

use api::requests::{self, CaseAsked, Cursor, EventFilter, Page};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::account::Account;
use domain::case::Case;
use domain::event::{AccessBounds, Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId, FirmId};
use log::Stored;
use proof::{Hash, leaf_hash};
use store::{CaseFilter, CaseStatusRow, ExceptionKind};

use super::changed;
use super::told_first::told_first;
use crate::access::{Authority, table};
use crate::ledger::{Ledger, as_account, as_case, one_account, one_case, one_firm};
use crate::openings::{Look, clients_of};
use crate::paging::Pager;
use crate::present::case::{self as present, CaseView};
use crate::reading::View;

/// Most bytes of events in one answer: well below the size of a message.
const PAGE_BYTES_MAX: usize = 2 << 20;
/// Most events that one request looks at for those of one stream; the page may then be short.
const SCAN_MAX: usize = 20_000;
/// Most exceptions counted for one case of a list.
const EXCEPTIONS_MAX: u32 = 100;
/// Cases folded at a time.
const CASES_FOLDED: usize = 100;
/// Events read at a time.
const SCAN_PAGE: usize = 1_000;

/// Events of one firm as messages, opened for whoever may see clients.
pub(super) async fn event_messages(
    ledger: &Ledger,
    look: Look<'_>,
    firm: FirmId,
    events: Vec<(Recorded, Stored)>,
) -> Result<Vec<v1::Event>, Failure> {
    let seen = events.iter().map(|(recorded, _)| recorded.stream);
    let seen: Vec<StreamId> = if look.may_see { seen.collect() } else { Vec::new() };
    let of_others = of_others(ledger, firm, &seen, &events).await?;
    let opener = ledger.engine().opener(firm, seen).await?;
    let view = View::of_primary(ledger, look.authority);
    let mut seen = Vec::new();
    let mut messages = Vec::with_capacity(events.len());
    for (mut recorded, stored) in events {
        let is_hidden = of_others.contains(&recorded.position);
        let opened = !is_hidden && opener.open_event(&mut recorded);
        seen.extend(opened.then_some(recorded.stream));
        let opened = opened.then(|| String::from_utf8(recorded.payload_to_bytes()));
        let opened = opened.transpose().map_err(|_| Failure::internal("JSON is UTF-8"))?;
        let leaf = leaf_hash(&stored.bytes);
        let message = api::event::event_message(&recorded, stored.bytes, *leaf.as_bytes(), opened);
        let mut message = message.map_err(|e| Failure::Corrupt { position: e.position })?;
        message.changed = changed::by_event(&view, firm, &recorded).await?;
        messages.push(message);
    }
    ledger.note_openings(look, firm, clients_of(seen)).await?;
    Ok(messages)
}

/// The positions of events that tell of another person than their client, as was found since: nobody is shown
/// what they tell.
async fn of_others(
    ledger: &Ledger,
    firm: FirmId,
    streams: &[StreamId],
    events: &[(Recorded, Stored)],
) -> Result<HashSet<u64>, Failure> {
    let cases = streams.iter().filter(|stream| matches!(stream, StreamId::Case(_)));
    let cases: Vec<StreamId> = cases.copied().collect::<BTreeSet<_>>().into_iter().collect();
    let mut hidden = HashSet::new();
    for some in cases.chunks(CASES_FOLDED) {
        let (_, states) = ledger.states(firm, some, 0).await?;
        for (stream, case) in some.iter().zip(states.into_iter().filter_map(as_case)) {
            let own = events.iter().filter(|(recorded, _)| recorded.stream == *stream);
            let of_another = own.filter(|(recorded, _)| {
                case.is_of_another(recorded.position, recorded.event.corrects())
            });
            hidden.extend(of_another.map(|(recorded, _)| recorded.position));
        }
    }
    Ok(hidden)
}

pub(super) async fn get_case(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::GetCaseRequest,
) -> Result<v1::GetCaseResponse, Failure> {
    view.ledger().check_name(authority, &message.name).await?;
    let CaseAsked { get, as_of_position } = requests::get_case(message)?;
    let at_least = get.at_least_position.max(as_of_position.unwrap_or(0));
    let own = get.id.own_account();
    let streams = [StreamId::Case(get.id), StreamId::Account(own), StreamId::Firm];
    let (head, latest) = view.states(get.firm, &streams, at_least).await?;
    let (position, mut states) = match as_of_position {
        Some(position) => (position, view.states_at(get.firm, &streams, position).await?),
        None => (head, latest),
    };
    let look = Look::at_clients(authority, "GetCase");
    view.open(look, get.firm, &streams, &mut states).await?;
    // The packs and standings known at that position: what came later judges nothing there.
    let firm = one_firm(states.pop())?;
    let own_account = one_account(&states)?.clone();
    let case = one_case(states)?;
    if case.enrolment.is_none() {
        return Err(Failure::NotFound { resource_type: "Case", name: message.name.clone() });
    }
    let payers = Payers::read(view, get.firm, (get.id, &case), &own_account, position).await?;
    let today = day_at(view, &firm, get.firm, as_of_position).await?;
    let told_first = told_first(view, get.firm, &case).await?;
    let view = CaseView {
        firm: get.firm,
        id: get.id,
        case: &case,
        accounts: &payers.all(),
        rules: &firm,
        today,
        personal: look.may_see,
        told_first: &told_first,
    };
    Ok(v1::GetCaseResponse { case: Some(view.message()), position: int64(position) })
}

/// The accounts on which the fees of a case stand: first the one that pays now, then its own and those on
/// which it was claimed.
pub(crate) struct Payers(Vec<(AccountId, Account)>);

impl Payers {
    pub(crate) async fn read(
        view: &View<'_>,
        firm: FirmId,
        (id, case): (CaseId, &Case),
        own_account: &Account,
        position: u64,
    ) -> Result<Self, Failure> {
        let own = id.own_account();
        let payer = own_account.moved_to.unwrap_or(own);
        let mut ids = vec![payer];
        for other in std::iter::once(own).chain(case.earned.iter().map(|fee| fee.account)) {
            if !ids.contains(&other) {
                ids.push(other);
            }
        }
        let streams: Vec<StreamId> = ids.iter().copied().map(StreamId::Account).collect();
        let states = view.states_at(firm, &streams, position).await?;
        let accounts: Vec<Account> =
            states.into_iter().filter_map(as_account).map(|account| *account).collect();
        if accounts.len() == ids.len() {
            Ok(Self(ids.into_iter().zip(accounts).collect()))
        } else {
            Err(Failure::internal("an account stream folded into another state"))
        }
    }

    /// Each of them.
    pub(crate) fn all(&self) -> Vec<(AccountId, &Account)> {
        self.0.iter().map(|(id, account)| (*id, account)).collect()
    }
}

/// Today, or the day it was when the log had reached a position.
async fn day_at(
    view: &View<'_>,
    firm: &Firm,
    id: FirmId,
    position: Option<u64>,
) -> Result<CivilDate, Failure> {
    let Some(position) = position.filter(|position| *position > 0) else {
        return Ok(view.ledger().today(firm));
    };
    let stored = view.read(id, position - 1, 1).await?;
    let recorded = stored.first().map(|stored| Recorded::from_bytes(&stored.bytes));
    let recorded = recorded.transpose().map_err(|_| Failure::Corrupt { position })?;
    let day = recorded.and_then(|recorded| firm.today(recorded.recorded_at));
    Ok(day.unwrap_or_else(|| view.ledger().today(firm)))
}

pub(super) async fn list_cases(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListCasesRequest,
) -> Result<v1::ListCasesResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_cases(message)?;
    let (pager, after) =
        Pager::open_at(view.ledger(), "ListCases", &page, |key| CaseId::parse(key).ok())?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let mut rows = list_rows(view, &page, &pager, after).await?;
    let next_page_token = pager.cut(&mut rows, |row| row.case_id.to_string());
    let ids: Vec<CaseId> = rows.iter().map(|row| row.case_id).collect();
    let look = Look::at_clients(authority, "ListCases");
    let cases = summaries(view, look, page.firm, &ids).await?;
    Ok(v1::ListCasesResponse { cases, next_page_token, position: int64(position) })
}

/// Cases in short, with their clients' names opened if the caller may see them, and on record as seen.
pub(super) async fn summaries(
    view: &View<'_>,
    look: Look<'_>,
    firm_id: FirmId,
    ids: &[CaseId],
) -> Result<Vec<v1::CaseSummary>, Failure> {
    let firm = view.ledger().firms().get(firm_id).await?;
    let today = view.ledger().today(&firm);
    let streams: Vec<StreamId> = ids
        .iter()
        .flat_map(|id| [StreamId::Case(*id), StreamId::Account(id.own_account())])
        .collect();
    let (_, mut states) = view.states(firm_id, &streams, 0).await?;
    view.open(look, firm_id, &streams, &mut states).await?;
    let mut states = states.into_iter();
    let mut cases = Vec::with_capacity(ids.len());
    for id in ids {
        let (case, account) = (states.next().and_then(as_case), states.next().and_then(as_account));
        let (Some(case), Some(account)) = (case, account) else { break };
        let exceptions =
            view.store().list_exceptions(firm_id, None, Some(*id), None, EXCEPTIONS_MAX).await?;
        cases.push(present::summary(
            (firm_id, *id),
            (&case, &account),
            &firm,
            (today, look.may_see),
            exceptions.iter().filter(|row| row.kind != ExceptionKind::FeeKept).count(),
        ));
    }
    Ok(cases)
}

/// One page of rows and one more. The read model lists cases with an exception, so those without
/// are the others of the same stretch.
async fn list_rows(
    view: &View<'_>,
    page: &Page<requests::CaseFilter>,
    pager: &Pager<'_>,
    mut after: Option<CaseId>,
) -> Result<Vec<CaseStatusRow>, Failure> {
    let state = page.filter.state.and_then(present::status);
    let limit = pager.limit();
    let with = CaseFilter { state, with_exception: true };
    let all = CaseFilter { state, with_exception: false };
    match page.filter.has_exception {
        Some(true) => return Ok(view.store().list_cases(page.firm, with, after, limit).await?),
        None => return Ok(view.store().list_cases(page.firm, all, after, limit).await?),
        Some(false) => {}
    }
    let mut found = Vec::new();
    while found.len() < pager.rows() {
        let rows = view.store().list_cases(page.firm, all, after, limit).await?;
        let excluded = view.store().list_cases(page.firm, with, after, limit).await?;
        let Some(last) = rows.last() else { break };
        after = Some(last.case_id);
        let excluded: HashSet<CaseId> = excluded.into_iter().map(|row| row.case_id).collect();
        found.extend(rows.into_iter().filter(|row| !excluded.contains(&row.case_id)));
    }
    Ok(found)
}

pub(super) async fn read_events(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ReadEventsRequest,
) -> Result<v1::ReadEventsResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::read_events(message)?;
    // The token stands instead of after_position, so it is not bound to one.
    let bound = Page {
        filter: page.filter.stream,
        firm: page.firm,
        size: page.size,
        token: page.token.clone(),
        at_least_position: 0,
    };
    let within = Within::of(authority, page.filter.stream)?;
    let (pager, cursor) = Pager::open_at(view.ledger(), "ReadEvents", &bound, read_cursor)?;
    let cursor = cursor.unwrap_or(page.filter.cursor);
    let after = cursor.after;
    let head = view.head(page.firm, after).await?;
    view.ledger().check_cursor(page.firm, cursor).await?;
    let scanned = scan(view, page.firm, (&page.filter, &within), after, page.size).await?;
    let more = scanned.position < head;
    let look = Look::at_clients(authority, "ReadEvents");
    let events = event_messages(view.ledger(), look, page.firm, scanned.events).await?;
    Ok(v1::ReadEventsResponse {
        events,
        next_page_token: match scanned.leaf.filter(|_| more) {
            Some(leaf) => pager.token(&format!("{} {}", scanned.position, leaf.hex())),
            None => String::new(),
        },
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

/// What of the log an examiner's token shows.
struct Within(Option<AccessBounds>);

impl Within {
    /// A token that is bound to cases names one of their streams.
    fn of(authority: &Authority, stream: Option<StreamId>) -> Result<Self, Failure> {
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
        Ok(Self(bounds))
    }

    fn shows(&self, recorded: &Recorded) -> bool {
        let Some(bounds) = &self.0 else { return true };
        let on = recorded.occurred_on;
        bounds.from.is_none_or(|from| from <= on) && bounds.through.is_none_or(|to| on <= to)
    }
}

/// What a scan of the log found, and how far it came.
struct Scanned {
    events: Vec<(Recorded, Stored)>,
    position: u64,
    /// Of the event at this position, if any was looked at.
    leaf: Option<Hash>,
}

async fn scan(
    view: &View<'_>,
    firm: FirmId,
    (filter, within): (&EventFilter, &Within),
    after: u64,
    size: usize,
) -> Result<Scanned, Failure> {
    let mut found = Scanned { events: Vec::new(), position: after, leaf: None };
    let (mut looked_at, mut bytes) = (0, 0);
    while looked_at < SCAN_MAX {
        let limit = if filter.stream.is_some() { SCAN_PAGE } else { size - found.events.len() };
        let stored = view.read(firm, found.position, limit).await?;
        if stored.is_empty() {
            break;
        }
        looked_at += stored.len();
        for event in stored {
            let position = event.position;
            let leaf = leaf_hash(&event.bytes);
            let recorded =
                Recorded::from_bytes(&event.bytes).map_err(|_| Failure::Corrupt { position })?;
            if filter.stream.is_none_or(|stream| stream == recorded.stream)
                && within.shows(&recorded)
            {
                bytes += event.bytes.len();
                found.events.push((recorded, event));
            }
            (found.position, found.leaf) = (position, Some(leaf));
            if found.events.len() >= size || bytes >= PAGE_BYTES_MAX {
                return Ok(found);
            }
        }
    }
    Ok(found)
}
