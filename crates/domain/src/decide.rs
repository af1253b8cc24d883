//! From a command to events or a refusal. Pure: the world, the clock and the ids are arguments.

mod billing;
mod charged;
mod couple;
mod fact;
mod firm_fact;
mod keep;
mod marks;
mod money;
mod shares;

use std::collections::BTreeSet;

use calendar::{CivilDate, Datelike, Zone};

use crate::account::{self, Charged};
use crate::case;
use crate::command::{AccountAction, CaseAction, Command, Dated, FirmAction, Look, Run};
use crate::deposit;
use crate::event::{
    AccessUsed, AccountEvent, AccountOpened, AutomaticMatches, BankAccountTakenBack,
    CardOnFileChanged, ClientLookedAt, FirmEvent, Recorded, StreamId, UtcMicros,
};
use crate::firm::{self, Firm};
use crate::ids::{AccountId, CaseId};
use crate::judge::{Judge, Matter};
use crate::money::Money;
use crate::named::{self, MovementName};
use crate::refusal::{NamedVersion, Reason, Refusal, Versions};
use crate::world::{Context, Draft, Halt, World};

/// Most actions of one request.
pub const ACTIONS_MAX: usize = 100;

/// Decides a command. The events come back numbered and are folded into the world already.
///
/// # Errors
/// [`Halt::Need`] if a stream must be loaded first, [`Halt::Refused`] if the command is refused; in
/// both cases the world is as it was.
pub fn decide(
    world: &mut World,
    context: Context<'_>,
    command: &Command,
) -> Result<Vec<Recorded>, Halt> {
    // What is refused after its first event has to be undone.
    let several = match command {
        Command::Case { actions, .. } => actions.len() > 1,
        Command::Account { .. }
        | Command::Correct { .. }
        | Command::CorrectMoney { .. }
        | Command::CorrectFirm(_)
        | Command::Firm { .. }
        | Command::Bank(_) => true,
        Command::Couple { .. }
        | Command::ClaimFee { .. }
        | Command::BillAccount { .. }
        | Command::KeepFee { .. }
        | Command::Review { .. }
        | Command::Begin(_)
        | Command::Look(_) => false,
    };
    let mut draft = Draft::begin(world, context, several);
    match decide_into(&mut draft, command) {
        Ok(()) => Ok(draft.finish()),
        Err(halt) => {
            draft.abandon();
            Err(halt)
        }
    }
}

fn decide_into(draft: &mut Draft<'_, '_>, command: &Command) -> Result<(), Halt> {
    let touched = marks::touched(draft.world(), command)?;
    let awaited = marks::awaited(draft, command, &touched)?;
    let held = money::held_before(draft, command, &touched)?;
    let authorizing = charged::authorizing(draft.world(), command)?;
    decide_one(draft, command)?;
    charged::tell(draft, &authorizing)?;
    marks::mark(draft, command, &touched, &awaited)?;
    money::opens_nothing(draft, &held)
}

fn decide_one(draft: &mut Draft<'_, '_>, command: &Command) -> Result<(), Halt> {
    match command {
        Command::Case { case, expected_version, actions } => {
            on_case(draft, *case, *expected_version, actions)
        }
        Command::Correct { by, case, expected_version, corrections } => {
            fact::correct_all(draft, *case, *by, *expected_version, corrections)
        }
        Command::CorrectMoney { account, by, expected_version, correction } => {
            money::correct(draft, (*account, *by), *expected_version, correction)
        }
        Command::CorrectFirm(correction) => firm_fact::correct(draft, correction),
        Command::Account { account, action } => on_account(draft, *account, action),
        Command::Bank(action) => deposit::bank(draft, action),
        Command::Firm { action } => on_firm(draft, action),
        Command::Begin(run) => on_run(draft, *run),
        Command::Look(look) => on_look(draft, look),
        Command::Couple { first, second, action } => {
            couple::decide(draft, *first, *second, *action)
        }
        Command::ClaimFee { case, period, as_of } => billing::claim(draft, *case, *period, *as_of),
        Command::BillAccount { account, as_of } => billing::bill(draft, *account, *as_of),
        Command::KeepFee { case, action } => keep::fee(draft, *case, action),
        // Every claimed fee of it is marked.
        Command::Review { case } => untold_by_law(draft, *case),
    }
}

/// The oldest day a fact may have happened: nothing the product looks at is older.
const OLDEST_YEAR: i32 = 1970;

/// A fact happens neither in the future nor before anybody kept records.
pub(crate) fn check_day(
    firm: &Firm,
    now: UtcMicros,
    subject: &str,
    day: CivilDate,
) -> Result<(), Refusal> {
    let Some(today) = firm.today(now) else {
        return Err(Refusal::new(Reason::FirmUnknown, "firm", "the firm is not registered"));
    };
    if day > today {
        let detail = format!("{day} is in the future; today is {today}");
        return Err(Refusal::new(Reason::DateImpossible, subject, detail));
    }
    if day.year() < OLDEST_YEAR {
        return Err(Refusal::new(
            Reason::DateImpossible,
            subject,
            format!("{day} is too long ago"),
        ));
    }
    Ok(())
}

/// A moment is on the day that is told beside it, where the client lives, and not in the future.
fn check_time(
    zone: Zone,
    now: UtcMicros,
    on: CivilDate,
    at: Option<UtcMicros>,
) -> Result<(), Refusal> {
    let Some(at) = at else { return Ok(()) };
    let day = zone.date_at(at.0);
    let detail = if day != on {
        format!("is on {day} where the client lives ({}), and occurred_on is {on}", zone.name())
    } else if at > now {
        "is in the future".into()
    } else {
        return Ok(());
    };
    Err(Refusal::new(Reason::DateImpossible, "occurred_at", detail))
}

fn on_case(
    draft: &mut Draft<'_, '_>,
    id: CaseId,
    expected_version: Option<u64>,
    actions: &[Dated<CaseAction>],
) -> Result<(), Halt> {
    check_request(draft, id, expected_version, ("actions", actions.len()))?;
    // Loaded before anything is drafted, so that a need never comes after an event.
    if actions.iter().any(|dated| matches!(dated.action, CaseAction::Enrol(_))) {
        draft.world().account(id.own_account())?;
    }
    draft.world().firm()?;
    for (at, dated) in actions.iter().enumerate() {
        one_action(draft, id, dated).map_err(|halt| placed(halt, at))?;
    }
    Ok(())
}

/// A refusal of the action at a place of its request.
fn placed(halt: Halt, at: usize) -> Halt {
    match halt {
        Halt::Refused(mut refusal) => {
            refusal.action = u32::try_from(at).unwrap_or(u32::MAX);
            Halt::Refused(refusal)
        }
        other @ (Halt::Need(_) | Halt::Unnamed) => other,
    }
}

/// That a request is about the version it names, and of a size.
fn check_request(
    draft: &Draft<'_, '_>,
    id: CaseId,
    expected_version: Option<u64>,
    (what, count): (&str, usize),
) -> Result<(), Halt> {
    let actual = draft.world().case(id)?.version;
    if let Some(expected) = expected_version
        && expected != actual
    {
        let versions = Versions { actual, expected: NamedVersion(expected) };
        return Err(Refusal::stale(StreamId::Case(id), versions).into());
    }
    if count == 0 || count > ACTIONS_MAX {
        let detail = format!("a request has 1 to {ACTIONS_MAX} {what}");
        return Err(Refusal::new(Reason::ValueRefused, what, detail).into());
    }
    Ok(())
}

fn one_action(
    draft: &mut Draft<'_, '_>,
    id: CaseId,
    dated: &Dated<CaseAction>,
) -> Result<(), Halt> {
    let (on, at) = (dated.occurred_on, dated.occurred_at);
    let now = draft.now();
    let world = draft.world();
    let firm = world.firm()?;
    check_day(firm, now, "occurred_on", on)?;
    let told = if let CaseAction::Enrol(enrol) = &dated.action { enrol.zone } else { None };
    let lives = world.case(id)?.enrolment.as_ref().map(|enrolment| enrolment.zone);
    if let Some(zone) = told.or(lives).or(firm.registered.as_ref().map(|firm| firm.zone)) {
        check_time(zone, now, on, at)?;
    }
    let (position, request) = (world.position(), draft.request());
    let facts = case::Facts { id, firm, at, on, now, position, request };
    let events = case::decide(world.case(id)?, &facts, &dated.action)?;
    for event in events {
        // What follows from a fact has its day alone.
        let at = event.fact().and(at);
        draft.add_at(StreamId::Case(id), (on, at), event)?;
    }
    if ends_service_or_authority(&dated.action) {
        for (on, event) in draft.world().case(id)?.untold_by_story() {
            draft.add(StreamId::Case(id), on, event)?;
        }
    }
    if is_under_law(draft.world().firm()?, &dated.action) {
        untold_by_law(draft, id)?;
    }
    if let CaseAction::Enrol(enrol) = &dated.action {
        let account = StreamId::Account(id.own_account());
        draft.add(account, on, AccountOpened { owner: id })?;
        if let Some(card) = &enrol.card {
            draft.add(account, on, CardOnFileChanged { card: card.clone(), same: None })?;
        }
    }
    Ok(())
}

/// Whether something of the case may be found by an action to have been against the law of a state: where a client lived on
/// the day of a signing decides whose law that was under; and in what service work was done, where something has to be on
/// file on every day of it.
fn is_under_law(firm: &Firm, action: &CaseAction) -> bool {
    match action {
        CaseAction::ContactChanged(_) => true,
        CaseAction::SendRound(_)
        | CaseAction::NoteRoundSent(_)
        | CaseAction::ImportReport(_)
        | CaseAction::ProgressReportSent(_)
        | CaseAction::BureauAsked(_)
        | CaseAction::SignConsent(_)
        | CaseAction::PauseService(_)
        | CaseAction::ResumeService => firm.keeps_on_file(),
        CaseAction::Enrol(_)
        | CaseAction::Cancel(_)
        | CaseAction::OpenWork
        | CaseAction::EndService(_)
        | CaseAction::PlaceLegalHold(_)
        | CaseAction::LiftLegalHold(_)
        | CaseAction::EraseClient(_)
        | CaseAction::FindResults(_)
        | CaseAction::DisclosureDelivered(_)
        | CaseAction::DisclosureAcknowledged(_)
        | CaseAction::IdentityPaperReceived(_)
        | CaseAction::IdentityPaperAccepted(_)
        | CaseAction::IdentityPaperRejected(_)
        | CaseAction::ReportSourceConnected(_)
        | CaseAction::ReportIdentityFailed(_)
        | CaseAction::AttestBasis(_)
        | CaseAction::LetterDelivered(_)
        | CaseAction::ClientInformationSent(_)
        | CaseAction::ReceiveResponse(_)
        | CaseAction::NoteReinsertion(_)
        | CaseAction::BureauAnswered(_)
        | CaseAction::BillingDayChanged(_)
        | CaseAction::ChangeCircumstance(_)
        | CaseAction::MessageLogged(_)
        | CaseAction::ClosePeriod(_)
        | CaseAction::NoteExposure(_)
        | CaseAction::NoteCorrection(_) => false,
    }
}

fn untold_by_law(draft: &mut Draft<'_, '_>, id: CaseId) -> Result<(), Halt> {
    let untold = {
        let (now, world) = (draft.now(), draft.world());
        let (case, firm) = (world.case(id)?, world.firm()?);
        let Some(today) = firm.today(now) else { return Ok(()) };
        let judge = Judge::of(Matter { id, case, accounts: &[], firm, today });
        case.untold_by_law(&judge)
    };
    for (on, event) in untold {
        draft.add(StreamId::Case(id), on, event)?;
    }
    Ok(())
}

/// Whether letters that left before it was told may have broken something by it.
const fn ends_service_or_authority(action: &CaseAction) -> bool {
    matches!(
        action,
        CaseAction::Cancel(_) | CaseAction::ChangeCircumstance(_) | CaseAction::EndService(_)
    )
}

fn on_account(
    draft: &mut Draft<'_, '_>,
    id: AccountId,
    dated: &Dated<AccountAction>,
) -> Result<(), Halt> {
    let on = dated.occurred_on;
    let world = draft.world();
    let firm = world.firm()?;
    check_day(firm, draft.now(), "occurred_on", on)?;
    let currency = firm.registered.as_ref().expect("a day was checked against the firm").currency;
    let token = draft.opened_card(id)?.map(|card| card.token);
    let held = match &dated.action {
        AccountAction::RequestCharge { invoice } => billing::held(draft, id, *invoice, on)?,
        AccountAction::ChangeCard(_)
        | AccountAction::PaymentReceived(_)
        | AccountAction::ChargeFailed(_)
        | AccountAction::RequestRefund(_)
        | AccountAction::RefundFailed(_)
        | AccountAction::Refund(_)
        | AccountAction::OpenChargeback(_)
        | AccountAction::ChargebackWon(_)
        | AccountAction::ChargebackLost(_)
        | AccountAction::GrantCredit(_)
        | AccountAction::WriteOff(_) => Money::zero(currency),
    };
    let exposed = billing::exposed(draft.world(), id)?;
    let facts = account::Facts { id, currency, exposed, held, on, token };
    let events = account::decide(world.account(id)?, &facts, &dated.action)?;
    if let Some(AccountEvent::ChargeRequested(charge)) = events.first() {
        let charge = Charged { amount: charge.amount, invoice: charge.invoice, on };
        may_be_charged(draft.world(), id, charge)?;
    }
    if let Some(name) = events.first().and_then(MovementName::of) {
        named::check(draft, id, &name)?;
    }
    for event in events {
        draft.add(StreamId::Account(id), on, event)?;
    }
    Ok(())
}

/// Whether the card of an account's owner may be charged, by what the client authorized.
fn may_be_charged(world: &World, id: AccountId, charge: Charged) -> Result<(), Halt> {
    match world.case(id.owner())?.bars_charge(charge, &world.account(id)?.charged()) {
        None => Ok(()),
        Some((detail, cites)) => {
            Err(Refusal::citing(Reason::StateRefuses, StreamId::Account(id), detail, cites).into())
        }
    }
}

fn on_firm(draft: &mut Draft<'_, '_>, dated: &Dated<FirmAction>) -> Result<(), Halt> {
    let on = dated.occurred_on;
    let firm = draft.world().firm()?;
    let moved_at = draft.world().money_moved_at();
    let event = firm::decide(firm, on, moved_at, &dated.action)?;
    if let FirmAction::Register(details) = &dated.action {
        if on > details.zone.date_at(draft.now().0) {
            let detail = format!("{on} is in the future");
            return Err(Refusal::new(Reason::DateImpossible, "occurred_on", detail).into());
        }
    } else {
        check_day(firm, draft.now(), "occurred_on", on)?;
    }
    if let FirmAction::DeclareBankAccount(declared) = &dated.action
        && let Some(known) = firm.banks.get(&declared.bank).cloned()
    {
        let (bank, opening) = (declared.bank.clone(), known.declared.opening);
        let taken_back = BankAccountTakenBack { bank, declared: known.at, opening };
        draft.add(StreamId::Firm, known.opened_on, taken_back)?;
    }
    draft.add(StreamId::Firm, on, event)?;
    Ok(())
}

/// Nothing is recorded of a run's beginning, but its answer: the same request finds the same place.
fn on_run(draft: &Draft<'_, '_>, run: Run) -> Result<(), Halt> {
    let firm = draft.world().firm()?;
    match run {
        Run::Billing { as_of } | Run::Charges { as_of } => {
            check_day(firm, draft.now(), "as_of", as_of)?;
        }
        Run::HandOver => {}
        Run::Matching => {
            if firm.automatic_matches() == AutomaticMatches::Nothing {
                let detail =
                    "the firm's policy lets nothing be automatic: a person confirms every match";
                return Err(Refusal::new(Reason::StateRefuses, "automatic", detail).into());
            }
        }
    }
    Ok(())
}

/// One event in the stream of each client that was looked at; one of the firm's if none was.
fn on_look(draft: &mut Draft<'_, '_>, look: &Look) -> Result<(), Halt> {
    let Look { access, cases, kind, on, what } = look;
    let world = draft.world();
    world.firm()?;
    // All are loaded before the first event is drafted.
    cases.iter().try_for_each(|case| world.looks(*case).map(|_| ()))?;
    if cases.is_empty() {
        let cases = BTreeSet::new();
        let used = AccessUsed { access: *access, cases, kind: *kind, what: what.clone() };
        draft.add(StreamId::Firm, *on, FirmEvent::AccessUsed(used))?;
    }
    for case in cases {
        let looked = ClientLookedAt { access: *access, kind: *kind, what: what.clone() };
        draft.add(StreamId::Looks(*case), *on, looked)?;
    }
    Ok(())
}
