//! Requests that only read.

use std::collections::BTreeSet;
use std::time::Duration;

use domain::event::{Event, ExposureKind, Languages, StreamId};
use domain::ids::{AccountId, CaseId, DepositId, FirmId, PlanCode, StateCode};
use domain::rules::ContractItem;
use log::LogCheckpoint;
use proof::Hash;

use crate::case_action::{contract_items, languages, period, states};
use crate::field::{FieldErrors, Fields};
use crate::limit::{
    EVENT_TYPES_MAX, EVENTS_PAGE_SIZE_DEFAULT, EVENTS_PAGE_SIZE_MAX, PAGE_SIZE_DEFAULT,
    PAGE_SIZE_MAX, PAGE_TOKEN_BYTES_MAX, PROGRESS_SECONDS_DEFAULT, PROGRESS_SECONDS_MAX,
};
use crate::scalar::CivilDate;
use crate::{name, v1};

/// Something read by its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Get<Id> {
    /// The firm.
    pub firm: FirmId,
    /// What is read.
    pub id: Id,
    /// The read waits until this position is applied.
    pub at_least_position: u64,
}

/// A page of something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page<Filter> {
    /// The firm.
    pub firm: FirmId,
    /// Most entries.
    pub size: usize,
    /// The token as it came, still closed; empty on the first page.
    pub token: String,
    /// The read waits until this position is applied.
    pub at_least_position: u64,
    /// What is listed.
    pub filter: Filter,
}

/// A case as it stands, or stood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CaseAsked {
    /// The case.
    pub get: Get<CaseId>,
    /// The position to read it at; as it stands if none is given.
    pub as_of_position: Option<u64>,
}

/// One fee to explain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FeeAsked {
    /// The case.
    pub get: Get<CaseId>,
    /// The period, counted from 1.
    pub period: u32,
    /// The day up to which it is judged; today if none is given.
    pub as_of: Option<CivilDate>,
    /// The position at which the fee was claimed, if it is named.
    pub claim: Option<u64>,
}

/// Which cases to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CaseFilter {
    /// Only in this state.
    pub state: Option<v1::CaseState>,
    /// Only with, or without, something that needs a person.
    pub has_exception: Option<bool>,
    /// In which order.
    pub order: CaseOrder,
}

/// In which order cases are listed; after it by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CaseOrder {
    /// By name.
    Name,
    /// By the next day on which a clock is due.
    NextDue,
    /// By the day of enrolment.
    Enrolled,
}

impl CaseOrder {
    fn parse(order_by: &str) -> Option<Self> {
        match order_by {
            "name" => Some(Self::Name),
            "next_due_on" => Some(Self::NextDue),
            "enrolled_on" => Some(Self::Enrolled),
            _ => None,
        }
    }
}

/// Where in the log a caller goes on from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cursor {
    /// After this position; 0 is the start.
    pub after: u64,
    /// The leaf hash of the event at this position, as the caller knows it.
    pub leaf: Option<[u8; 32]>,
}

/// Which events to read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventsAsked {
    /// From where, on the first page.
    pub cursor: Cursor,
    /// Which of those that follow.
    pub filter: EventFilter,
}

/// Which events to read, wherever they are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventFilter {
    /// Only this stream.
    pub stream: Option<StreamId>,
    /// Only what happened on this day or later.
    pub from: Option<CivilDate>,
    /// Only what happened on this day or before.
    pub through: Option<CivilDate>,
    /// Only these event types; all if empty.
    pub types: BTreeSet<&'static str>,
}

/// Which invoices to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InvoiceFilter {
    /// Only of this account.
    pub account: Option<AccountId>,
    /// Only in this state.
    pub state: Option<v1::InvoiceState>,
    /// Only due on or before this day.
    pub due_by: Option<CivilDate>,
}

/// Which exposures to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ExposureFilter {
    /// Only of this case.
    pub case: Option<CaseId>,
    /// Only of this kind.
    pub kind: Option<ExposureKind>,
}

/// What is due to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueFilter {
    /// The day; today if none is given.
    pub as_of: Option<CivilDate>,
    /// Only this kind.
    pub kind: Option<v1::DueKind>,
    /// Whether all are counted by kind.
    pub with_counts: bool,
}

/// From where to follow, and what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FollowAsked {
    /// The firm.
    pub firm: FirmId,
    /// From where.
    pub cursor: Cursor,
    /// Only these event types; all if empty.
    pub types: BTreeSet<&'static str>,
    /// How often to send progress when no event is sent.
    pub progress_interval: Duration,
}

pub(crate) fn firm_name(f: &mut Fields, field: &str, text: &str) -> Option<FirmId> {
    f.form(field, text, "must be firms/{firm}, a lower-case UUID", name::parse_firm)
}

pub(crate) fn case_name(f: &mut Fields, field: &str, text: &str) -> Option<(FirmId, CaseId)> {
    let rule = "must be firms/{firm}/cases/{case}, both lower-case UUIDs";
    f.form(field, text, rule, name::parse_case)
}

pub(crate) fn deposit_name(f: &mut Fields, field: &str, text: &str) -> Option<(FirmId, DepositId)> {
    let rule = "must be firms/{firm}/deposits/{deposit}, both lower-case UUIDs";
    f.form(field, text, rule, name::parse_deposit)
}

pub(crate) fn account_name(f: &mut Fields, field: &str, text: &str) -> Option<(FirmId, AccountId)> {
    let rule = "must be firms/{firm}/accounts/{account}, both lower-case UUIDs";
    f.form(field, text, rule, name::parse_account)
}

pub(crate) fn get<Id>(
    f: &mut Fields,
    name: Option<(FirmId, Id)>,
    at_least: i64,
) -> Option<Get<Id>> {
    let at_least_position = f.position("at_least_position", at_least);
    let (firm, id) = name?;
    Some(Get { firm, id, at_least_position: at_least_position? })
}

/// A list's common members, then its filter, which is given the firm.
pub(crate) fn page<Filter>(
    (parent, size, token, at_least): (&str, i32, &str, i64),
    (default, max): (usize, usize),
    filter: impl FnOnce(&mut Fields, Option<FirmId>) -> Option<Filter>,
) -> Result<Page<Filter>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", parent);
        let size = f.page_size("page_size", size, default, max);
        if token.len() > PAGE_TOKEN_BYTES_MAX {
            f.fail("page_token", "must be a next_page_token of this list");
        }
        let at_least_position = f.position("at_least_position", at_least);
        let filter = filter(f, firm);
        Some(Page {
            firm: firm?,
            size: size?,
            token: token.to_owned(),
            at_least_position: at_least_position?,
            filter: filter?,
        })
    })
}

pub(crate) const USUAL: (usize, usize) = (PAGE_SIZE_DEFAULT, PAGE_SIZE_MAX);

macro_rules! head {
    ($m:expr) => {
        ($m.parent.as_str(), $m.page_size, $m.page_token.as_str(), $m.at_least_position)
    };
}

/// An enum value of a filter that only the read models know.
pub(crate) fn state<E: TryFrom<i32>>(f: &mut Fields, field: &str, value: i32) -> Option<Option<E>> {
    match (value, E::try_from(value)) {
        (0, _) => Some(None),
        (_, Ok(state)) => Some(Some(state)),
        (_, Err(_)) => f.refuse(field, "must be a value this service knows"),
    }
}

/// A name of the same firm that may be empty.
pub(crate) fn own<Id>(
    f: &mut Fields,
    field: &str,
    firm: Option<FirmId>,
    text: &str,
    read: fn(&mut Fields, &str, &str) -> Option<(FirmId, Id)>,
) -> Option<Option<Id>> {
    if text.is_empty() {
        return Some(None);
    }
    let (owner, id) = read(f, field, text)?;
    if firm.is_some_and(|firm| firm != owner) {
        return f.refuse(field, "must be of the same firm as parent");
    }
    Some(Some(id))
}

/// Reads a `GetCase`.
pub fn get_case(m: &v1::GetCaseRequest) -> Result<CaseAsked, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", &m.name);
        let get = get(f, name, m.at_least_position);
        let as_of_position = match m.as_of_position {
            Some(position) => f.position("as_of_position", position).map(Some),
            None => Some(None),
        };
        Some(CaseAsked { get: get?, as_of_position: as_of_position? })
    })
}

/// An agreement that is about to be signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preparing {
    /// The case.
    pub get: Get<CaseId>,
    /// The day; today if none is given.
    pub on: Option<CivilDate>,
    /// What the papers will hold.
    pub items: BTreeSet<ContractItem>,
    /// Other states in which something of it is done.
    pub activity: BTreeSet<StateCode>,
    /// The plan, if it is another than that of the enrolment.
    pub plan: Option<PlanCode>,
    /// In which languages it will be made.
    pub languages: Option<Languages>,
}

/// Reads a `PrepareAgreement`.
pub fn prepare_agreement(m: &v1::PrepareAgreementRequest) -> Result<Preparing, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", &m.name);
        let get = get(f, name, m.at_least_position);
        let on = f.optional_date("signing_on", m.signing_on.as_ref());
        let items = contract_items(f, &m.contract_items);
        let activity = states(f, "activity_state_codes", &m.activity_state_codes);
        let plan = f.parse_optional("plan", &m.plan, PlanCode::parse);
        let languages = languages(f, m.languages.as_ref());
        let items = items?.unwrap_or_default();
        let (activity, plan, languages) = (activity?, plan?, languages?);
        Some(Preparing { get: get?, on: on?, items, activity, plan, languages })
    })
}

/// Reads a `ListCases`.
pub fn list_cases(m: &v1::ListCasesRequest) -> Result<Page<CaseFilter>, FieldErrors> {
    page(head!(m), USUAL, |f, _| {
        let state = state(f, "state", m.state);
        let rule = "must be name, next_due_on or enrolled_on";
        let order = match m.order_by.as_str() {
            "" => Some(CaseOrder::Name),
            order_by => f.form("order_by", order_by, rule, CaseOrder::parse),
        };
        Some(CaseFilter { state: state?, has_exception: m.has_exception, order: order? })
    })
}

/// Reads a `ListRetention`.
pub fn list_retention(m: &v1::ListRetentionRequest) -> Result<Page<()>, FieldErrors> {
    page(head!(m), USUAL, |_, _| Some(()))
}

/// Reads a `ReadEvents`. It reads the log itself, so there is nothing to wait for.
pub fn read_events(m: &v1::ReadEventsRequest) -> Result<Page<EventsAsked>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), 0);
    page(head, (EVENTS_PAGE_SIZE_DEFAULT, EVENTS_PAGE_SIZE_MAX), |f, _| {
        let cursor = cursor(f, m.after_position, &m.after_leaf_hash);
        let rule = "must be case/{uuid}, account/{uuid}, looks/{uuid}, deposit/{uuid} or firm";
        let stream = match &m.stream {
            Some(text) => f.form("stream", text, rule, StreamId::parse).map(Some),
            None => Some(None),
        };
        let from = f.optional_date("from", m.from.as_ref());
        let through = f.optional_date("through", m.through.as_ref());
        let types = event_types(f, &m.types);
        let (from, through) = (from?, through?);
        if from.zip(through).is_some_and(|(from, through)| through < from) {
            return f.refuse("through", "must not be before from");
        }
        let filter = EventFilter { stream: stream?, from, through, types: types? };
        Some(EventsAsked { cursor: cursor?, filter })
    })
}

fn event_types(f: &mut Fields, types: &[String]) -> Option<BTreeSet<&'static str>> {
    let types = f.each("types", types, 0..=EVENT_TYPES_MAX, |f, wanted| {
        let known = Event::types().map(|(known, _)| known).find(|known| known == wanted);
        f.known_self(known, "must be an event type this service knows")
    });
    Some(types?.into_iter().collect())
}

/// Reads a `Follow`.
pub fn follow(m: &v1::FollowRequest) -> Result<FollowAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let cursor = cursor(f, m.after_position, &m.after_leaf_hash);
        let types = event_types(f, &m.types);
        let progress_interval = match &m.progress_interval {
            Some(interval) => progress_interval(f, interval),
            None => Some(Duration::from_secs(PROGRESS_SECONDS_DEFAULT)),
        };
        Some(FollowAsked {
            firm: firm?,
            cursor: cursor?,
            types: types?,
            progress_interval: progress_interval?,
        })
    })
}

fn cursor(f: &mut Fields, after_position: i64, after_leaf_hash: &[u8]) -> Option<Cursor> {
    let after = f.position("after_position", after_position);
    let leaf = match <[u8; 32]>::try_from(after_leaf_hash) {
        _ if after_leaf_hash.is_empty() => Some(None),
        _ if after == Some(0) => {
            f.refuse("after_leaf_hash", "must be empty where after_position is 0")
        }
        Ok(leaf) => Some(Some(leaf)),
        Err(_) => f.refuse("after_leaf_hash", "must be the 32 bytes of a leaf hash"),
    };
    Some(Cursor { after: after?, leaf: leaf? })
}

fn progress_interval(f: &mut Fields, interval: &prost_types::Duration) -> Option<Duration> {
    let allowed = Duration::from_secs(1)..=Duration::from_secs(PROGRESS_SECONDS_MAX);
    // Not by the library's own conversion: that panics at the lowest seconds there are.
    let seconds = u64::try_from(interval.seconds).ok();
    let nanos = u32::try_from(interval.nanos).ok().filter(|nanos| *nanos < 1_000_000_000);
    let read = seconds.zip(nanos).filter(|(seconds, _)| *seconds <= PROGRESS_SECONDS_MAX);
    let read = read.map(|(seconds, nanos)| Duration::new(seconds, nanos));
    match read.filter(|interval| allowed.contains(interval)) {
        Some(interval) => Some(interval),
        None => f.refuse("progress_interval", "must be 1 s to 1 h"),
    }
}

/// Reads a `GetAccount`.
pub fn get_account(m: &v1::GetAccountRequest) -> Result<Get<AccountId>, FieldErrors> {
    Fields::check(None, |f| {
        let name = account_name(f, "name", &m.name);
        get(f, name, m.at_least_position)
    })
}

/// Reads a `ListAccounts`. The filter is whether something must be open on the account.
pub fn list_accounts(m: &v1::ListAccountsRequest) -> Result<Page<bool>, FieldErrors> {
    page(head!(m), USUAL, |_, _| Some(m.with_open_amount))
}

/// Reads a `GetInvoice`.
pub fn get_invoice(m: &v1::GetInvoiceRequest) -> Result<Get<u64>, FieldErrors> {
    Fields::check(None, |f| {
        let rule = "must be firms/{firm}/invoices/{number}";
        let name = f.form("name", &m.name, rule, name::parse_invoice);
        get(f, name, m.at_least_position)
    })
}

/// Reads a `ListInvoices`.
pub fn list_invoices(m: &v1::ListInvoicesRequest) -> Result<Page<InvoiceFilter>, FieldErrors> {
    page(head!(m), USUAL, |f, firm| {
        let account = own(f, "account", firm, &m.account, account_name);
        let state = state(f, "state", m.state);
        let due_by = f.optional_date("due_by", m.due_by.as_ref());
        Some(InvoiceFilter { account: account?, state: state?, due_by: due_by? })
    })
}

/// Reads a `ListPayments`. The filter is the account.
pub fn list_payments(m: &v1::ListPaymentsRequest) -> Result<Page<Option<AccountId>>, FieldErrors> {
    page(head!(m), USUAL, |f, firm| own(f, "account", firm, &m.account, account_name))
}

/// Reads a `ListSuggestedLinks`.
pub fn list_suggested_links(m: &v1::ListSuggestedLinksRequest) -> Result<Page<()>, FieldErrors> {
    page(head!(m), USUAL, |_, _| Some(()))
}

/// Reads a `ListExposures`.
pub fn list_exposures(m: &v1::ListExposuresRequest) -> Result<Page<ExposureFilter>, FieldErrors> {
    page(head!(m), USUAL, |f, firm| {
        let case = own(f, "case", firm, &m.case, case_name);
        let kind = f.optional_code::<v1::ExposureKind>("kind", m.kind);
        Some(ExposureFilter { case: case?, kind: kind? })
    })
}

/// What claimable fees are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClaimableAsked {
    /// The day up to which fees are judged.
    pub as_of: CivilDate,
    /// Whether all are summed.
    pub with_sums: bool,
    /// Only those whose gates all hold, or only the others.
    pub claimable: Option<bool>,
}

/// Reads a `ListClaimable`.
pub fn list_claimable(m: &v1::ListClaimableRequest) -> Result<Page<ClaimableAsked>, FieldErrors> {
    page(head!(m), USUAL, |f, _| {
        let as_of = f.date("as_of", m.as_of.as_ref())?;
        Some(ClaimableAsked { as_of, with_sums: m.with_sums, claimable: m.claimable })
    })
}

/// Reads an `ExplainFee`.
pub fn explain_fee(m: &v1::ExplainFeeRequest) -> Result<FeeAsked, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", &m.name);
        let period = period(f, m.period);
        let as_of = f.optional_date("as_of", m.as_of.as_ref());
        let get = get(f, name, m.at_least_position);
        let claim = match m.claim_position {
            Some(0) => f.refuse("claim_position", "must be the position of an event"),
            Some(position) => f.position("claim_position", position).map(Some),
            None => Some(None),
        };
        Some(FeeAsked { get: get?, period: period?, as_of: as_of?, claim: claim? })
    })
}

/// Reads a `GetFirm`.
pub fn get_firm(m: &v1::GetFirmRequest) -> Result<Get<()>, FieldErrors> {
    Fields::check(None, |f| {
        let name = firm_name(f, "name", &m.name).map(|firm| (firm, ()));
        get(f, name, m.at_least_position)
    })
}

/// Reads a `ListTokens`.
pub fn list_tokens(m: &v1::ListTokensRequest) -> Result<Page<()>, FieldErrors> {
    page(head!(m), USUAL, |_, _| Some(()))
}

/// Reads a `ListDue`.
pub fn list_due(m: &v1::ListDueRequest) -> Result<Page<DueFilter>, FieldErrors> {
    page(head!(m), USUAL, |f, _| {
        let as_of = f.optional_date("as_of", m.as_of.as_ref());
        let kind = state(f, "kind", m.kind);
        Some(DueFilter { as_of: as_of?, kind: kind?, with_counts: m.with_counts })
    })
}

fn parent(text: &str) -> Result<FirmId, FieldErrors> {
    Fields::check(None, |f| firm_name(f, "parent", text))
}

/// A `VerifyLog`, checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VerifyAsked {
    /// Whose log.
    pub firm: FirmId,
    /// What it must begin with: the end of it that was noted earlier.
    pub checkpoint: Option<LogCheckpoint>,
}

/// Reads a `VerifyLog`.
pub fn verify_log(m: &v1::VerifyLogRequest) -> Result<VerifyAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let checkpoint = f.optional("checkpoint", m.checkpoint.as_ref(), |f, m| {
            let position = f.position("position", m.position);
            let root = f.form("root", &m.root, "must be 64 hexadecimal digits", |text| {
                Hash::from_hex(text).ok()
            });
            Some(LogCheckpoint { position: position?, root: root? })
        });
        Some(VerifyAsked { firm: firm?, checkpoint: checkpoint? })
    })
}

/// Reads a `RebuildReadModels`.
pub fn rebuild_read_models(m: &v1::RebuildReadModelsRequest) -> Result<FirmId, FieldErrors> {
    parent(&m.parent)
}

/// Reads a `CheckDerived`.
pub fn check_derived(m: &v1::CheckDerivedRequest) -> Result<FirmId, FieldErrors> {
    parent(&m.parent)
}

/// Reads a `GetHead`.
pub fn get_head(m: &v1::GetHeadRequest) -> Result<FirmId, FieldErrors> {
    parent(&m.parent)
}
