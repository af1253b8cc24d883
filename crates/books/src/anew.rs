//! The figures of a close, made from the events alone.
//!
//! A month is closed for good, so nothing that can be made anew is asked: a row that is gone would close
//! a month with an open line.

use std::collections::HashMap;

use calendar::CivilDate;
use domain::State;
use domain::event::{BookAccount, CaseEvent, Event, Recorded, StreamId};
use domain::firm::Firm;
use domain::world::Impossible;

use crate::close::Controls;
use crate::entry::Entry;
use crate::post::Poster;

/// Takes the events of a firm in, page by page from the first on.
#[derive(Debug)]
pub struct Anew<'a> {
    poster: Poster<'a>,
    /// Accounts and deposits.
    states: HashMap<StreamId, State>,
    /// Of each claimed fee what is owed and open of what nothing allowed, minor units.
    marks: HashMap<u64, Marked>,
    controls: Controls,
}

/// What was marked last of a fee, minor units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Marked {
    owed: i64,
    open: i64,
}

impl<'a> Anew<'a> {
    /// For a firm, as it stands after the last event or later, and a month by its last day.
    pub fn new(firm: &'a Firm, through: CivilDate) -> Self {
        let poster = Poster::new(firm);
        let controls = Controls::nothing(through);
        Self { poster, states: HashMap::new(), marks: HashMap::new(), controls }
    }

    /// Takes in events that follow each other in the log.
    ///
    /// # Errors
    /// [`Impossible`] if one cannot follow what was there.
    pub fn take(&mut self, events: &[Recorded]) -> Result<(), Impossible> {
        let entries = self.poster.entries(|stream| self.states.get(&stream), events)?;
        for entry in &entries {
            self.post(entry);
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

    /// What nothing allowed of a fee is owed back as far as it was collected, and not receivable as far as it is
    /// open.
    fn take_mark(&mut self, recorded: &Recorded) -> Result<(), Impossible> {
        let Event::Case(CaseEvent::FeeMarked(mark)) = &recorded.event else { return Ok(()) };
        let before = Marked { owed: mark.owed_before.minor(), open: mark.open_before.minor() };
        let now = Marked { owed: mark.owed.minor(), open: mark.open.minor() };
        let last = self.marks.insert(mark.fee.position, now).unwrap_or_default();
        if last != before {
            return Err(Impossible::new(recorded, "it goes on from another mark than the last"));
        }
        self.controls.unearned_minor += now.owed - before.owed;
        self.controls.open_minor -= now.open - before.open;
        Ok(())
    }

    fn post(&mut self, entry: &Entry) {
        let controls = &mut self.controls;
        let in_time = entry.posted_on <= controls.through;
        for line in entry.lines() {
            let amount = line.amount_minor;
            match line.account {
                BookAccount::Clearing => controls.clearing_minor += amount,
                BookAccount::Receivable => controls.receivable_minor += amount,
                BookAccount::OwedToClients => controls.owed_minor += amount,
                BookAccount::Suspense if in_time => controls.suspense_minor += amount,
                BookAccount::Suspense
                | BookAccount::Bank
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

    /// The figures, after the last event.
    pub fn controls(mut self) -> Controls {
        let through = self.controls.through;
        for state in self.states.values() {
            match state {
                State::Account(account) => {
                    let undeposited = account.movements().filter(|(_, m)| m.deposited.is_none());
                    let undeposited = undeposited.map(|(_, movement)| movement.amount.minor());
                    self.controls.undeposited_minor += undeposited.sum::<i64>();
                    self.controls.open_minor += account.open_minor();
                    self.controls.unearned_minor += account.unearned_minor();
                }
                State::Deposit(deposit) => {
                    let is_due = deposit.line.as_ref().is_some_and(|line| line.mark.on <= through);
                    self.controls.lines_open += u64::from(is_due && deposit.is_open());
                }
                State::Case(_) | State::Firm(_) | State::Looks(_) => {}
            }
        }
        self.controls
    }
}
