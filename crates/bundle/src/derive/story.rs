//! What happened, in sentences.

use calendar::CivilDate;
use domain::event::{
    AccountEvent, Ask, Basis, BlockRefusal, BlockRefusedFor, BureauAnswered, CaseEvent,
    Circumstance, CircumstanceChanged, Direction, EndedBy, ErasureBasis, Event, FailureReason,
    Letter, MailClass, Outcome, PaperKind, Recorded, RefundFailureReason, SeenBy,
};
use domain::ids::AccountId;
use domain::terms::{Channel, Seat, Work};

use super::last_day;
use crate::manifest::Format;

const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// `8 October 2025`.
pub(super) fn day(date: CivilDate) -> String {
    use calendar::Datelike as _;
    let month = usize::try_from(date.month0()).ok().and_then(|month| MONTHS.get(month));
    format!("{} {} {}", date.day(), month.unwrap_or(&"?"), date.year())
}

/// Where a sentence belongs in a file note.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Part {
    /// Papers of identity, and the report source.
    Papers,
    /// What the firm and the client did.
    Done,
    /// What bureaus answered and reports show.
    Back,
}

/// `one letter`, `3 letters`.
pub(super) fn count(number: usize, one: &str, many: &str) -> String {
    if number == 1 { format!("one {one}") } else { format!("{number} {many}") }
}

/// `a, b and c`.
pub(super) fn and(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

pub(super) const fn channel(channel: Channel) -> &'static str {
    match channel {
        Channel::Telephone => "by telephone",
        Channel::InPerson => "face to face",
        Channel::Online => "online",
        Channel::Post => "by post",
    }
}

pub(super) const fn seat(seat: Seat) -> &'static str {
    match seat {
        Seat::Individual => "alone",
        Seat::Couple => "as one of a couple",
    }
}

pub(super) const fn work(work: Work) -> &'static str {
    match work {
        Work::ReportImport => "a fresh report",
        Work::DisputeRound => "a round of dispute letters",
        Work::ProgressReport => "a progress report to the client",
    }
}

const fn paper(kind: PaperKind) -> &'static str {
    match kind {
        PaperKind::PhotoId => "photo identification",
        PaperKind::Residence => "proof of residence",
    }
}

const fn basis(basis: Basis) -> &'static str {
    match basis {
        Basis::NotMine => "it is not the client's",
        Basis::BalanceWrong => "its balance is wrong",
        Basis::DatesWrong => "its dates are wrong",
        Basis::StatusWrong => "its status or payment history is wrong",
        Basis::Obsolete => "it is too old to be reported",
        Basis::IdentityTheft => "it comes from identity theft",
        Basis::Duplicate => "it is listed twice",
        Basis::Paid => "it is paid or settled",
        Basis::Unverified => "the bureau could not verify it in time",
    }
}

const fn seen_by(seen_by: SeenBy) -> &'static str {
    match seen_by {
        SeenBy::Response => "as the bureau answered",
        SeenBy::Import => "as a later report shows",
        SeenBy::Notice => "as the bureau's notice says",
    }
}

const fn asked(ask: Ask) -> &'static str {
    match ask {
        Ask::ProcedureDescription => "a description of its reinvestigation (15 USC 1681i(a)(7))",
        Ask::TheftBlock => "a block after identity theft (15 USC 1681c-2(a))",
    }
}

const fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Deleted => "deleted",
        Outcome::Corrected => "corrected",
        Outcome::Verified => "verified as it stands",
        Outcome::Frivolous => "refused as frivolous",
        Outcome::NoAnswer => "not answered in time",
    }
}

fn letter(letter: &Letter) -> String {
    let items: Vec<String> = letter.items.iter().map(ToString::to_string).collect();
    let way = match letter.mail_class {
        MailClass::FirstClass => "by first-class mail",
        MailClass::Certified => "by certified mail",
        MailClass::Portal => "through its portal",
        MailClass::Fax => "by fax",
    };
    let tracking = letter.tracking.as_ref().map_or(String::new(), |t| format!(" (tracking {t})"));
    format!("to {} {way}{tracking} about {}", letter.bureau, and(&items))
}

/// The sentence of a case's event, without its day; nothing for what a file note tells elsewhere.
pub(super) fn of_case(event: &CaseEvent, format: Format) -> Option<(Part, String)> {
    let told = match event {
        CaseEvent::Enrolled(_)
        | CaseEvent::DisclosureDelivered(_)
        | CaseEvent::DisclosureAcknowledged(_)
        | CaseEvent::ConsentSigned(_)
        | CaseEvent::ConsentCancelled(_)
        | CaseEvent::FeeEarned(_)
        | CaseEvent::FeeHeld(_)
        | CaseEvent::FeeKept(_)
        | CaseEvent::FeeMarked(_)
        | CaseEvent::PeriodClosedWithoutFee(_)
        | CaseEvent::ExposureFound(_) => return None,
        CaseEvent::IdentityPaperReceived(e) => {
            (Part::Papers, format!("A {} came in ({}).", paper(e.kind), e.paper))
        }
        CaseEvent::IdentityPaperAccepted(e) => {
            (Part::Papers, format!("The paper {} was accepted.", e.paper))
        }
        CaseEvent::IdentityPaperRejected(e) => (
            Part::Papers,
            format!("The paper {} would not do, and the client was asked again.", e.paper),
        ),
        CaseEvent::ReportSourceConnected(e) => {
            (Part::Papers, format!("The report source {} was connected.", e.source))
        }
        CaseEvent::ReportIdentityFailed(e) => {
            (Part::Papers, format!("The client failed the identity questions of {}.", e.source))
        }
        CaseEvent::ReportImported(e) => {
            let score = e.score.as_ref();
            let score =
                score.map_or(String::new(), |s| format!(", a score of {} ({})", s.value, s.model));
            let listings = usize::try_from(e.listings).unwrap_or(usize::MAX);
            let listings = count(listings, "negative listing", "negative listings");
            let issued = day(e.issued_on);
            (
                Part::Back,
                format!("The report of {} issued on {issued} shows {listings}{score}.", e.bureau),
            )
        }
        CaseEvent::ItemListed(e) => (
            Part::Back,
            format!(
                "{} is listed at {}: {}, reported by {}.",
                e.item,
                e.bureau,
                e.kind.code().replace('_', " "),
                e.furnisher
            ),
        ),
        CaseEvent::BasisAttested(e) => (
            Part::Done,
            format!("The client attested of {} at {} that {}.", e.item, e.bureau, basis(e.basis)),
        ),
        // Whether all that it asks for was there may have been found otherwise since.
        CaseEvent::WorkOpened(_) if format.judges_fees() => (Part::Done, "Work was opened.".into()),
        CaseEvent::WorkOpened(_) => {
            (Part::Done, "Everything needed was there and work was opened.".into())
        }
        CaseEvent::RoundSent(e) => {
            let letters: Vec<String> = e.letters.iter().map(letter).collect();
            let number = count(letters.len(), "letter", "letters");
            (Part::Done, format!("Round {}: {number} went out: {}.", e.round, letters.join("; ")))
        }
        CaseEvent::LetterDelivered(e) => {
            (Part::Back, format!("{} received its letter of round {}.", e.bureau, e.round))
        }
        CaseEvent::ClientInformationSent(e) => (
            Part::Done,
            format!("The client sent {} further information on round {}.", e.bureau, e.round),
        ),
        CaseEvent::ResponseReceived(e) => {
            let outcomes = e.outcomes.iter().map(|o| format!("{} {}", o.item, outcome(o.outcome)));
            let outcomes: Vec<String> = outcomes.collect();
            (Part::Back, format!("{} answered round {}: {}.", e.bureau, e.round, and(&outcomes)))
        }
        CaseEvent::ItemDeleted(e) => {
            (Part::Back, format!("{} at {} is deleted, {}.", e.item, e.bureau, seen_by(e.seen_by)))
        }
        CaseEvent::ItemCorrected(e) => (
            Part::Back,
            format!("{} at {} is corrected, {}.", e.item, e.bureau, seen_by(e.seen_by)),
        ),
        CaseEvent::ItemVerified(e) => {
            (Part::Back, format!("{} at {} is verified as it stands.", e.item, e.bureau))
        }
        CaseEvent::ItemReinserted(e) => (
            Part::Back,
            format!(
                "{} is back at {} after its deletion, {}.",
                e.item,
                e.bureau,
                seen_by(e.seen_by)
            ),
        ),
        CaseEvent::BureauAsked(e) => {
            (Part::Done, format!("{} was asked for {}.", e.bureau, asked(e.ask)))
        }
        CaseEvent::BureauAnswered(e) => (Part::Back, bureau_answered(e)),
        CaseEvent::ProgressReportSent(_) => {
            (Part::Done, "The client was sent a progress report.".into())
        }
        CaseEvent::ContactChanged(_) => (Part::Done, "The client's contact changed.".into()),
        CaseEvent::BillingDayChanged(_) => {
            (Part::Done, "The client's billing day changed for later periods.".into())
        }
        CaseEvent::CircumstanceChanged(e) => (Part::Done, circumstance(e)),
        CaseEvent::MessageLogged(e) => {
            let what = if e.complaint { "A complaint" } else { "A message" };
            let way = match (e.direction, e.complaint) {
                (Direction::Outgoing, true) => "was answered",
                (Direction::Outgoing, false) => "went to the client",
                (Direction::Incoming, _) => "came from the client",
            };
            (Part::Done, format!("{what} {way}."))
        }
        CaseEvent::ServicePaused(_) => (Part::Done, "Service was paused.".into()),
        CaseEvent::ServiceResumed(_) => (Part::Done, "Service went on.".into()),
        CaseEvent::ServiceEnded(e) => {
            let told = match e.by {
                EndedBy::Client => "The client ended the service.",
                EndedBy::Firm => "The firm ended the service.",
                EndedBy::Death => "The client died, and the service ended.",
            };
            (Part::Done, told.into())
        }
        CaseEvent::CorrectionNoted(e) if e.moved == Some(true) => (
            Part::Done,
            format!(
                "What position {} tells was told of another client first, and moved here.",
                e.corrects
            ),
        ),
        CaseEvent::CorrectionNoted(e) => {
            (Part::Done, format!("The record at position {} was corrected by a note.", e.corrects))
        }
        CaseEvent::ResultsFound(e) => {
            let found = e.found.iter().map(|found| {
                let (item, bureau) = (&found.item, &found.bureau);
                format!("{item} at {bureau} by the report of {}", day(found.report_on))
            });
            let found: Vec<String> = found.collect();
            (
                Part::Done,
                format!("A person found that promised results are shown: {}.", and(&found)),
            )
        }
        CaseEvent::FactCorrected(e) => {
            let now = match &e.reading {
                Some(reading) => format!("told anew, of {}", day(reading.occurred_on)),
                None if e.about_another == Some(true) => {
                    "taken back: it was another person's".into()
                }
                None => "taken back: it did not happen".into(),
            };
            (Part::Done, format!("What position {} tells was {now}.", e.fact.position))
        }
        CaseEvent::LegalHoldPlaced(e) => {
            (Part::Done, format!("A legal hold was placed: {}.", e.matter))
        }
        CaseEvent::LegalHoldLifted(e) => {
            (Part::Done, format!("The legal hold was lifted: {}.", e.matter))
        }
        CaseEvent::ClientErased(e) => {
            let why = match e.basis {
                ErasureBasis::Asked => "as the client had asked",
                ErasureBasis::RetentionOver => "as no law asked to keep it any longer",
            };
            (Part::Done, format!("What is personal was erased, {why}."))
        }
    };
    Some(told)
}

/// What began or ended of a client's circumstances. Who speaks for the client is nobody else's to read.
fn circumstance(e: &CircumstanceChanged) -> String {
    let amount = e.amount.map_or(String::new(), |most| match e.least {
        Some(least) => format!(" of {least} to {most}"),
        None => format!(" of {most}"),
    });
    let charge_on = e.charge_on.map_or(String::new(), |on| format!(" on {}", day(on)));
    match (e.kind, e.holds) {
        (Circumstance::AuthorityRevoked, true) => {
            "The client took back the authority to write to bureaus.".into()
        }
        (Circumstance::AuthorityRevoked, false) => {
            "The client gave the authority to write to bureaus again.".into()
        }
        (Circumstance::ChargeMandate, true) => {
            format!("The client authorized charges that recur,{amount} each.")
        }
        (Circumstance::ChargeMandate, false) => {
            "The client revoked the authorization of charges that recur.".into()
        }
        (Circumstance::ChargeNotice, _) => {
            format!("The client was sent notice of a charge{amount}{charge_on}.")
        }
        (Circumstance::DebitCard, true) => "The card on file draws on a bank account.".into(),
        (Circumstance::DebitCard, false) => "The card on file draws on no bank account.".into(),
        (Circumstance::DoNotCall, true) => "The client asked not to be called.".into(),
        (Circumstance::DoNotCall, false) => "The client allowed to be called again.".into(),
        (Circumstance::ElectronicRecordsWithdrawn, true) => {
            "The client withdrew the consent to electronic records.".into()
        }
        (Circumstance::ElectronicRecordsWithdrawn, false) => {
            "The client consented to electronic records again.".into()
        }
        (Circumstance::Represented, true) => "Somebody began to speak for the client.".into(),
        (Circumstance::Represented, false) => "Nobody speaks for the client any more.".into(),
    }
}

/// What a bureau did on a request, or that it refused a block (15 USC 1681c-2(c)).
fn bureau_answered(e: &BureauAnswered) -> String {
    let Some(refused) = &e.refused else {
        return format!("{} did what was asked: {}.", e.bureau, asked(e.ask));
    };
    let how = match refused.how {
        BlockRefusal::Declined => "declined a block",
        BlockRefusal::Rescinded => "took a block back",
    };
    let reason = match refused.reason {
        None => "",
        Some(BlockRefusedFor::Error) => ", for an error",
        Some(BlockRefusedFor::Misrepresentation) => ", for a misrepresentation",
        Some(BlockRefusedFor::BenefitObtained) => ", for what the client is said to have obtained",
    };
    let known =
        if refused.is_notice { "its notice came" } else { "that is known without its notice" };
    let on = day(refused.determined_on);
    format!("{} {how} after identity theft on {on}{reason} (15 USC 1681c-2(c)); {known}.", e.bureau)
}

/// The sentence of an account's event; nothing for what is not about money.
pub(super) fn of_account(own: AccountId, event: &AccountEvent) -> Option<String> {
    Some(match event {
        AccountEvent::InvoiceIssued(e) => {
            let lines = e.lines.iter().map(|line| {
                let (start, end) = (day(line.start), day(last_day(line.end)));
                format!("{} for period {} ({start} to {end})", line.amount, line.period)
            });
            let lines: Vec<String> = lines.collect();
            let due = day(e.due_on);
            format!(
                "Invoice {} of {} was issued, due on {due}: {}.",
                e.number,
                e.total,
                and(&lines)
            )
        }
        AccountEvent::ChargeRequested(e) => {
            format!(
                "The card was to be charged {} for invoice {}, try {}.",
                e.amount, e.invoice, e.attempt
            )
        }
        AccountEvent::PaymentSettled(e) => {
            let paid = e.applied.iter().map(|a| format!("{} on invoice {}", a.amount, a.invoice));
            let mut paid: Vec<String> = paid.collect();
            if e.unearned.is_positive() {
                paid.push(format!("{} that no earned fee stands behind", e.unearned));
            }
            format!("{} was paid ({}): {}.", e.amount, e.payment, and(&paid))
        }
        AccountEvent::PaymentFailed(e) => {
            let reason = match e.reason {
                FailureReason::InsufficientFunds => "not enough money",
                FailureReason::CardExpired => "the card has expired",
                FailureReason::Declined => "the issuer declined",
                FailureReason::LostOrStolen => "the card was reported lost or stolen",
                FailureReason::AccountClosed => "the account is closed",
                FailureReason::AuthorizationRevoked => "the client withdrew the authorization",
            };
            format!("The charge for invoice {} failed: {reason}.", e.invoice)
        }
        AccountEvent::RefundRequested(e) => format!(
            "The processor was asked to give {} of the payment {} back, request {}.",
            e.amount, e.payment, e.number
        ),
        AccountEvent::RefundFailed(e) => {
            let reason = match e.reason {
                RefundFailureReason::InsufficientFunds => "the firm had not enough money there",
                RefundFailureReason::Declined => "the issuer declined",
                RefundFailureReason::AccountClosed => "the account is closed",
                RefundFailureReason::PaymentTooOld => "the payment is too old",
                RefundFailureReason::Disputed => "the payment is disputed",
                RefundFailureReason::Withdrawn => "the firm withdrew it",
            };
            format!("Nothing was given back for request {}: {reason}.", e.number)
        }
        AccountEvent::RefundIssued(e) => {
            let answers =
                e.request.map_or(String::new(), |number| format!(", for request {number}"));
            format!(
                "{} of the payment {} was paid back ({}){answers}.",
                e.amount, e.payment, e.refund
            )
        }
        AccountEvent::ChargebackOpened(e) => format!(
            "The client's bank took {} of the payment {} back ({}).",
            e.amount, e.payment, e.chargeback
        ),
        AccountEvent::ChargebackWon(e) => format!("The firm won the chargeback {}.", e.chargeback),
        AccountEvent::ChargebackLost(e) => {
            format!("The firm lost the chargeback {}.", e.chargeback)
        }
        AccountEvent::CreditGranted(e) => {
            format!("Invoice {} was lowered by {}.", e.invoice, e.amount)
        }
        AccountEvent::WrittenOff(e) => {
            format!("{} of invoice {} was given up.", e.amount, e.invoice)
        }
        AccountEvent::MoneyCorrected(e) => {
            let what = e.kind.code().replace('_', " ");
            let now = match e.again {
                None => "it did not happen",
                Some(at) if at == own => "it is told anew",
                Some(_) => "it is another client's, and told there",
            };
            format!("The {what} of position {} was told wrongly: {now}.", e.fact.position)
        }
        AccountEvent::AccountOpened(_)
        | AccountEvent::CardOnFileChanged(_)
        | AccountEvent::LinkSuggested(_)
        | AccountEvent::LinkRefused(_)
        | AccountEvent::MemberLinked(_)
        | AccountEvent::MemberUnlinked(_)
        | AccountEvent::PaymentMoved(_)
        | AccountEvent::PaymentMovedBack(_)
        | AccountEvent::UnearnedPaymentFound(_)
        | AccountEvent::MoneyDeposited(_)
        | AccountEvent::MoneyUndeposited(_)
        | AccountEvent::LinesShared(_)
        | AccountEvent::MoneyRestated(_) => return None,
    })
}

/// What was asked or paid up to a day: that nothing was has to follow from the events.
pub(super) fn paid_through(own_account: &[Recorded], day: CivilDate, format: Format) -> String {
    if !format.guards_text() {
        return "Nothing was charged for that.".into();
    }
    let (mut is_asked, mut paid) = (false, Vec::new());
    for recorded in own_account.iter().filter(|recorded| recorded.occurred_on <= day) {
        match &recorded.event {
            Event::Account(AccountEvent::PaymentSettled(e)) => paid.push(e.amount.to_string()),
            Event::Account(AccountEvent::InvoiceIssued(_) | AccountEvent::ChargeRequested(_)) => {
                is_asked = true;
            }
            Event::Account(
                AccountEvent::AccountOpened(_)
                | AccountEvent::CardOnFileChanged(_)
                | AccountEvent::LinkSuggested(_)
                | AccountEvent::LinkRefused(_)
                | AccountEvent::MemberLinked(_)
                | AccountEvent::MemberUnlinked(_)
                | AccountEvent::PaymentMoved(_)
                | AccountEvent::PaymentMovedBack(_)
                | AccountEvent::PaymentFailed(_)
                | AccountEvent::RefundRequested(_)
                | AccountEvent::RefundFailed(_)
                | AccountEvent::RefundIssued(_)
                | AccountEvent::ChargebackOpened(_)
                | AccountEvent::ChargebackWon(_)
                | AccountEvent::ChargebackLost(_)
                | AccountEvent::CreditGranted(_)
                | AccountEvent::WrittenOff(_)
                | AccountEvent::UnearnedPaymentFound(_)
                | AccountEvent::MoneyDeposited(_)
                | AccountEvent::MoneyUndeposited(_)
                | AccountEvent::MoneyCorrected(_)
                | AccountEvent::LinesShared(_)
                | AccountEvent::MoneyRestated(_),
            )
            | Event::Case(_)
            | Event::Deposit(_)
            | Event::Firm(_)
            | Event::Look(_) => {}
        }
    }
    match (paid.is_empty(), is_asked) {
        (false, _) => format!("{} was paid on the client's account through that day.", and(&paid)),
        (true, true) => "Money was asked of the client's account through that day.".into(),
        (true, false) => {
            "No invoice, charge or payment of the client's account is on record through \
                          that day."
                .into()
        }
    }
}
