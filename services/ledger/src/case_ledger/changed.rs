//! What a correction changed of what follows from the facts, for whoever follows the log.

use std::collections::{BTreeMap, BTreeSet};

use api::status::Failure;
use api::v1;
use domain::event::{AccountEvent, Event, FirmEvent, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, FirmId};
use domain::world::State;
use domain::{Halt, World};

use super::effects::{self, Said};
use crate::billing::OfFees;
use crate::reading::View;

/// Most clients whose claimed fees are looked at for a correction of the firm's own.
const CLIENTS_MAX: usize = 1_000;
/// Cases listed at a time.
const CASES_PAGE: u32 = 500;

/// What an event changed, if it is a correction, as it was judged on the day it was recorded: of a fact of a case its
/// fees, owed money, periods, clocks and listings; of a fact about money the account and the fees on its invoices; of a
/// fact of the firm the claimed fees that a review finds to be otherwise.
pub(super) async fn by_event(
    view: &View<'_>,
    firm: FirmId,
    recorded: &Recorded,
) -> Result<Vec<v1::CorrectionEffect>, Failure> {
    if let (Some(fact), StreamId::Case(case)) = (recorded.event.moved(), recorded.stream) {
        return by_fact(view, firm, case, (fact - 1, recorded)).await;
    }
    if recorded.event.corrects().is_none() {
        return Ok(Vec::new());
    }
    match (&recorded.event, recorded.stream) {
        (Event::Case(_), StreamId::Case(case)) => {
            by_fact(view, firm, case, (recorded.position - 1, recorded)).await
        }
        (Event::Account(event), StreamId::Account(account)) => {
            by_money(view, firm, account, (event, recorded)).await
        }
        (Event::Firm(event), _) => by_firm(view, firm, (event, recorded)).await,
        (Event::Case(_) | Event::Account(_) | Event::Deposit(_) | Event::Look(_), _) => {
            Ok(Vec::new())
        }
    }
}

async fn by_fact(
    view: &View<'_>,
    firm: FirmId,
    case: CaseId,
    (before, recorded): (u64, &Recorded),
) -> Result<Vec<v1::CorrectionEffect>, Failure> {
    let (position, at) = (recorded.position, recorded.recorded_at);
    let after = OfFees::read_as_of(view, firm, case, position, at).await?;
    let before = OfFees::read_as_of(view, firm, case, before, at).await?;
    let said = |matter: &OfFees| effects::of(&matter.judge(&matter.accounts()));
    Ok(effects::changes(&said(&before), &said(&after)))
}

/// What is told anew of money is the event behind the correction.
async fn by_money(
    view: &View<'_>,
    firm: FirmId,
    account: AccountId,
    (event, recorded): (&AccountEvent, &Recorded),
) -> Result<Vec<v1::CorrectionEffect>, Failure> {
    let AccountEvent::MoneyCorrected(corrected) = event else { return Ok(Vec::new()) };
    let position = recorded.position;
    let through = if corrected.again.is_some() { position + 1 } else { position };
    let accounts: BTreeSet<AccountId> = corrected.again.into_iter().chain([account]).collect();
    let mut changed = Vec::new();
    for id in accounts {
        let before = money_at(view, firm, id, (position - 1, recorded)).await?;
        let after = money_at(view, firm, id, (through, recorded)).await?;
        changed.extend(effects::changes(&before, &after));
    }
    Ok(changed)
}

/// What an account and the fees on its invoices came to at a position, judged on the day of an event.
async fn money_at(
    view: &View<'_>,
    firm: FirmId,
    account: AccountId,
    (position, recorded): (u64, &Recorded),
) -> Result<Said, Failure> {
    let mut world = World::new(firm, position, 0);
    let mut wanted = vec![StreamId::Firm, StreamId::Account(account)];
    loop {
        let states = view.states_at(firm, &wanted, position).await?;
        let loaded: BTreeMap<StreamId, State> = wanted.drain(..).zip(states).collect();
        for (stream, state) in loaded {
            world.insert(stream, state);
        }
        let found = world.firm().and_then(|of| {
            let today = of.today(recorded.recorded_at).unwrap_or(recorded.occurred_on);
            effects::of_money(&world, account, today)
        });
        match found {
            Ok(said) => return Ok(said),
            Err(Halt::Need(stream)) if !world.has(stream) => wanted.push(stream),
            Err(Halt::Need(_) | Halt::Unnamed | Halt::Refused(_)) => {
                return Err(Failure::internal("what a fee is judged by is asked for once"));
            }
        }
    }
}

/// Nothing moves before a review carries it to the clients; this is what the review finds by it alone.
async fn by_firm(
    view: &View<'_>,
    firm: FirmId,
    (event, recorded): (&FirmEvent, &Recorded),
) -> Result<Vec<v1::CorrectionEffect>, Failure> {
    let FirmEvent::FirmCorrected(corrected) = event else { return Ok(Vec::new()) };
    let position = recorded.position;
    let through = if corrected.again == Some(true) { position + 1 } else { position };
    let (mut before, mut after) = (Said::new(), Said::new());
    let (mut last, mut looked_at) = (None, 0);
    loop {
        let page = view.store().cases_with_fees(firm, last, CASES_PAGE).await?.rows;
        let Some(end) = page.last() else { break };
        last = Some(*end);
        for case in page {
            looked_at += 1;
            if looked_at > CLIENTS_MAX {
                return Ok(vec![v1::CorrectionEffect {
                    subject: "claimed fees".to_owned(),
                    before: String::new(),
                    after: format!(
                        "those of more than {CLIENTS_MAX} clients may be otherwise: ReviewFees says which"
                    ),
                }]);
            }
            let at = recorded.recorded_at;
            for (said, position) in [(&mut before, position - 1), (&mut after, through)] {
                let matter = OfFees::read_as_of(view, firm, case, position, at).await?;
                said.extend(effects::of_fees(&matter.judge(&matter.accounts())));
            }
        }
    }
    Ok(effects::changes(&before, &after))
}
