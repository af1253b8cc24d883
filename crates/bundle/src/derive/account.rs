//! Invoices and payments of an account.

use domain::account::{Account, Exposed};
use domain::event::{AccountEvent, Event, LinePart, Recorded};
use domain::ids::{AccountId, CaseId};
use domain::money::Money;

use super::{Frame, Rows, decimal, last_day};
use crate::csv::{Row, list};
use crate::recordable::Shared;
use crate::tables::at;

pub(super) fn invoices(id: AccountId, account: &Account, frame: &Frame, rows: &mut Rows) {
    for (number, invoice) in account.invoices.iter() {
        Row::begin(&mut rows.tables[at::INVOICES], rows.format)
            .plain(number)
            .plain(invoice.issued.on)
            .plain(invoice.due_on)
            .plain(id)
            .money(invoice.total)
            .plain(decimal(invoice.paid))
            .plain(decimal(invoice.credited))
            .plain(decimal(invoice.written_off))
            .plain(decimal(invoice.open()))
            .plain(invoice.status())
            .plain(invoice.issued.at.position)
            .end();
        for (line, place) in invoice.lines.iter().zip(1..) {
            let place: u32 = place;
            Row::begin(&mut rows.tables[at::INVOICE_LINES], rows.format)
                .plain(number)
                .plain(place)
                .plain(frame.case(line.case))
                .plain(line.period)
                .plain(line.start)
                .plain(last_day(line.end))
                .money(line.amount)
                .end();
        }
    }
}

/// What a row about money says; most rows say little of it.
#[derive(Default)]
struct Transaction {
    id: String,
    payment: String,
    invoice: Option<u64>,
    amount: Option<Money>,
    applied: String,
    unearned: Option<Money>,
    attempt: Option<u32>,
    reason: &'static str,
    next: Option<calendar::CivilDate>,
}

pub(super) fn payments(id: AccountId, events: &[Recorded], rows: &mut Rows) {
    for recorded in events {
        let Event::Account(event) = &recorded.event else { continue };
        let Some(found) = transaction(event) else { continue };
        Row::begin(&mut rows.tables[at::PAYMENTS], rows.format)
            .plain(recorded.position)
            .plain(recorded.occurred_on)
            .plain(event.type_name())
            .plain(id)
            .plain(found.id)
            .plain(found.payment)
            .maybe(found.invoice)
            .money(found.amount)
            .plain(found.applied)
            .maybe(found.unearned.map(decimal))
            .maybe(found.attempt)
            .plain(found.reason)
            .maybe(found.next)
            .end();
    }
}

/// Whether money that says of which lines it is says something else of a client's own lines than was marked of their
/// fees.
pub(super) fn otherwise_exposed(
    id: CaseId,
    account: &Account,
    marked: &Exposed,
    recorded: &Recorded,
) -> Option<String> {
    let Event::Account(event) = &recorded.event else { return None };
    if let AccountEvent::RefundIssued(e) = event {
        let is_other = |part: &&LinePart| {
            let at = (part.invoice, part.line);
            let lines = account.invoices.get(&part.invoice).map_or(&[][..], |of| &of.lines);
            let is_own =
                (1..).zip(lines).any(|(place, line)| place == part.line && line.case == id);
            is_own && part.exposed != marked.get(&at).copied()
        };
        if let Some(LinePart { invoice, line, .. }) = e.owed.iter().flatten().find(is_other) {
            return Some(format!("of line {line} of invoice {invoice} something else was exposed"));
        }
    }
    let shared = Shared::of(account, event).filter(|shared| shared.lines.is_some())?;
    let said = shared.exposed();
    let is_other = |number: u64, (line, case): (u32, CaseId)| {
        let at = (number, line);
        case == id && said.get(&at) != marked.get(&at)
    };
    shared.invoices().find_map(|number| {
        let cases = account.invoices.get(&number)?.lines.iter().map(|line| line.case);
        let (line, _) = (1..).zip(cases).find(|&line| is_other(number, line))?;
        Some(format!("of line {line} of invoice {number} something else was exposed"))
    })
}

fn transaction(event: &AccountEvent) -> Option<Transaction> {
    let none = Transaction::default();
    Some(match event {
        AccountEvent::ChargeRequested(e) => Transaction {
            invoice: Some(e.invoice),
            amount: Some(e.amount),
            attempt: Some(e.attempt),
            ..none
        },
        AccountEvent::PaymentSettled(e) => Transaction {
            id: e.payment.to_string(),
            amount: Some(e.amount),
            applied: list(e.applied.iter().map(|a| format!("{}@{}", a.invoice, decimal(a.amount)))),
            unearned: Some(e.unearned),
            ..none
        },
        AccountEvent::PaymentFailed(e) => Transaction {
            invoice: Some(e.invoice),
            attempt: Some(e.attempt),
            reason: e.reason.code(),
            next: e.next_try_on,
            ..none
        },
        AccountEvent::RefundRequested(e) => Transaction {
            payment: e.payment.to_string(),
            amount: Some(e.amount),
            attempt: Some(e.number),
            ..none
        },
        AccountEvent::RefundFailed(e) => {
            Transaction { attempt: Some(e.number), reason: e.reason.code(), ..none }
        }
        AccountEvent::RefundIssued(e) => Transaction {
            id: e.refund.to_string(),
            payment: e.payment.to_string(),
            amount: Some(e.amount),
            attempt: e.request,
            ..none
        },
        AccountEvent::ChargebackOpened(e) => Transaction {
            id: e.chargeback.to_string(),
            payment: e.payment.to_string(),
            amount: Some(e.amount),
            next: e.respond_by,
            ..none
        },
        AccountEvent::ChargebackWon(e) => Transaction { id: e.chargeback.to_string(), ..none },
        AccountEvent::ChargebackLost(e) => Transaction { id: e.chargeback.to_string(), ..none },
        AccountEvent::CreditGranted(e) => {
            Transaction { invoice: Some(e.invoice), amount: Some(e.amount), ..none }
        }
        AccountEvent::WrittenOff(e) => {
            Transaction { invoice: Some(e.invoice), amount: Some(e.amount), ..none }
        }
        AccountEvent::AccountOpened(_)
        | AccountEvent::CardOnFileChanged(_)
        | AccountEvent::LinkSuggested(_)
        | AccountEvent::LinkRefused(_)
        | AccountEvent::MemberLinked(_)
        | AccountEvent::MemberUnlinked(_)
        | AccountEvent::PaymentMoved(_)
        | AccountEvent::PaymentMovedBack(_)
        | AccountEvent::InvoiceIssued(_)
        | AccountEvent::UnearnedPaymentFound(_)
        | AccountEvent::MoneyDeposited(_)
        | AccountEvent::MoneyUndeposited(_)
        | AccountEvent::MoneyCorrected(_)
        | AccountEvent::LinesShared(_)
        | AccountEvent::MoneyRestated(_) => return None,
    })
}
