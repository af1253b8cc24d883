//! A statement of account: what a client or a couple was billed, has paid and got back, day by day,
//! and what is open after each.
//!
//! Steps are entries of the books, told from the client's side: what the firm may ask for raises the
//! balance, what was paid or taken off lowers it, and below zero the firm owes the client.

use chrono::NaiveDate;
use domain::money::{Currency, Money, MoneyError};

use crate::sheet::{CAUTIONS, Cell, Column, Sheet};

/// What is said of money that was collected for fees that nothing allowed, and is kept.
pub const KEPT: &str = "Not allowed, and kept by counsel's reason";

/// What is said of money that is owed on another account of the same clients.
pub const ELSEWHERE: &str = "Owed to you on an account of your own";

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AccountStep {
    /// The day it counts for.
    pub on: NaiveDate,
    /// What it was, in words.
    pub what: String,
    /// What it changed of the balance; zero for money that came back with nothing left to ask for.
    pub change: Money,
    /// What it changed of what the firm owes the client.
    pub owed: Money,
}

impl AccountStep {
    /// What was billed, or what was paid or taken off; neither if the balance stays.
    pub fn sides(&self) -> (Option<Money>, Option<Money>) {
        match self.change.minor() {
            0 => (None, None),
            1.. => (Some(self.change), None),
            _ => (None, Some(self.change.negated())),
        }
    }
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
    /// What happened, in order, each with the balance after it; below zero the firm owes.
    pub steps: Vec<(AccountStep, Money)>,
    /// What the firm owes at the end. What is open of other fees does not settle it.
    pub owed: Money,
    /// What the firm owes on the client's own account, or on those of a couple, beside this one, on what is known today.
    pub elsewhere: Money,
    /// What of the open fees is not asked for, on what is known today, until every gate holds for it.
    pub held: Money,
    /// What of money collected for fees that nothing allowed is kept by counsel's reason, on what is known today.
    pub kept: Money,
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
        let mut opening = Money::zero(currency);
        let (mut balance, mut owed) = (opening, opening);
        // What went back before it was found to be owed: it is nothing that the client owes meanwhile.
        let mut ahead = opening;
        let mut steps = Vec::new();
        for mut step in all {
            let early = owed.plus(step.owed)?.min(Money::zero(currency)).negated();
            let found = ahead.min(step.owed.above(Money::zero(currency)));
            ahead = ahead.plus(early)?.minus(found)?;
            step.owed = step.owed.plus(early)?.minus(found)?;
            step.change = step.change.minus(early)?.plus(found)?;
            balance = balance.plus(step.change)?;
            owed = owed.plus(step.owed)?;
            if from.is_some_and(|from| step.on < from) {
                opening = balance;
            } else {
                steps.push((step, balance));
            }
        }
        let zero = Money::zero(currency);
        let (elsewhere, held, kept) = (zero, zero, zero);
        Ok(Self { firm, to, from, through, opening, steps, owed, elsewhere, held, kept })
    }

    /// The balance at the end; below zero, the firm owes it.
    pub fn closing(&self) -> Money {
        self.steps.last().map_or(self.opening, |(_, balance)| *balance)
    }

    /// What the client and the firm owe each other at the end: what is open, and what is owed if anything.
    ///
    /// # Errors
    /// [`MoneyError`] if what is open is too large.
    pub fn sums(&self) -> Result<Vec<(&'static str, Money)>, MoneyError> {
        let open = self.closing().plus(self.owed)?;
        let sums = [
            ("Open", open),
            ("Of that not asked for until it is shown that it may be", self.held.min(open)),
            ("Owed to you", self.owed),
            (ELSEWHERE, self.elsewhere),
            (KEPT, self.kept),
        ];
        let is_said = |(what, sum): &(&str, Money)| match *what {
            "Open" => !sum.is_zero() || self.owed.is_zero(),
            _ => !sum.is_zero(),
        };
        Ok(sums.into_iter().filter(is_said).collect())
    }

    /// What its page says.
    ///
    /// # Errors
    /// [`MoneyError`] if what is open is too large.
    pub fn sheet(&self) -> Result<Sheet, MoneyError> {
        let amount = |amount: Money| Cell::line(amount.to_string());
        let side = |side: Option<Money>| side.map_or_else(Cell::default, amount);
        let mut rows = Vec::new();
        if let Some(from) = self.from {
            let before = Cell::line(format!("Balance before {from}"));
            let opening = amount(self.opening);
            rows.push(vec![Cell::default(), before, Cell::default(), Cell::default(), opening]);
        }
        for (step, balance) in &self.steps {
            let (billed, taken_off) = step.sides();
            rows.push(vec![
                Cell::line(step.on.to_string()),
                Cell::line(step.what.clone()),
                side(billed),
                side(taken_off),
                amount(*balance),
            ]);
        }
        let days = match self.from {
            Some(from) => format!("{from} to {}", self.through),
            None => format!("through {}", self.through),
        };
        let title = format!("Statement of account, {days}");
        Ok(Sheet {
            lead: title.clone(),
            title,
            firm: self.firm.clone(),
            to: self.to.clone(),
            columns: vec![
                Column::text("Day", 14),
                Column::text("What", 35),
                Column::amounts("Billed, paid back", 17),
                Column::amounts("Paid, taken off", 17),
                Column::amounts("Balance", 17),
            ],
            rows,
            sums: self.sums()?,
            remark: None,
            cautions: CAUTIONS,
            made_on: self.through,
        })
    }
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
            ("2026-02-01", "Invoice 1", 9_900, 0),
            ("2026-02-03", "Payment p1", -9_900, 0),
            ("2026-03-01", "Invoice 2", 9_900, 0),
            ("2026-03-02", "Payment p2", -12_000, 2_100),
            ("2026-03-05", "Refund r1", 1_000, -1_000),
        ];
        let step = |(on, what, minor, owed): (&str, &str, i64, i64)| AccountStep {
            on: day(on),
            what: what.to_owned(),
            change: usd(minor),
            owed: usd(owed),
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
            of.steps.iter().map(|(_, balance)| balance.minor()).collect()
        };
        assert_eq!(balances(&whole), [9_900, 0, 9_900, -2_100, -1_100]);
        assert_eq!((part.opening, balances(&part)), (usd(9_900), vec![0, 9_900, -2_100, -1_100]));
        assert_eq!(whole.closing(), part.closing());
        let page = part.sheet().unwrap().to_html();
        for said in
            ["Balance before 2026-02-02", "Owed to you", "USD 11.00", "cannot be made to go away"]
        {
            assert!(page.contains(said), "{said}: {page}");
        }
    }

    #[test]
    fn what_is_not_asked_for_is_said_of_what_is_open() {
        let held = |held| AccountStatement { held: usd(held), ..statement(None) };
        let said = "Of that not asked for until it is shown that it may be";
        let sums = |of: &AccountStatement| of.sums().unwrap();
        assert!(!sums(&held(0)).iter().any(|(name, _)| *name == said));
        assert!(!sums(&held(500)).iter().any(|(name, _)| *name == said), "nothing is open");
        let mut open = held(500);
        open.steps.truncate(3);
        open.owed = usd(0);
        assert_eq!(sums(&open), [("Open", usd(9_900)), (said, usd(500))]);
    }

    /// Money that went back before it was found to be owed: on no day does the client owe it, nor the firm less than nothing.
    #[test]
    fn on_no_day_less_than_nothing_is_owed() {
        let step = |on, minor, owed| AccountStep {
            on: day(on),
            what: "a step".to_owned(),
            change: usd(minor),
            owed: usd(owed),
        };
        let all = [
            step("2026-03-01", 9_900, 0),
            step("2026-03-02", -9_900, 0),
            step("2026-03-03", 4_000, -4_000),
            step("2026-03-20", -9_900, 9_900),
        ];
        let of = |through: &str| {
            let through = day(through);
            let all = all.iter().filter(|step| step.on <= through).cloned().collect();
            let days = (None, through);
            AccountStatement::of("Firm".into(), Vec::new(), days, Currency::USD, all).unwrap()
        };
        assert_eq!((of("2026-03-10").owed, of("2026-03-10").closing()), (usd(0), usd(0)));
        assert_eq!((of("2026-03-31").owed, of("2026-03-31").closing()), (usd(5_900), usd(-5_900)));
        assert_eq!(of("2026-03-31").sums().unwrap(), [("Owed to you", usd(5_900))]);
    }

    /// A fee that nothing allowed, paid and taken off, settles no other fee that is open.
    #[test]
    fn what_is_owed_and_what_is_open_are_two_sums() {
        let step = |minor, owed| AccountStep {
            on: day("2026-03-02"),
            what: "a step".to_owned(),
            change: usd(minor),
            owed: usd(owed),
        };
        let all = vec![step(18_800, 0), step(-9_900, 0), step(-9_900, 9_900)];
        let days = (None, day("2026-03-31"));
        let of = |all| AccountStatement::of("Firm".into(), Vec::new(), days, Currency::USD, all);
        let statement = of(all.clone()).unwrap();
        assert_eq!(statement.closing(), usd(-1_000));
        let sums = statement.sums().unwrap();
        assert_eq!(sums, [("Open", usd(8_900)), ("Owed to you", usd(9_900))]);
        assert_eq!(of(all[..2].to_vec()).unwrap().sums().unwrap(), [("Open", usd(8_900))]);
        assert_eq!(of(Vec::new()).unwrap().sums().unwrap(), [("Open", usd(0))]);
    }
}
