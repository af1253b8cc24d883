//! A case with everything that its fees are judged by.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use api::status::Failure;
use calendar::CivilDate;
use domain::account::{Account, Invoice};
use domain::case::Case;
use domain::event::{StreamId, UtcMicros};
use domain::firm::Firm;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::judge::{Judge, Matter};
use domain::money::{Currency, Money};
use domain::world::{State, World};

use crate::case_ledger::Payers;
use crate::ledger::{as_account, as_case, one_account, one_case, one_firm};
use crate::reading::View;

/// It is read at one position of the log.
pub(crate) struct OfFees {
    id: CaseId,
    pub(crate) case: Arc<Case>,
    pub(crate) firm: Arc<Firm>,
    payers: Payers,
    pub(crate) position: u64,
    pub(crate) today: CivilDate,
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

/// Cases with everything that their fees are judged by, all at one position of the log.
pub(crate) struct Matters {
    id: FirmId,
    position: u64,
    pub(crate) firm: Arc<Firm>,
    pub(crate) today: CivilDate,
    cases: BTreeMap<CaseId, Arc<Case>>,
    accounts: BTreeMap<AccountId, Arc<Account>>,
}

/// One of them.
pub(crate) struct OneMatter<'m> {
    pub(crate) id: CaseId,
    pub(crate) case: &'m Case,
    /// First the one that pays now.
    accounts: Vec<(AccountId, &'m Account)>,
    firm: &'m Firm,
    today: CivilDate,
}

impl OneMatter<'_> {
    pub(crate) fn matter(&self) -> Matter<'_> {
        let Self { id, case, accounts, firm, today } = self;
        Matter { id: *id, case, accounts, firm, today: *today }
    }

    pub(crate) fn judge(&self) -> Judge<'_> {
        Judge::of(self.matter())
    }
}

impl Matters {
    /// Reads them together, so that the number of cases does not count the journeys to the store.
    pub(crate) async fn read(
        view: &View<'_>,
        id: FirmId,
        cases: impl IntoIterator<Item = CaseId>,
        position: u64,
    ) -> Result<Self, Failure> {
        let new: Vec<CaseId> = cases.into_iter().collect();
        let firm = one_firm(view.states_at(id, &[StreamId::Firm], position).await?)?;
        let today = view.ledger().today(&firm);
        let (of, accounts) = (BTreeMap::new(), BTreeMap::new());
        let mut matters = Self { id, position, firm, today, cases: of, accounts };
        matters.add(view, new).await?;
        Ok(matters)
    }

    /// Reads more of them.
    pub(crate) async fn add(
        &mut self,
        view: &View<'_>,
        cases: impl IntoIterator<Item = CaseId>,
    ) -> Result<(), Failure> {
        let new = cases.into_iter().filter(|case| !self.cases.contains_key(case));
        let new: BTreeSet<CaseId> = new.collect();
        let streams: Vec<StreamId> = new.iter().copied().map(StreamId::Case).collect();
        let states = view.states_at(self.id, &streams, self.position).await?;
        let mut payers: BTreeSet<AccountId> = new.iter().map(|case| case.own_account()).collect();
        for (id, state) in new.iter().zip(states) {
            let case = as_case(state).ok_or_else(other_state)?;
            payers.extend(case.earned.iter().map(|fee| fee.account));
            self.cases.insert(*id, case);
        }
        self.add_accounts(view, payers).await?;
        let own = new.iter().filter_map(|case| self.accounts.get(&case.own_account()));
        let others: Vec<AccountId> = own.filter_map(|account| account.moved_to).collect();
        self.add_accounts(view, others).await
    }

    async fn add_accounts(
        &mut self,
        view: &View<'_>,
        ids: impl IntoIterator<Item = AccountId>,
    ) -> Result<(), Failure> {
        let new: Vec<AccountId> =
            ids.into_iter().filter(|id| !self.accounts.contains_key(id)).collect();
        let streams: Vec<StreamId> = new.iter().copied().map(StreamId::Account).collect();
        if streams.is_empty() {
            return Ok(());
        }
        let states = view.states_at(self.id, &streams, self.position).await?;
        for (id, state) in new.into_iter().zip(states) {
            self.accounts.insert(id, as_account(state).ok_or_else(other_state)?);
        }
        Ok(())
    }

    /// One of those that were read.
    pub(crate) fn of(&self, id: CaseId) -> Result<OneMatter<'_>, Failure> {
        self.found(id).ok_or_else(|| Failure::internal("a case that was not read"))
    }

    fn found(&self, id: CaseId) -> Option<OneMatter<'_>> {
        let (case, own) = (self.cases.get(&id)?, id.own_account());
        let payer = self.accounts.get(&own)?.moved_to.unwrap_or(own);
        let mut ids = vec![payer];
        for other in std::iter::once(own).chain(case.earned.iter().map(|fee| fee.account)) {
            if !ids.contains(&other) {
                ids.push(other);
            }
        }
        let accounts = ids.into_iter().map(|id| Some((id, self.accounts.get(&id)?.as_ref())));
        let accounts = accounts.collect::<Option<_>>()?;
        Some(OneMatter { id, case, accounts, firm: &self.firm, today: self.today })
    }

    /// The account that one of them opened.
    pub(crate) fn own_account(&self, id: CaseId) -> Result<&Account, Failure> {
        let own = self.accounts.get(&id.own_account()).map(AsRef::as_ref);
        own.ok_or_else(|| Failure::internal("an account that was not read"))
    }

    /// The currency of the firm's books; one that nobody registered has none, and nothing to show.
    pub(crate) fn currency(&self) -> Currency {
        self.firm.registered.as_ref().map_or(Currency::USD, |registered| registered.currency)
    }

    /// All of them, in the order of their ids.
    pub(crate) fn each(&self) -> impl Iterator<Item = OneMatter<'_>> {
        self.cases.keys().filter_map(|id| self.found(*id))
    }

    /// What is open of an invoice of theirs for fees that may be asked for today (15 USC 1679b(b)).
    pub(crate) fn may_be_asked(&self, number: u64, invoice: &Invoice) -> Result<Money, Failure> {
        let mut allowed = invoice.open();
        for line in &invoice.lines {
            let held = self.of(line.case)?.judge().held_of(number, line, self.today);
            allowed =
                allowed.minus(held).map_err(|_| Failure::internal("amounts of one invoice"))?;
        }
        Ok(allowed)
    }
}

fn other_state() -> Failure {
    Failure::internal("a stream folded into another kind of state")
}

/// What is open of an invoice for fees that may be asked for today (15 USC 1679b(b)).
pub(crate) async fn may_be_asked(
    view: &View<'_>,
    firm: FirmId,
    (number, invoice): (u64, &Invoice),
) -> Result<Money, Failure> {
    let position = view.head(firm, 0).await?;
    let cases = invoice.lines.iter().map(|line| line.case);
    Matters::read(view, firm, cases, position).await?.may_be_asked(number, invoice)
}
