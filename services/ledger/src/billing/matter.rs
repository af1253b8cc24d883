//! A case with everything that its fees are judged by.

use std::sync::Arc;

use api::status::Failure;
use domain::account::{Account, Invoice};
use domain::case::Case;
use domain::event::{StreamId, UtcMicros};
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::judge::{Judge, Matter};
use domain::money::Money;
use domain::world::{State, World};

use crate::case_ledger::Payers;
use crate::ledger::{one_account, one_case, one_firm};
use crate::reading::View;

/// It is read at one position of the log.
pub(crate) struct OfFees {
    id: CaseId,
    pub(crate) case: Arc<Case>,
    pub(crate) firm: Arc<Firm>,
    payers: Payers,
    pub(crate) position: u64,
    pub(crate) today: calendar::CivilDate,
}

impl OfFees {
    pub(crate) async fn read(
        view: &View<'_>,
        firm: FirmId,
        id: CaseId,
        at_least: u64,
    ) -> Result<Self, Failure> {
        let position = view.head(firm, at_least).await?;
        Self::read_at(view, firm, id, position, None).await
    }

    /// As it was at a position, on the day on which something was recorded.
    pub(crate) async fn read_as_of(
        view: &View<'_>,
        firm: FirmId,
        id: CaseId,
        position: u64,
        recorded_at: UtcMicros,
    ) -> Result<Self, Failure> {
        Self::read_at(view, firm, id, position, Some(recorded_at)).await
    }

    async fn read_at(
        view: &View<'_>,
        firm: FirmId,
        id: CaseId,
        position: u64,
        recorded_at: Option<UtcMicros>,
    ) -> Result<Self, Failure> {
        let own = StreamId::Account(id.own_account());
        let streams = [StreamId::Case(id), own, StreamId::Firm];
        let mut states = view.states_at(firm, &streams, position).await?;
        let firm_state = one_firm(states.pop())?;
        let own_account = one_account(&states)?.clone();
        let case = one_case(states)?;
        let payers = Payers::read(view, firm, (id, &case), &own_account, position).await?;
        let then = recorded_at.and_then(|at| firm_state.today(at));
        let today = then.unwrap_or_else(|| view.ledger().today(&firm_state));
        Ok(Self { id, case, firm: firm_state, payers, position, today })
    }

    /// The accounts on which its fees stand, for [`Self::judge`].
    pub(crate) fn accounts(&self) -> Vec<(AccountId, &Account)> {
        self.payers.all()
    }

    /// A world in which something can be decided to see what would come of it.
    pub(crate) fn world(&self, firm: FirmId) -> World {
        let mut world = World::new(firm, self.position, 0);
        world.insert(StreamId::Firm, State::Firm(self.firm.clone()));
        world.insert(StreamId::Case(self.id), State::Case(self.case.clone()));
        for (id, account) in self.accounts() {
            world.insert(StreamId::Account(id), State::Account(Arc::new(account.clone())));
        }
        world
    }

    /// The same judge of the case as it is in that world.
    pub(crate) fn judge_in<'a>(
        &'a self,
        world: &'a World,
        accounts: &'a [(AccountId, &'a Account)],
    ) -> Result<Judge<'a>, Failure> {
        let Some(State::Case(case)) = world.state(StreamId::Case(self.id)) else {
            return Err(Failure::internal("the case was put into its world"));
        };
        let Self { id, firm, today, .. } = self;
        Ok(Judge::of(Matter { id: *id, case, accounts, firm, today: *today }))
    }

    pub(crate) fn judge<'a>(&'a self, accounts: &'a [(AccountId, &'a Account)]) -> Judge<'a> {
        let Self { id, case, firm, today, .. } = self;
        Judge::of(Matter { id: *id, case, accounts, firm, today: *today })
    }
}

/// What is open of an invoice for fees that may be asked for today (15 USC 1679b(b)).
pub(crate) async fn may_be_asked(
    view: &View<'_>,
    firm: FirmId,
    (number, invoice): (u64, &Invoice),
) -> Result<Money, Failure> {
    let mut allowed = invoice.open();
    for line in &invoice.lines {
        let matter = OfFees::read(view, firm, line.case, 0).await?;
        let held = matter.judge(&matter.accounts()).held_of(number, line, matter.today);
        allowed = allowed.minus(held).map_err(|_| Failure::internal("amounts of one invoice"))?;
    }
    Ok(allowed)
}
