//! Asking for charges: one command per invoice that is due, then the whole list to the gateway.
//!
//! As with a billing run, the request id marks where in the log the request began, and each
//! invoice's request id is derived from it, so that repeating the request hands over the same
//! charges.
//!
//! A charge is recorded before it is handed over, and what comes between the two may fail. So each charge
//! whose file is on disk is put on record as a request of the service's own, and a charge that waits
//! for its answer without one is handed over again by whichever request comes next: under the key it
//! had, so that the processor charges once.

use std::collections::{BTreeMap, HashMap};

use api::requests::{self, ChargesAsked};
use api::scalar::{int32, int64, timestamp};
use api::status::Failure;
use api::{name, v1};
use domain::account::{Account, Charged, Invoice};
use domain::command::{AccountAction, Command, Dated, Run};
use domain::event::{AccountEvent, ChargeRequested, Event, Recorded, StreamId, UtcMicros};
use domain::ids::{AccountId, CardToken, RequestId};
use domain::refusal::{Reason, Refusal};
use log::{Answer, OwnRequests, Submission, SubmitError};
use store::InvoiceRow;

use super::list::accounts;
use crate::access::{Authority, fingerprint, unkeyed_request};
use crate::billing::{OfFees, before_asking, may_be_asked};
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

/// A charge that was asked for.
struct Charge {
    account: AccountId,
    asked: ChargeRequested,
    /// Of its event.
    position: u64,
}

/// The charges this request asked for, by invoice.
type Charges = BTreeMap<u64, Charge>;

pub(super) async fn request_charges(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RequestChargesRequest,
) -> Result<v1::RequestChargesResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let asked = requests::request_charges(message)?;
    let whole = api::fingerprint(message);
    // Nothing is asked for that has nowhere to go.
    ledger.gateway().check().await.map_err(|error| {
        tracing::error!(%error, source = ?error.source, "no charge was asked for");
        Failure::OutboxUnusable
    })?;
    before_asking(ledger, authority, asked.firm).await?;
    let begun = Run::Charges { as_of: asked.as_of };
    let mark = ledger.begin(authority, (asked.firm, asked.request_id), begun, whole).await?;
    let own = ledger.engine().own_requests(asked.firm).await?;
    let request = Request { ledger, authority, asked, whole, own };
    let head = ledger.engine().head(asked.firm).await?.position;
    ledger.read_at(asked.firm, head).await?;
    let before =
        if mark.replayed { request.collect(mark.first_position).await?.0 } else { Charges::new() };
    let (mut skipped, more) = request.ask(asked.charges_max.saturating_sub(before.len())).await?;
    let (charges, position) = request.collect(mark.first_position).await?;
    let mut charges: Vec<Charge> = charges.into_values().collect();
    let folded = request.folded(&charges).await?;
    if mark.replayed {
        charges = request.standing(charges, &folded, &mut skipped).await?;
    }
    let run = request.hand_over(asked.request_id, &charges, folded).await?;
    let (again, more_again) = request.hand_over_again(&mut skipped).await?;
    let messages =
        |run: &ChargeRun| run.charges.iter().map(|charge| charge_message(run, charge)).collect();
    Ok(v1::RequestChargesResponse {
        charges: messages(&run),
        skipped,
        more: more || more_again,
        position: int64(position.max(mark.position)),
        handed_over_again: messages(&again),
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
/// The same of what says that a charge was handed over, and of a file with charges of earlier requests.
const HANDED_OVER: &str = "charge handed over";
const AGAIN: &str = "charges handed over again";

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
                action: Dated { occurred_at: None, occurred_on: self.asked.as_of, action },
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
            Err(SubmitError::Refused(refusal)) => self.skip(skipped, invoice, &refusal, None),
            Err(SubmitError::RefusedBefore { refusal, at }) => {
                self.skip(skipped, invoice, &refusal, Some(at));
            }
            Ok(_) => {}
            Err(error) => return Err(error.into()),
        }
        Ok(())
    }

    fn skip(
        &self,
        skipped: &mut Vec<v1::ChargeSkipped>,
        invoice: u64,
        refusal: &Refusal,
        before: Option<UtcMicros>,
    ) {
        if skipped.len() < SKIPPED_MAX {
            let mut skip = self.skipped(invoice, refusal);
            if let Some(at) = before {
                skip.detail = format!("{} (the answer of {})", skip.detail, timestamp(at));
            }
            skipped.push(skip);
        }
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
                    let charge = Charge { account: id, asked: charge, position };
                    charges.insert(charge.asked.invoice, charge);
                    last_own = position;
                }
            }
        }
    }

    /// The accounts of charges, as they stand now.
    async fn folded(&self, charges: &[Charge]) -> Result<HashMap<AccountId, Account>, Failure> {
        let primary = View::of_primary(self.ledger, self.authority);
        let ids = charges.iter().map(|charge| charge.account);
        accounts(&primary, self.asked.firm, ids).await
    }

    /// Hands charges over under the name of a request, and puts on record that it was done.
    async fn hand_over(
        &self,
        name: RequestId,
        charges: &[Charge],
        mut folded: HashMap<AccountId, Account>,
    ) -> Result<ChargeRun, Failure> {
        let firm = self.asked.firm;
        let streams: Vec<StreamId> = folded.keys().copied().map(StreamId::Account).collect();
        // Whoever is given a card's token has looked at it: so does who asks for the same charges again.
        let look = Look::at_cards(self.authority, "RequestCharges");
        self.ledger.note_openings(look, firm, clients_of(streams.clone())).await?;
        let opener = self.ledger.engine().opener(firm, streams).await?;
        let mut run = ChargeRun { firm, request_id: name, charges: Vec::new() };
        let mut handed_over = Vec::with_capacity(charges.len());
        for Charge { account, asked, position } in charges {
            let ChargeRequested { amount, attempt, invoice } = *asked;
            let card = folded.get_mut(account).and_then(|account| account.card.as_mut());
            let Some(card) = card else { continue };
            opener.open(StreamId::Account(*account), &mut card.token);
            let Some(token) = card.token.revealed() else {
                tracing::warn!(%firm, invoice, "not handed over: the client was erased since");
                continue;
            };
            let card_token = CardToken::parse(token)
                .map_err(|_| Failure::internal("a card's token is a code"))?;
            let account = *account;
            run.charges.push(ChargeRequest { invoice, account, card_token, amount, attempt });
            handed_over.push(*position);
        }
        self.ledger.gateway().request(&run).await.map_err(|error| {
            tracing::error!(%error, source = ?error.source, "charges were recorded and not handed over");
            Failure::ChargesNotHandedOver
        })?;
        self.confirm(handed_over).await?;
        Ok(run)
    }

    /// What says that a charge was handed over. It goes by the event that asked for it: the tries of an
    /// invoice begin anew with another card.
    fn handed_over(&self, position: u64) -> RequestId {
        self.own.id(HANDED_OVER, &[&position.to_be_bytes()])
    }

    async fn confirm(&self, positions: Vec<u64>) -> Result<(), Failure> {
        let mut in_flight = InFlight::new();
        for position in positions {
            let submission = Submission {
                request_id: self.handed_over(position),
                fingerprint: fingerprint(HANDED_OVER, &[&position.to_be_bytes()]),
                author: self.authority.author(),
                command: Command::Begin(Run::HandOver),
            };
            let pending = self.ledger.engine().enqueue(self.asked.firm, submission).await?;
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
    /// The file is named by what is in it: one of other charges never takes its place.
    async fn hand_over_again(
        &self,
        skipped: &mut Vec<v1::ChargeSkipped>,
    ) -> Result<(ChargeRun, bool), Failure> {
        let (positions, more) = self.unconfirmed().await?;
        let mut charges = Vec::with_capacity(positions.len());
        for position in positions {
            charges.push(self.charge_at(position).await?);
        }
        let folded = self.folded(&charges).await?;
        let charges = self.standing(charges, &folded, skipped).await?;
        let parts: Vec<[u8; 8]> =
            charges.iter().map(|charge| charge.position.to_be_bytes()).collect();
        let parts: Vec<&[u8]> = parts.iter().map(<[u8; 8]>::as_slice).collect();
        let run = self.hand_over(self.own.id(AGAIN, &parts), &charges, folded).await?;
        Ok((run, more))
    }

    /// Leaves out what was never handed over and may not be asked for any more, and says why.
    async fn standing(
        &self,
        charges: Vec<Charge>,
        folded: &HashMap<AccountId, Account>,
        skipped: &mut Vec<v1::ChargeSkipped>,
    ) -> Result<Vec<Charge>, Failure> {
        let names: Vec<RequestId> =
            charges.iter().map(|charge| self.handed_over(charge.position)).collect();
        let known = self.ledger.store().answers(self.asked.firm, &names).await?;
        let mut standing = Vec::with_capacity(charges.len());
        for (charge, name) in charges.into_iter().zip(names) {
            let checked = match stands(&charge, folded) {
                _ if known.contains_key(&name) => Ok(()),
                Ok(invoice) => {
                    let before = folded.get(&charge.account).map(Account::charged);
                    self.may_be_asked(&charge, invoice, &before.unwrap_or_default()).await?
                }
                Err(detail) => Err((Reason::StateRefuses, detail)),
            };
            let Err((reason, detail)) = checked else {
                standing.push(charge);
                continue;
            };
            let invoice = name::invoice(self.asked.firm, charge.asked.invoice);
            let told = skipped.iter().any(|skipped| skipped.invoice == invoice);
            if !told && skipped.len() < SKIPPED_MAX {
                let reason = reason.code().to_owned();
                skipped.push(v1::ChargeSkipped { invoice, reason, detail });
            }
        }
        Ok(standing)
    }

    /// The gates stand before a charge is handed over again as well: what came to light meanwhile may have
    /// exposed a fee (15 USC 1679b(b)).
    async fn may_be_asked(
        &self,
        charge: &Charge,
        invoice: &Invoice,
        before: &[Charged],
    ) -> Result<Result<(), (Reason, String)>, Failure> {
        let primary = View::of_primary(self.ledger, self.authority);
        let ChargeRequested { amount, attempt, invoice: number } = charge.asked;
        // What the client authorized may have been revoked meanwhile.
        let owner = OfFees::read(&primary, self.asked.firm, charge.account.owner(), 0).await?;
        let again = Charged { amount, invoice: number, on: owner.today };
        if let Some((why, _)) = owner.case.bars_charge(again, before) {
            let detail = format!("try {attempt} of invoice {number} was never handed over: {why}");
            return Ok(Err((Reason::StateRefuses, detail)));
        }
        let allowed = may_be_asked(&primary, self.asked.firm, (number, invoice)).await?;
        Ok(if amount.minor() <= allowed.minor() {
            Ok(())
        } else {
            let detail = format!(
                "try {attempt} of invoice {number} was never handed over, and a fee on it may not be \
                 asked for now; explain says why: record that it failed"
            );
            Err((Reason::GatesClosed, detail))
        })
    }

    /// Where the charges were asked for that wait and were never confirmed as handed over, by invoice: at most
    /// as many as the request may have, and whether there are more.
    async fn unconfirmed(&self) -> Result<(Vec<u64>, bool), Failure> {
        let ChargesAsked { firm, charges_max, .. } = self.asked;
        let (mut found, mut after) = (Vec::new(), 0);
        loop {
            let page =
                self.ledger.store().charges_waiting(firm, None, after, INVOICES_PAGE).await?;
            let Some(last) = page.last() else { return Ok((found, false)) };
            after = last.number;
            let asked_at: Vec<u64> = page.iter().filter_map(|row| row.charge_asked_at).collect();
            let names: Vec<RequestId> = asked_at.iter().map(|at| self.handed_over(*at)).collect();
            let known = self.ledger.store().answers(firm, &names).await?;
            for (position, _) in
                asked_at.into_iter().zip(names).filter(|(_, name)| !known.contains_key(name))
            {
                if found.len() == charges_max {
                    return Ok((found, true));
                }
                found.push(position);
            }
        }
    }

    async fn charge_at(&self, position: u64) -> Result<Charge, Failure> {
        let corrupt = || Failure::Corrupt { position };
        let before = position.checked_sub(1).ok_or_else(corrupt)?;
        let page = self.ledger.engine().read(self.asked.firm, before, 1).await?;
        let stored = page.first().ok_or_else(corrupt)?;
        let recorded = Recorded::from_bytes(&stored.bytes).map_err(|_| corrupt())?;
        let (Event::Account(AccountEvent::ChargeRequested(asked)), StreamId::Account(account)) =
            (recorded.event, recorded.stream)
        else {
            return Err(corrupt());
        };
        Ok(Charge { account, asked, position })
    }
}

/// The invoice of a charge that still waits, and for money that is still open; or why it is left alone.
fn stands<'a>(
    charge: &Charge,
    folded: &'a HashMap<AccountId, Account>,
) -> Result<&'a Invoice, String> {
    let ChargeRequested { invoice: number, attempt, .. } = charge.asked;
    let account = folded.get(&charge.account);
    let Some(invoice) = account.and_then(|account| account.invoices.get(&number)) else {
        return Err(format!("invoice {number} is not there"));
    };
    if invoice.charge_asked.as_ref().is_none_or(|asked| asked.at.position != charge.position) {
        return Err(format!("try {attempt} of invoice {number} was answered meanwhile"));
    }
    if invoice.open().minor() < charge.asked.amount.minor() {
        return Err(format!(
            "try {attempt} of invoice {number} was never handed over, and less is open now than it \
             asked for: record that it failed"
        ));
    }
    Ok(invoice)
}
