//! Decisions about what a bank and a processor told, and what of it was recorded by mistake.

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;

use super::decide::{LINES_IN_EVENT, LINES_MAX, line, open_line, refused, too_many};
use super::{Deposit, Statement};
use crate::command::{LineNoted, PayoutNoted, StatementNoted, TakeBack};
use crate::decide::check_day;
use crate::event::{
    LineTakenBack, PayoutLinesReported, PayoutReported, PayoutTakenBack, StatementLine,
    StatementLineSeen, StatementLinesListed, StatementSeen, StatementSource, StatementTakenBack,
    StreamId,
};
use crate::firm::Firm;
use crate::ids::{BankCode, DepositId};
use crate::money::{Currency, Money};
use crate::refusal::{Reason, Refusal};
use crate::value::Text;
use crate::world::{Draft, Halt};

/// Most references of one line.
pub const REFERENCES_MAX: usize = 32;
/// Most movements that one payout names.
pub const PAYOUT_LINES_MAX: usize = 5_000;
/// Most lines of one statement.
pub const STATEMENT_LINES_MAX: usize = 5_000;

/// An account is declared before anything is recorded of it: a code that is written otherwise would be another account,
/// and the same lines would be there twice.
fn check_declared(firm: &Firm, subject: &str, bank: &BankCode) -> Result<(), Refusal> {
    if firm.banks.contains_key(bank) {
        return Ok(());
    }
    let known: Vec<&str> = firm.banks.keys().map(BankCode::as_str).collect();
    let detail = if known.is_empty() {
        format!("no account at a bank is declared: declare {bank} first")
    } else {
        format!("{bank} is not declared; declared are {}", known.join(", "))
    };
    Err(Refusal::new(Reason::ReferenceUnknown, subject, detail))
}

/// A line is of one account: its hash is made of the account's number at the bank too. Under a second code of the firm's the same
/// money would be there twice.
fn check_only_here(
    draft: &Draft<'_, '_>,
    subject: &str,
    seen: &StatementLineSeen,
) -> Result<(), Halt> {
    let world = draft.world();
    for other in world.firm()?.banks.keys().filter(|other| **other != seen.bank) {
        let id = DepositId::of_line(other, &seen.line);
        if world.deposit(id)?.line.is_some() {
            let detail = format!(
                "is recorded as a line of {other}: take that back first, `books take-back {id}`, if it is of {}",
                seen.bank
            );
            return Err(Refusal::new(Reason::AlreadyRecorded, subject, detail).into());
        }
    }
    Ok(())
}

/// A file is of one account. A table's lines are told apart by the firm's own code, so of a table the file alone says that it
/// is recorded as another account's; one of camt.053 may have statements of several accounts, and is the same with the same days
/// and balances.
fn check_statement_only_here(draft: &Draft<'_, '_>, noted: &StatementNoted) -> Result<(), Halt> {
    let (world, seen) = (draft.world(), &noted.seen);
    for other in world.firm()?.banks.keys().filter(|other| **other != seen.bank) {
        let id = DepositId::of_statement(other, &seen.file, seen.part);
        let Some(known) = &world.deposit(id)?.statement else { continue };
        let said = |of: &StatementSeen| (of.from, of.opening, of.closing);
        let is_same = match seen.source {
            StatementSource::Csv => true,
            StatementSource::Camt053 => {
                said(&known.seen) == said(seen)
                    && known.mark.on == noted.through
                    && known.lines.len() == noted.lines.len()
                    && !noted.lines.is_empty()
            }
        };
        if is_same {
            let detail = format!(
                "this file is recorded as a statement of {other}: if it is of {}, take that back first, `books take-back {id}`",
                seen.bank
            );
            return Err(Refusal::new(Reason::AlreadyRecorded, "file", detail).into());
        }
    }
    Ok(())
}

/// Every line that is new is recorded. One that is known says the same: its id is made of its hash.
pub(super) fn note_lines(
    draft: &mut Draft<'_, '_>,
    currency: Currency,
    lines: &[LineNoted],
) -> Result<(), Halt> {
    if lines.is_empty() || lines.len() > LINES_MAX {
        return Err(too_many("lines", LINES_MAX));
    }
    let now = draft.now();
    let mut fresh = BTreeMap::new();
    for (at, line) in lines.iter().enumerate() {
        let of = |field: &str| format!("lines[{at}].{field}");
        let world = draft.world();
        check_day(world.firm()?, now, &of("booked_on"), line.booked_on)?;
        let seen = &line.seen;
        let id = DepositId::of_line(&seen.bank, &seen.line);
        // A line that is known says nothing new of an account.
        if world.deposit(id)?.line.is_none() {
            check_declared(world.firm()?, &of("bank"), &seen.bank)?;
            check_only_here(draft, &of("line"), seen)?;
        }
        if seen.amount.is_zero() || seen.amount.currency() != currency {
            let detail = format!("must be in {} and not zero", currency.as_str());
            return Err(refused(of("amount"), detail).into());
        }
        if seen.references.len() > REFERENCES_MAX {
            return Err(
                refused(of("references"), format!("must be at most {REFERENCES_MAX}")).into()
            );
        }
        let known = world.deposit(id)?.line.as_ref();
        let differs = |old: &StatementLineSeen, on: CivilDate| old != seen || on != line.booked_on;
        let again = fresh.get(&id).map(|other: &&LineNoted| (&other.seen, other.booked_on));
        match known.map(|line| (&line.seen, line.mark.on)).or(again) {
            None => {
                fresh.insert(id, line);
            }
            Some((old, on)) if differs(old, on) => {
                let detail = "a line with this hash is recorded and says something else";
                return Err(Refusal::new(Reason::AlreadyRecorded, of("line"), detail).into());
            }
            Some(_) => {}
        }
    }
    // In the order given, so that the log reads like the statement.
    for line in lines {
        let id = DepositId::of_line(&line.seen.bank, &line.seen.line);
        if fresh.remove(&id).is_some() {
            draft.add(StreamId::Deposit(id), line.booked_on, line.seen.clone())?;
        }
    }
    Ok(())
}

pub(super) fn note_payout(
    draft: &mut Draft<'_, '_>,
    currency: Currency,
    noted: &PayoutNoted,
) -> Result<(), Halt> {
    let world = draft.world();
    check_day(world.firm()?, draft.now(), "paid_on", noted.paid_on)?;
    if noted.lines.is_empty() || noted.lines.len() > PAYOUT_LINES_MAX {
        return Err(too_many("lines", PAYOUT_LINES_MAX));
    }
    let mut seen = BTreeSet::new();
    let mut gross = Money::zero(currency);
    for (at, line) in noted.lines.iter().enumerate() {
        if !seen.insert(&line.movement) {
            let detail = format!("{} {} is named twice", line.movement.kind, line.movement.name);
            return Err(refused(format!("lines[{at}]"), detail).into());
        }
        let sum = gross.plus(line.amount).ok().filter(|_| !line.amount.is_zero());
        gross = sum.ok_or_else(|| {
            let detail = format!("must be in {} and not zero", currency.as_str());
            refused(format!("lines[{at}].amount"), detail)
        })?;
    }
    let costs = gross.minus(noted.net).map_err(|e| refused("net", e.to_string()))?;
    if costs.minor() < 0 {
        let detail = format!("{} is more than the {gross} that the lines sum to", noted.net);
        return Err(refused("net", detail).into());
    }
    let id = DepositId::of_payout(&noted.payout);
    if let Some(known) = &world.deposit(id)?.payout {
        if known.lines == noted.lines
            && known.reported.net == noted.net
            && known.mark.on == noted.paid_on
        {
            return Ok(());
        }
        let Some(reason) = noted.instead_because.clone() else {
            let detail = format!(
                "the payout {} is recorded and says something else: say why this takes its place, instead_because",
                noted.payout
            );
            return Err(Refusal::new(Reason::AlreadyRecorded, "payout", detail).into());
        };
        // Both readings stay in the log; from here on the second is in force.
        let (on, reverses) = (known.mark.on, known.mark.at.id);
        let reason = Some(reason);
        draft.add(StreamId::Deposit(id), on, PayoutTakenBack { reason, reverses })?;
    } else if noted.instead_because.is_some() {
        let detail =
            format!("no payout {} is recorded that this could take the place of", noted.payout);
        return Err(refused("instead_because", detail).into());
    }
    let count = u32::try_from(noted.lines.len()).unwrap_or(u32::MAX);
    let payout = noted.payout.clone();
    let reported = PayoutReported { costs, gross, lines: count, net: noted.net, payout };
    draft.add(StreamId::Deposit(id), noted.paid_on, reported)?;
    for lines in noted.lines.chunks(LINES_IN_EVENT) {
        let lines = PayoutLinesReported { lines: lines.to_vec() };
        draft.add(StreamId::Deposit(id), noted.paid_on, lines)?;
    }
    Ok(())
}

/// A statement is one only if its lines lead from its opening balance to its closing one, to the cent.
pub(super) fn note_statement(
    draft: &mut Draft<'_, '_>,
    currency: Currency,
    noted: &StatementNoted,
) -> Result<(), Halt> {
    let (world, seen) = (draft.world(), &noted.seen);
    let firm = world.firm()?;
    check_declared(firm, "bank", &seen.bank)?;
    check_day(firm, draft.now(), "through", noted.through)?;
    check_day(firm, draft.now(), "from", seen.from)?;
    if noted.through < seen.from {
        return Err(refused("through", "must not be before from").into());
    }
    check_statement_only_here(draft, noted)?;
    if seen.part == 0 {
        return Err(refused("part", "must be 1 or more").into());
    }
    if noted.lines.len() > STATEMENT_LINES_MAX {
        return Err(refused("lines", format!("must be at most {STATEMENT_LINES_MAX}")).into());
    }
    for (field, amount) in [("opening", seen.opening), ("closing", seen.closing)] {
        if amount.currency() != currency {
            return Err(refused(field, format!("must be in {}", currency.as_str())).into());
        }
    }
    let (mut lines, mut named) = (Vec::with_capacity(noted.lines.len()), BTreeSet::new());
    let mut sum = seen.opening;
    for (at, id) in noted.lines.iter().enumerate() {
        let of = || format!("lines[{at}]");
        let found = line(world, *id)?;
        if !named.insert(*id) {
            return Err(refused(of(), format!("deposit/{id} is named twice")).into());
        }
        if found.seen.bank != seen.bank {
            let detail = format!("is a line of {}, not of {}", found.seen.bank, seen.bank);
            return Err(refused(of(), detail).into());
        }
        let (amount, booked_on) = (found.seen.amount, found.mark.on);
        if booked_on < seen.from || booked_on > noted.through {
            let detail = format!("was booked on {booked_on}, on no day of the statement");
            return Err(refused(of(), detail).into());
        }
        sum = sum.plus(amount).map_err(|e| refused(of(), e.to_string()))?;
        lines.push(StatementLine { amount, booked_on, line: *id });
    }
    if sum != seen.closing {
        let detail = format!(
            "the opening balance {} and the lines come to {sum}, and {} was said",
            seen.opening, seen.closing
        );
        return Err(refused("closing", detail).into());
    }
    let id = DepositId::of_statement(&seen.bank, &seen.file, seen.part);
    let stream = StreamId::Deposit(id);
    let count = u32::try_from(lines.len()).unwrap_or(u32::MAX);
    let seen = StatementSeen { lines: count, ..seen.clone() };
    if let Some(Statement { lines: listed, mark, seen: known }) = &world.deposit(id)?.statement {
        if *known == seen && mark.on == noted.through && *listed == lines {
            return Ok(());
        }
        let detail = "a statement of this file is recorded and says something else";
        return Err(Refusal::new(Reason::AlreadyRecorded, stream, detail).into());
    }
    draft.add(stream, noted.through, seen)?;
    for lines in lines.chunks(LINES_IN_EVENT) {
        draft.add(stream, noted.through, StatementLinesListed { lines: lines.to_vec() })?;
    }
    Ok(())
}

/// Takes back what was recorded by mistake, on its own day. Nothing may rest on it; of a statement, on no line that
/// goes with it.
pub(super) fn take_back(draft: &mut Draft<'_, '_>, wanted: &TakeBack) -> Result<(), Halt> {
    let stream = StreamId::Deposit(wanted.deposit);
    let Deposit { line, payout, statement, .. } = draft.world().deposit(wanted.deposit)?.clone();
    let reason = wanted.reason.clone();
    let Some(Statement { lines, mark, .. }) = statement else {
        if !wanted.lines.is_empty() {
            return Err(refused("lines", "must be empty: it is no statement").into());
        }
        return match (line, payout) {
            (Some(_), _) => take_line_back(draft, wanted.deposit, reason),
            (None, Some(payout)) => {
                let reverses = payout.mark.at.id;
                draft.add(stream, payout.mark.on, PayoutTakenBack { reason, reverses })?;
                Ok(())
            }
            (None, None) => {
                let detail = "no such line, statement or payout is recorded";
                Err(Refusal::new(Reason::ReferenceUnknown, stream, detail).into())
            }
        };
    };
    let listed: BTreeSet<DepositId> = lines.iter().map(|line| line.line).collect();
    if let Some(other) = wanted.lines.iter().find(|line| !listed.contains(line)) {
        return Err(refused("lines", format!("deposit/{other} is not on the statement")).into());
    }
    // Before anything is drafted.
    for line in &wanted.lines {
        open_line(draft.world(), *line)?;
    }
    let reverses = mark.at.id;
    draft.add(stream, mark.on, StatementTakenBack { reason: reason.clone(), reverses })?;
    for line in &wanted.lines {
        take_line_back(draft, *line, reason.clone())?;
    }
    Ok(())
}

fn take_line_back(
    draft: &mut Draft<'_, '_>,
    id: DepositId,
    reason: Option<Text>,
) -> Result<(), Halt> {
    let line = open_line(draft.world(), id)?;
    let (amount, on, reverses) = (line.seen.amount, line.mark.on, line.mark.at.id);
    draft.add(StreamId::Deposit(id), on, LineTakenBack { amount, reason, reverses })?;
    Ok(())
}
