//! A paying account folded: who pays through it, what was asked, what came in.

mod by_days;
mod charging;
mod correct;
mod cover;
mod decide;
mod evolve;
mod line;
mod refund;
mod shared;
mod told;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::CivilDate;

pub use by_days::DaysEdition;
pub use charging::{ChargeStep, ChargeStepKind, Charged};
pub use correct::Resting;
pub(crate) use correct::{Corrected, correct};
pub use cover::{Exposed, Flow};
pub(crate) use decide::{Facts, decide};
pub use line::{Line, LineMoney, LineSums, PartMoney};
pub use refund::{Instead, RefundRequest, Refunded, withheld};
pub use shared::NotAsked;
pub use told::{MoneyTakenBack, MoneyTold, Moved, Sum};

use crate::case::Mark;
use crate::codec::{codes, record};
use crate::event::{
    Applied, Card, ChargebackWon, FailureReason, InvoiceLine, LinePart, LinkedBy, Match, Movement,
    MovementKind,
};
use crate::ids::{AccountId, CaseId, DepositId, ProcessorRef};
use crate::money::{Money, MoneyError};

/// Why an event cannot be of an account.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    /// Its amounts come to none.
    #[error(transparent)]
    Money(#[from] MoneyError),
    /// It names what is not there.
    #[error("it names {0} that the account does not have")]
    Missing(&'static str),
    /// What is said of money by its days is not what was told.
    #[error("what it says of money by its days is not what was told of it")]
    Restated,
    /// The parts of an invoice's lines are not what is the invoice's.
    #[error("the parts of the lines of invoice {0} do not come to what it says")]
    Lines(u64),
}

/// Most tries to charge one invoice: the first, and two more for insufficient funds.
pub const CHARGE_TRIES_MAX: u32 = 3;

record! {
    /// An invoice and what became of it.
    pub struct Invoice {
        /// The event that asked for the charge that waits.
        charge_asked: Option<Mark>,
        /// The charge that waits for its answer, by its attempt.
        charge_open: Option<u32>,
        /// Taken back by banks and not returned.
        charged_back: Money,
        /// Lowered by.
        credited: Money,
        /// The day it is due.
        due_on: CivilDate,
        /// Why the latest charge failed.
        failed: Option<FailureReason>,
        /// The event.
        issued: Mark,
        /// Lines.
        lines: Vec<InvoiceLine>,
        /// The day of the next try.
        next_try_on: Option<CivilDate>,
        /// Paid, less what was refunded or charged back.
        paid: Money,
        /// What happened on the way to its being paid.
        steps: Vec<ChargeStep>,
        /// What of its sums is each line's.
        sums: Vec<LineSums>,
        /// The sum of the lines.
        total: Money,
        /// Charges asked so far.
        tries: u32,
        /// Given up.
        written_off: Money,
    }
}

impl Invoice {
    /// What is open.
    ///
    /// # Panics
    /// Never: it is an amount whenever one of its parts has changed, or nothing was folded.
    pub fn open(&self) -> Money {
        self.checked_open().expect("what is open is an amount: the fold and snapshots hold it")
    }

    /// What was not credited of it.
    pub fn not_credited(&self) -> Money {
        self.total.above(self.credited)
    }

    fn checked_open(&self) -> Result<Money, MoneyError> {
        self.total.minus(self.paid)?.minus(self.credited)?.minus(self.written_off)
    }

    /// What of an amount that is written off of it a bank had taken back, and nobody wrote off before.
    pub fn charged_back_of(&self, amount: Money) -> Money {
        amount.min(self.charged_back.above(self.written_off))
    }

    /// Where it stands.
    pub fn status(&self) -> InvoiceStatus {
        if self.open().is_positive() {
            if self.paid.is_positive() { InvoiceStatus::PartlyPaid } else { InvoiceStatus::Open }
        } else if self.paid.is_zero() && self.written_off.is_positive() {
            InvoiceStatus::WrittenOff
        } else {
            InvoiceStatus::Paid
        }
    }
}

codes! {
    /// Where an invoice stands.
    pub enum InvoiceStatus {
        /// Nothing is paid.
        Open = "open",
        /// Something is.
        PartlyPaid = "partly_paid",
        /// Nothing is open.
        Paid = "paid",
        /// Given up.
        WrittenOff = "written_off",
    }
}

codes! {
    /// Where a chargeback stands.
    pub enum ChargebackStatus {
        /// Waits for the issuer.
        Open = "open",
        /// The money came back.
        Won = "won",
        /// It did not.
        Lost = "lost",
    }
}

record! {
    /// A payment and what became of it.
    pub struct Payment {
        /// How much.
        amount: Money,
        /// What it pays.
        applied: Vec<Applied>,
        /// The deposit it stands behind.
        deposited: Option<DepositId>,
        /// What it covers of lines, where that was said, and did not go back.
        held: Vec<LinePart>,
        /// The event.
        mark: Mark,
        /// The invoice that it was to pay, if nothing was open on it.
        meant: Option<u64>,
        /// Paid back, or taken back by the client's bank.
        returned: Money,
        /// What of it was found at most to have nothing earned behind it: when it came, or since.
        unearned: Money,
        /// What nothing earned stands behind now: it went back in part, or came again for an invoice
        /// that was settled otherwise meanwhile.
        unearned_left: Money,
    }
}

record! {
    /// Money going back for a payment.
    pub struct MoneyBack {
        /// How much.
        amount: Money,
        /// What of it went out beyond what the payment had brought in: the firm's loss.
        beyond: Money,
        /// The deposit it stands behind.
        deposited: Option<DepositId>,
        /// For a refund, what it gave back that chargebacks told before it had taken.
        instead: Vec<Instead>,
        /// The invoices it was taken out of.
        invoices: Vec<Applied>,
        /// The lines it was taken out of, where that was said.
        lines: Option<Vec<LinePart>>,
        /// The event.
        mark: Mark,
        /// The payment.
        payment: ProcessorRef,
        /// For a chargeback, the last day to answer, if the processor named one.
        respond_by: Option<CivilDate>,
        /// For a chargeback, where it stands.
        status: Option<ChargebackStatus>,
        /// What of it was taken out of what was unearned.
        unearned: Money,
        /// For a chargeback that was won, the event.
        won: Option<Mark>,
        /// The deposit that its money stands behind, after it was won.
        won_deposited: Option<DepositId>,
    }
}

/// A movement as it is found in an account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MovementFound {
    /// How much; below zero what went back.
    pub amount: Money,
    /// The deposit it stands behind.
    pub deposited: Option<DepositId>,
    /// The day it happened.
    pub on: CivilDate,
    /// The position of its event.
    pub position: u64,
}

/// Out of what a payment's money goes back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenBack {
    /// What was unearned: first of all.
    pub unearned: Money,
    /// What paid invoices.
    pub invoices: Vec<Applied>,
    /// What the payment did not hold any more: it had gone back before.
    pub beyond: Money,
}

/// Where the money of a chargeback that was won goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenAgain {
    /// To what nothing earned stands behind: it is owed to the client.
    pub unearned: Money,
    /// To the invoices that it was taken of.
    pub invoices: Vec<GivenToInvoice>,
    /// To what had gone out beyond what came in.
    pub beyond: Money,
}

/// What comes of the part of an invoice that a chargeback took.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenToInvoice {
    /// Its number.
    pub invoice: u64,
    /// What was taken of it.
    pub taken: Money,
    /// To what is open on it.
    pub open: Money,
    /// To what was written off of it.
    pub recovered: Money,
    /// The same of each line, where it was said of which it was taken.
    pub(crate) lines: Option<Vec<GivenToLine>>,
}

/// What comes of the part of a line that a chargeback took.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct GivenToLine {
    /// To what is open of it.
    pub(crate) open: Money,
    /// To what was written off of it.
    pub(crate) recovered: Money,
}

record! {
    /// A suggestion that waits for a person.
    pub struct Suggestion {
        /// The event.
        mark: Mark,
        /// What matches.
        matches: BTreeSet<Match>,
    }
}

record! {
    /// An account.
    #[derive(Default)]
    pub struct Account {
        /// The card on file.
        card: Option<Card>,
        /// The day that card was put on file.
        card_since: Option<CivilDate>,
        /// The event that told of it last, of another month of validity too.
        card_told: Option<Mark>,
        /// Facts about money that were told wrongly, by the positions at which they were told.
        corrected: BTreeMap<u64, MoneyTakenBack>,
        /// Invoices, by number.
        invoices: Arc<BTreeMap<u64, Invoice>>,
        /// Who linked the other one of a couple.
        linked_by: Option<LinkedBy>,
        /// Members: the owner, and the other one of a couple.
        members: Vec<CaseId>,
        /// The account that pays in its stead.
        moved_to: Option<AccountId>,
        /// Refunds and chargebacks, by the processor's name.
        money_back: BTreeMap<ProcessorRef, MoneyBack>,
        /// Payments, by the processor's name.
        payments: Arc<BTreeMap<ProcessorRef, Payment>>,
        /// Requests to give money back, by their number.
        refund_requests: BTreeMap<u32, RefundRequest>,
        /// Cases a person said are no couple with the owner.
        refused: BTreeSet<CaseId>,
        /// Suggestions that wait for a person.
        suggested: BTreeMap<CaseId, Suggestion>,
        /// Facts about money, by position.
        told: Arc<BTreeMap<u64, MoneyTold>>,
        /// Events folded.
        version: u64,
    }
}

/// Whether a case pays through an account.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PaymentPath {
    /// It does.
    Here,
    /// It does not.
    Elsewhere,
}

impl Account {
    /// Whether its owner is linked to another as one of a couple, whichever of the two pays.
    pub fn is_shared(&self) -> bool {
        self.moved_to.is_some() || self.members.len() != 1
    }

    /// Whether a case pays through this account.
    pub fn path_of(&self, case: CaseId) -> PaymentPath {
        if self.moved_to.is_none() && self.members.contains(&case) {
            PaymentPath::Here
        } else {
            PaymentPath::Elsewhere
        }
    }

    /// A member's share of a couple's price, by largest remainder, the owner first. A member whose
    /// other half is not linked owes the smaller share: the cent in doubt is never asked for.
    ///
    /// # Panics
    /// Never: two halves of an amount are amounts.
    pub fn share_of(&self, case: CaseId, price: Money) -> Money {
        let shares = price.allocate(&[1, 1]).expect("two halves of an amount are amounts");
        let seat = match self.members.as_slice() {
            [owner, _] if *owner == case => 0,
            _ => 1,
        };
        shares[seat]
    }

    /// Whether what is open on every invoice is an amount, of a snapshot that was not folded here.
    pub(crate) fn adds_up(&self) -> bool {
        self.invoices.values().all(|invoice| {
            invoice.checked_open().is_ok() && invoice.sums.len() == invoice.lines.len()
        })
    }

    /// A movement of money through the processor, if it happened.
    pub fn movement(&self, movement: &Movement) -> Option<MovementFound> {
        let Movement { kind, name } = movement;
        let found = |amount: Money, deposited: Option<DepositId>, mark: &Mark| MovementFound {
            amount,
            deposited,
            on: mark.on,
            position: mark.at.position,
        };
        match kind {
            MovementKind::Payment => {
                let payment = self.payments.get(name)?;
                Some(found(payment.amount, payment.deposited, &payment.mark))
            }
            MovementKind::Refund => {
                let back = self.money_back.get(name).filter(|back| back.status.is_none())?;
                Some(found(back.amount.negated(), back.deposited, &back.mark))
            }
            MovementKind::Chargeback => {
                let back = self.money_back.get(name).filter(|back| back.status.is_some())?;
                Some(found(back.amount.negated(), back.deposited, &back.mark))
            }
            MovementKind::ChargebackWon => {
                let back = self.money_back.get(name)?;
                Some(found(back.amount, back.won_deposited, back.won.as_ref()?))
            }
        }
    }

    /// Every movement there was, with its name.
    pub fn movements(&self) -> impl Iterator<Item = (Movement, MovementFound)> {
        let payments = self
            .payments
            .keys()
            .map(|name| Movement { kind: MovementKind::Payment, name: name.clone() });
        let back = self.money_back.iter().flat_map(|(name, back)| {
            let kind =
                if back.status.is_none() { MovementKind::Refund } else { MovementKind::Chargeback };
            let won = back.won.is_some().then_some(MovementKind::ChargebackWon);
            std::iter::once(kind).chain(won).map(|kind| Movement { kind, name: name.clone() })
        });
        payments.chain(back).filter_map(|movement| {
            let found = self.movement(&movement)?;
            Some((movement, found))
        })
    }

    /// Out of what money of a payment goes back: first what was unearned, then what pays invoices; beyond what it holds, out of
    /// nothing.
    pub fn taken_back(&self, payment: &ProcessorRef, amount: Money) -> Result<TakenBack, Unfit> {
        let payment = self.payments.get(payment).ok_or(Unfit::Missing("a payment"))?;
        // Of an invoice that several payments paid, each takes back its own alone.
        let holds = amount.min(payment.left());
        // Without a fact that was told wrongly, and before all is gone through by its days, a sum may be below zero.
        let zero = Money::zero(amount.currency());
        let unearned = holds.min(payment.unearned_left.above(zero));
        let mut left = holds.minus(unearned)?;
        let mut invoices = Vec::new();
        for applied in &payment.applied {
            let paid = self.invoice(applied.invoice)?.paid.above(zero);
            let part = left.min(applied.amount).min(paid);
            left = left.minus(part)?;
            invoices.push(Applied { amount: part, invoice: applied.invoice });
        }
        Ok(TakenBack { unearned, invoices, beyond: amount.minus(holds)?.plus(left)? })
    }

    /// Where the money of a chargeback goes when it is won: back to where it was taken. An invoice that
    /// was paid, credited or written off meanwhile takes no more than is open on it; beyond that the
    /// win makes good what was written off, and the rest is owed to the client. Earlier events go by the lines, where
    /// it was said of which it was taken.
    pub fn given_again(&self, e: &ChargebackWon) -> Result<GivenAgain, Unfit> {
        let ChargebackWon { chargeback, whole } = e;
        let back = self.money_back.get(chargeback).ok_or(Unfit::Missing("a chargeback"))?;
        let (unearned, beyond) = (back.unearned, back.beyond);
        let mut again = GivenAgain { unearned, invoices: Vec::new(), beyond };
        for Applied { amount: taken, invoice } in back.invoices.iter().cloned() {
            let known = self.invoice(invoice)?;
            let lines = back.lines.as_deref().map(|named| match whole {
                Some(true) => known.given_to_any(named, taken, invoice),
                Some(false) | None => known.given_to_lines(named, taken, invoice),
            });
            let lines = lines.transpose()?;
            let zero = Money::zero(taken.currency());
            let (open, recovered) = if let Some(lines) = &lines {
                let sum = |of: fn(&GivenToLine) -> Money| {
                    lines.iter().map(of).try_fold(zero, Money::plus)
                };
                (sum(|line| line.open)?, sum(|line| line.recovered)?)
            } else {
                let open = taken.min(known.checked_open()?.above(zero));
                (open, taken.minus(open)?.min(known.written_off.above(zero)))
            };
            let left = taken.minus(open)?.minus(recovered)?;
            again.invoices.push(GivenToInvoice { invoice, taken, open, recovered, lines });
            again.unearned = again.unearned.plus(left)?;
        }
        Ok(again)
    }

    /// An invoice of this account, of an event that names it.
    pub fn invoice(&self, number: u64) -> Result<&Invoice, Unfit> {
        self.invoices.get(&number).ok_or(Unfit::Missing("an invoice"))
    }

    /// Money taken that no earned fee stands behind and that was not paid back.
    pub fn unearned_minor(&self) -> i64 {
        self.payments.values().map(|payment| payment.unearned_left.minor()).sum()
    }

    /// What is open on all invoices.
    pub fn open_minor(&self) -> i64 {
        self.invoices.values().map(|invoice| invoice.open().minor()).sum()
    }
}
