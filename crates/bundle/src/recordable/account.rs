//! An account's events, held against those before them.

use calendar::CivilDate;
use domain::State;
use domain::account::{
    Account, ChargebackStatus, DaysEdition, Exposed, Flow, NotAsked, RefundRequest,
};
use domain::event::{
    AccountEvent, Applied, ChargebackOpened, Event, ExposureKind, InvoiceIssued, LinePart,
    LineShare, LinesShared, MoneyCorrected, MoneyFact, MoneyRestated, PaymentSettled, Recorded,
    RefundIssued, RefundRequested, StreamId,
};
use domain::ids::{AccountId, ProcessorRef};
use domain::money::Money;

use super::case::numbered;
use super::{FirmRecord, NOT_ANEW, following};
use crate::derive::{Charge, Named, Party, Rows};

pub(super) fn check(
    id: AccountId,
    events: &[Recorded],
    party: &Party,
    firm: &FirmRecord,
    rows: &mut Rows,
) {
    let mut state = State::empty(StreamId::Account(id));
    for (place, recorded) in events.iter().enumerate() {
        let (Event::Account(event), State::Account(account)) = (&recorded.event, &state) else {
            continue;
        };
        let is_opening = matches!(event, AccountEvent::AccountOpened(_));
        let before = Before { id, account, party, firm };
        let mut wrong = before.wrong(recorded, event);
        if account.version == 0 && !is_opening {
            wrong.push("the account was not opened before it".to_owned());
        }
        // What is told of a payment is nothing of the payment's own.
        let told = untold(id, events, place, event);
        if let AccountEvent::InvoiceIssued(e) = event {
            note_lines(id, recorded, e, rows);
        }
        if let AccountEvent::MoneyCorrected(e) = event {
            rows.moved.extend(e.again.filter(|to| *to != id).map(|to| (recorded.position, to)));
        }
        if event.money_fact() == Some(MoneyFact::PaymentSettled) {
            rows.settled.push((recorded.position, id));
        }
        // What cannot be is not shared by lines either.
        if wrong.is_empty()
            && let Some(shared) = Shared::of(account, event)
        {
            let is_said = shared.lines.is_some();
            match account.cover(shared.flow, &shared.applied, &shared.exposed()) {
                Err(unfit) => wrong.push(unfit.to_string()),
                Ok(None) if is_said => wrong.push("it names lines where there is one alone".into()),
                Ok(None) => {}
                Ok(Some(expected)) => {
                    rows.shares.note(recorded.position, is_said);
                    if shared.lines.is_some_and(|lines| lines != expected) {
                        wrong.push("it is not of the lines that it was to be of".into());
                    }
                }
            }
        }
        let is_kept = wrong.is_empty() || account.version == 0;
        for what in wrong.into_iter().chain(told) {
            rows.fault(recorded.position, what);
        }
        // Whoever tells of the client says what does not fold.
        if is_kept && state.fold(&numbered(&state, recorded)).is_err() {
            return;
        }
    }
    if let State::Account(account) = &state {
        let names = account.movement_names();
        rows.names.extend(names.map(|(name, position)| Named { name, account: id, position }));
    }
}

/// Money of invoices, which their lines share.
pub(crate) struct Shared<'a> {
    flow: Flow<'a>,
    applied: Vec<Applied>,
    /// The lines that it says it is of.
    pub(crate) lines: Option<&'a [LinePart]>,
}

impl<'a> Shared<'a> {
    /// Of an event, beside the account as it stood before it; nothing of one that moves no money of an invoice.
    pub(crate) fn of(account: &'a Account, event: &'a AccountEvent) -> Option<Self> {
        let taken = |payment, amount| Some(account.taken_back(payment, amount).ok()?.invoices);
        let of_invoice = |invoice, amount| vec![Applied { amount, invoice }];
        let (flow, applied, lines) = match event {
            AccountEvent::PaymentSettled(e) => (Flow::Payment, e.applied.clone(), &e.lines),
            AccountEvent::RefundRequested(e) => {
                (Flow::Refund, taken(&e.payment, e.amount)?, &e.lines)
            }
            AccountEvent::RefundIssued(e) => (Flow::Refund, taken(&e.payment, e.amount)?, &e.lines),
            AccountEvent::ChargebackOpened(e) => {
                let payment = account.payments.get(&e.payment)?;
                (Flow::Chargeback(payment), taken(&e.payment, e.amount)?, &e.lines)
            }
            AccountEvent::CreditGranted(e) => {
                (Flow::Credit, of_invoice(e.invoice, e.amount), &e.lines)
            }
            AccountEvent::WrittenOff(e) => {
                (Flow::WriteOff, of_invoice(e.invoice, e.amount), &e.lines)
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
            | AccountEvent::ChargeRequested(_)
            | AccountEvent::PaymentFailed(_)
            | AccountEvent::RefundFailed(_)
            | AccountEvent::ChargebackWon(_)
            | AccountEvent::ChargebackLost(_)
            | AccountEvent::UnearnedPaymentFound(_)
            | AccountEvent::MoneyDeposited(_)
            | AccountEvent::MoneyUndeposited(_)
            | AccountEvent::MoneyCorrected(_)
            | AccountEvent::LinesShared(_)
            | AccountEvent::MoneyRestated(_) => return None,
        };
        Some(Self { flow, applied, lines: lines.as_deref() })
    }

    /// The invoices that it is of.
    pub(crate) fn invoices(&self) -> impl Iterator<Item = u64> + '_ {
        self.applied.iter().map(|applied| applied.invoice)
    }

    /// What it says that nothing allowed of lines.
    pub(crate) fn exposed(&self) -> Exposed {
        let lines = self.lines.into_iter().flatten();
        lines.filter_map(|part| Some(((part.invoice, part.line), part.exposed?))).collect()
    }
}

fn note_lines(id: AccountId, recorded: &Recorded, e: &InvoiceIssued, rows: &mut Rows) {
    for line in &e.lines {
        let charge = Charge {
            case: line.case,
            account: id,
            period: line.period,
            amount: line.amount,
            start: line.start,
            end: line.end,
            position: recorded.position,
        };
        rows.lines.push((e.number, charge));
    }
}

/// What has to be told with a payment, or with a correction, and is not.
fn untold(
    id: AccountId,
    events: &[Recorded],
    place: usize,
    event: &AccountEvent,
) -> Option<String> {
    if let AccountEvent::MoneyCorrected(e) = event {
        let next = following(events, place).next();
        let is_told = next.is_some_and(|next| match next {
            Event::Account(next) => next.money_fact() == Some(e.kind),
            Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => false,
        });
        return (e.again == Some(id) && !is_told).then(|| NOT_ANEW.to_owned());
    }
    let AccountEvent::PaymentSettled(payment) = event else { return None };
    let tells = |next: &Event| {
        matches!(next, Event::Account(AccountEvent::UnearnedPaymentFound(e))
            if e.payment == payment.payment && e.amount == payment.unearned)
    };
    let is_told = following(events, place).next().is_some_and(tells);
    let what = "it is unearned, and no unearned payment was recorded with it";
    (payment.unearned.is_positive() && !is_told).then(|| what.to_owned())
}

/// An account as it stood before an event.
struct Before<'a> {
    id: AccountId,
    account: &'a Account,
    party: &'a Party,
    firm: &'a FirmRecord,
}

impl Before<'_> {
    fn wrong(&self, recorded: &Recorded, event: &AccountEvent) -> Vec<String> {
        match event {
            AccountEvent::AccountOpened(e) => {
                let owner = self.id.owner();
                let enrolled = self.party.case.first();
                let is_early = !self.party.case.is_empty()
                    && enrolled.is_none_or(|first| first.position > recorded.position);
                list([
                    (self.account.version > 0, "the account is opened a second time"),
                    (e.owner != owner, "the account is opened for another client than its own"),
                    (is_early, "the account is opened before its client enrolled"),
                ])
            }
            AccountEvent::MemberLinked(e) => {
                list([(e.member == self.id.owner(), "the account's own client is linked to it")])
            }
            AccountEvent::PaymentMoved(e) => list([(
                !self.is_taken_in(e.to, recorded.position),
                "payments are moved to an account that this client was not linked to",
            )]),
            AccountEvent::InvoiceIssued(e) => self.issued(e),
            AccountEvent::ChargeRequested(e) => self.of_open(e.invoice, e.amount),
            AccountEvent::PaymentFailed(e) => list([(
                self.account.invoices.get(&e.invoice).is_none_or(|i| i.charge_open.is_none())
                    && !self.account.tells_anew(recorded.position),
                "no charge of this invoice waited for an answer",
            )]),
            AccountEvent::PaymentSettled(e) => self.settled(e, recorded.occurred_on),
            AccountEvent::RefundRequested(e) => self.asked_back(e),
            AccountEvent::RefundFailed(e) => {
                let waits =
                    self.account.refund_requests.get(&e.number).is_some_and(RefundRequest::waits);
                list([(!waits, "no request for a refund of its number waited for an answer")])
            }
            AccountEvent::RefundIssued(e) => {
                let mut wrong = self.refunded(e);
                wrong.extend(list([
                    (!self.may_answer(e), "it answers no request for its payment"),
                    (!self.is_owed(e), "it does not give back what was owed as it says"),
                ]));
                wrong
            }
            AccountEvent::ChargebackOpened(e) => self.charged_back(e),
            AccountEvent::ChargebackWon(e) => {
                let back = self.account.money_back.get(&e.chargeback);
                let is_alone = back.is_none_or(|back| back.lines.is_none());
                let is_lost = self.account.is_lost_by(&e.chargeback, recorded.occurred_on);
                let mut wrong = if is_lost { Vec::new() } else { self.ends(&e.chargeback) };
                wrong.extend(list([(
                    e.whole.is_some() && is_alone,
                    "it goes to all lines where there is one alone",
                )]));
                wrong
            }
            AccountEvent::ChargebackLost(e) => self.ends(&e.chargeback),
            AccountEvent::CreditGranted(e) => self.lowered(recorded, e.invoice, e.amount),
            AccountEvent::WrittenOff(e) => self.lowered(recorded, e.invoice, e.amount),
            AccountEvent::UnearnedPaymentFound(e) => list([(
                e.cites.as_str() != ExposureKind::PaymentUnearned.cites(),
                "an unearned payment cites 15 USC 1679b(b)",
            )]),
            AccountEvent::MoneyCorrected(e) => self.corrected(e),
            AccountEvent::LinesShared(e) => self.shared(e),
            AccountEvent::MoneyRestated(e) => self.restated(e),
            AccountEvent::CardOnFileChanged(_)
            | AccountEvent::LinkSuggested(_)
            | AccountEvent::LinkRefused(_)
            | AccountEvent::MemberUnlinked(_)
            | AccountEvent::PaymentMovedBack(_)
            | AccountEvent::MoneyDeposited(_)
            | AccountEvent::MoneyUndeposited(_) => Vec::new(),
        }
    }

    fn is_taken_in(&self, by: AccountId, before: u64) -> bool {
        let member = self.id.owner();
        by != self.id
            && self.party.accounts.get(&by).is_some_and(|events| {
                events.iter().take_while(|other| other.position < before).any(|other| {
                    matches!(&other.event, Event::Account(AccountEvent::MemberLinked(e)) if e.member == member)
                })
            })
    }

    /// The open amount of an invoice; nothing of one that was not issued.
    fn open(&self, invoice: u64) -> Option<Money> {
        self.account.invoices.get(&invoice).map(domain::account::Invoice::open)
    }

    /// What nobody paid or forgave of an invoice, minor units: what was given up is recovered by a payment.
    fn due(&self, invoice: u64) -> Option<i64> {
        let of = self.account.invoices.get(&invoice)?;
        Some(of.open().minor() + of.written_off.minor())
    }

    fn is_amount(&self, amount: Money) -> bool {
        amount.is_positive() && Some(amount.currency()) == self.firm.currency()
    }

    fn of_open(&self, invoice: u64, amount: Money) -> Vec<String> {
        let is_within = self.open(invoice).is_some_and(|open| amount.minor() <= open.minor());
        list([
            (!self.is_amount(amount), "its amount is not above zero in the firm's currency"),
            (!is_within, "it is more than was open on an invoice of this account"),
        ])
    }

    /// What is told anew may be more than is open since, and is no more than was not credited.
    fn lowered(&self, recorded: &Recorded, invoice: u64, amount: Money) -> Vec<String> {
        if !self.account.tells_anew(recorded.position) {
            return self.of_open(invoice, amount);
        }
        let most = self.account.invoices.get(&invoice).map(domain::account::Invoice::not_credited);
        let is_within = most.is_some_and(|most| amount.minor() <= most.minor());
        list([
            (!self.is_amount(amount), "its amount is not above zero in the firm's currency"),
            (!is_within, "it is more than was not credited of an invoice of this account"),
        ])
    }

    fn issued(&self, e: &InvoiceIssued) -> Vec<String> {
        let sum: i128 = e.lines.iter().map(|line| i128::from(line.amount.minor())).sum();
        let currency = self.firm.currency();
        let is_mixed = e.lines.iter().any(|line| Some(line.amount.currency()) != currency)
            || Some(e.total.currency()) != currency;
        let is_sum = !e.lines.is_empty() && sum == i128::from(e.total.minor()) && !is_mixed;
        let mut wrong = Vec::new();
        if !is_sum {
            wrong.push(format!("invoice {} is not its lines' sum", e.number));
        }
        if self.account.invoices.contains_key(&e.number) {
            wrong.push(format!("invoice {} was issued before", e.number));
        }
        wrong
    }

    fn settled(&self, e: &PaymentSettled, on: CivilDate) -> Vec<String> {
        let applied: i128 = e.applied.iter().map(|a| i128::from(a.amount.minor())).sum();
        let unearned = i128::from(e.unearned.minor());
        let is_sum = applied + unearned == i128::from(e.amount.minor())
            && Some(e.unearned.currency()) == self.firm.currency();
        let fits = |applied: &domain::event::Applied| {
            self.is_amount(applied.amount)
                && self.due(applied.invoice).is_some_and(|due| applied.amount.minor() <= due)
        };
        list([
            (!self.is_amount(e.amount), "its amount is not above zero in the firm's currency"),
            (!is_sum || unearned < 0, "the payment is not what it pays and what is unearned"),
            (self.account.payments.contains_key(&e.payment), "the payment was recorded before"),
            (
                e.meant.is_some_and(|meant| {
                    let is_before = self.account.invoices.get(&meant).map(|of| on < of.issued.on);
                    let is_open = self.due(meant).is_none_or(|due| due > 0);
                    !e.applied.is_empty() || is_before != Some(true) && is_open
                }),
                "it was to pay an invoice that it pays, or could have",
            ),
            (
                e.applied.len() > 1 || !e.applied.iter().all(fits),
                "it pays more than was due on an invoice of this account",
            ),
        ])
    }

    fn is_left(&self, of: &ProcessorRef, amount: Money) -> bool {
        let payment = self.account.payments.get(of);
        payment.is_some_and(|payment| amount.minor() <= payment.left().minor())
    }

    fn asked_back(&self, e: &RefundRequested) -> Vec<String> {
        let next = self.account.refund_requests.len() + 1;
        list([
            (!self.is_amount(e.amount), "its amount is not above zero in the firm's currency"),
            (
                !self.is_left(&e.payment, e.amount),
                "it is more than was left of a payment of this account",
            ),
            (usize::try_from(e.number) != Ok(next), "requests for refunds are not counted from 1"),
            (
                self.account.refund_waiting(&e.payment).is_some(),
                "a request for a refund of its payment waited",
            ),
        ])
    }

    fn may_answer(&self, e: &RefundIssued) -> bool {
        e.request.is_none_or(|number| {
            let request = self.account.refund_requests.get(&number);
            request.is_some_and(|asked| asked.payment == e.payment && asked.refund.is_none())
        })
    }

    /// A refund that was made was made, whatever a bank took before it was told; but nothing is refunded twice.
    fn refunded(&self, e: &RefundIssued) -> Vec<String> {
        let payment = self.account.payments.get(&e.payment);
        let left = payment.and_then(|of| self.account.not_refunded(&e.payment, of).ok());
        let is_left = left.is_some_and(|left| e.amount.minor() <= left.minor());
        list([
            (!self.is_amount(e.amount), "its amount is not above zero in the firm's currency"),
            (!is_left, "it is more than was left of a payment of this account"),
            (
                self.account.money_back.contains_key(&e.refund),
                "money went back under its name before",
            ),
        ])
    }

    /// A bank takes back what was refunded too, but nothing twice.
    fn charged_back(&self, e: &ChargebackOpened) -> Vec<String> {
        let payment = self.account.payments.get(&e.payment);
        let left = payment.and_then(|of| self.account.not_charged_back(&e.payment, of).ok());
        let is_left = left.is_some_and(|left| e.amount.minor() <= left.minor());
        list([
            (!self.is_amount(e.amount), "its amount is not above zero in the firm's currency"),
            (!is_left, "it is more than was left of a payment of this account"),
            (
                self.account.money_back.contains_key(&e.chargeback),
                "money went back under its name before",
            ),
        ])
    }

    /// What it says to give back of what was owed, if what it says was exposed of lines was.
    fn is_owed(&self, e: &RefundIssued) -> bool {
        let Some(owed) = &e.owed else { return true };
        let Ok(taken) = self.account.taken_back(&e.payment, e.amount) else { return false };
        let lines = owed.iter().filter_map(|part| Some(((part.invoice, part.line), part.exposed?)));
        let exposed: Exposed = lines.collect();
        let found = self.account.owed_parts(&taken.invoices, e.lines.as_deref(), &exposed);
        found.is_ok_and(|found| found.as_ref() == Some(owed))
    }

    fn corrected(&self, e: &MoneyCorrected) -> Vec<String> {
        let fact = self.account.told.get(&e.fact.position).filter(|fact| fact.mark.at == e.fact);
        let Some(fact) = fact else {
            return list([(true, "no fact in force about money of this account stands there")]);
        };
        let mut wrong = list([(fact.kind != e.kind, "the fact is of another kind")]);
        wrong.extend(
            self.account.resting_on(fact).map(|what| format!("it is taken back, and {}", what.is)),
        );
        wrong
    }

    /// What is said of lines, if what of them may not be asked for is as it says.
    fn shared(&self, e: &LinesShared) -> Vec<String> {
        let lines = self.account.invoices.get(&e.invoice).map_or(0, |invoice| invoice.lines.len());
        let of = not_asked(&e.lines);
        let by_days =
            DaysEdition::ALL.map(|edition| self.account.shared_by(edition, e.invoice, &of));
        let mut found = by_days.into_iter().chain([self.account.shared_as_told(e.invoice, &of)]);
        let is_found = found.any(|found| found.is_ok_and(|found| found.as_ref() == Some(e)));
        list([
            (
                lines < 2 || lines != e.lines.len(),
                "it is not of the lines of an invoice that has several",
            ),
            (!is_found, "its money is of other lines by the days of what was told of it"),
        ])
    }

    /// What is said of money by its days, if what of lines may not be asked for is as it says.
    fn restated(&self, e: &MoneyRestated) -> Vec<String> {
        let found = self.account.restated_by(e.edition, |number| {
            let of = e.invoices.iter().find(|of| of.invoice == number);
            of.map_or(Vec::new(), |of| not_asked(&of.lines))
        });
        list([(
            !found.is_ok_and(|found| found.as_ref() == Some(e)),
            "its money is otherwise by the days of what was told of it",
        )])
    }

    fn ends(&self, name: &ProcessorRef) -> Vec<String> {
        let status = self.account.money_back.get(name).and_then(|back| back.status);
        list([(status != Some(ChargebackStatus::Open), "no chargeback of its name was open")])
    }
}

/// What is said of each line that may not be asked for.
pub(crate) fn not_asked(lines: &[LineShare]) -> Vec<NotAsked> {
    let lines = lines.iter().map(|line| {
        let zero = Money::zero(line.paid.currency());
        NotAsked {
            exposed: line.exposed.unwrap_or(zero),
            kept: line.kept.clone().unwrap_or_default(),
            unproved: line.unproved.unwrap_or(zero),
        }
    });
    lines.collect()
}

/// What holds of a list of what would be wrong.
fn list<const N: usize>(wrong: [(bool, &str); N]) -> Vec<String> {
    wrong.into_iter().filter(|(holds, _)| *holds).map(|(_, what)| what.to_owned()).collect()
}
