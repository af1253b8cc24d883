//! An invoice as a page that a client understands.
//!
//! Self-contained HTML for a screen or a printer: no script, nothing loaded from elsewhere. Every page
//! carries the cautions a firm must not leave out: the right to dispute for free (15 USC 1679c(a),
//! 1681i), the right to cancel (15 USC 1679e), that nothing was asked for before it was done (15 USC
//! 1679b(b)), and that no result is promised (15 USC 1679b(a)(3)). They are reminders in our words, no
//! statutory notices; the firm's counsel decides the wording.

use std::fmt::Write as _;

use chrono::NaiveDate;
use domain::money::Money;

/// What was done for a fee.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// The work, in words.
    pub work: String,
    /// The day it was done.
    pub on: Option<NaiveDate>,
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
}

const STYLE: &str = "body{font:11pt/1.45 Georgia,serif;color:#1b1b1b;max-width:44em;margin:2.5em auto;\
padding:0 1.5em}h1{font-size:1.5em;margin:0 0 .2em}table{border-collapse:collapse;width:100%;margin:1em 0}\
th,td{text-align:left;vertical-align:top;padding:.35em .8em .35em 0;border-bottom:1px solid #bbb}\
td.n,th.n{text-align:right;white-space:nowrap;padding-right:0}tr.sum td{border-bottom:0}\
ul{margin:.2em 0 .2em 1.1em;padding:0}address{font-style:normal;margin:1em 0}\
footer{font-size:.86em;color:#444;margin-top:2em;border-top:1px solid #bbb;padding-top:.6em}\
@media print{body{margin:0;max-width:none}}";

/// What every bill says of the client's rights.
pub const CAUTIONS: [&str; 5] = [
    "This invoice asks only for work that was finished. You owe nothing for work that was not \
     (15 USC 1679b(b)).",
    "You may dispute entries of your credit reports yourself, for free, with each consumer reporting \
     agency (15 USC 1681i).",
    "Your agreement says how you may cancel; within its cancellation days you owe nothing \
     (15 USC 1679e).",
    "No result was promised, and none is by this invoice: entries that are accurate and not too old \
     cannot be made to go away.",
    "State law may give you further rights. This is not legal advice.",
];

impl Bill {
    /// The page.
    pub fn to_html(&self) -> String {
        let mut page = String::with_capacity(8 << 10);
        let _ = write!(
            page,
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
             <title>Invoice {number}</title><style>{STYLE}</style></head><body>\n\
             <h1>{firm}</h1>\n<p>Invoice {number}, issued {issued}, due {due}</p>\n<address>{to}</address>\n",
            number = self.number,
            firm = escaped(&self.firm),
            issued = self.issued_on,
            due = self.due_on,
            to = self.to.iter().map(|line| escaped(line)).collect::<Vec<_>>().join("<br>"),
        );
        page.push_str(
            "<table><thead><tr><th>For</th><th>Work finished</th><th class=\"n\">Fee</th></tr></thead><tbody>\n",
        );
        for line in &self.lines {
            let done: Vec<String> = line.done.iter().map(Done::item).collect();
            let _ = writeln!(
                page,
                "<tr><td>{}<br>{} to {}</td><td><ul>{}</ul></td><td class=\"n\">{}</td></tr>",
                escaped(&line.client),
                line.from,
                line.through,
                done.concat(),
                line.fee
            );
        }
        for (name, amount) in [
            ("Total", self.total),
            ("Paid", self.paid.negated()),
            ("Credited", self.credited.negated()),
            ("Given up", self.written_off.negated()),
            ("Open", self.open),
        ] {
            if !amount.is_zero() || matches!(name, "Total" | "Open") {
                let _ = writeln!(
                    page,
                    "<tr class=\"sum\"><td></td><td class=\"n\">{name}</td><td class=\"n\">{amount}</td></tr>"
                );
            }
        }
        page.push_str("</tbody></table>\n<footer>");
        for caution in CAUTIONS {
            let _ = writeln!(page, "<p>{}</p>", escaped(caution));
        }
        page.push_str("</footer></body></html>\n");
        page
    }
}

impl Done {
    fn item(&self) -> String {
        let on = self.on.map(|day| format!(", {day}")).unwrap_or_default();
        format!("<li>{}{on}</li>", escaped(&self.work))
    }
}

/// Text that cannot become markup.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
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
            done: vec![Done { work: "dispute round".into(), on: Some(day("2026-03-09")) }],
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
        }
    }

    #[test]
    fn both_members_their_work_and_the_cautions_are_on_it() {
        let page = bill().to_html();
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
            "No result was promised",
        ] {
            assert!(page.contains(part), "{part}: {page}");
        }
        assert!(!page.contains("Credited") && !page.contains("<script"));
    }
}
