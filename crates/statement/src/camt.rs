//! Bank statements in XML: ISO 20022 `camt.053` (`BankToCustomerStatement`), versions 02 to 08.
//!
//! Element names and order are those of the published schemas (camt.053.001.02 and .12; ISO 20022).
//! What is read of a statement: its days and balances. Of an entry: amount and direction, status, booking and
//! value day, references, and the reason of a return. What is not: names, addresses and free text.
//!
//! A file is hostile until it was read: document types are refused, so that no entity can expand, and
//! size, depth, text and the number of entries have limits.

use chrono::NaiveDate;
use domain::money::MINOR_MAX;
use quick_xml::NsReader;
use quick_xml::events::{BytesStart, Event};
use quick_xml::name::ResolveResult;

use crate::amount::{digits_of, minor};
use crate::line::{Fault, Hasher, Line, Statement};
use crate::{FILE_BYTES_MAX, LINES_MAX, REFERENCES_MAX};

/// The namespace without its version.
const NAMESPACE: &str = "urn:iso:std:iso:20022:tech:xsd:camt.053.001.";
/// The versions that are read.
const VERSIONS: [&str; 7] = ["02", "03", "04", "05", "06", "07", "08"];
/// Deepest nesting; the schemas stay below 20.
const DEPTH_MAX: usize = 40;
/// Longest text of one element; the longest of the schemas is 500 characters.
const TEXT_BYTES_MAX: usize = 4_096;

/// Reads a file with one statement or more.
///
/// # Errors
/// [`Fault`] names the entry, the element and the rule; nothing of the file is taken then.
pub fn read(bytes: &[u8]) -> Result<Vec<Statement>, Fault> {
    if bytes.len() > FILE_BYTES_MAX {
        return Err(Fault::of_file(format!("must be at most {} MiB", FILE_BYTES_MAX >> 20)));
    }
    let text = decode(bytes)?;
    only_characters(&text).map_err(Fault::of_file)?;
    let mut reader = NsReader::from_str(&text);
    reader.config_mut().expand_empty_elements = true;
    let mut walk = Walk::default();
    loop {
        let fault = |walk: &Walk, rule: String| walk.fault(rule);
        match reader.read_resolved_event() {
            Ok((namespace, Event::Start(start))) => walk.start(&namespace, &start)?,
            Ok((_, Event::End(_))) => walk.end()?,
            Ok((_, Event::Text(text))) => walk.text(&text)?,
            Ok((_, Event::CData(data))) => walk.text(&data)?,
            Ok((_, Event::GeneralRef(reference))) => {
                let known = quick_xml::escape::resolve_predefined_entity(&reference);
                let known = known.map(str::to_owned);
                let number = reference.resolve_char_ref().ok().flatten().map(String::from);
                let rule = "must have no entity but the five of XML";
                let text = known.or(number).ok_or_else(|| fault(&walk, rule.into()))?;
                only_characters(&text).map_err(|rule| fault(&walk, rule))?;
                walk.text(&text)?;
            }
            Ok((_, Event::DocType(_))) => {
                return Err(Fault::of_file("must have no document type: entities are not read"));
            }
            Ok((_, Event::Eof)) => return walk.finish(),
            Ok((_, Event::Empty(_) | Event::Comment(_) | Event::Decl(_) | Event::PI(_))) => {}
            Err(error) => return Err(fault(&walk, format!("is not well-formed XML: {error}"))),
        }
    }
}

/// Refuses what is no character of XML (XML 1.0 section 2.2, `Char`), such as NUL.
fn only_characters(text: &str) -> Result<(), String> {
    let is_none = |c: &char| matches!(c, '\0'..='\u{8}' | '\u{b}' | '\u{c}' | '\u{e}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}');
    match text.chars().find(is_none) {
        None => Ok(()),
        Some(c) => Err(format!("holds U+{:04X}, which is no character of XML", u32::from(c))),
    }
}

/// The text of a file, by its byte order mark or by what it declares.
fn decode(bytes: &[u8]) -> Result<String, Fault> {
    let refused = |rule: &str| Err(Fault::of_file(rule));
    let (encoding, rest) = match encoding_rs::Encoding::for_bom(bytes) {
        Some((encoding, length)) => (encoding, &bytes[length..]),
        None => match declared(bytes) {
            None => (encoding_rs::UTF_8, bytes),
            Some(name) => match encoding_rs::Encoding::for_label(name) {
                // Two bytes a character without a mark: the declaration could not have been read.
                Some(encoding) if encoding.is_ascii_compatible() => (encoding, bytes),
                Some(_) => return refused("must begin with a byte order mark in this encoding"),
                None => return refused("is in an encoding that is not known"),
            },
        },
    };
    let Some(text) = encoding.decode_without_bom_handling_and_without_replacement(rest) else {
        return refused(&format!("is not in the encoding it says: {}", encoding.name()));
    };
    Ok(text.into_owned())
}

/// The encoding of an XML declaration in the first bytes.
fn declared(bytes: &[u8]) -> Option<&[u8]> {
    let head = &bytes[..bytes.len().min(256)];
    let head = head.strip_prefix(b"<?xml")?;
    let end = head.windows(2).position(|two| two == b"?>")?;
    let head = &head[..end];
    let at = head.windows(8).position(|word| word == b"encoding")?;
    let rest = head[at + 8..].trim_ascii_start().strip_prefix(b"=")?.trim_ascii_start();
    let quote = *rest.first()?;
    let rest = &rest[1..];
    let end = rest.iter().position(|byte| *byte == quote)?;
    Some(&rest[..end])
}

/// An entry in the making.
#[derive(Default)]
struct Entry {
    amount: Option<i64>,
    currency: String,
    is_credit: Option<bool>,
    status: String,
    booked_on: Option<NaiveDate>,
    value_on: Option<NaiveDate>,
    references: Vec<String>,
    return_reason: Option<String>,
}

/// A balance in the making.
#[derive(Default)]
struct Balance {
    code: String,
    amount: Option<i64>,
    is_credit: Option<bool>,
    on: Option<NaiveDate>,
}

/// A statement in the making.
#[derive(Default)]
struct Draft {
    account: String,
    currency: String,
    opening: Option<i64>,
    closing: Option<i64>,
    /// The days that it says it is of.
    period: (Option<NaiveDate>, Option<NaiveDate>),
    /// The first day, by the opening balance.
    opens_on: Option<NaiveDate>,
    /// The last day, by the closing balance.
    closes_on: Option<NaiveDate>,
    lines: Vec<Line>,
    pending: usize,
}

#[derive(Default)]
struct Walk {
    /// Local names from the root on; an element of another namespace is empty here.
    path: Vec<String>,
    text: String,
    currency: String,
    entry: Option<Entry>,
    balance: Option<Balance>,
    draft: Option<Draft>,
    hasher: Hasher,
    entries: u64,
    statements: Vec<Statement>,
    namespace: Option<String>,
}

impl Walk {
    fn fault(&self, rule: impl Into<String>) -> Fault {
        let at = self.entry.is_some().then_some(self.entries);
        Fault { at, place: self.path.join("/"), rule: rule.into() }
    }

    fn start(
        &mut self,
        namespace: &ResolveResult<'_>,
        start: &BytesStart<'_>,
    ) -> Result<(), Fault> {
        if self.path.len() >= DEPTH_MAX {
            return Err(self.fault(format!("must not be nested deeper than {DEPTH_MAX}")));
        }
        let found = match namespace {
            ResolveResult::Bound(namespace) => namespace.0.to_owned(),
            ResolveResult::Unbound => String::new(),
            ResolveResult::Unknown(_) => {
                return Err(self.fault("must declare the prefix of its namespace"));
            }
        };
        let name = start.local_name().as_ref().to_owned();
        match &self.namespace {
            None => {
                let version = found.strip_prefix(NAMESPACE).unwrap_or_default();
                if name != "Document" || !VERSIONS.contains(&version) {
                    return Err(self.fault(format!(
                        "must be a Document of {NAMESPACE}02 to 08, not {name} of {found:?}"
                    )));
                }
                self.namespace = Some(found);
                self.path.push(name);
            }
            Some(own) => {
                let own = *own == found;
                self.path.push(if own { name } else { String::new() });
            }
        }
        self.text.clear();
        self.currency.clear();
        for attribute in start.attributes() {
            let attribute = attribute.map_err(|e| self.fault(format!("is not XML: {e}")))?;
            if attribute.key.as_ref() == "Ccy" {
                self.currency = attribute.value.into_owned();
            }
        }
        match self.below_statement().as_deref() {
            Some([]) => self.draft = Some(Draft::default()),
            Some(["Ntry"]) => {
                self.entries += 1;
                self.entry = Some(Entry::default());
            }
            Some(["Bal"]) => self.balance = Some(Balance::default()),
            _ => {}
        }
        Ok(())
    }

    /// The path below `Document/BkToCstmrStmt/Stmt`.
    fn below_statement(&self) -> Option<Vec<&str>> {
        let names: Vec<&str> = self.path.iter().map(String::as_str).collect();
        match names.as_slice() {
            ["Document", "BkToCstmrStmt", "Stmt", rest @ ..] => Some(rest.to_vec()),
            _ => None,
        }
    }

    fn text(&mut self, text: &str) -> Result<(), Fault> {
        if self.text.len() + text.len() > TEXT_BYTES_MAX {
            return Err(self.fault(format!("must be at most {TEXT_BYTES_MAX} bytes of text")));
        }
        self.text.push_str(text);
        Ok(())
    }

    fn end(&mut self) -> Result<(), Fault> {
        let path: Option<Vec<String>> =
            self.below_statement().map(|names| names.into_iter().map(ToOwned::to_owned).collect());
        if let Some(path) = path {
            let names: Vec<&str> = path.iter().map(String::as_str).collect();
            self.leaf(&names)?;
        }
        self.text.clear();
        self.path.pop();
        Ok(())
    }

    fn leaf(&mut self, path: &[&str]) -> Result<(), Fault> {
        match path {
            [] => self.end_statement(),
            ["Acct", "Id", "IBAN"] | ["Acct", "Id", "Othr", "Id"] => {
                let account = self.words()?;
                self.draft_mut()?.account = account;
                Ok(())
            }
            ["Acct", "Ccy"] => {
                let currency = self.words()?;
                self.draft_mut()?.currency = currency;
                Ok(())
            }
            ["FrToDt", "FrDtTm" | "FrDt"] => {
                let day = self.day()?;
                self.draft_mut()?.period.0 = Some(day);
                Ok(())
            }
            ["FrToDt", "ToDtTm" | "ToDt"] => {
                let day = self.day()?;
                self.draft_mut()?.period.1 = Some(day);
                Ok(())
            }
            ["Ntry"] => self.end_entry(),
            ["Ntry", rest @ ..] => self.entry_leaf(rest),
            ["Bal"] => self.end_balance(),
            ["Bal", rest @ ..] => self.balance_leaf(rest),
            _ => Ok(()),
        }
    }

    fn words(&self) -> Result<String, Fault> {
        let text = self.text.trim();
        if text.is_empty() { Err(self.fault("must not be empty")) } else { Ok(text.to_owned()) }
    }

    fn draft_mut(&mut self) -> Result<&mut Draft, Fault> {
        let fault = self.fault("stands outside of a statement");
        self.draft.as_mut().ok_or(fault)
    }

    /// An amount without a sign, which `CdtDbtInd` has, and its currency.
    fn amount(&self) -> Result<(i64, String), Fault> {
        let currency = self.currency.clone();
        let Some(digits) = digits_of(&currency) else {
            return Err(self.fault("must name its currency, Ccy"));
        };
        let amount = minor(self.text.trim(), digits);
        let fault = || {
            self.fault(format!(
                "must be a decimal number of at most {MINOR_MAX} whole minor units, without a sign"
            ))
        };
        Ok((amount.ok_or_else(fault)?, currency))
    }

    fn is_credit(&self) -> Result<bool, Fault> {
        match self.text.trim() {
            "CRDT" => Ok(true),
            "DBIT" => Ok(false),
            _ => Err(self.fault("must be CRDT or DBIT")),
        }
    }

    /// A day, or the day of an instant as the bank writes it.
    fn day(&self) -> Result<NaiveDate, Fault> {
        let text = self.text.trim();
        let day = text.get(..10).and_then(|day| day.parse().ok());
        let rest = text.get(10..).unwrap_or_default();
        let is_day = rest.is_empty() || rest.starts_with(['T', 'Z', '+', '-']);
        day.filter(|_| is_day).ok_or_else(|| self.fault("must be a day, YYYY-MM-DD"))
    }

    fn entry_leaf(&mut self, path: &[&str]) -> Result<(), Fault> {
        let is_reference = matches!(
            path,
            ["NtryRef" | "AcctSvcrRef"]
                | ["NtryDtls", "Btch", "PmtInfId" | "MsgId"]
                | [
                    "NtryDtls",
                    "TxDtls",
                    "Refs",
                    "EndToEndId" | "InstrId" | "TxId" | "PmtInfId" | "AcctSvcrRef" | "ClrSysRef"
                ]
                | ["NtryDtls", "TxDtls", "RmtInf", "Strd", "CdtrRefInf", "Ref"]
        );
        let Some(mut entry) = self.entry.take() else { return Ok(()) };
        let done = self.take_leaf(&mut entry, path, is_reference);
        self.entry = Some(entry);
        done.map_err(|fault| Fault { at: Some(self.entries), ..fault })
    }

    fn take_leaf(&self, entry: &mut Entry, path: &[&str], is_reference: bool) -> Result<(), Fault> {
        match path {
            ["Amt"] => {
                let (amount, currency) = self.amount()?;
                (entry.amount, entry.currency) = (Some(amount), currency);
            }
            ["CdtDbtInd"] => entry.is_credit = Some(self.is_credit()?),
            ["Sts"] if !self.text.trim().is_empty() => entry.status = self.words()?,
            ["Sts", "Cd" | "Prtry"] => entry.status = self.words()?,
            ["BookgDt", "Dt" | "DtTm"] => entry.booked_on = Some(self.day()?),
            ["ValDt", "Dt" | "DtTm"] => entry.value_on = Some(self.day()?),
            ["NtryDtls", "TxDtls", "RtrInf", "Rsn", "Cd" | "Prtry"] => {
                let reason = self.words()?;
                entry.return_reason.get_or_insert(reason);
            }
            _ if is_reference => {
                let reference = self.text.trim();
                // What ISO 20022 has a sender write who has no reference.
                let said = !reference.is_empty() && reference != "NOTPROVIDED";
                let known = entry.references.iter().any(|known| known == reference);
                if said && !known && entry.references.len() < REFERENCES_MAX {
                    entry.references.push(reference.to_owned());
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn balance_leaf(&mut self, path: &[&str]) -> Result<(), Fault> {
        match path {
            ["Tp", "CdOrPrtry", "Cd"] => {
                let code = self.words()?;
                if let Some(balance) = &mut self.balance {
                    balance.code = code;
                }
            }
            ["Amt"] => {
                let (amount, _) = self.amount()?;
                if let Some(balance) = &mut self.balance {
                    balance.amount = Some(amount);
                }
            }
            ["CdtDbtInd"] => {
                let is_credit = self.is_credit()?;
                if let Some(balance) = &mut self.balance {
                    balance.is_credit = Some(is_credit);
                }
            }
            ["Dt", "Dt" | "DtTm"] => {
                let day = self.day()?;
                if let Some(balance) = &mut self.balance {
                    balance.on = Some(day);
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn end_balance(&mut self) -> Result<(), Fault> {
        let Some(balance) = self.balance.take() else { return Ok(()) };
        let (Some(amount), Some(is_credit)) = (balance.amount, balance.is_credit) else {
            return Err(self.fault("must have Amt and CdtDbtInd"));
        };
        let signed = if is_credit { amount } else { -amount };
        let draft = self.draft_mut()?;
        match balance.code.as_str() {
            "OPBD" | "PRCD" if draft.opening.is_none() => {
                draft.opening = Some(signed);
                // What was booked by the end of one day is there at the beginning of the next.
                let is_of_before = balance.code == "PRCD";
                let next = |day: NaiveDate| day.succ_opt().unwrap_or(day);
                draft.opens_on = balance.on.map(|day| if is_of_before { next(day) } else { day });
            }
            "CLBD" => (draft.closing, draft.closes_on) = (Some(signed), balance.on),
            _ => {}
        }
        Ok(())
    }

    fn end_entry(&mut self) -> Result<(), Fault> {
        let missing = |walk: &Self, what: &str| Fault {
            at: Some(walk.entries),
            ..walk.fault(format!("must have {what}"))
        };
        let Some(entry) = self.entry.take() else { return Ok(()) };
        let amount = entry.amount.ok_or_else(|| missing(self, "Amt"))?;
        let is_credit = entry.is_credit.ok_or_else(|| missing(self, "CdtDbtInd"))?;
        if entry.status.is_empty() {
            return Err(missing(self, "Sts"));
        }
        let (entries, path) = (self.entries, self.path.join("/"));
        let fault = |rule: String| Fault { at: Some(entries), place: path, rule };
        let draft = self.draft_mut()?;
        if draft.currency.is_empty() {
            draft.currency.clone_from(&entry.currency);
        }
        if draft.currency != entry.currency {
            return Err(fault(format!("must be in the account's currency, {}", draft.currency)));
        }
        if entry.status != "BOOK" {
            draft.pending += 1;
            return Ok(());
        }
        if draft.lines.len() >= LINES_MAX {
            return Err(fault(format!("must be at most the {LINES_MAX}th of a statement")));
        }
        let Some(booked_on) = entry.booked_on else {
            return Err(fault("must have BookgDt: it is booked".into()));
        };
        draft.lines.push(Line {
            amount_minor: if is_credit { amount } else { -amount },
            booked_on,
            value_on: entry.value_on,
            references: entry.references,
            return_reason: entry.return_reason,
            hash: [0; 32],
        });
        Ok(())
    }

    fn end_statement(&mut self) -> Result<(), Fault> {
        let Some(draft) = self.draft.take() else { return Ok(()) };
        let Draft { account, currency, opening, closing, mut lines, pending, .. } = draft;
        if account.is_empty() {
            return Err(self.fault("must name its account, Acct/Id"));
        }
        if let (Some(opening), Some(closing)) = (opening, closing) {
            let sum: i64 = lines.iter().map(|line| line.amount_minor).sum();
            let off = closing - opening - sum;
            if off != 0 {
                return Err(self.fault(format!(
                    "does not add up: opening balance and booked entries differ from the closing \
                     balance by {off} minor units"
                )));
            }
        }
        for line in &mut lines {
            line.hash = self.hasher.hash(&account, line);
        }
        // The opening balance is that at the beginning of the period which is reported, and always the closing one of the report
        // before (ISO 20022, BalanceType12Code OPBD): it is before every entry, whatever day it bears. Banks date it by the day
        // that the report closes, and book a weekend with the Monday; a period that the report says itself, FrToDt, stands.
        let first_line = lines.iter().map(|line| line.booked_on).min();
        let opens_on = draft.opens_on.map(|on| first_line.map_or(on, |line| on.min(line)));
        let statement = Statement {
            account,
            currency,
            lines,
            pending,
            from: draft.period.0.or(opens_on),
            through: draft.closes_on.or(draft.period.1),
            opening_minor: opening,
            closing_minor: closing,
        };
        if let Some(day) = statement.outside() {
            let said = |day: Option<NaiveDate>| day.map_or_else(String::new, |day| day.to_string());
            let (from, through) = (said(statement.from), said(statement.through));
            let rule =
                format!("has a line of {day}, a day outside of its own, {from} to {through}");
            return Err(self.fault(rule));
        }
        self.statements.push(statement.dated());
        Ok(())
    }

    fn finish(self) -> Result<Vec<Statement>, Fault> {
        if !self.path.is_empty() {
            return Err(self.fault("is cut short: it never ends"));
        }
        if self.statements.is_empty() {
            return Err(Fault::of_file("must have a statement: Document/BkToCstmrStmt/Stmt"));
        }
        Ok(self.statements)
    }
}
