//! What the CRM takes in of a client from what was recorded.

use calendar::CivilDate;
use domain::event::CaseEvent;
use domain::ids::BureauCode;

use super::super::BUREAUS;
use super::{Client, SET_UP_STEPS, Stage, Waiting};

impl Client {
    /// Takes in what was recorded.
    pub(in crate::history) fn learn(&mut self, on: CivilDate, event: &CaseEvent) {
        self.learn_signing(on, event);
        self.learn_results(on, event);
        self.learn_work(on, event);
        match event {
            CaseEvent::Enrolled(_) => self.stage = Stage::Enrolled(0),
            CaseEvent::DisclosureDelivered(_)
            | CaseEvent::DisclosureAcknowledged(_)
            | CaseEvent::ConsentSigned(_)
            | CaseEvent::IdentityPaperReceived(_)
            | CaseEvent::IdentityPaperAccepted(_)
            | CaseEvent::ReportSourceConnected(_)
            | CaseEvent::ReportImported(_) => self.stepped(1),
            CaseEvent::IdentityPaperRejected(_) => self.stepped(-1),
            CaseEvent::ItemListed(e) => self.listed.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::BasisAttested(e) => self.attested.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::WorkOpened(_) => self.stage = Stage::Open,
            CaseEvent::RoundSent(e) => {
                self.waiting.extend(e.letters.iter().map(|letter| Waiting {
                    round: e.round,
                    bureau: index(&letter.bureau),
                    items: letter.items.clone(),
                    sent_on: on,
                    delivered: false,
                }));
            }
            CaseEvent::LetterDelivered(e) => {
                let of = |w: &&mut Waiting| w.round == e.round && w.bureau == index(&e.bureau);
                if let Some(waiting) = self.waiting.iter_mut().find(of) {
                    waiting.delivered = true;
                }
            }
            CaseEvent::ResponseReceived(e) => {
                self.waiting.retain(|w| w.round != e.round || w.bureau != index(&e.bureau));
            }
            CaseEvent::ItemDeleted(e) => self.deleted.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::ItemReinserted(e) => {
                let key = (e.item.clone(), index(&e.bureau));
                self.deleted.retain(|known| *known != key);
            }
            CaseEvent::ServicePaused(_) => self.paused = true,
            CaseEvent::ServiceResumed(_) => self.paused = false,
            CaseEvent::ServiceEnded(_) | CaseEvent::ConsentCancelled(_) => {
                if self.stage != Stage::Over {
                    self.was = self.stage;
                }
                self.stage = Stage::Over;
            }
            CaseEvent::FeeEarned(e) => self.periods = self.periods.max(e.period),
            CaseEvent::PeriodClosedWithoutFee(e) => self.periods = self.periods.max(e.period),
            _ => {}
        }
    }

    fn learn_signing(&mut self, on: CivilDate, event: &CaseEvent) {
        match event {
            CaseEvent::DisclosureAcknowledged(_) => self.signed.disclosure = true,
            CaseEvent::ConsentSigned(_) => {
                self.signed.agreement = true;
                self.signed_on = Some(on);
                if self.stage == Stage::Over {
                    self.stage = self.was;
                }
            }
            _ => {}
        }
    }

    fn learn_work(&mut self, on: CivilDate, event: &CaseEvent) {
        let kind = match event {
            CaseEvent::RoundSent(_) => 0,
            CaseEvent::ReportImported(_) if self.stage == Stage::Open => 1,
            CaseEvent::ProgressReportSent(_) => 2,
            _ => return,
        };
        self.last_done_on[kind] = self.last_done_on[kind].max(Some(on));
    }

    fn learn_results(&mut self, on: CivilDate, event: &CaseEvent) {
        match event {
            CaseEvent::ItemDeleted(e) => self.results.push((index(&e.bureau), on)),
            CaseEvent::ItemCorrected(e) => self.results.push((index(&e.bureau), on)),
            CaseEvent::ReportImported(e) => {
                let shown = |(at, since): &(usize, CivilDate)| {
                    *at == index(&e.bureau)
                        && calendar::telemarketing_report_from(*since) <= e.issued_on
                };
                for (item, at) in self.deleted.iter().filter(|(_, at)| *at == index(&e.bureau)) {
                    self.shown.retain(|(known, of, _)| (known, of) != (item, at));
                    self.shown.push((item.clone(), *at, e.issued_on));
                }
                self.to_tell |= self.results.iter().any(shown);
                self.results.retain(|result| !shown(result));
            }
            CaseEvent::ProgressReportSent(_) => self.to_tell = false,
            _ => {}
        }
    }

    fn stepped(&mut self, by: i8) {
        if let Stage::Enrolled(step) = self.stage {
            let step = step.saturating_add_signed(by);
            self.stage = if step >= SET_UP_STEPS { Stage::Ready } else { Stage::Enrolled(step) };
        }
    }
}

fn index(code: &BureauCode) -> usize {
    BUREAUS.iter().position(|bureau| *bureau == code.as_str()).unwrap_or(0)
}
