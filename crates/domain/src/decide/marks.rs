//! What is concluded of claimed fees after a request, recorded where it changed.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::billing::judge;
use super::shares::{self, Shares};
use crate::command::{CaseAction, Command, Correction, MoneyBecomes};
use crate::event::{AccountEvent, CaseEvent, Event, FeeMarked, Recorded, StreamId};
use crate::ids::{AccountId, CaseId};
use crate::world::{Draft, Halt, World};

/// The cases whose claimed fees a command may bear on. Everything that they are judged by is loaded, so that a
/// need never comes after an event.
pub(super) fn touched(world: &World, command: &Command) -> Result<BTreeSet<CaseId>, Halt> {
    if tells_nothing_of_fees(command) {
        return Ok(BTreeSet::new());
    }
    let touched: BTreeSet<CaseId> = match command {
        Command::Correct { case, corrections, .. } => {
            let others = corrections.iter().filter_map(Correction::other);
            std::iter::once(*case).chain(others).collect()
        }
        Command::Case { case, .. } | Command::KeepFee { case, .. } | Command::Review { case } => {
            [*case].into()
        }
        Command::Account { account, .. } => invoiced(world, *account)?,
        Command::CorrectMoney { account, correction, .. } => {
            let mut cases = invoiced(world, *account)?;
            if let MoneyBecomes::MovedTo { account, .. } = correction.becomes {
                cases.extend(invoiced(world, account)?);
            }
            cases
        }
        Command::Couple { first, second, .. } => [*first, *second].into(),
        // A fee is claimed while every gate holds, and what the firm tells is carried to its clients by a review.
        Command::ClaimFee { .. }
        | Command::BillAccount { .. }
        | Command::Firm { .. }
        | Command::CorrectFirm(_)
        | Command::Bank(_)
        | Command::Begin(_)
        | Command::Look(_) => BTreeSet::new(),
    };
    let touched = shares::sharing(world, &touched)?;
    for &case in &touched {
        if !world.case(case)?.earned.is_empty() {
            world.firm()?;
            world.payers(case)?;
        }
    }
    Ok(touched)
}

/// What waits for an administrator's review.
#[derive(Default)]
pub(super) struct Awaited {
    /// Accounts whose money comes to something else by its days than was recorded.
    accounts: BTreeSet<AccountId>,
    marks: Vec<FeeMarked>,
    shares: Shares,
}

/// What the firm's own facts would change of some cases' claimed fees: it waits for an administrator's review, and
/// no fact of a client carries it there before.
pub(super) fn awaited(
    draft: &Draft<'_, '_>,
    command: &Command,
    touched: &BTreeSet<CaseId>,
) -> Result<Awaited, Halt> {
    let mut awaited = Awaited::default();
    if matches!(command, Command::Review { .. }) || touched.is_empty() {
        return Ok(awaited);
    }
    if draft.world().firm()?.review_is_due() {
        awaited.shares = shares::otherwise(draft, touched)?;
        for id in accounts_of(draft, touched)? {
            if shares::restated(draft, id)?.is_some() {
                awaited.accounts.insert(id);
            }
        }
    }
    for &case in touched {
        if draft.world().case(case)?.earned.is_empty() || !draft.world().firm()?.review_is_due() {
            continue;
        }
        let accounts = draft.world().payers(case)?;
        let judge = judge(draft, case, &accounts)?;
        // What is exposed already moves with its money.
        let moves =
            |mark: &FeeMarked| mark.exposed != mark.exposed_before || mark.exposed.is_zero();
        awaited.marks.extend(judge.marks().filter(moves));
    }
    Ok(awaited)
}

/// The cases that an account was invoiced for.
fn invoiced(world: &World, account: AccountId) -> Result<BTreeSet<CaseId>, Halt> {
    let lines = world.account(account)?.invoices.values().flat_map(|of| &of.lines);
    Ok(lines.map(|line| line.case).collect())
}

/// Judges the claimed fees of some cases, and records where it is not as it was marked last.
pub(super) fn mark(
    draft: &mut Draft<'_, '_>,
    command: &Command,
    touched: &BTreeSet<CaseId>,
    awaited: &Awaited,
) -> Result<(), Halt> {
    let is_review = matches!(command, Command::Review { .. });
    let bears = draft.events().iter().any(|recorded| bears_on_fees(&recorded.event));
    debug_assert!(!bears || !tells_nothing_of_fees(command), "{command:?}");
    if !is_review && !bears {
        return Ok(());
    }
    // What was told wrongly leaves sums behind that only all that was told comes right by: that waits for no review.
    let corrected: BTreeSet<AccountId> = draft.events().iter().filter_map(corrected).collect();
    for id in accounts_of(draft, touched)? {
        if corrected.contains(&id) || !awaited.accounts.contains(&id) {
            shares::restate(draft, id)?;
        }
    }
    shares::share(draft, touched, &awaited.shares)?;
    let money_on = money_on(draft, command);
    for &case in touched {
        if draft.world().case(case)?.earned.is_empty() {
            continue;
        }
        let accounts = draft.world().payers(case)?;
        let judge = judge(draft, case, &accounts)?;
        let is_awaited = |mark: &FeeMarked| awaited.marks.iter().any(|other| mark.judges_as(other));
        let marks: Vec<FeeMarked> = judge.marks().filter(|mark| !is_awaited(mark)).collect();
        let today = judge.today();
        for mark in marks {
            let on = money_on.map_or(today, |on| day_of(draft.world(), case, &mark, (on, today)));
            draft.add(StreamId::Case(case), on, mark)?;
        }
    }
    Ok(())
}

/// The day of the money that a command tells of or takes back; of two the later.
fn money_on(draft: &Draft<'_, '_>, command: &Command) -> Option<CivilDate> {
    let told = draft.events().iter().filter(|told| match &told.event {
        Event::Account(event) => event.money_fact().is_some(),
        Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
    });
    let corrected = match command {
        Command::CorrectMoney { correction, .. } => Some(correction.told.occurred_on),
        Command::Correct { .. }
        | Command::Case { .. }
        | Command::KeepFee { .. }
        | Command::Review { .. }
        | Command::Account { .. }
        | Command::Couple { .. }
        | Command::ClaimFee { .. }
        | Command::BillAccount { .. }
        | Command::Firm { .. }
        | Command::CorrectFirm(_)
        | Command::Bank(_)
        | Command::Begin(_)
        | Command::Look(_) => None,
    };
    told.map(|told| told.occurred_on).chain(corrected).max()
}

/// The day a mark counts on. What of a fee nothing allowed is known from the day on which it was found. Of a fee of which that
/// was known before, only its money moves: that mark counts on the day of the money, so that no month shows one without the
/// other.
fn day_of(
    world: &World,
    case: CaseId,
    mark: &FeeMarked,
    (money_on, today): (CivilDate, CivilDate),
) -> CivilDate {
    let known = world.case(case).ok().and_then(|case| case.marks.get(&mark.fee.position));
    let is_of_money = mark.exposed == mark.exposed_before && mark.exposed.is_positive();
    known.filter(|_| is_of_money).map_or(today, |known| money_on.max(known.since.on).min(today))
}

/// The account of which an event takes back what was told of its money.
fn corrected(recorded: &Recorded) -> Option<AccountId> {
    match (recorded.stream, &recorded.event) {
        (StreamId::Account(id), Event::Account(AccountEvent::MoneyCorrected(_))) => Some(id),
        (
            StreamId::Account(_)
            | StreamId::Case(_)
            | StreamId::Deposit(_)
            | StreamId::Firm
            | StreamId::Looks(_),
            _,
        ) => None,
    }
}

/// The accounts whose money a command may bear on: those that it tells something of, and those of its cases.
fn accounts_of(
    draft: &Draft<'_, '_>,
    touched: &BTreeSet<CaseId>,
) -> Result<BTreeSet<AccountId>, Halt> {
    let told = draft.events().iter().filter_map(|recorded| match recorded.stream {
        StreamId::Account(id) => Some(id),
        StreamId::Case(_) | StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => None,
    });
    let mut accounts: BTreeSet<AccountId> = told.collect();
    for &case in touched {
        if !draft.world().case(case)?.earned.is_empty() {
            accounts.extend(draft.world().payers(case)?.into_iter().map(|(id, _)| id));
        }
    }
    Ok(accounts)
}

/// Whether a command records nothing that claimed fees are judged by, whatever comes of it: what they are judged by need
/// not be at hand for a message.
fn tells_nothing_of_fees(command: &Command) -> bool {
    let Command::Case { actions, .. } = command else { return false };
    actions.iter().all(|dated| match &dated.action {
        CaseAction::DisclosureDelivered(_)
        | CaseAction::IdentityPaperReceived(_)
        | CaseAction::IdentityPaperAccepted(_)
        | CaseAction::IdentityPaperRejected(_)
        | CaseAction::ReportSourceConnected(_)
        | CaseAction::ReportIdentityFailed(_)
        | CaseAction::OpenWork
        | CaseAction::LetterDelivered(_)
        | CaseAction::ClientInformationSent(_)
        | CaseAction::MessageLogged(_)
        | CaseAction::NoteExposure(_)
        | CaseAction::NoteCorrection(_)
        | CaseAction::PlaceLegalHold(_)
        | CaseAction::LiftLegalHold(_) => true,
        CaseAction::Enrol(_)
        | CaseAction::DisclosureAcknowledged(_)
        | CaseAction::SignConsent(_)
        | CaseAction::Cancel(_)
        | CaseAction::ImportReport(_)
        | CaseAction::AttestBasis(_)
        | CaseAction::SendRound(_)
        | CaseAction::NoteRoundSent(_)
        | CaseAction::ReceiveResponse(_)
        | CaseAction::NoteReinsertion(_)
        | CaseAction::BureauAsked(_)
        | CaseAction::BureauAnswered(_)
        | CaseAction::ProgressReportSent(_)
        | CaseAction::ContactChanged(_)
        | CaseAction::BillingDayChanged(_)
        | CaseAction::ChangeCircumstance(_)
        | CaseAction::PauseService(_)
        | CaseAction::ResumeService
        | CaseAction::EndService(_)
        | CaseAction::ClosePeriod(_)
        | CaseAction::FindResults(_)
        | CaseAction::EraseClient(_) => false,
    })
}

/// Whether an event tells something that claimed fees are judged by.
const fn bears_on_fees(event: &Event) -> bool {
    match event {
        Event::Case(event) => case_bears_on_fees(event),
        Event::Account(_) => true,
        Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
    }
}

const fn case_bears_on_fees(event: &CaseEvent) -> bool {
    match event {
        CaseEvent::Enrolled(_)
        | CaseEvent::DisclosureAcknowledged(_)
        | CaseEvent::ConsentSigned(_)
        | CaseEvent::ConsentCancelled(_)
        | CaseEvent::ReportImported(_)
        | CaseEvent::ItemListed(_)
        | CaseEvent::BasisAttested(_)
        | CaseEvent::RoundSent(_)
        | CaseEvent::ResponseReceived(_)
        | CaseEvent::ItemDeleted(_)
        | CaseEvent::ItemCorrected(_)
        | CaseEvent::ItemVerified(_)
        | CaseEvent::ItemReinserted(_)
        | CaseEvent::BureauAsked(_)
        | CaseEvent::ProgressReportSent(_)
        | CaseEvent::ContactChanged(_)
        | CaseEvent::CircumstanceChanged(_)
        | CaseEvent::BillingDayChanged(_)
        | CaseEvent::ServicePaused(_)
        | CaseEvent::ServiceResumed(_)
        | CaseEvent::ServiceEnded(_)
        | CaseEvent::PeriodClosedWithoutFee(_)
        | CaseEvent::ResultsFound(_)
        | CaseEvent::FactCorrected(_)
        | CaseEvent::FeeKept(_)
        | CaseEvent::FeeEarned(_) => true,
        CaseEvent::DisclosureDelivered(_)
        | CaseEvent::IdentityPaperReceived(_)
        | CaseEvent::IdentityPaperAccepted(_)
        | CaseEvent::IdentityPaperRejected(_)
        | CaseEvent::ReportSourceConnected(_)
        | CaseEvent::ReportIdentityFailed(_)
        | CaseEvent::WorkOpened(_)
        | CaseEvent::LetterDelivered(_)
        | CaseEvent::ClientInformationSent(_)
        | CaseEvent::BureauAnswered(_)
        | CaseEvent::MessageLogged(_)
        | CaseEvent::FeeHeld(_)
        | CaseEvent::FeeMarked(_)
        | CaseEvent::ExposureFound(_)
        | CaseEvent::CorrectionNoted(_)
        | CaseEvent::LegalHoldPlaced(_)
        | CaseEvent::LegalHoldLifted(_)
        | CaseEvent::ClientErased(_) => false,
    }
}
