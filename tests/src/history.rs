//! A firm's random life from one seed: a CRM that mostly does what it should, in time and in order,
//! and sometimes does not. It learns what happened only from the events, as a real one would.
//!
//! Everybody in it is invented.

mod client;
mod firm;
mod plain;

use calendar::{CivilDate, Zone};
use domain::command::{
    AccountAction, ChargeFailed, Chargeback, Command, CoupleAction, Dated, FeeNamed, FirmAction,
    KeepFee, Lower, PaymentReceived, Refund, RefundAsked, RefundNotMade,
};
use domain::event::{
    AccountEvent, CaseEvent, Event, FailureReason, Recorded, RefundFailureReason, UtcMicros,
};
use domain::ids::{AccountId, BureauCode, CaseId, DocumentHash, FirmId, PlanCode, ProcessorRef};
use domain::money::{Currency, Money};
use domain::value::{Personal, Text};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use uuid::Uuid;

pub use client::Client;
pub(crate) use plain::{plain_report, plain_start};

/// The bureaus of the random firm.
pub const BUREAUS: [&str; 3] = ["east", "mid", "west"];

/// How a random life is shaped.
#[derive(Clone, Copy, Debug)]
pub struct Shape {
    /// How many clients enrol.
    pub clients: u32,
    /// Over how many days they enrol.
    pub enrol_days: i64,
    /// The share of actions that make no sense, in percent.
    pub nonsense_percent: u32,
}

/// One step: when, and what.
#[derive(Clone, Debug)]
pub struct Move {
    /// When, UTC.
    pub now: UtcMicros,
    /// What.
    pub command: Command,
}

/// A refund that the processor was asked for.
struct AskedBack {
    account: AccountId,
    payment: ProcessorRef,
    request: u32,
    amount: Money,
}

/// The CRM.
pub struct Crm {
    rng: StdRng,
    today: CivilDate,
    first_day: CivilDate,
    shape: Shape,
    clients: Vec<Client>,
    /// What the firm itself does later.
    later: Vec<(CivilDate, FirmAction)>,
    invoices: Vec<(AccountId, u64, Money)>,
    payments: Vec<(AccountId, ProcessorRef, Money)>,
    chargebacks: Vec<(AccountId, ProcessorRef)>,
    refunds: Vec<AskedBack>,
    /// Claimed fees of which something was owed when they were marked, by their claims.
    owed: Vec<(CaseId, u64, Money)>,
    names: u64,
}

/// The firm of a random life.
pub fn firm_id() -> FirmId {
    FirmId(Uuid::from_u128(0xf1))
}

/// The firm's zone.
pub fn zone() -> Zone {
    Zone::parse("America/Chicago").expect("a zone of the database")
}

pub(crate) fn text(text: &str) -> Text {
    Text::parse(text).expect("text of ours")
}

pub(crate) fn personal(text: &str) -> Personal {
    Personal::parse(text).expect("text of ours")
}

pub(crate) fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).expect("an amount of ours")
}

pub(crate) fn bureau(index: usize) -> BureauCode {
    BureauCode::parse(BUREAUS[index % BUREAUS.len()]).expect("a code of ours")
}

pub(crate) fn plan_code() -> PlanCode {
    PlanCode::parse("standard").expect("a code of ours")
}

impl Crm {
    /// A firm that opens on 2025-01-06.
    pub fn new(seed: u64, shape: Shape) -> Self {
        let first_day = CivilDate::from_ymd_opt(2025, 1, 6).expect("a date");
        let clients = (0..shape.clients).map(Client::new).collect();
        Self {
            rng: StdRng::seed_from_u64(seed),
            today: first_day,
            first_day,
            shape,
            clients,
            later: firm::plans(first_day).later,
            invoices: Vec::new(),
            payments: Vec::new(),
            chargebacks: Vec::new(),
            refunds: Vec::new(),
            owed: Vec::new(),
            names: 0,
        }
    }

    /// Today.
    pub fn today(&self) -> CivilDate {
        self.today
    }

    /// The clients.
    pub fn clients(&self) -> &[Client] {
        &self.clients
    }

    /// Noon, where the firm is.
    fn now(&self) -> UtcMicros {
        UtcMicros(zone().start_of_day(self.today) + 12 * 3_600_000_000)
    }

    fn at(&self, command: Command) -> Move {
        Move { now: self.now(), command }
    }

    /// What a firm does before its first client: all of it lawful.
    pub fn set_up(&self) -> Vec<Move> {
        let at_once = firm::plans(self.first_day).at_once;
        at_once.into_iter().map(|action| self.at(self.of_firm(action))).collect()
    }

    fn of_firm(&self, action: FirmAction) -> Command {
        let told_late = matches!(action, FirmAction::PublishPlan(_)) && self.today > self.first_day;
        let back = chrono::Days::new(if told_late { 30 } else { 0 });
        let occurred_on = self.today - back;
        Command::Firm { action: Dated { occurred_at: None, occurred_on, action } }
    }

    /// What the firm itself has to do by today.
    fn firm_day(&mut self) -> Vec<Command> {
        let due = self.later.partition_point(|(on, _)| *on <= self.today);
        let due: Vec<FirmAction> = self.later.drain(..due).map(|(_, action)| action).collect();
        due.into_iter().map(|action| self.of_firm(action)).collect()
    }

    /// Everything of one day, and then it is tomorrow.
    pub fn day(&mut self) -> Vec<Move> {
        let mut moves: Vec<Move> =
            self.firm_day().into_iter().map(|command| self.at(command)).collect();
        for at in 0..self.clients.len() {
            moves.extend(self.client_day(at).into_iter().map(|command| self.at(command)));
        }
        moves.extend(self.money_day().into_iter().map(|command| self.at(command)));
        self.today = self.today + chrono::Days::new(1);
        moves
    }

    /// One random move, for those who take them one by one; days pass now and then.
    pub fn next_move(&mut self) -> Move {
        loop {
            let due = self.later.first().is_some_and(|(on, _)| *on <= self.today);
            if due {
                let (_, action) = self.later.remove(0);
                return self.at(self.of_firm(action));
            }
            if self.rng.random_ratio(1, 6) {
                self.today = self.today + chrono::Days::new(self.rng.random_range(1..4));
            }
            let pick = self.rng.random_range(0..=self.clients.len());
            let commands =
                if pick == self.clients.len() { self.money_day() } else { self.client_day(pick) };
            if let Some(command) = commands.into_iter().next() {
                return self.at(command);
            }
        }
    }

    fn client_day(&mut self, at: usize) -> Vec<Command> {
        let days_in = (self.today - self.first_day).num_days();
        let client = &self.clients[at];
        let due = client.enrols_on_day(self.shape.clients, self.shape.enrol_days);
        if days_in < due || !self.rng.random_ratio(client.busy(), 10) {
            return Vec::new();
        }
        let nonsense = self.rng.random_ratio(self.shape.nonsense_percent, 100);
        let mut commands: Vec<Command> =
            self.clients[at].act(&mut self.rng, self.today, nonsense).into_iter().collect();
        let linkable = self.clients.get(at ^ 1).is_some_and(|p| p.may_pair_with(&self.clients[at]));
        if linkable && self.rng.random_ratio(1, 12) {
            let action = match self.rng.random_range(0..10) {
                0 => CoupleAction::Confirm,
                1 => CoupleAction::Refuse,
                2 => CoupleAction::Unlink,
                _ => CoupleAction::Compare,
            };
            let (first, second) = (self.clients[at].id(), self.clients[at ^ 1].id());
            commands.push(Command::Couple { first, second, action });
        }
        commands
    }

    /// The bookkeeper's day: a billing run now and then, charges, payments, and what goes wrong.
    fn money_day(&mut self) -> Vec<Command> {
        let mut commands = Vec::new();
        if self.rng.random_ratio(1, 7) {
            commands.extend(self.billing_run());
        }
        for (account, invoice, amount) in self.invoices.clone() {
            if self.rng.random_ratio(1, 12) {
                let action = self.about_invoice(invoice, amount);
                commands.push(self.on_account(account, action));
            }
        }
        if self.rng.random_ratio(1, 9) {
            commands.extend(self.money_back());
        }
        commands
    }

    /// A run over every account that was ever opened.
    pub fn billing_run(&self) -> Vec<Command> {
        let enrolled = self.clients.iter().filter(|client| client.has_enrolled());
        enrolled
            .map(|client| Command::BillAccount {
                account: client.id().own_account(),
                as_of: self.today,
            })
            .collect()
    }

    fn on_account(&self, account: AccountId, action: AccountAction) -> Command {
        Command::Account {
            account,
            action: Dated { occurred_at: None, occurred_on: self.today, action },
        }
    }

    fn name(&mut self, kind: &str) -> ProcessorRef {
        self.names += 1;
        ProcessorRef::parse(&format!("{kind}-{}", self.names)).expect("a code of ours")
    }

    fn about_invoice(&mut self, invoice: u64, amount: Money) -> AccountAction {
        match self.rng.random_range(0..12) {
            0..=4 => AccountAction::RequestCharge { invoice },
            5..=8 => {
                let extra = if self.rng.random_ratio(1, 10) { 100 } else { 0 };
                let invoice = if self.rng.random_ratio(1, 15) { None } else { Some(invoice) };
                let payment = self.name("pay");
                AccountAction::PaymentReceived(PaymentReceived {
                    amount: usd(amount.minor() + extra),
                    invoice,
                    payment,
                })
            }
            9 => {
                let reasons = FailureReason::ALL;
                let reason = if self.rng.random_ratio(2, 3) {
                    FailureReason::InsufficientFunds
                } else {
                    reasons[self.rng.random_range(0..reasons.len())]
                };
                AccountAction::ChargeFailed(ChargeFailed { invoice, reason })
            }
            10 => AccountAction::GrantCredit(Lower {
                amount: usd(500),
                invoice,
                reason: personal("goodwill"),
            }),
            _ => AccountAction::WriteOff(Lower { amount, invoice, reason: personal("given up") }),
        }
    }

    fn money_back(&mut self) -> Option<Command> {
        if let Some((account, name)) = self.chargebacks.pop() {
            let action = if self.rng.random_bool(0.5) {
                AccountAction::ChargebackWon(name)
            } else {
                AccountAction::ChargebackLost(name)
            };
            return Some(self.on_account(account, action));
        }
        if !self.owed.is_empty() && self.rng.random_ratio(1, 10) {
            return Some(self.keep());
        }
        if let Some(asked) = self.refunds.pop_if(|_| self.rng.random_bool(0.5)) {
            let account = asked.account;
            let action = self.answer(asked);
            return Some(self.on_account(account, action));
        }
        if self.payments.is_empty() {
            return None;
        }
        let at = self.rng.random_range(0..self.payments.len());
        let (account, payment, amount) = self.payments[at].clone();
        // Some are asked back more than once.
        if self.rng.random_ratio(2, 3) {
            self.payments.swap_remove(at);
        }
        let part = usd(self.rng.random_range(1..=amount.minor()));
        let action = match self.rng.random_range(0..4) {
            0 => {
                let refund = self.name("refund");
                let request = self.rng.random_bool(0.5).then_some(0);
                AccountAction::Refund(Refund {
                    amount: part,
                    payment,
                    reason: None,
                    refund,
                    request,
                })
            }
            1 => {
                // Without an amount it is what is owed, often nothing.
                let amount = self.rng.random_ratio(2, 3).then_some(part);
                let reason = personal("asked back");
                AccountAction::RequestRefund(RefundAsked { amount, payment, reason })
            }
            _ => {
                let chargeback = self.name("back");
                AccountAction::OpenChargeback(Chargeback {
                    amount,
                    chargeback,
                    payment,
                    respond_by: None,
                })
            }
        };
        Some(self.on_account(account, action))
    }

    /// Counsel keeps something of a fee that nothing allowed, or takes that back.
    fn keep(&mut self) -> Command {
        let at = self.rng.random_range(0..self.owed.len());
        let (case, claim, owed) = self.owed[at];
        let amount = match self.rng.random_range(0..6) {
            0 => Some(usd(0)),
            1 | 2 => Some(usd(self.rng.random_range(1..=owed.minor() + 100))),
            _ => None,
        };
        let kept = KeepFee {
            amount,
            counsel: Text::parse("Robin Ashdown").expect("a name of ours"),
            document: self.rng.random_bool(0.5).then_some(DocumentHash([9; 32])),
            fee: FeeNamed::Claimed(claim),
            reason: personal("the work was done, and its day is in doubt"),
        };
        Command::KeepFee {
            case,
            action: Dated { occurred_at: None, occurred_on: self.today, action: kept },
        }
    }

    /// What a processor makes of a request for a refund.
    fn answer(&mut self, asked: AskedBack) -> AccountAction {
        let AskedBack { payment, request, amount, .. } = asked;
        if self.rng.random_bool(0.5) {
            let reasons = RefundFailureReason::ALL;
            let reason = reasons[self.rng.random_range(0..reasons.len())];
            return AccountAction::RefundFailed(RefundNotMade { payment, reason, request });
        }
        let refund = self.name("refund");
        let request = Some(request);
        AccountAction::Refund(Refund { amount, payment, reason: None, refund, request })
    }

    /// Takes in what was recorded.
    pub fn learn(&mut self, recorded: &Recorded) {
        match (&recorded.event, recorded.stream) {
            (Event::Case(event), domain::event::StreamId::Case(id)) => {
                if let CaseEvent::FeeMarked(mark) = event
                    && mark.owed.is_positive()
                {
                    self.owed.push((id, mark.fee.position, mark.owed));
                }
                if let Some(client) = self.clients.iter_mut().find(|client| client.id() == id) {
                    client.learn(recorded.occurred_on, event);
                }
            }
            (Event::Account(event), domain::event::StreamId::Account(account)) => {
                self.learn_money(account, event);
            }
            _ => {}
        }
    }

    fn learn_money(&mut self, account: AccountId, event: &AccountEvent) {
        match event {
            AccountEvent::InvoiceIssued(e) => self.invoices.push((account, e.number, e.total)),
            AccountEvent::PaymentSettled(e) => {
                self.invoices
                    .retain(|(_, number, _)| !e.applied.iter().any(|a| a.invoice == *number));
                self.payments.push((account, e.payment.clone(), e.amount));
            }
            AccountEvent::WrittenOff(e) => {
                self.invoices.retain(|(_, number, _)| *number != e.invoice);
            }
            AccountEvent::RefundRequested(e) => {
                let (amount, request, payment) = (e.amount, e.number, e.payment.clone());
                self.refunds.push(AskedBack { account, payment, request, amount });
            }
            AccountEvent::ChargebackOpened(e) => {
                self.chargebacks.push((account, e.chargeback.clone()));
            }
            _ => {}
        }
    }
}

/// The case of a random client.
pub fn case_id(number: u32) -> CaseId {
    CaseId(Uuid::from_u128(0xc000 + u128::from(number)))
}
