//! Fees for what was sold by telephone (16 CFR 310.4(a)(2)): the time frame is over, and a report issued more
//! than six months after them shows the promised results: those of the agreement's list, or those of a person's finding.

use calendar::{BusinessCalendar, telemarketing_report_from};

use super::because::{Because, Ruling};
use super::gates::Asking;
use super::promised::Shown;
use super::story::Standing;
use crate::case::{Achieved, Mark, Moment, Reports};
use crate::gates::Opens;
use crate::terms::Work;

/// The edition of the rules that first asked which results were promised. Before it, all that were achieved were
/// taken for them.
const LISTS_ASKED_SINCE: u32 = 2;

/// The edition that first asked whether a report came before the progress report of its day.
const ORDER_ASKED_SINCE: u32 = 3;

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
                self.results_shown(standing)
            }
        };
        found.citing(&rule.cites)
    }

    /// The promised results are shown, and the report that shows them was given to the client.
    fn results_shown(&self, standing: &Standing<'a>) -> Ruling<'a> {
        if let Some(promised) = &standing.agreement.promised {
            return match self.promises_kept(standing, promised) {
                Ok(shown) => self.given(shown),
                Err(ruling) => ruling,
            };
        }
        match self.found(standing) {
            Some(Ok(shown)) => self.given(shown),
            Some(Err(ruling)) => ruling,
            None => self.nobody_found(),
        }
    }

    /// Nobody said which results were promised. Where nothing was achieved, or what was is not shown, no finding
    /// could help. Else it is not known whether that is what was promised.
    fn nobody_found(&self) -> Ruling<'a> {
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
        let shown = results.iter().filter_map(|r| r.shown.as_ref());
        let shown = shown.map(|mark| Shown { mark, on: mark.on }).collect();
        let given = self.given(shown);
        if self.judge.edition < LISTS_ASKED_SINCE {
            return given;
        }
        if let Because::Shown { shown } = given.because {
            Ruling::unknown(Because::NobodyFound { shown })
        } else {
            given
        }
    }

    /// The seller "has provided" the report: a progress report that came after the latest. On the day of its issue
    /// that is known by times, or by the order of a request that tells both.
    fn given(&self, shown: Vec<Shown<'a>>) -> Ruling<'a> {
        let latest = shown.iter().map(|shown| shown.on).max();
        let mut shown: Vec<&'a Mark> = shown.into_iter().map(|shown| shown.mark).collect();
        let progress = || {
            let work = self.judge.work.iter().filter(|placed| {
                placed.done.work == Work::ProgressReport
                    && Some(placed.on()) >= latest
                    && placed.on() <= self.on
            });
            work.map(|placed| &placed.done.moment)
        };
        let is_after = |told: &Moment| self.is_after_reports(told, &shown);
        if let Some(told) = progress().find(|told| is_after(told) == Some(true)) {
            shown.push(&told.mark);
            return Ruling::holds(Because::Shown { shown });
        }
        if let Some(told) = progress().find(|told| is_after(told).is_none()) {
            shown.push(&told.mark);
            return Ruling::unknown(Because::GivenInDoubt { shown, on: told.on() });
        }
        Ruling::fails(Because::NotTold { shown }, Opens::PutRight)
    }

    /// Whether a progress report came after each of the reports that were issued on its day, if that is known.
    fn is_after_reports(&self, told: &Moment, shown: &[&Mark]) -> Option<bool> {
        if self.judge.edition < ORDER_ASKED_SINCE {
            return Some(true);
        }
        let reports = self.judge.matter.case.reports.values().flat_map(Reports::all);
        let of_day = reports.filter(|report| {
            let at = report.moment.mark.at.position;
            report.issued_on == told.on() && shown.iter().any(|mark| mark.at.position == at)
        });
        // One that was imported later was issued at an hour that nobody told.
        let orders = of_day.map(|report| {
            let is_of_day = report.moment.on() == told.on();
            is_of_day.then(|| report.moment.is_before(told)).flatten()
        });
        let orders: Vec<Option<bool>> = orders.collect();
        let is_known = !orders.contains(&None);
        if orders.contains(&Some(false)) { Some(false) } else { is_known.then_some(true) }
    }
}
