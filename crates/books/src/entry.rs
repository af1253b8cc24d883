//! Entries. One is a list of transfers, each of which debits one account and credits another by the
//! same amount: an entry that does not balance cannot be written down.

use std::collections::BTreeMap;

use calendar::CivilDate;
use domain::event::{BookAccount, UtcMicros};
use domain::ids::{AccountId, DepositId, EventId, PlanCode};
use domain::money::Money;

/// An amount that moves from one account of the books to another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Transfer {
    /// The account that is credited.
    pub from: BookAccount,
    /// The account that is debited.
    pub to: BookAccount,
    /// How much; below zero it moves the other way.
    pub amount: Money,
    /// The invoice it is about.
    pub invoice: Option<u64>,
    /// The plan it was earned under.
    pub plan: Option<PlanCode>,
}

/// One line of an entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryLine {
    /// The account.
    pub account: BookAccount,
    /// Minor units; a debit above zero, a credit below.
    pub amount_minor: i64,
    /// The invoice it is about.
    pub invoice: Option<u64>,
    /// The plan it was earned under.
    pub plan: Option<PlanCode>,
}

/// What one event does to the books on one day. Most events count for one day alone; what puts the money of an account in
/// the order of its days counts for several.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The position of the event: an entry's number, and the same for ever. With the day it counts for it names the entry.
    pub position: u64,
    /// The event.
    pub event_id: EventId,
    /// The event's type.
    pub kind: &'static str,
    /// The day it counts for.
    pub posted_on: CivilDate,
    /// The day it happened, of several the first. Before [`Self::posted_on`] when that month was closed by the time it was
    /// told: it counts on the first day that is open and says where it belongs.
    pub occurred_on: CivilDate,
    /// When it was told, UTC.
    pub recorded_at: UtcMicros,
    /// The client account it is about.
    pub account: Option<AccountId>,
    /// The line of a bank statement it is about.
    pub deposit: Option<DepositId>,
    /// The processor's name for the payment, refund or chargeback; of an opening balance, the firm's code for its account
    /// at a bank.
    pub reference: Option<String>,
    /// The event whose entry this one takes back.
    pub reverses: Option<EventId>,
    /// The number of its first line: those of all entries of one event are counted through.
    pub first_line: u32,
    /// What moves.
    pub transfers: Vec<Transfer>,
}

impl Entry {
    /// The lines: transfers that touch the same account for the same invoice and plan are one, what
    /// cancels out is left away. They sum to zero.
    pub fn lines(&self) -> Vec<EntryLine> {
        let mut sums: BTreeMap<(BookAccount, Option<u64>, Option<&PlanCode>), i64> =
            BTreeMap::new();
        for transfer in &self.transfers {
            let minor = transfer.amount.minor();
            for (account, amount) in [(transfer.to, minor), (transfer.from, -minor)] {
                // Only what clients owe is kept by invoice, and only what was earned by plan.
                let invoice = transfer.invoice.filter(|_| account == BookAccount::Receivable);
                let plan = transfer.plan.as_ref().filter(|_| account == BookAccount::FeeRevenue);
                *sums.entry((account, invoice, plan)).or_default() += amount;
            }
        }
        let lines = sums.into_iter().filter(|(_, amount)| *amount != 0);
        lines
            .map(|((account, invoice, plan), amount_minor)| EntryLine {
                account,
                amount_minor,
                invoice,
                plan: plan.cloned(),
            })
            .collect()
    }
}
