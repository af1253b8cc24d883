//! Fees for what was sold by telephone (16 CFR 310.4(a)(2)): the time frame is over, and a report issued more
//! than six months after them shows the results.

use calendar::{BusinessCalendar, telemarketing_report_from};

use super::because::{Because, Ruling};
use super::gates::Asking;
use super::story::Standing;
use super::work;
use crate::case::{Achieved, Mark};
use crate::gates::Opens;
use crate::terms::Work;

impl<'a> Asking<'_, 'a> {
    pub(super) fn telemarketing(&self, standing: &Standing<'a>) -> Ruling<'a> {
        let rules = &standing.rules;
        let rule = self.law.as_ref().map_or(&rules.telemarketing, |law| &law.telemarketing);
        let Some(enrolment) = &self.judge.matter.case.enrolment else {
            return Ruling::fails(Because::NoPeriod, Opens::Never);
        };
        let sale = &enrolment.sale;
        let found = if rule.exempts(sale) {
            let (channel, enrolled) = (sale.channel, &enrolment.mark);
            Ruling::holds(Because::NotTelemarketing { channel, enrolled })
        } else {
            let enrolled_on = enrolment.mark.on;
            let last =
                BusinessCalendar::EveryDay.add_business_days(enrolled_on, sale.promised_days);
            if self.on <= last {
                let until = BusinessCalendar::EveryDay.add_business_days(last, 1);
                Ruling::fails(Because::FrameRuns { until: last }, Opens::Wait { until })
            } else {
                self.results_shown()
            }
        };
        found.citing(&rule.cites)
    }

    fn results_shown(&self) -> Ruling<'a> {
        let listings = self.judge.matter.case.listings.values();
        let results = listings.flat_map(|listing| &listing.results);
        let results: Vec<&'a Achieved> =
            results.filter(|result| result.stood_on(self.on)).collect();
        if results.is_empty() {
            return Ruling::fails(Because::NothingAchieved, Opens::PutRight);
        }
        let is_shown = |r: &&'a Achieved| r.shown.as_ref().is_some_and(|mark| mark.on <= self.on);
        if let Some(open) = results.iter().find(|result| !is_shown(result)) {
            let from = telemarketing_report_from(open.since.on);
            let because = Because::NotShown { result: &open.since, from };
            return Ruling::fails(because, Opens::Wait { until: from });
        }
        let mut shown: Vec<&'a Mark> = results.iter().filter_map(|r| r.shown.as_ref()).collect();
        let latest = shown.iter().map(|mark| mark.on).max();
        let told = self.judge.work.iter().find(|placed: &&work::Placed<'a>| {
            placed.done.work == Work::ProgressReport
                && Some(placed.on()) >= latest
                && placed.on() <= self.on
        });
        match told {
            Some(told) => {
                shown.push(&told.done.moment.mark);
                Ruling::holds(Because::Shown { shown })
            }
            None => Ruling::fails(Because::NotTold { shown }, Opens::PutRight),
        }
    }
}
