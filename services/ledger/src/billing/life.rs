//! The whole life of a claimed fee: when it was claimed and asked for, how it was judged, what was paid and given back
//! of it, and what counsel decided. It is told from the events themselves, so that nothing is lost of a fee whose money
//! went back and whose period is free again.

use std::collections::{BTreeMap, BTreeSet};

use api::Paired;
use api::status::Failure;
use api::v1;
use domain::account::{Account, Line};
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId};
use domain::gates::Gate;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::judge::{Judge, JudgedFee};
use domain::money::Money;
use domain::world::State;

use crate::present::{amount, day, fee, reference};
use crate::reading::View;

/// The events that claimed fees of a case live by.
pub(super) struct Lives {
    id: CaseId,
    case: Vec<Recorded>,
    accounts: BTreeMap<AccountId, Vec<Recorded>>,
}

impl Lives {
    /// Reads them up to a position; of a case whose fees are not asked for, nothing is read.
    pub(super) async fn read(
        view: &View<'_>,
        firm: FirmId,
        id: CaseId,
        fees: &[JudgedFee<'_>],
        position: u64,
    ) -> Result<Self, Failure> {
        let mut lives = Self { id, case: Vec::new(), accounts: BTreeMap::new() };
        if fees.is_empty() {
            return Ok(lives);
        }
        let accounts = fees.iter().map(|judged| StreamId::Account(judged.fee.account));
        let mut streams: Vec<StreamId> =
            std::iter::once(StreamId::Case(id)).chain(accounts).collect();
        streams.sort_unstable();
        streams.dedup();
        for loaded in view.store().load_from_first(firm, &streams, position).await? {
            let events = loaded.events.iter().map(|stored| {
                let position = stored.position;
                Recorded::from_bytes(&stored.bytes).map_err(|_| Failure::Corrupt { position })
            });
            let events = events.collect::<Result<Vec<Recorded>, Failure>>()?;
            match loaded.stream {
                StreamId::Case(_) => lives.case = events,
                StreamId::Account(account) => {
                    lives.accounts.insert(account, events);
                }
                StreamId::Deposit(_) | StreamId::Firm | StreamId::Looks(_) => {}
            }
        }
        Ok(lives)
    }

    /// A claimed fee with everything that became of it.
    pub(super) fn of(&self, firm: FirmId, judged: &JudgedFee<'_>) -> Result<v1::FeeClaim, Failure> {
        let mut steps = self.of_case(judged);
        steps.extend(self.of_account(judged)?);
        steps.sort_by_key(|step| step.event.as_ref().map_or(0, |event| event.position));
        Ok(v1::FeeClaim { steps, ..fee::claim(firm, judged) })
    }

    /// The claim, each judgement of it and each decision to keep money of it.
    fn of_case(&self, judged: &JudgedFee<'_>) -> Vec<v1::FeeStep> {
        let claim = &judged.fee.mark.at;
        let gates = |gates: &BTreeSet<Gate>| {
            gates.iter().map(|&gate| v1::Gate::from_domain(gate).into()).collect()
        };
        let steps = self.case.iter().filter_map(|recorded| {
            let Event::Case(event) = &recorded.event else { return None };
            if let CaseEvent::FeeEarned(e) = event
                && recorded.position == claim.position
            {
                Some(v1::FeeStep { amount: amount(e.amount), ..step(recorded) })
            } else if let CaseEvent::FeeMarked(e) = event
                && e.fee == *claim
            {
                Some(v1::FeeStep {
                    amount: amount(e.exposed),
                    standing: fee::standing(e.standing, e.exposed).into(),
                    gates: gates(&e.gates),
                    owed: amount(e.owed),
                    ..step(recorded)
                })
            } else if let CaseEvent::FeeKept(e) = event
                && e.fee == *claim
            {
                Some(v1::FeeStep {
                    amount: amount(e.amount),
                    gates: gates(&e.gates),
                    counsel: e.counsel.to_string(),
                    ..step(recorded)
                })
            } else {
                None
            }
        });
        steps.collect()
    }

    /// What asked for its line and what moved money of it: each event after which the line is not as before.
    fn of_account(&self, judged: &JudgedFee<'_>) -> Result<Vec<v1::FeeStep>, Failure> {
        let (Some(invoice), Some(events)) =
            (judged.invoice, self.accounts.get(&judged.fee.account))
        else {
            return Ok(Vec::new());
        };
        let line = |account: &Account| {
            let days = (judged.fee.start, judged.fee.end);
            let mut lines = account.lines_of(self.id);
            lines.find(|line| line.invoice == invoice && (line.start, line.end) == days)
        };
        let mut state = State::empty(StreamId::Account(judged.fee.account));
        let (mut before, mut steps) = (None, Vec::new());
        for recorded in events {
            let position = recorded.position;
            state.fold(recorded).map_err(|_| Failure::Corrupt { position })?;
            let State::Account(account) = &state else {
                return Err(Failure::internal("an account folds to an account"));
            };
            let after = line(account);
            if after != before {
                let moved = moved(recorded, before.as_ref(), after.as_ref());
                steps.push(v1::FeeStep { amount: moved.and_then(amount), ..step(recorded) });
                before = after;
            }
        }
        Ok(steps)
    }
}

fn step(recorded: &Recorded) -> v1::FeeStep {
    v1::FeeStep {
        r#type: recorded.event.type_name().to_owned(),
        occurred_on: day(recorded.occurred_on),
        event: Some(reference(&recorded.reference())),
        ..v1::FeeStep::default()
    }
}

/// How much of a line an event asked for or moved.
fn moved(recorded: &Recorded, before: Option<&Line>, after: Option<&Line>) -> Option<Money> {
    let after = after?;
    let of = |sum: fn(&Line) -> Money| {
        let change = match before {
            Some(before) => sum(after).minus(sum(before)).ok()?,
            None => sum(after),
        };
        let size = if change.minor() < 0 { change.negated() } else { change };
        Some(size).filter(|size| !size.is_zero())
    };
    let is_asked = matches!(
        recorded.event,
        Event::Account(AccountEvent::InvoiceIssued(_) | AccountEvent::ChargeRequested(_))
    );
    if is_asked {
        return Some(after.money.open);
    }
    let money = of(|line| line.money.paid).or_else(|| of(|line| line.money.given_back));
    money.or_else(|| of(|line| line.money.open)).or_else(|| of(|line| line.asked_back))
}

/// The fees that were claimed under a number, or for some of the days of a period, the oldest first.
pub(super) fn claims_of<'a>(judge: &Judge<'a>, number: u32) -> Vec<JudgedFee<'a>> {
    let period = judge.period(number);
    let is_of = |judged: &JudgedFee<'_>| {
        let shares = |of: calendar::Period| judged.fee.start < of.end && of.start < judged.fee.end;
        judged.fee.period == number || period.is_some_and(shares)
    };
    judge.fees().filter(is_of).collect()
}
