//! Facts about a case: refused only if they make no sense, never for being unlawful.

use super::decide::{Facts, REPORT_ITEMS_MAX, one};
use super::{Case, LetterState, Listing, ListingStatus, PaperStatus, PauseTurn, Round, Turn};
use crate::command::{CaseAction, ImportReport, NoteReinsertion};
use crate::event::{
    BureauAsked, CaseEvent, ExposureFound, ExposureKind, IdentityPaperReceived, ItemCorrected,
    ItemDeleted, ItemListed, ItemReinserted, ItemVerified, Outcome, PeriodClosedWithoutFee,
    ReportImported, ResponseReceived, SeenBy,
};
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
        CaseAction::ImportReport(import) => imported(case, facts, import),
        CaseAction::AttestBasis(e) => {
            listing(case, facts, &e.bureau, &e.item)?;
            Ok(one(e.clone()))
        }
        CaseAction::LetterDelivered(e) => {
            let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
            if letter.delivered.is_some() {
                return Err(
                    facts.refuse(Reason::AlreadyRecorded, "the delivery was recorded before")
                );
            }
            after_sending(facts, round)?;
            Ok(one(e.clone()))
        }
        CaseAction::ClientInformationSent(e) => {
            let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
            if letter.information.is_some() {
                return Err(Refusal::citing(
                    Reason::AlreadyRecorded,
                    facts.subject(),
                    "the reinvestigation is extended once",
                    "15 USC 1681i(a)(1)(B)",
                ));
            }
            after_sending(facts, round)?;
            Ok(one(e.clone()))
        }
        CaseAction::ReceiveResponse(e) => answered(case, facts, e),
        CaseAction::NoteReinsertion(e) => reinserted(case, facts, e),
        CaseAction::BureauAsked(e) => asked(case, facts, e),
        CaseAction::BureauAnswered(e) => {
            let open = case.asked.iter().any(|a| {
                a.answered.is_none()
                    && a.ask == e.ask
                    && a.bureau == e.bureau
                    && a.mark.on <= facts.on
            });
            if open {
                Ok(one(e.clone()))
            } else {
                Err(facts.unknown("an open request of this kind"))
            }
        }
        CaseAction::ProgressReportSent(e) => Ok(one(e.clone())),
        CaseAction::ContactChanged(e) => Ok(one(e.as_ref().clone())),
        CaseAction::BillingDayChanged(e) => Ok(one(e.clone())),
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
            Self::DisputeWithoutBasis => "15 USC 1679b(a)(1)",
            Self::NoAgreement => "15 USC 1679d(a)(1)",
            Self::PapersMissing => "common practice, no source",
            Self::FeeAskedUnearned => "15 USC 1679b(b); 16 CFR 310.4(a)(2)",
            Self::PaymentUnearned => "15 USC 1679b(b)",
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

fn bureau(facts: &Facts<'_>, code: &BureauCode) -> Result<(), Refusal> {
    if facts.firm.bureaus.contains_key(code) {
        Ok(())
    } else {
        Err(facts.unknown(&format!("the bureau {code}")))
    }
}

fn listing<'a>(
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

fn letter<'a>(
    case: &'a Case,
    facts: &Facts<'_>,
    round: u32,
    bureau: &BureauCode,
) -> Result<(&'a Round, &'a LetterState), Refusal> {
    case.letter(round, bureau)
        .ok_or_else(|| facts.unknown(&format!("the letter of round {round} to {bureau}")))
}

fn after_sending(facts: &Facts<'_>, round: &Round) -> Result<(), Refusal> {
    if facts.on < round.mark.on {
        let detail =
            format!("round {} went out on {}, after the day given", round.number, round.mark.on);
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    Ok(())
}

/// A report and what it changes. An import older than the latest one of its bureau shows the past
/// and changes no listing.
fn imported(
    case: &Case,
    facts: &Facts<'_>,
    import: &ImportReport,
) -> Result<Vec<CaseEvent>, Refusal> {
    bureau(facts, &import.bureau)?;
    if import.issued_on > facts.on {
        return Err(
            facts.refuse(Reason::DateImpossible, "issued_on is after the day of the import")
        );
    }
    if import.items.len() > REPORT_ITEMS_MAX {
        return Err(facts
            .refuse(Reason::TooLarge, format!("a report has at most {REPORT_ITEMS_MAX} items")));
    }
    let mut codes: Vec<_> = import.items.iter().map(|seen| &seen.item).collect();
    codes.sort_unstable();
    if codes.windows(2).any(|pair| pair[0] == pair[1]) {
        return Err(facts.refuse(Reason::ValueRefused, "an item stands on the report twice"));
    }
    let mut events = one(ReportImported {
        bureau: import.bureau.clone(),
        card_balance: import.card_balance,
        card_limit: import.card_limit,
        completes_before: import.completes_before,
        document: import.document,
        free_annual: import.free_annual,
        inquiries: import.inquiries,
        issued_on: import.issued_on,
        listings: u32::try_from(import.items.len()).unwrap_or(u32::MAX),
        score: import.score.clone(),
    });
    let latest = case.reports.get(&import.bureau).map(|r| r.latest.issued_on);
    if latest.is_none_or(|latest| latest <= import.issued_on) {
        events.extend(seen(case, import));
        events.extend(gone(case, import));
    }
    Ok(events)
}

/// New listings, and deleted ones that are back.
fn seen(case: &Case, import: &ImportReport) -> Vec<CaseEvent> {
    let change = |item: &crate::command::ItemSeen| -> Option<CaseEvent> {
        match case.listings.get(&(item.item.clone(), import.bureau.clone())) {
            None => Some(
                ItemListed {
                    balance: item.balance,
                    bureau: import.bureau.clone(),
                    delinquent_since: item.delinquent_since,
                    furnisher: item.furnisher.clone(),
                    item: item.item.clone(),
                    kind: item.kind,
                }
                .into(),
            ),
            Some(known) if known.status == ListingStatus::Deleted => Some(
                ItemReinserted {
                    bureau: import.bureau.clone(),
                    item: item.item.clone(),
                    seen_by: SeenBy::Import,
                }
                .into(),
            ),
            Some(_) => None,
        }
    };
    import.items.iter().filter_map(change).collect()
}

/// Listings that are gone without a letter: deletions all the same.
fn gone(case: &Case, import: &ImportReport) -> Vec<CaseEvent> {
    case.listings
        .iter()
        .filter(|((_, at), known)| *at == import.bureau && known.status != ListingStatus::Deleted)
        .filter(|((item, _), _)| !import.items.iter().any(|seen| seen.item == *item))
        .map(|((item, at), _)| {
            ItemDeleted { bureau: at.clone(), item: item.clone(), seen_by: SeenBy::Import }.into()
        })
        .collect()
}

fn answered(
    case: &Case,
    facts: &Facts<'_>,
    e: &ResponseReceived,
) -> Result<Vec<CaseEvent>, Refusal> {
    let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
    after_sending(facts, round)?;
    if e.outcomes.is_empty() {
        return Err(facts.refuse(Reason::ValueRefused, "a response has at least one outcome"));
    }
    let mut events = one(e.clone());
    for (at, outcome) in e.outcomes.iter().enumerate() {
        let item = &outcome.item;
        if !letter.items.contains(item) {
            return Err(facts
                .unknown(&format!("{item} in the letter of round {} to {}", e.round, e.bureau)));
        }
        // That nothing came was the firm's own note: an answer counts all the same.
        let heard = letter.outcomes.iter().filter(|known| known.outcome != Outcome::NoAnswer);
        if heard.chain(&e.outcomes[..at]).any(|known| known.item == *item) {
            return Err(
                facts.refuse(Reason::AlreadyRecorded, format!("{item} was answered before"))
            );
        }
        if outcome.outcome == Outcome::NoAnswer {
            not_before_due(facts, round, letter)?;
        }
        let status = listing(case, facts, &e.bureau, item)?.status;
        events.extend(outcome_event(e, item, outcome.outcome, status));
    }
    Ok(events)
}

/// "No answer" is a result only once the reinvestigation's last day is over.
fn not_before_due(facts: &Facts<'_>, round: &Round, letter: &LetterState) -> Result<(), Refusal> {
    let transit = facts.firm.registered.as_ref().map_or(0, |firm| firm.transit_days);
    let due = letter.due_on(round.mark.on, transit);
    if facts.on <= due {
        return Err(Refusal::citing(
            Reason::DateImpossible,
            facts.subject(),
            format!("{} has until {due} to answer", letter.bureau),
            "15 USC 1681i(a)(1)",
        ));
    }
    Ok(())
}

fn outcome_event(
    e: &ResponseReceived,
    item: &crate::ids::ItemCode,
    outcome: Outcome,
    status: ListingStatus,
) -> Option<CaseEvent> {
    let (bureau, item, seen_by) = (e.bureau.clone(), item.clone(), SeenBy::Response);
    match outcome {
        // An import may have shown the deletion before the letter came.
        Outcome::Deleted if status == ListingStatus::Deleted => None,
        Outcome::Deleted => Some(ItemDeleted { bureau, item, seen_by }.into()),
        Outcome::Corrected => Some(ItemCorrected { bureau, item, seen_by }.into()),
        Outcome::Verified => Some(ItemVerified { bureau, item }.into()),
        Outcome::Frivolous | Outcome::NoAnswer => None,
    }
}

fn reinserted(
    case: &Case,
    facts: &Facts<'_>,
    e: &NoteReinsertion,
) -> Result<Vec<CaseEvent>, Refusal> {
    let known = listing(case, facts, &e.bureau, &e.item)?;
    match known.status {
        ListingStatus::Reinserted if known.notice_seen => {
            Err(facts.refuse(Reason::AlreadyRecorded, "the notice was recorded before"))
        }
        ListingStatus::Deleted | ListingStatus::Reinserted => Ok(one(ItemReinserted {
            bureau: e.bureau.clone(),
            item: e.item.clone(),
            seen_by: SeenBy::Notice,
        })),
        ListingStatus::Listed
        | ListingStatus::InDispute
        | ListingStatus::Corrected
        | ListingStatus::Verified
        | ListingStatus::Refused
        | ListingStatus::Unanswered => Err(facts.refuse(
            Reason::StateRefuses,
            format!("only a deleted listing can come back; {} is {}", e.item, known.status),
        )),
    }
}

fn asked(case: &Case, facts: &Facts<'_>, e: &BureauAsked) -> Result<Vec<CaseEvent>, Refusal> {
    bureau(facts, &e.bureau)?;
    let open = |a: &super::Asked| a.answered.is_none() && a.ask == e.ask && a.bureau == e.bureau;
    if case.asked.iter().any(open) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "the same request is open already"));
    }
    let mut events = one(e.clone());
    if case.agreement().is_none() {
        events.push(exposure(ExposureKind::NoAgreement, None, None).into());
    } else if case.is_early(facts.on) {
        events.push(exposure(ExposureKind::EarlyService, None, None).into());
    }
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
