//! What follows from a rule on a day: last days, amounts, caps.

use std::collections::BTreeSet;

use calendar::{BusinessCalendar, CivilDate};
use chrono::{Datelike as _, Months};

use super::{
    AmountOf, Barred, BondWhen, ConsentRule, ContractItem, DaysAfter, DisputeConsent, EarlyFeeRule,
    FeeCap, Keep, Language, LanguageRule, Languages, PerformWithin, Performance, Registration,
    Remedy, RulePack, Security, SecurityAmount, StandingKind, StatementContent, StatementDuty,
    YearDay,
};
use crate::ids::LanguageCode;
use crate::money::{MINOR_MAX, Money};
use crate::terms::{FullyPerformed, Terms};

impl ContractItem {
    /// What an agreement that goes on by periodic payments holds.
    pub(crate) const ONGOING: [Self; 3] =
        [Self::CancelAnyTime, Self::CreditRecordOnly, Self::PeriodicPayments];
}

/// An amount, at most what can be one.
fn bounded(minor: i64, like: Money) -> Money {
    Money::new(minor.clamp(-MINOR_MAX, MINOR_MAX), like.currency()).expect("it is bounded")
}

/// A day some years later; of a day that the year lacks, the last of its month.
fn years_after(day: CivilDate, years: u16) -> CivilDate {
    day.checked_add_months(Months::new(u32::from(years) * 12)).unwrap_or(CivilDate::MAX)
}

impl DaysAfter {
    /// The last day.
    pub fn last_day(&self, from: CivilDate) -> CivilDate {
        self.calendar.unwrap_or(BusinessCalendar::EveryDay).add_business_days(from, self.days)
    }
}

impl DaysAfter {
    /// Whether so many days are within it.
    pub fn allows(&self, days: u32) -> bool {
        days <= u32::from(self.days)
    }
}

impl Keep {
    /// The last day on which it is kept.
    pub fn through(&self, from: CivilDate) -> CivilDate {
        years_after(from, self.years)
    }
}

impl FeeCap {
    /// The most for so many creditors. Where nobody says how many, for one: that is allowed for any number.
    pub fn most_for(&self, creditors: Option<u32>) -> Money {
        let each = self.per_creditor.map(|each| {
            let minor = each.minor().saturating_mul(i64::from(creditors.unwrap_or(1)));
            bounded(minor.min(self.most.minor()), each)
        });
        each.unwrap_or(self.most)
    }
}

impl Registration {
    /// The last day of one that was given on a day, where the law says how long it stands.
    pub fn valid_through(&self, issued: CivilDate) -> Option<CivilDate> {
        let term = self.term_years.map(|years| years_after(issued, years));
        let of_year = self.ends_on.as_ref().and_then(|end| end.next(issued));
        [term, of_year].into_iter().flatten().min()
    }

    /// The last day on which a change may be told.
    pub fn told_by(&self, changed: CivilDate) -> Option<CivilDate> {
        self.update_days.map(|days| BusinessCalendar::EveryDay.add_business_days(changed, days))
    }

    /// Whether something may not be done without it. Where the law that was read does not say, signing may not.
    pub fn is_before(&self, barred: Barred) -> bool {
        self.bars.as_ref().map_or(barred == Barred::Contract, |bars| {
            bars.contains(&barred) || bars.contains(&Barred::Business)
        })
    }
}

impl LanguageRule {
    /// What it asks, in words.
    pub const fn says(self) -> &'static str {
        match self {
            Self::AsContract => "notices of cancellation in the language of the agreement",
            Self::AsNegotiated => "papers and notices in the language of the negotiation",
        }
    }
}

impl Language {
    /// Whether papers are in the languages that it asks for, as far as these are known.
    pub fn is_kept(&self, said: Option<&Languages>) -> Option<bool> {
        let Languages { agreement, negotiation, notice } = said?;
        let alike = |one: &Option<LanguageCode>, other: &Option<LanguageCode>| {
            Some(one.as_ref()? == other.as_ref()?)
        };
        let asked = match self.rule {
            LanguageRule::AsContract => vec![alike(agreement, notice)],
            LanguageRule::AsNegotiated => {
                vec![alike(negotiation, agreement), alike(negotiation, notice)]
            }
        };
        if asked.contains(&Some(false)) {
            Some(false)
        } else {
            asked.iter().all(Option::is_some).then_some(true)
        }
    }
}

impl YearDay {
    fn next(&self, from: CivilDate) -> Option<CivilDate> {
        let of = |year| CivilDate::from_ymd_opt(year, u32::from(self.month), u32::from(self.day));
        of(from.year()).filter(|day| from <= *day).or_else(|| of(from.year() + 1))
    }
}

impl Remedy {
    /// The least that a breach costs.
    pub fn least(&self, actual: Money, paid: Money, is_wilful: bool) -> Money {
        let floor = paid.minor().saturating_mul(i64::from(self.paid_times.unwrap_or(0)));
        let damages = actual.minor().max(floor);
        let added = if is_wilful { self.wilful_adds.unwrap_or(0) } else { 0 };
        bounded(damages.saturating_mul(1 + i64::from(added)), actual)
    }
}

impl PerformWithin {
    /// The last day on which something may be performed.
    pub fn last_day(&self, signed_on: CivilDate) -> CivilDate {
        BusinessCalendar::EveryDay.add_business_days(signed_on, self.days)
    }
}

impl StatementDuty {
    /// Whether a statement tells all that it has to; of money only where some is held.
    pub fn is_complete(&self, told: &BTreeSet<StatementContent>, holds_money: bool) -> bool {
        let asked = self.contents.iter().flatten();
        let mut asked = asked.filter(|one| holds_money || **one != StatementContent::Money);
        asked.all(|content| told.contains(content))
    }
}

/// What a client has said before something is disputed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClientSaid {
    /// That the client knows of it.
    Knows,
    /// That the firm may write.
    Authorized,
    /// What is wrong with the entry.
    Basis,
    /// The same in a statement of the client's own.
    Statement,
}

impl DisputeConsent {
    /// Whether that is enough.
    pub fn is_met_by(&self, said: &[ClientSaid]) -> bool {
        let has = |one| said.contains(&one);
        match self.rule {
            ConsentRule::Knowledge => !said.is_empty(),
            ConsentRule::ContractAuthorization => has(ClientSaid::Authorized),
            ConsentRule::ItemBasis => has(ClientSaid::Basis),
            ConsentRule::ItemBasisAndStatement => {
                has(ClientSaid::Basis) && has(ClientSaid::Statement)
            }
        }
    }

    /// Whether the papers of an agreement are enough, with a basis for each listing that is disputed.
    pub(crate) fn is_met_by_papers(&self, holds: impl Fn(ContractItem) -> bool) -> bool {
        let mut said = vec![ClientSaid::Basis];
        if holds(ContractItem::DisputeAuthorization) {
            said.extend([ClientSaid::Authorized, ClientSaid::Statement]);
        }
        self.is_met_by(&said)
    }

    /// The last day on which something may be disputed that left the report on a day.
    pub fn last_day(&self, removed: CivilDate) -> Option<CivilDate> {
        let days = self.after_removal_days?;
        Some(BusinessCalendar::EveryDay.add_business_days(removed, days))
    }
}

impl RulePack {
    /// How soon all has to be performed under an agreement that holds some items. One that goes on, about a credit
    /// record alone, with periodic payments and a right to cancel at any time, may be outside of it.
    pub fn performed_within(&self, holds: impl Fn(ContractItem) -> bool) -> Option<&PerformWithin> {
        let is_ongoing = ContractItem::ONGOING.into_iter().all(holds);
        let rule = self.perform_within.as_ref();
        rule.filter(|rule| !is_ongoing || rule.unless_ongoing != Some(true))
    }

    /// How "fully performed" is read of an agreement of so many periods that holds some items: as counsel reads it,
    /// otherwise by when the law lets a fee be asked for.
    pub fn reading(
        &self,
        holds: impl Fn(ContractItem) -> bool,
        periods: u32,
    ) -> Option<Performance> {
        let stated = || {
            let fee = self.early_fee.as_ref()?;
            let by_period = match fee.rule {
                EarlyFeeRule::PerService | EarlyFeeRule::WithSecurity => true,
                EarlyFeeRule::Subscription => holds(ContractItem::CancelAnyTime),
                EarlyFeeRule::Plan => periods <= u32::from(fee.plan_months.unwrap_or(0)),
                EarlyFeeRule::Ban => false,
            };
            let reading =
                if by_period { FullyPerformed::EachPeriod } else { FullyPerformed::WholeContract };
            Some(Performance { cites: fee.cites.clone(), reading })
        };
        self.performance.clone().or_else(stated)
    }

    /// Whether something has to be on file, where clients pay before all is done or where they do not.
    pub fn asks_security(&self, paid_early: bool) -> bool {
        let with_security =
            self.early_fee.as_ref().is_some_and(|fee| fee.rule == EarlyFeeRule::WithSecurity);
        self.security.iter().flatten().any(|security| security.is_asked(paid_early))
            || self.bond.as_ref().is_some_and(|b| paid_early || b.stands() == BondWhen::Always)
            || with_security && paid_early
    }
}

impl SecurityAmount {
    /// How much it has to be where what measures it is known.
    pub fn of_base(&self, base: Money) -> Money {
        let hundredths = i128::from(base.minor()) * i128::from(self.per_cent.unwrap_or(0));
        let mut minor = hundredths.div_euclid(100) + i128::from(hundredths.rem_euclid(100) > 0);
        if let Some(step) = self.step.map(|step| i128::from(step.minor())).filter(|s| *s > 0) {
            minor = (minor + step - 1).div_euclid(step) * step;
        }
        let most = self.most.map_or(i128::from(i64::MAX), |most| i128::from(most.minor()));
        let minor = minor.max(i128::from(self.least.minor())).min(most);
        bounded(i64::try_from(minor).unwrap_or(i64::MAX), self.least)
    }

    /// The amount that is enough whatever measures it: the most, where there is one.
    pub fn enough(&self, terms: &Terms) -> Money {
        match self.of {
            Some(AmountOf::StandardFee) => {
                let prices = &terms.prices;
                let dearer = prices.first_fee.minor().max(prices.monthly_fee.minor());
                self.of_base(bounded(dearer, prices.first_fee))
            }
            Some(AmountOf::AverageClientMoney | AmountOf::ClientMoney | AmountOf::YearlyFees) => {
                self.most.unwrap_or(self.least)
            }
            None => self.least,
        }
    }
}

impl Security {
    /// The last day on which it stands after business has ended.
    pub fn kept_through(&self, ended: CivilDate) -> CivilDate {
        years_after(ended, self.tail_years.unwrap_or(0))
    }

    /// The day by which its amount is adjusted in a fiscal year.
    pub fn adjusted_by(&self, fiscal_year: CivilDate) -> Option<CivilDate> {
        fiscal_year.with_day(u32::from(self.adjusted_by_day?))
    }

    /// Its kinds, in words.
    pub fn kinds_named(&self) -> String {
        let joint = if self.all_of == Some(true) { " and " } else { " or " };
        let kinds: Vec<String> =
            self.kinds.iter().map(|kind| kind.code().replace('_', " ")).collect();
        kinds.join(joint)
    }

    /// Whether kinds that stand are enough.
    pub fn is_served_by(&self, kinds: &BTreeSet<StandingKind>) -> bool {
        if self.all_of == Some(true) {
            self.kinds.is_subset(kinds)
        } else {
            !self.kinds.is_disjoint(kinds)
        }
    }

    /// Whether it is asked for.
    pub const fn is_asked(&self, paid_early: bool) -> bool {
        matches!(self.when, BondWhen::Always) || paid_early
    }
}
