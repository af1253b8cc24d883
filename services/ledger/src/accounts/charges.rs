//! Asking for charges: one command per invoice that is due, then the whole list to the gateway.
//!
//! As with a billing run, the request id marks where in the log the request began, and each
//! invoice's request id is derived from it, so that repeating the request hands over the same
//! charges.

use std::collections::BTreeMap;

use api::requests::{self, ChargesAsked};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::command::{AccountAction, Command, Dated, Run};
use domain::event::{AccountEvent, ChargeRequested, Event, Recorded, StreamId};
use domain::ids::{AccountId, CardToken, RequestId};
use domain::refusal::Refusal;
use log::{Answer, OwnRequests, Submission, SubmitError};
use store::InvoiceRow;

use super::list::accounts;
use crate::access::{Authority, fingerprint, unkeyed_request};
use crate::gateway::{ChargeRequest, ChargeRun};
use crate::ledger::{InFlight, Ledger};
use crate::openings::{Look, clients_of};
use crate::present::amount;
use crate::reading::View;

/// Invoices read at a time.
const INVOICES_PAGE: u32 = 500;
/// Most skipped invoices listed in the answer.
const SKIPPED_MAX: usize = 500;
/// Events read at a time.
const EVENTS_PAGE: usize = 2_000;

struct Request<'a> {
    ledger: &'a Ledger,
    authority: &'a Authority,
    asked: ChargesAsked,
    whole: [u8; 32],
    /// What the request id of each invoice is made with.
    own: OwnRequests,
}

/// The charges this request asked for, by invoice.
type Charges = BTreeMap<u64, (AccountId, ChargeRequested)>;

pub(super) async fn request_charges(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RequestChargesRequest,
) -> Result<v1::RequestChargesResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let asked = requests::request_charges(message)?;
    let whole = api::fingerprint(message);
    let begun = Run::Charges { as_of: asked.as_of };
    let mark = ledger.begin(authority, (asked.firm, asked.request_id), begun, whole).await?;
    let own = ledger.engine().own_requests(asked.firm).await?;
    let request = Request { ledger, authority, asked, whole, own };
    let head = ledger.engine().head(asked.firm).await?.position;
    ledger.read_at(asked.firm, head).await?;
    let before =
        if mark.replayed { request.collect(mark.first_position).await?.0 } else { Charges::new() };
    let (skipped, more) = request.ask(asked.charges_max.saturating_sub(before.len())).await?;
    let (charges, position) = request.collect(mark.first_position).await?;
    let run = request.hand_over(&charges).await?;
    Ok(v1::RequestChargesResponse {
        charges: run.charges.iter().map(|charge| charge_message(&run, charge)).collect(),
        skipped,
        more,
        position: int64(position.max(mark.position)),
    })
}

fn charge_message(run: &ChargeRun, charge: &ChargeRequest) -> v1::Charge {
    v1::Charge {
        invoice: name::invoice(run.firm, charge.invoice),
        account: name::account(run.firm, charge.account),
        card_token: charge.card_token.to_string(),
        amount: amount(charge.amount),
        attempt: int32(charge.attempt),
    }
}

/// What the request id of one invoice is made as, and of.
const CHARGE: &str = "charge";

impl Request<'_> {
    fn request_of(&self, invoice: u64) -> RequestId {
        self.own.id(CHARGE, &[self.asked.request_id.0.as_bytes(), &invoice.to_be_bytes()])
    }

    /// Whether a request asked for the charge of an invoice here, begun before ids were keyed or since.
    fn asked_for(&self, invoice: u64, request: RequestId) -> bool {
        let invoice = invoice.to_be_bytes();
        let parts: [&[u8]; 2] = [self.asked.request_id.0.as_bytes(), &invoice];
        request == self.own.id(CHARGE, &parts) || request == unkeyed_request(CHARGE, &parts)
    }

    /// Asks for at most so many charges, and says which were refused and whether any are left.
    async fn ask(&self, most: usize) -> Result<(Vec<v1::ChargeSkipped>, bool), Failure> {
        let ChargesAsked { firm, as_of, .. } = self.asked;
        let (mut skipped, mut in_flight, mut asked, mut after) =
            (Vec::new(), InFlight::new(), 0, 0);
        let more = 'pages: loop {
            let page = self.ledger.store().charges_due(firm, as_of, after, INVOICES_PAGE).await?;
            let Some(last) = page.last() else { break false };
            after = last.number;
            for row in page {
                if asked == most {
                    break 'pages true;
                }
                asked += 1;
                let pending = self.ledger.engine().enqueue(firm, self.submission(&row)).await?;
                if let Some((invoice, answer)) = in_flight.add(row.number, pending).await {
                    self.settle(&mut skipped, invoice, answer)?;
                }
            }
        };
        while let Some((invoice, answer)) = in_flight.next().await {
            self.settle(&mut skipped, invoice, answer)?;
        }
        Ok((skipped, more))
    }

    fn submission(&self, row: &InvoiceRow) -> Submission {
        let action = AccountAction::RequestCharge { invoice: row.number };
        Submission {
            request_id: self.request_of(row.number),
            fingerprint: fingerprint(CHARGE, &[&self.whole, &row.number.to_be_bytes()]),
            author: self.authority.author(),
            command: Command::Account {
                account: row.account_id,
                action: Dated { occurred_on: self.asked.as_of, action },
            },
        }
    }

    fn settle(
        &self,
        skipped: &mut Vec<v1::ChargeSkipped>,
        invoice: u64,
        answer: Result<Answer, SubmitError>,
    ) -> Result<(), Failure> {
        match answer {
            Err(SubmitError::Refused(refusal)) if skipped.len() < SKIPPED_MAX => {
                skipped.push(self.skipped(invoice, &refusal));
            }
            Ok(_) | Err(SubmitError::Refused(_)) => {}
            Err(error) => return Err(error.into()),
        }
        Ok(())
    }

    fn skipped(&self, invoice: u64, refusal: &Refusal) -> v1::ChargeSkipped {
        let detail = refusal.violations.first().map(|violation| violation.detail.clone());
        v1::ChargeSkipped {
            invoice: name::invoice(self.asked.firm, invoice),
            reason: refusal.reason.code().to_owned(),
            detail: detail.unwrap_or_default(),
        }
    }

    /// Reads the request's own charges from the log, from its mark to the end.
    async fn collect(&self, from: u64) -> Result<(Charges, u64), Failure> {
        let (mut charges, mut last_own) = (Charges::new(), 0);
        let mut after = from.saturating_sub(1);
        loop {
            let page = self.ledger.engine().read(self.asked.firm, after, EVENTS_PAGE).await?;
            let Some(last) = page.last() else { return Ok((charges, last_own)) };
            after = last.position;
            for stored in &page {
                let position = stored.position;
                let corrupt = |_| Failure::Corrupt { position };
                let recorded = Recorded::from_bytes(&stored.bytes).map_err(corrupt)?;
                if let (
                    Event::Account(AccountEvent::ChargeRequested(charge)),
                    StreamId::Account(id),
                ) = (recorded.event, recorded.stream)
                    && self.asked_for(charge.invoice, recorded.request_id)
                {
                    charges.insert(charge.invoice, (id, charge));
                    last_own = position;
                }
            }
        }
    }

    async fn hand_over(&self, charges: &Charges) -> Result<ChargeRun, Failure> {
        let ChargesAsked { firm, request_id, .. } = self.asked;
        let primary = View::of_primary(self.ledger, self.authority);
        let mut folded =
            accounts(&primary, None, firm, charges.values().map(|(id, _)| *id)).await?;
        let streams: Vec<StreamId> = folded.keys().copied().map(StreamId::Account).collect();
        // Whoever is given a card's token has looked at it: so does who asks for the same charges again.
        let look = Look::at_cards(self.authority, "RequestCharges");
        self.ledger.note_openings(look, firm, clients_of(streams.clone())).await?;
        let opener = self.ledger.engine().opener(firm, streams).await?;
        let mut run = ChargeRun { firm, request_id, charges: Vec::new() };
        for (invoice, (account, charge)) in charges {
            let card = folded.get_mut(account).and_then(|account| account.card.as_mut());
            let Some(card) = card else { continue };
            opener.open(StreamId::Account(*account), &mut card.token);
            let Some(token) = card.token.revealed() else {
                tracing::warn!(%firm, invoice, "not handed over: the client was erased since");
                continue;
            };
            let card_token = CardToken::parse(token)
                .map_err(|_| Failure::internal("a card's token is a code"))?;
            let (amount, attempt) = (charge.amount, charge.attempt);
            let (invoice, account) = (*invoice, *account);
            run.charges.push(ChargeRequest { invoice, account, card_token, amount, attempt });
        }
        self.ledger.gateway().request(&run).await.map_err(|error| {
            tracing::error!(%error, source = ?error.source, "charges were recorded and not handed over");
            // Asking again with the same id hands over the same charges.
            Failure::OutcomeUnknown
        })?;
        Ok(run)
    }
}
