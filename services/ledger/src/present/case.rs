//! A case.

use std::collections::BTreeSet;

use api::Paired;
use api::scalar::{int32, int64};
use api::{name, v1};
use calendar::CivilDate;
use domain::account::Account;
use domain::case::{
    Case, CaseStatus, LetterState, Listing, ListingStatus, PaperStatus, ReportSeen, Round,
    RunningClock, Step,
};
use domain::ids::{AccountId, BureauCode, CaseId, FirmId, ItemCode};
use domain::judge::{Judge, Matter, Paused, ToldFirst};
use domain::terms::Seat;
use store::ListedCase;

use super::against_law::AgainstLaw;
use super::{amount, cited, day, fee, reference};

/// A case with everything around it that its presentation needs.
pub(crate) struct CaseView<'a> {
    pub(crate) firm: FirmId,
    pub(crate) id: CaseId,
    pub(crate) case: &'a Case,
    /// The accounts on which its fees stand: first the one it pays through.
    pub(crate) accounts: &'a [(AccountId, &'a Account)],
    pub(crate) rules: &'a domain::firm::Firm,
    /// The day it is looked at.
    pub(crate) today: CivilDate,
    /// Whether the caller may see who the client is.
    pub(crate) personal: bool,
    /// The case without its corrections.
    pub(crate) told_first: &'a [ToldFirst],
}

fn pause(paused: &Paused<'_>) -> v1::ServicePause {
    let idle = paused.idle.iter().map(|done| v1::WorkFinding {
        work: v1::Work::from_domain(done.work).into(),
        event: Some(reference(&done.moment.mark.at)),
        on: day(done.moment.on()),
        late: done.moment.mark.late,
    });
    v1::ServicePause {
        began_on: day(paused.began_on),
        resumed_on: paused.resumed_on.and_then(day),
        idle_work: idle.collect(),
    }
}

impl CaseView<'_> {
    fn transit_days(&self) -> u16 {
        self.rules.registered.as_ref().map_or(0, |firm| firm.transit_days)
    }

    /// The account it pays through.
    fn paying(&self) -> AccountId {
        self.accounts.first().map_or_else(|| self.id.own_account(), |(paying, _)| *paying)
    }

    fn judge(&self) -> Judge<'_> {
        let Self { id, case, accounts, rules: firm, today, .. } = *self;
        Judge::of(Matter { id, case, accounts, firm, today })
    }

    /// The case as a message.
    pub(crate) fn message(&self) -> v1::Case {
        let case = self.case;
        let (enrolment, plan) = (case.enrolment.as_ref(), case.plan());
        let agreement = case.agreement().or(case.agreements.last());
        let contact = case.contact().filter(|_| self.personal);
        let clocks = case.clocks(self.transit_days());
        let judge = self.judge();
        let period = judge.running();
        v1::Case {
            name: name::case(self.firm, self.id),
            state: state(case.status()).into(),
            plan: plan.as_ref().map(|plan| plan.code.to_string()).unwrap_or_default(),
            plan_version: plan.as_ref().map(|plan| int32(plan.version)).unwrap_or_default(),
            seat: seat(case.seat()).into(),
            client: contact.map(|c| api::contact::contact_message(&c.contact)),
            readiness: Some(self.readiness()),
            version: int64(case.version),
            account: name::account(self.firm, self.paying()),
            enrolled_on: enrolment.and_then(|e| day(e.mark.on)),
            signed_on: agreement.and_then(|a| day(a.signed.on())),
            cancel_through: agreement.and_then(|a| day(a.cancel_through)),
            service_from: agreement.and_then(|a| day(a.service_from)),
            current_period: period.map(|period| v1::ServicePeriod {
                period: int32(period.number),
                start_date: day(period.start),
                end_date: day(period.end),
            }),
            listings: case.listings.iter().map(listing).collect(),
            rounds: case.rounds.iter().map(round).collect(),
            clocks: clocks.iter().map(|running| clock(running, self.today)).collect(),
            scores: self.scores(),
            exposures: self.exposures(&judge),
            fees: fee::of_case(self.firm, &judge, self.told_first),
            papers: self.papers(),
            exceptions: self.exceptions(&judge, &clocks),
            circumstances: self.circumstances(),
            died_on: case.died_on().and_then(day),
            before_letters: self.before_letters(),
            last_day: case.last_day().and_then(day),
            pauses: judge.pauses().map(|paused| pause(&paused)).collect(),
        }
    }

    /// What holds letters, and what is seen to before they leave.
    fn before_letters(&self) -> Vec<String> {
        let held = self.case.against_letters(self.rules, self.today).into_iter();
        let held = held.map(|against| cited(&format!("held: {}", against.detail), &against.cites));
        let duties = self.case.before_letters(self.rules, self.today).into_iter();
        held.chain(duties.map(|duty| cited(&duty.says, &duty.cites))).collect()
    }

    fn circumstances(&self) -> Vec<v1::CircumstanceSeen> {
        let seen = self.case.circumstances_on(self.today).map(|told| {
            let said = &told.said;
            let who = said.who.as_ref().filter(|_| self.personal);
            v1::CircumstanceSeen {
                kind: v1::Circumstance::from_domain(said.kind).into(),
                ended: !said.holds,
                since: day(told.since.on()),
                amount: said.amount.and_then(amount),
                least: said.least.and_then(amount),
                charge_on: said.charge_on.and_then(day),
                who: who.and_then(|who| who.revealed()).unwrap_or_default().to_owned(),
                follows: said.kind.follows(said.holds).to_owned(),
                citation: said.kind.cites().to_owned(),
                event: Some(reference(&told.since.mark.at)),
            }
        });
        seen.chain(self.notices()).collect()
    }

    /// Notices of charges that wait for theirs, and the last of the others: each says which charge it covers.
    fn notices(&self) -> Vec<v1::CircumstanceSeen> {
        let own = self.accounts.iter().find(|(id, _)| *id == self.id.own_account());
        let charged = own.map_or_else(Vec::new, |(_, account)| account.charged());
        let (waits, others): (Vec<_>, Vec<_>) = self
            .case
            .notices(&charged)
            .into_iter()
            .partition(|notice| notice.covers.is_none() && notice.is_in_time());
        let shown = others.into_iter().next_back().into_iter().chain(waits);
        let seen = shown.map(|notice| {
            let said = &notice.told.said;
            v1::CircumstanceSeen {
                kind: v1::Circumstance::from_domain(said.kind).into(),
                since: day(notice.told.moment.on()),
                amount: said.amount.and_then(amount),
                charge_on: day(notice.charge_on),
                follows: notice.follows(),
                citation: said.kind.cites().to_owned(),
                event: Some(reference(&notice.told.moment.mark.at)),
                ..v1::CircumstanceSeen::default()
            }
        });
        seen.collect()
    }

    fn readiness(&self) -> v1::Readiness {
        let readiness = self.case.readiness(self.today);
        let steps = readiness.steps.iter().map(|done| v1::ReadinessItem {
            step: step(done.step).into(),
            done: done.since.is_some(),
            done_on: done.since.and_then(day),
        });
        v1::Readiness { percent: int32(readiness.percent()), steps: steps.collect() }
    }

    fn scores(&self) -> Vec<v1::ScoreSeen> {
        let reports = self.case.reports.iter().flat_map(|(bureau, reports)| {
            let (first, latest) = (reports.first(), reports.latest());
            let latest = (latest != first).then_some(latest);
            std::iter::once(first).chain(latest).map(move |report| score(bureau, report))
        });
        reports.collect()
    }

    /// What was found, and the claimed fees that nothing allowed.
    fn exposures(&self, judge: &Judge<'_>) -> Vec<v1::Exposure> {
        let standing = standing(self.case);
        let against = AgainstLaw::of(judge);
        let untold = against.untold(self.case).map(|of| v1::Exposure {
            case: name::case(self.firm, self.id),
            kind: v1::ExposureKind::from_domain(of.kind).into(),
            citation: of.kind.cites().to_owned(),
            found_on: day(of.on),
            event: Some(reference(&of.event)),
            details: of.details.clone(),
            ..v1::Exposure::default()
        });
        let untold: Vec<v1::Exposure> = untold.collect();
        let exposures = self.case.exposures.iter().map(|seen| v1::Exposure {
            case: name::case(self.firm, self.id),
            account: name::account(self.firm, self.paying()),
            kind: v1::ExposureKind::from_domain(seen.found.kind).into(),
            amount: seen.found.amount.and_then(amount),
            period: seen.found.period.map(int32),
            citation: seen.found.cites.to_string(),
            found_on: day(seen.mark.on),
            event: Some(reference(&seen.mark.at)),
            put_right: !standing.contains(&seen.mark.at.position)
                || against.put_right(seen.found.kind, seen.mark.on),
            details: against.details(seen.found.kind, seen.mark.on),
            ..v1::Exposure::default()
        });
        exposures
            .chain(untold)
            .chain(fee::exposures(self.firm, (self.id, self.case), judge))
            .collect()
    }

    fn papers(&self) -> Vec<v1::Paper> {
        let papers = self.case.papers().into_iter().map(|(code, paper)| {
            let on = |status| (paper.status == status).then(|| day(paper.mark.on)).flatten();
            v1::Paper {
                paper: code.to_string(),
                kind: v1::PaperKind::from_domain(paper.kind).into(),
                received_on: day(paper.received_on),
                accepted_on: on(PaperStatus::Accepted),
                rejected_on: on(PaperStatus::Rejected),
            }
        });
        papers.collect()
    }

    /// What of this case needs a person.
    fn exceptions(&self, judge: &Judge<'_>, clocks: &[RunningClock]) -> Vec<v1::CaseException> {
        use v1::ExceptionKind as Kind;
        let case = self.case;
        let entry = |kind: Kind, mark: &domain::case::Mark, subject: String, detail: &str| {
            v1::CaseException {
                kind: kind.into(),
                since: day(mark.on),
                subject,
                detail: detail.to_owned(),
                event: Some(reference(&mark.at)),
            }
        };
        let identity = case.identity_failed().into_iter().map(|mark| {
            entry(
                Kind::ReportIdentityFailed,
                mark,
                String::new(),
                "the report source did not accept the client's answers",
            )
        });
        let papers =
            case.papers().into_iter().filter(|(_, paper)| paper.status == PaperStatus::Rejected);
        let papers = papers.map(|(code, paper)| {
            entry(Kind::PaperRejected, &paper.mark, code.to_string(), "another paper is needed")
        });
        let complaints = case.open_complaints().map(|mark| {
            let subject = format!("event {}", mark.at.position);
            entry(Kind::Complaint, mark, subject, "nobody has answered the complaint")
        });
        let back = case.listings.iter().filter_map(|((item, bureau), listing)| {
            let back = listing.back_without_notice()?;
            Some(entry(
                Kind::ReinsertionWithoutNotice,
                &back.since,
                format!("{item} at {bureau}"),
                "back without the bureau's notice (15 USC 1681i(a)(5)(B))",
            ))
        });
        let repeated = case.listings.iter().filter_map(|((item, bureau), listing)| {
            Some(entry(
                Kind::RepeatedDispute,
                listing.repeated.as_deref()?,
                format!("{item} at {bureau}"),
                "disputed again with nothing new since it was verified (15 USC 1681i(a)(3)(A))",
            ))
        });
        let overdue =
            clocks.iter().filter(|clock| clock.done_on.is_none() && clock.due_on < self.today);
        let overdue = overdue.map(|clock| v1::CaseException {
            kind: Kind::ClockOverdue.into(),
            since: day(clock.due_on),
            subject: clock.bureau.to_string(),
            detail: clock.clock.describe().to_owned(),
            event: None,
        });
        let against = AgainstLaw::of(judge);
        let standing = case
            .standing_exposures()
            .filter(|seen| !against.put_right(seen.found.kind, seen.mark.on));
        let exposures = standing.map(|seen| {
            entry(
                Kind::Exposure,
                &seen.mark,
                seen.found.kind.to_string(),
                seen.found.cites.as_str(),
            )
        });
        let of_person = identity.chain(papers).chain(complaints);
        of_person.chain(back).chain(repeated).chain(overdue).chain(exposures).collect()
    }
}

/// A case in a list.
pub(crate) fn summary(
    firm: FirmId,
    row: &ListedCase,
    client_display_name: String,
    today: CivilDate,
) -> v1::CaseSummary {
    let case = &row.case;
    v1::CaseSummary {
        name: name::case(firm, case.case_id),
        state: state(case.state).into(),
        plan: case.plan.to_string(),
        seat: seat(Some(case.seat)).into(),
        client_display_name,
        readiness_percent: int32(case.percent_ready(today)),
        version: int64(case.version),
        account: name::account(firm, row.account),
        enrolled_on: day(case.enrolled_on),
        listing_count: int32(case.listed),
        deleted_count: int32(case.deleted),
        round_count: int32(case.rounds),
        exposure_count: int32(case.exposures),
        exception_count: int32(row.exceptions),
        next_due_on: case.next_due_on.and_then(day),
    }
}

/// The contract's word for a status; an unknown case is never shown.
pub(crate) fn state(status: CaseStatus) -> v1::CaseState {
    match status {
        CaseStatus::Unknown => v1::CaseState::Unspecified,
        CaseStatus::Enrolled => v1::CaseState::Enrolled,
        CaseStatus::Signed => v1::CaseState::Signed,
        CaseStatus::Open => v1::CaseState::Open,
        CaseStatus::Paused => v1::CaseState::Paused,
        CaseStatus::Ended => v1::CaseState::Ended,
        CaseStatus::Cancelled => v1::CaseState::Cancelled,
    }
}

/// The status that a filter names.
pub(crate) fn status(state: v1::CaseState) -> Option<CaseStatus> {
    match state {
        v1::CaseState::Unspecified => None,
        v1::CaseState::Enrolled => Some(CaseStatus::Enrolled),
        v1::CaseState::Signed => Some(CaseStatus::Signed),
        v1::CaseState::Open => Some(CaseStatus::Open),
        v1::CaseState::Paused => Some(CaseStatus::Paused),
        v1::CaseState::Ended => Some(CaseStatus::Ended),
        v1::CaseState::Cancelled => Some(CaseStatus::Cancelled),
    }
}

pub(crate) fn seat(seat: Option<Seat>) -> v1::Seat {
    seat.map_or(v1::Seat::Unspecified, v1::Seat::from_domain)
}

fn step(step: Step) -> v1::ReadinessStep {
    match step {
        Step::Disclosure => v1::ReadinessStep::Disclosure,
        Step::Agreement => v1::ReadinessStep::Agreement,
        Step::WaitingDays => v1::ReadinessStep::CancellationDays,
        Step::PhotoId => v1::ReadinessStep::PhotoId,
        Step::Residence => v1::ReadinessStep::Residence,
        Step::ReportSource => v1::ReadinessStep::ReportSource,
        Step::FirstReport => v1::ReadinessStep::FirstReport,
    }
}

fn listing_state(status: ListingStatus) -> v1::ListingState {
    match status {
        ListingStatus::Listed => v1::ListingState::Listed,
        ListingStatus::InDispute => v1::ListingState::InDispute,
        ListingStatus::Deleted => v1::ListingState::Deleted,
        ListingStatus::Corrected => v1::ListingState::Corrected,
        ListingStatus::Verified => v1::ListingState::Verified,
        ListingStatus::Refused => v1::ListingState::Refused,
        ListingStatus::Reinserted => v1::ListingState::Reinserted,
        ListingStatus::Unanswered => v1::ListingState::Unanswered,
    }
}

fn listing(
    ((item, bureau), listing): (&(ItemCode, BureauCode), &std::sync::Arc<Listing>),
) -> v1::Listing {
    v1::Listing {
        item: item.to_string(),
        bureau: bureau.to_string(),
        kind: v1::ItemKind::from_domain(listing.seen.kind).into(),
        furnisher: listing.seen.furnisher.to_string(),
        state: listing_state(listing.status).into(),
        seen_by: listing.seen_by.map_or(v1::SeenBy::Unspecified, v1::SeenBy::from_domain).into(),
        changed_on: day(listing.since.on),
        balance: listing.seen.balance.and_then(amount),
        delinquent_since: listing.seen.delinquent_since.and_then(day),
        obsolete_from: listing.obsolete_from().and_then(day),
        basis: listing.basis.map_or(v1::Basis::Unspecified, v1::Basis::from_domain).into(),
        unchanged_since: listing.unchanged_since.as_deref().and_then(|mark| day(mark.on)),
    }
}

fn round(round: &Round) -> v1::Round {
    v1::Round {
        round: int32(round.number),
        sent_on: day(round.mark.on),
        event: Some(reference(&round.mark.at)),
        letters: round.letters.iter().map(letter).collect(),
    }
}

fn letter(letter: &LetterState) -> v1::RoundLetter {
    let outcomes = letter.outcomes().into_iter().map(|outcome| v1::ItemOutcome {
        item: outcome.item.to_string(),
        outcome: v1::Outcome::from_domain(outcome.outcome).into(),
    });
    v1::RoundLetter {
        bureau: letter.bureau.to_string(),
        items: letter.items.iter().map(ToString::to_string).collect(),
        mail_class: v1::MailClass::from_domain(letter.mail_class).into(),
        delivered_on: letter.delivery().and_then(|mark| day(mark.on)),
        answered_on: letter.answered().and_then(|mark| day(mark.on)),
        outcomes: outcomes.collect(),
    }
}

fn clock(running: &RunningClock, today: CivilDate) -> v1::Clock {
    let state = match running.done_on {
        Some(done_on) if done_on <= running.due_on => v1::ClockState::Met,
        Some(_) => v1::ClockState::MetLate,
        None if today <= running.due_on => v1::ClockState::Running,
        None => v1::ClockState::Overdue,
    };
    v1::Clock {
        kind: v1::ClockKind::from_domain(running.clock).into(),
        bureau: running.bureau.to_string(),
        round: running.round.map(int32),
        item: running.item.as_ref().map(ToString::to_string).unwrap_or_default(),
        started_on: day(running.started_on),
        due_on: day(running.due_on),
        estimated: running.estimated,
        state: state.into(),
        met_on: running.done_on.and_then(day),
        citation: running.clock.citation().to_owned(),
        days_late: running.days_late().map_or(0, int32),
    }
}

fn score(bureau: &BureauCode, report: &ReportSeen) -> v1::ScoreSeen {
    v1::ScoreSeen {
        bureau: bureau.to_string(),
        issued_on: day(report.issued_on),
        score: report.score.as_ref().map(|score| v1::Score {
            model: score.model.to_string(),
            value: i32::from(score.value),
        }),
        card_balance: report.card_balance.and_then(amount),
        card_limit: report.card_limit.and_then(amount),
        inquiries: i32::from(report.inquiries),
    }
}

/// The positions of the exposures of a case that nothing put right.
pub(crate) fn standing(case: &Case) -> BTreeSet<u64> {
    case.standing_exposures().map(|seen| seen.mark.at.position).collect()
}
