//! What a firm sells and how it sold it: plans, promised work, and the channel of the sale.

use std::borrow::Cow;

use crate::codec::{codes, record};
use crate::ids::{DocumentHash, PlanCode};
use crate::money::Money;
use crate::value::Text;

/// Most pieces of work that a plan promises for one period, and that one fee rests on.
pub const WORK_MAX: usize = 16;

codes! {
    /// A kind of work that a plan promises for a period and an event can evidence.
    pub enum Work {
        /// A fresh report of at least one bureau was imported.
        ReportImport = "report_import",
        /// A round of dispute letters was sent.
        DisputeRound = "dispute_round",
        /// The client was sent a progress report.
        ProgressReport = "progress_report",
    }
}

codes! {
    /// How a client enrols: alone, or as one of a couple.
    pub enum Seat {
        /// Pays alone.
        Individual = "individual",
        /// One of two clients who pay as one.
        Couple = "couple",
    }
}

record! {
    /// Prices of one seat. For a couple these are both members' together.
    pub struct Prices {
        /// The fee of the first period.
        first_fee: Money,
        /// The fee of every later period.
        monthly_fee: Money,
    }
}

record! {
    /// A plan as the firm offers it. A new version never touches agreements signed under an old one.
    pub struct Plan {
        /// The firm's code for it.
        code: PlanCode,
        /// The price of both members of a couple together, if couples may take this plan.
        couple: Option<Prices>,
        /// The work promised for the first period.
        first_work: Vec<Work>,
        /// Days after a period in which its work may still be completed, as the agreement prints it.
        grace_days: Option<u16>,
        /// The price of one client alone.
        individual: Prices,
        /// The work promised for every later period.
        monthly_work: Vec<Work>,
        /// What people call it.
        name: Text,
        /// How many periods the agreement estimates the whole service to take (15 USC 1679d(b)(2)).
        periods: u32,
        /// Counted from 1.
        version: u32,
    }
}

record! {
    /// The part of a plan that an agreement fixes for one client.
    pub struct Terms {
        /// The work promised for the first period.
        first_work: Vec<Work>,
        /// Days after a period in which its work may still be completed, as the agreement prints it.
        grace_days: Option<u16>,
        /// The work promised for every later period.
        monthly_work: Vec<Work>,
        /// Periods that the agreement estimates for the whole service.
        periods: u32,
        /// The prices of the client's seat.
        prices: Prices,
        /// The seat.
        seat: Seat,
    }
}

impl Plan {
    /// What this plan means for a seat; nothing if it is not offered to couples.
    pub fn terms(&self, seat: Seat) -> Option<Terms> {
        let prices = match seat {
            Seat::Individual => self.individual.clone(),
            Seat::Couple => self.couple.clone()?,
        };
        Some(Terms {
            first_work: self.first_work.clone(),
            grace_days: self.grace_days,
            monthly_work: self.monthly_work.clone(),
            periods: self.periods,
            prices,
            seat,
        })
    }
}

impl Plan {
    /// Whether terms are what this plan means for their seat.
    fn has(&self, terms: &Terms) -> bool {
        let Terms { first_work, grace_days, monthly_work, periods, prices, seat } = terms;
        let own = match seat {
            Seat::Individual => Some(&self.individual),
            Seat::Couple => self.couple.as_ref(),
        };
        let work = (&self.first_work, &self.monthly_work) == (first_work, monthly_work);
        work && (self.grace_days, self.periods, own) == (*grace_days, *periods, Some(prices))
    }

    /// The terms of an agreement that was signed on this plan: what it means for their seat, whatever was taken for it
    /// at the signing.
    pub(crate) fn terms_of<'a>(&self, told: &'a Terms) -> Cow<'a, Terms> {
        if self.has(told) {
            return Cow::Borrowed(told);
        }
        self.terms(told.seat).map_or(Cow::Borrowed(told), Cow::Owned)
    }
}

/// Days of a period, unless the client asks for another billing day.
pub const PERIOD_DAYS: u32 = 30;

/// Days of grace where the agreement prints none (common practice, no source).
pub const GRACE_DAYS: u16 = 10;

/// Which of an agreement's periods: the first after a signing that began or resumed the service, or a later
/// one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PeriodKind {
    /// The first.
    First,
    /// A later one.
    Later,
}

impl Terms {
    /// The work promised for a period.
    pub fn work(&self, kind: PeriodKind) -> &[Work] {
        match kind {
            PeriodKind::First => &self.first_work,
            PeriodKind::Later => &self.monthly_work,
        }
    }

    /// The full price of a period: of one client alone, or of both members of a couple together.
    pub fn price(&self, kind: PeriodKind) -> Money {
        match kind {
            PeriodKind::First => self.prices.first_fee,
            PeriodKind::Later => self.prices.monthly_fee,
        }
    }

    /// The days that the agreement estimates for the whole service.
    pub fn estimated_days(&self) -> u32 {
        self.periods.saturating_mul(PERIOD_DAYS)
    }

    /// Days after a period in which its work may still be completed.
    pub fn grace(&self) -> u16 {
        self.grace_days.unwrap_or(GRACE_DAYS)
    }
}

codes! {
    /// How the sale was made.
    pub enum Channel {
        /// By telephone, in whole or part.
        Telephone = "telephone",
        /// Face to face, before any payment was authorized.
        InPerson = "in_person",
        /// Online alone, without a call.
        Online = "online",
        /// By post alone, without a call.
        Post = "post",
    }
}

record! {
    /// How the client was enrolled. Telemarketing (16 CFR 310) is presumed; leaving it needs a
    /// channel the pack exempts *and* evidence.
    pub struct Sale {
        /// The channel.
        channel: Channel,
        /// What shows it: a signed note of the meeting, the order page's record.
        evidence: Option<DocumentHash>,
        /// The longest time frame in which the firm said the services would be done, in days
        /// (16 CFR 310.4(a)(2)(i)).
        promised_days: u16,
    }
}

codes! {
    /// How a firm's counsel reads "fully performed" in 15 USC 1679b(b).
    pub enum FullyPerformed {
        /// Each period's promised work is a service of its own.
        EachPeriod = "each_period",
        /// Nothing is fully performed until every period of the contract is.
        WholeContract = "whole_contract",
    }
}
