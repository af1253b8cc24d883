//! Looking for what stands behind bank lines.

use std::collections::HashMap;
use std::sync::Arc;

use api::requests;
use api::scalar::{date_message, int64};
use api::status::Failure;
use api::{Paired, name, v1};
use domain::deposit::Deposit;
use domain::event::{MatchRefused, Movement, StreamId};
use domain::ids::{DepositId, FirmId};
use domain::money::Currency;
use statement::matching::{self, Certainty, Proposal, Window};
use store::{DepositFilter, DepositRow, DepositStatus, MovementFilter, MovementRow, PAGE_ROWS_MAX};

use crate::access::Authority;
use crate::ledger::as_deposit;
use crate::present::minor;
use crate::reading::View;

/// Most proposals of one answer.
const PROPOSALS_MAX: usize = 500;
/// Most open lines, and most payouts, that are looked at together.
const DEPOSITS_MAX: u32 = PAGE_ROWS_MAX;
/// Most open movements that are looked at together.
const MOVEMENTS_MAX: usize = 200_000;
/// Streams that are loaded at once.
const STREAMS_AT_ONCE: usize = 200;

pub(super) async fn propose_matches(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ProposeMatchesRequest,
) -> Result<v1::ProposeMatchesResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let get = requests::propose_matches(message)?;
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let Some(Proposed { found, proposals }) = Found::propose(view, get.firm).await? else {
        let position = int64(position);
        return Ok(v1::ProposeMatchesResponse { position, ..Default::default() });
    };
    let more = proposals.len() > PROPOSALS_MAX;
    let shown =
        proposals.iter().take(PROPOSALS_MAX).map(|proposal| found.shown(get.firm, proposal));
    Ok(v1::ProposeMatchesResponse { proposals: shown.collect(), more, position: int64(position) })
}

/// Deposits folded, in the order of their rows.
async fn folded(
    view: &View<'_>,
    firm: FirmId,
    rows: &[DepositRow],
) -> Result<Vec<Arc<Deposit>>, Failure> {
    let streams: Vec<StreamId> = rows.iter().map(|row| StreamId::Deposit(row.deposit_id)).collect();
    let (_, states) = view.states(firm, &streams, 0).await?;
    let deposits: Vec<Arc<Deposit>> = states.into_iter().filter_map(as_deposit).collect();
    if deposits.len() == rows.len() {
        return Ok(deposits);
    }
    Err(Failure::internal("a deposit's stream folded into another state"))
}

async fn open_movements(view: &View<'_>, firm: FirmId) -> Result<Vec<MovementRow>, Failure> {
    let filter = MovementFilter { open: true, deposit: None };
    let mut all: Vec<MovementRow> = Vec::new();
    while all.len() < MOVEMENTS_MAX {
        let after = all.last().map_or(0, |last| last.position);
        let page = view.store().list_movements(firm, filter, after, PAGE_ROWS_MAX).await?;
        let is_last = page.len() < usize::try_from(PAGE_ROWS_MAX).unwrap_or(usize::MAX);
        all.extend(page);
        if is_last {
            break;
        }
    }
    Ok(all)
}

fn movement_of(row: &MovementRow) -> matching::Movement {
    matching::Movement {
        amount_minor: row.amount_minor,
        happened_on: row.happened_on,
        name: row.name.to_string(),
    }
}

/// What the proposals are made of. The places that a proposal names are places in these lists.
pub(super) struct Found {
    lines: Vec<DepositRow>,
    movements: Vec<MovementRow>,
    /// Payouts that are free: those alone are proposed.
    payouts: Vec<DepositRow>,
}

/// Places of movements by their names: several, where a name was given more than once.
type Places = HashMap<Movement, Vec<usize>>;

/// Proposals, and what they are made of.
pub(super) struct Proposed {
    pub(super) found: Found,
    pub(super) proposals: Vec<Proposal>,
}

impl Found {
    /// Looks at every line that nobody has explained; nothing if there is none.
    pub(super) async fn propose(
        view: &View<'_>,
        firm: FirmId,
    ) -> Result<Option<Proposed>, Failure> {
        let window = Window::default();
        let open = DepositFilter { status: Some(DepositStatus::Open), ..DepositFilter::default() };
        let mut lines = view.store().list_deposits(firm, open, 0, DEPOSITS_MAX).await?;
        lines.sort_by_key(|line| (line.booked_on, line.position));
        let Some(first) = lines.first() else { return Ok(None) };
        let payouts = DepositFilter {
            status: Some(DepositStatus::Payout),
            from: Some(first.booked_on - chrono::Days::new(u64::from(window.days))),
            ..DepositFilter::default()
        };
        let payouts = view.store().list_deposits(firm, payouts, 0, DEPOSITS_MAX).await?;
        let movements = open_movements(view, firm).await?;
        let mut found = Self { lines, movements, payouts: Vec::new() };
        let places = found.places();
        let free = found.take_free(view, firm, &places, payouts).await?;
        let deposits = found.deposits(view, firm, &places).await?;
        let movements: Vec<matching::Movement> = found.movements.iter().map(movement_of).collect();
        let proposals = matching::propose(&deposits, &movements, &free, window);
        Ok(Some(Proposed { found, proposals }))
    }

    pub(super) fn line(&self, at: usize) -> &DepositRow {
        &self.lines[at]
    }

    pub(super) fn movement(&self, at: usize) -> &MovementRow {
        &self.movements[at]
    }

    pub(super) fn payout(&self, at: usize) -> &DepositRow {
        &self.payouts[at]
    }

    /// Movements by their names, with their places.
    fn places(&self) -> Places {
        let mut places = Places::new();
        for (at, row) in self.movements.iter().enumerate() {
            let movement = Movement { kind: row.kind, name: row.name.clone() };
            places.entry(movement).or_default().push(at);
        }
        places
    }

    /// Keeps the payouts whose movements are all recorded, with the amounts that the payout has, and
    /// stand behind nothing yet.
    async fn take_free(
        &mut self,
        view: &View<'_>,
        firm: FirmId,
        places: &Places,
        payouts: Vec<DepositRow>,
    ) -> Result<Vec<matching::Payout>, Failure> {
        let mut free = Vec::new();
        for some in payouts.chunks(STREAMS_AT_ONCE) {
            for (row, deposit) in some.iter().zip(folded(view, firm, some).await?) {
                let Some(movements) = self.movements_of(places, &deposit) else { continue };
                let name = row.payout.as_ref().map(ToString::to_string).unwrap_or_default();
                let (net_minor, paid_on) = (row.amount_minor, row.booked_on);
                free.push(matching::Payout { name, net_minor, paid_on, movements });
                self.payouts.push(row.clone());
            }
        }
        Ok(free)
    }

    /// The lines as the matcher knows them, with what persons said no to.
    async fn deposits(
        &self,
        view: &View<'_>,
        firm: FirmId,
        places: &Places,
    ) -> Result<Vec<matching::Deposit>, Failure> {
        let of_row = |row: &DepositRow| matching::Deposit {
            amount_minor: row.amount_minor,
            booked_on: row.booked_on,
            references: row.refs.split_whitespace().map(ToOwned::to_owned).collect(),
            refused: Vec::new(),
            doubted: row.refusals > 0,
        };
        let mut deposits: Vec<matching::Deposit> = self.lines.iter().map(of_row).collect();
        let doubted: Vec<usize> =
            (0..self.lines.len()).filter(|at| self.lines[*at].refusals > 0).collect();
        for some in doubted.chunks(STREAMS_AT_ONCE) {
            let rows: Vec<DepositRow> = some.iter().map(|at| self.lines[*at].clone()).collect();
            for (at, deposit) in some.iter().zip(folded(view, firm, &rows).await?) {
                let refused = deposit.refused.iter();
                deposits[*at].refused = refused.filter_map(|no| self.refused(places, no)).collect();
            }
        }
        Ok(deposits)
    }

    /// What a person said no to, by places; nothing if part of it cannot be proposed any more.
    fn refused(&self, places: &Places, no: &MatchRefused) -> Option<matching::Refused> {
        let row =
            |rows: &[DepositRow], id: &DepositId| rows.iter().position(|row| row.deposit_id == *id);
        let joined = no.joined.iter().map(|id| row(&self.lines, id)).collect::<Option<Vec<_>>>();
        let payout = match &no.payout {
            Some(id) => Some(row(&self.payouts, id)?),
            None => None,
        };
        let movements =
            no.movements.iter().map(|movement| match places.get(movement)?.as_slice() {
                [at] => Some(*at),
                _ => None,
            });
        let mut movements = movements.collect::<Option<Vec<_>>>()?;
        movements.sort_unstable();
        Some(matching::Refused { joined: joined?, payout, movements })
    }

    fn movements_of(&self, places: &Places, deposit: &Deposit) -> Option<Vec<usize>> {
        let lines = &deposit.payout.as_ref()?.lines;
        let place = |line: &domain::event::PayoutLine| match places.get(&line.movement)?.as_slice()
        {
            [at] if self.movements[*at].amount_minor == line.amount.minor() => Some(*at),
            _ => None,
        };
        lines.iter().map(place).collect()
    }

    fn shown(&self, firm: FirmId, proposal: &Proposal) -> v1::MatchProposal {
        let line = |at: usize| self.line(at);
        let currency: Currency = line(proposal.deposit).currency;
        let payout = proposal.payout.map(|at| self.payout(at));
        let movements = proposal.movements.iter().map(|at| {
            let row = &self.movements[*at];
            v1::MatchedMovement {
                kind: v1::MovementKind::from_domain(row.kind).into(),
                name: row.name.to_string(),
                account: name::account(firm, row.account_id),
                happened_on: Some(date_message(row.happened_on)),
                amount: minor(row.amount_minor, row.currency),
            }
        });
        let costs = payout.map_or(0, costs_of);
        v1::MatchProposal {
            deposit: name::deposit(firm, line(proposal.deposit).deposit_id),
            joined: proposal
                .joined
                .iter()
                .map(|at| name::deposit(firm, line(*at).deposit_id))
                .collect(),
            payout: payout.map(|row| name::deposit(firm, row.deposit_id)).unwrap_or_default(),
            movements: movements.collect(),
            costs: minor(costs, currency),
            difference: minor(proposal.difference_minor, currency),
            certainty: certainty(proposal.certainty).into(),
            because: proposal.because.clone(),
            booked_on: Some(date_message(line(proposal.deposit).booked_on)),
            amount: minor(line(proposal.deposit).amount_minor, currency),
            bank: line(proposal.deposit).bank.as_ref().map(ToString::to_string).unwrap_or_default(),
            references: line(proposal.deposit).refs.split_whitespace().map(str::to_owned).collect(),
        }
    }
}

/// What a processor kept of a payout.
///
/// # Panics
/// Never: the row of a payout says so. Only a line of a statement has none.
pub(super) fn costs_of(payout: &DepositRow) -> i64 {
    payout.costs_minor.expect("the row of a payout says what the processor kept")
}

const fn certainty(certainty: Certainty) -> v1::MatchCertainty {
    match certainty {
        Certainty::Certain => v1::MatchCertainty::Certain,
        Certainty::Only => v1::MatchCertainty::Only,
        Certainty::OneOfSeveral => v1::MatchCertainty::OneOfSeveral,
        Certainty::DoesNotAddUp => v1::MatchCertainty::DoesNotAddUp,
        Certainty::Open => v1::MatchCertainty::Open,
    }
}
