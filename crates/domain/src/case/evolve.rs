//! Folding a case's events. It never refuses: what is in the log happened.

use std::sync::Arc;

use super::{
    Agreement, Billing, Cancellation, Case, CircumstanceTold, ComplaintTold, ContactSince,
    Corrected, EarnedFee, Ended, Enrolment, ExposureSeen, FeeMark, Finding, GivenUp, KeptFee, Mark,
    Moment, PaperStatus, PaperTold, PauseTurn, SourceTold, ToldLast, Turn, WorkDone, insert,
    insert_marked,
};
use crate::event::{
    CaseEvent, ConsentSigned, Contact, Enrolled, ExposureKind, FactCorrected, FeeEarned,
    MessageLogged, PaperKind, Recorded, SeenBy,
};
use crate::ids::PaperCode;
use crate::terms::Work;

impl Case {
    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &CaseEvent) {
        self.version = recorded.stream_version;
        let request = recorded.request_id;
        if let CaseEvent::FactCorrected(e) = event {
            self.told_last = Some(ToldLast { fact: e.fact.position, request });
            self.correct(&Moment::of(recorded), e);
            return;
        }
        if event.fact().is_some() {
            self.told_last = Some(ToldLast { fact: recorded.position, request });
        }
        self.tell(&Moment::of(recorded), event);
    }

    /// Another reading takes the place of the one in force; `told` is the moment of the correction.
    pub(super) fn correct(&mut self, told: &Moment, e: &FactCorrected) {
        let fact = e.fact.position;
        self.keep();
        self.take_back(fact);
        // Once it was another person's, what was told then stays so, whatever is told anew.
        let known = self.corrected.get(&fact).is_some_and(|known| known.about_another);
        let corrected = Corrected {
            about_another: known || e.about_another == Some(true),
            kind: e.kind,
            reading: told.mark.clone(),
            stands: e.reading.is_some(),
        };
        self.corrected.insert(fact, corrected);
        let Some(reading) = &e.reading else { return };
        let mark = Mark { at: e.fact.clone(), late: told.mark.late, on: reading.occurred_on };
        let (order, request) = match e.order_of {
            Some(request) => (fact, request),
            None => (told.order, told.request),
        };
        self.tell(&Moment { at: reading.occurred_at, mark, order, request }, &reading.event);
    }

    fn tell(&mut self, moment: &Moment, event: &CaseEvent) {
        let mark = moment.mark.clone();
        let moment = || moment.clone();
        match event {
            CaseEvent::Enrolled(e) => self.enrolled(e, mark),
            CaseEvent::DisclosureDelivered(_) => {
                insert_marked(&mut self.disclosed, mark, |known| known);
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
                self.paper(&e.paper, (Some(e.kind), PaperStatus::Received), mark);
            }
            CaseEvent::IdentityPaperAccepted(e) => {
                self.paper(&e.paper, (None, PaperStatus::Accepted), mark);
            }
            CaseEvent::IdentityPaperRejected(e) => {
                self.paper(&e.paper, (None, PaperStatus::Rejected), mark);
            }
            CaseEvent::ReportSourceConnected(_) => self.source(true, mark),
            CaseEvent::ReportIdentityFailed(_) => self.source(false, mark),
            CaseEvent::ReportImported(e) => self.imported(e, moment()),
            CaseEvent::ItemListed(e) => {
                self.announced(&moment(), &e.bureau, &e.item, Some(e), true);
            }
            CaseEvent::BasisAttested(e) => self.attested(e, &moment()),
            CaseEvent::WorkOpened(_) => self.opened = Some(mark),
            CaseEvent::RoundSent(e) => self.sent(e, moment()),
            CaseEvent::LetterDelivered(e) => self.delivered(e.round, &e.bureau, moment()),
            CaseEvent::ClientInformationSent(e) => self.informed(e.round, &e.bureau, moment()),
            CaseEvent::ResponseReceived(e) => self.answered(e, moment()),
            // What a report or an answer comes to is announced behind it.
            CaseEvent::ItemDeleted(e) => match e.seen_by {
                SeenBy::Import => self.announced(&moment(), &e.bureau, &e.item, None, false),
                SeenBy::Response | SeenBy::Notice => self.in_log(&e.item, &e.bureau, true),
            },
            CaseEvent::ItemCorrected(e) => self.in_log(&e.item, &e.bureau, false),
            CaseEvent::ItemVerified(e) => self.in_log(&e.item, &e.bureau, false),
            CaseEvent::ItemReinserted(e) => match e.seen_by {
                SeenBy::Notice => self.noticed(&e.item, &e.bureau, &moment()),
                SeenBy::Import => self.announced(&moment(), &e.bureau, &e.item, None, true),
                SeenBy::Response => self.in_log(&e.item, &e.bureau, false),
            },
            CaseEvent::BureauAsked(e) => self.asked_of(e, moment()),
            CaseEvent::BureauAnswered(e) => self.ask_answered(e, mark),
            CaseEvent::ProgressReportSent(e) => {
                self.did(Work::ProgressReport, e.completes_before, moment());
            }
            CaseEvent::ContactChanged(e) => {
                self.reached_at(&e.contact, mark);
            }
            CaseEvent::BillingDayChanged(e) => {
                let billing = Billing { moment: moment(), rule: e.billing };
                insert(&mut self.billing, billing, |known| &known.moment);
            }
            CaseEvent::CircumstanceChanged(e) => {
                let told = CircumstanceTold { moment: moment(), said: e.clone() };
                insert(&mut self.circumstances, told, |known| &known.moment);
            }
            CaseEvent::MessageLogged(e) => self.message(e, mark),
            // A note changes nothing that rules look at; that a fact came from another's file is shown beside gates.
            CaseEvent::CorrectionNoted(e) => {
                if e.moved == Some(true) {
                    self.moved_here.insert(e.corrects, mark.at);
                }
            }
            // A correction is never a reading itself.
            CaseEvent::FactCorrected(_) => {}
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
            CaseEvent::ResultsFound(e) => {
                let (agreement, found) = (e.agreement.clone(), e.found.clone());
                let finding = Finding { agreement, found, moment: moment() };
                insert(&mut self.findings, finding, |known| &known.moment);
            }
            CaseEvent::FeeEarned(e) => self.fee_earned(e, mark),
            CaseEvent::FeeHeld(e) => {
                self.held.insert(e.period, e.clone());
            }
            CaseEvent::FeeKept(e) => self.fees_kept.push(KeptFee { mark, said: e.clone() }),
            CaseEvent::FeeMarked(e) => {
                let before = self.marks.remove(&e.fee.position);
                // What refunds gave back of it as owed is told of once more, should one of them not have been.
                if !e.is_allowed() || e.returned.is_some() {
                    let marked = FeeMark::after(before.as_deref(), mark, e.clone());
                    self.marks.insert(e.fee.position, Arc::new(marked));
                }
            }
            CaseEvent::ExposureFound(e) => {
                let cause = self.cause_of(e.kind, &moment());
                self.exposures.push(ExposureSeen { cause, found: e.clone(), mark });
            }
        }
    }

    fn turned(&mut self, turn: Turn, moment: Moment) {
        insert(&mut self.pauses, PauseTurn { moment, turn }, |known| &known.moment);
    }

    fn enrolled(&mut self, e: &Enrolled, mark: Mark) {
        self.reached_at(&e.contact, mark.clone());
        self.enrolment = Some(Enrolment {
            billing: e.billing,
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
            activity: e.activity.clone(),
            cancel_through: e.cancel_through,
            copies_given: e.copies_given,
            e_sign_consent: e.e_sign_consent,
            items: e.items.clone(),
            languages: e.languages.clone(),
            plan: e.plan.clone(),
            promised: e.promised.as_ref().map(|promised| {
                let showing = promised.iter().map(|result| result.showing.clone());
                showing.map(Option::unwrap_or_default).collect()
            }),
            rules: e.rules.clone(),
            service_from: e.service_from,
            signed,
            state: e.state,
            terms: e.terms.clone(),
            total_of_payments: e.total_of_payments,
        };
        insert(Arc::make_mut(&mut self.agreements), agreement, |known| &known.signed);
    }

    fn message(&mut self, e: &MessageLogged, mark: Mark) {
        if e.complaint {
            let told = ComplaintTold { direction: e.direction, mark };
            insert_marked(&mut self.complaints, told, |known| &known.mark);
        }
    }

    fn reached_at(&mut self, contact: &Contact, mark: Mark) {
        let since = ContactSince { contact: contact.clone(), mark };
        insert_marked(Arc::make_mut(&mut self.contacts), since, |known| &known.mark);
    }

    fn paper(
        &mut self,
        paper: &PaperCode,
        (kind, status): (Option<PaperKind>, PaperStatus),
        mark: Mark,
    ) {
        let told = PaperTold { kind, mark, paper: paper.clone(), status };
        insert_marked(Arc::make_mut(&mut self.papers), told, |known| &known.mark);
    }

    fn source(&mut self, connected: bool, mark: Mark) {
        insert_marked(&mut self.sources, SourceTold { connected, mark }, |known| &known.mark);
    }

    /// The fact that an exposure follows from, if it was not noted by somebody.
    fn cause_of(&self, kind: ExposureKind, moment: &Moment) -> Option<u64> {
        let follows = match kind {
            ExposureKind::EarlyService
            | ExposureKind::DisputeWithoutAuthority
            | ExposureKind::DisputeWithoutBasis
            | ExposureKind::NoAgreement
            | ExposureKind::PapersMissing
            | ExposureKind::SignedAfterDeath
            | ExposureKind::ChargeUnauthorized
            | ExposureKind::ChargeAfterDeath
            | ExposureKind::SignedAgainstLaw
            | ExposureKind::WorkUnsecured => true,
            ExposureKind::FeeAskedUnearned | ExposureKind::PaymentUnearned => false,
        };
        let told = self.told_last.as_ref().filter(|told| told.request == moment.request);
        told.filter(|_| follows).map(|told| told.fact)
    }

    /// The case as it would be without a fact.
    pub fn without(&self, fact: u64) -> Self {
        let mut without = self.clone();
        without.take_back(fact);
        without
    }

    /// Puts a fact back as it was told first, whatever it was corrected to.
    pub(crate) fn tell_first(&mut self, told: &Recorded, event: &CaseEvent) {
        self.take_back(told.position);
        self.tell(&Moment::of(told), event);
    }

    /// Takes a fact out of the story, with what follows from it alone.
    pub(crate) fn take_back(&mut self, at: u64) {
        let stays = |mark: &Mark| mark.at.position != at;
        self.acknowledged.retain(|fact| stays(&fact.mark));
        Arc::make_mut(&mut self.agreements).retain(|fact| stays(&fact.signed.mark));
        self.billing.retain(|fact| stays(&fact.moment.mark));
        self.cancellations.retain(|fact| stays(&fact.moment.mark));
        self.circumstances.retain(|fact| stays(&fact.moment.mark));
        self.complaints.retain(|fact| stays(&fact.mark));
        Arc::make_mut(&mut self.contacts).retain(|fact| stays(&fact.mark));
        self.disclosed.retain(stays);
        self.ends.retain(|fact| stays(&fact.moment.mark));
        self.enrolment.take_if(|fact| !stays(&fact.mark));
        self.exposures.retain(|seen| seen.cause != Some(at));
        self.findings.retain(|fact| stays(&fact.moment.mark));
        self.given_up.retain(|fact| stays(&fact.moment.mark));
        self.opened.take_if(|fact| !stays(fact));
        Arc::make_mut(&mut self.papers).retain(|fact| stays(&fact.mark));
        self.pauses.retain(|fact| stays(&fact.moment.mark));
        self.sources.retain(|fact| stays(&fact.mark));
        self.work.retain(|fact| stays(&fact.moment.mark));
        self.take_back_dispute(at);
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
