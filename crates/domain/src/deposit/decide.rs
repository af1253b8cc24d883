//! Decisions about lines of bank statements, payouts, and what stands behind them.

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;

use super::told::{note_lines, note_payout, note_statement, take_back};
use super::{Deposit, Joined, Line, Matched, Payout};
use crate::account::Account;
use crate::command::{BankAction, BookLine, Match};
use crate::event::{
    AccountMovement, AutomaticMatches, BookingReversed, DepositMatched, LineBooked, MatchJoined,
    MatchLeft, MatchRefused, MatchReversed, MatchRule, MoneyDeposited, MoneyUndeposited, Movement,
    StreamId,
};
use crate::ids::{AccountId, DepositId, EventId};
use crate::money::{Currency, Money};
use crate::refusal::{Reason, Refusal};
use crate::world::{Draft, Halt, World};

/// Most lines of a statement in one command.
pub const LINES_MAX: usize = 500;
/// Most movements behind one deposit.
pub const MOVEMENTS_MAX: usize = 5_000;
/// Movements in one event: an event stays far below its largest size.
pub(super) const LINES_IN_EVENT: usize = 250;
/// Most movements that are refused together; of more, their payout is refused.
pub const REFUSED_MOVEMENTS_MAX: usize = LINES_IN_EVENT;
/// How often a person may say no to what is proposed for one line.
pub const REFUSALS_MAX: usize = 100;

/// Decides what a bank or processor said, or what a person makes of it.
pub(crate) fn bank(draft: &mut Draft<'_, '_>, action: &BankAction) -> Result<(), Halt> {
    let firm = draft.world().firm()?;
    let Some(currency) = firm.registered.as_ref().map(|firm| firm.currency) else {
        return Err(Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered").into());
    };
    match action {
        BankAction::NoteLines(lines) => note_lines(draft, currency, lines),
        BankAction::NotePayout(payout) => note_payout(draft, currency, payout),
        BankAction::NoteStatement(statement) => note_statement(draft, currency, statement),
        BankAction::TakeBack(wanted) => take_back(draft, wanted),
        BankAction::Match(wanted) => match_line(draft, currency, wanted),
        BankAction::ReverseMatch { deposit, movements } => {
            reverse_match(draft, *deposit, movements)
        }
        BankAction::RefuseMatch { deposit, refused } => refuse_match(draft, *deposit, refused),
        BankAction::BookLine(wanted) => book_line(draft, wanted),
        BankAction::ReverseBooking { deposit } => reverse_booking(draft, *deposit),
    }
}

pub(super) fn refused(subject: impl std::fmt::Display, detail: impl Into<String>) -> Refusal {
    Refusal::new(Reason::ValueRefused, subject, detail)
}

pub(super) fn too_many(subject: &str, most: usize) -> Halt {
    refused(subject, format!("must be 1 to {most}")).into()
}

pub(super) fn line(world: &World, id: DepositId) -> Result<&Line, Halt> {
    let deposit = world.deposit(id)?;
    deposit.line.as_ref().ok_or_else(|| {
        let detail = "no such line of a bank statement is recorded";
        Refusal::new(Reason::ReferenceUnknown, StreamId::Deposit(id), detail).into()
    })
}

pub(super) fn payout_of(world: &World, id: DepositId) -> Result<&Payout, Halt> {
    world.deposit(id)?.payout.as_ref().ok_or_else(|| {
        let detail = "no such payout is recorded";
        Refusal::new(Reason::ReferenceUnknown, StreamId::Deposit(id), detail).into()
    })
}

/// A line that nobody has explained yet.
pub(super) fn open_line(world: &World, id: DepositId) -> Result<&Line, Halt> {
    let found = line(world, id)?;
    let deposit: &Deposit = world.deposit(id)?;
    if deposit.is_open() {
        return Ok(found);
    }
    let detail = match (&deposit.matched, &deposit.joined) {
        (Some(_), _) => "it is matched already; reverse that match first".to_owned(),
        (None, Some(Joined { to, .. })) => format!("it is a piece of deposit/{to} already"),
        (None, None) => "a person said what it is; reverse that first".to_owned(),
    };
    Err(Refusal::new(Reason::StateRefuses, StreamId::Deposit(id), detail).into())
}

/// Movements by account, each once.
fn by_account(
    movements: &[AccountMovement],
) -> Result<BTreeMap<AccountId, BTreeSet<Movement>>, Halt> {
    if movements.is_empty() || movements.len() > MOVEMENTS_MAX {
        return Err(too_many("movements", MOVEMENTS_MAX));
    }
    let mut accounts: BTreeMap<AccountId, BTreeSet<Movement>> = BTreeMap::new();
    for (at, wanted) in movements.iter().enumerate() {
        let Movement { kind, name } = &wanted.movement;
        if !accounts.entry(wanted.account).or_default().insert(wanted.movement.clone()) {
            let detail = format!("{kind} {name} is named twice");
            return Err(refused(format!("movements[{at}]"), detail).into());
        }
    }
    Ok(accounts)
}

/// The sum of movements that stand behind nothing yet, for lines of which the last was booked on a day. Nothing reaches
/// a bank before it was taken; a day's difference may be one of zones.
fn sum_of_free(
    world: &World,
    accounts: &BTreeMap<AccountId, BTreeSet<Movement>>,
    (currency, booked_on): (Currency, CivilDate),
) -> Result<Money, Halt> {
    let mut gross = Money::zero(currency);
    let latest = booked_on.succ_opt().unwrap_or(booked_on);
    for (id, movements) in accounts {
        let account: &Account = world.account(*id)?;
        for movement in movements {
            let Movement { kind, name } = movement;
            let Some(found) = account.movement(movement) else {
                let detail = format!("no {kind} {name} is recorded on this account");
                let stream = StreamId::Account(*id);
                return Err(Refusal::new(Reason::ReferenceUnknown, stream, detail).into());
            };
            if let Some(deposit) = found.deposited {
                let detail = format!("{kind} {name} stands behind deposit/{deposit} already");
                let stream = StreamId::Account(*id);
                return Err(Refusal::new(Reason::StateRefuses, stream, detail).into());
            }
            if found.on > latest {
                let detail = format!(
                    "{kind} {name} is of {}, and the bank booked the line on {booked_on}, before it",
                    found.on
                );
                return Err(refused("movements", detail).into());
            }
            gross = gross.plus(found.amount).map_err(|e| refused("movements", e.to_string()))?;
        }
    }
    Ok(gross)
}

/// What the lines brought in together, and the day the last of them was booked.
fn net_of(world: &World, wanted: &Match, currency: Currency) -> Result<(Money, CivilDate), Halt> {
    let mut net = Money::zero(currency);
    let mut on = line(world, wanted.deposit)?.mark.on;
    let mut seen = BTreeSet::new();
    for id in std::iter::once(&wanted.deposit).chain(&wanted.joined) {
        if !seen.insert(*id) {
            return Err(refused("joined", format!("deposit/{id} is named twice")).into());
        }
        let line = open_line(world, *id)?;
        net = net.plus(line.seen.amount).map_err(|e| refused("joined", e.to_string()))?;
        on = on.max(line.mark.on);
    }
    Ok((net, on))
}

fn match_line(draft: &mut Draft<'_, '_>, currency: Currency, wanted: &Match) -> Result<(), Halt> {
    if wanted.joined.len() > LINES_MAX {
        return Err(too_many("joined", LINES_MAX));
    }
    let world = draft.world();
    let accounts = by_account(&wanted.movements)?;
    let (net, on) = net_of(world, wanted, currency)?;
    let gross = sum_of_free(world, &accounts, (currency, on))?;
    let costs = gross.minus(net).map_err(|e| refused("movements", e.to_string()))?;
    if let Some(payout) = wanted.payout {
        agrees(world, payout, wanted)?;
    }
    if costs != wanted.costs || costs.minor() < 0 {
        let detail = format!(
            "the movements sum to {gross}, {net} came in: that leaves {costs}, and {} was said",
            wanted.costs
        );
        return Err(refused("costs", detail).into());
    }
    let policy = wanted.automatic.then(|| check_automatic(world, wanted)).transpose()?;
    if wanted.rule != MatchRule::Person && wanted.payout.is_none() && !costs.is_zero() {
        let detail =
            "without a payout of the processor only a person can say what costs there were";
        return Err(refused("costs", detail).into());
    }
    for (id, movements) in accounts {
        let movements: Vec<Movement> = movements.into_iter().collect();
        for movements in movements.chunks(LINES_IN_EVENT) {
            let event = MoneyDeposited { deposit: wanted.deposit, movements: movements.to_vec() };
            draft.add(StreamId::Account(id), on, event)?;
        }
    }
    let count = u32::try_from(wanted.movements.len()).unwrap_or(u32::MAX);
    let event = DepositMatched {
        costs,
        count,
        gross,
        joined: wanted.joined.clone(),
        net,
        payout: wanted.payout,
        policy,
        rule: wanted.rule,
    };
    draft.add(StreamId::Deposit(wanted.deposit), on, event)?;
    for id in &wanted.joined {
        let amount = line(draft.world(), *id)?.seen.amount;
        draft.add(StreamId::Deposit(*id), on, MatchJoined { amount, to: wanted.deposit })?;
    }
    Ok(())
}

/// The policy under which a match needs no person: the firm has one, every line names what stands
/// behind it, and no person said no to any of them before.
fn check_automatic(world: &World, wanted: &Match) -> Result<EventId, Halt> {
    let a_person = |subject: String, why: &str| -> Halt {
        let detail = format!("{why}: a person confirms");
        Refusal::new(Reason::StateRefuses, subject, detail).into()
    };
    let policy = world.firm()?.match_policy.as_ref();
    let policy = policy.filter(|policy| policy.automatic == AutomaticMatches::Certain);
    let Some(policy) = policy else {
        return Err(a_person("automatic".into(), "the firm's policy lets nothing be automatic"));
    };
    for id in std::iter::once(&wanted.deposit).chain(&wanted.joined) {
        let references = &line(world, *id)?.seen.references;
        let names = |name: &str| references.iter().any(|reference| reference.as_str() == name);
        let is_named = match wanted.payout {
            Some(payout) => names(payout_of(world, payout)?.reported.payout.as_str()),
            None => wanted.movements.iter().all(|of| names(of.movement.name.as_str())),
        };
        let subject = StreamId::Deposit(*id).to_string();
        if !is_named || wanted.rule != MatchRule::Reference {
            return Err(a_person(subject, "the line does not name what is behind it"));
        }
        if world.deposit(*id)?.refusals() > 0 {
            return Err(a_person(subject, "a person said no to what was found for the line"));
        }
    }
    Ok(policy.set_by)
}

/// Records that a person said no. What is kept is in one order, so that the same no is the same.
fn refuse_match(draft: &mut Draft<'_, '_>, id: DepositId, no: &MatchRefused) -> Result<(), Halt> {
    let world = draft.world();
    open_line(world, id)?;
    let MatchRefused { mut joined, mut movements, payout } = no.clone();
    if movements.is_empty() == payout.is_none() {
        let detail = "must name what does not stand behind the line, and nothing beside a payout";
        return Err(refused("movements", detail).into());
    }
    if movements.len() > REFUSED_MOVEMENTS_MAX {
        return Err(too_many("movements", REFUSED_MOVEMENTS_MAX));
    }
    movements.sort_unstable();
    if let Some(pair) = movements.windows(2).find(|pair| pair[0] == pair[1]) {
        let detail = format!("{} {} is named twice", pair[0].kind, pair[0].name);
        return Err(refused("movements", detail).into());
    }
    joined.sort_unstable();
    joined.dedup();
    for other in &joined {
        if *other == id {
            return Err(refused("joined", format!("deposit/{id} is the line itself")).into());
        }
        line(world, *other)?;
    }
    if let Some(payout) = payout {
        payout_of(world, payout)?;
    }
    let event = MatchRefused { joined, movements, payout };
    let known = &world.deposit(id)?.refused;
    let of_line = StreamId::Deposit(id);
    if known.contains(&event) {
        let detail = "a person said so before";
        return Err(Refusal::new(Reason::AlreadyRecorded, of_line, detail).into());
    }
    if known.len() >= REFUSALS_MAX {
        let detail = format!("must be at most {REFUSALS_MAX} for one line");
        return Err(refused("refusals", detail).into());
    }
    let now = draft.now();
    let Some(today) = draft.world().firm()?.today(now) else {
        return Err(Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered").into());
    };
    draft.add(of_line, today, event)?;
    Ok(())
}

/// A payout that is named says the same as the match: the same movements, with the same amounts.
fn agrees(world: &World, payout: DepositId, wanted: &Match) -> Result<(), Halt> {
    let reported = payout_of(world, payout)?;
    let mut named: BTreeMap<&Movement, Money> =
        reported.lines.iter().map(|line| (&line.movement, line.amount)).collect();
    for AccountMovement { account, movement } in &wanted.movements {
        let Movement { kind, name } = movement;
        let recorded = world.account(*account)?.movement(movement).map(|found| found.amount);
        match named.remove(movement) {
            Some(amount) if Some(amount) == recorded => {}
            Some(amount) => {
                let detail =
                    format!("the payout has {amount} for {kind} {name}, its account another");
                return Err(refused("payout", detail).into());
            }
            None => {
                let detail = format!("the payout does not name {kind} {name}");
                return Err(refused("payout", detail).into());
            }
        }
    }
    if let Some(missing) = named.keys().next() {
        let detail = format!("the payout names {} {} too", missing.kind, missing.name);
        return Err(refused("movements", detail).into());
    }
    Ok(())
}

/// Undoes a match on the day it was made for: while that month is open, its books are as if it had
/// never been. The movements are named again, since they lie in streams of their own.
fn reverse_match(
    draft: &mut Draft<'_, '_>,
    id: DepositId,
    movements: &[AccountMovement],
) -> Result<(), Halt> {
    let world = draft.world();
    line(world, id)?;
    let Some(Matched { mark, matched }) = world.deposit(id)?.matched.clone() else {
        let detail = "nothing is matched with it";
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Deposit(id), detail).into());
    };
    let accounts = by_account(movements)?;
    for (account, movements) in &accounts {
        let account = world.account(*account)?;
        for movement in movements {
            if account.movement(movement).and_then(|found| found.deposited) != Some(id) {
                let Movement { kind, name } = movement;
                let detail = format!("{kind} {name} does not stand behind this deposit");
                return Err(refused("movements", detail).into());
            }
        }
    }
    if movements.len() != usize::try_from(matched.count).unwrap_or(usize::MAX) {
        let detail = format!("{} movements stand behind it: name them all", matched.count);
        return Err(refused("movements", detail).into());
    }
    let mut left = Vec::new();
    for other in &matched.joined {
        if let Some(joined) = &world.deposit(*other)?.joined {
            left.push((*other, MatchLeft { reverses: joined.mark.at.id }));
        }
    }
    for (account, movements) in accounts {
        let movements: Vec<Movement> = movements.into_iter().collect();
        for movements in movements.chunks(LINES_IN_EVENT) {
            let event = MoneyUndeposited { deposit: id, movements: movements.to_vec() };
            draft.add(StreamId::Account(account), mark.on, event)?;
        }
    }
    draft.add(StreamId::Deposit(id), mark.on, MatchReversed { reverses: mark.at.id })?;
    for (other, event) in left {
        draft.add(StreamId::Deposit(other), mark.on, event)?;
    }
    Ok(())
}

fn book_line(draft: &mut Draft<'_, '_>, wanted: &BookLine) -> Result<(), Halt> {
    let line = open_line(draft.world(), wanted.deposit)?;
    let (on, amount) = (line.mark.on, line.seen.amount);
    let event = LineBooked { amount, note: wanted.note.clone(), purpose: wanted.purpose };
    draft.add(StreamId::Deposit(wanted.deposit), on, event)?;
    Ok(())
}

fn reverse_booking(draft: &mut Draft<'_, '_>, id: DepositId) -> Result<(), Halt> {
    line(draft.world(), id)?;
    let Some(booked) = &draft.world().deposit(id)?.booked else {
        let detail = "nobody said what it is";
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Deposit(id), detail).into());
    };
    let (on, reverses) = (booked.mark.on, booked.mark.at.id);
    draft.add(StreamId::Deposit(id), on, BookingReversed { reverses })?;
    Ok(())
}
