//! Actions on an account, checked.

use domain::command::{
    AccountAction, ChargeFailed, Chargeback, Lower, PaymentReceived, Refund, RefundAsked,
    RefundNotMade,
};
use domain::ids::{FirmId, ProcessorRef};
use domain::value::Personal;

use crate::field::Fields;
use crate::google::r#type::Money as MoneyMessage;
use crate::name;
use crate::v1;
use crate::v1::record_payment_request::Event;

const INVOICE_NAME: &str = "must be firms/{firm}/invoices/{number}, of the same firm";

/// The highest number that a request for a refund is named by.
const REQUESTS_MAX: u32 = 1_000_000;

/// An invoice of the firm that the request is about.
pub(crate) fn invoice(fields: &mut Fields, firm: FirmId, text: &str) -> Option<u64> {
    let own = |text: &str| name::parse_invoice(text).filter(|(owner, _)| *owner == firm);
    fields.form("invoice", text, INVOICE_NAME, own).map(|(_, number)| number)
}

fn reference(fields: &mut Fields, name: &str, text: &str) -> Option<ProcessorRef> {
    fields.parse(name, text, ProcessorRef::parse)
}

pub(crate) fn payment(f: &mut Fields, firm: FirmId, event: &Event) -> Option<AccountAction> {
    match event {
        Event::Settled(m) => {
            f.within("settled", |f| settled(f, firm, m)).map(AccountAction::PaymentReceived)
        }
        Event::Failed(m) => {
            f.within("failed", |f| failed(f, firm, m)).map(AccountAction::ChargeFailed)
        }
        Event::Refunded(m) => f.within("refunded", |f| refunded(f, m)).map(AccountAction::Refund),
        Event::ChargebackOpened(m) => {
            f.within("chargeback_opened", |f| chargeback(f, m)).map(AccountAction::OpenChargeback)
        }
        Event::ChargebackWon(m) => f
            .within("chargeback_won", |f| reference(f, "chargeback", &m.chargeback))
            .map(AccountAction::ChargebackWon),
        Event::ChargebackLost(m) => f
            .within("chargeback_lost", |f| reference(f, "chargeback", &m.chargeback))
            .map(AccountAction::ChargebackLost),
        Event::RefundFailed(m) => {
            f.within("refund_failed", |f| not_refunded(f, m)).map(AccountAction::RefundFailed)
        }
    }
}

fn settled(f: &mut Fields, firm: FirmId, m: &v1::PaymentSettled) -> Option<PaymentReceived> {
    let payment = reference(f, "payment", &m.payment);
    let amount = f.money("amount", m.amount.as_ref());
    let invoice =
        if m.invoice.is_empty() { Some(None) } else { invoice(f, firm, &m.invoice).map(Some) };
    Some(PaymentReceived { amount: amount?, invoice: invoice?, payment: payment? })
}

fn failed(f: &mut Fields, firm: FirmId, m: &v1::ChargeFailed) -> Option<ChargeFailed> {
    let invoice = invoice(f, firm, &m.invoice);
    let reason = f.code::<v1::FailureReason>("reason", m.reason);
    Some(ChargeFailed { invoice: invoice?, reason: reason? })
}

fn refunded(f: &mut Fields, m: &v1::PaymentRefunded) -> Option<Refund> {
    let refund = reference(f, "refund", &m.refund);
    let payment = reference(f, "payment", &m.payment);
    let amount = f.money("amount", m.amount.as_ref());
    let reason = f.parse_optional("reason", &m.reason, Personal::parse);
    let request = match m.request {
        Some(number) => f.number("request", number, 0..=REQUESTS_MAX).map(Some),
        None => Some(None),
    };
    Some(Refund {
        amount: amount?,
        payment: payment?,
        reason: reason?,
        refund: refund?,
        request: request?,
    })
}

fn not_refunded(f: &mut Fields, m: &v1::RefundFailed) -> Option<RefundNotMade> {
    let payment = reference(f, "payment", &m.payment);
    let request = f.number("request", m.request, 1..=REQUESTS_MAX);
    let reason = f.code::<v1::RefundFailureReason>("reason", m.reason);
    Some(RefundNotMade { payment: payment?, reason: reason?, request: request? })
}

pub(crate) fn refund_asked(f: &mut Fields, m: &v1::RequestRefundRequest) -> Option<RefundAsked> {
    let payment = reference(f, "payment", &m.payment);
    let amount = f.optional_money("amount", m.amount.as_ref());
    let reason = f.parse("reason", &m.reason, Personal::parse);
    Some(RefundAsked { amount: amount?, payment: payment?, reason: reason? })
}

fn chargeback(f: &mut Fields, m: &v1::ChargebackOpened) -> Option<Chargeback> {
    let chargeback = reference(f, "chargeback", &m.chargeback);
    let payment = reference(f, "payment", &m.payment);
    let amount = f.money("amount", m.amount.as_ref());
    let respond_by = f.optional_date("respond_by", m.respond_by.as_ref());
    Some(Chargeback {
        amount: amount?,
        chargeback: chargeback?,
        payment: payment?,
        respond_by: respond_by?,
    })
}

pub(crate) fn lower(
    f: &mut Fields,
    firm: FirmId,
    invoice_name: &str,
    amount: Option<&MoneyMessage>,
    reason: &str,
) -> Option<Lower> {
    let invoice = invoice(f, firm, invoice_name);
    let amount = f.money("amount", amount);
    let reason = f.parse("reason", reason, Personal::parse);
    Some(Lower { amount: amount?, invoice: invoice?, reason: reason? })
}
