//! Somebody who corrects what was told of clients and of their money: takes facts back, moves them to other days and
//! other clients, errs in that, too.

use std::collections::HashMap;

use chrono::TimeDelta;
use domain::command::{
    AccountAction, Becomes, Command, CorrectedBy, Correction, Dated, MoneyBecomes, MoneyCorrection,
    PaymentReceived,
};
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId, UtcMicros};
use domain::ids::AccountId;
use domain::money::Money;
use domain::value::Personal;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::history::Move;

/// How far a day is moved at most.
const DAYS_MAX: i64 = 12;

/// One of so many mistakes is about money.
const MONEY_ONE_IN: u32 = 4;

/// The corrector.
pub struct Corrector {
    rng: StdRng,
    /// The choices about money, which leave the others as they are.
    of_money: StdRng,
    /// Events of the log that were looked at.
    seen: usize,
    /// Where the facts among them stand.
    facts: Vec<usize>,
    /// Where the facts about money stand.
    money: Vec<usize>,
    /// Invoices, each with its account.
    invoices: Vec<(AccountId, u64)>,
    /// And the latest reading of each that was corrected.
    readings: HashMap<usize, usize>,
}

impl Corrector {
    /// One whose choices follow from a seed.
    pub fn new(seed: u64) -> Self {
        let rng = StdRng::seed_from_u64(seed ^ 0xc0ec);
        let of_money = StdRng::seed_from_u64(seed ^ 0x0de7);
        Self {
            rng,
            of_money,
            seen: 0,
            facts: Vec::new(),
            money: Vec::new(),
            invoices: Vec::new(),
            readings: HashMap::new(),
        }
    }

    fn look(&mut self, log: &[Recorded]) {
        for (at, recorded) in log.iter().enumerate().skip(self.seen) {
            if let (Event::Account(event), StreamId::Account(account)) =
                (&recorded.event, recorded.stream)
            {
                if event.money_fact().is_some() {
                    self.money.push(at);
                }
                if let AccountEvent::InvoiceIssued(issued) = event {
                    self.invoices.push((account, issued.number));
                }
            }
            let Event::Case(event) = &recorded.event else { continue };
            if let CaseEvent::FactCorrected(corrected) = event {
                let fact = usize::try_from(corrected.fact.position).expect("a place of a log");
                self.readings.insert(fact - 1, at);
            } else if event.fact().is_some() {
                self.facts.push(at);
            }
        }
        self.seen = log.len();
    }

    /// A correction of some fact of the log; nothing if it has none.
    pub fn step(&mut self, log: &[Recorded], now: UtcMicros) -> Option<Move> {
        self.look(log);
        if !self.money.is_empty() && self.of_money.random_ratio(1, MONEY_ONE_IN) {
            return self.money_step(log, now);
        }
        if self.facts.is_empty() {
            return None;
        }
        let at = self.facts[self.rng.random_range(0..self.facts.len())];
        let told = &log[at];
        let StreamId::Case(case) = told.stream else { return None };
        // Now and then the reading that is named was replaced.
        let replaces = match self.readings.get(&at) {
            Some(&last) if self.rng.random_ratio(9, 10) => &log[last],
            Some(_) | None => told,
        };
        let becomes = if self.rng.random_ratio(1, 3) {
            let other = &log[self.facts[self.of_money.random_range(0..self.facts.len())]];
            match other.stream {
                StreamId::Case(other) if other != case && self.of_money.random_ratio(1, 3) => {
                    Becomes::MovedTo(other)
                }
                _ => Becomes::Nothing,
            }
        } else {
            let days = TimeDelta::days(self.rng.random_range(-DAYS_MAX..=DAYS_MAX));
            Becomes::OnDay(told.occurred_on + days)
        };
        let correction = Correction {
            about_another: becomes == Becomes::Nothing && self.rng.random_ratio(1, 3),
            becomes,
            reason: Personal::parse("It was typed wrongly.").ok()?,
            replaces: Box::new(replaces.clone()),
            said_by: Personal::parse("the clerk").ok()?,
            told: Box::new(told.clone()),
        };
        let corrections = vec![correction];
        Some(Move {
            now,
            command: Command::Correct {
                by: CorrectedBy::Anyone,
                case,
                expected_version: None,
                corrections,
            },
        })
    }

    /// A correction of what was told of money: the latest facts now and then, since little rests on them.
    fn money_step(&mut self, log: &[Recorded], now: UtcMicros) -> Option<Move> {
        let from =
            if self.of_money.random_bool(0.5) { self.money.len().saturating_sub(4) } else { 0 };
        let told = &log[self.money[self.of_money.random_range(from..self.money.len())]];
        let StreamId::Account(account) = told.stream else { return None };
        let paid = match &told.event {
            Event::Account(AccountEvent::PaymentSettled(paid)) => Some(paid),
            _ => None,
        };
        let becomes = match (self.of_money.random_range(0..4), paid) {
            (0, _) => MoneyBecomes::Nothing,
            (1, Some(paid)) => {
                let (account, invoice) =
                    self.invoices[self.of_money.random_range(0..self.invoices.len())];
                let invoice = (paid.amount.minor() % 2 == 0).then_some(invoice);
                MoneyBecomes::MovedTo { account, invoice }
            }
            (2, Some(paid)) => {
                let minor = self.of_money.random_range(1..=paid.amount.minor() + 5_000);
                let action = AccountAction::PaymentReceived(PaymentReceived {
                    amount: Money::new(minor, paid.amount.currency()).ok()?,
                    invoice: paid.applied.first().map(|applied| applied.invoice),
                    payment: paid.payment.clone(),
                });
                let occurred_on = told.occurred_on;
                MoneyBecomes::Told(Box::new(Dated { occurred_at: None, occurred_on, action }))
            }
            (_, _) => {
                let days = TimeDelta::days(self.of_money.random_range(-DAYS_MAX..=DAYS_MAX));
                MoneyBecomes::OnDay(told.occurred_on + days)
            }
        };
        let correction = Box::new(MoneyCorrection {
            becomes,
            reason: Personal::parse("It was typed wrongly.").ok()?,
            said_by: Personal::parse("the bookkeeper").ok()?,
            told: Box::new(told.clone()),
        });
        Some(Move {
            now,
            command: Command::CorrectMoney {
                account,
                by: CorrectedBy::Anyone,
                expected_version: None,
                correction,
            },
        })
    }
}
