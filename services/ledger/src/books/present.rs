//! The books as messages.

use api::scalar::{int32, int64, timestamp};
use api::{Paired, name, v1};
use books::{Aging, Chart, OpenItem, TrialBalance};
use calendar::CivilDate;
use domain::event::ChartAccount;
use domain::ids::{AccountId, FirmId};
use domain::money::Currency;
use store::{
    DepositRow, DepositStatus, JournalEntryRow, JournalLineRow, MonthRow, MovementRow, PlanRevenue,
};

use crate::present::{day, minor};

pub(super) fn chart_account(account: &ChartAccount) -> v1::ChartAccount {
    v1::ChartAccount {
        account: v1::BookAccount::from_domain(account.account).into(),
        number: account.number.to_string(),
        display_name: account.name.to_string(),
        accountant_code: account
            .accountant_code
            .as_ref()
            .map(ToString::to_string)
            .unwrap_or_default(),
        account_type: account.account.account_type().as_str().to_owned(),
    }
}

pub(super) fn entry(
    firm: FirmId,
    currency: Currency,
    (entry, lines): &(JournalEntryRow, Vec<JournalLineRow>),
) -> v1::JournalEntry {
    let lines = lines.iter().map(|line| v1::JournalLine {
        account: v1::BookAccount::from_domain(line.book_account).into(),
        amount: minor(line.amount_minor, currency),
        invoice: line.invoice.map(|number| name::invoice(firm, number)).unwrap_or_default(),
        plan: line.plan.as_ref().map(ToString::to_string).unwrap_or_default(),
        number: line.line.into(),
    });
    v1::JournalEntry {
        number: int64(entry.position),
        kind: entry.kind.clone(),
        event_id: entry.event_id.to_string(),
        posted_on: day(entry.posted_on),
        occurred_on: day(entry.occurred_on),
        recorded_at: Some(timestamp(entry.recorded_at)),
        account: entry.account_id.map(|id| name::account(firm, id)).unwrap_or_default(),
        deposit: entry.deposit_id.map(|id| name::deposit(firm, id)).unwrap_or_default(),
        reference: entry.reference.clone().unwrap_or_default(),
        reverses: entry.reverses.map(|id| id.to_string()).unwrap_or_default(),
        lines: lines.collect(),
    }
}

pub(super) fn trial_rows(
    chart: &Chart,
    trial: &TrialBalance,
    currency: Currency,
) -> Vec<v1::TrialBalanceRow> {
    let row = |named: &ChartAccount| {
        let row = trial.rows().iter().find(|row| row.account == named.account)?;
        Some(v1::TrialBalanceRow {
            account: v1::BookAccount::from_domain(named.account).into(),
            number: named.number.to_string(),
            display_name: named.name.to_string(),
            opening: minor(row.opening_minor, currency),
            debits: minor(row.debit_minor, currency),
            credits: minor(row.credit_minor, currency),
            closing: minor(row.closing_minor(), currency),
        })
    };
    chart.accounts().iter().filter_map(row).collect()
}

pub(super) fn plan_revenue(revenue: &PlanRevenue, currency: Currency) -> v1::PlanRevenue {
    v1::PlanRevenue {
        plan: revenue.plan.as_ref().map(ToString::to_string).unwrap_or_default(),
        fees: int64(revenue.fees),
        amount: minor(revenue.amount_minor, currency),
    }
}

pub(super) fn month(row: &MonthRow, currency: Currency) -> v1::MonthSummary {
    v1::MonthSummary {
        month: row.month.clone(),
        earned: minor(row.revenue_minor, currency),
        collected: minor(row.collected_minor, currency),
        given_back: minor(row.given_back_minor, currency),
        receivable: minor(row.receivable_minor, currency),
        owed_to_clients: minor(row.owed_minor, currency),
        at_risk: minor(row.at_risk_minor, currency),
        held_count: int64(row.held),
    }
}

/// An account with what is open on its invoices.
pub(super) fn aged_account(
    firm: FirmId,
    currency: Currency,
    as_of: CivilDate,
    (account, items): (AccountId, Vec<OpenItem>),
) -> v1::AgedAccount {
    let buckets = Aging::of(as_of, items.iter().copied()).totals();
    let invoices = items.iter().map(|item| v1::OpenInvoice {
        invoice: name::invoice(firm, item.invoice),
        due_on: day(item.due_on),
        open: minor(item.open_minor, currency),
    });
    v1::AgedAccount {
        account: name::account(firm, account),
        amounts: Some(aged(buckets, currency)),
        invoices: invoices.collect(),
    }
}

pub(super) fn aged(buckets: [i64; 5], currency: Currency) -> v1::AgedAmounts {
    let [current, to_30, to_60, to_90, over_90] = buckets.map(|sum| minor(sum, currency));
    v1::AgedAmounts {
        current,
        days_1_to_30: to_30,
        days_31_to_60: to_60,
        days_61_to_90: to_90,
        over_90,
        total: minor(buckets.iter().sum(), currency),
    }
}

const STATES: [(v1::DepositState, DepositStatus); 5] = [
    (v1::DepositState::Open, DepositStatus::Open),
    (v1::DepositState::Matched, DepositStatus::Matched),
    (v1::DepositState::Joined, DepositStatus::Joined),
    (v1::DepositState::Booked, DepositStatus::Booked),
    (v1::DepositState::Payout, DepositStatus::Payout),
];

pub(super) fn deposit_status(state: v1::DepositState) -> Option<DepositStatus> {
    STATES.iter().find(|(known, _)| *known == state).map(|(_, status)| *status)
}

fn deposit_state(status: DepositStatus) -> v1::DepositState {
    let found = STATES.iter().find(|(_, known)| *known == status);
    found.map_or(v1::DepositState::Unspecified, |(state, _)| *state)
}

pub(super) fn deposit(firm: FirmId, row: &DepositRow) -> v1::Deposit {
    let rule = row.match_rule.map_or(v1::MatchRule::Unspecified, v1::MatchRule::from_domain);
    let purpose = row.purpose.map_or(v1::Purpose::Unspecified, v1::Purpose::from_domain);
    v1::Deposit {
        name: name::deposit(firm, row.deposit_id),
        state: deposit_state(row.status).into(),
        booked_on: day(row.booked_on),
        amount: minor(row.amount_minor, row.currency),
        bank: row.bank.as_ref().map(ToString::to_string).unwrap_or_default(),
        payout: row.payout.as_ref().map(ToString::to_string).unwrap_or_default(),
        references: row.refs.split_whitespace().map(ToOwned::to_owned).collect(),
        return_reason: row.return_reason.as_ref().map(ToString::to_string).unwrap_or_default(),
        gross: row.gross_minor.and_then(|sum| minor(sum, row.currency)),
        costs: row.costs_minor.and_then(|sum| minor(sum, row.currency)),
        matched_to: row.matched_to.map(|id| name::deposit(firm, id)).unwrap_or_default(),
        match_rule: rule.into(),
        movement_count: row.movements.map(int32).unwrap_or_default(),
        purpose: purpose.into(),
        note: row.note.clone().unwrap_or_default(),
        automatic: row.automatic,
        refusals: int32(row.refusals),
    }
}

pub(super) fn movement(firm: FirmId, row: &MovementRow) -> v1::Movement {
    v1::Movement {
        account: name::account(firm, row.account_id),
        kind: v1::MovementKind::from_domain(row.kind).into(),
        name: row.name.to_string(),
        happened_on: day(row.happened_on),
        amount: minor(row.amount_minor, row.currency),
        deposit: row.deposit_id.map(|id| name::deposit(firm, id)).unwrap_or_default(),
    }
}
