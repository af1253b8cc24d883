//! A reconciliation of accounts at banks: from the balance per statement to the balance per ledger, item by item, and
//! what is on its way through the card processor.

use chrono::NaiveDate;
use domain::money::{Currency, Money, MoneyError};

use crate::sheet::{Cell, Column, Sheet};

/// One line of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReconciledRow {
    /// The code of the account at the bank; empty for what is on its way.
    pub bank: String,
    /// The day.
    pub on: Option<NaiveDate>,
    /// What it is, in words.
    pub what: String,
    /// The bank line, statement or movement.
    pub about: String,
    /// The amount; nothing above a list.
    pub amount: Option<Money>,
}

/// One account at a bank.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReconciledBank {
    /// Its code.
    pub bank: String,
    /// Its name and the end of its number.
    pub name: String,
    /// The day of the statement's balance, and the balance; nothing without a statement.
    pub statement: Option<(NaiveDate, Money)>,
    /// The balance per ledger.
    pub ledger: Money,
    /// Items, each with what the statement has more by it.
    pub items: Vec<ReconciledRow>,
    /// Lines in the ledger that nobody had explained.
    pub not_explained: Vec<ReconciledRow>,
}

/// All accounts of a firm at the end of a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reconciliation {
    /// The firm.
    pub firm: String,
    /// The day at whose end.
    pub through: NaiveDate,
    /// The currency of its books.
    pub currency: Currency,
    /// Accounts, by code.
    pub banks: Vec<ReconciledBank>,
    /// Movements on their way through the card processor.
    pub in_transit: Vec<ReconciledRow>,
    /// The balance of its clearing account.
    pub clearing: Money,
}

/// What an item is, in words.
pub fn item_words(kind: &str) -> String {
    match kind {
        "opening_differs" => {
            "The first statement does not begin with the declared opening balance and the lines before it"
        }
        "statement_does_not_continue" => {
            "A statement does not begin with the balance at which the one before it ends"
        }
        "statement_contradicts" => "A statement says otherwise of days of which another one speaks",
        "days_without_statement" => "Days that no statement covers",
        "opening_counts_later" => "The opening balance counts in the ledger for a later day",
        "counts_later" => "On the statement; counts in the ledger for a later day",
        "taken_back_later" => "Taken back; that counts in the ledger for a later day",
        "on_statement_only" => "On the statement alone",
        "in_ledger_only" => "In the ledger, and not on the statement of its day",
        "before_opening" => "Booked before the day of the opening balance, which holds it",
        "after_last_statement" => "Booked after the last statement",
        other => return other.replace('_', " "),
    }
    .to_owned()
}

const CAUTIONS: &[&str] = &[
    "Made from the firm's log alone: statements as the bank's files have them, and the ledger as entries make it.",
    "The balance per statement and every item below it come to the balance per ledger: of an item below zero the ledger has less.",
];

impl ReconciledBank {
    /// What no item names: zero, unless more items are than are listed.
    ///
    /// # Errors
    /// [`MoneyError`] if a sum is too large.
    pub fn not_named(&self) -> Result<Option<Money>, MoneyError> {
        let Some((_, statement)) = self.statement else { return Ok(None) };
        let mut left = statement.minus(self.ledger)?;
        for amount in self.items.iter().filter_map(|item| item.amount) {
            left = left.minus(amount)?;
        }
        Ok(Some(left))
    }

    fn rows(&self) -> Result<Vec<ReconciledRow>, MoneyError> {
        let row = |on, what: &str, amount| ReconciledRow {
            bank: self.bank.clone(),
            on,
            what: what.to_owned(),
            about: String::new(),
            amount,
        };
        let mut rows = vec![row(None, &self.name, None)];
        match self.statement {
            Some((on, balance)) => rows.push(row(Some(on), "Balance per statement", Some(balance))),
            None => rows.push(row(None, "No statement is on record", None)),
        }
        let items = self.items.iter().cloned();
        rows.extend(
            items.map(|item| ReconciledRow { amount: item.amount.map(Money::negated), ..item }),
        );
        if let Some(left) = self.not_named()?.filter(|left| !left.is_zero()) {
            rows.push(row(None, "Further items, not listed", Some(left.negated())));
        }
        rows.push(row(None, "Balance per ledger", Some(self.ledger)));
        if !self.not_explained.is_empty() {
            rows.push(row(None, "Of that not explained by that day:", None));
            rows.extend(self.not_explained.iter().cloned());
        }
        Ok(rows)
    }
}

impl Reconciliation {
    /// Every line of it, from top to bottom.
    ///
    /// # Errors
    /// [`MoneyError`] if a sum is too large.
    pub fn rows(&self) -> Result<Vec<ReconciledRow>, MoneyError> {
        let mut rows = Vec::new();
        for bank in &self.banks {
            rows.extend(bank.rows()?);
        }
        let row = |on, what: &str, amount| ReconciledRow {
            bank: String::new(),
            on,
            what: what.to_owned(),
            about: String::new(),
            amount,
        };
        rows.push(row(None, "On its way through the card processor", None));
        rows.extend(self.in_transit.iter().cloned());
        let clearing = "Card processor clearing per ledger";
        rows.push(row(Some(self.through), clearing, Some(self.clearing)));
        Ok(rows)
    }

    /// What its page says.
    ///
    /// # Errors
    /// As of [`Reconciliation::rows`].
    pub fn sheet(&self) -> Result<Sheet, MoneyError> {
        let title = format!("Reconciliation of bank accounts on {}", self.through);
        let text = |text: Option<String>| text.map_or_else(Cell::default, Cell::line);
        let rows = self.rows()?.into_iter().map(|row| {
            vec![
                text(row.on.map(|day| day.to_string())),
                Cell::line(row.what),
                text(Some(row.about).filter(|about| !about.is_empty())),
                text(row.amount.map(|amount| amount.to_string())),
            ]
        });
        let mut ledger = Money::zero(self.currency);
        for bank in &self.banks {
            ledger = ledger.plus(bank.ledger)?;
        }
        Ok(Sheet {
            lead: title.clone(),
            title,
            firm: self.firm.clone(),
            to: Vec::new(),
            columns: vec![
                Column::text("Day", 13),
                Column::text("What", 43),
                Column::text("Line or movement", 26),
                Column::amounts("Amount", 18),
            ],
            rows: rows.collect(),
            sums: vec![("All accounts at banks per ledger", ledger)],
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

    fn item(kind: &str, minor: i64) -> ReconciledRow {
        ReconciledRow {
            bank: "operating".into(),
            on: Some(day("2026-03-30")),
            what: item_words(kind),
            about: "line".into(),
            amount: Some(usd(minor)),
        }
    }

    #[test]
    fn the_page_leads_from_the_statement_to_the_ledger() {
        let bank = ReconciledBank {
            bank: "operating".into(),
            name: "Operating account".into(),
            statement: Some((day("2026-03-31"), usd(61_348))),
            ledger: usd(60_348),
            items: vec![item("counts_later", 1_000)],
            not_explained: Vec::new(),
        };
        let of = Reconciliation {
            firm: "Example Credit Repair".into(),
            through: day("2026-03-31"),
            currency: Currency::USD,
            banks: vec![bank.clone()],
            in_transit: Vec::new(),
            clearing: usd(0),
        };
        let amounts: Vec<_> = of.rows().unwrap().iter().filter_map(|row| row.amount).collect();
        assert_eq!(amounts, [usd(61_348), usd(-1_000), usd(60_348), usd(0)]);
        let page = of.sheet().unwrap().to_html();
        for said in ["Balance per statement", "counts in the ledger for a later day", "603.48"] {
            assert!(page.contains(said), "{said}: {page}");
        }
        assert!(!page.contains("not listed"), "{page}");
        // An item that is not listed is not passed over.
        let fewer = ReconciledBank { items: Vec::new(), ..bank };
        assert_eq!(fewer.not_named(), Ok(Some(usd(1_000))));
        let page = Reconciliation { banks: vec![fewer], ..of }.sheet().unwrap().to_html();
        assert!(page.contains("Further items, not listed"), "{page}");
    }
}
