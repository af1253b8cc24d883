//! What is still missing before work may open.

use calendar::CivilDate;

use super::{Case, PaperStatus};
use crate::codec::codes;
use crate::event::PaperKind;

codes! {
    /// A step before work may open.
    pub enum Step {
        /// The federal disclosure, signed for.
        Disclosure = "disclosure",
        /// The agreement, with its authorization.
        Agreement = "agreement",
        /// The cancellation days.
        WaitingDays = "waiting_days",
        /// A government photo identification, accepted.
        PhotoId = "photo_id",
        /// A proof of residence, accepted.
        Residence = "residence",
        /// A connected report source.
        ReportSource = "report_source",
        /// A first report.
        FirstReport = "first_report",
    }
}

/// A step, and since when it is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StepDone {
    /// The step.
    pub step: Step,
    /// Done since this day.
    pub since: Option<CivilDate>,
}

/// Every step, on one day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Readiness {
    /// The steps, in order.
    pub steps: Vec<StepDone>,
}

impl Readiness {
    /// Steps done, in whole percent, rounded down.
    pub fn percent(&self) -> usize {
        self.steps.iter().filter(|s| s.since.is_some()).count() * 100 / self.steps.len()
    }

    /// The steps still missing.
    pub fn missing(&self) -> impl Iterator<Item = Step> {
        self.steps.iter().filter(|s| s.since.is_none()).map(|s| s.step)
    }
}

impl Case {
    /// Which steps are done on a day.
    pub fn readiness(&self, today: CivilDate) -> Readiness {
        let steps =
            Step::ALL.iter().map(|&step| StepDone { step, since: self.done_since(step, today) });
        Readiness { steps: steps.collect() }
    }

    fn done_since(&self, step: Step, today: CivilDate) -> Option<CivilDate> {
        match step {
            Step::Disclosure => self.acknowledged.first().map(super::Moment::on),
            Step::Agreement => self.agreement().map(|a| a.signed.on()),
            Step::WaitingDays => {
                self.agreement().map(|a| a.service_from).filter(|from| *from <= today)
            }
            Step::PhotoId => self.paper_since(PaperKind::PhotoId),
            Step::Residence => self.paper_since(PaperKind::Residence),
            Step::ReportSource => self.source_connected().map(|mark| mark.on),
            Step::FirstReport => self.reports.values().map(super::Reports::imported_on).min(),
        }
    }

    fn paper_since(&self, kind: PaperKind) -> Option<CivilDate> {
        let accepted = |p: &&super::Paper| p.kind == kind && p.status == PaperStatus::Accepted;
        self.papers().values().filter(accepted).map(|p| p.mark.on).min()
    }
}
