//! The periods of one case from its start on, through changes of rule and pauses.

use crate::CivilDate;
use crate::civil::{days_between, plus_days};
use crate::period::{PERIODS_MAX, Period, PeriodRule};

/// The periods of one case.
///
/// The first periods are *fixed*: a change of rule or a pause has settled their bounds. From
/// `next_start` on the rule in force computes the rest, without storing them. Numbers run from 1 to
/// [`PERIODS_MAX`]; a period beyond that, or one whose end the calendar cannot hold, does not exist.
///
/// Changes come in the order they are recorded. One whose date lies before `next_start`, because it
/// was recorded late or follows another in the same period, applies to the latest fixed period: the
/// bounds that earlier changes settled stay. A schedule knows nothing of fees: a change dated inside
/// a computed period moves all that follow it, so a caller that has claimed period `n` passes no
/// date before that period's end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PeriodSchedule {
    fixed: Vec<Period>,
    next_number: u32,
    next_start: CivilDate,
    rule: PeriodRule,
    paused_on: Option<CivilDate>,
}

/// A [`PeriodSchedule`] as plain fields, for storing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScheduleParts {
    /// Periods whose bounds are settled, numbered from 1 without gap.
    pub fixed: Vec<Period>,
    /// The number of the first period after them.
    pub next_number: u32,
    /// Its first day.
    pub next_start: CivilDate,
    /// The rule that sets its end and all that follow.
    pub rule: PeriodRule,
    /// The first paused day, while paused. The last fixed period is then open: its end will move.
    pub paused_on: Option<CivilDate>,
}

impl PeriodSchedule {
    /// A schedule whose first period starts on `start`.
    pub fn new(start: CivilDate, rule: PeriodRule) -> Self {
        Self { fixed: Vec::new(), next_number: 1, next_start: start, rule, paused_on: None }
    }

    /// The period with this number, counted from 1.
    ///
    /// While paused, the open period shows the end it had when the pause began, and no later period
    /// exists.
    pub fn period(&self, number: u32) -> Option<Period> {
        if number < self.next_number {
            let place = self.fixed.binary_search_by_key(&number, |period| period.number).ok()?;
            return self.fixed.get(place).copied();
        }
        if self.is_paused() {
            return None;
        }
        self.computed(number - self.next_number)
    }

    /// The period that holds `on`; `None` before the first.
    ///
    /// While paused, the open period holds every day from the pause on, and is given the end it
    /// would get if the pause ended on `on`.
    pub fn containing(&self, on: CivilDate) -> Option<Period> {
        if let (Some(paused_on), Some(open)) = (self.paused_on, self.fixed.last())
            && on >= paused_on
            && on >= open.start
        {
            let end = self.end_after_pause(open.end, paused_on, on);
            return Some(Period { end, ..*open }).filter(|period| period.contains(on));
        }
        if on < self.next_start {
            let place = self.fixed.partition_point(|period| period.end <= on);
            return self.fixed.get(place).copied().filter(|period| period.contains(on));
        }
        if self.is_paused() {
            return None;
        }
        self.computed(self.rule.index_at(self.next_start, on)?)
    }

    /// Every period with `end <= as_of`, in order. While paused, neither the open period nor a
    /// later one is among them, whatever `as_of` is.
    pub fn ended_by(&self, as_of: CivilDate) -> Vec<Period> {
        let settled = match (self.paused_on, self.fixed.split_last()) {
            (Some(_), Some((_open, before))) => before,
            (Some(_) | None, _) => &self.fixed,
        };
        let mut ended: Vec<Period> =
            settled.iter().copied().take_while(|period| period.end <= as_of).collect();
        if !self.is_paused() && self.next_start <= as_of {
            let computed = (0..PERIODS_MAX).map_while(|index| self.computed(index));
            ended.extend(computed.take_while(|period| period.end <= as_of));
        }
        ended
    }

    /// The period after number `number_after`, the next whose end is worth waiting for. `None`
    /// while a pause holds that period open, since its end is not known yet.
    pub fn first_end_after(&self, number_after: u32) -> Option<Period> {
        let next = self.period(number_after.checked_add(1)?)?;
        let held_open = self.is_paused() && next.number.checked_add(1) == Some(self.next_number);
        (!held_open).then_some(next)
    }

    /// Follow `rule` from the period after the one that holds `on`, which keeps its end.
    ///
    /// A date before the first period changes the rule from the first period on. While paused, the
    /// open period stays and the rule starts with the next.
    pub fn change_rule(&mut self, on: CivilDate, rule: PeriodRule) {
        if !self.is_paused() {
            self.fix_through(on);
        }
        self.rule = rule;
    }

    /// Hold the period that contains `on` open, with `on` as the first paused day. No effect while
    /// already paused: the earlier pause stands.
    ///
    /// A pause before the first period holds that one back instead.
    pub fn pause(&mut self, on: CivilDate) {
        if !self.is_paused() {
            self.fix_through(on);
            self.paused_on = Some(on);
        }
    }

    /// End the pause, with `on` as the first day that counts again. No effect when not paused.
    ///
    /// The open period's end moves later by the paused days, and under a monthly rule on to the
    /// first billing day from there; a pause of no days moves nothing. The rule is the one in force
    /// at the resumption. A first period that had not started begins no earlier than `on`.
    pub fn resume(&mut self, on: CivilDate) {
        let Some(paused_on) = self.paused_on.take() else { return };
        let Some(open_end) = self.fixed.last().map(|open| open.end) else {
            self.next_start = self.next_start.max(on);
            return;
        };
        let end = self.end_after_pause(open_end, paused_on, on);
        if let Some(open) = self.fixed.last_mut() {
            open.end = end;
        }
        self.next_start = end;
    }

    /// Is a pause in force?
    pub fn is_paused(&self) -> bool {
        self.paused_on.is_some()
    }

    /// The rule in force for periods not yet fixed.
    pub fn rule(&self) -> PeriodRule {
        self.rule
    }

    /// The schedule as plain fields.
    pub fn to_parts(&self) -> ScheduleParts {
        ScheduleParts {
            fixed: self.fixed.clone(),
            next_number: self.next_number,
            next_start: self.next_start,
            rule: self.rule,
            paused_on: self.paused_on,
        }
    }

    /// The schedule that [`to_parts`](Self::to_parts) took apart. Parts from elsewhere are not
    /// checked: they cannot cause a panic, but periods may then overlap.
    pub fn from_parts(parts: ScheduleParts) -> Self {
        let ScheduleParts { fixed, next_number, next_start, rule, paused_on } = parts;
        Self { fixed, next_number, next_start, rule, paused_on }
    }

    /// The period `index` places after the fixed ones, by the rule in force.
    fn computed(&self, index: u32) -> Option<Period> {
        let number = self.next_number.checked_add(index).filter(|number| *number <= PERIODS_MAX)?;
        let start = self.rule.start_after(self.next_start, index)?;
        let end = self.rule.start_after(self.next_start, index.checked_add(1)?)?;
        Some(Period { number, start, end })
    }

    /// Settle every period that starts on or before `on`; past the last period, all of them.
    fn fix_through(&mut self, on: CivilDate) {
        let begun: Vec<Period> = (0..PERIODS_MAX)
            .map_while(|index| self.computed(index))
            .take_while(|period| period.start <= on)
            .collect();
        if let Some(last) = begun.last() {
            self.next_number = last.number.saturating_add(1);
            self.next_start = last.end;
        }
        self.fixed.extend(begun);
    }

    fn end_after_pause(&self, end: CivilDate, from: CivilDate, to: CivilDate) -> CivilDate {
        match days_between(from, to) {
            0 => end,
            days => self.rule.end_not_before(plus_days(end, days)),
        }
    }
}
