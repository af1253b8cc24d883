//! Folding a case's events. It never refuses: what is in the log happened.

use std::sync::Arc;

use super::{
    Agreement, Billing, Cancellation, Case, ContactSince, EarnedFee, Ended, Enrolment,
    ExposureSeen, FeeMark, GivenUp, Mark, Moment, Paper, PaperStatus, PauseTurn, Turn, WorkDone,
    insert,
};
use crate::event::{
    CaseEvent, ConsentSigned, Direction, Enrolled, FeeEarned, MessageLogged, Recorded, SeenBy,
};
use crate::ids::PaperCode;
use crate::terms::Work;

impl Case {
    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &CaseEvent) {
        self.version = recorded.stream_version;
        let mark = Mark::of(recorded);
        let moment = || Moment::of(recorded);
        match event {
            CaseEvent::Enrolled(e) => self.enrolled(e, moment()),
            CaseEvent::DisclosureDelivered(_) => {
                self.disclosure_delivered.get_or_insert(mark);
            }
            CaseEvent::DisclosureAcknowledged(_) => {
                insert(&mut self.acknowledged, moment(), |known| known);
            }
            CaseEvent::ConsentSigned(e) => self.signed(e, moment()),
            CaseEvent::ConsentCancelled(e) => {
                let cancellation = Cancellation { moment: moment(), sent_on: e.sent_on };
                insert(&mut self.cancellations, cancellation, |known| &known.moment);
            }
            CaseEvent::IdentityPaperReceived(e) => {
                let received_on = mark.on;
                let paper =
                    Paper { kind: e.kind, mark, received_on, status: PaperStatus::Received };
                Arc::make_mut(&mut self.papers).insert(e.paper.clone(), paper);
            }
            CaseEvent::IdentityPaperAccepted(e) => {
                self.paper(&e.paper, PaperStatus::Accepted, mark);
            }
            CaseEvent::IdentityPaperRejected(e) => {
                self.paper(&e.paper, PaperStatus::Rejected, mark);
            }
            CaseEvent::ReportSourceConnected(_) => {
                self.source_connected = Some(mark);
                self.identity_failed = None;
            }
            CaseEvent::ReportIdentityFailed(_) => self.identity_failed = Some(mark),
            CaseEvent::ReportImported(e) => self.imported(e, moment()),
            CaseEvent::ItemListed(e) => {
                self.announced(recorded, &e.bureau, &e.item, Some(e), true);
            }
            CaseEvent::BasisAttested(e) => self.attested(e, moment()),
            CaseEvent::WorkOpened(_) => self.opened = Some(mark),
            CaseEvent::RoundSent(e) => self.sent(e, moment()),
            CaseEvent::LetterDelivered(e) => self.delivered(e.round, &e.bureau, moment()),
            CaseEvent::ClientInformationSent(e) => self.informed(e.round, &e.bureau, moment()),
            CaseEvent::ResponseReceived(e) => self.answered(e, moment()),
            // What a report or an answer comes to is announced behind it.
            CaseEvent::ItemDeleted(e) => match e.seen_by {
                SeenBy::Import => self.announced(recorded, &e.bureau, &e.item, None, false),
                SeenBy::Response | SeenBy::Notice => self.in_log(&e.item, &e.bureau, true),
            },
            CaseEvent::ItemCorrected(e) => self.in_log(&e.item, &e.bureau, false),
            CaseEvent::ItemVerified(e) => self.in_log(&e.item, &e.bureau, false),
            CaseEvent::ItemReinserted(e) => match e.seen_by {
                SeenBy::Notice => self.noticed(&e.item, &e.bureau, moment()),
                SeenBy::Import => self.announced(recorded, &e.bureau, &e.item, None, true),
                SeenBy::Response => self.in_log(&e.item, &e.bureau, false),
            },
            CaseEvent::BureauAsked(e) => self.asked_of(e, mark),
            CaseEvent::BureauAnswered(e) => self.ask_answered(e, mark),
            CaseEvent::ProgressReportSent(e) => {
                self.did(Work::ProgressReport, e.completes_before, moment());
            }
            CaseEvent::ContactChanged(e) => {
                Arc::make_mut(&mut self.contacts)
                    .push(ContactSince { contact: e.contact.clone(), mark });
            }
            CaseEvent::BillingDayChanged(e) => {
                let billing = Billing { moment: moment(), rule: e.billing };
                insert(&mut self.billing, billing, |known| &known.moment);
            }
            CaseEvent::MessageLogged(e) => self.message(e, mark),
            // It changes nothing that rules look at; it stays in the log and the timeline.
            CaseEvent::CorrectionNoted(_) => {}
            CaseEvent::LegalHoldPlaced(e) => {
                self.holds.entry(e.matter.clone()).or_insert(mark);
            }
            CaseEvent::LegalHoldLifted(e) => {
                self.holds.remove(&e.matter);
            }
            CaseEvent::ClientErased(_) => {
                Arc::make_mut(&mut self.contacts).clear();
                self.erased = Some(mark);
            }
            CaseEvent::ServicePaused(_) => self.turned(Turn::Paused, moment()),
            CaseEvent::ServiceResumed(_) => self.turned(Turn::Resumed, moment()),
            CaseEvent::ServiceEnded(e) => {
                let ended = Ended { by: e.by, moment: moment() };
                insert(&mut self.ends, ended, |known| &known.moment);
            }
            CaseEvent::PeriodClosedWithoutFee(e) => {
                let (end, start) = (e.end, e.start);
                self.given_up.push(GivenUp { end, moment: moment(), period: e.period, start });
                self.held.remove(&e.period);
            }
            CaseEvent::FeeEarned(e) => self.fee_earned(e, mark),
            CaseEvent::FeeHeld(e) => {
                self.held.insert(e.period, e.clone());
            }
            CaseEvent::FeeMarked(e) => {
                if e.is_allowed() {
                    self.marks.remove(&e.fee.position);
                } else {
                    let marked = FeeMark { mark, said: e.clone() };
                    self.marks.insert(e.fee.position, Arc::new(marked));
                }
            }
            CaseEvent::ExposureFound(e) => {
                self.exposures.push(ExposureSeen { found: e.clone(), mark });
            }
        }
    }

    fn turned(&mut self, turn: Turn, moment: Moment) {
        insert(&mut self.pauses, PauseTurn { moment, turn }, |known| &known.moment);
    }

    fn enrolled(&mut self, e: &Enrolled, moment: Moment) {
        let mark = moment.mark.clone();
        let billing = Billing { moment, rule: e.billing };
        insert(&mut self.billing, billing, |known| &known.moment);
        Arc::make_mut(&mut self.contacts)
            .push(ContactSince { contact: e.contact.clone(), mark: mark.clone() });
        self.enrolment = Some(Enrolment {
            mark,
            plan: e.plan.clone(),
            plan_version: e.plan_version,
            sale: e.sale.clone(),
            seat: e.seat,
            zone: e.zone,
        });
    }

    fn signed(&mut self, e: &ConsentSigned, signed: Moment) {
        let agreement = Agreement {
            cancel_through: e.cancel_through,
            copies_given: e.copies_given,
            e_sign_consent: e.e_sign_consent,
            rules: e.rules.clone(),
            service_from: e.service_from,
            signed,
            state: e.state,
            terms: e.terms.clone(),
            total_of_payments: e.total_of_payments,
        };
        insert(Arc::make_mut(&mut self.agreements), agreement, |known| &known.signed);
    }

    /// A complaint waits for an answer: a message to the client that is marked as one (common
    /// practice, no source). It settles every complaint recorded before it.
    fn message(&mut self, e: &MessageLogged, mark: Mark) {
        match (e.complaint, e.direction) {
            (true, Direction::Incoming) => self.complaints.push(mark),
            (true, Direction::Outgoing) => self.complaints.clear(),
            (false, Direction::Incoming | Direction::Outgoing) => {}
        }
    }

    fn paper(&mut self, code: &PaperCode, status: PaperStatus, mark: Mark) {
        if let Some(paper) = Arc::make_mut(&mut self.papers).get_mut(code) {
            paper.status = status;
            paper.mark = mark;
        }
    }

    pub(super) fn did(&mut self, work: Work, completes_before: Option<bool>, moment: Moment) {
        let completes_before = completes_before.unwrap_or(false);
        let done = WorkDone { completes_before, moment, work };
        insert(&mut self.work, done, |known| &known.moment);
    }

    fn fee_earned(&mut self, e: &FeeEarned, mark: Mark) {
        let fee = EarnedFee {
            account: e.account,
            agreement: e.agreement.clone(),
            amount: e.amount,
            end: e.end,
            evidence: e.evidence.clone(),
            mark,
            period: e.period,
            start: e.start,
        };
        self.earned.push(Arc::new(fee));
        self.held.remove(&e.period);
    }
}
