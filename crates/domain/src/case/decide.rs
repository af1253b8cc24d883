//! Decisions about a case: one action at a time, pure.

use calendar::{BusinessCalendar, CivilDate};

use super::{Agreement, Case, CaseStatus, announce, fact, finding, retention};
use crate::command::{Cancel, CaseAction, Enrol, SendRound, SignConsent};
use crate::event::{
    CaseEvent, ConsentCancelled, ConsentSigned, Enrolled, ExposureKind, PlanSigned, RoundSent,
    ServiceResumed, StreamId, UtcMicros, WorkOpened,
};
use crate::firm::{Firm, Papers, Place, SigningLaw};
use crate::ids::{CaseId, RequestId};
use crate::judge::{Judge, Matter};
use crate::refusal::{Reason, Refusal, Violation};

/// Most letters of a round.
pub const LETTERS_MAX: usize = 16;
/// Most listings of a letter.
pub const LETTER_ITEMS_MAX: usize = 50;
/// Most negative listings of a report.
pub const REPORT_ITEMS_MAX: usize = 500;

/// What a decision about a case may look at beside the case.
pub(crate) struct Facts<'a> {
    /// The case's id.
    pub(crate) id: CaseId,
    /// The firm.
    pub(crate) firm: &'a Firm,
    /// The moment it happened, where it is known.
    pub(crate) at: Option<UtcMicros>,
    /// The day it happened.
    pub(crate) on: CivilDate,
    /// Now, UTC.
    pub(crate) now: UtcMicros,
    /// The last position of the log.
    pub(crate) position: u64,
    /// The request that tells it.
    pub(crate) request: RequestId,
}

impl Facts<'_> {
    /// The case's periods, as its facts stand.
    pub(crate) fn judge<'b>(&'b self, case: &'b Case) -> Judge<'b> {
        let today = self.firm.today(self.now).unwrap_or(self.on);
        Judge::of(Matter { id: self.id, case, accounts: &[], firm: self.firm, today })
    }

    pub(crate) fn subject(&self) -> StreamId {
        StreamId::Case(self.id)
    }

    pub(crate) fn refuse(&self, reason: Reason, detail: impl Into<String>) -> Refusal {
        Refusal::new(reason, self.subject(), detail)
    }

    pub(crate) fn unknown(&self, what: &str) -> Refusal {
        self.refuse(Reason::ReferenceUnknown, format!("{what} was never recorded here"))
    }
}

/// Decides one action.
pub(crate) fn decide(
    case: &Case,
    facts: &Facts<'_>,
    action: &CaseAction,
) -> Result<Vec<CaseEvent>, Refusal> {
    if let CaseAction::Enrol(enrol) = action {
        return enrolled(case, facts, enrol).map(one);
    }
    if case.enrolment.is_none() {
        return Err(facts.refuse(Reason::CaseUnknown, "nobody has enrolled under this case"));
    }
    if let Some(erased) = &case.erased {
        let detail = format!("the client was erased on {}: the case is closed for good", erased.on);
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    match action {
        CaseAction::Enrol(_) => unreachable!("handled above"),
        CaseAction::SignConsent(sign) => {
            let e = signed(case, facts, sign)?;
            let behind_death = case.death_before(&announce::next(facts)).is_some();
            let broken = [
                behind_death.then_some(ExposureKind::SignedAfterDeath),
                against_law(facts, &e).then_some(ExposureKind::SignedAgainstLaw),
            ];
            let broken = broken.into_iter().flatten();
            let broken = broken.map(|kind| fact::exposure(kind, None, None).into());
            Ok([e.into()].into_iter().chain(broken).collect())
        }
        CaseAction::Cancel(cancel) => cancelled(case, facts, cancel).map(one),
        CaseAction::OpenWork => open_work(case, facts).map(one),
        CaseAction::SendRound(round) => send_round(case, facts, round),
        CaseAction::NoteRoundSent(round) => note_round(case, facts, round),
        CaseAction::PauseService(pause) => {
            fact::pause(case, facts)?;
            Ok(one(pause.clone()))
        }
        CaseAction::ResumeService => {
            fact::resume(case, facts)?;
            Ok(one(ServiceResumed {}))
        }
        CaseAction::EndService(end) => {
            if case.ends.iter().any(|ended| ended.moment.on() == facts.on) {
                return Err(facts.refuse(Reason::AlreadyRecorded, "this end is recorded"));
            }
            Ok(one(end.clone()))
        }
        CaseAction::PlaceLegalHold(hold) => {
            if case.holds.contains_key(&hold.matter) {
                let detail = "this hold stands already";
                return Err(facts.refuse(Reason::AlreadyRecorded, detail));
            }
            Ok(one(hold.clone()))
        }
        CaseAction::LiftLegalHold(hold) => {
            if !case.holds.contains_key(&hold.matter) {
                return Err(facts.unknown("a legal hold for this matter"));
            }
            Ok(one(hold.clone()))
        }
        CaseAction::EraseClient(erase) => retention::erase(case, facts, erase).map(one),
        CaseAction::FindResults(find) => finding::decide(case, facts, find).map(one),
        CaseAction::DisclosureDelivered(_)
        | CaseAction::DisclosureAcknowledged(_)
        | CaseAction::IdentityPaperReceived(_)
        | CaseAction::IdentityPaperAccepted(_)
        | CaseAction::IdentityPaperRejected(_)
        | CaseAction::ReportSourceConnected(_)
        | CaseAction::ReportIdentityFailed(_)
        | CaseAction::ImportReport(_)
        | CaseAction::AttestBasis(_)
        | CaseAction::LetterDelivered(_)
        | CaseAction::ClientInformationSent(_)
        | CaseAction::ReceiveResponse(_)
        | CaseAction::NoteReinsertion(_)
        | CaseAction::BureauAsked(_)
        | CaseAction::BureauAnswered(_)
        | CaseAction::ProgressReportSent(_)
        | CaseAction::ContactChanged(_)
        | CaseAction::BillingDayChanged(_)
        | CaseAction::ChangeCircumstance(_)
        | CaseAction::MessageLogged(_)
        | CaseAction::ClosePeriod(_)
        | CaseAction::NoteExposure(_)
        | CaseAction::NoteCorrection(_) => fact::decide(case, facts, action),
    }
}

pub(crate) fn one(event: impl Into<CaseEvent>) -> Vec<CaseEvent> {
    vec![event.into()]
}

fn enrolled(case: &Case, facts: &Facts<'_>, enrol: &Enrol) -> Result<Enrolled, Refusal> {
    if case.enrolment.is_some() {
        return Err(facts.refuse(Reason::CaseExists, "this case has enrolled already"));
    }
    let Some(registered) = &facts.firm.registered else {
        return Err(facts.refuse(Reason::FirmUnknown, "the firm is not registered"));
    };
    let born = enrol.birth_date.revealed().and_then(|day| day.parse::<CivilDate>().ok());
    if born.is_some_and(|born| born > facts.on) {
        let detail = "the birth date is after the day of enrolment";
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    let Some(plan) = facts.firm.plan(&enrol.plan) else {
        return Err(facts.unknown(&format!("the plan {}", enrol.plan)));
    };
    if plan.terms(enrol.seat).is_none() {
        return Err(facts.refuse(
            Reason::ValueRefused,
            format!("the plan {} is not offered to couples", enrol.plan),
        ));
    }
    Ok(Enrolled {
        billing: enrol.billing,
        birth_date: enrol.birth_date.clone(),
        contact: enrol.contact.clone(),
        plan: plan.code.clone(),
        plan_version: plan.version,
        sale: enrol.sale.clone(),
        seat: enrol.seat,
        ssn_last4: enrol.ssn_last4.clone(),
        zone: enrol.zone.unwrap_or(registered.zone),
    })
}

/// The agreement fixes prices and work, from the plan's version of the day of signing.
fn signed(case: &Case, facts: &Facts<'_>, sign: &SignConsent) -> Result<ConsentSigned, Refusal> {
    let enrolment = case.enrolment.as_ref().expect("checked by the caller");
    let contact = case.contact_on(facts.on).expect("an enrolment brings a contact");
    let code = sign.plan.as_ref().unwrap_or(&enrolment.plan);
    let Some(plan) = facts.firm.plan_on(code, facts.on) else {
        return Err(facts.unknown(&format!("the plan {code}")));
    };
    let Some(terms) = plan.terms(enrolment.seat) else {
        let detail = format!("the plan {code} is not offered to couples");
        return Err(facts.refuse(Reason::StateRefuses, detail));
    };
    let state = contact.contact.address.state;
    let Some(rules) = facts.firm.rules_for(state, facts.on) else {
        return Err(facts.refuse(
            Reason::StateRefuses,
            "no federal rule pack in force on that day was adopted; an agreement cannot be judged without one",
        ));
    };
    if sign.total_of_payments.currency() != terms.prices.first_fee.currency()
        || !sign.total_of_payments.is_positive()
    {
        return Err(Refusal::citing(
            Reason::ValueRefused,
            "total_of_payments",
            "the agreement states a total above zero in the plan's currency",
            "15 USC 1679d(b)(1)",
        ));
    }
    finding::check_promised(facts, &sign.promised)?;
    let (cancel_through, service_from) = rules.cancellation_window(facts.on);
    Ok(ConsentSigned {
        activity: (!sign.activity.is_empty()).then(|| sign.activity.clone()),
        cancel_through,
        copies_given: sign.copies_given,
        document: sign.document,
        e_sign_consent: sign.e_sign_consent,
        items: sign.items.clone(),
        languages: sign.languages.clone(),
        plan: sign.plan.clone().map(|code| PlanSigned { code, version: plan.version }),
        promised: (!sign.promised.is_empty()).then(|| sign.promised.clone()),
        rules,
        service_from,
        state,
        terms,
        total_of_payments: sign.total_of_payments,
    })
}

/// Whether the law of a state that reaches an agreement stood against its signing. A signing is a fact, whatever it breaks.
fn against_law(facts: &Facts<'_>, e: &ConsentSigned) -> bool {
    let place = Place::of(e.state, e.activity.as_ref());
    let law = facts.firm.law_of_signing(place, facts.on);
    law.is_some_and(|law| {
        let papers = Papers { items: e.items.as_ref(), languages: e.languages.as_ref() };
        !facts.firm.against_signing(&law, &e.terms, papers, facts.on).is_empty()
    })
}

/// A cancellation counts from when it was sent, whenever it is told and whatever was told before.
fn cancelled(case: &Case, facts: &Facts<'_>, cancel: &Cancel) -> Result<ConsentCancelled, Refusal> {
    if cancel.sent_on > facts.on {
        return Err(
            facts.refuse(Reason::DateImpossible, "sent_on is after the day it was received")
        );
    }
    if case.cancellations.iter().any(|known| known.sent_on == cancel.sent_on) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "this cancellation is recorded"));
    }
    Ok(ConsentCancelled { reason: cancel.reason.clone(), sent_on: cancel.sent_on })
}

/// Work opens when everything is there, on a business day after the cancellation days.
fn open_work(case: &Case, facts: &Facts<'_>) -> Result<WorkOpened, Refusal> {
    if case.opened.is_some() {
        return Err(facts.refuse(Reason::AlreadyRecorded, "work is open already"));
    }
    if case.is_over() || case.paused().is_some() {
        return Err(facts.refuse(Reason::StateRefuses, format!("the case is {}", case.status())));
    }
    let mut violations: Vec<Violation> = case
        .readiness(facts.on)
        .missing()
        .map(|step| {
            violation("readiness", step.code(), format!("{step} is not done"), step_cites(step))
        })
        .collect();
    violations.extend(too_soon(case, facts));
    violations.extend(barred_elsewhere(case, facts));
    if !BusinessCalendar::FederalOffice.is_business_day(facts.on) {
        let detail = format!("{} is not a business day", facts.on);
        violations.push(violation(
            "business_day",
            "occurred_on",
            detail,
            "common practice, no source",
        ));
    }
    if violations.is_empty() {
        Ok(WorkOpened {})
    } else {
        Err(Refusal::of(Reason::NotAllowedYet, violations))
    }
}

fn step_cites(step: super::Step) -> &'static str {
    use super::Step;
    match step {
        Step::Disclosure => "15 USC 1679c",
        Step::Agreement => "15 USC 1679d(a)(1)",
        Step::WaitingDays => "15 USC 1679d(a)(2), 1679e(a)",
        Step::FirstReport => "15 USC 1681b(a)(2)",
        Step::PhotoId | Step::Residence | Step::ReportSource => "common practice, no source",
    }
}

fn violation(rule: &str, subject: &str, detail: String, cites: &str) -> Violation {
    Violation { cites: cites.into(), detail, rule: rule.into(), subject: subject.into() }
}

/// The cancellation days of the agreement are not over where the client lives. The day is checked
/// by readiness; this is about midnight: the client's may come later than the firm's.
fn too_soon(case: &Case, facts: &Facts<'_>) -> Option<Violation> {
    let agreement = case.agreement()?;
    let zone = case.enrolment.as_ref()?.zone;
    let opens_at = zone.start_of_day(agreement.service_from);
    (facts.on >= agreement.service_from && facts.now.0 < opens_at).then(|| {
        let detail = format!("the cancellation days end at midnight in {}", zone.name());
        violation("waiting_days", "occurred_on", detail, "15 USC 1679d(a)(2), 1679e(a)")
    })
}

/// What the law of the day of signing asks of the agreement, of every state that reaches it.
fn signing_law<'f>(
    case: &'f Case,
    facts: &'f Facts<'_>,
) -> Option<(&'f Agreement, SigningLaw<'f>)> {
    let agreement = case.agreement()?;
    let place = Place::of(agreement.state, agreement.activity.as_ref());
    Some((agreement, facts.firm.law_of_signing(place, agreement.signed.on())?))
}

/// The days of a state that reaches the agreement beside the client's own are not over.
fn barred_elsewhere(case: &Case, facts: &Facts<'_>) -> Option<Violation> {
    let (agreement, law) = signing_law(case, facts)?;
    let (_, from) = law.rules.cancellation_window(agreement.signed.on());
    (agreement.service_from <= facts.on && facts.on < from).then(|| {
        let detail = format!("a state that reaches the agreement allows service from {from} on");
        violation("waiting_days", "occurred_on", detail, law.rules.cancellation.cites.as_str())
    })
}

fn send_round(
    case: &Case,
    facts: &Facts<'_>,
    round: &SendRound,
) -> Result<Vec<CaseEvent>, Refusal> {
    if case.status() != CaseStatus::Open {
        return Err(Refusal::citing(
            Reason::NotAllowedYet,
            facts.subject(),
            format!("letters go out only while work is open; the case is {}", case.status()),
            "15 USC 1679d(a)",
        ));
    }
    let opened = case.opened.as_ref().map(|mark| mark.on);
    if opened.is_some_and(|opened| facts.on < opened) {
        return Err(facts.refuse(Reason::DateImpossible, "the day is before work opened"));
    }
    let event = round_sent(case, facts, round)?;
    still_listed(case, round)?;
    let mut violations: Vec<Violation> = too_soon(case, facts).into_iter().collect();
    if case.is_early(facts.on) {
        let detail = "the cancellation days of the agreement are not over".into();
        violations.push(violation("waiting_days", "occurred_on", detail, "15 USC 1679d(a)(2)"));
    }
    violations.extend(barred_elsewhere(case, facts));
    violations.extend(case.against_letters(facts.firm, facts.on));
    violations.extend(case.revoked_on(facts.on).map(|revoked| {
        let on = revoked.since.on();
        let detail = format!("the client took back the authority to write on {on}");
        violation("authority", "occurred_on", detail, revoked.said.kind.cites())
    }));
    violations.extend(without_basis(case, round).map(|(bureau, item)| {
        violation(
            "basis",
            &format!("{item} at {bureau}"),
            "the client has not attested why it is wrong".into(),
            "15 USC 1679b(a)(1)",
        )
    }));
    if violations.is_empty() {
        let mut events = one(event);
        // Work was opened on papers that were taken back since.
        if case.lacks_papers() {
            events.push(fact::exposure(ExposureKind::PapersMissing, None, None).into());
        }
        Ok(events)
    } else {
        Err(Refusal::of(Reason::NotAllowedYet, violations))
    }
}

/// A round that went out anyway is recorded, and with it every rule that it broke.
fn note_round(
    case: &Case,
    facts: &Facts<'_>,
    round: &SendRound,
) -> Result<Vec<CaseEvent>, Refusal> {
    let mut events = one(round_sent(case, facts, round)?);
    let disputed = round.letters.iter().flat_map(|l| l.items.iter().map(|item| (item, &l.bureau)));
    let broken = case.broken_by_round(&announce::next(facts), disputed);
    events.extend(broken.into_iter().map(|kind| fact::exposure(kind, None, None).into()));
    Ok(events)
}

fn without_basis<'a>(
    case: &'a Case,
    round: &'a SendRound,
) -> impl Iterator<Item = (&'a crate::ids::BureauCode, &'a crate::ids::ItemCode)> {
    round
        .letters
        .iter()
        .flat_map(|l| l.items.iter().map(move |item| (&l.bureau, item)))
        .filter(|(bureau, item)| case.lacks_basis(item, bureau))
}

/// The service disputes nothing that is gone. A round that went out is a fact, whatever was gone by then.
fn still_listed(case: &Case, round: &SendRound) -> Result<(), Refusal> {
    let mut violations = Vec::new();
    for (at, letter) in round.letters.iter().enumerate() {
        for (n, item) in letter.items.iter().enumerate() {
            let listing = case.listings.get(&(item.clone(), letter.bureau.clone()));
            if listing.is_some_and(|listing| !listing.status.may_dispute()) {
                let detail = format!("{item} is deleted at {}", letter.bureau);
                violations.push(violation(
                    "letter",
                    &format!("letters[{at}].items[{n}]"),
                    detail,
                    "",
                ));
            }
        }
    }
    if violations.is_empty() {
        Ok(())
    } else {
        Err(Refusal::of(Reason::ReferenceUnknown, violations))
    }
}

/// The round as an event, if its letters make sense at all: known bureaus, known listings, none twice.
fn round_sent(case: &Case, facts: &Facts<'_>, round: &SendRound) -> Result<RoundSent, Refusal> {
    let mut violations = Vec::new();
    let mut refuse = |subject: String, detail: &str| {
        violations.push(violation("letter", &subject, detail.into(), ""));
    };
    if round.letters.is_empty() || round.letters.len() > LETTERS_MAX {
        refuse("letters".into(), &format!("a round has 1 to {LETTERS_MAX} letters"));
    }
    for (at, letter) in round.letters.iter().enumerate() {
        let subject = || format!("letters[{at}]");
        if !facts.firm.bureaus.contains_key(&letter.bureau) {
            refuse(subject(), &format!("the bureau {} is not registered", letter.bureau));
        }
        if round.letters[..at].iter().any(|before| before.bureau == letter.bureau) {
            refuse(subject(), "one letter to each bureau");
        }
        if letter.items.is_empty() || letter.items.len() > LETTER_ITEMS_MAX {
            refuse(subject(), &format!("a letter disputes 1 to {LETTER_ITEMS_MAX} listings"));
        }
        for (n, item) in letter.items.iter().enumerate() {
            let subject = || format!("letters[{at}].items[{n}]");
            if letter.items[..n].contains(item) {
                refuse(subject(), "named twice");
            }
            if !case.listings.contains_key(&(item.clone(), letter.bureau.clone())) {
                refuse(subject(), &format!("no report showed {item} at {}", letter.bureau));
            }
        }
    }
    if !violations.is_empty() {
        return Err(Refusal::of(Reason::ReferenceUnknown, violations));
    }
    let contact = case.contact_on(facts.on).expect("an enrolment brings a contact");
    Ok(RoundSent {
        completes_before: round.completes_before,
        contact: contact.mark.at.clone(),
        letters: round.letters.clone(),
        round: case
            .rounds_told
            .checked_add(1)
            .ok_or_else(|| facts.refuse(Reason::TooLarge, "too many rounds"))?,
    })
}
