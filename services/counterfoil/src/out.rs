//! Where answers go: pages for people, or one JSON document or line per message.

use std::borrow::Cow;
use std::fmt::{Display, Write as _};
use std::io::{self, IsTerminal, Write};

use anyhow::Context;
use api::v1;
use prost::Message;
use serde_json::Value;

use domain::text::{is_hidden, shown};

use crate::table::{Table, wrap};

/// The width of a page that no terminal shows.
const PAGE_WIDTH: usize = 120;
/// The narrowest page that is laid out; a narrower terminal wraps by itself.
const PAGE_WIDTH_MIN: usize = 60;
/// Package of every message.
const PACKAGE: &str = "counterfoil.v1";

/// The way out.
pub(crate) struct Out {
    to: Box<dyn Write>,
    json: bool,
    quiet: bool,
    width: usize,
}

impl Out {
    /// Standard output.
    pub(crate) fn new(json: bool, quiet: bool) -> Self {
        let columns =
            console::Term::stdout().size_checked().map(|(_, columns)| usize::from(columns));
        let width = columns.unwrap_or(PAGE_WIDTH).max(PAGE_WIDTH_MIN);
        Self { to: Box::new(io::BufWriter::new(io::stdout())), json, quiet, width }
    }

    /// Whether JSON is asked for.
    pub(crate) fn is_json(&self) -> bool {
        self.json
    }

    /// Whether a progress bar would be seen and is wanted.
    pub(crate) fn shows_progress(&self) -> bool {
        !self.json && !self.quiet && io::stderr().is_terminal()
    }

    /// One line.
    pub(crate) fn line(&mut self, text: impl Display) -> io::Result<()> {
        writeln!(self.to, "{}", shown(&text.to_string()))
    }

    /// An empty line and a heading.
    pub(crate) fn heading(&mut self, text: impl Display) -> io::Result<()> {
        writeln!(self.to)?;
        self.line(text)
    }

    /// A text, wrapped and indented.
    pub(crate) fn text(&mut self, indent: usize, text: &str) -> io::Result<()> {
        for line in wrap(&shown(text), self.width.saturating_sub(indent)) {
            writeln!(self.to, "{}{line}", " ".repeat(indent))?;
        }
        Ok(())
    }

    /// A name and its value, if there is one.
    pub(crate) fn field(&mut self, name: &str, value: impl Display) -> io::Result<()> {
        let value = value.to_string();
        if value.is_empty() {
            return Ok(());
        }
        let mut lines = wrap(&shown(&value), self.width.saturating_sub(18)).into_iter();
        writeln!(self.to, "  {name:<14}  {}", lines.next().unwrap_or_default())?;
        lines.try_for_each(|line| writeln!(self.to, "  {:<14}  {line}", ""))
    }

    /// A table, or what to say if it has no row.
    pub(crate) fn table(&mut self, table: &Table, if_empty: &str) -> io::Result<()> {
        if table.is_empty() {
            return self.line(if_empty);
        }
        table.lines(self.width).iter().try_for_each(|line| writeln!(self.to, "{line}"))
    }

    /// A headed table; nothing at all if it has no row.
    pub(crate) fn section(&mut self, heading: &str, table: &Table) -> io::Result<()> {
        if table.is_empty() {
            return Ok(());
        }
        self.heading(heading)?;
        self.table(table, "")
    }

    /// That a review of fees is due, where the service says so: no answer that shows money leaves it out.
    pub(crate) fn review(&mut self, said: &str) -> io::Result<()> {
        if said.is_empty() { Ok(()) } else { self.text(0, said) }
    }

    /// A remark beside the answer; not with `--quiet`, and never in the way of JSON.
    pub(crate) fn note(&mut self, text: impl Display) -> io::Result<()> {
        if self.quiet || self.json {
            return Ok(());
        }
        self.line(text)
    }

    /// The answer to a change: JSON, or what was done and what it left behind.
    pub(crate) fn change<M: Message>(
        &mut self,
        answer: &M,
        name: &str,
        done: &str,
        receipt: Option<&v1::Receipt>,
    ) -> anyhow::Result<()> {
        if self.json {
            return self.message(answer, name);
        }
        Ok(self.receipt(done, receipt)?)
    }

    /// What a change left behind.
    pub(crate) fn receipt(&mut self, done: &str, receipt: Option<&v1::Receipt>) -> io::Result<()> {
        self.line(done)?;
        let Some(receipt) = receipt else { return Ok(()) };
        let position = receipt.position;
        if receipt.replayed {
            self.note(format!("It had been recorded before, up to position {position}."))
        } else {
            self.note(format!("Recorded up to position {position}."))
        }
    }

    /// A message of the contract as one JSON document on one line.
    pub(crate) fn message<M: Message>(&mut self, message: &M, name: &str) -> anyhow::Result<()> {
        let value = api::json::to_json(message, &format!("{PACKAGE}.{name}"))
            .context("the answer has no JSON form")?;
        self.value(&value)
    }

    /// Any JSON on one line.
    pub(crate) fn value(&mut self, value: &Value) -> anyhow::Result<()> {
        writeln!(self.to, "{}", plain_json(&value.to_string()))?;
        Ok(())
    }

    /// Bytes as they are: a script of ours, never recorded text.
    pub(crate) fn raw(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.to.write_all(bytes)
    }

    /// Hands over what was written so far: a stream is read while it goes on.
    pub(crate) fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// JSON that means the same and drives no terminal: what would is only ever inside its strings, where
/// every character may be written as an escape (RFC 8259 section 7).
fn plain_json(text: &str) -> Cow<'_, str> {
    let drives = |c: char| c.is_control() || is_hidden(c);
    if !text.contains(drives) {
        return text.into();
    }
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if drives(c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                let _ = write!(out, "\\u{unit:04x}");
            }
        } else {
            out.push(c);
        }
    }
    out.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_drives_no_terminal_and_means_the_same() {
        let value = serde_json::json!({ "name": "a\u{9b}2J \u{202e}b\u{e0041}\n" });
        let text = value.to_string();
        let plain = plain_json(&text);
        assert!(plain.is_ascii(), "{plain}");
        assert_eq!(serde_json::from_str::<Value>(&plain).unwrap(), value);
    }
}
