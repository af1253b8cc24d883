//! Days that are in doubt: where the firm's zone and the client's differ and nobody said at what time something
//! happened, the day that was told may be another one where the client lives.
//!
//! Rights of the client are counted from the later reading. What the firm did is read both ways: facts that one
//! request tells of one day share their doubt, each such sitting is read the other way alone, then all are together,
//! and a gate that does not answer alike is unknown.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::CivilDate;

use super::{Judge, Matter};
use crate::case::{Case, Listing, Moment};
use crate::gates::{Answer, Gate};
use crate::ids::RequestId;

/// Facts of one request and day; what no request is kept of stands alone, by its position.
type Sitting = (Option<RequestId>, CivilDate, u64);

/// The days that are in doubt of a case.
#[derive(Default)]
pub(super) struct Doubt {
    /// The other reading of each day that is in doubt, by the position of its fact.
    other: BTreeMap<u64, (Sitting, CivilDate)>,
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
                doubt.other.insert(told.position, ((told.request, on, alone), other));
            }
        });
        doubt
    }

    /// The later reading of a fact's day, however it is read now.
    pub(super) fn later(&self, moment: &Moment) -> CivilDate {
        let other = self.other.get(&moment.mark.at.position);
        other.map_or(moment.on(), |((_, on, _), other)| *on.max(other))
    }

    /// The earliest and the latest reading of the day on which a cancellation was sent.
    pub(super) fn sent(&self, moment: &Moment, sent_on: CivilDate) -> (CivilDate, CivilDate) {
        let other = self.other.get(&moment.mark.at.position);
        other.map_or((sent_on, sent_on), |((_, on, _), other)| (*on.min(other), *on.max(other)))
    }

    /// The case as each sitting alone, and then all together, would be read the other way.
    pub(super) fn readings(&self, case: &Case) -> Vec<Case> {
        let sittings: BTreeSet<&Sitting> =
            self.other.values().map(|(sitting, _)| sitting).collect();
        let mut readings: Vec<Case> =
            sittings.iter().map(|of| self.read(case, |sitting| sitting == *of)).collect();
        if sittings.len() > 1 {
            readings.push(self.read(case, |_| true));
        }
        readings
    }

    fn read(&self, case: &Case, is_read: impl Fn(&Sitting) -> bool) -> Case {
        let mut read = case.clone();
        let is_wanted =
            |position| self.other.get(&position).is_some_and(|(sitting, _)| is_read(sitting));
        each_day(&mut read, &is_wanted, &mut |told: &mut Told<'_>| {
            if let Some((_, other)) = self.other.get(&told.position) {
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
    is_timed: bool,
}

impl<'a> Told<'a> {
    fn of(moment: &'a mut Moment) -> Self {
        let position = moment.mark.at.position;
        let (request, is_timed) = (Some(moment.request), moment.at.is_some());
        Self { on: &mut moment.mark.on, position, request, is_timed }
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
    let mut of = |moment: &mut Moment| {
        if wanted(moment) {
            visit(&mut Told::of(moment));
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
    case.work.iter_mut().for_each(|fact| of(&mut fact.moment));
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
            visit(&mut Told { on: &mut cancellation.sent_on, position, request, is_timed });
        }
    }
    for asked in &mut case.asked {
        let position = asked.mark.at.position;
        if is_wanted(position) {
            let on = &mut asked.mark.on;
            visit(&mut Told { on, position, request: None, is_timed: false });
        }
    }
}

impl Judge<'_> {
    /// The case as its days in doubt could be read otherwise, judged.
    pub(super) fn otherwise(&self) -> Vec<Judge<'_>> {
        let read = |case| Judge::read(Matter { case, ..self.matter }, &self.doubt, self.edition);
        let readings = self.readings.get_or_init(|| self.doubt.readings(self.matter.case));
        readings.iter().map(read).collect()
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
