//! A statement of account: what a client or a couple was billed, has paid and got back, day by day,
//! and what is open after each.
//!
//! Steps are entries of the books, told from the client's side: what the firm may ask for raises the
//! balance, what was paid or taken off lowers it, and below zero the firm owes the client.

use chrono::NaiveDate;
use domain::money::{Currency, Money, MoneyError};

use crate::bill::CAUTIONS;
use crate::sheet::{Cell, Column, Sheet};

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AccountStep {
    /// The day it counts for.
    pub on: NaiveDate,
    /// What it was, in words.
    pub what: String,
    /// What it changed of the balance; zero for money that came back with nothing left to ask for.
    pub change: Money,
}

/// An account over some days.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AccountStatement {
    /// The firm.
    pub firm: String,
    /// To whom: names and addresses, a line each.
    pub to: Vec<String>,
    /// Its first day; none if it begins with the account.
    pub from: Option<NaiveDate>,
    /// Its last day.
    pub through: NaiveDate,
    /// What was open before.
    pub opening: Money,
    /// What happened, in order.
    pub steps: Vec<AccountStep>,
}

impl AccountStatement {
    /// Makes one of everything that happened through its last day: what came before the first is
    /// summed.
    ///
    /// # Errors
    /// [`MoneyError`] if the amounts are of several currencies or too large to sum.
    pub fn of(
        firm: String,
        to: Vec<String>,
        days: (Option<NaiveDate>, NaiveDate),
        currency: Currency,
        all: Vec<AccountStep>,
    ) -> Result<Self, MoneyError> {
        let (from, through) = days;
        let before = |step: &AccountStep| from.is_some_and(|from| step.on < from);
        let (earlier, steps): (Vec<_>, Vec<_>) = all.into_iter().partition(before);
        let opening = sum(Money::zero(currency), &earlier)?;
        let statement = Self { firm, to, from, through, opening, steps };
        statement.closing()?;
        Ok(statement)
    }

    /// What is open at the end; below zero, what the firm owes.
    ///
    /// # Errors
    /// [`MoneyError`] as for [`Self::of`].
    pub fn closing(&self) -> Result<Money, MoneyError> {
        sum(self.opening, &self.steps)
    }

    /// Every step with the balance after it.
    ///
    /// # Errors
    /// [`MoneyError`] as for [`Self::of`].
    pub fn balances(&self) -> Result<Vec<(&AccountStep, Money)>, MoneyError> {
        let mut balance = self.opening;
        let after = |step| {
            balance = sum(balance, std::slice::from_ref(step))?;
            Ok((step, balance))
        };
        self.steps.iter().map(after).collect()
    }

    /// What its page says.
    ///
    /// # Errors
    /// [`MoneyError`] as for [`Self::of`].
    pub fn sheet(&self) -> Result<Sheet, MoneyError> {
        let mut rows = Vec::new();
        if let Some(from) = self.from {
            let before = Cell::line(format!("Balance before {from}"));
            let balance = Cell::line(self.opening.to_string());
            rows.push(vec![Cell::default(), before, Cell::default(), Cell::default(), balance]);
        }
        for (step, balance) in self.balances()? {
            let (asked, taken_off) = match step.change.minor() {
                0 => (Cell::default(), Cell::default()),
                1.. => (Cell::line(step.change.to_string()), Cell::default()),
                _ => (Cell::default(), Cell::line(step.change.negated().to_string())),
            };
            let what = Cell::line(step.what.clone());
            let day = Cell::line(step.on.to_string());
            rows.push(vec![day, what, asked, taken_off, Cell::line(balance.to_string())]);
        }
        let closing = self.closing()?;
        let owes = closing.minor() < 0;
        let sum = if owes { ("Owed to you", closing.negated()) } else { ("Open", closing) };
        let days = match self.from {
            Some(from) => format!("{from} to {}", self.through),
            None => format!("through {}", self.through),
        };
        let column = |name, width, amounts| Column { name, width, amounts };
        Ok(Sheet {
            title: format!("Statement of account, {days}"),
            firm: self.firm.clone(),
            lead: format!("Statement of account, {days}"),
            to: self.to.clone(),
            columns: vec![
                column("Day", 14, false),
                column("What", 35, false),
                column("Billed", 17, true),
                column("Paid, taken off", 17, true),
                column("Balance", 17, true),
            ],
            rows,
            sums: vec![sum],
            notes: CAUTIONS.map(String::from).to_vec(),
            made_on: self.through,
        })
    }
}

fn sum(from: Money, steps: &[AccountStep]) -> Result<Money, MoneyError> {
    steps.iter().try_fold(from, |balance, step| balance.plus(step.change))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn usd(minor: i64) -> Money {
        Money::new(minor, Currency::USD).unwrap()
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn statement(from: Option<&str>) -> AccountStatement {
        let steps = [
            ("2026-02-01", "Invoice 1", 9_900),
            ("2026-02-03", "Payment p1", -9_900),
            ("2026-03-01", "Invoice 2", 9_900),
            ("2026-03-02", "Payment p2", -12_000),
            ("2026-03-05", "Refund r1", 1_000),
        ];
        let step = |(on, what, minor): (&str, &str, i64)| AccountStep {
            on: day(on),
            what: what.to_owned(),
            change: usd(minor),
        };
        let all = steps.into_iter().map(step).collect();
        let days = (from.map(day), day("2026-03-31"));
        AccountStatement::of("Firm".into(), vec!["Ada".into()], days, Currency::USD, all).unwrap()
    }

    #[test]
    fn what_came_before_is_one_balance_and_each_step_says_what_is_open_after_it() {
        let whole = statement(None);
        let part = statement(Some("2026-02-02"));
        let balances = |of: &AccountStatement| -> Vec<i64> {
            of.balances().unwrap().iter().map(|(_, balance)| balance.minor()).collect()
        };
        assert_eq!(balances(&whole), [9_900, 0, 9_900, -2_100, -1_100]);
        assert_eq!((part.opening, balances(&part)), (usd(9_900), vec![0, 9_900, -2_100, -1_100]));
        assert_eq!(whole.closing(), part.closing());
        let page = part.sheet().unwrap().to_html();
        for said in
            ["Balance before 2026-02-02", "Owed to you", "USD 11.00", "No result was promised"]
        {
            assert!(page.contains(said), "{said}: {page}");
        }
    }
}
