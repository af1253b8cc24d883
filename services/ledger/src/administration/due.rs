//! What needs a person today: one list, source after source.

mod law;

use api::requests::{self, Page};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId};
use store::ExceptionKind;

use super::folded::{self, Judged};
use crate::access::Authority;
use crate::billing::review_due;
use crate::paging::Pager;
use crate::present::due as present;
use crate::reading::View;

/// A list that something due may come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Source {
    Review,
    Exceptions(ExceptionKind),
    Clocks,
    Charges,
    Estates,
    Refused,
    Security,
    Standings,
    Tokens,
    Ready,
    Rounds,
}

impl Source {
    /// In the order they are listed: what keeps all billing waiting, what may harm a client, then money, what stands
    /// still for want of the client, what soon will for want of a paper with a state or of a token, what merely can be done, and last what counsel
    /// decided for good.
    const ALL: [Self; 28] = [
        Self::Review,
        Self::Security,
        Self::Exceptions(ExceptionKind::Exposure),
        Self::Exceptions(ExceptionKind::UnearnedMoney),
        Self::Exceptions(ExceptionKind::FeeExposed),
        Self::Estates,
        Self::Exceptions(ExceptionKind::RefundFailed),
        Self::Exceptions(ExceptionKind::RefundWaiting),
        Self::Exceptions(ExceptionKind::FeeUnproved),
        Self::Exceptions(ExceptionKind::Complaint),
        Self::Exceptions(ExceptionKind::Circumstance),
        Self::Exceptions(ExceptionKind::ReinsertionWithoutNotice),
        Self::Clocks,
        Self::Exceptions(ExceptionKind::ChargebackOpen),
        Self::Exceptions(ExceptionKind::ChargeFailedFinal),
        Self::Refused,
        Self::Charges,
        Self::Exceptions(ExceptionKind::IdentityFailed),
        Self::Exceptions(ExceptionKind::PaperRejected),
        Self::Exceptions(ExceptionKind::PaperWaiting),
        Self::Exceptions(ExceptionKind::RepeatedDispute),
        Self::Exceptions(ExceptionKind::LinkSuggested),
        Self::Standings,
        Self::Exceptions(ExceptionKind::Ahead),
        Self::Tokens,
        Self::Ready,
        Self::Rounds,
        Self::Exceptions(ExceptionKind::FeeKept),
    ];

    const fn code(self) -> &'static str {
        match self {
            Self::Review => "review",
            Self::Exceptions(kind) => kind.code(),
            Self::Clocks => "clock",
            Self::Charges => "charge",
            Self::Estates => "estate",
            Self::Refused => "charge_refused",
            Self::Security => "security",
            Self::Standings => "standing",
            Self::Tokens => "token",
            Self::Ready => "ready",
            Self::Rounds => "round",
        }
    }

    /// Whether a filter by a kind asks for what comes from here.
    fn has(self, wanted: v1::DueKind) -> bool {
        match self {
            Self::Exceptions(kind) => {
                present::kind(kind) == wanted
                    || (wanted == v1::DueKind::Exception && present::is_any_exception(kind))
            }
            Self::Review => wanted == v1::DueKind::ReviewDue,
            Self::Clocks => wanted == v1::DueKind::ClockOverdue,
            Self::Charges => wanted == v1::DueKind::ChargeWaiting,
            Self::Estates => wanted == v1::DueKind::Estate,
            Self::Refused => wanted == v1::DueKind::ChargeRefused,
            Self::Security => wanted == v1::DueKind::SecurityEvent,
            Self::Standings => wanted == v1::DueKind::StandingEnding,
            Self::Tokens => wanted == v1::DueKind::TokenEnding,
            Self::Ready => wanted == v1::DueKind::ReadyToOpen,
            Self::Rounds => wanted == v1::DueKind::RoundPossible,
        }
    }
}

/// Where a page begins: in a source, after one of its entries.
#[derive(Clone, Debug)]
struct Start {
    source: Source,
    after: Option<String>,
}

impl Start {
    fn read(key: &str) -> Option<Self> {
        let (code, after) = key.split_once(' ')?;
        let source = Source::ALL.into_iter().find(|source| source.code() == code)?;
        Some(Self { source, after: Some(after.to_owned()) })
    }
}

/// An entry and where it stands.
struct Entry {
    key: String,
    item: v1::DueItem,
}

pub(super) async fn list(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListDueRequest,
) -> Result<v1::ListDueResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_due(message)?;
    // Whatever is counted beside it, it is the same list.
    let bound = Page {
        filter: (page.filter.as_of, page.filter.kind),
        firm: page.firm,
        size: page.size,
        token: page.token.clone(),
        at_least_position: 0,
    };
    let (pager, start) = Pager::open_at(view.ledger(), "ListDue", &bound, Start::read)?;
    let position = view.read_at(page.firm, page.at_least_position).await?;
    let firm = view.ledger().firms().get(page.firm).await?;
    let today = page.filter.as_of.unwrap_or_else(|| view.ledger().today(&firm));
    let mut start = start.unwrap_or(Start { source: Source::ALL[0], after: None });
    let list = List { view, page: &page, state: &firm, today, pager: &pager };
    let counts = if page.filter.with_counts { list.counts().await? } else { Vec::new() };
    let (mut found, mut goes_on): (Vec<Entry>, Option<String>) = (Vec::new(), None);
    let sources = Source::ALL.into_iter().skip_while(|source| *source != start.source);
    for source in sources {
        if page.filter.kind.is_none_or(|kind| source.has(kind)) {
            goes_on = list.fill(source, start.after.take(), &mut found).await?;
        }
        start.after = None;
        if found.len() >= pager.rows() || goes_on.is_some() {
            break;
        }
    }
    let next_page_token = match goes_on.filter(|_| found.len() < pager.rows()) {
        Some(last) => pager.token(&last),
        None => pager.cut(&mut found, |entry| entry.key.clone()),
    };
    let due = found.into_iter().map(|entry| entry.item).collect();
    Ok(v1::ListDueResponse { due, next_page_token, position: int64(position), counts })
}

fn int(count: usize) -> u64 {
    u64::try_from(count).unwrap_or(u64::MAX)
}

/// A page of what is few, by its place in the list.
fn in_order(
    items: impl Iterator<Item = (String, v1::DueItem)>,
    after: Option<&str>,
    limit: u32,
) -> Vec<(String, v1::DueItem)> {
    let mut items: Vec<(String, v1::DueItem)> =
        items.filter(|(key, _)| after < Some(key.as_str())).collect();
    items.sort_by(|(one, _), (other, _)| one.cmp(other));
    items.truncate(usize::try_from(limit).unwrap_or(usize::MAX));
    items
}

struct List<'a> {
    view: &'a View<'a>,
    page: &'a Page<requests::DueFilter>,
    state: &'a Firm,
    today: CivilDate,
    pager: &'a Pager<'a>,
}

impl List<'_> {
    /// Adds a source's entries until the page is full or the source is empty; where it goes on if it was judged no
    /// further.
    async fn fill(
        &self,
        source: Source,
        after: Option<String>,
        found: &mut Vec<Entry>,
    ) -> Result<Option<String>, Failure> {
        let key = |cursor: String| format!("{} {cursor}", source.code());
        let Judged { entries, goes_on } = self.rows(source, after.as_deref()).await?;
        found.extend(entries.into_iter().map(|(cursor, item)| Entry { key: key(cursor), item }));
        Ok(goes_on.map(key))
    }

    /// How much there is of each kind, in the order of the list.
    async fn counts(&self) -> Result<Vec<v1::DueCount>, Failure> {
        let counted = self.view.store().count_due(self.page.firm, self.today).await?;
        let mut counts = Vec::new();
        for source in Source::ALL {
            let rows =
                |what: &str| counted.iter().find(|of| of.what == what).map_or(0, |of| of.count);
            let mut or_more = false;
            let (kind, count) = match source {
                Source::Review => (v1::DueKind::ReviewDue, u64::from(self.review_is_due().await?)),
                Source::Exceptions(kind) => (present::kind(kind), rows(kind.code())),
                Source::Clocks => (v1::DueKind::ClockOverdue, rows(store::CLOCKS)),
                Source::Charges => (v1::DueKind::ChargeWaiting, rows(store::CHARGES)),
                Source::Estates | Source::Refused => {
                    let kind = if source == Source::Estates {
                        v1::DueKind::Estate
                    } else {
                        v1::DueKind::ChargeRefused
                    };
                    let Judged { entries, goes_on } = self.rows(source, None).await?;
                    or_more = goes_on.is_some();
                    (kind, int(entries.len()))
                }
                Source::Security => {
                    (v1::DueKind::SecurityEvent, int(self.security_events().count()))
                }
                Source::Standings => {
                    let ending = self.state.standings_ending(self.today);
                    (v1::DueKind::StandingEnding, int(ending.count()))
                }
                Source::Tokens => (v1::DueKind::TokenEnding, int(self.tokens().count())),
                Source::Ready => (v1::DueKind::ReadyToOpen, rows(store::READY)),
                Source::Rounds => (v1::DueKind::RoundPossible, rows(store::ROUNDS)),
            };
            if count > 0 || or_more {
                counts.push(v1::DueCount { kind: kind.into(), count: int64(count), or_more });
            }
        }
        Ok(counts)
    }

    /// Events of security that nobody was told of, each with its place in the list.
    fn security_events(&self) -> impl Iterator<Item = (String, v1::DueItem)> {
        let events = self.state.security_events.iter();
        events.filter_map(|told| present::security_event(told, self.today))
    }

    /// Tokens that somebody has to give out another for, each with its place in the list.
    fn tokens(&self) -> impl Iterator<Item = (String, v1::DueItem)> {
        let in_force = self.state.in_force(self.today);
        in_force.filter_map(|access| present::token_ending(access, self.today))
    }

    /// Whether a review is due of fees that were claimed.
    async fn review_is_due(&self) -> Result<bool, Failure> {
        let position = self.view.head(self.page.firm, 0).await?;
        Ok(!review_due(self.view, self.page.firm, position).await?.is_empty())
    }

    /// One page of a source: each entry with the cursor after it.
    async fn rows(&self, source: Source, after: Option<&str>) -> Result<Judged, Failure> {
        let (firm, limit): (FirmId, u32) = (self.page.firm, self.pager.limit());
        let store = self.view.store();
        let entries = match source {
            Source::Estates => return folded::estates(self.view, firm, after).await,
            Source::Refused => return folded::refused(self.view, (firm, self.today), after).await,
            // There is one at most.
            Source::Review if after.is_some() || !self.review_is_due().await? => Vec::new(),
            Source::Review => vec![(String::from("due"), present::review_due())],
            Source::Exceptions(kind) => {
                let found = store.list_exceptions(firm, self.today, kind, after, limit).await?;
                let item = |row| present::exception(firm, row, self.today);
                let mut items: Vec<_> =
                    found.rows.iter().map(|row| (row.cursor(), item(row))).collect();
                self.with_law(&found, &mut items).await?;
                items
            }
            Source::Clocks => {
                let rows = store.overdue_clocks(firm, self.today, after, limit).await?;
                rows.iter().map(|row| (row.cursor(), present::overdue(firm, row))).collect()
            }
            Source::Charges => {
                let after = after.and_then(|after| after.parse().ok()).unwrap_or(0);
                let rows = store.charges_waiting(firm, Some(self.today), after, limit).await?;
                rows.iter()
                    .map(|row| (row.number.to_string(), present::charge_waiting(firm, row)))
                    .collect()
            }
            Source::Security => in_order(self.security_events(), after, limit),
            Source::Standings => {
                let ending = self.state.standings_ending(self.today);
                in_order(ending.map(present::standing_ending), after, limit)
            }
            Source::Tokens => {
                let following = |(id, _): &(String, v1::DueItem)| after < Some(id.as_str());
                let most = usize::try_from(limit).unwrap_or(usize::MAX);
                self.tokens().filter(following).take(most).collect()
            }
            Source::Ready => {
                let case = after.and_then(|after| CaseId::parse(after).ok());
                let rows = store.ready_to_open(firm, self.today, case, limit).await?;
                rows.iter()
                    .map(|row| (row.case_id.to_string(), present::ready(firm, row)))
                    .collect()
            }
            Source::Rounds => {
                let found = store.rounds_possible(firm, self.today, after, limit).await?;
                let item = |row| present::round_possible(firm, row);
                let mut items: Vec<_> =
                    found.rows.iter().map(|row| (row.round_cursor(), item(row))).collect();
                self.with_letters(&found, &mut items).await?;
                items
            }
        };
        Ok(Judged { entries, goes_on: None })
    }
}
