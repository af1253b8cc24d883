//! Asking the processor to give money of a payment back, and what came of it.

use std::collections::BTreeMap;

use super::decide::{fresh, gives_back, goes_back, lines, payment, unfit_amount};
use super::{
    Account, ChargebackStatus, Exposed, Facts, Flow, MoneyBack, Payment, TakenBack, Unfit,
};
use crate::case::Mark;
use crate::codec::record;
use crate::command::{Refund, RefundAsked, RefundNotMade};
use crate::event::{
    AccountEvent, Applied, LinePart, RefundFailed, RefundFailureReason, RefundIssued,
    RefundRequested,
};
use crate::ids::ProcessorRef;
use crate::money::Money;
use crate::refusal::{Reason, Refusal};

record! {
    /// A request to give money back, and what came of it.
    pub struct RefundRequest {
        /// How much.
        amount: Money,
        /// The event.
        asked: Mark,
        /// Why nothing was given back.
        failed: Option<RefundFailureReason>,
        /// The lines it is for, where that was said.
        lines: Option<Vec<LinePart>>,
        /// The payment.
        payment: ProcessorRef,
        /// The processor's name for the refund that answered it.
        refund: Option<ProcessorRef>,
        /// What of the payment had gone back when it was asked.
        returned: Money,
    }
}

record! {
    /// What a refund gave back that a chargeback told before it had taken.
    pub struct Instead {
        /// The chargeback.
        chargeback: ProcessorRef,
        /// Of invoices.
        invoices: Vec<Applied>,
        /// Of what was unearned.
        unearned: Money,
    }
}

/// Out of what a refund goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refunded {
    /// Out of what its payment held, and beyond all that came in.
    pub taken: TakenBack,
    /// What chargebacks had taken before.
    pub instead: Vec<Instead>,
}

impl Instead {
    /// All of it.
    ///
    /// # Errors
    /// [`Unfit`] if that is no amount.
    pub fn sum(&self) -> Result<Money, Unfit> {
        let of_invoices = self.invoices.iter().map(|part| part.amount);
        Ok(of_invoices.into_iter().try_fold(self.unearned, Money::plus)?)
    }
}

impl MoneyBack {
    /// Whether it is a chargeback of a payment that was not won.
    fn is_standing_of(&self, payment: &ProcessorRef) -> bool {
        self.payment == *payment
            && matches!(self.status, Some(ChargebackStatus::Open | ChargebackStatus::Lost))
    }
}

impl RefundRequest {
    /// Whether nobody said what became of it. Until then nothing counts as given back.
    pub fn waits(&self) -> bool {
        self.failed.is_none() && self.refund.is_none()
    }
}

impl Payment {
    /// What of it did not go back.
    pub fn left(&self) -> Money {
        self.amount.above(self.returned)
    }
}

impl Account {
    /// The requests that wait for their answer, by number.
    pub fn refunds_waiting(&self) -> impl Iterator<Item = (u32, &RefundRequest)> {
        let requests = self.refund_requests.iter().map(|(&number, request)| (number, request));
        requests.filter(|(_, request)| request.waits())
    }

    /// What of a payment no refund gave back.
    ///
    /// # Errors
    /// [`Unfit`] if that is no amount.
    pub fn not_refunded(&self, name: &ProcessorRef, payment: &Payment) -> Result<Money, Unfit> {
        let is_refund = |back: &&MoneyBack| back.payment == *name && back.status.is_none();
        let refunds = self.money_back.values().filter(is_refund).map(|back| back.amount);
        Ok(refunds.into_iter().try_fold(payment.amount, Money::minus)?)
    }

    /// Out of what a refund of a payment goes. What a bank had taken back before it was told goes back twice: the refund gave
    /// it back, as if it had been told first, and what the chargeback took of it is the firm's loss.
    ///
    /// # Errors
    /// [`Unfit`] if the account has no such payment, or no such invoice as it paid.
    pub fn refund_taken(&self, name: &ProcessorRef, amount: Money) -> Result<Refunded, Unfit> {
        let mut taken = self.taken_back(name, amount)?;
        let mut standing: Vec<(&ProcessorRef, &MoneyBack)> =
            self.money_back.iter().filter(|(_, back)| back.is_standing_of(name)).collect();
        standing.sort_by_key(|(chargeback, back)| (back.mark.on, *chargeback));
        let (mut instead, mut open) = (Vec::new(), BTreeMap::new());
        for (chargeback, back) in standing {
            let unearned = taken.beyond.min(back.unearned);
            let mut left = taken.beyond.minus(unearned)?;
            let mut invoices = Vec::new();
            for &Applied { amount, invoice } in &back.invoices {
                let of_invoice = self.invoice(invoice)?.checked_open()?;
                let zero = Money::zero(amount.currency());
                let open = open.entry(invoice).or_insert_with(|| of_invoice.above(zero));
                let part = left.min(amount).min(*open);
                (left, *open) = (left.minus(part)?, open.minus(part)?);
                if part.is_positive() {
                    invoices.push(Applied { amount: part, invoice });
                }
            }
            taken.beyond = left;
            if unearned.is_positive() || !invoices.is_empty() {
                instead.push(Instead { chargeback: chargeback.clone(), invoices, unearned });
            }
        }
        Ok(Refunded { taken, instead })
    }

    /// What of a payment no bank took back, or gave again.
    ///
    /// # Errors
    /// [`Unfit`] if that is no amount.
    pub fn not_charged_back(&self, name: &ProcessorRef, payment: &Payment) -> Result<Money, Unfit> {
        let mut left = payment.amount;
        for back in self.money_back.values().filter(|back| back.is_standing_of(name)) {
            left = left.minus(back.amount)?;
        }
        Ok(left)
    }

    /// The request for a payment that waits.
    pub fn refund_waiting(&self, payment: &ProcessorRef) -> Option<(u32, &RefundRequest)> {
        self.refunds_waiting().find(|(_, request)| request.payment == *payment)
    }

    /// What of the invoices that requests which wait will be taken of is to go back of one.
    fn asked_back_of(&self, number: u64) -> Result<Money, Unfit> {
        let mut asked = None;
        for (_, request) in self.refunds_waiting() {
            let taken = self.taken_back(&request.payment, request.amount)?;
            for part in taken.invoices.iter().filter(|part| part.invoice == number) {
                asked =
                    Some(asked.unwrap_or(Money::zero(part.amount.currency())).plus(part.amount)?);
            }
        }
        Ok(asked.unwrap_or(Money::zero(self.invoice(number)?.total.currency())))
    }

    /// What of a line of an invoice is to go back by requests that wait.
    pub(super) fn asked_back_of_line(&self, invoice: u64, line: u32, of: Money) -> Money {
        let zero = Money::zero(of.currency());
        let mut parts = self.refunds_waiting().filter_map(|(_, request)| {
            let Some(lines) = &request.lines else {
                let taken = self.taken_back(&request.payment, request.amount).ok()?;
                return taken
                    .invoices
                    .into_iter()
                    .find(|part| part.invoice == invoice)
                    .map(|p| p.amount);
            };
            let named = lines.iter().find(|part| (part.invoice, part.line) == (invoice, line));
            named.map(|part| part.amount)
        });
        parts.try_fold(zero, Money::plus).unwrap_or(of).min(of)
    }

    /// What of a payment is owed to the client and not asked back yet: what nothing earned stands behind, and what of
    /// the lines it paid nothing allowed.
    ///
    /// # Errors
    /// [`Unfit`] if the account has no such payment, or no such invoice as it paid.
    pub fn owed_of(&self, name: &ProcessorRef, exposed: &Exposed) -> Result<Money, Unfit> {
        let payment = self.payments.get(name).ok_or(Unfit::Missing("a payment"))?;
        let mut owed = payment.unearned_left;
        for &Applied { amount, invoice: number } in &payment.applied {
            let invoice = self.invoice(number)?;
            let zero = Money::zero(amount.currency());
            let lines = invoice.lines.iter().zip(&invoice.sums).zip(1..);
            let of_lines = lines.map(|((line, sums), at)| {
                let exposed = exposed.get(&(number, at)).copied().unwrap_or(zero);
                sums.money(line.amount).of_part(line.amount, exposed).owed
            });
            let of_lines = of_lines.into_iter().try_fold(zero, Money::plus)?;
            let unasked = of_lines.above(self.asked_back_of(number)?);
            owed = owed.plus(unasked.min(amount))?;
        }
        Ok(owed.min(payment.left()))
    }

    pub(super) fn refund_requested(
        &mut self,
        e: &RefundRequested,
        mark: Mark,
    ) -> Result<(), Unfit> {
        let returned = self.payments.get(&e.payment).ok_or(Unfit::Missing("a payment"))?.returned;
        let request = RefundRequest {
            amount: e.amount,
            asked: mark,
            failed: None,
            lines: e.lines.clone(),
            payment: e.payment.clone(),
            refund: None,
            returned,
        };
        self.refund_requests.insert(e.number, request);
        Ok(())
    }

    pub(super) fn refund_failed(&mut self, e: &RefundFailed) -> Result<(), Unfit> {
        self.request_mut(e.number)?.failed = Some(e.reason);
        Ok(())
    }

    /// A refund answers the request that it names.
    pub(super) fn answered(&mut self, e: &RefundIssued) -> Result<(), Unfit> {
        if let Some(number) = e.request {
            self.request_mut(number)?.refund = Some(e.refund.clone());
        }
        Ok(())
    }

    /// A request that a refund answered waits again: that refund was never made.
    pub(super) fn unanswered(&mut self, refund: &ProcessorRef) {
        for request in self.refund_requests.values_mut() {
            request.refund.take_if(|answer| answer == refund);
        }
    }

    fn request_mut(&mut self, number: u32) -> Result<&mut RefundRequest, Unfit> {
        self.refund_requests.get_mut(&number).ok_or(Unfit::Missing("a request for a refund"))
    }
}

/// Why a request that was never handed over is not handed over any more; nothing if it may be.
pub fn withheld(account: &Account, number: u32) -> Option<String> {
    let Some(request) = account.refund_requests.get(&number) else {
        return Some(format!("request {number} for a refund is not there"));
    };
    if !request.waits() {
        return Some(format!("request {number} for a refund was answered meanwhile"));
    }
    let returned = account.payments.get(&request.payment).map(|payment| payment.returned);
    (returned != Some(request.returned)).then(|| {
        format!(
            "request {number} was never handed over, and money of the payment {} moved since: record that it was \
             withdrawn, and ask anew for what is owed now",
            request.payment
        )
    })
}

/// Money goes back to the client: no gate stands before it. Never more is asked back than the payment still holds, and
/// one request waits at a time.
pub(super) fn request(
    account: &Account,
    facts: &Facts,
    e: &RefundAsked,
) -> Result<Vec<AccountEvent>, Refusal> {
    let refuse = |detail: String| Err(facts.refuse(Reason::StateRefuses, detail));
    let paid = payment(account, facts, &e.payment)?;
    if let Some((number, waiting)) = account.refund_waiting(&e.payment) {
        return refuse(format!(
            "request {number} of {} waits for this payment: record first what became of it",
            waiting.amount
        ));
    }
    if !paid.left().is_positive() {
        return refuse(format!("nothing of the payment {} is left to give back", e.payment));
    }
    let owed = account.owed_of(&e.payment, &facts.exposed).map_err(unfit_amount)?;
    let amount = match e.amount {
        Some(amount) => amount,
        None if owed.is_positive() => owed,
        None => {
            return refuse(format!(
                "nothing of the payment {} is owed to the client: name the amount to give back",
                e.payment
            ));
        }
    };
    gives_back(facts, paid, amount)?;
    let taken = account.taken_back(&e.payment, amount).map_err(unfit_amount)?;
    let lines = lines(account, facts, Flow::Refund, &taken.invoices)?;
    let number = account.refund_requests.keys().next_back().map_or(1, |last| last + 1);
    let RefundAsked { payment, reason, .. } = e.clone();
    Ok(vec![RefundRequested { amount, lines, number, payment, reason }.into()])
}

pub(super) fn failed(
    account: &Account,
    facts: &Facts,
    e: &RefundNotMade,
) -> Result<Vec<AccountEvent>, Refusal> {
    let request = named(account, facts, &e.payment, e.request)?;
    if !request.waits() {
        return Err(facts.refuse(
            Reason::AlreadyRecorded,
            format!("what became of request {} is recorded", e.request),
        ));
    }
    Ok(vec![RefundFailed { number: e.request, reason: e.reason }.into()])
}

/// Whether a refund answers a request must not be guessed: taken for another one, it would be paid twice.
pub(super) fn issued(
    account: &Account,
    facts: &Facts,
    e: &Refund,
) -> Result<Vec<AccountEvent>, Refusal> {
    fresh(account, facts, &e.refund)?;
    let paid = payment(account, facts, &e.payment)?;
    let most = account.not_refunded(&e.payment, paid).map_err(unfit_amount)?;
    goes_back(facts, paid, e.amount, most, "not refunded")?;
    let answers = match (e.request, account.refund_waiting(&e.payment)) {
        (None, Some((number, waiting))) => {
            let detail = format!(
                "request {number} of {} waits for this payment: say {number} if this answers it, 0 if it does not",
                waiting.amount
            );
            return Err(Refusal::new(Reason::ValueRefused, "request", detail));
        }
        (None | Some(0), _) => None,
        (Some(number), _) => {
            let request = named(account, facts, &e.payment, number)?;
            if facts.on < request.asked.on {
                let detail = format!("request {number} was made on {}", request.asked.on);
                return Err(facts.refuse(Reason::DateImpossible, detail));
            }
            if let Some(refund) = &request.refund {
                let detail = format!("the refund {refund} answered request {number}");
                return Err(facts.refuse(Reason::AlreadyRecorded, detail));
            }
            Some(number)
        }
    };
    let Refunded { taken, .. } =
        account.refund_taken(&e.payment, e.amount).map_err(unfit_amount)?;
    let lines = lines(account, facts, Flow::Refund, &taken.invoices)?;
    let owed = account.owed_parts(&taken.invoices, lines.as_deref(), &facts.exposed);
    let owed = owed.map_err(unfit_amount)?;
    let Refund { amount, payment, reason, refund, .. } = e.clone();
    let request = answers;
    Ok(vec![RefundIssued { amount, lines, owed, payment, reason, refund, request }.into()])
}

/// A request for a payment. One that was said to have failed may still come.
fn named<'a>(
    account: &'a Account,
    facts: &Facts,
    payment: &ProcessorRef,
    number: u32,
) -> Result<&'a RefundRequest, Refusal> {
    let request = account.refund_requests.get(&number);
    request.filter(|request| request.payment == *payment).ok_or_else(|| {
        let detail =
            format!("there is no request {number} to give back money of the payment {payment}");
        facts.refuse(Reason::ReferenceUnknown, detail)
    })
}
