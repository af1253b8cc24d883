//! Accounts, invoices, payments and what was found against them.

use api::Paired;
use api::scalar::{int32, int64};
use api::{name, v1};
use domain::account::{Account, ChargebackStatus, Invoice, Payment, RefundRequest};
use domain::event::Match;
use domain::ids::{AccountId, FirmId, ProcessorRef};
use domain::money::{Currency, Money};
use store::{InvoiceState, SuggestedLinkRow};

use super::{amount, day, minor};

/// An account, with what is owed of its fees. The card is shown only to those who may see it.
pub(crate) fn account(
    firm: FirmId,
    (id, account): (AccountId, &Account),
    owed_of_fees: i64,
    currency: Currency,
    cards: bool,
) -> v1::Account {
    let card = account.card.as_ref().filter(|_| cards);
    v1::Account {
        name: name::account(firm, id),
        owner: name::case(firm, id.owner()),
        member: account.members.get(1).map(|member| name::case(firm, *member)).unwrap_or_default(),
        linked_by: account
            .linked_by
            .map_or(v1::LinkedBy::Unspecified, v1::LinkedBy::from_domain)
            .into(),
        pays_through: account.moved_to.map(|to| name::account(firm, to)).unwrap_or_default(),
        card: card.map(|card| v1::CardOnFile {
            last4: api::contact::personal(&card.last4),
            expires: card.expires.to_string(),
            since: account.card_since.and_then(day),
        }),
        open_amount: minor(account.open_minor(), currency),
        owed_to_client: minor(account.unearned_minor() + owed_of_fees, currency),
        version: int64(account.version),
        refunds_waiting: account
            .refunds_waiting()
            .map(|(number, asked)| refund_waiting(number, asked, asked.amount))
            .collect(),
    }
}

fn refund_waiting(number: u32, asked: &RefundRequest, how_much: Money) -> v1::RefundWaiting {
    v1::RefundWaiting {
        number: int32(number),
        payment: asked.payment.to_string(),
        amount: amount(how_much),
        asked_on: day(asked.asked.on),
    }
}

/// Where an invoice stands.
fn invoice_state(invoice: &Invoice) -> v1::InvoiceState {
    match InvoiceState::of(invoice) {
        InvoiceState::Open => v1::InvoiceState::Open,
        InvoiceState::Paid => v1::InvoiceState::Paid,
        InvoiceState::Closed => v1::InvoiceState::Closed,
    }
}

/// An invoice of an account with its lines.
pub(crate) fn invoice(
    firm: FirmId,
    (id, account): (AccountId, &Account),
    number: u64,
    invoice: &Invoice,
) -> v1::Invoice {
    let waiting = account.refunds_waiting().filter_map(|(request, asked)| {
        let taken = account.taken_back(&asked.payment, asked.amount).ok()?;
        let part = taken.invoices.iter().find(|part| part.invoice == number)?;
        part.amount.is_positive().then(|| refund_waiting(request, asked, part.amount))
    });
    let lines = invoice.lines.iter().map(|line| v1::InvoiceLine {
        case: name::case(firm, line.case),
        period: int32(line.period),
        start_date: day(line.start),
        end_date: day(line.end),
        amount: amount(line.amount),
    });
    let failure =
        invoice.failed.map_or(v1::FailureReason::Unspecified, v1::FailureReason::from_domain);
    v1::Invoice {
        name: name::invoice(firm, number),
        number: int64(number),
        account: name::account(firm, id),
        issued_on: day(invoice.issued.on),
        due_on: day(invoice.due_on),
        state: invoice_state(invoice).into(),
        lines: lines.collect(),
        total: amount(invoice.total),
        paid: amount(invoice.paid),
        credited: amount(invoice.credited),
        written_off: amount(invoice.written_off),
        open: amount(invoice.open()),
        attempts: int32(invoice.tries),
        last_failure: failure.into(),
        next_try_on: invoice.next_try_on.and_then(day),
        charge_waiting_since: invoice.charge_asked.as_ref().and_then(|asked| day(asked.on)),
        refunds_waiting: waiting.collect(),
    }
}

/// A payment with what it paid and what went back of it.
pub(crate) fn payment(
    firm: FirmId,
    (id, account): (AccountId, &Account),
    name_of: &ProcessorRef,
    payment: &Payment,
) -> v1::Payment {
    let back = || account.money_back.iter().filter(|(_, back)| back.payment == *name_of);
    let refunded =
        back().filter(|(_, back)| back.status.is_none()).map(|(_, back)| back.amount.minor());
    let applied = payment.applied.iter().map(|applied| v1::AppliedPayment {
        invoice: name::invoice(firm, applied.invoice),
        amount: amount(applied.amount),
    });
    let chargebacks = back().filter_map(|(reference, back)| {
        Some(v1::Chargeback {
            chargeback: reference.to_string(),
            amount: amount(back.amount),
            state: chargeback_state(back.status?).into(),
            opened_on: day(back.mark.on),
            respond_by: back.respond_by.and_then(day),
        })
    });
    v1::Payment {
        account: name::account(firm, id),
        payment: name_of.to_string(),
        settled_on: day(payment.mark.on),
        amount: amount(payment.amount),
        applied: applied.collect(),
        unearned: amount(payment.unearned),
        refunded: minor(refunded.sum(), payment.amount.currency()),
        state: payment_state(payment, back().filter_map(|(_, back)| back.status)).into(),
        chargebacks: chargebacks.collect(),
    }
}

fn chargeback_state(status: ChargebackStatus) -> v1::ChargebackState {
    match status {
        ChargebackStatus::Open => v1::ChargebackState::Open,
        ChargebackStatus::Won => v1::ChargebackState::Won,
        ChargebackStatus::Lost => v1::ChargebackState::Lost,
    }
}

/// The state that matters most: what the bank did, then what the firm gave back.
fn payment_state(
    payment: &Payment,
    mut chargebacks: impl Iterator<Item = ChargebackStatus> + Clone,
) -> v1::PaymentState {
    if chargebacks.clone().any(|status| status == ChargebackStatus::Open) {
        v1::PaymentState::ChargebackOpen
    } else if chargebacks.any(|status| status == ChargebackStatus::Lost) {
        v1::PaymentState::ChargebackLost
    } else if payment.returned.is_zero() {
        v1::PaymentState::Settled
    } else if payment.returned.minor() < payment.amount.minor() {
        v1::PaymentState::RefundedPartly
    } else {
        v1::PaymentState::Refunded
    }
}

/// A pair that waits for a person.
pub(crate) fn suggested(firm: FirmId, row: &SuggestedLinkRow) -> v1::SuggestedLink {
    let found = [(row.phone, Match::Phone), (row.address, Match::Address), (row.card, Match::Card)];
    let matches = found
        .into_iter()
        .filter(|(there, _)| *there)
        .map(|(_, m)| v1::Match::from_domain(m).into());
    v1::SuggestedLink {
        first_case: name::case(firm, row.account_id.owner()),
        second_case: name::case(firm, row.member),
        matches: matches.collect(),
        suggested_on: day(row.since_on),
    }
}
