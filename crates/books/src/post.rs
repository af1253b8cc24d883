//! From an event to its entry.
//!
//! | event | debit | credit |
//! |---|---|---|
//! | fee earned | earned, not invoiced | fee revenue |
//! | fee marked | fee revenue | owed to clients for what was paid of what nothing allowed and is not kept, receivable for what is open of it, refunds and credits for what had been given back or forgiven of it as an expense, bad debt and chargeback losses for what was written off of it |
//! | invoice issued | receivable | earned, not invoiced |
//! | payment settled | clearing | receivable; bad debt, then chargeback losses, for what had been written off; owed to clients for what is unearned |
//! | refund issued | owed to clients for what is owed, refunds and credits for the rest; for what a chargeback told before it had taken, chargeback losses | clearing |
//! | | refunds and credits for what of that is open again | receivable |
//! | chargeback opened | owed to clients, then receivable, then chargeback losses for what had gone back before | clearing |
//! | chargeback won | clearing | receivable for what is open, chargeback losses for what was written off or had gone back, owed to clients for the rest |
//! | credit granted | refunds and credits | receivable |
//! | written off | chargeback losses as far as a bank took it back, then bad debt | receivable |
//! | money corrected | what the fact moved, the other way | |
//! | money restated | what each fact moved by their days, less what it had moved, on the day of that fact | |
//! | bank account declared | bank | kept in other books (the opening balance) |
//! | bank line seen | bank | suspense |
//! | deposit matched | suspense (net), processor costs | clearing (gross) |
//! | line booked | suspense | what it is |
//!
//! **The day of an entry** is the day of its fact. Where the month of that day was closed when it was told, it is the first day that is
//! open: so nothing that a closed month says changes, and a month that is open says what is known of it now. Of a conclusion (a fee
//! marked) the fact is that it was concluded; of one that only follows money of a fee that was found before, it is that money. Locks of before, and what money came to by days then, count on the day of telling, as
//! they ever did: months that were closed on that stay as they were.
//!
//! A bank line or an opening balance below zero goes the other way. Reversals, and what is taken back, are the same transfers with the sign turned,
//! on the day of what they reverse if its month is open. A lost chargeback posts nothing: the fee was
//! earned, the invoice has been open again since the chargeback came, and a person decides what to do
//! with it.
//!
//! Revenue is dated by the day the fee was earned (ASC 606, work billed in arrears), the receivable by
//! the invoice: what was earned in one month and invoiced in the next is *earned, not invoiced* between.

use std::collections::{BTreeMap, HashMap, HashSet};

use calendar::CivilDate;
use domain::State;
use domain::account::{Account, DaysEdition, MoneyTold, Sum, Unfit};
use domain::deposit::Deposit;
use domain::event::{
    AccountEvent, BookAccount, CaseEvent, DepositEvent, DepositMatched, Event, FeeMarked,
    FirmEvent, LineBooked, Loss, MoneyCorrected, MoneyFact, MoneyRestated, Purpose, Recorded,
    StreamId,
};
use domain::firm::Firm;
use domain::ids::{EventId, PlanCode};
use domain::money::Money;
use domain::world::Impossible;

use crate::entry::{Entry, Transfer};

use BookAccount::{
    BadDebt, Bank, BankCosts, ChargebackLosses, Clearing, Elsewhere, FeeRevenue, OwedToClients,
    ProcessorCosts, Receivable, RefundsAndCredits, Suspense, Unbilled,
};

/// Makes entries of a run of events.
///
/// It is given the streams as they stood before the run: how a refund splits depends on what the
/// account had by then.
#[derive(Debug)]
pub struct Poster<'a> {
    firm: &'a Firm,
}

impl<'a> Poster<'a> {
    /// For a firm, as it stands at the end of the run or later.
    pub const fn new(firm: &'a Firm) -> Self {
        Self { firm }
    }

    /// The entries of events that follow each other in the log. `before` gives a stream as it stood
    /// before the first of them; nothing if it began in them.
    ///
    /// # Errors
    /// [`Impossible`] if an event cannot follow what was there: its amounts are never left out.
    pub fn entries<'s>(
        &self,
        before: impl Fn(StreamId) -> Option<&'s State>,
        events: &[Recorded],
    ) -> Result<Vec<Entry>, Impossible> {
        let moved: HashSet<StreamId> = events
            .iter()
            .filter(|recorded| recorded.event.moves_money())
            .map(|recorded| recorded.stream)
            .collect();
        let mut states: HashMap<StreamId, State> = HashMap::new();
        let mut entries = Vec::new();
        for recorded in events.iter().filter(|recorded| moved.contains(&recorded.stream)) {
            if let Event::Case(event) = &recorded.event {
                let entry = self.of_case(recorded, event);
                entries
                    .extend(entry.map_err(|unfit| Impossible::new(recorded, unfit.to_string()))?);
                continue;
            }
            if let Event::Firm(event) = &recorded.event {
                entries.extend(self.of_firm(recorded, event));
                continue;
            }
            let stream = recorded.stream;
            let state = states
                .entry(stream)
                .or_insert_with(|| before(stream).cloned().unwrap_or_else(|| State::empty(stream)));
            if let (
                State::Account(account),
                Event::Account(AccountEvent::MoneyRestated(
                    e @ MoneyRestated { edition: Some(_), .. },
                )),
            ) = (&*state, &recorded.event)
            {
                let parts = self.restated_by_day(account, recorded, e);
                entries
                    .extend(parts.map_err(|unfit| Impossible::new(recorded, unfit.to_string()))?);
                state.fold(recorded)?;
                continue;
            }
            // What a fact moved is known once it is folded; what is taken back or told anew, before.
            if matches!(&recorded.event, Event::Account(event) if event.money_fact().is_some()) {
                state.fold(recorded)?;
                entries.extend(self.entry(state, recorded)?);
            } else {
                entries.extend(self.entry(state, recorded)?);
                state.fold(recorded)?;
            }
        }
        Ok(entries)
    }

    /// The entry of one event, given its stream as it stood before, or of a fact about money as it stands behind it.
    fn entry(&self, before: &State, recorded: &Recorded) -> Result<Option<Entry>, Impossible> {
        let entry = match (before, &recorded.event) {
            (State::Account(account), Event::Account(event)) => {
                let made = self.of_account(account, recorded, event);
                made.map_err(|unfit| Impossible::new(recorded, unfit.to_string()))?
            }
            (State::Deposit(deposit), Event::Deposit(event)) => {
                self.of_deposit(deposit, recorded, event)?
            }
            (_, Event::Case(_) | Event::Firm(_) | Event::Look(_)) => None,
            (_, Event::Account(_) | Event::Deposit(_)) => {
                return Err(Impossible::new(recorded, "it does not belong to its stream"));
            }
        };
        Ok(entry.and_then(moving))
    }

    /// The day a fact counts for: see the head of this file.
    fn posted_on(&self, recorded: &Recorded, on: CivilDate) -> CivilDate {
        let mut locks = self.firm.locks.iter().rev();
        match locks.find(|lock| lock.position < recorded.position) {
            Some(lock) if on <= lock.through => {
                let first = lock.through.succ_opt().unwrap_or(lock.through);
                let told = self.firm.today(recorded.recorded_at).unwrap_or(on);
                // A clock that was set back does not open a closed month.
                if lock.first_open { first } else { told.max(first) }
            }
            Some(_) | None => on,
        }
    }

    /// What each fact moved by their days, less what it had moved: an entry for each day that these count for.
    fn restated_by_day(
        &self,
        before: &Account,
        recorded: &Recorded,
        e: &MoneyRestated,
    ) -> Result<Vec<Entry>, Unfit> {
        let mut entries: BTreeMap<CivilDate, Entry> = BTreeMap::new();
        for of_fact in restated(before, e)? {
            let part = self.begin(recorded, of_fact.on);
            let entry = entries.entry(part.posted_on).or_insert(part);
            entry.occurred_on = entry.occurred_on.min(of_fact.on);
            entry.transfers.extend(of_fact.transfers);
        }
        let mut entries: Vec<Entry> = entries.into_values().filter_map(moving).collect();
        let mut first_line = 1;
        for entry in &mut entries {
            entry.first_line = first_line;
            first_line += u32::try_from(entry.lines().len()).unwrap_or(u32::MAX);
        }
        Ok(entries)
    }

    fn begin(&self, recorded: &Recorded, on: CivilDate) -> Entry {
        let (account, deposit) = match recorded.stream {
            StreamId::Account(id) => (Some(id), None),
            StreamId::Deposit(id) => (None, Some(id)),
            StreamId::Case(_) | StreamId::Firm | StreamId::Looks(_) => (None, None),
        };
        Entry {
            position: recorded.position,
            event_id: recorded.event_id,
            kind: recorded.event.type_name(),
            posted_on: self.posted_on(recorded, on),
            occurred_on: on,
            recorded_at: recorded.recorded_at,
            account,
            deposit,
            reference: None,
            reverses: None,
            first_line: 1,
            transfers: Vec::new(),
        }
    }

    /// An opening balance is money whose books were kept elsewhere. It names its account at the bank.
    fn of_firm(&self, recorded: &Recorded, event: &FirmEvent) -> Option<Entry> {
        let (bank, reverses, opening) = match event {
            FirmEvent::BankAccountDeclared(e) => (&e.bank, None, e.opening),
            FirmEvent::BankAccountTakenBack(e) => {
                (&e.bank, Some(e.declared.id), e.opening.negated())
            }
            FirmEvent::FirmRegistered(_)
            | FirmEvent::PlanPublished(_)
            | FirmEvent::PackAdopted(_)
            | FirmEvent::PackConfirmed(_)
            | FirmEvent::PackUsedAtOwnRisk(_)
            | FirmEvent::BureauRegistered(_)
            | FirmEvent::StandingRecorded(_)
            | FirmEvent::StandingEnded(_)
            | FirmEvent::FeesReviewed(_)
            | FirmEvent::AccessGranted(_)
            | FirmEvent::AccessRevoked(_)
            | FirmEvent::AccessUsed(_)
            | FirmEvent::ChartRevised(_)
            | FirmEvent::CloseAccepted(_)
            | FirmEvent::CloseAcceptanceWithdrawn(_)
            | FirmEvent::PeriodLocked(_)
            | FirmEvent::MatchPolicySet(_)
            | FirmEvent::FirmCorrected(_)
            | FirmEvent::SecurityEventRecorded(_) => return None,
        };
        Some(Entry {
            reference: Some(bank.to_string()),
            reverses,
            transfers: vec![transfer(Elsewhere, Bank, opening)],
            ..self.begin(recorded, recorded.occurred_on)
        })
        .filter(|_| !opening.is_zero())
    }

    fn of_case(&self, recorded: &Recorded, event: &CaseEvent) -> Result<Option<Entry>, Unfit> {
        let (on, account, transfers) = match event {
            CaseEvent::FeeEarned(e) => {
                let plan = e.plan.clone();
                let earned = Transfer { plan, ..transfer(FeeRevenue, Unbilled, e.amount) };
                (e.earned_on.unwrap_or(recorded.occurred_on), e.account, vec![earned])
            }
            CaseEvent::FeeMarked(e) => (recorded.occurred_on, e.account, marked(e)?),
            CaseEvent::Enrolled(_)
            | CaseEvent::DisclosureDelivered(_)
            | CaseEvent::DisclosureAcknowledged(_)
            | CaseEvent::ConsentSigned(_)
            | CaseEvent::ConsentCancelled(_)
            | CaseEvent::IdentityPaperReceived(_)
            | CaseEvent::IdentityPaperAccepted(_)
            | CaseEvent::IdentityPaperRejected(_)
            | CaseEvent::ReportSourceConnected(_)
            | CaseEvent::ReportIdentityFailed(_)
            | CaseEvent::ReportImported(_)
            | CaseEvent::ItemListed(_)
            | CaseEvent::BasisAttested(_)
            | CaseEvent::WorkOpened(_)
            | CaseEvent::RoundSent(_)
            | CaseEvent::LetterDelivered(_)
            | CaseEvent::ClientInformationSent(_)
            | CaseEvent::ResponseReceived(_)
            | CaseEvent::ItemDeleted(_)
            | CaseEvent::ItemCorrected(_)
            | CaseEvent::ItemVerified(_)
            | CaseEvent::ItemReinserted(_)
            | CaseEvent::BureauAsked(_)
            | CaseEvent::BureauAnswered(_)
            | CaseEvent::ProgressReportSent(_)
            | CaseEvent::ContactChanged(_)
            | CaseEvent::BillingDayChanged(_)
            | CaseEvent::MessageLogged(_)
            | CaseEvent::ServicePaused(_)
            | CaseEvent::ServiceResumed(_)
            | CaseEvent::ServiceEnded(_)
            | CaseEvent::PeriodClosedWithoutFee(_)
            | CaseEvent::ResultsFound(_)
            | CaseEvent::CircumstanceChanged(_)
            | CaseEvent::FeeHeld(_)
            | CaseEvent::FeeKept(_)
            | CaseEvent::ExposureFound(_)
            | CaseEvent::CorrectionNoted(_)
            | CaseEvent::FactCorrected(_)
            | CaseEvent::LegalHoldPlaced(_)
            | CaseEvent::LegalHoldLifted(_)
            | CaseEvent::ClientErased(_) => return Ok(None),
        };
        let entry = Entry { account: Some(account), transfers, ..self.begin(recorded, on) };
        Ok(Some(entry).filter(|entry| !entry.lines().is_empty()))
    }

    fn of_account(
        &self,
        account: &Account,
        recorded: &Recorded,
        event: &AccountEvent,
    ) -> Result<Option<Entry>, Unfit> {
        let (reference, transfers) = match event {
            AccountEvent::MoneyCorrected(e) => {
                return self.corrected(account, recorded, e).map(Some);
            }
            AccountEvent::InvoiceIssued(e) => {
                (None, vec![about(e.number, transfer(Unbilled, Receivable, e.total))])
            }
            // Of earlier software: whole, on the day of telling.
            AccountEvent::MoneyRestated(e) => {
                (None, restated(account, e)?.into_iter().flat_map(|of| of.transfers).collect())
            }
            // What it moved stands beside it, once it is folded.
            AccountEvent::PaymentSettled(_)
            | AccountEvent::PaymentFailed(_)
            | AccountEvent::RefundIssued(_)
            | AccountEvent::ChargebackOpened(_)
            | AccountEvent::ChargebackWon(_)
            | AccountEvent::ChargebackLost(_)
            | AccountEvent::CreditGranted(_)
            | AccountEvent::WrittenOff(_) => {
                let fact = fact_of(account, recorded.position)?;
                (fact.name.as_ref(), moved(fact)?)
            }
            AccountEvent::AccountOpened(_)
            | AccountEvent::CardOnFileChanged(_)
            | AccountEvent::LinkSuggested(_)
            | AccountEvent::LinkRefused(_)
            | AccountEvent::MemberLinked(_)
            | AccountEvent::MemberUnlinked(_)
            | AccountEvent::PaymentMoved(_)
            | AccountEvent::PaymentMovedBack(_)
            | AccountEvent::ChargeRequested(_)
            | AccountEvent::RefundRequested(_)
            | AccountEvent::RefundFailed(_)
            | AccountEvent::UnearnedPaymentFound(_)
            | AccountEvent::MoneyDeposited(_)
            | AccountEvent::MoneyUndeposited(_)
            | AccountEvent::LinesShared(_) => return Ok(None),
        };
        let entry = self.begin(recorded, recorded.occurred_on);
        Ok(Some(Entry { reference: reference.map(ToString::to_string), transfers, ..entry }))
    }

    /// The entry of the fact the other way, on the day of the fact if its month is open.
    fn corrected(
        &self,
        before: &Account,
        recorded: &Recorded,
        e: &MoneyCorrected,
    ) -> Result<Entry, Unfit> {
        let fact = fact_of(before, e.fact.position)?;
        Ok(Entry {
            reference: fact.name.as_ref().map(ToString::to_string),
            reverses: Some(e.fact.id),
            transfers: turned(moved(fact)?),
            ..self.begin(recorded, fact.mark.on)
        })
    }

    fn of_deposit(
        &self,
        before: &Deposit,
        recorded: &Recorded,
        event: &DepositEvent,
    ) -> Result<Option<Entry>, Impossible> {
        let missing =
            |what| Impossible::new(recorded, format!("it takes back {what} that is not there"));
        let (reverses, transfers): (Option<EventId>, _) = match event {
            DepositEvent::StatementLineSeen(e) => (None, vec![transfer(Suspense, Bank, e.amount)]),
            DepositEvent::DepositMatched(e) => (None, matched(e)),
            DepositEvent::MatchReversed(e) => {
                let matched_before = before.matched.as_ref().ok_or_else(|| missing("a match"))?;
                (Some(e.reverses), turned(matched(&matched_before.matched)))
            }
            DepositEvent::LineBooked(e) => (None, booked(e)),
            DepositEvent::BookingReversed(e) => {
                let booked_before = before.booked.as_ref().ok_or_else(|| missing("a booking"))?;
                (Some(e.reverses), turned(booked(&booked_before.booked)))
            }
            DepositEvent::LineTakenBack(e) => {
                (Some(e.reverses), vec![transfer(Bank, Suspense, e.amount)])
            }
            DepositEvent::StatementSeen(_)
            | DepositEvent::StatementLinesListed(_)
            | DepositEvent::StatementTakenBack(_)
            | DepositEvent::PayoutTakenBack(_)
            | DepositEvent::PayoutReported(_)
            | DepositEvent::PayoutLinesReported(_)
            | DepositEvent::MatchJoined(_)
            | DepositEvent::MatchLeft(_)
            | DepositEvent::MatchRefused(_) => return Ok(None),
        };
        Ok(Some(Entry { reverses, transfers, ..self.begin(recorded, recorded.occurred_on) }))
    }
}

const fn transfer(from: BookAccount, to: BookAccount, amount: Money) -> Transfer {
    Transfer { from, to, amount, invoice: None, plan: None::<PlanCode> }
}

fn about(invoice: u64, transfer: Transfer) -> Transfer {
    Transfer { invoice: Some(invoice), ..transfer }
}

fn fact_of(account: &Account, position: u64) -> Result<&MoneyTold, Unfit> {
    account.told.get(&position).ok_or(Unfit::Missing("a fact about money"))
}

/// What is told otherwise of what a fact moved.
struct OfFact {
    on: CivilDate,
    transfers: Vec<Transfer>,
}

/// What each fact moved by their days, less what it moved as it was told.
fn restated(before: &Account, e: &MoneyRestated) -> Result<Vec<OfFact>, Unfit> {
    let anew = before.by_days(DaysEdition::of(e.edition)?)?;
    let of_facts = before.told.iter().map(|(position, fact)| {
        let mut transfers = turned(moved(fact)?);
        transfers.extend(moved(fact_of(&anew, *position)?)?);
        Ok(OfFact { on: fact.mark.on, transfers })
    });
    of_facts.collect()
}

/// An entry that moves something.
fn moving(mut entry: Entry) -> Option<Entry> {
    entry.transfers.retain(|transfer| !transfer.amount.is_zero());
    Some(entry).filter(|entry| !entry.lines().is_empty())
}

/// What nothing allowed is no revenue: what was paid of it is owed to the client, what is open is not receivable, what was
/// written off is no loss, and what was given back or forgiven is no expense. What counsel keeps is revenue.
fn marked(e: &FeeMarked) -> Result<Vec<Transfer>, Unfit> {
    let Some(given_back_before) = e.given_back_before else { return marked_earlier(e) };
    let of_plan =
        |transfer: Transfer| Transfer { plan: e.plan.clone(), invoice: e.invoice, ..transfer };
    let zero = Money::zero(e.exposed.currency());
    // What refunds gave back as owed left *owed to clients* with them, and was no expense.
    let (returned, before) = (e.returned.unwrap_or(zero), e.returned_before.unwrap_or(zero));
    let of_refunds = returned.minus(before)?;
    let owed = e.owed.minus(e.owed_before)?.plus(of_refunds)?;
    let given_back = e.given_back.minus(given_back_before)?.minus(of_refunds)?;
    let lost = |loss: Option<Loss>| loss.unwrap_or(Loss { bad_debt: zero, charged_back: zero });
    let (now, before) = (lost(e.lost), lost(e.lost_before));
    let parts = [
        (OwedToClients, owed),
        (Receivable, e.open.minus(e.open_before)?),
        (RefundsAndCredits, given_back),
        (BadDebt, now.bad_debt.minus(before.bad_debt)?),
        (ChargebackLosses, now.charged_back.minus(before.charged_back)?),
    ];
    Ok(parts.map(|(from, amount)| of_plan(transfer(from, FeeRevenue, amount))).into())
}

/// The same of a mark that does not say what was given back before: what had gone back when a fee was exposed stayed an expense.
fn marked_earlier(e: &FeeMarked) -> Result<Vec<Transfer>, Unfit> {
    let side = if e.exposed == e.exposed_before { RefundsAndCredits } else { FeeRevenue };
    let of_plan =
        |transfer: Transfer| Transfer { plan: e.plan.clone(), invoice: e.invoice, ..transfer };
    let zero = Money::zero(e.exposed.currency());
    // What counsel keeps is revenue again, whatever else the mark says.
    let (kept, kept_before) = (e.kept.unwrap_or(zero), e.kept_before.unwrap_or(zero));
    let collected = e.owed.plus(kept)?.minus(e.owed_before.plus(kept_before)?)?;
    let owed = transfer(OwedToClients, side, collected);
    let kept = transfer(OwedToClients, FeeRevenue, kept_before.minus(kept)?);
    let open = transfer(Receivable, side, e.open.minus(e.open_before)?);
    let lost = |loss: Option<Loss>| loss.unwrap_or(Loss { bad_debt: zero, charged_back: zero });
    let (now, before) = (lost(e.lost), lost(e.lost_before));
    let bad_debt = transfer(BadDebt, side, now.bad_debt.minus(before.bad_debt)?);
    let charged_back = now.charged_back.minus(before.charged_back)?;
    let charged_back = transfer(ChargebackLosses, side, charged_back);
    Ok([owed, kept, open, bad_debt, charged_back].map(of_plan).into())
}

/// What a fact about money moved, as its own entry has it.
fn moved(fact: &MoneyTold) -> Result<Vec<Transfer>, Unfit> {
    let mut transfers = Vec::new();
    for invoice in fact.invoices() {
        let of = |sum: Sum| fact.moved_of(invoice, sum);
        let (paid, written_off, lost) = (of(Sum::Paid)?, of(Sum::WrittenOff)?, of(Sum::Lost)?);
        let parts = match fact.kind {
            // A payment of what was written off is a recovery of the loss (ASC 326-20-35-8, from memory).
            MoneyFact::PaymentSettled | MoneyFact::ChargebackOpened => vec![
                transfer(Receivable, Clearing, paid.plus(written_off)?),
                transfer(ChargebackLosses, Clearing, lost.negated()),
                transfer(BadDebt, Clearing, lost.minus(written_off)?),
            ],
            MoneyFact::RefundIssued => {
                let owed = of(Sum::Returned)?;
                vec![
                    transfer(Receivable, RefundsAndCredits, of(Sum::Credited)?.plus(paid)?),
                    transfer(RefundsAndCredits, Clearing, paid.plus(owed)?),
                    transfer(OwedToClients, Clearing, owed.negated()),
                ]
            }
            // What made good a write-off is paid, and written off no more.
            MoneyFact::ChargebackWon => vec![
                transfer(Receivable, Clearing, paid.plus(written_off)?),
                transfer(ChargebackLosses, Clearing, written_off.negated()),
            ],
            // What it forgives of what was paid is owed to the client.
            MoneyFact::CreditGranted => vec![
                transfer(
                    Receivable,
                    RefundsAndCredits,
                    of(Sum::Credited)?.plus(paid)?.plus(written_off)?,
                ),
                transfer(ChargebackLosses, RefundsAndCredits, lost.negated()),
                transfer(BadDebt, RefundsAndCredits, lost.minus(written_off)?),
                transfer(Clearing, RefundsAndCredits, paid.negated()),
            ],
            MoneyFact::WrittenOff => vec![
                transfer(Receivable, ChargebackLosses, lost),
                transfer(Receivable, BadDebt, written_off.minus(lost)?),
            ],
            MoneyFact::PaymentFailed | MoneyFact::ChargebackLost => Vec::new(),
        };
        transfers.extend(parts.into_iter().map(|transfer| about(invoice, transfer)));
    }
    transfers.push(transfer(OwedToClients, Clearing, fact.unearned));
    transfers.push(transfer(Clearing, ChargebackLosses, fact.beyond));
    Ok(transfers)
}

fn matched(e: &DepositMatched) -> Vec<Transfer> {
    vec![transfer(Clearing, Suspense, e.net), transfer(Clearing, ProcessorCosts, e.costs)]
}

fn booked(e: &LineBooked) -> Vec<Transfer> {
    let what = match e.purpose {
        Purpose::BankCosts => BankCosts,
        Purpose::ProcessorCosts => ProcessorCosts,
        Purpose::Elsewhere => Elsewhere,
    };
    vec![transfer(what, Suspense, e.amount)]
}

fn turned(transfers: Vec<Transfer>) -> Vec<Transfer> {
    let turn = |transfer: Transfer| Transfer { amount: transfer.amount.negated(), ..transfer };
    transfers.into_iter().map(turn).collect()
}
