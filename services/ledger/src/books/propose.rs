//! Looking for what stands behind bank lines.

use std::collections::HashMap;

use api::requests;
use api::scalar::int64;
use api::status::Failure;
use api::{Paired, name, v1};
use domain::deposit::Deposit;
use domain::event::{Movement, StreamId};
use domain::ids::FirmId;
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
/// Payouts whose movements are loaded at once.
const PAYOUTS_AT_ONCE: usize = 200;

pub(super) async fn propose_matches(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ProposeMatchesRequest,
) -> Result<v1::ProposeMatchesResponse, Failure> {
    authority.check_name(&message.parent)?;
    let get = requests::propose_matches(message)?;
    let position = view.read_at(get.firm, get.at_least_position).await?;
    let window = Window::default();
    let open = DepositFilter { status: Some(DepositStatus::Open), ..DepositFilter::default() };
    let mut lines = view.store().list_deposits(get.firm, open, 0, DEPOSITS_MAX).await?;
    lines.sort_by_key(|line| (line.booked_on, line.position));
    let Some(first) = lines.first() else {
        let position = int64(position);
        return Ok(v1::ProposeMatchesResponse { position, ..Default::default() });
    };
    let from = first.booked_on - chrono::Days::new(u64::from(window.days));
    let payouts = DepositFilter {
        status: Some(DepositStatus::Payout),
        from: Some(from),
        ..DepositFilter::default()
    };
    let payouts = view.store().list_deposits(get.firm, payouts, 0, DEPOSITS_MAX).await?;
    let movements = open_movements(view, get.firm).await?;
    let found = Found { lines, movements, payouts };
    let payouts = found.free_payouts(view, get.firm).await?;
    let deposits: Vec<matching::Deposit> = found.lines.iter().map(line_of).collect();
    let movements: Vec<matching::Movement> = found.movements.iter().map(movement_of).collect();
    let free: Vec<matching::Payout> = payouts.iter().map(|(_, payout)| payout.clone()).collect();
    let proposals = matching::propose(&deposits, &movements, &free, window);
    let more = proposals.len() > PROPOSALS_MAX;
    let shown = proposals.iter().take(PROPOSALS_MAX);
    let shown = shown.map(|proposal| found.shown(get.firm, &payouts, proposal));
    Ok(v1::ProposeMatchesResponse { proposals: shown.collect(), more, position: int64(position) })
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

fn line_of(row: &DepositRow) -> matching::Deposit {
    matching::Deposit {
        amount_minor: row.amount_minor,
        booked_on: row.booked_on,
        references: row.refs.split_whitespace().map(ToOwned::to_owned).collect(),
    }
}

fn movement_of(row: &MovementRow) -> matching::Movement {
    matching::Movement {
        amount_minor: row.amount_minor,
        happened_on: row.happened_on,
        name: row.name.to_string(),
    }
}

/// What the proposals are made of.
struct Found {
    lines: Vec<DepositRow>,
    movements: Vec<MovementRow>,
    payouts: Vec<DepositRow>,
}

/// A payout by its place among the payouts, and what the matcher knows of it.
type Free = (usize, matching::Payout);

impl Found {
    /// Payouts whose movements are all recorded, with the amounts that the payout has, and stand behind
    /// nothing yet.
    async fn free_payouts(&self, view: &View<'_>, firm: FirmId) -> Result<Vec<Free>, Failure> {
        let mut places: HashMap<Movement, Vec<usize>> = HashMap::new();
        for (at, row) in self.movements.iter().enumerate() {
            let movement = Movement { kind: row.kind, name: row.name.clone() };
            places.entry(movement).or_default().push(at);
        }
        let numbered: Vec<(usize, &DepositRow)> = self.payouts.iter().enumerate().collect();
        let mut free = Vec::new();
        for some in numbered.chunks(PAYOUTS_AT_ONCE) {
            let streams: Vec<StreamId> =
                some.iter().map(|(_, row)| StreamId::Deposit(row.deposit_id)).collect();
            let (_, states) = view.states(firm, &streams, 0).await?;
            for ((at, row), state) in some.iter().zip(states) {
                let Some(deposit) = as_deposit(state) else { continue };
                if let Some(movements) = self.movements_of(&places, &deposit) {
                    let name = row.payout.as_ref().map(ToString::to_string).unwrap_or_default();
                    let payout = matching::Payout {
                        name,
                        net_minor: row.amount_minor,
                        paid_on: row.booked_on,
                        movements,
                    };
                    free.push((*at, payout));
                }
            }
        }
        Ok(free)
    }

    fn movements_of(
        &self,
        places: &HashMap<Movement, Vec<usize>>,
        deposit: &Deposit,
    ) -> Option<Vec<usize>> {
        let lines = &deposit.payout.as_ref()?.lines;
        let place = |line: &domain::event::PayoutLine| match places.get(&line.movement)?.as_slice()
        {
            [at] if self.movements[*at].amount_minor == line.amount.minor() => Some(*at),
            _ => None,
        };
        lines.iter().map(place).collect()
    }

    fn shown(&self, firm: FirmId, payouts: &[Free], proposal: &Proposal) -> v1::MatchProposal {
        let line = |at: usize| &self.lines[at];
        let currency: Currency = line(proposal.deposit).currency;
        let payout = proposal.payout.map(|at| &self.payouts[payouts[at].0]);
        let movements = proposal.movements.iter().map(|at| {
            let row = &self.movements[*at];
            v1::MatchedMovement {
                kind: v1::MovementKind::from_domain(row.kind).into(),
                name: row.name.to_string(),
                account: name::account(firm, row.account_id),
            }
        });
        let costs = payout.and_then(|row| row.costs_minor).unwrap_or(0);
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
        }
    }
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
