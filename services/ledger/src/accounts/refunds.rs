//! Asking for a refund: one command, then its order to the gateway.
//!
//! As with charges, a refund is recorded before it is handed over, each order whose file is on disk is put on record as a
//! request of the service's own, and one that waits for its answer without that is handed over again by whichever
//! request for a refund comes next: under the key it had, so that the processor gives back once.

use std::collections::HashMap;

use api::name;
use api::requests::{self, Asked};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::account::{Account, withheld};
use domain::command::{Command, Run};
use domain::event::{AccountEvent, Event, Recorded, RefundRequested, StreamId};
use domain::ids::{AccountId, FirmId, RequestId};
use domain::world::State;
use log::{OwnRequests, Submission};
use store::ExceptionKind;

use super::find;
use super::list::accounts;
use crate::access::{Authority, fingerprint};
use crate::billing::before_asking;
use crate::gateway::{RefundOrder, RefundRun};
use crate::ledger::{InFlight, Ledger};
use crate::present::amount;
use crate::reading::View;
use crate::trial;

/// Most refunds that are handed over again by one request, and most that are said not to be.
const AGAIN_MAX: usize = 500;
/// Requests that wait, read at a time.
const WAITING_PAGE: u32 = 500;

/// What says that a refund was handed over, and names a file with refunds of earlier requests.
const HANDED_OVER: &str = "refund handed over";
const AGAIN: &str = "refunds handed over again";

/// A refund that was asked for.
struct Order {
    account: AccountId,
    asked: RefundRequested,
    /// Of its event.
    position: u64,
}

struct Request<'a> {
    ledger: &'a Ledger,
    authority: &'a Authority,
    firm: FirmId,
    own: OwnRequests,
}

pub(super) async fn request_refund(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RequestRefundRequest,
) -> Result<v1::RequestRefundResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::request_refund(message, currency)?;
    let account = find::account(ledger, asked.firm, &asked.account).await?;
    let asked = asked.on(account);
    if message.validate_only {
        return preview(ledger, authority, &asked, account).await;
    }
    // Nothing is asked for that has nowhere to go.
    ledger.gateway().check().await.map_err(|error| {
        tracing::error!(%error, source = ?error.source, "no refund was asked for");
        Failure::OutboxUnusable
    })?;
    before_asking(ledger, authority, asked.firm).await?;
    let (firm, request_id) = (asked.firm, asked.request_id);
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let own = ledger.engine().own_requests(firm).await?;
    let request = Request { ledger, authority, firm, own };
    ledger.read_at(firm, ledger.engine().head(firm).await?.position).await?;
    let order = request.order_at(answer.first_position).await?;
    let folded = request.folded([order.account]).await?;
    let (mut orders, mut skipped) = (vec![order], Vec::new());
    request.retain(&mut orders, &folded, &mut skipped).await?;
    let shown = request.order_at(answer.first_position).await?;
    request.hand_over(request_id, &orders).await?;
    let handed_over = !orders.is_empty();
    let again = request.hand_over_again(&mut skipped).await?;
    Ok(v1::RequestRefundResponse {
        refund: folded.get(&account).map(|account| refund(firm, &shown, account)),
        handed_over,
        handed_over_again: again,
        skipped,
        position: int64(answer.position),
        replayed: answer.replayed,
    })
}

/// What would be asked for. Nothing is recorded, and a review of fees that is due stands in no way.
async fn preview(
    ledger: &Ledger,
    authority: &Authority,
    asked: &Asked,
    account: AccountId,
) -> Result<v1::RequestRefundResponse, Failure> {
    let view = View::of_primary(ledger, authority);
    let request = (asked.firm, asked.request_id);
    let tried = trial::run(&view, authority, request, &asked.command, &[]).await?;
    let order = tried.events.iter().find_map(|recorded| Order::of(recorded, 0));
    let order = order.ok_or_else(|| Failure::internal("a refund was asked for on trial"))?;
    let Some(State::Account(folded)) = tried.after.state(StreamId::Account(account)) else {
        return Err(Failure::internal("the account was asked for on trial"));
    };
    let refund = Some(refund(asked.firm, &order, folded));
    let position = int64(tried.position);
    Ok(v1::RequestRefundResponse { refund, position, ..Default::default() })
}

/// A refund beside the account that asks for it.
fn refund(firm: FirmId, order: &Order, account: &Account) -> v1::Refund {
    let RefundRequested { amount: asked, number, payment, .. } = &order.asked;
    let taken = account.taken_back(payment, *asked).map(|taken| taken.invoices);
    let invoices = taken.unwrap_or_default().into_iter().filter(|part| part.amount.is_positive());
    let applied = invoices.map(|part| v1::AppliedPayment {
        invoice: name::invoice(firm, part.invoice),
        amount: amount(part.amount),
    });
    let waits = account.refund_waiting(payment).is_some_and(|(waiting, _)| waiting == *number);
    let left = account.payments.get(payment).map(domain::account::Payment::left);
    v1::Refund {
        account: name::account(firm, order.account),
        number: int32(*number),
        payment: payment.to_string(),
        amount: amount(*asked),
        invoices: applied.collect(),
        left: left.and_then(|left| amount(if waits { left.above(*asked) } else { left })),
    }
}

impl Order {
    fn of(recorded: &Recorded, position: u64) -> Option<Self> {
        let (Event::Account(AccountEvent::RefundRequested(asked)), StreamId::Account(account)) =
            (&recorded.event, recorded.stream)
        else {
            return None;
        };
        Some(Self { account, asked: asked.clone(), position })
    }
}

impl Request<'_> {
    async fn order_at(&self, position: u64) -> Result<Order, Failure> {
        let corrupt = || Failure::Corrupt { position };
        let before = position.checked_sub(1).ok_or_else(corrupt)?;
        let page = self.ledger.engine().read(self.firm, before, 1).await?;
        let stored = page.first().ok_or_else(corrupt)?;
        let recorded = Recorded::from_bytes(&stored.bytes).map_err(|_| corrupt())?;
        Order::of(&recorded, position).ok_or_else(corrupt)
    }

    async fn folded(
        &self,
        ids: impl IntoIterator<Item = AccountId>,
    ) -> Result<HashMap<AccountId, Account>, Failure> {
        let primary = View::of_primary(self.ledger, self.authority);
        accounts(&primary, self.firm, ids).await
    }

    /// What says that a refund was handed over. It goes by the event that asked for it.
    fn handed_over(&self, position: u64) -> RequestId {
        self.own.id(HANDED_OVER, &[&position.to_be_bytes()])
    }

    /// Leaves out what was never handed over and may not be any more, and says why.
    async fn retain(
        &self,
        orders: &mut Vec<Order>,
        folded: &HashMap<AccountId, Account>,
        skipped: &mut Vec<v1::RefundSkipped>,
    ) -> Result<(), Failure> {
        let names: Vec<_> = orders.iter().map(|order| self.handed_over(order.position)).collect();
        let known = self.ledger.store().answers(self.firm, &names).await?;
        orders.retain(|order| {
            let number = order.asked.number;
            let account = folded.get(&order.account);
            let Some(detail) = account.and_then(|account| withheld(account, number)) else {
                return true;
            };
            let is_known = known.contains_key(&self.handed_over(order.position));
            if !is_known && skipped.len() < AGAIN_MAX {
                let account = name::account(self.firm, order.account);
                skipped.push(v1::RefundSkipped { account, number: int32(number), detail });
            }
            is_known
        });
        Ok(())
    }

    /// Hands refunds over under the name of a request, and puts on record that it was done.
    async fn hand_over(&self, name: RequestId, orders: &[Order]) -> Result<(), Failure> {
        let refunds = orders.iter().map(|order| {
            let RefundRequested { amount, number, payment, .. } = order.asked.clone();
            RefundOrder { account: order.account, number, payment, amount }
        });
        let run = RefundRun { firm: self.firm, request_id: name, refunds: refunds.collect() };
        self.ledger.gateway().refund(&run).await.map_err(|error| {
            tracing::error!(%error, source = ?error.source, "a refund was recorded and not handed over");
            Failure::RefundNotHandedOver
        })?;
        let mut in_flight = InFlight::new();
        for order in orders {
            let submission = Submission {
                request_id: self.handed_over(order.position),
                fingerprint: fingerprint(HANDED_OVER, &[&order.position.to_be_bytes()]),
                author: self.authority.author(),
                command: Command::Begin(Run::HandOver),
            };
            let pending = self.ledger.engine().enqueue(self.firm, submission).await?;
            if let Some(((), answer)) = in_flight.add((), pending).await {
                answer?;
            }
        }
        while let Some(((), answer)) = in_flight.next().await {
            answer?;
        }
        Ok(())
    }

    /// Hands over what earlier requests asked for, still waits, and was never confirmed as handed over.
    /// The file is named by what is in it: one of other refunds never takes its place.
    async fn hand_over_again(
        &self,
        skipped: &mut Vec<v1::RefundSkipped>,
    ) -> Result<Vec<v1::Refund>, Failure> {
        let mut orders = Vec::new();
        for position in self.unconfirmed().await? {
            orders.push(self.order_at(position).await?);
        }
        let folded = self.folded(orders.iter().map(|order| order.account)).await?;
        self.retain(&mut orders, &folded, skipped).await?;
        let parts: Vec<[u8; 8]> = orders.iter().map(|order| order.position.to_be_bytes()).collect();
        let parts: Vec<&[u8]> = parts.iter().map(<[u8; 8]>::as_slice).collect();
        self.hand_over(self.own.id(AGAIN, &parts), &orders).await?;
        let shown = orders
            .iter()
            .filter_map(|order| Some(refund(self.firm, order, folded.get(&order.account)?)));
        Ok(shown.collect())
    }

    /// Where the refunds were asked for that wait and were never confirmed as handed over, the oldest first.
    async fn unconfirmed(&self) -> Result<Vec<u64>, Failure> {
        let (mut found, mut after): (Vec<u64>, Option<String>) = (Vec::new(), None);
        let kind = ExceptionKind::RefundWaiting;
        loop {
            let page = self.ledger.store();
            // No request for a refund lies ahead: any day will do.
            let (day, from) = (CivilDate::default(), after.as_deref());
            let page = page.list_exceptions(self.firm, day, kind, from, WAITING_PAGE);
            let page = page.await?.rows;
            let Some(last) = page.last() else { return Ok(found) };
            after = Some(last.cursor());
            let names: Vec<_> = page.iter().map(|row| self.handed_over(row.position)).collect();
            let known = self.ledger.store().answers(self.firm, &names).await?;
            let rows = page.iter().zip(names).filter(|(_, name)| !known.contains_key(name));
            found.extend(rows.map(|(row, _)| row.position));
            if found.len() >= AGAIN_MAX {
                found.truncate(AGAIN_MAX);
                return Ok(found);
            }
        }
    }
}
