//! A fact about money that was told wrongly.

use super::decide::{Most, credit, failure, received, write_off};
use super::{Account, Facts, MoneyTold, decide};
use crate::command::{
    AccountAction, ChargeFailed, Chargeback, Lower, MoneyBecomes, MoneyCorrection, PaymentReceived,
    Refund,
};
use crate::event::{AccountEvent, Event, MoneyCorrected, MoneyFact, Recorded, StreamId};
use crate::named::MovementName;
use crate::refusal::{Reason, Refusal};

/// Something that rests on a fact about money.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Resting {
    /// What it is.
    pub is: String,
    /// What is done before the fact is corrected.
    pub first: String,
}

/// A correction, and what is told anew behind it.
pub(crate) struct Corrected {
    /// The correction.
    pub(crate) event: MoneyCorrected,
    /// What happened instead, if it did, at the account that the correction names.
    pub(crate) again: Vec<AccountEvent>,
}

/// The fact that is corrected: one about money, of this account, in force.
fn fact_of<'a>(
    account: &'a Account,
    facts: &Facts,
    told: &Recorded,
) -> Result<&'a MoneyTold, Refusal> {
    if account.members.is_empty() {
        return Err(facts.refuse(Reason::AccountUnknown, "no such account was opened"));
    }
    let position = told.position;
    if told.stream != StreamId::Account(facts.id) {
        let detail = format!("no event of this account stands at position {position}");
        return Err(facts.refuse(Reason::ReferenceUnknown, detail));
    }
    if let Some(fact) = account.told.get(&position) {
        return Ok(fact);
    }
    let Some(known) = account.corrected.get(&position) else {
        let detail = format!(
            "the event at position {position} is {}: only what was told of money is corrected; what was \
             decided on it is judged again",
            told.event.type_name().replace('_', " ")
        );
        return Err(facts.refuse(Reason::StateRefuses, detail));
    };
    let by = known.by.position;
    let detail = match known.again {
        None => format!("position {by} took it back: record what happened as a fact of its own"),
        Some(to) if to == facts.id => {
            format!("it was replaced; the reading in force is at position {}", by + 1)
        }
        Some(to) => {
            let is_back = match &told.event {
                Event::Account(event) => {
                    MovementName::of(event).and_then(|name| account.carries(&name))
                }
                Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
            };
            match is_back {
                Some(at) => format!(
                    "position {by} moved it to the account {to}, and it came back: the reading in force is at position {at}"
                ),
                None => format!("position {by} moved it to the account {to}: correct it there"),
            }
        }
    };
    Err(facts.refuse(Reason::StateRefuses, detail))
}

/// Decides a correction. `facts` are those of the account at which the fact is told anew, on its new day; `to` is
/// that account where it is another one.
///
/// What the old reading moved is taken back; a new one is decided as it would be now, on the account without it. What came
/// since and rested on it is never in the way: right behind, all that was told is gone through by its days (`by_days`), and
/// what finds no room there is owed to the client, or given up no more.
pub(crate) fn correct(
    account: &Account,
    own: &Facts,
    correction: &MoneyCorrection,
    to: Option<(&Account, &Facts)>,
) -> Result<Corrected, Refusal> {
    let told = &correction.told;
    let fact = fact_of(account, own, told)?;
    if let Some(what) = account.resting_on(fact) {
        return Err(own.refuse(Reason::StateRefuses, format!("{}: {} first", what.is, what.first)));
    }
    let mut without = account.clone();
    without.take_out(told.position).map_err(|unfit| {
        own.refuse(Reason::StateRefuses, format!("it cannot be taken back: {unfit}"))
    })?;
    let again = match &correction.becomes {
        MoneyBecomes::Nothing => Vec::new(),
        MoneyBecomes::OnDay(_) => {
            let action = action_of(&told.event).ok_or_else(|| no_fact(own, told))?;
            told_anew(&without, own, told, &action)?
        }
        MoneyBecomes::Told(dated) => told_anew(&without, own, told, &dated.action)?,
        MoneyBecomes::MovedTo { account: other, invoice } => {
            let (other, facts) = to.ok_or_else(|| {
                own.refuse(Reason::AccountUnknown, format!("the account {other} is not there"))
            })?;
            if other.members.is_empty() {
                return Err(facts.refuse(Reason::AccountUnknown, "no such account was opened"));
            }
            received(other, facts, &moved(own, facts, told, *invoice)?)?
        }
    };
    if let Some(first) = again.first()
        && first.money_fact() != Some(fact.kind)
    {
        let kind = words(fact.kind);
        let detail = format!("a {kind} stays one: take it back, and record what happened");
        return Err(own.refuse(Reason::StateRefuses, detail));
    }
    let at = match (&correction.becomes, again.is_empty()) {
        (MoneyBecomes::MovedTo { account, .. }, false) => Some(*account),
        (_, true) => None,
        (_, false) => Some(own.id),
    };
    let event = MoneyCorrected {
        again: at,
        fact: told.reference(),
        kind: fact.kind,
        reason: correction.reason.clone(),
        said_by: correction.said_by.clone(),
    };
    Ok(Corrected { event, again })
}

/// The reading that takes the place of a fact at its own account.
fn told_anew(
    without: &Account,
    own: &Facts,
    told: &Recorded,
    action: &AccountAction,
) -> Result<Vec<AccountEvent>, Refusal> {
    let before = action_of(&told.event).ok_or_else(|| no_fact(own, told))?;
    if before == *action && told.occurred_on == own.on {
        let detail = "that is what the reading in force tells: nothing would change";
        return Err(own.refuse(Reason::AlreadyRecorded, detail));
    }
    // A failure is of the attempt that it was of, whatever was asked for since.
    if let (Event::Account(AccountEvent::PaymentFailed(old)), AccountAction::ChargeFailed(new)) =
        (&told.event, action)
        && old.invoice == new.invoice
    {
        return Ok(vec![failure(own, old.attempt, new).into()]);
    }
    match action {
        AccountAction::GrantCredit(lower) => credit(without, own, lower, Most::NotCredited),
        AccountAction::WriteOff(lower) => write_off(without, own, lower, Most::NotCredited),
        AccountAction::PaymentReceived(_)
        | AccountAction::ChargeFailed(_)
        | AccountAction::Refund(_)
        | AccountAction::OpenChargeback(_)
        | AccountAction::ChargebackWon(_)
        | AccountAction::ChargebackLost(_)
        | AccountAction::ChangeCard(_)
        | AccountAction::RequestCharge { .. }
        | AccountAction::RequestRefund(_)
        | AccountAction::RefundFailed(_) => decide(without, own, action),
    }
}

/// A payment, told at another account under its name.
fn moved(
    own: &Facts,
    other: &Facts,
    told: &Recorded,
    invoice: Option<u64>,
) -> Result<PaymentReceived, Refusal> {
    if own.id == other.id {
        let detail = "it is this account's already: tell it anew with the invoice that it pays";
        return Err(own.refuse(Reason::StateRefuses, detail));
    }
    let Event::Account(AccountEvent::PaymentSettled(paid)) = &told.event else {
        let detail = "only a payment moves to another account, with nothing that rests on it: take this back, \
                      and record it there";
        return Err(own.refuse(Reason::StateRefuses, detail));
    };
    Ok(PaymentReceived { amount: paid.amount, invoice, payment: paid.payment.clone() })
}

fn no_fact(own: &Facts, told: &Recorded) -> Refusal {
    let detail = format!("the event at position {} tells nothing of money", told.position);
    own.refuse(Reason::StateRefuses, detail)
}

/// A kind of fact in words.
fn words(kind: MoneyFact) -> String {
    kind.code().replace('_', " ")
}

impl Account {
    /// What was told of the same money since, or stands in a match with the bank: it is undone first.
    pub fn resting_on(&self, fact: &MoneyTold) -> Option<Resting> {
        let name = fact.name.as_ref()?;
        let back = self.money_back.get(name);
        let (payment, deposited) = match fact.kind {
            MoneyFact::PaymentSettled => (name, self.payments.get(name)?.deposited),
            MoneyFact::RefundIssued | MoneyFact::ChargebackOpened => {
                (&back?.payment, back?.deposited)
            }
            MoneyFact::ChargebackWon => (&back?.payment, back?.won_deposited),
            MoneyFact::ChargebackLost => (&back?.payment, None),
            MoneyFact::PaymentFailed | MoneyFact::CreditGranted | MoneyFact::WrittenOff => {
                return None;
            }
        };
        if let Some(deposit) = deposited {
            let is = format!("it stands behind the bank's line {deposit}");
            return Some(Resting { is, first: "reverse the match of that line".into() });
        }
        if let Some((number, waiting)) = self.refund_waiting(payment) {
            let amount = waiting.amount;
            let is =
                format!("request {number} to give back {amount} of the payment {payment} waits");
            return Some(Resting { is, first: "record what became of that request".into() });
        }
        let mut since = self.told.values().filter(|later| {
            let of = later.name.as_ref().and_then(|name| self.money_back.get(name));
            later.kind != MoneyFact::PaymentSettled
                && later.came_since(fact)
                && of.is_some_and(|back| back.payment == *payment)
        });
        let later = since.next()?;
        let (kind, at) = (words(later.kind), later.mark.at.position);
        let is = format!("the {kind} at position {at} is of the payment {payment}");
        Some(Resting { is, first: format!("correct the fact at position {at}") })
    }
}

/// The action that tells what an event tells; nothing for what is no fact about money.
pub(super) fn action_of(event: &Event) -> Option<AccountAction> {
    let Event::Account(event) = event else { return None };
    Some(match event.clone() {
        AccountEvent::PaymentSettled(e) => AccountAction::PaymentReceived(PaymentReceived {
            amount: e.amount,
            invoice: e.applied.first().map(|applied| applied.invoice).or(e.meant),
            payment: e.payment,
        }),
        AccountEvent::PaymentFailed(e) => {
            AccountAction::ChargeFailed(ChargeFailed { invoice: e.invoice, reason: e.reason })
        }
        AccountEvent::RefundIssued(e) => AccountAction::Refund(Refund {
            amount: e.amount,
            payment: e.payment,
            reason: e.reason,
            refund: e.refund,
            request: Some(e.request.unwrap_or(0)),
        }),
        AccountEvent::ChargebackOpened(e) => AccountAction::OpenChargeback(Chargeback {
            amount: e.amount,
            chargeback: e.chargeback,
            payment: e.payment,
            respond_by: e.respond_by,
        }),
        AccountEvent::ChargebackWon(e) => AccountAction::ChargebackWon(e.chargeback),
        AccountEvent::ChargebackLost(e) => AccountAction::ChargebackLost(e.chargeback),
        AccountEvent::CreditGranted(e) => AccountAction::GrantCredit(Lower {
            amount: e.amount,
            invoice: e.invoice,
            reason: e.reason,
        }),
        AccountEvent::WrittenOff(e) => AccountAction::WriteOff(Lower {
            amount: e.amount,
            invoice: e.invoice,
            reason: e.reason,
        }),
        AccountEvent::AccountOpened(_)
        | AccountEvent::CardOnFileChanged(_)
        | AccountEvent::LinkSuggested(_)
        | AccountEvent::LinkRefused(_)
        | AccountEvent::MemberLinked(_)
        | AccountEvent::MemberUnlinked(_)
        | AccountEvent::PaymentMoved(_)
        | AccountEvent::PaymentMovedBack(_)
        | AccountEvent::InvoiceIssued(_)
        | AccountEvent::ChargeRequested(_)
        | AccountEvent::RefundRequested(_)
        | AccountEvent::RefundFailed(_)
        | AccountEvent::UnearnedPaymentFound(_)
        | AccountEvent::MoneyDeposited(_)
        | AccountEvent::MoneyUndeposited(_)
        | AccountEvent::MoneyCorrected(_)
        | AccountEvent::LinesShared(_)
        | AccountEvent::MoneyRestated(_) => return None,
    })
}
