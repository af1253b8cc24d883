//! When adverse information has become too old to be reported (15 USC 1681c(a), (c)).
//!
//! Not modelled: the exemptions of 1681c(b) for large loans, insurance and salaries; judgments kept
//! longer by a limitation period; criminal convictions, which never become obsolete; state limits.

use crate::CivilDate;
use crate::civil::{add_months_clamped, plus_days};

/// What kind of adverse item ages.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ObsoleteKind {
    /// An account placed for collection or charged to profit and loss (1681c(a)(4)): seven years
    /// after the 180-day period of 1681c(c)(1), which begins when the delinquency that led to it
    /// began. Its date is that commencement.
    CollectionOrChargeOff,
    /// A case under title 11 (1681c(a)(1)): ten years. Its date is that of the order for relief or
    /// of the adjudication.
    Bankruptcy,
    /// Any other adverse item (1681c(a)(2), (3), (5)): seven years. Its date is the item's own: the
    /// entry of a suit or judgment, the payment of a tax lien, the late payment itself.
    OtherAdverse,
}

/// Months in the seven years of 15 USC 1681c(a)(2) to (5).
const SEVEN_YEARS_MONTHS: u32 = 7 * 12;
/// Months in the ten years of 15 USC 1681c(a)(1).
const TEN_YEARS_MONTHS: u32 = 10 * 12;
/// Days of the period of 15 USC 1681c(c)(1) between delinquency and the seven years.
const DELINQUENCY_PERIOD_DAYS: u32 = 180;

impl ObsoleteKind {
    /// All kinds.
    pub const ALL: [Self; 3] = [Self::CollectionOrChargeOff, Self::Bankruptcy, Self::OtherAdverse];
}

/// The first day on which a report may no longer hold the item, `from` being the date that
/// [`ObsoleteKind`] names for it.
///
/// Read so that an item is never called obsolete too soon: it must antedate the report by *more
/// than* the years, so the anniversary itself does not count yet, and a period "beginning on the
/// date" is counted from the next day, which is one day longer. Saturates at [`CivilDate::MAX`].
pub fn must_not_report_from(kind: ObsoleteKind, from: CivilDate) -> CivilDate {
    match kind {
        ObsoleteKind::CollectionOrChargeOff => {
            first_day_beyond(plus_days(from, DELINQUENCY_PERIOD_DAYS), SEVEN_YEARS_MONTHS)
        }
        ObsoleteKind::Bankruptcy => first_day_beyond(from, TEN_YEARS_MONTHS),
        ObsoleteKind::OtherAdverse => first_day_beyond(from, SEVEN_YEARS_MONTHS),
    }
}

/// The day after the anniversary, or the anniversary of the day after, whichever is later: around
/// the end of February the two readings of the same words part.
fn first_day_beyond(start: CivilDate, months: u32) -> CivilDate {
    let after_anniversary = plus_days(add_months_clamped(start, months), 1);
    let anniversary_of_next = add_months_clamped(plus_days(start, 1), months);
    after_anniversary.max(anniversary_of_next)
}
