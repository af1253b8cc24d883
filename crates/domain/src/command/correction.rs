//! A fact that is told otherwise than it was.

use calendar::CivilDate;

use super::{AccountAction, CaseAction, Dated, FirmAction};
use crate::event::{CaseEvent, Event, Reading, Recorded};
use crate::ids::{AccountId, CaseId};
use crate::value::{Personal, Text};

/// A fact of a case was told wrongly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Correction {
    /// That it was another person's.
    pub about_another: bool,
    /// What it was.
    pub becomes: Becomes,
    /// Why.
    pub reason: Personal,
    /// The reading that is replaced, as the log has it: the fact or a correction of it.
    pub replaces: Box<Recorded>,
    /// Who said so.
    pub said_by: Personal,
    /// The fact as it was told first, as the log has it.
    pub told: Box<Recorded>,
}

/// What a correction makes of a fact.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Becomes {
    /// It did not happen.
    Nothing,
    /// The same, on another day.
    OnDay(CivilDate),
    /// What is told anew.
    Told(Box<Dated<CaseAction>>),
    /// The same, of another client: told there on the same day, and here taken back as another person's.
    MovedTo(CaseId),
}

/// Who corrects facts of a case, or of its money.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CorrectedBy {
    /// Whoever may correct any of them.
    Anyone,
    /// Whoever recorded them today: takes back what no gate holds by, and nothing else.
    Recorder,
}

impl Correction {
    /// The other client of whom the fact is told instead.
    pub const fn other(&self) -> Option<CaseId> {
        match self.becomes {
            Becomes::MovedTo(case) => Some(case),
            Becomes::Nothing | Becomes::OnDay(_) | Becomes::Told(_) => None,
        }
    }

    /// The day of what is told anew.
    pub fn day(&self) -> Option<CivilDate> {
        match &self.becomes {
            Becomes::Nothing | Becomes::MovedTo(_) => None,
            Becomes::OnDay(on) => Some(*on),
            Becomes::Told(dated) => Some(dated.occurred_on),
        }
    }

    /// The reading that it replaces, as the log has it; nothing if that took the fact back.
    pub fn reading(&self) -> Option<Reading> {
        match &self.replaces.event {
            Event::Case(CaseEvent::FactCorrected(corrected)) => {
                corrected.reading.as_deref().cloned()
            }
            Event::Case(event) => {
                let Recorded { occurred_at, occurred_on, .. } = *self.replaces;
                Some(Reading { event: event.clone(), occurred_at, occurred_on })
            }
            Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
        }
    }
}

/// A fact about money was told wrongly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MoneyCorrection {
    /// What it was.
    pub becomes: MoneyBecomes,
    /// Why.
    pub reason: Personal,
    /// Who said so.
    pub said_by: Personal,
    /// The fact, as the log has it.
    pub told: Box<Recorded>,
}

/// What a correction makes of a fact about money.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MoneyBecomes {
    /// It did not happen.
    Nothing,
    /// The same, on another day.
    OnDay(CivilDate),
    /// What is told anew.
    Told(Box<Dated<AccountAction>>),
    /// The same payment, of another client.
    MovedTo {
        /// That client's account.
        account: AccountId,
        /// The invoice it pays there.
        invoice: Option<u64>,
    },
}

/// The firm told something wrongly of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FirmCorrection {
    /// What is true.
    pub becomes: FirmBecomes,
    /// Why.
    pub reason: Text,
    /// Who said so.
    pub said_by: Text,
    /// The fact, as the log has it.
    pub told: Box<Recorded>,
}

/// What a correction makes of what a firm told of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FirmBecomes {
    /// It is not so.
    Nothing,
    /// The same, on another day.
    OnDay(CivilDate),
    /// What is told anew.
    Told(Box<Dated<FirmAction>>),
}
