//! The processor's names for movements of money: each is of one movement in the whole firm, whatever moved. A chargeback
//! alone may carry the name of the payment that it takes back: many processors, and returns of the ACH, name no other.
//!
//! Accounts are streams of their own, so whoever decides looks the name up first, in read models that may lag behind the log.
//! The world knows what was recorded since, and decides only if both together leave nothing out.

use std::collections::HashMap;

use crate::account::Account;
use crate::command::{AccountAction, Command, MoneyBecomes};
use crate::event::{AccountEvent, Event, Recorded, StreamId};
use crate::ids::{AccountId, ProcessorRef};
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt};

/// Most names that are remembered. Whoever looks one up is a fraction of a second behind, and a firm does not record
/// as many in that.
const REMEMBERED_MAX: usize = 4_096;

/// A name that a movement of money is recorded under, and which way the money went.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum MovementName {
    /// Of a payment.
    Payment(ProcessorRef),
    /// Of a refund or a chargeback.
    Back(ProcessorRef),
}

/// Where a name was found when it was looked up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NameFound {
    /// The name.
    pub name: MovementName,
    /// The accounts that had a movement of it.
    pub accounts: Vec<AccountId>,
    /// The position up to which nothing was left out.
    pub up_to: u64,
}

impl std::fmt::Display for MovementName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Payment(name) => write!(f, "the payment {name}"),
            Self::Back(name) => write!(f, "the refund or chargeback {name}"),
        }
    }
}

impl MovementName {
    /// The name alone.
    pub const fn reference(&self) -> &ProcessorRef {
        match self {
            Self::Payment(name) | Self::Back(name) => name,
        }
    }

    /// The name that an event records something under, and its account.
    pub fn told_by(recorded: &Recorded) -> Option<(Self, AccountId)> {
        let (Event::Account(event), StreamId::Account(account)) =
            (&recorded.event, recorded.stream)
        else {
            return None;
        };
        Some((Self::of(event)?, account))
    }

    /// The name that an event of an account records something under.
    pub fn of(event: &AccountEvent) -> Option<Self> {
        match event {
            AccountEvent::PaymentSettled(e) => Some(Self::Payment(e.payment.clone())),
            AccountEvent::RefundIssued(e) => Some(Self::Back(e.refund.clone())),
            AccountEvent::ChargebackOpened(e) => Some(Self::Back(e.chargeback.clone())),
            AccountEvent::AccountOpened(_)
            | AccountEvent::CardOnFileChanged(_)
            | AccountEvent::LinkSuggested(_)
            | AccountEvent::LinkRefused(_)
            | AccountEvent::MemberLinked(_)
            | AccountEvent::MemberUnlinked(_)
            | AccountEvent::PaymentMoved(_)
            | AccountEvent::PaymentMovedBack(_)
            | AccountEvent::InvoiceIssued(_)
            | AccountEvent::ChargeRequested(_)
            | AccountEvent::PaymentFailed(_)
            | AccountEvent::RefundRequested(_)
            | AccountEvent::RefundFailed(_)
            | AccountEvent::ChargebackWon(_)
            | AccountEvent::ChargebackLost(_)
            | AccountEvent::CreditGranted(_)
            | AccountEvent::WrittenOff(_)
            | AccountEvent::UnearnedPaymentFound(_)
            | AccountEvent::MoneyDeposited(_)
            | AccountEvent::MoneyUndeposited(_)
            | AccountEvent::MoneyCorrected(_)
            | AccountEvent::LinesShared(_)
            | AccountEvent::MoneyRestated(_) => None,
        }
    }

    fn of_action(action: &AccountAction) -> Option<Self> {
        match action {
            AccountAction::PaymentReceived(e) => Some(Self::Payment(e.payment.clone())),
            AccountAction::Refund(e) => Some(Self::Back(e.refund.clone())),
            AccountAction::OpenChargeback(e) => Some(Self::Back(e.chargeback.clone())),
            AccountAction::ChangeCard(_)
            | AccountAction::RequestCharge { .. }
            | AccountAction::ChargeFailed(_)
            | AccountAction::RequestRefund(_)
            | AccountAction::RefundFailed(_)
            | AccountAction::ChargebackWon(_)
            | AccountAction::ChargebackLost(_)
            | AccountAction::GrantCredit(_)
            | AccountAction::WriteOff(_) => None,
        }
    }
}

impl Command {
    /// The name that it would record a movement under, if it names one that may be of another account.
    pub fn movement_name(&self) -> Option<MovementName> {
        match self {
            Self::Account { action, .. } => MovementName::of_action(&action.action),
            Self::CorrectMoney { correction, .. } => match &correction.becomes {
                MoneyBecomes::Told(told) => MovementName::of_action(&told.action),
                // The name stays what it was.
                MoneyBecomes::Nothing | MoneyBecomes::OnDay(_) | MoneyBecomes::MovedTo { .. } => {
                    None
                }
            },
            Self::Case { .. }
            | Self::Correct { .. }
            | Self::CorrectFirm(_)
            | Self::Bank(_)
            | Self::Firm { .. }
            | Self::Begin(_)
            | Self::Look(_)
            | Self::Couple { .. }
            | Self::ClaimFee { .. }
            | Self::BillAccount { .. }
            | Self::KeepFee { .. }
            | Self::Review { .. } => None,
        }
    }
}

impl Account {
    /// The position at which a movement of a name was recorded that is in force.
    pub fn carries(&self, name: &MovementName) -> Option<u64> {
        let mark = match name {
            MovementName::Payment(name) => self.payments.get(name).map(|payment| &payment.mark),
            MovementName::Back(name) => self.money_back.get(name).map(|back| &back.mark),
        };
        mark.map(|mark| mark.at.position)
    }

    /// What was recorded under a name and is in force, and where.
    pub fn named(&self, name: &ProcessorRef) -> Option<(MovementName, u64)> {
        let both = [MovementName::Payment(name.clone()), MovementName::Back(name.clone())];
        both.into_iter().find_map(|named| self.carries(&named).map(|at| (named, at)))
    }
}

impl Account {
    /// The names of every movement in force, each with the position at which it was recorded.
    pub fn movement_names(&self) -> impl Iterator<Item = (MovementName, u64)> + '_ {
        let payments = self
            .payments
            .iter()
            .map(|(name, payment)| (MovementName::Payment(name.clone()), payment.mark.at.position));
        let back = self
            .money_back
            .iter()
            .map(|(name, back)| (MovementName::Back(name.clone()), back.mark.at.position));
        payments.chain(back)
    }
}

/// Names recorded since a position, and where.
#[derive(Debug)]
pub(crate) struct Lately {
    since: u64,
    /// The position and the account of the last movement of each name.
    names: HashMap<ProcessorRef, (u64, AccountId)>,
}

impl Lately {
    /// Nothing, since a position.
    pub(crate) fn since(position: u64) -> Self {
        Self { since: position, names: HashMap::new() }
    }

    /// Notes an event, in the order of the log.
    pub(crate) fn note(&mut self, recorded: &Recorded) {
        let Some((name, account)) = MovementName::told_by(recorded) else { return };
        if self.names.len() >= REMEMBERED_MAX {
            *self = Self::since(recorded.position - 1);
        }
        self.names.insert(name.reference().clone(), (recorded.position, account));
    }

    /// Forgets what was noted after a position.
    pub(crate) fn return_to(&mut self, position: u64) {
        self.names.retain(|_, (at, _)| *at <= position);
        self.since = self.since.min(position);
    }

    /// The accounts that may have a movement of a name: those found, and the one that was recorded since.
    fn accounts(
        &self,
        name: &MovementName,
        found: Option<&NameFound>,
    ) -> Result<Vec<AccountId>, Halt> {
        let found = found.filter(|found| found.name.reference() == name.reference());
        if found.map_or(0, |found| found.up_to) < self.since {
            return Err(Halt::Unnamed);
        }
        let mut accounts = found.map(|found| found.accounts.clone()).unwrap_or_default();
        accounts.extend(self.names.get(name.reference()).map(|(_, account)| *account));
        accounts.sort_unstable();
        accounts.dedup();
        Ok(accounts)
    }
}

/// Refuses a name that is of a movement of another account: a processor gives each to one movement of the whole firm.
pub(crate) fn check(
    draft: &Draft<'_, '_>,
    own: AccountId,
    name: &MovementName,
) -> Result<(), Halt> {
    let mut known = Vec::new();
    for account in draft.world().lately.accounts(name, draft.name_found())? {
        if account == own {
            continue;
        }
        if let Some((known_as, position)) = draft.world().account(account)?.named(name.reference())
        {
            known.push(format!("account {account} at position {position} as {known_as}"));
        }
    }
    if known.is_empty() {
        return Ok(());
    }
    let detail = format!(
        "the name {} is recorded on {}: a processor's name is of one movement; if it was recorded for the wrong client, \
         correct it there",
        name.reference(),
        known.join(" and ")
    );
    Err(Refusal::new(Reason::AlreadyRecorded, StreamId::Account(own), detail).into())
}
