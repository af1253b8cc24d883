//! Facts about a case: refused only if they make no sense, never for being unlawful.

use super::decide::{Facts, one};
use super::{
    AskAnswered, Asked, Case, LetterState, Listing, PaperStatus, PauseTurn, Round, Turn, announce,
    circumstance,
};
use crate::command::CaseAction;
use crate::event::{
    Ask, BlockRefused, BureauAnswered, BureauAsked, CaseEvent, ExposureFound, ExposureKind,
    IdentityPaperReceived, PeriodClosedWithoutFee,
};
use crate::gates::Gate;
use crate::ids::{BureauCode, PaperCode};
use crate::money::Money;
use crate::refusal::{Reason, Refusal};
use crate::value::Text;

/// Decides a fact about an enrolled case.
pub(super) fn decide(
    case: &Case,
    facts: &Facts<'_>,
    action: &CaseAction,
) -> Result<Vec<CaseEvent>, Refusal> {
    match action {
        CaseAction::DisclosureDelivered(e) => Ok(one(e.clone())),
        CaseAction::DisclosureAcknowledged(e) => Ok(one(e.clone())),
        CaseAction::IdentityPaperReceived(e) => paper_received(case, facts, e),
        CaseAction::IdentityPaperAccepted(e) => {
            waiting_paper(case, facts, &e.paper)?;
            Ok(one(e.clone()))
        }
        CaseAction::IdentityPaperRejected(e) => {
            waiting_paper(case, facts, &e.paper)?;
            Ok(one(e.clone()))
        }
        CaseAction::ReportSourceConnected(e) => Ok(one(e.clone())),
        CaseAction::ReportIdentityFailed(e) => Ok(one(e.clone())),
        CaseAction::ImportReport(import) => announce::imported(case, facts, import),
        CaseAction::AttestBasis(e) => {
            listing(case, facts, &e.bureau, &e.item)?;
            Ok(one(e.clone()))
        }
        CaseAction::LetterDelivered(e) => {
            let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
            if letter.delivery().is_some() {
                return Err(
                    facts.refuse(Reason::AlreadyRecorded, "the delivery was recorded before")
                );
            }
            after_sending(facts, round)?;
            Ok(one(e.clone()))
        }
        CaseAction::ClientInformationSent(e) => {
            let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
            if letter.information.iter().any(|known| known.on() == facts.on) {
                let detail = "this information was recorded before";
                return Err(facts.refuse(Reason::AlreadyRecorded, detail));
            }
            after_sending(facts, round)?;
            Ok(one(e.clone()))
        }
        CaseAction::ReceiveResponse(e) => announce::answered(case, facts, e),
        CaseAction::NoteReinsertion(e) => announce::reinserted(case, facts, e),
        CaseAction::BureauAsked(e) => asked(case, facts, e),
        CaseAction::BureauAnswered(e) if e.refused.is_some() => refused(case, facts, e),
        CaseAction::BureauAnswered(e) => {
            if case.asked.iter().any(|asked| asked.is_met_by(e.ask, &e.bureau, facts.on)) {
                Ok(one(e.clone()))
            } else {
                Err(facts.unknown("an open request of this kind"))
            }
        }
        CaseAction::ProgressReportSent(e) => Ok(one(e.clone())),
        CaseAction::ContactChanged(e) => Ok(one(e.as_ref().clone())),
        CaseAction::BillingDayChanged(e) => Ok(one(e.clone())),
        CaseAction::ChangeCircumstance(e) => circumstance::decide(case, facts, e),
        CaseAction::MessageLogged(e) => Ok(one(e.clone())),
        CaseAction::ClosePeriod(e) => closed(case, facts, e),
        CaseAction::NoteExposure(e) => {
            if e.amount.is_some_and(|amount| !amount.is_positive()) {
                return Err(facts.refuse(Reason::ValueRefused, "the amount must be above zero"));
            }
            Ok(one(exposure(e.kind, e.amount, e.period)))
        }
        CaseAction::NoteCorrection(e) => {
            if e.corrects == 0 || e.corrects > facts.position {
                return Err(facts.unknown(&format!("the event at position {}", e.corrects)));
            }
            Ok(one(e.clone()))
        }
        CaseAction::Enrol(_)
        | CaseAction::PlaceLegalHold(_)
        | CaseAction::LiftLegalHold(_)
        | CaseAction::EraseClient(_)
        | CaseAction::FindResults(_)
        | CaseAction::SignConsent(_)
        | CaseAction::Cancel(_)
        | CaseAction::OpenWork
        | CaseAction::SendRound(_)
        | CaseAction::NoteRoundSent(_)
        | CaseAction::PauseService(_)
        | CaseAction::ResumeService
        | CaseAction::EndService(_) => unreachable!("commands are decided by the caller"),
    }
}

/// A bureau declined a block that it was asked for by then, or took one back (15 USC 1681c-2(c)).
fn refused(case: &Case, facts: &Facts<'_>, e: &BureauAnswered) -> Result<Vec<CaseEvent>, Refusal> {
    let Some(refused) = &e.refused else { return Ok(one(e.clone())) };
    if e.ask != Ask::TheftBlock {
        let detail =
            "refused: a bureau declines or rescinds a block after identity theft, and nothing else";
        return Err(facts.refuse(Reason::ValueRefused, detail));
    }
    if refused.determined_on > facts.on {
        let detail = format!(
            "refused.determined_on: {} is after the day it was told",
            refused.determined_on
        );
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    let is_asked = |asked: &Asked| {
        (asked.ask, &asked.bureau) == (e.ask, &e.bureau)
            && asked.moment.on() <= refused.determined_on
    };
    if !case.asked.iter().any(is_asked) {
        let what = format!("a block that {} was asked for by {}", e.bureau, refused.determined_on);
        return Err(facts.unknown(&what));
    }
    let is_told = |known: &AskAnswered| {
        let said = |of: &BlockRefused| (of.determined_on, of.how, of.is_notice);
        known.bureau == e.bureau && known.refused.as_ref().map(said) == Some(said(refused))
    };
    if case.asks_answered.iter().any(is_told) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "that was recorded before"));
    }
    Ok(one(e.clone()))
}

/// An exposure with the rule it breaks.
pub(crate) fn exposure(
    kind: ExposureKind,
    amount: Option<Money>,
    period: Option<u32>,
) -> ExposureFound {
    let cites = Text::parse(kind.cites()).expect("citations of ours are short text");
    ExposureFound { amount, cites, kind, period }
}

impl ExposureKind {
    /// The rule it breaks.
    pub const fn cites(self) -> &'static str {
        match self {
            Self::EarlyService => "15 USC 1679d(a)(2)",
            Self::DisputeWithoutAuthority | Self::ChargeAfterDeath => "common law of agency",
            Self::ChargeUnauthorized => "12 CFR 1005.10(b) to (d)",
            Self::DisputeWithoutBasis => "15 USC 1679b(a)(1)",
            Self::NoAgreement | Self::SignedAfterDeath => "15 USC 1679d(a)(1)",
            Self::PapersMissing => "common practice, no source",
            Self::FeeAskedUnearned => "15 USC 1679b(b); 16 CFR 310.4(a)(2)",
            Self::PaymentUnearned => "15 USC 1679b(b)",
            Self::SignedAgainstLaw | Self::WorkUnsecured => "15 USC 1679j",
        }
    }

    /// The rules that a claimed fee was asked for against, by the gates that were closed: money before the service is
    /// performed breaks one whichever it was, and the wait of a sale by telephone another.
    pub fn cites_of_fee<'g>(closed: impl IntoIterator<Item = &'g Gate>) -> &'static str {
        if closed.into_iter().any(|gate| *gate == Gate::Telemarketing) {
            Self::FeeAskedUnearned.cites()
        } else {
            Self::PaymentUnearned.cites()
        }
    }
}

fn paper_received(
    case: &Case,
    facts: &Facts<'_>,
    e: &IdentityPaperReceived,
) -> Result<Vec<CaseEvent>, Refusal> {
    match case.papers().get(&e.paper) {
        Some(paper) if paper.status == PaperStatus::Accepted => {
            Err(facts.refuse(Reason::AlreadyRecorded, format!("the paper {} is accepted", e.paper)))
        }
        _ => Ok(one(e.clone())),
    }
}

fn waiting_paper(case: &Case, facts: &Facts<'_>, code: &PaperCode) -> Result<(), Refusal> {
    match case.papers().get(code) {
        Some(paper) if paper.status == PaperStatus::Received => Ok(()),
        Some(paper) => Err(facts.refuse(
            Reason::StateRefuses,
            format!("the paper {code} is {}; only a received one is judged", paper.status),
        )),
        None => Err(facts.unknown(&format!("the paper {code}"))),
    }
}

pub(super) fn bureau(facts: &Facts<'_>, code: &BureauCode) -> Result<(), Refusal> {
    if facts.firm.bureaus.contains_key(code) {
        Ok(())
    } else {
        Err(facts.unknown(&format!("the bureau {code}")))
    }
}

pub(super) fn listing<'a>(
    case: &'a Case,
    facts: &Facts<'_>,
    bureau: &BureauCode,
    item: &crate::ids::ItemCode,
) -> Result<&'a Listing, Refusal> {
    case.listings
        .get(&(item.clone(), bureau.clone()))
        .map(AsRef::as_ref)
        .ok_or_else(|| facts.unknown(&format!("the listing of {item} at {bureau}")))
}

pub(super) fn letter<'a>(
    case: &'a Case,
    facts: &Facts<'_>,
    round: u32,
    bureau: &BureauCode,
) -> Result<(&'a Round, &'a LetterState), Refusal> {
    case.letter(round, bureau)
        .ok_or_else(|| facts.unknown(&format!("the letter of round {round} to {bureau}")))
}

pub(super) fn after_sending(facts: &Facts<'_>, round: &Round) -> Result<(), Refusal> {
    if facts.on < round.mark.on {
        let detail =
            format!("round {} went out on {}, after the day given", round.number, round.mark.on);
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    Ok(())
}

fn asked(case: &Case, facts: &Facts<'_>, e: &BureauAsked) -> Result<Vec<CaseEvent>, Refusal> {
    bureau(facts, &e.bureau)?;
    let is_same =
        |a: &super::Asked| a.moment.on() == facts.on && a.ask == e.ask && a.bureau == e.bureau;
    if case.asked.iter().any(is_same) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "the same request was recorded before"));
    }
    let mut events = one(e.clone());
    let broken = case.broken_by_service(&announce::next(facts));
    events.extend(broken.map(|kind| exposure(kind, None, None).into()));
    Ok(events)
}

fn closed(
    case: &Case,
    facts: &Facts<'_>,
    e: &PeriodClosedWithoutFee,
) -> Result<Vec<CaseEvent>, Refusal> {
    let judge = facts.judge(case);
    let Some(period) = judge.period(e.period) else {
        return Err(facts.unknown(&format!("the period {}", e.period)));
    };
    if period.start > facts.on {
        let detail = format!("period {} begins on {}", e.period, period.start);
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    if judge.is_settled(e.period) {
        return Err(facts
            .refuse(Reason::AlreadyRecorded, format!("period {} is settled already", e.period)));
    }
    let (end, start) = (Some(period.end), Some(period.start));
    Ok(one(PeriodClosedWithoutFee { end, start, ..e.clone() }))
}

/// A pause begins on a day on which none holds; when it is told is no matter.
pub(super) fn pause(case: &Case, facts: &Facts<'_>) -> Result<(), Refusal> {
    if case.agreements.iter().all(|agreement| facts.on < agreement.signed.on()) {
        return Err(facts.refuse(Reason::StateRefuses, "no agreement is signed by that day"));
    }
    match turn_before(case, facts).map(|turned| turned.turn) {
        Some(Turn::Paused) => {
            Err(facts.refuse(Reason::AlreadyRecorded, "the service is paused on that day"))
        }
        Some(Turn::Resumed) | None => Ok(()),
    }
}

/// A pause ends on a day on which one holds.
pub(super) fn resume(case: &Case, facts: &Facts<'_>) -> Result<(), Refusal> {
    match turn_before(case, facts).map(|turned| turned.turn) {
        Some(Turn::Paused) => Ok(()),
        Some(Turn::Resumed) | None => {
            Err(facts.refuse(Reason::StateRefuses, "the service is not paused on that day"))
        }
    }
}

fn turn_before<'a>(case: &'a Case, facts: &Facts<'_>) -> Option<&'a PauseTurn> {
    case.pauses.iter().rev().find(|turned| turned.moment.on() <= facts.on)
}
