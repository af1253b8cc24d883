//! The figures of a close, made from the events alone.
//!
//! A month is closed for good, so nothing that can be made anew is asked: a row that is gone would close
//! a month with an open line.

use std::collections::{HashMap, HashSet};

use calendar::{CivilDate, Datelike as _};
use domain::State;
use domain::account::Account;
use domain::deposit::{Deposit, Payout};
use domain::event::{BookAccount, CaseEvent, DepositEvent, Event, Movement, Recorded, StreamId};
use domain::firm::Firm;
use domain::ids::{AccountId, DepositId};
use domain::world::Impossible;

use crate::close::{Controls, Unfinished, is_late};
use crate::entry::Entry;
use crate::post::Poster;
use crate::reconcile::Reconciler;
use crate::reconciled::Reconciled;

/// Takes the events of a firm in, page by page from the first on.
#[derive(Debug)]
pub struct Anew<'a> {
    firm: &'a Firm,
    poster: Poster<'a>,
    /// Accounts and deposits.
    states: HashMap<StreamId, State>,
    /// Of each claimed fee what is owed and open of what nothing allowed, minor units.
    marks: HashMap<u64, Marked>,
    /// The day on which each fee was claimed, by the position of its claim.
    claimed: HashMap<u64, CivilDate>,
    controls: Controls,
    unfinished: Unfinished,
    reconciler: Reconciler,
}

/// What was marked last of a fee, minor units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Marked {
    owed: i64,
    open: i64,
}

impl Marked {
    const fn is_nothing(self) -> bool {
        self.owed == 0 && self.open == 0
    }
}

impl<'a> Anew<'a> {
    /// For a firm, as it stands after the last event or later, and a month by its last day.
    pub fn new(firm: &'a Firm, through: CivilDate) -> Self {
        let poster = Poster::new(firm);
        let controls = Controls::nothing(through);
        Self {
            firm,
            poster,
            states: HashMap::new(),
            marks: HashMap::new(),
            claimed: HashMap::new(),
            controls,
            unfinished: Unfinished::default(),
            reconciler: Reconciler::new(through),
        }
    }

    /// Takes in events that follow each other in the log.
    ///
    /// # Errors
    /// [`Impossible`] if one cannot follow what was there.
    pub fn take(&mut self, events: &[Recorded]) -> Result<(), Impossible> {
        let entries = self.poster.entries(|stream| self.states.get(&stream), events)?;
        for recorded in events {
            self.see(recorded);
        }
        for entry in &entries {
            self.post(entry);
            self.reconciler.post(entry);
        }
        for recorded in events {
            match recorded.stream {
                StreamId::Account(_) | StreamId::Deposit(_) => {
                    let stream = recorded.stream;
                    let empty = || State::empty(stream);
                    self.states.entry(stream).or_insert_with(empty).fold(recorded)?;
                }
                StreamId::Case(_) => self.take_mark(recorded)?,
                StreamId::Firm | StreamId::Looks(_) => {}
            }
        }
        Ok(())
    }

    /// Notes whose a line is, and which lines a match is of, though either may be taken back.
    fn see(&mut self, recorded: &Recorded) {
        if let Event::Deposit(DepositEvent::DepositMatched(matched)) = &recorded.event {
            self.reconciler.match_of(recorded.event_id, &matched.joined);
        }
        if let (StreamId::Deposit(id), Event::Deposit(DepositEvent::StatementLineSeen(line))) =
            (recorded.stream, &recorded.event)
        {
            self.reconciler.see(id, &line.bank, recorded.occurred_on);
        }
    }

    /// What nothing allowed of a fee is owed back as far as it was collected, and not receivable as far as it is
    /// open.
    fn take_mark(&mut self, recorded: &Recorded) -> Result<(), Impossible> {
        if let Event::Case(CaseEvent::FeeEarned(_)) = &recorded.event {
            self.claimed.insert(recorded.position, recorded.occurred_on);
        }
        let Event::Case(CaseEvent::FeeMarked(mark)) = &recorded.event else { return Ok(()) };
        let last = self.marks.get(&mark.fee.position).copied().unwrap_or_default();
        let before = Marked { owed: mark.owed_before.minor(), open: mark.open_before.minor() };
        if last != before {
            return Err(Impossible::new(recorded, "it goes on from another mark than the last"));
        }
        let now = Marked { owed: mark.owed.minor(), open: mark.open.minor() };
        self.marks.insert(mark.fee.position, now);
        self.controls.unearned_minor += now.owed - before.owed;
        self.controls.open_minor -= now.open - before.open;
        Ok(())
    }

    fn post(&mut self, entry: &Entry) {
        let controls = &mut self.controls;
        let in_time = entry.posted_on <= controls.through;
        let is_earlier = !is_same_month(entry.posted_on, controls.through)
            && self.firm.locked_through().is_none_or(|locked| locked < entry.posted_on);
        if in_time && is_earlier {
            let first = &mut self.unfinished.earlier_open;
            *first = Some(first.map_or(entry.posted_on, |day| day.min(entry.posted_on)));
        }
        for line in entry.lines() {
            let amount = line.amount_minor;
            match line.account {
                BookAccount::Clearing => controls.clearing_minor += amount,
                BookAccount::Receivable => controls.receivable_minor += amount,
                BookAccount::OwedToClients => controls.owed_minor += amount,
                BookAccount::Suspense => controls.suspense_minor += amount,
                BookAccount::Bank
                | BookAccount::Unbilled
                | BookAccount::FeeRevenue
                | BookAccount::RefundsAndCredits
                | BookAccount::ProcessorCosts
                | BookAccount::BankCosts
                | BookAccount::ChargebackLosses
                | BookAccount::BadDebt
                | BookAccount::Elsewhere => {}
            }
            if in_time {
                controls.difference_minor += amount;
            }
        }
    }

    /// The figures, after the last event, what is not finished, and the accounts at banks.
    pub fn figures(mut self) -> (Controls, Unfinished, Reconciled) {
        self.late();
        let through = self.controls.through;
        for (fee, mark) in self.marks.iter().filter(|(_, mark)| !mark.is_nothing()) {
            if self.claimed.get(fee).is_none_or(|on| *on <= through) {
                self.unfinished.exposures_open.add(format!("fee {fee}"), mark.owed + mark.open);
            }
        }
        for state in self.states.values() {
            match state {
                State::Account(account) => {
                    let undeposited = account.movements().filter(|(_, m)| m.deposited.is_none());
                    let undeposited = undeposited.map(|(_, movement)| movement.amount.minor());
                    self.controls.undeposited_minor += undeposited.sum::<i64>();
                    self.controls.open_minor += account.open_minor();
                    self.controls.unearned_minor += account.unearned_minor();
                    let held = account.payments.iter().filter(|(_, payment)| {
                        payment.unearned_left.is_positive() && payment.mark.on <= through
                    });
                    for (name, payment) in held {
                        let left = payment.unearned_left.minor();
                        self.unfinished.exposures_open.add(format!("payment {name}"), left);
                    }
                }
                State::Deposit(deposit) => {
                    if let Some(line) = deposit.line.as_ref().filter(|_| deposit.is_open()) {
                        self.controls.unexplained_minor += line.seen.amount.minor();
                    }
                    let due = deposit.line.as_ref().filter(|line| line.mark.on <= through);
                    if let Some(line) = due.filter(|_| deposit.is_open()) {
                        self.controls.lines_open += 1;
                        let id = DepositId::of_line(&line.seen.bank, &line.seen.line);
                        self.unfinished.lines_open.add(id.to_string(), line.seen.amount.minor());
                    }
                }
                State::Case(_) | State::Firm(_) | State::Looks(_) => {}
            }
        }
        let (mut accounts, mut deposits) = (Vec::new(), HashMap::new());
        for (stream, state) in &self.states {
            match (stream, state) {
                (StreamId::Account(id), State::Account(account)) => {
                    accounts.push((*id, account.as_ref()));
                }
                (StreamId::Deposit(id), State::Deposit(deposit)) => {
                    deposits.insert(*id, deposit.as_ref());
                }
                (
                    StreamId::Account(_)
                    | StreamId::Deposit(_)
                    | StreamId::Case(_)
                    | StreamId::Firm
                    | StreamId::Looks(_),
                    State::Account(_)
                    | State::Deposit(_)
                    | State::Case(_)
                    | State::Firm(_)
                    | State::Looks(_),
                ) => {}
            }
        }
        let accounts: &[(AccountId, &Account)] = &accounts;
        let reconciled = self.reconciler.finish(self.firm, accounts, &deposits);
        self.unfinished.of_banks(self.firm, &reconciled);
        (self.controls, self.unfinished, reconciled)
    }

    /// What should have reached the bank by the last day of the month.
    fn late(&mut self) {
        let through = self.controls.through;
        let deposits = || self.states.values().filter_map(as_deposit);
        let arrived: HashSet<DepositId> =
            deposits().filter_map(|deposit| deposit.matched.as_ref()?.matched.payout).collect();
        // One whose movements were matched by themselves has arrived as well.
        let movements = self.states.values().filter_map(as_account).flat_map(Account::movements);
        let deposited = movements.filter(|(_, found)| found.deposited.is_some());
        let deposited: HashSet<Movement> = deposited.map(|(movement, _)| movement).collect();
        let has_arrived = |payout: &&Payout| {
            arrived.contains(&DepositId::of_payout(&payout.reported.payout))
                || payout.lines.iter().all(|line| deposited.contains(&line.movement))
        };
        let mut unfinished = std::mem::take(&mut self.unfinished);
        let mut named = HashSet::new();
        let payouts = deposits().filter_map(|deposit| deposit.payout.as_ref());
        for payout in
            payouts.filter(|payout| !has_arrived(payout) && is_late(payout.mark.on, through))
        {
            unfinished
                .payouts_late
                .add(payout.reported.payout.to_string(), payout.reported.net.minor());
            named.extend(payout.lines.iter().map(|line| &line.movement));
        }
        let accounts = self.states.values().filter_map(as_account);
        for (movement, found) in accounts.flat_map(Account::movements) {
            let is_open = found.deposited.is_none() && !named.contains(&movement);
            if is_open && is_late(found.on, through) {
                let name = format!("{} {}", movement.kind, movement.name);
                unfinished.clearing_late.add(name, found.amount.minor());
            }
        }
        self.unfinished = unfinished;
    }
}

fn as_deposit(state: &State) -> Option<&Deposit> {
    match state {
        State::Deposit(deposit) => Some(deposit),
        State::Account(_) | State::Case(_) | State::Firm(_) | State::Looks(_) => None,
    }
}

fn as_account(state: &State) -> Option<&Account> {
    match state {
        State::Account(account) => Some(account),
        State::Case(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
    }
}

fn is_same_month(one: CivilDate, other: CivilDate) -> bool {
    (one.year(), one.month()) == (other.year(), other.month())
}
