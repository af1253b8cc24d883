//! The gates that stand before every fee, as data a caller can print.
//!
//! A fee is claimable only if every gate holds. Nobody can waive one: no flag skips them
//! (15 USC 1679f). An invoice is itself a request for payment, so they stand before the invoice.
//! The rules are engineering input, not legal advice: state law and licensed counsel decide.

use calendar::{CivilDate, Period};

use crate::case::Mark;
use crate::codec::codes;
use crate::event::{EventRef, WorkEvidence};
use crate::ids::CaseId;
use crate::judge;
use crate::money::Money;
use crate::refusal::{Reason, Refusal, Violation};
use crate::rules::PackRef;
use crate::terms::Work;

codes! {
    /// What stands behind a claimed fee.
    pub enum FeeStanding {
        /// Every gate held on each day it was asked for; what is above its price aside.
        Allowed = "allowed",
        /// A gate is unknown: nobody has shown the right to it.
        Unproved = "unproved",
        /// No gate allowed it (15 USC 1679b(b)).
        Exposed = "exposed",
    }
}

codes! {
    /// What a gate answers.
    pub enum Answer {
        /// It stands in the way. Of a fee that was claimed, it makes an exposure.
        Fails = "fails",
        /// What is known does not say. It holds a new fee back, and leaves a claimed one unproved.
        Unknown = "unknown",
        /// It is open.
        Holds = "holds",
    }
}

/// What would open a gate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Opens {
    /// Finish the work by a day.
    Finish {
        /// The last day of grace.
        by: CivilDate,
    },
    /// Wait.
    Wait {
        /// The first day on which it can open by time alone.
        until: CivilDate,
    },
    /// Put something right, or record what is missing.
    PutRight,
    /// Nothing does.
    Never,
}

impl Opens {
    /// How hard it is: time passes by itself, work can be done, a person puts right, nothing helps.
    pub(crate) const fn hardness(self) -> u8 {
        match self {
            Self::Wait { .. } => 0,
            Self::Finish { .. } => 1,
            Self::PutRight => 2,
            Self::Never => 3,
        }
    }
}

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
        /// No other claimed fee stands for the period.
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

    /// The federal statute or rule behind it.
    pub const fn statute(self) -> &'static str {
        match self {
            Self::Disclosure => "15 USC 1679c(a)",
            Self::Agreement => "15 USC 1679d, 1679e",
            Self::WaitingDays => "15 USC 1679d(a)(2)",
            Self::FullyPerformed => "15 USC 1679b(b)",
            Self::NotClaimed => "15 USC 1679b(a)(4)",
            Self::Telemarketing => "16 CFR 310.4(a)(2)",
            Self::State => "15 USC 1679j",
            Self::Total => "15 USC 1679d(b)(1)",
        }
    }
}

/// One gate, judged, in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The gate.
    pub gate: Gate,
    /// What it answers.
    pub answer: Answer,
    /// Packs that it rests on and that nobody but the firm itself stands for.
    pub at_own_risk: Vec<PackRef>,
    /// The facts, in words without personal values.
    pub because: String,
    /// The statute or rule.
    pub cites: String,
    /// The events it rests on.
    pub events: Vec<EventRef>,
    /// Whether it would answer otherwise but for corrections, which `because` names: see [`judge::Judge::name_corrections`].
    pub is_corrected: bool,
    /// What would open it, if it is not open.
    pub opens: Option<Opens>,
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
    /// The day of which it is revenue if it is claimed as of that day.
    pub revenue_on: CivilDate,
}

impl Finding {
    /// Whether the gate is open.
    pub fn holds(&self) -> bool {
        self.answer == Answer::Holds
    }

    /// The day from which it can hold by time alone, where time is what is missing.
    pub fn not_before(&self) -> Option<CivilDate> {
        match self.opens? {
            Opens::Wait { until } => Some(until),
            Opens::Finish { .. } | Opens::PutRight | Opens::Never => None,
        }
    }
}

impl Explanation {
    /// The gates that let the fee through and would not but for a correction: what an examiner looks for first.
    pub fn helped_gates(&self) -> impl Iterator<Item = Gate> + '_ {
        let helped = self.findings.iter().filter(|found| found.holds() && found.is_corrected);
        helped.map(|found| found.gate)
    }

    /// Whether every gate holds.
    pub fn is_claimable(&self) -> bool {
        self.findings.iter().all(Finding::holds)
    }

    /// Packs that open gates rest on at the firm's own risk: what it asks for by them it may have to give back.
    pub fn at_own_risk(&self) -> impl Iterator<Item = &PackRef> {
        self.findings.iter().filter(|found| found.holds()).flat_map(|found| &found.at_own_risk)
    }

    /// The gates that do not hold.
    pub fn closed_gates(&self) -> impl Iterator<Item = Gate> {
        self.findings.iter().filter(|f| !f.holds()).map(|f| f.gate)
    }

    /// What would open all of them, the hardest first: nothing, something put right, work finished, or the last of
    /// the days that are waited for.
    pub fn opens(&self) -> Option<Opens> {
        let closed = || self.findings.iter().filter(|finding| !finding.holds());
        let opens = || closed().filter_map(|finding| finding.opens);
        let by = opens().filter_map(|opens| match opens {
            Opens::Finish { by } => Some(by),
            Opens::Wait { .. } | Opens::PutRight | Opens::Never => None,
        });
        let until = opens().filter_map(|opens| match opens {
            Opens::Wait { until } => Some(until),
            Opens::Finish { .. } | Opens::PutRight | Opens::Never => None,
        });
        if opens().any(|opens| opens == Opens::Never) {
            Some(Opens::Never)
        } else if closed().any(|of| of.opens.is_none_or(|opens| opens == Opens::PutRight)) {
            Some(Opens::PutRight)
        } else {
            let finish = by.min().map(|by| Opens::Finish { by });
            finish.or(until.max().map(|until| Opens::Wait { until }))
        }
    }

    /// The evidence of a claimable fee.
    pub fn evidence(&self) -> Vec<WorkEvidence> {
        judge::evidence(&self.work)
    }

    /// The refusal that names every gate in the way.
    pub fn refusal(&self) -> Refusal {
        let violations = self
            .findings
            .iter()
            .filter(|f| !f.holds())
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
