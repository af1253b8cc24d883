//! The periods of a service: the grid that fees are held against.
//!
//! They begin on the signing day of the first agreement, or of one after a gap. A pause stops the count of
//! days. A period is known by its days; its number is a label.

use calendar::{CivilDate, PERIODS_MAX, Period};

use super::story::{Pause, Row, Story};
use crate::case::{Case, EarnedFee};
use crate::terms::PeriodKind;

/// A period, and who governs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Slot {
    /// Its days and its number.
    pub(crate) period: Period,
    /// The agreement that governs it, as an index of the standing ones.
    pub(crate) agreement: Option<usize>,
    /// The first after a signing that began the service or began it anew, or a later one.
    pub(crate) kind: PeriodKind,
    /// The last day of the service, if that cut the period short.
    pub(crate) cut_on: Option<CivilDate>,
    /// Whether a pause that nobody has ended holds it open; its end moves with every day.
    pub(crate) paused: bool,
}

impl Slot {
    /// How many days it shares with others, from one up to, not including, another.
    pub(crate) fn shared_days(&self, start: CivilDate, end: CivilDate) -> i64 {
        let (from, to) = (self.period.start.max(start), self.period.end.min(end));
        to.signed_duration_since(from).num_days().max(0)
    }
}

/// Every period that has begun by a day, in order.
pub(crate) fn slots(case: &Case, story: &Story<'_>, today: CivilDate) -> Vec<Slot> {
    let grid = Grid { case, story, today, old: case.fees_of_old().collect() };
    let mut slots = Vec::new();
    for row in &story.rows {
        grid.fill(row, &mut slots);
    }
    slots
}

/// The slot in which a day lies.
pub(crate) fn slot_of(slots: &[Slot], on: CivilDate) -> Option<usize> {
    let at = slots.partition_point(|slot| slot.period.start <= on).checked_sub(1)?;
    slots[at].period.contains(on).then_some(at)
}

/// The slot with which other days share most, the earlier of two that share as many.
pub(crate) fn slot_for(slots: &[Slot], start: CivilDate, end: CivilDate) -> Option<usize> {
    // Mostly one has just these days, and shares none of them with the one before.
    let at = slots.partition_point(|slot| slot.period.start < start);
    let is_alone = at.checked_sub(1).is_none_or(|before| slots[before].period.end <= start);
    if is_alone && slots.get(at).is_some_and(|of| (of.period.start, of.period.end) == (start, end))
    {
        return Some(at);
    }
    let shared = slots.iter().enumerate().map(|(at, slot)| (slot.shared_days(start, end), at));
    let most = shared.max_by_key(|&(days, at)| (days, std::cmp::Reverse(at)))?;
    (most.0 > 0).then_some(most.1)
}

struct Grid<'a> {
    case: &'a Case,
    story: &'a Story<'a>,
    today: CivilDate,
    old: Vec<&'a EarnedFee>,
}

impl Grid<'_> {
    fn fill(&self, row: &Row, slots: &mut Vec<Slot>) {
        let mut start = self.story.standing[row.first].signed_on();
        let mut kind = PeriodKind::First;
        let most = usize::try_from(PERIODS_MAX).unwrap_or(usize::MAX);
        while start <= self.today
            && row.closed_on.is_none_or(|last| start <= last)
            && slots.len() < most
        {
            let slot = self.slot(row, start, kind, slots.len());
            let end = slot.period.end;
            // Days that no calendar holds have no period.
            if end <= start {
                return;
            }
            slots.push(slot);
            // What follows a pause that nobody has ended is not known.
            if slot.paused {
                return;
            }
            (start, kind) = (end, PeriodKind::Later);
        }
    }

    fn slot(&self, row: &Row, start: CivilDate, kind: PeriodKind, before: usize) -> Slot {
        let agreement = self.governing(row, start, kind);
        let (start, end, paused) = match self.claimed_before(start) {
            Named::Covers(fee) => (fee.start.min(start), fee.end, false),
            Named::Begins(on) => {
                let (end, paused) = self.end_of(start);
                (start, end.min(on), paused && end <= on)
            }
            Named::Nothing => {
                let (end, paused) = self.end_of(start);
                (start, end, paused)
            }
        };
        let last = agreement.and_then(|at| self.story.standing[at].last_day).or(row.closed_on);
        let cut_on = last.filter(|last| last.succ_opt().is_some_and(|next| next < end));
        let end = match cut_on {
            Some(last) if row.closed_on == Some(last) => last.succ_opt().unwrap_or(end),
            Some(_) | None => end,
        };
        let number = u32::try_from(before + 1).unwrap_or(PERIODS_MAX);
        Slot { period: Period { number, start, end }, agreement, kind, cut_on, paused }
    }

    /// The agreement of a period that begins on a day: the newest whose service may begin by then; of the
    /// first period, the first.
    fn governing(&self, row: &Row, start: CivilDate, kind: PeriodKind) -> Option<usize> {
        let serving = |&at: &usize| {
            let standing = &self.story.standing[at];
            standing.service_from <= start || kind == PeriodKind::First && at == row.first
        };
        let newest = (row.first..row.end).rev().find(serving)?;
        let ended = self.story.standing[newest].last_day;
        ended.is_none_or(|last| start <= last).then_some(newest)
    }

    /// When a period that begins on a day ends, by the rule of that day, and whether a pause holds it open.
    fn end_of(&self, start: CivilDate) -> (CivilDate, bool) {
        let changed = self.case.billing.iter().rev().find(|changed| changed.moment.on() <= start);
        let agreed = || self.case.enrolment.as_ref().map(|enrolment| enrolment.billing);
        let Some(rule) = changed.map(|changed| changed.rule).or_else(agreed) else {
            return (start, false);
        };
        let mut over = plus(start, i64::from(rule.days()));
        for pause in &self.story.pauses {
            if pause.began.on() < over {
                over = plus(over, pause.days_within(start, CivilDate::MAX, self.today));
            }
        }
        let end = rule.end_not_before(over);
        // A period goes on after a pause: nobody knows its end while nobody has said when the pause ends.
        let open = |pause: &&Pause<'_>| pause.until.is_none() && pause.began.on() < end;
        (end, self.story.pauses.iter().any(|pause| open(&pause)))
    }

    /// A fee from before agreements were kept with fees holds its days.
    fn claimed_before(&self, start: CivilDate) -> Named<'_> {
        let mut named = self.old.iter().copied().filter(|fee| start < fee.end);
        match named.clone().find(|fee| fee.start <= start) {
            Some(fee) => Named::Covers(fee),
            None => match named.by_ref().map(|fee| fee.start).min() {
                Some(on) => Named::Begins(on),
                None => Named::Nothing,
            },
        }
    }
}

/// What fees from before agreements were kept with them say of a day.
enum Named<'a> {
    /// One claims days around it.
    Covers(&'a EarnedFee),
    /// The next one begins on a day.
    Begins(CivilDate),
    /// None names days after it.
    Nothing,
}

fn plus(day: CivilDate, days: i64) -> CivilDate {
    day.checked_add_signed(chrono::TimeDelta::days(days)).unwrap_or(CivilDate::MAX)
}
