//! An invoice as a page that a client understands.

use chrono::NaiveDate;
use domain::money::{Money, MoneyError};

use crate::account::KEPT;
use crate::sheet::{CAUTIONS, Cell, Column, Sheet};

/// What was done for a fee.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The work, in words.
    pub work: String,
    /// The day it was done.
    pub on: NaiveDate,
}

/// One earned fee.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BillLine {
    /// Whose: the client, or one of a couple.
    pub client: String,
    /// First day of the period.
    pub from: NaiveDate,
    /// Its last day.
    pub through: NaiveDate,
    /// The completed work that evidences it.
    pub done: Vec<Done>,
    /// The fee.
    pub fee: Money,
}

/// An invoice as it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bill {
    /// The firm.
    pub firm: String,
    /// Its number.
    pub number: u64,
    /// To whom: names and addresses, a line each.
    pub to: Vec<String>,
    /// The day it was issued.
    pub issued_on: NaiveDate,
    /// The day it is due.
    pub due_on: NaiveDate,
    /// Earned fees.
    pub lines: Vec<BillLine>,
    /// The sum of the lines.
    pub total: Money,
    /// Paid, less what went back.
    pub paid: Money,
    /// Lowered by.
    pub credited: Money,
    /// Given up.
    pub written_off: Money,
    /// What is open.
    pub open: Money,
    /// What of that is of fees that are not allowed, and is not asked for.
    pub not_asked: Money,
    /// What is open of fees that may stand, and is not asked for until every gate holds.
    pub held: Money,
    /// What was collected for fees that are not allowed, and did not go back.
    pub owed: Money,
    /// What was collected for such fees, and is kept by counsel's reason.
    pub kept: Money,
    /// What the processor was asked to give back, without an answer yet.
    pub asked_back: Money,
}

impl Bill {
    /// What its page says.
    ///
    /// # Errors
    /// [`MoneyError`] if more is not asked for than can be.
    pub fn sheet(&self) -> Result<Sheet, MoneyError> {
        let title = format!("Invoice {}", self.number);
        let sums = [
            ("Total", self.total),
            ("Paid", self.paid.negated()),
            ("Credited", self.credited.negated()),
            ("Given up", self.written_off.negated()),
            ("Not allowed, and not asked for", self.not_asked.negated()),
            ("Not asked for until it is shown that it may be", self.held.negated()),
            ("Open", self.open.minus(self.not_asked)?.minus(self.held)?),
            ("Owed to you", self.owed),
            (KEPT, self.kept),
            ("Asked of the processor for you, and not given back yet", self.asked_back),
        ];
        let said =
            |(name, amount): &(&str, Money)| !amount.is_zero() || matches!(*name, "Total" | "Open");
        Ok(Sheet {
            lead: format!("{title}, issued {}, due {}", self.issued_on, self.due_on),
            title,
            firm: self.firm.clone(),
            to: self.to.clone(),
            columns: vec![
                Column::text("For", 34),
                Column::text("Work finished", 46),
                Column::amounts("Fee", 20),
            ],
            rows: self.lines.iter().map(BillLine::row).collect(),
            sums: sums.into_iter().filter(said).collect(),
            remark: None,
            cautions: CAUTIONS,
            made_on: self.issued_on,
        })
    }
}

impl BillLine {
    fn row(&self) -> Vec<Cell> {
        let period = format!("{} to {}", self.from, self.through);
        vec![
            Cell { lines: vec![self.client.clone(), period], points: Vec::new() },
            Cell { lines: Vec::new(), points: self.done.iter().map(Done::said).collect() },
            Cell::line(self.fee.to_string()),
        ]
    }
}

impl Done {
    fn said(&self) -> String {
        format!("{}, {}", self.work, self.on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pdf::Unprintable;
    use domain::money::Currency;

    fn usd(minor: i64) -> Money {
        Money::new(minor, Currency::USD).unwrap()
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn bill() -> Bill {
        let line = |client: &str| BillLine {
            client: client.into(),
            from: day("2026-03-01"),
            through: day("2026-03-31"),
            done: vec![Done { work: "dispute round".into(), on: day("2026-03-09") }],
            fee: usd(7_450),
        };
        Bill {
            firm: "Plum & Partners <Credit>".into(),
            number: 7,
            to: vec!["Ada Lark".into(), "12 Alder Row".into()],
            issued_on: day("2026-04-01"),
            due_on: day("2026-04-15"),
            lines: vec![line("Ada Lark"), line("Ben \"B\" Lark")],
            total: usd(14_900),
            paid: usd(10_000),
            credited: usd(0),
            written_off: usd(0),
            open: usd(4_900),
            not_asked: usd(0),
            held: usd(0),
            owed: usd(0),
            kept: usd(0),
            asked_back: usd(0),
        }
    }

    #[test]
    fn both_members_their_work_and_the_cautions_are_on_it() {
        let page = bill().sheet().unwrap().to_html();
        for part in [
            "Plum &amp; Partners &lt;Credit&gt;",
            "Invoice 7, issued 2026-04-01, due 2026-04-15",
            "Ben &quot;B&quot; Lark<br>2026-03-01 to 2026-03-31",
            "<li>dispute round, 2026-03-09</li>",
            "USD 149.00",
            "USD -100.00",
            "USD 49.00",
            "15 USC 1679b(b)",
            "15 USC 1681i",
            "15 USC 1679e",
            "cannot be made to go away",
        ] {
            assert!(page.contains(part), "{part}: {page}");
        }
        assert!(!page.contains("Credited") && !page.contains("<script"));
    }

    #[test]
    fn what_is_not_asked_for_is_said_and_is_not_open() {
        let page = |not_asked, held| Bill { not_asked, held, ..bill() }.sheet().unwrap();
        let open = |sheet: &Sheet| sheet.sums.iter().find(|(name, _)| *name == "Open").unwrap().1;
        let names = |sheet: &Sheet| sheet.sums.iter().map(|(name, _)| *name).collect::<Vec<_>>();
        let held = "Not asked for until it is shown that it may be";
        let plain = page(usd(0), usd(0));
        assert_eq!((open(&plain), names(&plain).contains(&held)), (usd(4_900), false));
        let both = page(usd(1_000), usd(3_900));
        assert_eq!((open(&both), names(&both).contains(&held)), (usd(0), true));
    }

    #[test]
    fn what_is_kept_by_counsels_reason_is_said() {
        let page = |kept| Bill { kept, ..bill() }.sheet().unwrap().to_html();
        let said = "Not allowed, and kept by counsel's reason";
        assert!(!page(usd(0)).contains(said));
        let page = page(usd(8_900));
        assert!(page.contains(said) && page.contains("USD 89.00"), "{page}");
    }

    #[test]
    fn a_printed_page_always_has_the_same_bytes_and_names_what_it_cannot_set() {
        let mut bill = bill();
        bill.to = vec!["Zo\u{eb} \u{141}uk\u{e1}\u{161} \u{391}\u{3bb}\u{3c6}\u{3b1}".into()];
        let pdf = bill.sheet().unwrap().to_pdf().unwrap();
        assert!(pdf.starts_with(b"%PDF-1.7"));
        assert_eq!(pdf, bill.sheet().unwrap().to_pdf().unwrap());
        for (name, c) in [("\u{674e}", '\u{674e}'), ("Ada \u{5d0}", '\u{5d0}')] {
            bill.to = vec![name.into()];
            let error = bill.sheet().unwrap().to_pdf().unwrap_err();
            assert!(matches!(error, Unprintable::Character(found) if found == c), "{error}");
        }
    }
}
