//! Reading cases, and showing events.

use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

use api::requests::{self, CaseAsked};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::account::Account;
use domain::case::Case;
use domain::event::{Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId, FirmId};
use log::Stored;
use proof::leaf_hash;

use super::changed;
use super::told_first::told_first;
use crate::access::Authority;
use crate::billing::said_of_review;
use crate::ledger::{Ledger, as_account, as_case, one_account, one_case, one_firm};
use crate::openings::{Look, clients_of};
use crate::present::case::CaseView;
use crate::reading::View;

/// Cases folded at a time.
const CASES_FOLDED: usize = 100;

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
    let told_first = told_first(view, (get.firm, &firm), &case).await?;
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
    let review_due = said_of_review(&firm, !case.earned.is_empty());
    let (case, position) = (Some(view.message()), int64(position));
    Ok(v1::GetCaseResponse { case, position, review_due })
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
            states.into_iter().filter_map(as_account).map(Arc::unwrap_or_clone).collect();
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
