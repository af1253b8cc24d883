//! Days that are in doubt: where the firm's zone and the client's differ and nobody said at what time something
//! happened, the day that was told may be another one where the client lives.
//!
//! Rights of the client are counted from the later reading. What the firm did is read both ways: facts that one
//! request tells of one day share their doubt, each such sitting is read the other way alone, then all are together,
//! and a gate that does not answer alike is unknown.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::{BusinessCalendar, CivilDate, Period};

use super::{Judge, Matter};
use crate::case::{Case, Listing, Moment, Reports, WorkDone};
use crate::gates::{Answer, Gate};
use crate::ids::RequestId;
use crate::terms::GRACE_DAYS;

/// Facts of one request and day; what no request is kept of stands alone, by its position.
type Sitting = (Option<RequestId>, CivilDate, u64);

/// A day that is in doubt.
struct Doubted {
    sitting: Sitting,
    /// The other reading.
    other: CivilDate,
    /// Whether it is of work, or of what was asked of a bureau.
    is_of_work: bool,
}

/// The days that are in doubt of a case.
#[derive(Default)]
pub(super) struct Doubt {
    /// Each of them, by the position of its fact.
    days: BTreeMap<u64, Doubted>,
}

impl Doubt {
    /// The days of a case that are in doubt.
    pub(super) fn of(matter: &Matter<'_>) -> Self {
        let mut doubt = Self::default();
        let client = matter.case.enrolment.as_ref().map(|enrolment| enrolment.zone);
        let firm = matter.firm.registered.as_ref().map(|firm| firm.zone);
        let Some((client, firm)) = client.zip(firm).filter(|(client, firm)| client != firm) else {
            return doubt;
        };
        // The case is read, and left as it is.
        each_day(&mut matter.case.clone(), &|_| true, &mut |told: &mut Told<'_>| {
            let on = *told.on;
            let ahead = client.offset_at_noon(on).cmp(&firm.offset_at_noon(on));
            let other = match ahead {
                _ if told.is_timed => None,
                std::cmp::Ordering::Equal => None,
                std::cmp::Ordering::Greater => on.succ_opt(),
                std::cmp::Ordering::Less => on.pred_opt(),
            };
            if let Some(other) = other {
                let alone = if told.request.is_some() { 0 } else { told.position };
                let (sitting, is_of_work) = ((told.request, on, alone), told.is_of_work);
                doubt.days.insert(told.position, Doubted { sitting, other, is_of_work });
            }
        });
        doubt
    }

    /// The later reading of a fact's day, however it is read now.
    pub(super) fn later(&self, moment: &Moment) -> CivilDate {
        let doubted = self.days.get(&moment.mark.at.position);
        doubted.map_or(moment.on(), |of| of.sitting.1.max(of.other))
    }

    /// The earliest and the latest reading of the day on which a cancellation was sent.
    pub(super) fn sent(&self, moment: &Moment, sent_on: CivilDate) -> (CivilDate, CivilDate) {
        let doubted = self.days.get(&moment.mark.at.position);
        doubted.map_or((sent_on, sent_on), |Doubted { sitting: (_, on, _), other, .. }| {
            (*on.min(other), *on.max(other))
        })
    }

    /// The case as each sitting alone, and then all together, would be read the other way. Of work alone only if one
    /// of its two days is an edge: any other is judged alike either way.
    fn readings(&self, case: &Case, is_edge: impl Fn(CivilDate) -> bool) -> Vec<Case> {
        let matters = |of: &&Doubted| {
            let (_, on, _) = of.sitting;
            !of.is_of_work || is_edge(on) || is_edge(of.other)
        };
        let sittings: BTreeSet<&Sitting> =
            self.days.values().filter(matters).map(|of| &of.sitting).collect();
        let mut readings: Vec<Case> =
            sittings.iter().map(|of| self.read(case, |sitting| sitting == *of)).collect();
        if !self.days.is_empty() {
            readings.push(self.read(case, |_| true));
        }
        readings
    }

    fn read(&self, case: &Case, is_read: impl Fn(&Sitting) -> bool) -> Case {
        let mut read = case.clone();
        let is_wanted = |position| self.days.get(&position).is_some_and(|of| is_read(&of.sitting));
        each_day(&mut read, &is_wanted, &mut |told: &mut Told<'_>| {
            if let Some(Doubted { other, .. }) = self.days.get(&told.position) {
                *told.on = *other;
            }
        });
        read.acknowledged.sort_by_key(|fact| fact.mark.on);
        if !read.agreements.is_sorted_by_key(|fact| fact.signed.on()) {
            Arc::make_mut(&mut read.agreements).sort_by_key(|fact| fact.signed.on());
        }
        read.ends.sort_by_key(|fact| fact.moment.on());
        read.pauses.sort_by_key(|fact| fact.moment.on());
        read.work.sort_by_key(|fact| fact.moment.on());
        read
    }
}

/// A day that was told.
struct Told<'a> {
    on: &'a mut CivilDate,
    position: u64,
    request: Option<RequestId>,
    is_of_work: bool,
    is_timed: bool,
}

impl<'a> Told<'a> {
    fn of(moment: &'a mut Moment, is_of_work: bool) -> Self {
        let position = moment.mark.at.position;
        let (request, is_timed) = (Some(moment.request), moment.at.is_some());
        Self { on: &mut moment.mark.on, position, request, is_of_work, is_timed }
    }
}

/// Every wanted day of a case that may be read otherwise, by the position of its fact; what is shared is copied only
/// where it is. Money, answers and reports bear their own dates.
fn each_day(
    case: &mut Case,
    is_wanted: &dyn Fn(u64) -> bool,
    visit: &mut dyn FnMut(&mut Told<'_>),
) {
    let wanted = |moment: &Moment| is_wanted(moment.mark.at.position);
    for done in &mut case.work {
        if wanted(&done.moment) {
            visit(&mut Told::of(&mut done.moment, true));
        }
    }
    let mut of = |moment: &mut Moment| {
        if wanted(moment) {
            visit(&mut Told::of(moment, false));
        }
    };
    case.acknowledged.iter_mut().for_each(&mut of);
    if case.agreements.iter().any(|fact| wanted(&fact.signed)) {
        for fact in Arc::make_mut(&mut case.agreements) {
            of(&mut fact.signed);
        }
    }
    case.ends.iter_mut().for_each(|fact| of(&mut fact.moment));
    case.pauses.iter_mut().for_each(|fact| of(&mut fact.moment));
    let has_wanted = |listing: &Listing| listing.told.bases.iter().any(|fact| wanted(&fact.moment));
    if case.listings.values().any(|listing| has_wanted(listing)) {
        for listing in Arc::make_mut(&mut case.listings).values_mut() {
            if has_wanted(listing) {
                let listing = Arc::make_mut(listing);
                listing.told.bases.iter_mut().for_each(|fact| of(&mut fact.moment));
                listing.basis_on = listing.told.bases.iter().map(|fact| fact.moment.on()).min();
            }
        }
    }
    for cancellation in &mut case.cancellations {
        let Moment { at, mark, request, .. } = &cancellation.moment;
        // The moment of a letter that came says nothing of the day on which it was sent.
        let is_timed = at.is_some() && cancellation.sent_on == mark.on;
        let (position, request) = (mark.at.position, Some(*request));
        if is_wanted(position) {
            let on = &mut cancellation.sent_on;
            visit(&mut Told { on, position, request, is_of_work: false, is_timed });
        }
    }
    for asked in &mut case.asked {
        if wanted(&asked.moment) {
            visit(&mut Told::of(&mut asked.moment, true));
        }
    }
}

impl Judge<'_> {
    /// The case as its days in doubt could be read otherwise, judged: as far as what is asked for on a day, today or
    /// when it was claimed may be judged otherwise.
    pub(super) fn otherwise(&self, on: CivilDate) -> Vec<Judge<'_>> {
        if self.doubt.days.is_empty() {
            return Vec::new();
        }
        let read = |case| Judge::read(Matter { case, ..self.matter }, &self.doubt, self.edition);
        let readings = self.readings.get_or_init(|| {
            let edges = self.edges();
            let is_edge = |day| self.is_thorough || edges.contains(&day);
            self.doubt.readings(self.matter.case, is_edge)
        });
        if self.is_thorough || on == self.matter.today {
            return readings.iter().map(read).collect();
        }
        let every =
            self.every_reading.get_or_init(|| self.doubt.readings(self.matter.case, |_| true));
        every.iter().map(read).collect()
    }

    /// The days with which days of work are compared, when a fee is asked for today or was claimed. Work that lies
    /// neither on one of them nor beside it is judged alike on the next day or the one before.
    fn edges(&self) -> BTreeSet<CivilDate> {
        let Matter { case, firm, today, .. } = self.matter;
        let plus = |day, days| BusinessCalendar::EveryDay.add_business_days(day, days);
        let mut edges: BTreeSet<CivilDate> = [today].into();
        for slot in &self.slots {
            let agreement = slot.agreement.map(|at| &self.story.standing[at]);
            let grace = agreement.map_or(GRACE_DAYS, |standing| standing.agreement.terms.grace());
            let Period { start, end, .. } = slot.period;
            edges.extend([start, end, plus(end, grace), plus(end, GRACE_DAYS)]);
            edges.extend(slot.cut_on);
        }
        let packs = || firm.packs.iter().map(|adopted| &adopted.pack);
        for standing in &self.story.standing {
            let signed_on = standing.signed_on();
            edges.extend([signed_on, standing.service_from, standing.cancel_through]);
            edges.extend(standing.last_day);
            let within = packs().filter_map(|pack| pack.perform_within.as_ref());
            edges.extend(within.map(|rule| plus(signed_on, rule.days)));
        }
        for pause in &self.story.pauses {
            edges.insert(pause.began.on());
            edges.extend(pause.until.map(Moment::on));
        }
        edges.extend(case.ends.iter().map(|ended| ended.moment.on()));
        edges.extend(case.cancellations.iter().map(|cancelled| cancelled.sent_on));
        edges.extend(self.claimed.iter().flat_map(|claimed| &claimed.asked_on));
        let sale = case.enrolment.as_ref().map(|enrolment| &enrolment.sale);
        let mut rules = packs().filter_map(|pack| pack.telemarketing.as_ref());
        if sale.is_none_or(|sale| rules.any(|rule| !rule.exempts(sale))) {
            edges.extend(case.findings.iter().map(|finding| finding.moment.on()));
            let reports = case.reports.values().flat_map(Reports::all);
            edges.extend(reports.map(|report| report.issued_on));
        }
        for listing in case.listings.values() {
            edges.extend(listing.told.bases.iter().map(|told| told.moment.on()));
            edges.extend(listing.obsolete_from());
        }
        let unlisted = case.unlisted.values().flat_map(|told| &told.bases);
        edges.extend(unlisted.map(|told| told.moment.on()));
        for standing in &firm.standings {
            edges.extend([standing.filed.valid_from, standing.last_day()]);
        }
        edges.extend(self.edges_of_work());
        edges
    }

    /// The days of work that is compared with other work: with more of its kind, where some completes a period
    /// before, and where a statement is due some days after.
    fn edges_of_work(&self) -> impl Iterator<Item = CivilDate> + '_ {
        let states = || self.story.standing.iter().map(|standing| standing.state);
        let packs = self.matter.firm.packs.iter().map(|adopted| &adopted.pack);
        let of_client =
            packs.filter(|pack| pack.state.is_none_or(|of| states().any(|state| state == of)));
        let duties = of_client.filter_map(|pack| pack.monthly_statement.as_ref());
        let due: Vec<i64> =
            duties.flat_map(|duty| [0, i64::from(duty.days_after_work())]).collect();
        let work = &self.matter.case.work;
        let is_compared = move |(at, done): &(usize, &WorkDone)| {
            let mut others = work.iter().enumerate().filter(|(other, _)| other != at);
            done.completes_before
                || others.any(|(_, other)| {
                    let days = (other.moment.on() - done.moment.on()).num_days().abs();
                    let is_alike = other.work == done.work || other.completes_before;
                    is_alike && days <= 2 || due.iter().any(|due| (days - due).abs() <= 2)
                })
        };
        work.iter().enumerate().filter(is_compared).map(|(_, done)| done.moment.on())
    }
}

impl Gate {
    /// Whether days are looked at by it: not by what is claimed, nor by sums.
    pub(super) const fn looks_at_days(self) -> bool {
        !matches!(self, Self::NotClaimed | Self::Total)
    }
}

/// What a gate answers where not all readings of a day agree.
pub(super) fn over(answer: Answer, mut others: impl Iterator<Item = Answer>) -> Answer {
    if others.all(|other| other == answer) { answer } else { Answer::Unknown }
}
