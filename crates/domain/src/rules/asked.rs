//! What a state's law can ask, dimension by dimension: each with its statute.

use std::collections::BTreeSet;

use calendar::BusinessCalendar;

use super::{
    AmountOf, Barred, BondWhen, ConsentRule, ContractItem, Dimension, EarlyFeeRule, ExemptKind,
    FeeKind, KeepFrom, KeepWhat, LanguageRule, Limb, RegistrationKind, StandingKind,
};
use crate::codec::record;
use crate::ids::LanguageCode;
use crate::money::Money;
use crate::value::Text;

record! {
    /// A day of every year.
    pub struct YearDay {
        /// Of the month.
        day: u16,
        /// The month.
        month: u16,
    }
}

record! {
    /// Something that is shown and nothing more.
    pub struct Shown {
        /// The statute.
        cites: Text,
        /// What it says.
        says: Text,
    }
}

record! {
    /// A number of days after something.
    pub struct DaysAfter {
        /// Which days count; every day unless it is said.
        calendar: Option<BusinessCalendar>,
        /// The statute.
        cites: Text,
        /// How many.
        days: u16,
    }
}

record! {
    /// A right to cancel at any time.
    pub struct CancelAnyTime {
        /// The statute.
        cites: Text,
        /// Days of notice.
        notice_days: Option<u16>,
    }
}

record! {
    /// What an agreement has to hold.
    pub struct ContractItems {
        /// The statute.
        cites: Text,
        /// The items.
        items: BTreeSet<ContractItem>,
    }
}

record! {
    /// What a client has to have said before something is disputed, and how letters are written.
    pub struct DisputeConsent {
        /// Days after an account left the report in which it may still be disputed.
        after_removal_days: Option<u16>,
        /// The statute.
        cites: Text,
        /// Whether identifiers are cut to their last digits, and a birth date to month and year.
        identifiers_cut: Option<bool>,
        /// The rule.
        rule: ConsentRule,
    }
}

record! {
    /// When a fee may be asked for.
    pub struct EarlyFee {
        /// The statute.
        cites: Text,
        /// The most months of a plan.
        plan_months: Option<u16>,
        /// The rule.
        rule: EarlyFeeRule,
    }
}

record! {
    /// Who is not under the act. It counts for a firm that has evidence of it on file with the state.
    pub struct Exempt {
        /// The statute.
        cites: Text,
        /// Who.
        kinds: BTreeSet<ExemptKind>,
        /// Which of them alone, in words.
        only: Option<Text>,
    }
}

record! {
    /// The most that may be charged.
    pub struct FeeCap {
        /// The statute.
        cites: Text,
        /// The most.
        most: Money,
        /// Of which fee.
        of: FeeKind,
        /// So much for each creditor, if that is less.
        per_creditor: Option<Money>,
    }
}

record! {
    /// How long something is kept.
    pub struct Keep {
        /// The statute.
        cites: Text,
        /// From when.
        from: KeepFrom,
        /// What.
        what: KeepWhat,
        /// Years; the last day is the anniversary.
        years: u16,
    }
}

record! {
    /// The language of the papers.
    pub struct Language {
        /// The statute.
        cites: Text,
        /// Which.
        rule: LanguageRule,
    }
}

record! {
    /// The languages of an agreement, as far as they are known.
    pub struct Languages {
        /// That of the agreement's papers.
        agreement: Option<LanguageCode>,
        /// That in which it was negotiated.
        negotiation: Option<LanguageCode>,
        /// That of the notices of cancellation.
        notice: Option<LanguageCode>,
    }
}

record! {
    /// By what the act reaches an agreement. Without it, by the client's residence alone.
    pub struct Reach {
        /// The statute.
        cites: Text,
        /// Any of these will do.
        limbs: BTreeSet<Limb>,
    }
}

record! {
    /// A registration or licence.
    pub struct Registration {
        /// Days before some changes by which they have to be told and approved.
        approval_days: Option<u16>,
        /// What may not be done without it.
        bars: Option<BTreeSet<Barred>>,
        /// The statute.
        cites: Text,
        /// The day of every year with which it ends.
        ends_on: Option<YearDay>,
        /// What it is.
        kind: Option<RegistrationKind>,
        /// Years for which it stands.
        term_years: Option<u16>,
        /// Days after a change in which it has to be told.
        update_days: Option<u16>,
        /// With whom.
        with: Option<Text>,
    }
}

record! {
    /// What a breach costs. It is shown, and gates nothing.
    pub struct Remedy {
        /// The statute.
        cites: Text,
        /// Damages are at least so many times what was paid.
        paid_times: Option<u16>,
        /// What it says.
        says: Text,
        /// For a wilful breach so many times as much is added.
        wilful_adds: Option<u16>,
    }
}

record! {
    /// How much a security has to be.
    pub struct SecurityAmount {
        /// The least, or the amount where nothing measures it.
        least: Money,
        /// The most.
        most: Option<Money>,
        /// By what it is measured.
        of: Option<AmountOf>,
        /// So many hundredths of that.
        per_cent: Option<u32>,
        /// Up to the next full one of these.
        step: Option<Money>,
    }
}

record! {
    /// A security that must be on file: each state's is a paper of its own.
    pub struct Security {
        /// The day of the first month of a fiscal year by which the amount is adjusted.
        adjusted_by_day: Option<u16>,
        /// Whether all kinds are asked for, and not any of them.
        all_of: Option<bool>,
        /// How much.
        amount: SecurityAmount,
        /// The statute.
        cites: Text,
        /// With whom it is filed.
        filed_with: Option<Text>,
        /// What serves.
        kinds: BTreeSet<StandingKind>,
        /// Whether each place of business needs its own.
        per_location: Option<bool>,
        /// Years for which it stands on after business ends.
        tail_years: Option<u16>,
        /// When it must stand.
        when: BondWhen,
    }
}

record! {
    /// Where dimensions were read.
    pub struct Source {
        /// Which.
        dimensions: BTreeSet<Dimension>,
        /// The edition of the text.
        edition: Text,
        /// Where it was read.
        source: Text,
    }
}

record! {
    /// A statement of the state's own, given before the agreement.
    pub struct StateStatement {
        /// The statute.
        cites: Text,
        /// Whether its words are the statute's own.
        own_text: Option<bool>,
        /// Whether it is a sheet of its own.
        separate: Option<bool>,
        /// Whether the client signs it.
        signed: Option<bool>,
    }
}
