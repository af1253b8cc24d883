//! What the tests of this crate share.

use counterfoil_calendar::CivilDate;

/// A date written as in ISO 8601.
pub(crate) fn day(text: &str) -> CivilDate {
    text.parse().expect("an ISO 8601 date")
}
