//! Decisions about an account.

use calendar::{BusinessCalendar, CivilDate};

use super::{
    Account, CHARGE_TRIES_MAX, ChargebackStatus, Exposed, Flow, Invoice, Payment, Unfit, refund,
};
use crate::command::{AccountAction, ChargeFailed, Chargeback, Lower, PaymentReceived};
use crate::event::{
    AccountEvent, Applied, CardOnFileChanged, ChargeRequested, ChargebackLost, ChargebackOpened,
    ChargebackWon, CreditGranted, FailureReason, LinePart, PaymentFailed, PaymentSettled, StreamId,
    UnearnedPaymentFound, WrittenOff,
};
use crate::ids::{AccountId, ProcessorRef};
use crate::money::{Currency, Money};
use crate::refusal::{Reason, Refusal};
use crate::value::Personal;

/// Days between a charge that failed for insufficient funds and the next try. At most two more
/// tries; any other failure waits for a person. (Common practice, no source; the number of tries is
/// that of the ACH rules for R01 and R09.)
const RETRY_AFTER_DAYS: u16 = 5;

/// What a decision about an account may look at beside the account.
pub(crate) struct Facts {
    /// The account's id.
    pub(crate) id: AccountId,
    /// The firm's currency.
    pub(crate) currency: Currency,
    /// What nothing allowed of the lines of its invoices, as their fees were marked last.
    pub(crate) exposed: Exposed,
    /// Before a charge request, what is open on the invoice for fees that may not be asked for.
    pub(crate) held: Money,
    /// The day it happened.
    pub(crate) on: CivilDate,
    /// The token of the card on file, opened; nothing if there is none or its owner was erased.
    pub(crate) token: Option<Personal>,
}

impl Facts {
    fn subject(&self) -> StreamId {
        StreamId::Account(self.id)
    }

    pub(super) fn refuse(&self, reason: Reason, detail: impl Into<String>) -> Refusal {
        Refusal::new(reason, StreamId::Account(self.id), detail)
    }

    fn check(&self, amount: Money) -> Result<(), Refusal> {
        if amount.currency() == self.currency && amount.is_positive() {
            return Ok(());
        }
        let detail = format!("must be above zero and in {}", self.currency.as_str());
        Err(Refusal::new(Reason::ValueRefused, "amount", detail))
    }
}

/// Decides one action on an opened account. Pure.
pub(crate) fn decide(
    account: &Account,
    facts: &Facts,
    action: &AccountAction,
) -> Result<Vec<AccountEvent>, Refusal> {
    if account.members.is_empty() {
        return Err(facts.refuse(Reason::AccountUnknown, "no such account was opened"));
    }
    match action {
        AccountAction::ChangeCard(card) => {
            let before = facts.token.as_ref().and_then(Personal::revealed);
            let same = (before.is_some() && before == card.token.revealed()).then_some(true);
            Ok(vec![CardOnFileChanged { card: card.clone(), same }.into()])
        }
        AccountAction::RequestCharge { invoice } => request_charge(account, facts, *invoice),
        AccountAction::PaymentReceived(payment) => received(account, facts, payment),
        AccountAction::ChargeFailed(failed) => charge_failed(account, facts, failed),
        AccountAction::RequestRefund(asked) => refund::request(account, facts, asked),
        AccountAction::RefundFailed(failed) => refund::failed(account, facts, failed),
        AccountAction::Refund(issued) => refund::issued(account, facts, issued),
        AccountAction::OpenChargeback(chargeback) => opened(account, facts, chargeback),
        AccountAction::ChargebackWon(name) => {
            if !account.is_lost_by(name, facts.on) {
                open_chargeback(account, facts, name)?;
            }
            // One line alone leaves no question.
            let back = account.money_back.get(name);
            let whole = back.and_then(|back| back.lines.as_ref()).map(|_| true);
            Ok(vec![ChargebackWon { chargeback: name.clone(), whole }.into()])
        }
        AccountAction::ChargebackLost(name) => {
            open_chargeback(account, facts, name)?;
            Ok(vec![ChargebackLost { chargeback: name.clone() }.into()])
        }
        AccountAction::GrantCredit(lower) => credit(account, facts, lower, Most::Open),
        AccountAction::WriteOff(lower) => write_off(account, facts, lower, Most::Open),
    }
}

/// How much an invoice is lowered by at most.
#[derive(Clone, Copy)]
pub(super) enum Most {
    /// What is open on it.
    Open,
    /// What was not credited of it: a credit or a write-off that happened is told in the stead of another, however much is
    /// open since. What it forgives of what was paid is owed to the client.
    NotCredited,
}

pub(super) fn credit(
    account: &Account,
    facts: &Facts,
    lower: &Lower,
    most: Most,
) -> Result<Vec<AccountEvent>, Refusal> {
    let lines = lowered(account, facts, lower, (Flow::Credit, most))?;
    let Lower { amount, invoice, reason } = lower.clone();
    Ok(vec![CreditGranted { amount, invoice, lines, reason }.into()])
}

pub(super) fn write_off(
    account: &Account,
    facts: &Facts,
    lower: &Lower,
    most: Most,
) -> Result<Vec<AccountEvent>, Refusal> {
    let lines = lowered(account, facts, lower, (Flow::WriteOff, most))?;
    let Lower { amount, invoice, reason } = lower.clone();
    Ok(vec![WrittenOff { amount, invoice, lines, reason }.into()])
}

fn invoice<'a>(account: &'a Account, facts: &Facts, number: u64) -> Result<&'a Invoice, Refusal> {
    account.invoices.get(&number).ok_or_else(|| {
        facts
            .refuse(Reason::ReferenceUnknown, format!("the invoice {number} is not this account's"))
    })
}

pub(super) fn payment<'a>(
    account: &'a Account,
    facts: &Facts,
    name: &ProcessorRef,
) -> Result<&'a Payment, Refusal> {
    account.payments.get(name).ok_or_else(|| {
        facts.refuse(Reason::ReferenceUnknown, format!("the payment {name} is not of this account"))
    })
}

pub(super) fn unfit_amount(unfit: Unfit) -> Refusal {
    Refusal::new(Reason::ValueRefused, "amount", unfit.to_string())
}

/// The lines of what is applied, as the event keeps them.
pub(super) fn lines(
    account: &Account,
    facts: &Facts,
    flow: Flow<'_>,
    applied: &[Applied],
) -> Result<Option<Vec<LinePart>>, Refusal> {
    account.cover(flow, applied, &facts.exposed).map_err(unfit_amount)
}

fn request_charge(
    account: &Account,
    facts: &Facts,
    number: u64,
) -> Result<Vec<AccountEvent>, Refusal> {
    let invoice = invoice(account, facts, number)?;
    let refuse = |detail: String| Err(facts.refuse(Reason::StateRefuses, detail));
    if !invoice.open().is_positive() {
        return refuse(format!("nothing is open on invoice {number}"));
    }
    let allowed = invoice.open().minus(facts.held).unwrap_or(facts.held.negated());
    if !allowed.is_positive() {
        return Err(Refusal::citing(
            Reason::GatesClosed,
            facts.subject(),
            format!("no fee that is open on invoice {number} may be asked for; explain says why"),
            "15 USC 1679b(b)",
        ));
    }
    if account.card.is_none() {
        return refuse("no card is on file".into());
    }
    if facts.token.is_none() {
        return refuse("the client was erased, and the card with the client".into());
    }
    if let Some(attempt) = invoice.charge_open {
        return refuse(format!("try {attempt} of invoice {number} still waits for its answer"));
    }
    if invoice.charged_back.is_positive() {
        return refuse(format!(
            "the client's bank took money back for invoice {number}; a person decides"
        ));
    }
    if facts.on < invoice.due_on {
        return refuse(format!("invoice {number} is due on {}", invoice.due_on));
    }
    if invoice.tries >= CHARGE_TRIES_MAX {
        return refuse(format!(
            "invoice {number} was tried {CHARGE_TRIES_MAX} times; a person decides"
        ));
    }
    match (invoice.failed, invoice.next_try_on) {
        (Some(reason), None) => {
            refuse(format!("the latest try failed ({reason}); a person decides"))
        }
        (Some(_), Some(day)) if facts.on < day => refuse(format!("the next try is on {day}")),
        (Some(_), Some(_)) | (None, Some(_) | None) => Ok(vec![
            ChargeRequested { amount: allowed, attempt: invoice.tries + 1, invoice: number }.into(),
        ]),
    }
}

/// What a payment does not pay has no earned fee behind it: owed back, and an exposure (15 USC 1679b(b)).
pub(super) fn received(
    account: &Account,
    facts: &Facts,
    e: &PaymentReceived,
) -> Result<Vec<AccountEvent>, Refusal> {
    facts.check(e.amount)?;
    fresh(account, facts, &e.payment)?;
    if let Some(number) = e.invoice {
        invoice(account, facts, number)?;
    }
    let settled = account.settles(&e.payment, e.amount, e.invoice, facts.on);
    let settled = settled.map_err(unfit_amount)?;
    let lines = lines(account, facts, Flow::Payment, &settled.applied)?;
    let unearned = settled.unearned;
    let settled = PaymentSettled { lines, ..settled };
    let mut events = vec![settled.into()];
    if unearned.is_positive() {
        events.push(UnearnedPaymentFound::of(unearned, e.payment.clone()).into());
    }
    Ok(events)
}

fn charge_failed(
    account: &Account,
    facts: &Facts,
    e: &ChargeFailed,
) -> Result<Vec<AccountEvent>, Refusal> {
    let invoice = invoice(account, facts, e.invoice)?;
    let Some(attempt) = invoice.charge_open else {
        return Err(facts.refuse(
            Reason::StateRefuses,
            format!("no charge of invoice {} waits for an answer", e.invoice),
        ));
    };
    Ok(vec![failure(facts, attempt, e).into()])
}

/// That an attempt failed, and what comes of that.
pub(super) fn failure(facts: &Facts, attempt: u32, e: &ChargeFailed) -> PaymentFailed {
    let may_retry = e.reason == FailureReason::InsufficientFunds && attempt < CHARGE_TRIES_MAX;
    let next = || BusinessCalendar::EveryDay.add_business_days(facts.on, RETRY_AFTER_DAYS);
    let next_try_on = may_retry.then(next);
    PaymentFailed { attempt, invoice: e.invoice, next_try_on, reason: e.reason }
}

/// A payment can give back only what it still holds.
pub(super) fn gives_back(facts: &Facts, payment: &Payment, amount: Money) -> Result<(), Refusal> {
    goes_back(facts, payment, amount, payment.left(), "left")
}

pub(super) fn goes_back(
    facts: &Facts,
    payment: &Payment,
    amount: Money,
    left: Money,
    what: &str,
) -> Result<(), Refusal> {
    facts.check(amount)?;
    if facts.on < payment.mark.on {
        let detail = format!("the payment came on {}", payment.mark.on);
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    if amount.minor() > left.minor() {
        let detail = format!("only {left} of the payment is {what}");
        return Err(Refusal::new(Reason::ValueRefused, "amount", detail));
    }
    Ok(())
}

/// A processor's name is of one movement, whatever moved.
pub(super) fn fresh(account: &Account, facts: &Facts, name: &ProcessorRef) -> Result<(), Refusal> {
    match account.named(name) {
        Some((known, _)) => {
            Err(facts.refuse(Reason::AlreadyRecorded, format!("{known} is recorded")))
        }
        None => Ok(()),
    }
}

fn opened(account: &Account, facts: &Facts, e: &Chargeback) -> Result<Vec<AccountEvent>, Refusal> {
    // Many processors name no other than the payment that a bank takes back.
    if e.chargeback != e.payment || account.money_back.contains_key(&e.chargeback) {
        fresh(account, facts, &e.chargeback)?;
    }
    let paid = payment(account, facts, &e.payment)?;
    // A bank takes back what it will, refunded or not; but no payment twice.
    let most = account.not_charged_back(&e.payment, paid).map_err(unfit_amount)?;
    goes_back(facts, paid, e.amount, most, "not charged back")?;
    if let Some(by) = e.respond_by.filter(|by| *by < facts.on) {
        let detail = format!("respond_by, {by}, is before the day it was opened");
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    let taken = account.taken_back(&e.payment, e.amount).map_err(unfit_amount)?;
    let lines = lines(account, facts, Flow::Chargeback(paid), &taken.invoices)?;
    let Chargeback { amount, chargeback, payment, respond_by } = e.clone();
    Ok(vec![ChargebackOpened { amount, chargeback, lines, payment, respond_by }.into()])
}

fn open_chargeback(account: &Account, facts: &Facts, name: &ProcessorRef) -> Result<(), Refusal> {
    match account.money_back.get(name).map(|back| (back.status, back.mark.on)) {
        Some((Some(ChargebackStatus::Open), opened)) if facts.on < opened => {
            let detail = format!("the chargeback {name} was opened on {opened}");
            Err(facts.refuse(Reason::DateImpossible, detail))
        }
        Some((Some(ChargebackStatus::Open), _)) => Ok(()),
        Some((Some(_), _)) => {
            Err(facts.refuse(Reason::AlreadyRecorded, format!("{name} is settled")))
        }
        Some((None, _)) | None => {
            Err(facts
                .refuse(Reason::ReferenceUnknown, format!("no chargeback {name} was recorded")))
        }
    }
}

/// The lines that an invoice is lowered of. None is lowered before it is there.
fn lowered(
    account: &Account,
    facts: &Facts,
    e: &Lower,
    (flow, most): (Flow<'_>, Most),
) -> Result<Option<Vec<LinePart>>, Refusal> {
    facts.check(e.amount)?;
    let lowered = invoice(account, facts, e.invoice)?;
    if facts.on < lowered.issued.on {
        let detail = format!("invoice {} was issued on {}", e.invoice, lowered.issued.on);
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    let (most, is) = match most {
        Most::Open => (lowered.open(), "open on"),
        Most::NotCredited => (lowered.not_credited(), "not credited of"),
    };
    if e.amount.minor() > most.minor() {
        let detail = format!("only {most} is {is} invoice {}", e.invoice);
        return Err(Refusal::new(Reason::ValueRefused, "amount", detail));
    }
    lines(account, facts, flow, &[Applied { amount: e.amount, invoice: e.invoice }])
}
