//! What needs a person.

use std::collections::BTreeMap;

use calendar::{BusinessCalendar, CivilDate};
use domain::account::{Account, ChargebackStatus, RefundRequest};
use domain::case::{Ahead, Case, CaseStatus, CircumstanceInForce, FeeMark, Mark, PaperStatus};
use domain::event::{Circumstance, ExposureKind, RefundFailureReason};
use domain::gates::FeeStanding;
use domain::ids::{CaseId, FirmId};
use log::StoreError;

use super::exposure::Source;
use super::limit;
use crate::row::{Row, RowsAt, row};
use crate::statement::{POSITION, Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value, words};

/// Why a person is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ExceptionKind {
    /// The client failed the report provider's identity questions.
    IdentityFailed,
    /// An identity paper waits for somebody to look.
    PaperWaiting,
    /// An identity paper will not do and the client has to send another.
    PaperRejected,
    /// A deleted listing is back and no notice was seen (15 USC 1681i(a)(5)(B)(ii)).
    ReinsertionWithoutNotice,
    /// A listing is disputed again though nothing new came since it was verified (15 USC 1681i(a)(3)(A)).
    RepeatedDispute,
    /// Two clients may be a couple.
    LinkSuggested,
    /// A charge failed and no further try is planned.
    ChargeFailedFinal,
    /// A chargeback waits for an answer.
    ChargebackOpen,
    /// The processor was asked to give money back, and nobody said what became of it.
    RefundWaiting,
    /// Money that was to be given back was not.
    RefundFailed,
    /// Money that nothing earned stands behind is owed back (15 USC 1679b(b)).
    UnearnedMoney,
    /// A client complained and nobody has answered.
    Complaint,
    /// Something comes that will hold a fee or a charge unless somebody acts.
    Ahead,
    /// The client stopped something that the service goes on without.
    Circumstance,
    /// Something was done against a rule and still stands.
    Exposure,
    /// Nothing allowed a claimed fee, and it is owed back or open (15 USC 1679b(b)).
    FeeExposed,
    /// Nobody has shown the right to a claimed fee.
    FeeUnproved,
    /// Money of a claimed fee that nothing allowed is kept by counsel's reason. It needs nobody any more, and is shown for
    /// ever.
    FeeKept,
}

impl ExceptionKind {
    /// Every kind.
    pub const ALL: [Self; 18] = [
        Self::IdentityFailed,
        Self::PaperWaiting,
        Self::PaperRejected,
        Self::ReinsertionWithoutNotice,
        Self::RepeatedDispute,
        Self::LinkSuggested,
        Self::ChargeFailedFinal,
        Self::ChargebackOpen,
        Self::RefundWaiting,
        Self::RefundFailed,
        Self::UnearnedMoney,
        Self::Complaint,
        Self::Ahead,
        Self::Circumstance,
        Self::Exposure,
        Self::FeeExposed,
        Self::FeeUnproved,
        Self::FeeKept,
    ];

    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::IdentityFailed => "identity_failed",
            Self::PaperWaiting => "paper_waiting",
            Self::PaperRejected => "paper_rejected",
            Self::ReinsertionWithoutNotice => "reinsertion_without_notice",
            Self::RepeatedDispute => "repeated_dispute",
            Self::LinkSuggested => "link_suggested",
            Self::ChargeFailedFinal => "charge_failed_final",
            Self::ChargebackOpen => "chargeback_open",
            Self::RefundWaiting => "refund_waiting",
            Self::RefundFailed => "refund_failed",
            Self::UnearnedMoney => "unearned_money",
            Self::Complaint => "complaint",
            Self::Ahead => "ahead",
            Self::Circumstance => "circumstance",
            Self::Exposure => "exposure",
            Self::FeeExposed => "fee_exposed",
            Self::FeeUnproved => "fee_unproved",
            Self::FeeKept => "fee_kept",
        }
    }

    /// The member for a word.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.code() == code)
    }
}

words!(ExceptionKind by code);

row! {
    /// Something that needs a person.
    pub struct ExceptionRow in "exception"
    key {
        /// The case, or the case that opened the account.
        case_id: CaseId,
        /// Where it was found.
        source: Source,
        /// Why.
        kind: ExceptionKind,
        /// What it is about: a paper, `item@bureau`, an invoice's number, a processor's reference, a
        /// complaint's position, an exposure's kind with the period it concerns.
        subject: String,
    }
    values {
        /// The day it began.
        since_on: CivilDate,
        /// The position of the event it goes back to.
        position: u64,
        /// The other case, for a suggested link.
        other: Option<CaseId>,
        /// The last day to do something about it, where one was named.
        due_on: Option<CivilDate>,
        /// A code that says more: what the paper proves, why the charge failed, which exposure.
        detail: String,
    }
}

impl ExceptionRow {
    /// Where a list of exceptions of its kind goes on after this row.
    pub fn cursor(&self) -> String {
        format!("{}|{}", self.position, self.subject)
    }
}

fn row(
    case_id: CaseId,
    source: Source,
    kind: ExceptionKind,
    subject: impl Into<String>,
    mark: &Mark,
) -> ExceptionRow {
    ExceptionRow {
        case_id,
        source,
        kind,
        subject: subject.into(),
        since_on: mark.on,
        position: mark.at.position,
        other: None,
        due_on: None,
        detail: String::new(),
    }
}

/// A case that is over needs nobody any more, but for a complaint and what still stands.
pub(super) fn case_rows(id: CaseId, case: &Case) -> Vec<ExceptionRow> {
    let of = |kind, subject: String, mark: &Mark| row(id, Source::Case, kind, subject, mark);
    let complaint =
        |mark: &Mark| of(ExceptionKind::Complaint, format!("event {}", mark.at.position), mark);
    let mut rows: Vec<ExceptionRow> = case.open_complaints().map(complaint).collect();
    rows.extend(case.marks.values().filter_map(|marked| marked_fee(id, case, marked)));
    rows.extend(case.marks.values().filter_map(|marked| kept_fee(id, case, marked)));
    rows.extend(breaches(id, case));
    match case.status() {
        CaseStatus::Unknown | CaseStatus::Ended | CaseStatus::Cancelled => return rows,
        CaseStatus::Enrolled | CaseStatus::Signed | CaseStatus::Open | CaseStatus::Paused => {}
    }
    rows.extend(case.ahead().iter().map(|ahead| coming(id, Source::Case, ahead)));
    rows.extend(stopped(case).map(|told| {
        let kind = told.said.kind.code();
        let subject = kind.replace('_', " ");
        let exception = of(ExceptionKind::Circumstance, subject, &told.since.mark);
        ExceptionRow { detail: kind.to_owned(), ..exception }
    }));
    let failed = case.identity_failed();
    rows.extend(failed.map(|mark| of(ExceptionKind::IdentityFailed, String::new(), mark)));
    for (code, paper) in case.papers() {
        let kind = match paper.status {
            PaperStatus::Received => ExceptionKind::PaperWaiting,
            // Another paper of the kind that was accepted settles it.
            PaperStatus::Rejected if !case.has_paper(paper.kind) => ExceptionKind::PaperRejected,
            PaperStatus::Rejected | PaperStatus::Accepted => continue,
        };
        let exception = of(kind, code.as_str().to_owned(), &paper.mark);
        rows.push(ExceptionRow { detail: paper.kind.code().to_owned(), ..exception });
    }
    for ((item, bureau), listing) in case.listings.iter() {
        if let Some(back) = listing.back_without_notice() {
            let subject = format!("{item}@{bureau}");
            rows.push(of(ExceptionKind::ReinsertionWithoutNotice, subject, &back.since));
        }
        if let Some(letter) = &listing.repeated {
            rows.push(of(ExceptionKind::RepeatedDispute, format!("{item}@{bureau}"), letter));
        }
    }
    rows
}

/// What comes, with its statute.
fn coming(id: CaseId, source: Source, ahead: &Ahead<'_>) -> ExceptionRow {
    let subject = ahead.kind.code().replace('_', " ");
    let cites = if ahead.cites.is_empty() { String::new() } else { format!(" ({})", ahead.cites) };
    let exception = row(id, source, ExceptionKind::Ahead, subject, ahead.mark);
    ExceptionRow { due_on: ahead.by, detail: format!("{}{cites}", ahead.says), ..exception }
}

/// What stops letters or charges of a client who is served.
fn stopped(case: &Case) -> impl Iterator<Item = CircumstanceInForce<'_>> {
    let told = case.circumstances_on(CivilDate::MAX);
    told.filter(|told| match told.said.kind {
        Circumstance::AuthorityRevoked => told.said.holds,
        Circumstance::ChargeMandate => !told.said.holds,
        Circumstance::ChargeNotice
        | Circumstance::DebitCard
        | Circumstance::DoNotCall
        | Circumstance::ElectronicRecordsWithdrawn
        | Circumstance::Represented => false,
    })
}

/// One row for each rule and period, from the first time on: doing it again is no other thing to
/// put right.
fn breaches(id: CaseId, case: &Case) -> Vec<ExceptionRow> {
    let mut first: BTreeMap<(ExposureKind, Option<u32>), &Mark> = BTreeMap::new();
    for seen in case.standing_exposures() {
        first.entry((seen.found.kind, seen.found.period)).or_insert(&seen.mark);
    }
    let row = |((kind, period), mark): ((ExposureKind, Option<u32>), &Mark)| {
        let words = kind.code().replace('_', " ");
        let subject = period.map_or(words.clone(), |period| format!("{words}, period {period}"));
        let exception = row(id, Source::Case, ExceptionKind::Exposure, subject, mark);
        ExceptionRow { detail: kind.code().to_owned(), ..exception }
    };
    first.into_iter().map(row).collect()
}

/// A claimed fee that nothing allowed, while anything of it is kept or open; or one whose right nobody showed.
fn marked_fee(id: CaseId, case: &Case, marked: &FeeMark) -> Option<ExceptionRow> {
    let FeeMark { mark, said, since } = marked;
    let subject = fee_named(case, marked)?;
    let exception = |kind, detail| {
        let exception = row(id, Source::Case, kind, subject.clone(), mark);
        Some(ExceptionRow { detail, since_on: since.on, ..exception })
    };
    match said.standing {
        FeeStanding::Unproved => {
            let gates: Vec<&str> = said.gates.iter().map(|gate| gate.code()).collect();
            exception(ExceptionKind::FeeUnproved, gates.join(", "))
        }
        FeeStanding::Allowed | FeeStanding::Exposed => {
            let waits = said.owed.is_positive() || said.open.is_positive();
            let kept = said.kept.map_or_else(String::new, |kept| format!(", {kept} kept"));
            let detail = format!("{} owed, {} open{kept}", said.owed, said.open);
            waits.then(|| exception(ExceptionKind::FeeExposed, detail)).flatten()
        }
    }
}

/// A claimed fee by its invoice and period.
fn fee_named(case: &Case, FeeMark { said, .. }: &FeeMark) -> Option<String> {
    let claim = case.earned.iter().find(|fee| fee.mark.at.position == said.fee.position)?;
    Some(match said.invoice {
        Some(invoice) => format!("invoice {invoice}, period {}", claim.period),
        None => format!("period {}", claim.period),
    })
}

/// A claimed fee of which money is kept by counsel's reason.
fn kept_fee(id: CaseId, case: &Case, marked: &FeeMark) -> Option<ExceptionRow> {
    let (kept, keeping) = (marked.said.kept?, case.keeping_of(&marked.said.fee)?);
    let subject = fee_named(case, marked)?;
    let detail = format!("{kept} by the reason of {} ({})", keeping.mark.on, keeping.said.counsel);
    let exception = row(id, Source::Case, ExceptionKind::FeeKept, subject, &keeping.mark);
    Some(ExceptionRow { detail, ..exception })
}

pub(super) fn account_rows(owner: CaseId, account: &Account) -> Vec<ExceptionRow> {
    let of = |kind, subject: String, mark: &Mark| row(owner, Source::Account, kind, subject, mark);
    let mut rows = Vec::new();
    for (member, suggestion) in &account.suggested {
        let exception = of(ExceptionKind::LinkSuggested, member.to_string(), &suggestion.mark);
        let matches: Vec<&str> = suggestion.matches.iter().map(|found| found.code()).collect();
        rows.push(ExceptionRow { other: Some(*member), detail: matches.join(","), ..exception });
    }
    for (number, invoice) in account.invoices.iter() {
        let waits = invoice.charge_open.is_some() || invoice.next_try_on.is_some();
        if let Some(reason) = invoice.failed.filter(|_| !waits && invoice.open().is_positive()) {
            let exception =
                of(ExceptionKind::ChargeFailedFinal, number.to_string(), &invoice.issued);
            rows.push(ExceptionRow { detail: reason.code().to_owned(), ..exception });
        }
    }
    rows.extend(account.card_ahead().map(|ahead| coming(owner, Source::Account, &ahead)));
    for (name, back) in &account.money_back {
        if back.status == Some(ChargebackStatus::Open) {
            let exception = of(ExceptionKind::ChargebackOpen, name.as_str().to_owned(), &back.mark);
            let detail = if back.beyond.is_positive() {
                format!(
                    "{} of it was given back before, so that more went out than came in: dispute it with the record of the refund",
                    back.beyond
                )
            } else {
                String::new()
            };
            rows.push(ExceptionRow { due_on: back.respond_by, detail, ..exception });
        }
    }
    for (number, request) in &account.refund_requests {
        rows.extend(refund(account, *number, request).map(|(kind, detail)| {
            let subject = format!("{}, request {number}", request.payment);
            ExceptionRow { detail, ..of(kind, subject, &request.asked) }
        }));
    }
    for (name, payment) in account.payments.iter() {
        if payment.unearned_left.is_positive() {
            rows.push(of(ExceptionKind::UnearnedMoney, name.as_str().to_owned(), &payment.mark));
        }
    }
    rows
}

/// A request for a refund that waits for its answer, or that failed and that nothing was done about since.
fn refund(
    account: &Account,
    number: u32,
    request: &RefundRequest,
) -> Option<(ExceptionKind, String)> {
    let RefundRequest { amount, failed, payment, refund, returned, .. } = request;
    let why = match (refund, failed) {
        (Some(_), _) | (None, Some(RefundFailureReason::Withdrawn)) => return None,
        (None, None) => return Some((ExceptionKind::RefundWaiting, amount.to_string())),
        (None, Some(why)) => why,
    };
    let later = account.refund_requests.range(number + 1..);
    let is_last = later.into_iter().all(|(_, later)| later.payment != *payment);
    let is_left = account
        .payments
        .get(payment)
        .is_some_and(|paid| paid.left().is_positive() && paid.returned == *returned);
    let waits = is_last && is_left;
    waits.then(|| (ExceptionKind::RefundFailed, format!("{amount}: {}", why.code())))
}

/// Where a cursor begins; before everything for none.
fn start(cursor: Option<&str>) -> Option<[Value; 2]> {
    let Some(cursor) = cursor else { return Some([0_u64.put(), String::new().put()]) };
    let (position, subject) = cursor.split_once('|')?;
    Some([position.parse::<u64>().ok()?.put(), subject.to_owned().put()])
}

/// What of a case needs a person: what counsel decided for good does not, nor what only comes, and a suggestion falls away once the
/// other of the two is linked elsewhere.
pub(super) fn waiting(case: &str) -> String {
    format!(
        "FROM exception e LEFT JOIN couple_card o ON {} AND o.account_id = e.other \
         WHERE {} AND e.case_id = {case}.case_id AND e.kind NOT IN ('fee_kept', 'ahead') \
         AND (e.other IS NULL OR o.account_id IS NOT NULL)",
        beside("o", "e"),
        beside("e", case)
    )
}

/// Everything of every case that is listed; of what comes, what comes by a day of clients who are served.
pub(super) fn standing(by: &str) -> String {
    format!(
        "FROM exception t LEFT JOIN couple_card o ON {} AND o.account_id = t.other \
         WHERE {} AND (t.other IS NULL OR o.account_id IS NOT NULL) \
         AND (t.kind <> 'ahead' OR ((t.due_on IS NULL OR t.due_on <= {by}) AND EXISTS \
         (SELECT 1 FROM case_status s WHERE {} AND s.case_id = t.case_id \
         AND s.state IN ('signed', 'open', 'paused'))))",
        beside("o", "t"),
        active("t"),
        beside("s", "t")
    )
}

/// Days before something comes in which it is told.
const AHEAD_DAYS: u16 = 45;

/// The last day of what is told of on a day.
pub(super) fn ahead_through(today: CivilDate) -> CivilDate {
    BusinessCalendar::EveryDay.add_business_days(today, AHEAD_DAYS)
}

static LIST: Statement = Statement::new(|| {
    format!(
        "SELECT {}, {POSITION} {} AND t.kind = $4 AND (t.position, t.subject) > ($2, $3) \
         ORDER BY t.position, t.subject LIMIT $5",
        ExceptionRow::TABLE.selected("t"),
        standing("$6")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&LIST];

impl Store {
    /// What needs a person for one reason, the oldest first. `after` is
    /// [`ExceptionRow::cursor`] of the last row of the page before. What comes is told 45 days ahead of `today`.
    pub async fn list_exceptions(
        &self,
        firm: FirmId,
        today: CivilDate,
        kind: ExceptionKind,
        after: Option<&str>,
        rows: u32,
    ) -> Result<RowsAt<ExceptionRow>, StoreError> {
        let from = start(after).ok_or_else(|| StoreError::internal("a cursor of another list"))?;
        let mut arguments = vec![Value::Id(firm.0)];
        arguments.extend(from);
        arguments.extend([kind.put(), limit(rows), ahead_through(today).put()]);
        self.fetch_at(&LIST, arguments).await
    }
}
