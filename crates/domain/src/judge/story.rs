//! The story of a service: which agreements stand, when it runs, when it is paused, when it is over.
//!
//! It is made of facts by the days on which they happened. The order in which they were told decides
//! nothing.

use std::borrow::Cow;

use calendar::CivilDate;

use super::doubt::Doubt;
use crate::case::{Agreement, Cancellation, Case, Moment, PauseTurn, Turn};
use crate::firm::{Firm, Known, Place, SigningLaw};
use crate::ids::StateCode;
use crate::rules::{RulePack, Rules};
use crate::terms::Terms;

/// The edition of the rules that first looked at what was told of the plan after the signing.
const PLAN_OF_DAY_SINCE: u32 = 2;

/// The edition of the rules that first asked whether an agreement was signed behind its client's death.
const DEATH_ASKED_SINCE: u32 = 6;

/// An agreement that was not cancelled in its days.
pub(crate) struct Standing<'a> {
    pub(crate) agreement: &'a Agreement,
    /// The client's state on the day of signing.
    pub(crate) state: StateCode,
    /// What decides whose law reaches it.
    pub(crate) place: Place<'a>,
    /// Last day to cancel without penalty.
    pub(crate) cancel_through: CivilDate,
    /// Prices and work: of the plan's version of the day of signing, whenever that was told.
    pub(crate) terms: Cow<'a, Terms>,
    /// First day of service.
    pub(crate) service_from: CivilDate,
    /// The last day of its service, once it has ended.
    pub(crate) last_day: Option<CivilDate>,
    /// What ended it on that day.
    pub(crate) ended_by: Vec<&'a Moment>,
    /// What the law of the day of signing asked of it.
    pub(crate) rules: Rules,
    /// The packs of states in that.
    pub(crate) states: Vec<&'a RulePack>,
    /// How well that law is known; nothing without a federal pack of that day.
    pub(crate) known: Option<Known>,
}

impl Standing<'_> {
    pub(crate) fn signed_on(&self) -> CivilDate {
        self.agreement.signed.on()
    }

    /// Whether service under it is allowed on a day, pauses left out.
    fn serves_on(&self, on: CivilDate) -> bool {
        self.service_from <= on && self.last_day.is_none_or(|last| on <= last)
    }

    /// The same of a piece of work. On the last day it came before the end, unless it is known to have come later.
    pub(crate) fn serves(&self, work: &Moment) -> bool {
        let is_over = |end: &&Moment| end.is_before(work) == Some(true);
        self.serves_on(work.on())
            && (self.last_day != Some(work.on()) || !self.ended_by.iter().any(is_over))
    }
}

/// An agreement that binds nobody: as if it had never been signed.
pub(crate) struct Undone<'a> {
    pub(crate) agreement: &'a Agreement,
    pub(crate) by: UndoneBy<'a>,
    /// The packs of states that reached it.
    pub(crate) states: Vec<&'a RulePack>,
}

/// Why an agreement binds nobody.
#[derive(Clone, Copy)]
pub(crate) enum UndoneBy<'a> {
    /// Its client cancelled it in its days (15 USC 1679e).
    Cancellation(&'a Cancellation),
    /// Its client had died before: no consumer signed it (15 USC 1679d(a)(1)).
    Death(&'a Moment),
}

/// Agreements between which no day was without one. Periods begin with the first of them.
pub(crate) struct Row {
    /// The first agreement, as an index of the standing ones.
    pub(crate) first: usize,
    /// The index after the last one.
    pub(crate) end: usize,
    /// The last day of service, once every one of them has ended.
    pub(crate) closed_on: Option<CivilDate>,
}

/// Days on which service was paused: from its first up to, not including, the day that ran again.
pub(crate) struct Pause<'a> {
    pub(crate) began: &'a Moment,
    pub(crate) until: Option<&'a Moment>,
}

impl Pause<'_> {
    /// Whether work counts as done in the pause. Work of its first day was done before it, unless it is known
    /// to have come later.
    pub(crate) fn holds(&self, work: &Moment) -> bool {
        let on = work.on();
        let begun = self.began.on() < on
            || self.began.on() == on && self.began.is_before(work) == Some(true);
        begun && self.until.is_none_or(|until| on < until.on())
    }

    /// How many days of it lie from one day up to another. One that nobody ended lasts through `today`.
    pub(crate) fn days_within(&self, from: CivilDate, to: CivilDate, today: CivilDate) -> i64 {
        let until = match self.until {
            Some(until) => until.on(),
            None => today.succ_opt().unwrap_or(today),
        };
        until.min(to).signed_duration_since(self.began.on().max(from)).num_days().max(0)
    }
}

/// What happened to a service, by its days.
pub(crate) struct Story<'a> {
    pub(crate) standing: Vec<Standing<'a>>,
    pub(crate) undone: Vec<Undone<'a>>,
    pub(crate) rows: Vec<Row>,
    pub(crate) pauses: Vec<Pause<'a>>,
}

impl<'a> Story<'a> {
    pub(super) fn of(case: &'a Case, firm: &'a Firm, doubt: &Doubt, edition: u32) -> Self {
        let mut standing = Vec::with_capacity(case.agreements.len());
        let mut undone = Vec::new();
        for agreement in case.agreements.iter() {
            // Where the client lived that day, whenever it was told; an erased client's address is gone.
            let lived = case.contact_on(agreement.signed.on());
            let state = lived.map_or(agreement.state, |since| since.contact.address.state);
            let place = Place::of(state, agreement.activity.as_ref()).of_edition(edition);
            let law = firm.law_of_signing(place, agreement.signed.on());
            let (rules, states, known) = match law {
                Some(SigningLaw { certain, states, state: known, .. }) => {
                    (certain, states, Some(known.of_edition(edition)))
                }
                None => (agreement.rules.clone(), Vec::new(), None),
            };
            let died = case.death_before(&agreement.signed);
            if let Some(died) = died.filter(|_| edition >= DEATH_ASKED_SINCE) {
                undone.push(Undone { agreement, by: UndoneBy::Death(died), states });
                continue;
            }
            // Rights of the client are counted from the later reading.
            let (cancel_through, service_from) =
                rules.cancellation_window(doubt.later(&agreement.signed));
            let in_days = |cancellation: &&Cancellation| {
                let (first, last) = doubt.sent(&cancellation.moment, cancellation.sent_on);
                agreement.signed.on() <= last && first <= cancel_through
            };
            if let Some(cancellation) = case.cancellations.iter().find(in_days) {
                undone.push(Undone { agreement, by: UndoneBy::Cancellation(cancellation), states });
                continue;
            }
            let plan = case.plan_of(agreement).filter(|_| edition >= PLAN_OF_DAY_SINCE);
            let plan = plan.and_then(|of| firm.plan_on(of, agreement.signed.on()));
            let told = &agreement.terms;
            let terms = plan.map_or(Cow::Borrowed(told), |plan| plan.terms_of(told));
            let last_day = None;
            standing.push(Standing {
                agreement,
                state,
                place,
                cancel_through,
                service_from,
                terms,
                last_day,
                ended_by: Vec::new(),
                rules,
                states,
                known,
            });
        }
        end_agreements(case, &mut standing, &undone);
        let rows = rows(&standing);
        let pauses = pauses(case, &standing, &rows);
        Self { standing, undone, rows, pauses }
    }

    /// Whether service is allowed on a day, pauses left out.
    pub(crate) fn serves_on(&self, on: CivilDate) -> bool {
        self.standing.iter().any(|standing| standing.serves_on(on))
    }

    /// Whether a piece of work was done while service was allowed, pauses left out.
    pub(crate) fn serves(&self, work: &Moment) -> bool {
        self.standing.iter().any(|standing| standing.serves(work))
    }

    /// The pause that holds a piece of work.
    pub(crate) fn pause_of(&self, work: &Moment) -> Option<&Pause<'a>> {
        self.pauses.iter().find(|pause| pause.holds(work))
    }
}

/// An end, or a cancellation sent after the days, ends every agreement signed before it.
fn end_agreements<'a>(case: &'a Case, standing: &mut [Standing<'a>], undone: &[Undone<'a>]) {
    let ended = case.ends.iter().map(|ended| (ended.moment.on(), &ended.moment));
    let late = case.cancellations.iter().filter(|cancellation| {
        !undone.iter().any(|undone| match undone.by {
            UndoneBy::Cancellation(known) => std::ptr::eq(known, *cancellation),
            UndoneBy::Death(_) => false,
        })
    });
    let late = late.map(|cancellation| (cancellation.sent_on, &cancellation.moment));
    for (on, moment) in ended.chain(late) {
        for standing in standing.iter_mut() {
            let signed = &standing.agreement.signed;
            // On one day the signing comes first, unless it is known to have come later.
            let ends_it =
                signed.on() < on || signed.on() == on && moment.is_before(signed) != Some(true);
            if !ends_it {
                continue;
            }
            if standing.last_day.is_none_or(|last| on < last) {
                (standing.last_day, standing.ended_by) = (Some(on), Vec::new());
            }
            if standing.last_day == Some(on) {
                standing.ended_by.push(moment);
            }
        }
    }
}

fn rows(standing: &[Standing<'_>]) -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    for (at, agreement) in standing.iter().enumerate() {
        let goes_on = |row: &&mut Row| {
            row.closed_on
                .is_none_or(|last| last.succ_opt().is_none_or(|next| agreement.signed_on() <= next))
        };
        let closed_on = agreement.last_day;
        if let Some(row) = rows.last_mut().filter(goes_on) {
            row.end = at + 1;
            row.closed_on = closed_on;
        } else {
            rows.push(Row { first: at, end: at + 1, closed_on });
        }
    }
    rows
}

/// Beginnings and ends of pauses by their days. On one day an end belongs to the pause that was open before it,
/// or if none was to the one that began on that day, in whatever order they were told.
fn turns(case: &Case) -> Vec<&PauseTurn> {
    let mut turns: Vec<&PauseTurn> = Vec::with_capacity(case.pauses.len());
    for of_day in case.pauses.chunk_by(|one, other| one.moment.on() == other.moment.on()) {
        let is_open = turns.last().is_some_and(|turned| turned.turn == Turn::Paused);
        let first = if is_open { Turn::Resumed } else { Turn::Paused };
        turns.extend(of_day.iter().filter(|turned| turned.turn == first));
        turns.extend(of_day.iter().filter(|turned| turned.turn != first));
    }
    turns
}

/// A pause belongs to the row of agreements in which it began: it ends where the next one begins.
fn pauses<'a>(case: &'a Case, standing: &[Standing<'a>], rows: &[Row]) -> Vec<Pause<'a>> {
    let next_row = |began: &Moment| {
        let signed = rows.iter().map(|row| &standing[row.first].agreement.signed);
        signed.into_iter().find(|signed| began.on() < signed.on())
    };
    let mut pauses: Vec<Pause<'a>> = Vec::new();
    for turned in turns(case) {
        let open = pauses.last_mut().filter(|pause| pause.until.is_none());
        let row = open.as_ref().and_then(|open| next_row(open.began));
        let forgotten = row.filter(|signed| signed.on() <= turned.moment.on());
        match (turned.turn, open, forgotten) {
            (Turn::Resumed, Some(open), None) => open.until = Some(&turned.moment),
            (Turn::Resumed, Some(open), Some(signed)) => open.until = Some(signed),
            (Turn::Resumed, None, _) | (Turn::Paused, Some(_), None) => {}
            (Turn::Paused, open, _) => {
                if let Some(open) = open {
                    open.until = forgotten;
                }
                pauses.push(Pause { began: &turned.moment, until: None });
            }
        }
    }
    if let Some(open) = pauses.last_mut().filter(|pause| pause.until.is_none()) {
        open.until = next_row(open.began);
    }
    pauses
}
