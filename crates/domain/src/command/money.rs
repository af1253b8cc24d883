//! What is told of money, and asked for with it.

use calendar::CivilDate;

use crate::event::{FailureReason, RefundFailureReason};
use crate::ids::{DocumentHash, ProcessorRef};
use crate::money::Money;
use crate::value::{Personal, Text};

/// Money came in. What it pays is worked out: the named invoice first, nothing else by guess.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PaymentReceived {
    /// How much.
    pub amount: Money,
    /// The invoice it pays; without one it was taken for nothing earned.
    pub invoice: Option<u64>,
    /// The processor's name for it.
    pub payment: ProcessorRef,
}

/// A charge failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChargeFailed {
    /// The invoice.
    pub invoice: u64,
    /// Why.
    pub reason: FailureReason,
}

/// Money goes back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refund {
    /// How much.
    pub amount: Money,
    /// The payment it comes from.
    pub payment: ProcessorRef,
    /// Why.
    pub reason: Option<Personal>,
    /// The processor's name for the refund.
    pub refund: ProcessorRef,
    /// The request that it answers; 0 says that it answers none. It has to be said while one waits.
    pub request: Option<u32>,
}

/// Which claimed fee is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FeeNamed {
    /// That claimed last for a period of this number.
    Period(u32),
    /// That claimed at this position of the log.
    Claimed(u64),
}

/// Counsel's decision to keep money of a claimed fee.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeepFee {
    /// How much is kept in all, 0 to take the decision back; without it, all that is owed.
    pub amount: Option<Money>,
    /// Counsel's name.
    pub counsel: Text,
    /// What counsel wrote.
    pub document: Option<DocumentHash>,
    /// The fee.
    pub fee: FeeNamed,
    /// Why.
    pub reason: Personal,
}

/// Money of a payment is to be given back by the processor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundAsked {
    /// How much; without it, what is owed of it and not asked back yet.
    pub amount: Option<Money>,
    /// The payment.
    pub payment: ProcessorRef,
    /// Why.
    pub reason: Personal,
}

/// Money that was to be given back was not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundNotMade {
    /// The payment that it was to come from.
    pub payment: ProcessorRef,
    /// Why.
    pub reason: RefundFailureReason,
    /// The request.
    pub request: u32,
}

/// The client's bank takes a payment back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chargeback {
    /// How much.
    pub amount: Money,
    /// The processor's name for it.
    pub chargeback: ProcessorRef,
    /// The payment.
    pub payment: ProcessorRef,
    /// Last day to answer.
    pub respond_by: Option<CivilDate>,
}

/// An invoice is lowered or given up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lower {
    /// By how much.
    pub amount: Money,
    /// The invoice.
    pub invoice: u64,
    /// Why.
    pub reason: Personal,
}
