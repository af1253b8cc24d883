//! Deposits — lines of bank statements and payouts — and the movements that stand behind them.

use calendar::CivilDate;
use domain::account::Account;
use domain::deposit::{Deposit, Line, Payout};
use domain::event::{MatchRule, MovementKind, Purpose};
use domain::ids::{AccountId, BankCode, BankReference, DepositId, FirmId, ProcessorRef};
use domain::money::Currency;
use log::StoreError;

use super::limit;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::store::Store;
use crate::value::{Column, Value, words};

/// What a deposit is found to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DepositStatus {
    /// A bank line that nobody has explained.
    Open,
    /// A bank line with movements behind it, to the cent.
    Matched,
    /// A piece of another line's money.
    Joined,
    /// A bank line of which a person said what it is.
    Booked,
    /// What the processor says of a payout; no line of a bank.
    Payout,
}

impl DepositStatus {
    /// Every member.
    pub const ALL: [Self; 5] =
        [Self::Open, Self::Matched, Self::Joined, Self::Booked, Self::Payout];

    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Matched => "matched",
            Self::Joined => "joined",
            Self::Booked => "booked",
            Self::Payout => "payout",
        }
    }

    /// The member for a word.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.code() == code)
    }
}

words!(DepositStatus by code);

row! {
    /// A line of a bank statement, or a payout. Amounts are minor units of its currency.
    pub struct DepositRow in "deposit"
    key {
        /// The deposit.
        deposit_id: DepositId,
    }
    values {
        /// What it is found to be.
        status: DepositStatus,
        /// The day the bank booked it, or the day of the payout.
        booked_on: CivilDate,
        /// The currency.
        currency: Currency,
        /// What came in, or the payout's net; below zero what went out.
        amount_minor: i64,
        /// The firm's account at a bank; nothing for a payout.
        bank: Option<BankCode>,
        /// The processor's name for it; nothing for a line.
        payout: Option<ProcessorRef>,
        /// What the movements behind it sum to.
        gross_minor: Option<i64>,
        /// What the processor kept.
        costs_minor: Option<i64>,
        /// What a line refers to, with blanks between.
        refs: String,
        /// Why the bank gives it back, as its code says.
        return_reason: Option<BankReference>,
        /// The payout of a matched line, or the line that a piece belongs to.
        matched_to: Option<DepositId>,
        /// How a match was found.
        match_rule: Option<MatchRule>,
        /// How many movements stand behind it.
        movements: Option<u32>,
        /// What a person said it is.
        purpose: Option<Purpose>,
        /// What for.
        note: Option<String>,
        /// The position of its first event.
        position: u64,
        /// Whether it was matched without a person.
        automatic: bool,
        /// How often a person said no: to something proposed, or to a match that was made.
        refusals: u32,
    }
}

row! {
    /// Money of a client on its way through the card processor.
    pub struct MovementRow in "movement"
    key {
        /// The account.
        account_id: AccountId,
        /// What it is.
        kind: MovementKind,
        /// The processor's name for it.
        name: ProcessorRef,
    }
    values {
        /// The day.
        happened_on: CivilDate,
        /// The currency.
        currency: Currency,
        /// Minor units; below zero what went back.
        amount_minor: i64,
        /// The deposit it stands behind.
        deposit_id: Option<DepositId>,
        /// The position of its event.
        position: u64,
    }
}

/// Which deposits to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DepositFilter {
    /// Only those that stand here.
    pub status: Option<DepositStatus>,
    /// Only those booked on this day or later.
    pub from: Option<CivilDate>,
    /// Only those booked on this day or before.
    pub through: Option<CivilDate>,
}

/// Which movements to list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MovementFilter {
    /// Only those that stand behind nothing.
    pub open: bool,
    /// Only those behind this deposit.
    pub deposit: Option<DepositId>,
}

pub(super) fn rows(id: DepositId, deposit: &Deposit) -> Vec<DepositRow> {
    let line = deposit.line.as_ref().map(|line| line_row(id, deposit, line));
    let payout = deposit.payout.as_ref().map(|payout| payout_row(id, payout));
    line.or(payout).into_iter().collect()
}

fn line_row(id: DepositId, deposit: &Deposit, line: &Line) -> DepositRow {
    let matched = deposit.matched.as_ref().map(|matched| &matched.matched);
    let booked = deposit.booked.as_ref().map(|booked| &booked.booked);
    let joined = deposit.joined.as_ref();
    let status = match (matched, joined, booked) {
        (Some(_), _, _) => DepositStatus::Matched,
        (None, Some(_), _) => DepositStatus::Joined,
        (None, None, Some(_)) => DepositStatus::Booked,
        (None, None, None) => DepositStatus::Open,
    };
    let references: Vec<&str> = line.seen.references.iter().map(BankReference::as_str).collect();
    DepositRow {
        deposit_id: id,
        status,
        booked_on: line.mark.on,
        currency: line.seen.amount.currency(),
        amount_minor: line.seen.amount.minor(),
        bank: Some(line.seen.bank.clone()),
        payout: None,
        gross_minor: matched.map(|m| m.gross.minor()),
        costs_minor: matched.map(|m| m.costs.minor()),
        refs: references.join(" "),
        return_reason: line.seen.return_reason.clone(),
        matched_to: matched.and_then(|m| m.payout).or(joined.map(|joined| joined.to)),
        match_rule: matched.map(|m| m.rule),
        movements: matched.map(|m| m.count),
        purpose: booked.map(|b| b.purpose),
        note: booked.and_then(|b| b.note.as_ref()).map(|note| note.as_str().to_owned()),
        automatic: matched.is_some_and(|m| m.policy.is_some()),
        refusals: deposit.refusals(),
        position: line.mark.at.position,
    }
}

fn payout_row(id: DepositId, payout: &Payout) -> DepositRow {
    let reported = &payout.reported;
    DepositRow {
        deposit_id: id,
        status: DepositStatus::Payout,
        booked_on: payout.mark.on,
        currency: reported.net.currency(),
        amount_minor: reported.net.minor(),
        bank: None,
        payout: Some(reported.payout.clone()),
        gross_minor: Some(reported.gross.minor()),
        costs_minor: Some(reported.costs.minor()),
        refs: String::new(),
        return_reason: None,
        matched_to: None,
        match_rule: None,
        movements: Some(reported.lines),
        purpose: None,
        note: None,
        automatic: false,
        refusals: 0,
        position: payout.mark.at.position,
    }
}

pub(super) fn movement_rows(id: AccountId, account: &Account) -> Vec<MovementRow> {
    let row = |(movement, found): (domain::event::Movement, domain::account::MovementFound)| {
        MovementRow {
            account_id: id,
            kind: movement.kind,
            name: movement.name,
            happened_on: found.on,
            currency: found.amount.currency(),
            amount_minor: found.amount.minor(),
            deposit_id: found.deposited,
            position: found.position,
        }
    };
    account.movements().map(row).collect()
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM deposit t WHERE {} AND t.position > $2 \
         AND (t.status = $3 OR $3 IS NULL) AND (t.booked_on >= $4 OR $4 IS NULL) \
         AND (t.booked_on <= $5 OR $5 IS NULL) ORDER BY t.position LIMIT $6",
        DepositRow::TABLE.selected("t"),
        active("t")
    )
});

static MOVEMENTS: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM movement t WHERE {} AND t.position > $2 \
         AND ($3 = 0 OR t.deposit_id IS NULL) AND (t.deposit_id = $4 OR $4 IS NULL) \
         ORDER BY t.position LIMIT $5",
        MovementRow::TABLE.selected("t"),
        active("t")
    )
});

static NAMED: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM movement t WHERE {} AND t.name = $2 ORDER BY t.position LIMIT $3",
        MovementRow::TABLE.selected("t"),
        active("t")
    )
});

static MATCHED_TO: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM deposit t WHERE {} AND t.matched_to = $2 AND t.status = 'matched' \
         ORDER BY t.position LIMIT 1",
        DepositRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST, &MOVEMENTS, &NAMED, &MATCHED_TO];

impl Store {
    /// Deposits in the order recorded; `after` is the position of the last of the page before, or 0.
    pub async fn list_deposits(
        &self,
        firm: FirmId,
        filter: DepositFilter,
        after: u64,
        rows: u32,
    ) -> Result<Vec<DepositRow>, StoreError> {
        let DepositFilter { status, from, through } = filter;
        let arguments = vec![
            Value::Id(firm.0),
            after.put(),
            status.put(),
            from.put(),
            through.put(),
            limit(rows),
        ];
        self.fetch(&LIST, arguments).await
    }

    /// Movements in the order recorded; `after` as for [`Store::list_deposits`].
    pub async fn list_movements(
        &self,
        firm: FirmId,
        filter: MovementFilter,
        after: u64,
        rows: u32,
    ) -> Result<Vec<MovementRow>, StoreError> {
        let MovementFilter { open, deposit } = filter;
        let arguments = vec![
            Value::Id(firm.0),
            after.put(),
            Value::Integer(i64::from(open)),
            deposit.put(),
            limit(rows),
        ];
        self.fetch(&MOVEMENTS, arguments).await
    }

    /// A line whose match names a payout.
    pub async fn matched_to(
        &self,
        firm: FirmId,
        payout: DepositId,
    ) -> Result<Option<DepositId>, StoreError> {
        let row: Option<DepositRow> =
            self.fetch_one(&MATCHED_TO, vec![Value::Id(firm.0), payout.put()]).await?;
        Ok(row.map(|row| row.deposit_id))
    }

    /// Movements of one name, in the order recorded.
    pub async fn movements_named(
        &self,
        firm: FirmId,
        name: &ProcessorRef,
        rows: u32,
    ) -> Result<Vec<MovementRow>, StoreError> {
        self.fetch(&NAMED, vec![Value::Id(firm.0), name.put(), limit(rows)]).await
    }
}
