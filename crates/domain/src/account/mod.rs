//! A paying account folded: who pays through it, what was asked, what came in.

mod decide;
mod evolve;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::CivilDate;

pub(crate) use decide::{Facts, decide};

use crate::case::Mark;
use crate::codec::{codes, record};
use crate::event::{Applied, Card, FailureReason, InvoiceLine, LinkedBy, Match};
use crate::ids::{AccountId, CaseId, ProcessorRef};
use crate::money::Money;

/// Most tries to charge one invoice: the first, and two more for insufficient funds.
pub const CHARGE_TRIES_MAX: u32 = 3;

record! {
    /// An invoice and what became of it.
    pub struct Invoice {
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
    pub fn open(&self) -> Money {
        let settled = self.paid.minor() + self.credited.minor() + self.written_off.minor();
        Money::new(self.total.minor() - settled, self.total.currency())
            .unwrap_or(Money::zero(self.total.currency()))
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
        /// The event.
        mark: Mark,
        /// Paid back, or taken back by the client's bank.
        returned: Money,
        /// What nothing earned stands behind.
        unearned: Money,
    }
}

record! {
    /// Money going back for a payment.
    pub struct MoneyBack {
        /// How much.
        amount: Money,
        /// The event.
        mark: Mark,
        /// The payment.
        payment: ProcessorRef,
        /// For a chargeback, the last day to answer, if the processor named one.
        respond_by: Option<CivilDate>,
        /// For a chargeback, where it stands.
        status: Option<ChargebackStatus>,
    }
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
        /// Cases a person said are no couple with the owner.
        refused: BTreeSet<CaseId>,
        /// Suggestions that wait for a person.
        suggested: BTreeMap<CaseId, Suggestion>,
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
    pub fn share_of(&self, case: CaseId, price: Money) -> Option<Money> {
        let shares = price.allocate(&[1, 1]).ok()?;
        let seat = match self.members.as_slice() {
            [owner, _] if *owner == case => 0,
            _ => 1,
        };
        shares.get(seat).copied()
    }

    /// Money taken that no earned fee stands behind and that was not paid back.
    pub fn unearned_minor(&self) -> i64 {
        self.payments.values().map(|p| (p.unearned.minor() - p.returned.minor()).max(0)).sum()
    }

    /// What is open on all invoices.
    pub fn open_minor(&self) -> i64 {
        self.invoices.values().map(|invoice| invoice.open().minor()).sum()
    }
}
