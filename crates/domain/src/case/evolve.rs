//! Folding a case's events. It never refuses: what is in the log happened.

use std::sync::Arc;

use calendar::PeriodSchedule;

use super::{
    Agreement, Asked, Case, ContactSince, EarnedFee, Ended, Enrolment, ExposureSeen, LetterState,
    Listing, ListingStatus, Mark, Paper, PaperStatus, ReportSeen, Reports, Round, WorkDone,
};
use crate::event::{
    CaseEvent, ConsentSigned, Direction, Enrolled, FeeEarned, ItemListed, MessageLogged, Outcome,
    Recorded, ReportImported, ResponseReceived, RoundSent, SeenBy,
};
use crate::ids::{BureauCode, ItemCode, PaperCode};
use crate::terms::Work;

impl Case {
    /// Folds one event in.
    pub(crate) fn evolve(&mut self, recorded: &Recorded, event: &CaseEvent) {
        self.version = recorded.stream_version;
        let mark = Mark::of(recorded);
        match event {
            CaseEvent::Enrolled(e) => self.enrolled(e, mark),
            CaseEvent::DisclosureDelivered(_) => first(&mut self.disclosure_delivered, mark),
            CaseEvent::DisclosureAcknowledged(_) => first(&mut self.disclosure_acknowledged, mark),
            CaseEvent::ConsentSigned(e) => self.signed(e, mark),
            CaseEvent::ConsentCancelled(_) => {
                if let Some(agreement) = Arc::make_mut(&mut self.agreements).last_mut() {
                    agreement.cancelled = Some(mark);
                }
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
            CaseEvent::ReportImported(e) => self.imported(e, mark),
            CaseEvent::ItemListed(e) => self.listed(e, mark),
            CaseEvent::BasisAttested(e) => {
                if let Some(listing) = self.listing_mut(&e.item, &e.bureau) {
                    listing.basis = Some(e.basis);
                    listing.basis_on = Some(mark.on);
                }
            }
            CaseEvent::WorkOpened(_) => self.opened = Some(mark),
            CaseEvent::RoundSent(e) => self.sent(e, mark),
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
            CaseEvent::BureauAsked(e) => {
                Arc::make_mut(&mut self.service).push(mark.clone());
                self.asked.push(Asked {
                    answered: None,
                    ask: e.ask,
                    bureau: e.bureau.clone(),
                    mark,
                });
            }
            CaseEvent::BureauAnswered(e) => {
                let open =
                    |a: &&mut Asked| a.answered.is_none() && a.ask == e.ask && a.bureau == e.bureau;
                if let Some(asked) = self.asked.iter_mut().find(open) {
                    asked.answered = Some(mark);
                }
            }
            CaseEvent::ProgressReportSent(_) => self.did(Work::ProgressReport, mark),
            CaseEvent::ContactChanged(e) => {
                Arc::make_mut(&mut self.contacts)
                    .push(ContactSince { contact: e.contact.clone(), mark });
            }
            CaseEvent::BillingDayChanged(e) => {
                let from = self.settled_until(mark.on);
                if let Some(schedule) = &mut self.schedule {
                    schedule.change_rule(from, e.billing);
                }
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
            CaseEvent::ServicePaused(_) => {
                let from = self.settled_until(mark.on);
                if let Some(schedule) = &mut self.schedule {
                    schedule.pause(from);
                }
                self.paused = Some(mark);
            }
            CaseEvent::ServiceResumed(_) => {
                if let Some(schedule) = &mut self.schedule {
                    schedule.resume(mark.on);
                }
                self.paused = None;
            }
            CaseEvent::ServiceEnded(e) => self.ended = Some(Ended { by: e.by, mark }),
            CaseEvent::PeriodClosedWithoutFee(e) => {
                self.closed.insert(e.period, mark);
                self.held.remove(&e.period);
            }
            CaseEvent::FeeEarned(e) => self.fee_earned(e, mark),
            CaseEvent::FeeHeld(e) => {
                self.held.insert(e.period, e.gates.clone());
            }
            CaseEvent::ExposureFound(e) => {
                self.exposures.push(ExposureSeen { found: e.clone(), mark });
            }
        }
    }

    /// A day, or the end of the last period that was claimed or given up if that is later: what is
    /// settled is not moved by a change told late.
    fn settled_until(&self, on: calendar::CivilDate) -> calendar::CivilDate {
        let last = self.earned.keys().chain(self.closed.keys()).max();
        let end = last.and_then(|&number| self.schedule.as_ref()?.period(number)).map(|p| p.end);
        end.map_or(on, |end| on.max(end))
    }

    fn enrolled(&mut self, e: &Enrolled, mark: Mark) {
        self.schedule = Some(PeriodSchedule::new(mark.on, e.billing));
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

    fn signed(&mut self, e: &ConsentSigned, mark: Mark) {
        Arc::make_mut(&mut self.agreements).push(Agreement {
            cancel_through: e.cancel_through,
            cancelled: None,
            mark,
            rules: e.rules.clone(),
            service_from: e.service_from,
            state: e.state,
            terms: e.terms.clone(),
            total_of_payments: e.total_of_payments,
        });
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

    fn imported(&mut self, e: &ReportImported, mark: Mark) {
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
        self.did(Work::ReportImport, mark);
    }

    /// Notes the first report that shows a result long enough after it. An import's own changes
    /// come after it in the log, so a listing that this report shows again is not a result any more
    /// by the time anybody asks.
    fn show_results(&mut self, bureau: &BureauCode, issued_on: calendar::CivilDate, mark: &Mark) {
        for ((_, at), listing) in Arc::make_mut(&mut self.listings) {
            if at == bureau
                && listing.shown.is_none()
                && listing.status.is_result()
                && issued_on >= calendar::telemarketing_report_from(listing.since.on)
            {
                Arc::make_mut(listing).shown = Some(mark.clone());
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
            seen_by: Some(SeenBy::Import),
            shown: None,
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

    fn sent(&mut self, e: &RoundSent, mark: Mark) {
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
        Arc::make_mut(&mut self.rounds).push(Round {
            contact,
            letters,
            mark: mark.clone(),
            number: e.round,
        });
        Arc::make_mut(&mut self.service).push(mark.clone());
        self.did(Work::DisputeRound, mark);
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

    fn did(&mut self, work: Work, mark: Mark) {
        self.work.push(WorkDone { mark, work });
    }

    fn fee_earned(&mut self, e: &FeeEarned, mark: Mark) {
        let fee =
            EarnedFee { account: e.account, amount: e.amount, evidence: e.evidence.clone(), mark };
        self.earned.insert(e.period, Box::new(fee));
        self.held.remove(&e.period);
    }
}

fn first(slot: &mut Option<Mark>, mark: Mark) {
    slot.get_or_insert(mark);
}
