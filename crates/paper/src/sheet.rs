//! A page: who it is for, a table, sums, and what must not be left out.
//!
//! The same sheet is written as HTML, for a screen, and as PDF, for an archive or an envelope.
//!
//! Every page for a client carries the cautions a firm must not leave out: the right to dispute for free (15 USC
//! 1679c(a), 1681i), the right to cancel (15 USC 1679e), that nothing was asked for before it was done
//! (15 USC 1679b(b)), and that no result is promised (15 USC 1679b(a)(3)). They are reminders in our
//! words, no statutory notices; the firm's counsel decides the wording.

use std::fmt::Write as _;

use chrono::NaiveDate;
use domain::money::Money;
use domain::text::shown;

/// What a page says, however it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// What it is, in a few words.
    pub title: String,
    /// Whose letterhead.
    pub firm: String,
    /// What it is and its days, in a line.
    pub lead: String,
    /// To whom: names and addresses, a line each.
    pub to: Vec<String>,
    /// The columns of its table.
    pub columns: Vec<Column>,
    /// Its rows, a cell for each column.
    pub rows: Vec<Vec<Cell>>,
    /// Named amounts below the table.
    pub sums: Vec<(&'static str, Money)>,
    /// What is said of the whole page, above that.
    pub remark: Option<String>,
    /// What every reader has to be told, below everything else.
    pub cautions: &'static [&'static str],
    /// The day it speaks of, which the file gives as the day it was made: the same sheet has the same
    /// bytes whenever it is written.
    pub made_on: NaiveDate,
}

/// A column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its head.
    pub name: &'static str,
    /// Its part of the width, in hundredths; those of a sheet add up to 100.
    pub width: u8,
    /// Whether it holds amounts, which stand at the right.
    pub amounts: bool,
}

/// A cell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Cell {
    /// Lines of text.
    pub lines: Vec<String>,
    /// Points of a list below them.
    pub points: Vec<String>,
}

impl Column {
    /// A column of text.
    pub const fn text(name: &'static str, width: u8) -> Self {
        Self { name, width, amounts: false }
    }

    /// A column of amounts.
    pub const fn amounts(name: &'static str, width: u8) -> Self {
        Self { name, width, amounts: true }
    }
}

impl Cell {
    /// A cell with one line.
    pub fn line(text: impl Into<String>) -> Self {
        Self { lines: vec![text.into()], points: Vec::new() }
    }
}

/// What every page for a client says of the client's rights.
pub const CAUTIONS: &[&str] = &[
    "You owe nothing for work that was not finished (15 USC 1679b(b)).",
    "You may dispute entries of your credit reports yourself, for free, with each consumer reporting \
     agency (15 USC 1681i).",
    "Your agreement says how you may cancel; within its cancellation days you owe nothing \
     (15 USC 1679e).",
    "Entries that are accurate and not too old cannot be made to go away, whoever promises it.",
    "State law may give you further rights. This is not legal advice.",
];

const STYLE: &str = "body{font:11pt/1.45 Georgia,serif;color:#1b1b1b;max-width:44em;margin:2.5em auto;\
padding:0 1.5em}h1{font-size:1.5em;margin:0 0 .2em}table{border-collapse:collapse;width:100%;margin:1em 0}\
th,td{text-align:left;vertical-align:top;padding:.35em .8em .35em 0;border-bottom:1px solid #bbb}\
td.n,th.n{text-align:right;white-space:nowrap;padding-right:0}tr.sum td{border-bottom:0}\
ul{margin:.2em 0 .2em 1.1em;padding:0}address{font-style:normal;margin:1em 0}\
footer{font-size:.86em;color:#444;margin-top:2em;border-top:1px solid #bbb;padding-top:.6em}\
@media print{body{margin:0;max-width:none}}";

impl Sheet {
    /// The page as HTML: self-contained, no script, nothing loaded from elsewhere.
    pub fn to_html(&self) -> String {
        let mut page = String::with_capacity(8 << 10);
        let to: Vec<String> = self.to.iter().map(|line| escaped(line)).collect();
        let _ = write!(
            page,
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
             <title>{}</title><style>{STYLE}</style></head><body>\n\
             <h1>{}</h1>\n<p>{}</p>\n<address>{}</address>\n<table><thead><tr>",
            escaped(&self.title),
            escaped(&self.firm),
            escaped(&self.lead),
            to.join("<br>"),
        );
        for column in &self.columns {
            let _ = write!(page, "<th{}>{}</th>", column.class(), escaped(column.name));
        }
        page.push_str("</tr></thead><tbody>\n");
        for row in &self.rows {
            page.push_str("<tr>");
            for (column, cell) in self.columns.iter().zip(row) {
                let _ = write!(page, "<td{}>{}</td>", column.class(), cell.html());
            }
            page.push_str("</tr>\n");
        }
        let before = self.columns.len().saturating_sub(1);
        for (name, amount) in &self.sums {
            let _ = writeln!(
                page,
                "<tr class=\"sum\"><td class=\"n\" colspan=\"{before}\">{name}</td>\
                 <td class=\"n\">{amount}</td></tr>"
            );
        }
        page.push_str("</tbody></table>\n");
        if let Some(remark) = &self.remark {
            let _ = writeln!(page, "<p>{}</p>", escaped(remark));
        }
        page.push_str("<footer>");
        for caution in self.cautions {
            let _ = writeln!(page, "<p>{}</p>", escaped(caution));
        }
        page.push_str("</footer></body></html>\n");
        page
    }
}

impl Column {
    fn class(self) -> &'static str {
        if self.amounts { " class=\"n\"" } else { "" }
    }
}

impl Cell {
    fn html(&self) -> String {
        let lines: Vec<String> = self.lines.iter().map(|line| escaped(line)).collect();
        let mut html = lines.join("<br>");
        if !self.points.is_empty() {
            html.push_str("<ul>");
            for point in &self.points {
                let _ = write!(html, "<li>{}</li>", escaped(point));
            }
            html.push_str("</ul>");
        }
        html
    }
}

/// Text that cannot become markup, and hides nothing.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in shown(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}
