//! A case's events, held against those before them.

use domain::State;
use domain::case::{Case, Moment};
use domain::event::{
    BureauAsked, CaseEvent, ConsentCancelled, ConsentSigned, Enrolled, Event, ExposureKind,
    FactCorrected, FactKind, PaperKind, Recorded, ResultsFound, RoundSent, StreamId,
};
use domain::ids::{BureauCode, CaseId};

use super::{FirmRecord, following};
use crate::derive::{Charge, Party, Rows};

pub(super) fn check(id: CaseId, party: &Party, firm: &FirmRecord, rows: &mut Rows) {
    let mut state = State::empty(StreamId::Case(id));
    for (place, recorded) in party.case.iter().enumerate() {
        let (Event::Case(event), State::Case(case)) = (&recorded.event, &state) else { continue };
        let mut wrong = Vec::new();
        let is_enrolment = matches!(event, CaseEvent::Enrolled(_));
        if case.enrolment.is_none() && !is_enrolment {
            wrong.push("nobody had enrolled under the case before it".to_owned());
        }
        wrong.extend(of_event(case, recorded, event, firm));
        if let CaseEvent::FactCorrected(e) = event {
            wrong.extend(corrected(case, &party.case[..place], recorded, e, firm));
        }
        let told: Vec<ExposureKind> = following(&party.case, place)
            .map_while(|next| match next {
                Event::Case(CaseEvent::ExposureFound(e)) => Some(e.kind),
                Event::Case(_)
                | Event::Account(_)
                | Event::Deposit(_)
                | Event::Firm(_)
                | Event::Look(_) => None,
            })
            .collect();
        let broke = if let CaseEvent::FactCorrected(e) = event {
            anew(case, recorded, e)
                .map(|(without, reading, event)| exposures(&without, &reading, event))
        } else {
            Some(exposures(case, recorded, event))
        };
        for kind in broke.into_iter().flatten().filter(|k| !told.contains(k)) {
            wrong.push(format!("no exposure {kind} was recorded with it"));
        }
        if let CaseEvent::FeeEarned(e) = event {
            rows.agreements.note(recorded.position, e.agreement.is_some());
            rows.earned.push(Charge {
                case: id,
                account: e.account,
                period: e.period,
                amount: e.amount,
                start: e.start,
                end: e.end,
                position: recorded.position,
            });
        }
        let is_again = is_enrolment && case.enrolment.is_some();
        for what in wrong {
            rows.fault(recorded.position, what);
        }
        // Whoever tells of the client says what does not fold.
        if !is_again && state.fold(&numbered(&state, recorded)).is_err() {
            return;
        }
    }
}

/// The event as the next of its stream: what came before it may have been passed over.
pub(super) fn numbered(state: &State, recorded: &Recorded) -> Recorded {
    Recorded { stream_version: state.version() + 1, ..recorded.clone() }
}

fn of_event(case: &Case, recorded: &Recorded, event: &CaseEvent, firm: &FirmRecord) -> Vec<String> {
    match event {
        CaseEvent::Enrolled(e) => enrolled(case, recorded, e, firm),
        CaseEvent::ConsentSigned(e) => signed(case, recorded, e, firm),
        CaseEvent::ConsentCancelled(e) => cancelled(case, recorded, e),
        CaseEvent::LetterDelivered(e) => letter(case, e.round, &e.bureau),
        CaseEvent::ClientInformationSent(e) => letter(case, e.round, &e.bureau),
        CaseEvent::ResponseReceived(e) => letter(case, e.round, &e.bureau),
        CaseEvent::ResultsFound(e) => found(case, e),
        CaseEvent::ExposureFound(e) if e.cites.as_str() != e.kind.cites() => {
            vec![format!("an exposure {} cites {}", e.kind, e.kind.cites())]
        }
        CaseEvent::ExposureFound(_)
        | CaseEvent::DisclosureDelivered(_)
        | CaseEvent::DisclosureAcknowledged(_)
        | CaseEvent::IdentityPaperReceived(_)
        | CaseEvent::IdentityPaperAccepted(_)
        | CaseEvent::IdentityPaperRejected(_)
        | CaseEvent::ReportSourceConnected(_)
        | CaseEvent::ReportIdentityFailed(_)
        | CaseEvent::ReportImported(_)
        | CaseEvent::ItemListed(_)
        | CaseEvent::BasisAttested(_)
        | CaseEvent::WorkOpened(_)
        | CaseEvent::RoundSent(_)
        | CaseEvent::ItemDeleted(_)
        | CaseEvent::ItemCorrected(_)
        | CaseEvent::ItemVerified(_)
        | CaseEvent::ItemReinserted(_)
        | CaseEvent::BureauAsked(_)
        | CaseEvent::BureauAnswered(_)
        | CaseEvent::ProgressReportSent(_)
        | CaseEvent::ContactChanged(_)
        | CaseEvent::BillingDayChanged(_)
        | CaseEvent::CircumstanceChanged(_)
        | CaseEvent::MessageLogged(_)
        | CaseEvent::ServicePaused(_)
        | CaseEvent::ServiceResumed(_)
        | CaseEvent::ServiceEnded(_)
        | CaseEvent::PeriodClosedWithoutFee(_)
        // What is claimed and concluded of fees is held against the gates where fees are told of.
        | CaseEvent::FeeEarned(_)
        | CaseEvent::FeeKept(_)
        | CaseEvent::FeeMarked(_)
        | CaseEvent::FeeHeld(_)
        | CaseEvent::CorrectionNoted(_)
        | CaseEvent::FactCorrected(_)
        | CaseEvent::LegalHoldPlaced(_)
        | CaseEvent::LegalHoldLifted(_)
        | CaseEvent::ClientErased(_) => Vec::new(),
    }
}

/// What is wrong with a correction beside the case's events before it.
fn corrected(
    case: &Case,
    before: &[Recorded],
    recorded: &Recorded,
    e: &FactCorrected,
    firm: &FirmRecord,
) -> Vec<String> {
    let told = before.iter().find(|known| known.position == e.fact.position);
    let kind = |event: &Event| match event {
        Event::Case(event) => event.fact(),
        Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    };
    let Some(told) = told.filter(|t| t.reference() == e.fact && kind(&t.event) == Some(e.kind))
    else {
        return vec!["it corrects no fact of the case before it".into()];
    };
    let known = case.corrected.get(&e.fact.position);
    let in_force = known.map_or(&e.fact, |known| &known.reading.at);
    let mut wrong = Vec::new();
    if *in_force != e.replaces {
        wrong.push("the reading that it replaces was not in force".to_owned());
    }
    if e.reading.is_none() && (known.is_some_and(|k| !k.stands) || e.kind == FactKind::Enrolled) {
        wrong.push("it takes back what cannot be, or was".into());
    }
    let Some(reading) = &e.reading else {
        if e.order_of.is_some() {
            wrong.push("it states an order for what it takes back".into());
        }
        return wrong;
    };
    if reading.event.fact() != Some(e.kind) || reading.occurred_on != recorded.occurred_on {
        wrong.push("what it tells is of another kind or another day than it says".into());
    }
    let order = (reading.occurred_on == told.occurred_on).then_some(told.request_id);
    if e.order_of.is_some() && e.order_of != order {
        wrong.push("the order that it keeps is not that of the fact's day".into());
    }
    if let (Event::Case(CaseEvent::RoundSent(then)), CaseEvent::RoundSent(now)) =
        (&told.event, &reading.event)
        && then.round != now.round
    {
        wrong.push("a round keeps its number".into());
    }
    if let Some((without, told, event)) = anew(case, recorded, e) {
        wrong.extend(of_event(&without, &told, event, firm));
    }
    wrong
}

/// The case without a fact, and the reading of it as if it were told next.
fn anew<'e>(
    case: &Case,
    recorded: &Recorded,
    e: &'e FactCorrected,
) -> Option<(Case, Recorded, &'e CaseEvent)> {
    let reading = e.reading.as_deref()?;
    let event = Event::Case(reading.event.clone());
    let told = Recorded { event, occurred_on: reading.occurred_on, ..recorded.clone() };
    Some((case.without(e.fact.position), told, &reading.event))
}

/// A finding is about an agreement, and names what it found.
fn found(case: &Case, e: &ResultsFound) -> Vec<String> {
    let is_it = |signed: &domain::case::Agreement| signed.signed.mark.at == e.agreement;
    let mut wrong = Vec::new();
    if !case.agreements.iter().any(is_it) {
        wrong.push("it finds results of an agreement that was not signed before it".to_owned());
    }
    if e.found.is_empty() {
        wrong.push("it names no result".into());
    }
    wrong
}

/// What came of a letter comes behind it.
fn letter(case: &Case, round: u32, bureau: &BureauCode) -> Vec<String> {
    let mut rounds = case.rounds.iter().filter(|sent| sent.number == round);
    let was_sent = rounds.any(|sent| sent.letters.iter().any(|letter| letter.bureau == *bureau));
    let what = || format!("no letter of round {round} to {bureau} was sent before it");
    (!was_sent).then(what).into_iter().collect()
}

fn enrolled(case: &Case, recorded: &Recorded, e: &Enrolled, firm: &FirmRecord) -> Vec<String> {
    let mut wrong = Vec::new();
    if case.enrolment.is_some() {
        wrong.push("the client enrols a second time".to_owned());
    }
    let plan = firm.plan(&e.plan, e.plan_version, recorded.position);
    if plan.and_then(|plan| plan.terms(e.seat)).is_none() {
        wrong.push("the client enrols on a plan that was not offered".into());
    }
    wrong
}

/// The days and rules of an agreement are not the firm's word: they follow from the packs it had adopted.
fn signed(case: &Case, recorded: &Recorded, e: &ConsentSigned, firm: &FirmRecord) -> Vec<String> {
    let (on, position) = (recorded.occurred_on, recorded.position);
    let mut wrong = Vec::new();
    let (cancel_through, service_from) = e.rules.cancellation_window(on);
    if e.cancel_through != cancel_through || e.service_from != service_from {
        wrong.push(format!(
            "by its own rules the client can cancel through {cancel_through} and service begins on \
             {service_from}"
        ));
    }
    let unknown = e.rules.packs.iter().find(|pack| !firm.has_pack(pack, position));
    if let Some(pack) = unknown {
        let what =
            format!("its rules are of {}@{}, which was not adopted", pack.code, pack.version);
        wrong.push(what);
    } else if !firm.rules(e.state, on, position).iter().flatten().any(|rules| *rules == e.rules) {
        wrong.push("its rules are not those of the packs that were in force".into());
    }
    // The version of the day; older logs have the one that the client enrolled on.
    let offered = case.enrolment.as_ref().is_some_and(|enrolment| {
        let (code, version) = match &e.plan {
            Some(plan) => (&plan.code, plan.version),
            None => (&enrolment.plan, enrolment.plan_version),
        };
        let of_enrolment = firm.plan(code, version, position);
        let of_day = firm.plan_on(code, on, position);
        let told = firm.plan_told(code, on, position);
        let mut plans = of_day.into_iter().chain(told).chain(of_enrolment);
        plans.any(|plan| plan.terms(enrolment.seat).as_ref() == Some(&e.terms))
    });
    if !offered {
        wrong.push("its terms are not those of the plan that it is of".into());
    }
    wrong
}

fn cancelled(case: &Case, recorded: &Recorded, e: &ConsentCancelled) -> Vec<String> {
    let mut wrong = Vec::new();
    if case.cancellations.iter().any(|known| known.sent_on == e.sent_on) {
        wrong.push("the same cancellation was recorded before it".into());
    }
    if e.sent_on > recorded.occurred_on {
        wrong.push("it was sent after the day on which it came".into());
    }
    wrong
}

/// The exposures that are recorded with an event, for what it broke.
fn exposures(case: &Case, recorded: &Recorded, event: &CaseEvent) -> Vec<ExposureKind> {
    let mut kinds = Vec::new();
    let service = |kinds: &mut Vec<ExposureKind>| {
        if case.agreement().is_none() {
            kinds.push(ExposureKind::NoAgreement);
        } else if case.is_early(recorded.occurred_on) {
            kinds.push(ExposureKind::EarlyService);
        }
    };
    if let CaseEvent::BureauAsked(BureauAsked { .. }) = event {
        service(&mut kinds);
    }
    if let CaseEvent::RoundSent(round) = event {
        // Where work was open, and the agreement of that time was cancelled and another signed, a round may have
        // gone out in the days of the other one: it was not refused, and is not told of as early.
        let is_renewed =
            case.opened.is_some() && case.standing_agreements().count() < case.agreements.len();
        if !is_renewed {
            service(&mut kinds);
        }
        if !(case.has_paper(PaperKind::PhotoId) && case.has_paper(PaperKind::Residence)) {
            kinds.push(ExposureKind::PapersMissing);
        }
        if case.is_authorized(&Moment::of(recorded)) == Some(false) {
            kinds.push(ExposureKind::DisputeWithoutAuthority);
        }
        if is_without_basis(case, round) {
            kinds.push(ExposureKind::DisputeWithoutBasis);
        }
    }
    kinds
}

fn is_without_basis(case: &Case, round: &RoundSent) -> bool {
    let mut items = round
        .letters
        .iter()
        .flat_map(|l| l.items.iter().map(|item| (item.clone(), l.bureau.clone())));
    items.any(|key| case.listings.get(&key).is_some_and(|listing| listing.basis.is_none()))
}
