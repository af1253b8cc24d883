//! Folding a case's events. It never refuses: what is in the log happened.

use std::sync::Arc;

use super::{
    Achieved, Agreement, Asked, Billing, Cancellation, Case, ComplaintTold, ContactSince,
    Corrected, EarnedFee, Ended, Enrolment, ExposureSeen, FeeMark, GivenUp, LetterState, Listing,
    ListingStatus, Mark, Moment, PaperStatus, PaperTold, PauseTurn, ReportSeen, Reports, Round,
    SourceTold, ToldLast, Turn, WorkDone, insert, insert_marked,
};
use crate::event::{
    CaseEvent, ConsentSigned, Contact, Enrolled, ExposureKind, FactCorrected, FeeEarned,
    ItemListed, MessageLogged, Outcome, PaperKind, Recorded, ReportImported, ResponseReceived,
    RoundSent, SeenBy,
};
use crate::ids::{BureauCode, ItemCode, PaperCode};
use crate::terms::Work;

impl Case {
    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &CaseEvent) {
        self.version = recorded.stream_version;
        let request = recorded.request_id;
        if let CaseEvent::FactCorrected(e) = event {
            self.told_last = Some(ToldLast { fact: e.fact.position, request });
            self.correct(recorded, e);
            return;
        }
        if event.fact().is_some() {
            self.told_last = Some(ToldLast { fact: recorded.position, request });
        }
        self.tell(&Moment::of(recorded), event);
    }

    /// Another reading takes the place of the one in force.
    fn correct(&mut self, recorded: &Recorded, e: &FactCorrected) {
        let fact = e.fact.position;
        self.take_back(fact);
        let corrected = Corrected {
            about_another: e.about_another == Some(true),
            kind: e.kind,
            reading: Mark::of(recorded),
            stands: e.reading.is_some(),
        };
        self.corrected.insert(fact, corrected);
        let Some(reading) = &e.reading else { return };
        let late = recorded.late_days.is_some();
        let mark = Mark { at: e.fact.clone(), late, on: reading.occurred_on };
        let (order, request) = match e.order_of {
            Some(request) => (fact, request),
            None => (recorded.position, recorded.request_id),
        };
        self.tell(&Moment { mark, order, request }, &reading.event);
    }

    fn tell(&mut self, moment: &Moment, event: &CaseEvent) {
        let mark = moment.mark.clone();
        let moment = || moment.clone();
        match event {
            CaseEvent::Enrolled(e) => self.enrolled(e, moment()),
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
            CaseEvent::ItemListed(e) => self.listed(e, mark),
            CaseEvent::BasisAttested(e) => {
                if let Some(listing) = self.listing_mut(&e.item, &e.bureau) {
                    listing.basis = Some(e.basis);
                    // From its first attestation on it may be disputed.
                    listing.basis_on =
                        Some(listing.basis_on.map_or(mark.on, |first| first.min(mark.on)));
                }
            }
            CaseEvent::WorkOpened(_) => self.opened = Some(mark),
            CaseEvent::RoundSent(e) => self.sent(e, moment()),
            CaseEvent::LetterDelivered(e) => {
                if let Some(letter) = self.letter_mut(e.round, &e.bureau) {
                    letter.delivered = Some(mark);
                }
            }
            CaseEvent::ClientInformationSent(e) => {
                if let Some(letter) = self.letter_mut(e.round, &e.bureau) {
                    letter.information = Some(mark);
                }
            }
            CaseEvent::ResponseReceived(e) => self.answered(e, &mark),
            CaseEvent::ItemDeleted(e) => {
                let seen_by = Some(e.seen_by);
                self.listing_is(&e.item, &e.bureau, (ListingStatus::Deleted, seen_by), mark);
            }
            CaseEvent::ItemCorrected(e) => {
                let seen_by = Some(e.seen_by);
                self.listing_is(&e.item, &e.bureau, (ListingStatus::Corrected, seen_by), mark);
            }
            CaseEvent::ItemVerified(e) => {
                // Only a bureau's answer verifies.
                let seen_by = Some(SeenBy::Response);
                self.listing_is(&e.item, &e.bureau, (ListingStatus::Verified, seen_by), mark);
            }
            CaseEvent::ItemReinserted(e) => self.reinserted(&e.item, &e.bureau, e.seen_by, mark),
            CaseEvent::BureauAsked(e) => self.asked.push(Asked {
                answered: None,
                ask: e.ask,
                bureau: e.bureau.clone(),
                mark,
            }),
            CaseEvent::BureauAnswered(e) => {
                let open =
                    |a: &&mut Asked| a.answered.is_none() && a.ask == e.ask && a.bureau == e.bureau;
                if let Some(asked) = self.asked.iter_mut().find(open) {
                    asked.answered = Some(mark);
                }
            }
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
            CaseEvent::MessageLogged(e) => self.message(e, mark),
            // A note changes nothing that rules look at. A correction is never a reading itself.
            CaseEvent::CorrectionNoted(_) | CaseEvent::FactCorrected(_) => {}
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
                let cause = self.cause_of(e.kind, &moment());
                self.exposures.push(ExposureSeen { cause, found: e.clone(), mark });
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
        self.reached_at(&e.contact, mark.clone());
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
            | ExposureKind::DisputeWithoutBasis
            | ExposureKind::NoAgreement
            | ExposureKind::PapersMissing => true,
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

    /// Takes a fact out of the story, with what follows from it alone.
    pub(super) fn take_back(&mut self, at: u64) {
        let stays = |mark: &Mark| mark.at.position != at;
        self.acknowledged.retain(|fact| stays(&fact.mark));
        Arc::make_mut(&mut self.agreements).retain(|fact| stays(&fact.signed.mark));
        self.billing.retain(|fact| stays(&fact.moment.mark));
        self.cancellations.retain(|fact| stays(&fact.moment.mark));
        self.complaints.retain(|fact| stays(&fact.mark));
        Arc::make_mut(&mut self.contacts).retain(|fact| stays(&fact.mark));
        self.disclosed.retain(stays);
        self.ends.retain(|fact| stays(&fact.moment.mark));
        self.enrolment.take_if(|fact| !stays(&fact.mark));
        self.exposures.retain(|seen| seen.cause != Some(at));
        self.given_up.retain(|fact| stays(&fact.moment.mark));
        self.opened.take_if(|fact| !stays(fact));
        Arc::make_mut(&mut self.papers).retain(|fact| stays(&fact.mark));
        self.pauses.retain(|fact| stays(&fact.moment.mark));
        self.sources.retain(|fact| stays(&fact.mark));
        self.work.retain(|fact| stays(&fact.moment.mark));
        self.take_back_dispute(at);
    }

    fn imported(&mut self, e: &ReportImported, moment: Moment) {
        let mark = moment.mark.clone();
        let seen = ReportSeen {
            card_balance: e.card_balance,
            card_limit: e.card_limit,
            free_annual: e.free_annual,
            inquiries: e.inquiries,
            issued_on: e.issued_on,
            mark: mark.clone(),
            score: e.score.clone(),
        };
        match Arc::make_mut(&mut self.reports).get_mut(&e.bureau) {
            None => {
                let reports = Reports { first: seen.clone(), latest: seen };
                Arc::make_mut(&mut self.reports).insert(e.bureau.clone(), Box::new(reports));
            }
            Some(reports) if reports.latest.issued_on <= seen.issued_on => reports.latest = seen,
            Some(_) => {}
        }
        self.show_results(&e.bureau, e.issued_on, &mark);
        self.did(Work::ReportImport, e.completes_before, moment);
    }

    /// Notes the first report that shows a result long enough after it. An import's own changes
    /// come after it in the log, so a listing that this report shows again is not a result any more
    /// by the time anybody asks.
    fn show_results(&mut self, bureau: &BureauCode, issued_on: calendar::CivilDate, mark: &Mark) {
        for ((_, at), listing) in Arc::make_mut(&mut self.listings) {
            let is_shown = |result: &Achieved| {
                result.shown.is_none()
                    && issued_on >= calendar::telemarketing_report_from(result.since.on)
            };
            if at == bureau
                && listing.standing_result().is_some_and(is_shown)
                && let Some(result) = Arc::make_mut(listing).standing_result_mut()
            {
                result.shown = Some(mark.clone());
            }
        }
    }

    fn listed(&mut self, e: &ItemListed, mark: Mark) {
        let listing = Listing {
            balance: e.balance,
            basis: None,
            basis_on: None,
            delinquent_since: e.delinquent_since,
            furnisher: e.furnisher.clone(),
            kind: e.kind,
            listed: mark.clone(),
            notice_seen: false,
            results: Vec::new(),
            seen_by: Some(SeenBy::Import),
            since: mark,
            status: ListingStatus::Listed,
        };
        Arc::make_mut(&mut self.listings)
            .insert((e.item.clone(), e.bureau.clone()), Arc::new(listing));
    }

    fn listing_mut(&mut self, item: &ItemCode, bureau: &BureauCode) -> Option<&mut Listing> {
        Arc::make_mut(&mut self.listings)
            .get_mut(&(item.clone(), bureau.clone()))
            .map(Arc::make_mut)
    }

    fn listing_is(
        &mut self,
        item: &ItemCode,
        bureau: &BureauCode,
        (status, seen_by): (ListingStatus, Option<SeenBy>),
        mark: Mark,
    ) {
        if let Some(listing) = self.listing_mut(item, bureau) {
            listing.become_status(status, seen_by, mark);
        }
    }

    fn reinserted(&mut self, item: &ItemCode, bureau: &BureauCode, seen_by: SeenBy, mark: Mark) {
        if let Some(listing) = self.listing_mut(item, bureau) {
            listing.notice_seen = seen_by == SeenBy::Notice;
            listing.become_status(ListingStatus::Reinserted, Some(seen_by), mark);
        }
    }

    fn sent(&mut self, e: &RoundSent, moment: Moment) {
        let mark = moment.mark.clone();
        let letters: Vec<LetterState> = e
            .letters
            .iter()
            .map(|letter| LetterState {
                answered: None,
                bureau: letter.bureau.clone(),
                delivered: None,
                free_report: self.reports.get(&letter.bureau).is_some_and(|r| r.latest.free_annual),
                information: None,
                items: letter.items.clone(),
                mail_class: letter.mail_class,
                outcomes: Vec::new(),
                tracking: letter.tracking.clone(),
            })
            .collect();
        for letter in &letters {
            for item in &letter.items {
                let in_dispute = (ListingStatus::InDispute, None);
                self.listing_is(item, &letter.bureau, in_dispute, mark.clone());
            }
        }
        let contact = e.contact.clone();
        Arc::make_mut(&mut self.rounds).push(Round { contact, letters, mark, number: e.round });
        self.did(Work::DisputeRound, e.completes_before, moment);
    }

    fn take_back_dispute(&mut self, position: u64) {
        let stays = |mark: &Mark| mark.at.position != position;
        let rounds = Arc::make_mut(&mut self.rounds);
        rounds.retain(|round| stays(&round.mark));
        for letter in rounds.iter_mut().flat_map(|round| &mut round.letters) {
            letter.delivered.take_if(|mark| !stays(mark));
            letter.information.take_if(|mark| !stays(mark));
        }
        self.asked.retain(|asked| stays(&asked.mark));
    }

    fn letter_mut(&mut self, round: u32, bureau: &BureauCode) -> Option<&mut LetterState> {
        let round = Arc::make_mut(&mut self.rounds).iter_mut().find(|r| r.number == round)?;
        round.letters.iter_mut().find(|l| l.bureau == *bureau)
    }

    /// The answer itself; deletions, corrections and verifications follow as events of their own.
    fn answered(&mut self, e: &ResponseReceived, mark: &Mark) {
        if let Some(letter) = self.letter_mut(e.round, &e.bureau) {
            letter.outcomes.extend(e.outcomes.iter().cloned());
            letter.answered = Some(mark.clone());
        }
        for outcome in &e.outcomes {
            let status = match outcome.outcome {
                Outcome::Frivolous => (ListingStatus::Refused, Some(SeenBy::Response)),
                Outcome::NoAnswer => (ListingStatus::Unanswered, None),
                Outcome::Deleted | Outcome::Corrected | Outcome::Verified => continue,
            };
            self.listing_is(&outcome.item, &e.bureau, status, mark.clone());
        }
    }

    fn did(&mut self, work: Work, completes_before: Option<bool>, moment: Moment) {
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
