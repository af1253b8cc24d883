//! What will hold a fee or a charge of a client who is served, unless somebody acts before.
//!
//! By what was told at the signing: what the law of the day of asking makes of it, only the judge knows.

use calendar::{BusinessCalendar, CivilDate, add_months_clamped};

use super::{Agreement, Case, Mark};
use crate::account::Account;
use crate::codec::codes;
use crate::money::Money;
use crate::rules::ContractItem;
use crate::terms::{PeriodKind, Seat, Work};

codes! {
    /// What comes.
    pub enum AheadKind {
        /// The next fee passes the total of all payments that the agreement states (15 USC 1679d(b)(1)).
        Total = "total_of_payments",
        /// The time in which a state's law asks for all services ends.
        TimeLimit = "time_limit",
        /// Services were performed that a state's law asks a statement of.
        Statement = "statement",
        /// The card on file expires.
        Card = "card",
    }
}

/// Something that comes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ahead<'a> {
    /// The last day to act, where there is one.
    pub by: Option<CivilDate>,
    /// The statute, where there is one.
    pub cites: String,
    /// What.
    pub kind: AheadKind,
    /// The event that it goes back to.
    pub mark: &'a Mark,
    /// What it is, and what happens if nobody acts.
    pub says: String,
}

impl Case {
    /// What comes, under the newest agreement.
    pub fn ahead(&self) -> Vec<Ahead<'_>> {
        let Some(agreement) = self.agreement().filter(|_| !self.is_over()) else {
            return Vec::new();
        };
        let found = [self.total(agreement), self.time_limit(agreement), self.statement(agreement)];
        found.into_iter().flatten().collect()
    }

    fn total<'a>(&'a self, agreement: &'a Agreement) -> Option<Ahead<'a>> {
        let signed = &agreement.signed.mark;
        let claimed =
            || self.earned.iter().filter(|fee| fee.agreement.as_ref() == Some(&signed.at));
        let total = agreement.total_of_payments;
        let mut sum = Money::zero(total.currency());
        for fee in claimed() {
            sum = sum.plus(fee.amount).ok()?;
        }
        let is_first = self.earned.is_empty();
        let price =
            agreement.terms.price(if is_first { PeriodKind::First } else { PeriodKind::Later });
        let price = match agreement.terms.seat {
            Seat::Individual => price,
            Seat::Couple => *price.allocate(&[1, 1]).ok()?.first()?,
        };
        let is_beyond = sum.plus(price).map_or(true, |after| after.minor() > total.minor());
        is_beyond.then(|| Ahead {
            by: None,
            cites: "15 USC 1679d(b)(1)".to_owned(),
            kind: AheadKind::Total,
            mark: claimed().next_back().map_or(signed, |fee| &fee.mark),
            says: format!(
                "fees of {sum} are claimed of {total}, the total that the agreement states, and the next of {price} goes \
                 beyond it: sign a new agreement with another total, or that fee is held"
            ),
        })
    }

    fn time_limit<'a>(&'a self, agreement: &'a Agreement) -> Option<Ahead<'a>> {
        let rule = agreement.rules.perform_within.as_ref()?;
        let is_ongoing = ContractItem::ONGOING.iter().all(|&item| agreement.holds(item));
        let claimed = self
            .earned
            .iter()
            .filter(|fee| fee.agreement.as_ref() == Some(&agreement.signed.mark.at))
            .count();
        let is_done = usize::try_from(agreement.terms.periods).is_ok_and(|all| all <= claimed);
        if is_done || is_ongoing && rule.unless_ongoing == Some(true) {
            return None;
        }
        let last = rule.last_day(agreement.signed.on());
        Some(Ahead {
            by: Some(last),
            cites: rule.cites.to_string(),
            kind: AheadKind::TimeLimit,
            mark: &agreement.signed.mark,
            says: format!(
                "all services of the agreement have to be performed by {last}: finish them, or fees are held"
            ),
        })
    }

    fn statement<'a>(&'a self, agreement: &'a Agreement) -> Option<Ahead<'a>> {
        let rule = agreement.rules.monthly_statement.as_ref()?;
        let of = |is_report: bool| {
            let mut done = self.work.iter().filter(move |done| {
                (done.work == Work::ProgressReport) == is_report
                    && agreement.service_from <= done.moment.on()
            });
            done.next_back()
        };
        let done = of(false)?;
        if of(true).is_some_and(|report| done.moment.on() <= report.moment.on()) {
            return None;
        }
        let (on, days) = (done.moment.on(), rule.days_after_work());
        let by = (days > 0).then(|| BusinessCalendar::EveryDay.add_business_days(on, days));
        Some(Ahead {
            by,
            cites: rule.cites.to_string(),
            kind: AheadKind::Statement,
            mark: &done.moment.mark,
            says: format!(
                "no statement was sent of the services of {on}: send it in their period, or the fee is held"
            ),
        })
    }
}

impl Account {
    /// The end of the card on file, of whoever pays.
    pub fn card_ahead(&self) -> Option<Ahead<'_>> {
        let mark = self.card_told.as_ref().filter(|_| self.moved_to.is_none())?;
        let card = self.card.as_ref()?;
        let month: CivilDate = format!("{}-01", card.expires).parse().ok()?;
        let last = add_months_clamped(month, 1).pred_opt()?;
        let says =
            format!("the card on file is valid through {last}: ask for another, or charges fail");
        Some(Ahead { by: Some(last), cites: String::new(), kind: AheadKind::Card, mark, says })
    }
}
