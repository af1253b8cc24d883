//! The billing run: one command per paying account, many in flight, so that they share commits.
//!
//! The run's request id marks where in the log it began; each account's request id is derived from
//! it. A run that was cut short, or is repeated, therefore finds what it did before in the log after
//! its mark, does what is left, and gives the same answer.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use api::requests::{self, BillingAsked};
use api::scalar::{int32, int64, minor_message};
use api::status::Failure;
use api::{name, v1};
use domain::command::Command;
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId};
use domain::ids::{AccountId, CaseId, FirmId, RequestId};
use domain::money::Money;
use domain::refusal::Refusal;
use log::{Answer, OwnRequests, Submission, SubmitError};

use super::before_asking;
use crate::access::{Authority, fingerprint, unkeyed_request};
use crate::ledger::{InFlight, Ledger};
use crate::present::amount;

/// Accounts read at a time.
const ACCOUNTS_PAGE: u32 = 1_000;
/// Held fees read at a time.
const HELD_PAGE: u32 = 5_000;
/// Most invoices listed in the answer.
const INVOICES_LISTED_MAX: usize = 1_000;
/// Most refused accounts listed in the answer.
const REFUSALS_LISTED_MAX: usize = 500;
/// Events read at a time.
const EVENTS_PAGE: usize = 2_000;

/// The run, and who asked for it.
struct Run<'a> {
    ledger: &'a Ledger,
    authority: &'a Authority,
    asked: BillingAsked,
    /// The fingerprint of the whole request: part of each account's.
    whole: [u8; 32],
    /// What the request id of each account is made with.
    own: OwnRequests,
}

pub(super) async fn run_billing(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::RunBillingRequest,
) -> Result<v1::RunBillingResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let asked = requests::run_billing(message)?;
    before_asking(ledger, authority, asked.firm).await?;
    let whole = api::fingerprint(message);
    let begun = domain::command::Run::Billing { as_of: asked.as_of };
    let mark = ledger.begin(authority, (asked.firm, asked.request_id), begun, whole).await?;
    let own = ledger.engine().own_requests(asked.firm).await?;
    let run = Run { ledger, authority, asked, whole, own };
    // Whatever was billed before this run began has to be out of the list of what is to be billed.
    ledger.read_at(asked.firm, ledger.engine().head(asked.firm).await?.position).await?;
    let held_before = run.held_before().await?;
    let done = run.bill_accounts().await?;
    let mut found = Found { held: held_before, ..Found::default() };
    run.collect(mark.first_position, &done, &mut found).await?;
    Ok(run.response(&mark, &done, &found))
}

/// What the commands of a run answered.
#[derive(Default)]
struct Done {
    accounts: HashSet<AccountId>,
    requests: HashSet<RequestId>,
    refused: BTreeMap<AccountId, Box<Refusal>>,
    position: u64,
    /// Whether any of them was carried out only now.
    anew: bool,
}

/// What a run recorded.
#[derive(Default)]
struct Found {
    invoices: BTreeMap<u64, (AccountId, Money)>,
    earned: u64,
    held: BTreeSet<(CaseId, u32)>,
    accounts: HashSet<AccountId>,
    position: u64,
}

/// What the request id of one account is made as, and of.
const BILL: &str = "bill";

impl Run<'_> {
    fn request_of(&self, account: AccountId) -> RequestId {
        self.own.id(BILL, &[self.asked.request_id.0.as_bytes(), account.0.as_bytes()])
    }

    /// Whether a request billed an account in this run, begun before ids were keyed or since.
    fn billed(&self, account: AccountId, request: RequestId) -> bool {
        let parts: [&[u8]; 2] = [self.asked.request_id.0.as_bytes(), account.0.as_bytes()];
        request == self.own.id(BILL, &parts) || request == unkeyed_request(BILL, &parts)
    }

    async fn bill_accounts(&self) -> Result<Done, Failure> {
        let BillingAsked { firm, as_of, .. } = self.asked;
        let (mut done, mut in_flight, mut after) = (Done::default(), InFlight::new(), None);
        loop {
            let page =
                self.ledger.store().accounts_to_bill(firm, as_of, after, ACCOUNTS_PAGE).await?;
            let Some(last) = page.last() else { break };
            after = Some(*last);
            for account in page {
                let pending = self.ledger.engine().enqueue(firm, self.submission(account)).await?;
                if let Some((account, answer)) = in_flight.add(account, pending).await {
                    self.settle(&mut done, account, answer)?;
                }
            }
        }
        while let Some((account, answer)) = in_flight.next().await {
            self.settle(&mut done, account, answer)?;
        }
        Ok(done)
    }

    fn submission(&self, account: AccountId) -> Submission {
        Submission {
            request_id: self.request_of(account),
            fingerprint: fingerprint(BILL, &[&self.whole, account.0.as_bytes()]),
            author: self.authority.author(),
            command: Command::BillAccount { account, as_of: self.asked.as_of },
        }
    }

    /// An account that is refused is told to the caller and to the operator, and the run goes on.
    fn settle(
        &self,
        done: &mut Done,
        account: AccountId,
        answer: Result<Answer, SubmitError>,
    ) -> Result<(), Failure> {
        match answer {
            Ok(answer) => {
                done.position = done.position.max(answer.position);
                done.anew |= !answer.replayed;
            }
            Err(SubmitError::Refused(refusal) | SubmitError::RefusedBefore { refusal, .. }) => {
                tracing::error!(%account, %refusal, "an account cannot be billed");
                done.refused.insert(account, refusal);
            }
            Err(error) => return Err(error.into()),
        }
        done.accounts.insert(account);
        done.requests.insert(self.request_of(account));
        Ok(())
    }

    /// Cases with a period that is over and not billed: those that the list of such periods is made of.
    async fn with_period_ended(&self) -> Result<HashSet<CaseId>, Failure> {
        let BillingAsked { firm, as_of, .. } = self.asked;
        let (mut cases, mut after) = (HashSet::new(), None);
        loop {
            let store = self.ledger.store();
            let page = store.cases_with_period_ended(firm, as_of, after, HELD_PAGE).await?.rows;
            let Some(last) = page.last() else { return Ok(cases) };
            after = Some((last.period_end, last.case_id));
            cases.extend(page.iter().map(|row| row.case_id));
        }
    }

    /// Periods that runs before this one noted as held and that are still neither billed nor given up. One
    /// that the service did not last to the end of is never billed, and is not waited for.
    async fn held_before(&self) -> Result<BTreeSet<(CaseId, u32)>, Failure> {
        let BillingAsked { firm, as_of, .. } = self.asked;
        let listed = self.with_period_ended().await?;
        let (mut held, mut after) = (BTreeSet::new(), None);
        loop {
            let page = self.ledger.store().list_held_fees(firm, after, HELD_PAGE).await?;
            let Some(last) = page.last() else { return Ok(held) };
            after = Some((last.case_id, last.period));
            let over = page.iter().filter(|row| {
                row.end_on.is_some_and(|end| end <= as_of) && listed.contains(&row.case_id)
            });
            held.extend(over.map(|row| (row.case_id, row.period)));
        }
    }

    /// Reads the run's own events from the log: from its mark to the end.
    async fn collect(&self, from: u64, done: &Done, found: &mut Found) -> Result<(), Failure> {
        let firm = self.asked.firm;
        let mut after = from.saturating_sub(1);
        loop {
            let page = self.ledger.engine().read(firm, after, EVENTS_PAGE).await?;
            let Some(last) = page.last() else { return Ok(()) };
            after = last.position;
            for stored in &page {
                let position = stored.position;
                let corrupt = |_| Failure::Corrupt { position };
                let recorded = Recorded::from_bytes(&stored.bytes).map_err(corrupt)?;
                self.take(&recorded, done, found);
            }
        }
    }

    fn take(&self, recorded: &Recorded, done: &Done, found: &mut Found) {
        let ours = |account: AccountId| self.billed(account, recorded.request_id);
        if let (Event::Account(AccountEvent::InvoiceIssued(invoice)), StreamId::Account(account)) =
            (&recorded.event, recorded.stream)
            && ours(account)
        {
            found.invoices.insert(invoice.number, (account, invoice.total));
            found.accounts.insert(account);
            found.position = recorded.position;
        } else if let (Event::Case(CaseEvent::FeeEarned(fee)), StreamId::Case(case)) =
            (&recorded.event, recorded.stream)
            && ours(fee.account)
        {
            found.earned += 1;
            found.held.remove(&(case, fee.period));
        } else if let (Event::Case(CaseEvent::FeeHeld(fee)), StreamId::Case(case)) =
            (&recorded.event, recorded.stream)
            && (ours(case.own_account()) || done.requests.contains(&recorded.request_id))
        {
            found.held.insert((case, fee.period));
            found.position = recorded.position;
        }
    }

    fn response(&self, mark: &Answer, done: &Done, found: &Found) -> v1::RunBillingResponse {
        let firm = self.asked.firm;
        let accounts: HashSet<AccountId> = done.accounts.union(&found.accounts).copied().collect();
        let totals = || found.invoices.values().map(|(_, total)| *total);
        let sum: i64 = totals().map(Money::minor).sum();
        let total = totals().next().map(|first| minor_message(sum, first.currency()));
        let invoices = found.invoices.iter().take(INVOICES_LISTED_MAX);
        let invoices = invoices.map(|(number, (account, total))| v1::IssuedInvoice {
            name: name::invoice(firm, *number),
            account: name::account(firm, *account),
            total: amount(*total),
        });
        v1::RunBillingResponse {
            accounts_considered: int32(accounts.len()),
            fees_earned: int32(found.earned),
            fees_held: int32(found.held.len()),
            invoices_issued: int32(found.invoices.len()),
            totals: total.into_iter().collect(),
            invoices: invoices.collect(),
            position: int64(mark.position.max(done.position).max(found.position)),
            replayed: mark.replayed && !done.anew,
            refusals: done
                .refused
                .iter()
                .take(REFUSALS_LISTED_MAX)
                .map(|(account, refusal)| refused(firm, *account, refusal))
                .collect(),
            accounts_refused: int32(done.refused.len()),
        }
    }
}

/// The first rule in the way says why; a refusal has one, unless it is of another kind than these.
fn refused(firm: FirmId, account: AccountId, refusal: &Refusal) -> v1::BillingRefusal {
    let first = refusal.violations.first();
    v1::BillingRefusal {
        account: name::account(firm, account),
        reason: refusal.reason.code().to_owned(),
        rule: first.map(|violation| violation.rule.clone()).unwrap_or_default(),
        detail: first.map(|violation| violation.detail.clone()).unwrap_or_default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::refusal::Reason;
    use uuid::Uuid;

    #[test]
    fn a_refused_account_says_which_rule_stood_in_its_way() {
        let (firm, account) = (FirmId(Uuid::from_u128(1)), AccountId(Uuid::from_u128(2)));
        let refusal = Refusal::new(Reason::TooLarge, "event", "the event would be too large");
        let shown = refused(firm, account, &refusal);
        assert_eq!(shown.account, name::account(firm, account));
        assert_eq!((shown.reason.as_str(), shown.rule.as_str()), ("TOO_LARGE", "too_large"));
        assert_eq!(shown.detail, "the event would be too large");
    }
}
