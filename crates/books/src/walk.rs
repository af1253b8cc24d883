//! What statements say, day after day, held against the ledger.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use calendar::{BusinessCalendar, CivilDate};
use domain::deposit::{Deposit, Statement};
use domain::event::StatementLine;
use domain::ids::{BankCode, DepositId};

use crate::reconciled::{BankItem, ItemKind, StatementBalance, StatementKnown};

/// Amounts of lines, by the day the bank booked them.
pub(crate) type Lines = BTreeMap<(CivilDate, DepositId), i64>;

/// Statements in force that begin by a day, in the order of their days. `opening` is the declared opening balance.
pub(crate) fn statements_of<'d>(
    code: &BankCode,
    deposits: &HashMap<DepositId, &'d Deposit>,
    through: CivilDate,
    opening: i64,
) -> Vec<(StatementKnown, &'d Statement)> {
    let of = deposits.iter().filter_map(|(id, of)| Some((*id, of.statement.as_ref()?)));
    let mut found: Vec<_> = of
        .filter(|(_, statement)| statement.seen.bank == *code && statement.seen.from <= through)
        .map(|(id, statement)| {
            let seen = &statement.seen;
            let known = StatementKnown {
                id,
                from: seen.from,
                through: statement.mark.on,
                opening_minor: seen.opening.minor(),
                closing_minor: seen.closing.minor(),
                lines: seen.lines,
            };
            (known, statement)
        })
        .collect();
    found.sort_by_key(|(known, _)| (known.from, known.through, known.id));
    in_chains(found, opening)
}

/// Statements of the same days in the order in which they go on from each other, whichever was read first.
fn in_chains(
    mut left: Vec<(StatementKnown, &Statement)>,
    opening: i64,
) -> Vec<(StatementKnown, &Statement)> {
    let mut found: Vec<(StatementKnown, &Statement)> = Vec::with_capacity(left.len());
    while let Some((first, _)) = left.first() {
        let days = (first.from, first.through);
        let alike = left.iter().take_while(|(known, _)| (known.from, known.through) == days);
        let alike: Vec<&StatementKnown> = alike.map(|(known, _)| known).collect();
        let ends = found.last().map_or(opening, |(known, _)| known.closing_minor);
        let goes_on = alike.iter().position(|known| known.opening_minor == ends);
        // Nothing goes before the first: none of the others ends where it begins.
        let begins = alike.iter().enumerate().position(|(at, known)| {
            let mut others = alike.iter().enumerate().filter(|(other, _)| *other != at);
            others.all(|(_, other)| other.closing_minor != known.opening_minor)
        });
        found.push(left.remove(goes_on.or(begins).unwrap_or(0)));
    }
    found
}

/// What statements say, day after day.
pub(crate) struct Walk {
    pub(crate) balance: StatementBalance,
    /// The lines that count on the statements' side.
    lines: Lines,
    items: Vec<BankItem>,
}

impl Walk {
    /// Goes along statements in the order of their days. `lines_of` gives the lines in force of some days: from the first, or
    /// from the beginning. Nothing if no statement shows a balance.
    pub(crate) fn along(
        statements: &[(StatementKnown, &Statement)],
        opening: Option<(CivilDate, i64)>,
        through: CivilDate,
        lines_of: impl Fn(Option<CivilDate>, CivilDate) -> Lines,
    ) -> Option<Self> {
        let opened_on = opening.map(|(on, _)| on);
        let mut walk: Option<Self> = None;
        for (known, statement) in statements {
            let goes_on = walk.as_ref().is_some_and(|walk| walk.goes_on_in(known, statement));
            let after = walk.as_ref().map(|walk| next_day(walk.balance.on)).filter(|_| !goes_on);
            let start = [Some(known.from), after, opened_on].into_iter().flatten().max()?;
            if start > known.through || start > through {
                // It has no day of its own.
                if let Some(walk) = walk.as_mut().filter(|walk| walk.contradicts(known, statement))
                {
                    let deposit = Some(known.id);
                    let (on, through) = (known.from, Some(known.through));
                    let kind = ItemKind::Contradicts;
                    walk.items.push(BankItem { kind, minor: 0, on, through, deposit });
                }
                continue;
            }
            let end = known.through.min(through);
            let of = |first: Option<CivilDate>, last: CivilDate| {
                statement.lines.iter().filter(move |line| {
                    first.is_none_or(|first| first <= line.booked_on) && line.booked_on <= last
                })
            };
            let before = start.pred_opt().unwrap_or(start);
            let own: i64 = of(None, before).map(|line| line.amount.minor()).sum();
            let begins = known.opening_minor + own;
            let item = |kind, minor, on, through| BankItem {
                kind,
                minor,
                on,
                through,
                deposit: Some(known.id),
            };
            let mut walk_on = match walk.take() {
                None => {
                    let lines = lines_of(opened_on, before);
                    let declared = opening.map_or(0, |(_, minor)| minor);
                    let expected = declared + sum(&lines);
                    let mut items = Vec::new();
                    if begins != expected {
                        items.push(item(ItemKind::Opening, begins - expected, start, None));
                    }
                    let balance = StatementBalance { on: before, minor: begins };
                    Self { balance, lines, items }
                }
                Some(mut walk) => {
                    let gap = next_day(walk.balance.on);
                    let mut expected = walk.balance.minor;
                    if gap < start {
                        let lines = lines_of(Some(gap), before);
                        expected += sum(&lines);
                        walk.lines.extend(lines);
                        if has_business_day(gap, before) {
                            walk.items.push(item(ItemKind::Gap, 0, gap, Some(before)));
                        }
                    }
                    if begins != expected {
                        walk.items.push(item(ItemKind::Broken, begins - expected, start, None));
                    }
                    walk
                }
            };
            let mine = of(Some(start), end);
            let mine = mine.map(|line| ((line.booked_on, line.line), line.amount.minor()));
            let mine: Lines = mine.collect();
            walk_on.balance = StatementBalance { on: end, minor: begins + sum(&mine) };
            walk_on.lines.extend(mine);
            walk = Some(walk_on);
        }
        walk
    }

    /// Whether a statement begins on the day on which what was gone along ends, with that balance and lines of its own.
    fn goes_on_in(&self, known: &StatementKnown, statement: &Statement) -> bool {
        let is_here = |line: &StatementLine| self.lines.contains_key(&(line.booked_on, line.line));
        (known.from, known.opening_minor) == (self.balance.on, self.balance.minor)
            && !statement.lines.is_empty()
            && !statement.lines.iter().any(is_here)
    }

    /// Whether a statement of days that were gone along says otherwise of them: another balance at their end, or a line more.
    fn contradicts(&self, known: &StatementKnown, statement: &Statement) -> bool {
        let last = known.through.min(self.balance.on);
        let after: i64 =
            self.lines.iter().filter(|((on, _), _)| *on > last).map(|(_, minor)| minor).sum();
        let is_there = |line: &&StatementLine| {
            line.booked_on > last || self.lines.contains_key(&(line.booked_on, line.line))
        };
        let is_whole = last == known.through;
        (is_whole && known.closing_minor != self.balance.minor - after)
            || !statement.lines.iter().all(|line| is_there(&line))
    }

    /// Every item between the statements' balance and the ledger's.
    pub(crate) fn items(
        &self,
        opening: Option<(CivilDate, i64)>,
        opening_posted: i64,
        in_ledger: &Lines,
        is_in_force: impl Fn(CivilDate, DepositId) -> bool,
    ) -> Vec<BankItem> {
        let mut items = self.items.clone();
        let declared = opening.map_or(0, |(_, minor)| minor);
        let mut add = |kind, minor: i64, on, deposit| {
            if minor != 0 {
                items.push(BankItem { kind, minor, on, through: None, deposit });
            }
        };
        if let Some((on, _)) = opening {
            add(ItemKind::OpeningLater, declared - opening_posted, on, None);
        }
        let keys: BTreeSet<_> = self.lines.keys().chain(in_ledger.keys()).copied().collect();
        for (on, id) in keys {
            let stated = self.lines.get(&(on, id));
            let posted = in_ledger.get(&(on, id)).copied().unwrap_or(0);
            let kind = match (stated, is_in_force(on, id)) {
                (Some(_), true) => ItemKind::Later,
                (Some(_), false) => ItemKind::StatementOnly,
                (None, false) => ItemKind::TakenBackLater,
                (None, true) if opening.is_some_and(|(opened_on, _)| on < opened_on) => {
                    ItemKind::BeforeOpening
                }
                (None, true) if on > self.balance.on => ItemKind::AfterStatement,
                (None, true) => ItemKind::LedgerOnly,
            };
            add(kind, stated.copied().unwrap_or(0) - posted, on, Some(id));
        }
        items.sort_by_key(|item| (item.on, item.kind, item.deposit));
        items
    }
}

fn sum(lines: &Lines) -> i64 {
    lines.values().sum()
}

pub(crate) fn next_day(day: CivilDate) -> CivilDate {
    day.succ_opt().unwrap_or(day)
}

/// Whether banks book on any of some days.
pub(crate) fn has_business_day(first: CivilDate, last: CivilDate) -> bool {
    first
        .iter_days()
        .take_while(|day| *day <= last)
        .any(|day| BusinessCalendar::FederalReserveBanking.is_business_day(day))
}
