//! What needs a person today.

use api::{name, v1};
use calendar::{CivilDate, Clock};
use domain::event::{Circumstance, ExposureKind};
use domain::firm::{Access, FiledStanding, SecurityEvent};
use domain::ids::FirmId;
use store::{CaseStatusRow, ClockRow, ExceptionKind, ExceptionRow, InvoiceRow, Source};

use super::day;

/// The contract's word for why a person is needed.
pub(crate) fn kind(kind: ExceptionKind) -> v1::DueKind {
    match kind {
        ExceptionKind::IdentityFailed => v1::DueKind::IdentityFailed,
        ExceptionKind::PaperWaiting => v1::DueKind::PaperWaiting,
        ExceptionKind::ReinsertionWithoutNotice => v1::DueKind::ReinsertionWithoutNotice,
        ExceptionKind::RepeatedDispute => v1::DueKind::RepeatedDispute,
        ExceptionKind::UnearnedMoney => v1::DueKind::UnearnedMoney,
        ExceptionKind::Complaint => v1::DueKind::Complaint,
        ExceptionKind::Ahead => v1::DueKind::Ahead,
        ExceptionKind::Circumstance => v1::DueKind::Circumstance,
        ExceptionKind::Exposure => v1::DueKind::Exposure,
        ExceptionKind::FeeExposed => v1::DueKind::FeeExposed,
        ExceptionKind::FeeUnproved => v1::DueKind::FeeUnproved,
        ExceptionKind::FeeKept => v1::DueKind::FeeKept,
        ExceptionKind::PaperRejected => v1::DueKind::PaperRejected,
        ExceptionKind::LinkSuggested => v1::DueKind::LinkSuggested,
        ExceptionKind::ChargeFailedFinal => v1::DueKind::ChargeFailed,
        ExceptionKind::ChargebackOpen => v1::DueKind::ChargebackOpen,
        ExceptionKind::RefundWaiting => v1::DueKind::RefundWaiting,
        ExceptionKind::RefundFailed => v1::DueKind::RefundFailed,
    }
}

/// Whether the contract's word for any exception of a case asks for this kind.
pub(crate) fn is_any_exception(kind: ExceptionKind) -> bool {
    match kind {
        ExceptionKind::IdentityFailed
        | ExceptionKind::PaperWaiting
        | ExceptionKind::ReinsertionWithoutNotice
        | ExceptionKind::RepeatedDispute
        | ExceptionKind::UnearnedMoney
        | ExceptionKind::Complaint
        | ExceptionKind::Circumstance
        | ExceptionKind::Exposure
        | ExceptionKind::FeeExposed
        | ExceptionKind::FeeUnproved => true,
        ExceptionKind::PaperRejected
        | ExceptionKind::LinkSuggested
        | ExceptionKind::ChargeFailedFinal
        | ExceptionKind::ChargebackOpen
        | ExceptionKind::RefundWaiting
        | ExceptionKind::RefundFailed
        | ExceptionKind::Ahead
        | ExceptionKind::FeeKept => false,
    }
}

/// What is to be done, in words; the code that says more comes after it.
fn exception_words(kind: ExceptionKind) -> (&'static str, &'static str) {
    match kind {
        ExceptionKind::IdentityFailed => ("help the client pass the report source's questions", ""),
        ExceptionKind::PaperWaiting => ("look at the identity paper", ""),
        ExceptionKind::PaperRejected => ("ask the client for another paper", ""),
        ExceptionKind::ReinsertionWithoutNotice => (
            "a deleted listing is back without the bureau's notice",
            Clock::ReinsertionNotice.citation(),
        ),
        ExceptionKind::RepeatedDispute => (
            "it is disputed again and nothing new came since the bureau verified it: the bureau may refuse the \
             dispute as frivolous",
            "15 USC 1681i(a)(3)(A)",
        ),
        ExceptionKind::LinkSuggested => ("say whether these two are a couple", ""),
        ExceptionKind::ChargeFailedFinal => ("the charge failed and will not be tried again", ""),
        ExceptionKind::ChargebackOpen => ("answer the chargeback", ""),
        ExceptionKind::RefundWaiting => (
            "nothing is given back until it is recorded: record what became of it; if nothing says that it was \
             handed over, the next request for a refund does so again",
            "",
        ),
        ExceptionKind::RefundFailed => {
            ("the refund failed: decide how the client gets the money back", "")
        }
        ExceptionKind::UnearnedMoney => {
            ("give back money that nothing earned stands behind", "15 USC 1679b(b)")
        }
        ExceptionKind::Complaint => ("answer the client's complaint", ""),
        // Each says itself what it is.
        ExceptionKind::Ahead | ExceptionKind::Circumstance => ("", ""),
        ExceptionKind::Exposure => ("ask counsel how to put it right", ""),
        ExceptionKind::FeeExposed => (
            "nothing allowed this fee, or a part of it: give back what was collected for that, and ask \
             for no more of it",
            "15 USC 1679b(b)",
        ),
        ExceptionKind::FeeKept => (
            "nothing allowed this fee, or a part of it, and counsel decided to keep the money: no more of it may be \
             asked for",
            "15 USC 1679b(b)",
        ),
        ExceptionKind::FeeUnproved => (
            "nothing on record shows the right to this fee: see what its gates ask",
            "15 USC 1679b(b)",
        ),
    }
}

/// What of a client's circumstances stopped letters or charges, and whether it holds or ended.
fn stopped(row: &ExceptionRow) -> Option<(Circumstance, bool)> {
    let kind =
        Circumstance::from_code(&row.detail).filter(|_| row.kind == ExceptionKind::Circumstance)?;
    Some((kind, kind.protects()))
}

/// An entry of the exceptions queue.
pub(crate) fn exception(firm: FirmId, row: &ExceptionRow, today: CivilDate) -> v1::DueItem {
    let (words, citation) = exception_words(row.kind);
    let mut citation = citation.to_owned();
    let mut detail = words.to_owned();
    if row.kind == ExceptionKind::RefundWaiting {
        let days = today.signed_duration_since(row.since_on).num_days();
        detail = format!("{} asked back {days} days ago, and no answer: {words}", row.detail);
    } else if row.kind == ExceptionKind::Ahead {
        detail.clone_from(&row.detail);
    } else if let Some((told, holds)) = stopped(row) {
        detail = format!("{}; ask the client how to go on", told.follows(holds));
        told.cites().clone_into(&mut citation);
    } else if !row.detail.is_empty() && row.kind != ExceptionKind::Exposure {
        detail = format!("{words} ({})", row.detail);
    }
    // An invoice or another case is named by its own field, and not once more as the subject.
    let (mut invoice, mut subject) = (String::new(), row.subject.clone());
    match row.kind {
        ExceptionKind::ChargeFailedFinal => {
            invoice = format!("{}/invoices/{subject}", name::firm(firm));
            subject = String::new();
        }
        ExceptionKind::LinkSuggested => subject = String::new(),
        ExceptionKind::Exposure => {
            citation = ExposureKind::from_code(&row.detail)
                .map(|kind| kind.cites().to_owned())
                .unwrap_or_default();
        }
        ExceptionKind::IdentityFailed
        | ExceptionKind::PaperWaiting
        | ExceptionKind::PaperRejected
        | ExceptionKind::ReinsertionWithoutNotice
        | ExceptionKind::RepeatedDispute
        | ExceptionKind::ChargebackOpen
        | ExceptionKind::RefundWaiting
        | ExceptionKind::RefundFailed
        | ExceptionKind::UnearnedMoney
        | ExceptionKind::Complaint
        | ExceptionKind::Ahead
        | ExceptionKind::Circumstance
        | ExceptionKind::FeeExposed
        | ExceptionKind::FeeUnproved
        | ExceptionKind::FeeKept => {}
    }
    v1::DueItem {
        kind: kind(row.kind).into(),
        case: name::case(firm, row.case_id),
        account: match row.source {
            Source::Case => String::new(),
            Source::Account => name::account(firm, row.case_id.own_account()),
        },
        invoice,
        other_case: row.other.map(|other| name::case(firm, other)).unwrap_or_default(),
        subject,
        since: day(row.since_on),
        due_on: row.due_on.and_then(day),
        detail,
        citation,
    }
}

/// What the firm told waits to be carried to the fees that were claimed of its clients.
pub(crate) fn review_due() -> v1::DueItem {
    v1::DueItem {
        kind: v1::DueKind::ReviewDue.into(),
        detail: "the firm told something that claimed fees are judged by, or the program judges by another edition of the \
                 rules: if that changes any fee, nothing is asked of clients until the review is recorded"
            .to_owned(),
        citation: "15 USC 1679b(b)".to_owned(),
        ..v1::DueItem::default()
    }
}

/// A bureau whose time is over.
pub(crate) fn overdue(firm: FirmId, row: &ClockRow) -> v1::DueItem {
    let mut subject = row.bureau.to_string();
    if row.round > 0 {
        subject = format!("{subject} round {}", row.round);
    }
    if !row.item.is_empty() {
        subject = format!("{subject} item {}", row.item);
    }
    let estimated = if row.estimated { " (the start is an estimate)" } else { "" };
    v1::DueItem {
        kind: v1::DueKind::ClockOverdue.into(),
        case: name::case(firm, row.case_id),
        subject,
        since: day(row.started_on),
        due_on: day(row.due_on),
        detail: format!("overdue: {}{estimated}", row.clock.describe()),
        citation: row.clock.citation().to_owned(),
        ..v1::DueItem::default()
    }
}

/// A charge whose answer is not recorded.
pub(crate) fn charge_waiting(firm: FirmId, row: &InvoiceRow) -> v1::DueItem {
    v1::DueItem {
        kind: v1::DueKind::ChargeWaiting.into(),
        account: name::account(firm, row.account_id),
        invoice: name::invoice(firm, row.number),
        since: row.charge_asked_on.and_then(day),
        detail:
            "record what became of the charge; if nothing says that it was handed over, the next \
                 request for charges does so again, unless a fee on it may not be asked for any more"
                .to_owned(),
        ..v1::DueItem::default()
    }
}

/// Days before its last one from which a token is told of.
const TOKEN_TOLD_DAYS: i64 = 14;

/// A token in force that somebody has to give out another for, with where it stands in the list.
pub(crate) fn token_ending(access: &Access, today: CivilDate) -> Option<(String, v1::DueItem)> {
    let Access { granted, on } = access;
    let label = &granted.label;
    let detail = match granted.expires_on {
        Some(last) if last.signed_duration_since(today).num_days() > TOKEN_TOLD_DAYS => {
            return None;
        }
        Some(_) => format!("the token of {label} ends: give out another"),
        None => {
            format!("the token of {label} has no end: give out another that has, and revoke it")
        }
    };
    let item = v1::DueItem {
        kind: v1::DueKind::TokenEnding.into(),
        subject: granted.access.to_string(),
        since: day(*on),
        due_on: granted.expires_on.and_then(day),
        detail,
        ..v1::DueItem::default()
    };
    Some((granted.access.to_string(), item))
}

/// A registration or security that ends, with its place in the list.
pub(crate) fn standing_ending(standing: &FiledStanding) -> (String, v1::DueItem) {
    let FiledStanding { filed, at, .. } = standing;
    let last = standing.last_day();
    let kind = filed.kind.code().replace('_', " ");
    let item = v1::DueItem {
        kind: v1::DueKind::StandingEnding.into(),
        subject: format!("{kind} of {}", filed.state),
        since: day(filed.valid_from),
        due_on: day(last),
        detail: format!(
            "the {kind} of {} ends on {last}: file another, or agreements and fees there are held",
            filed.state
        ),
        ..v1::DueItem::default()
    };
    (format!("{last} {}", at.id), item)
}

/// An event of security that the Commission is to be told of, with its place in the list.
pub(crate) fn security_event(
    told: &SecurityEvent,
    today: CivilDate,
) -> Option<(String, v1::DueItem)> {
    let (by, said) = (told.is_to_be_told_by()?, &told.said);
    let late = match told.days_late(today) {
        0 => String::new(),
        days => format!(", which is {days} days late"),
    };
    let item = v1::DueItem {
        kind: v1::DueKind::SecurityEvent.into(),
        subject: said.name.to_string(),
        since: day(said.discovered_on),
        due_on: day(by),
        detail: format!(
            "information of {} consumers was acquired without authorization: notify the Federal Trade Commission{late}, and \
             record the day",
            said.consumers
        ),
        citation: "16 CFR 314.4(j)".to_owned(),
        ..v1::DueItem::default()
    };
    Some((format!("{by} {}", told.at.id), item))
}

/// A case in which work can be opened.
pub(crate) fn ready(firm: FirmId, row: &CaseStatusRow) -> v1::DueItem {
    v1::DueItem {
        kind: v1::DueKind::ReadyToOpen.into(),
        case: name::case(firm, row.case_id),
        since: row.service_from.and_then(day),
        detail: "everything is there and the cancellation days are over: open work".to_owned(),
        citation: "15 USC 1679d(a)(2)".to_owned(),
        ..v1::DueItem::default()
    }
}

/// A case in which the next round can go out.
pub(crate) fn round_possible(firm: FirmId, row: &CaseStatusRow) -> v1::DueItem {
    let listings = if row.disputable == 1 { "listing" } else { "listings" };
    v1::DueItem {
        kind: v1::DueKind::RoundPossible.into(),
        case: name::case(firm, row.case_id),
        subject: format!("round {}", row.rounds + 1),
        since: row.round_from.and_then(day),
        detail: format!("{} {listings} with a basis can go into the next round", row.disputable),
        ..v1::DueItem::default()
    }
}
