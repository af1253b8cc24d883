//! The gates that stand before every fee, as data a caller can print.
//!
//! A fee is claimable only if every gate holds. Nobody can waive one: no flag skips them
//! (15 USC 1679f). An invoice is itself a request for payment, so they stand before the invoice.
//! The rules are engineering input, not legal advice: state law and licensed counsel decide.

mod check;

use calendar::{CivilDate, Period};

use crate::account::Account;
use crate::case::{Agreement, Case, Mark, assign};
use crate::codec::codes;
use crate::event::{EventRef, WorkEvidence};
use crate::firm::Firm;
use crate::ids::CaseId;
use crate::money::Money;
use crate::refusal::{Reason, Refusal, Violation};
use crate::terms::Work;

codes! {
    /// A gate.
    pub enum Gate {
        /// The disclosure was acknowledged before the agreement was signed (15 USC 1679c(a)).
        Disclosure = "G1",
        /// The agreement is in force: signed, dated, not cancelled in its days (1679d, 1679e).
        Agreement = "G2",
        /// No service was performed before those days ended (1679d(a)(2)).
        WaitingDays = "G3",
        /// The period is over and all promised work is evidenced (1679b(b)).
        FullyPerformed = "G4",
        /// Not claimed before, at any price, and not given up.
        NotClaimed = "G5",
        /// Telemarketing: time frame expired and results shown by a later report (16 CFR 310.4(a)(2)).
        Telemarketing = "G6",
        /// The state's own conditions hold (1679j).
        State = "G7",
        /// Within the total of all payments that the agreement states (1679d(b)(1)).
        Total = "G8",
    }
}

impl Gate {
    /// What the gate asks, in a few words.
    pub const fn asks(self) -> &'static str {
        match self {
            Self::Disclosure => "disclosure acknowledged before the agreement",
            Self::Agreement => "agreement in force",
            Self::WaitingDays => "no service before the cancellation days ended",
            Self::FullyPerformed => "period over and promised work complete",
            Self::NotClaimed => "not claimed before",
            Self::Telemarketing => "telemarketing: time frame over, results shown after six months",
            Self::State => "conditions of the client's state",
            Self::Total => "within the agreement's total of all payments",
        }
    }
}

/// One gate, judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The gate.
    pub gate: Gate,
    /// Whether it holds.
    pub holds: bool,
    /// The facts, in words without personal values.
    pub because: String,
    /// The statute or rule.
    pub cites: String,
    /// The events it rests on.
    pub events: Vec<EventRef>,
    /// The day from which it can hold by time alone, where time is what is missing.
    pub not_before: Option<CivilDate>,
}

/// A promised piece of work in an explanation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WorkFinding {
    /// The promise.
    pub work: Work,
    /// What evidences it.
    pub done: Option<Mark>,
}

/// A fee explained: what it would be, and whether it may be asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Explanation {
    /// The case.
    pub case: CaseId,
    /// The period.
    pub period: Period,
    /// The day up to which it was judged.
    pub as_of: CivilDate,
    /// The fee; nothing without an agreement, or the fee earned if it is.
    pub amount: Option<Money>,
    /// Every gate.
    pub findings: Vec<Finding>,
    /// Every promised piece of work.
    pub work: Vec<WorkFinding>,
    /// Whether the fee was claimed already.
    pub earned: Option<Mark>,
}

impl Explanation {
    /// Whether every gate holds.
    pub fn is_claimable(&self) -> bool {
        self.findings.iter().all(|finding| finding.holds)
    }

    /// The gates that do not hold.
    pub fn closed_gates(&self) -> impl Iterator<Item = Gate> {
        self.findings.iter().filter(|f| !f.holds).map(|f| f.gate)
    }

    /// The evidence of a claimable fee.
    pub fn evidence(&self) -> Vec<WorkEvidence> {
        let evidence = |w: &WorkFinding| {
            w.done.as_ref().map(|m| WorkEvidence {
                event: m.at.clone(),
                late: m.late,
                on: m.on,
                work: w.work,
            })
        };
        self.work.iter().filter_map(evidence).collect()
    }

    /// The refusal that names every gate in the way.
    pub fn refusal(&self) -> Refusal {
        let violations = self
            .findings
            .iter()
            .filter(|f| !f.holds)
            .map(|f| Violation {
                cites: f.cites.clone(),
                detail: f.because.clone(),
                rule: f.gate.code().into(),
                subject: format!("case/{} period {}", self.case, self.period.number),
            })
            .collect();
        Refusal::of(Reason::GatesClosed, violations)
    }
}

/// Everything a judgement looks at.
#[derive(Clone, Copy)]
pub struct Judgement<'a> {
    /// The case's id.
    pub id: CaseId,
    /// The case.
    pub case: &'a Case,
    /// The account that pays.
    pub account: &'a Account,
    /// The firm.
    pub firm: &'a Firm,
    /// The day up to which it is judged.
    pub as_of: CivilDate,
}

impl Judgement<'_> {
    /// Judges one period. Nothing comes back if the case has no such period.
    pub fn explain(&self, number: u32) -> Option<Explanation> {
        let period = self.case.schedule.as_ref()?.period(number)?;
        let agreement = self.case.agreement_for(period.start);
        let work = self.work(number);
        let earned = self.case.earned.get(&number);
        let amount = earned.map(|fee| fee.amount).or_else(|| Some(self.price(agreement?, number)));
        let view = check::View { judgement: self, period, agreement, work: &work, amount };
        let findings = Gate::ALL.iter().map(|&gate| view.check(gate)).collect();
        Some(Explanation {
            case: self.id,
            period,
            as_of: self.as_of,
            amount,
            findings,
            work,
            earned: earned.map(|fee| fee.mark.clone()),
        })
    }

    /// The promised work: as the fee names it if it is earned, else as it is assigned today.
    fn work(&self, number: u32) -> Vec<WorkFinding> {
        if let Some(fee) = self.case.earned.get(&number) {
            let named = |e: &WorkEvidence| WorkFinding {
                work: e.work,
                done: Some(Mark { at: e.event.clone(), late: e.late, on: e.on }),
            };
            return fee.evidence.iter().map(named).collect();
        }
        let found = assign(self.case, number, self.as_of).into_iter();
        found.map(|a| WorkFinding { work: a.work, done: a.done.map(|d| d.mark.clone()) }).collect()
    }

    /// The fee of a period: the plan's price, or this member's share of the couple's.
    fn price(&self, agreement: &Agreement, number: u32) -> Money {
        let price = agreement.terms.price(number);
        match agreement.terms.seat {
            crate::terms::Seat::Individual => price,
            crate::terms::Seat::Couple => self.account.share_of(self.id, price),
        }
    }
}
