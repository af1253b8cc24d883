//! A firm's books: the chart of accounts, one balanced entry for each event that moves money, the
//! trial balance, the aging of what clients owe, the reconciliation of accounts at banks, and what has to hold before a
//! month is closed.
//!
//! Pure: everything is a function of the events. Double entry in integer minor units of the firm's
//! one currency; a debit is above zero, a credit below.

#![warn(clippy::wildcard_enum_match_arm)]

mod aging;
mod anew;
mod chart;
mod close;
mod entry;
mod post;
mod reconcile;
mod reconciled;
mod trial;
mod walk;

pub use aging::{Aging, Bucket, OpenItem};
pub use anew::Anew;
pub use chart::Chart;
pub use close::{Block, Controls, InTheWay, Several, TRANSIT_DAYS, Unfinished};
pub use entry::{Entry, EntryLine, Transfer};
pub use post::Poster;
pub use reconciled::{
    BankItem, BankReconciled, InTransit, ItemKind, Reconciled, StatementBalance, StatementKnown,
    UnexplainedLine,
};
pub use trial::{TrialBalance, TrialRow};
