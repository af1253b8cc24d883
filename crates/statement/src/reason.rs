//! What the reason codes of returned payments mean, and what may be done after one.
//!
//! Nacha's return codes as banks show them (names, R07 and R11 after the code table of the open-source
//! library github.com/moov-io/ach, `addenda99.go`; the 60 days, the two banking days and the two
//! more tries after published bank guidance; windows of single codes otherwise from memory), and the
//! ISO 20022 external codes that banks send in their place (from memory). The Nacha Operating Rules
//! are private rules: the firm's bank and counsel decide.

use std::fmt;

use calendar::{BusinessCalendar, CivilDate};
use chrono::Days;

/// How long a bank may give a payment back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Window {
    /// So many banking days after settlement.
    BankingDays(u16),
    /// So many calendar days after settlement.
    CalendarDays(u16),
    /// Not said by the code.
    NotSaid,
}

/// What may be done after a return.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum After {
    /// At most two more tries, within 180 days.
    TwoMoreTries,
    /// Only once its cause was put right: another account, a corrected number.
    OnceCorrected,
    /// Only with a new authorization of the client.
    NewAuthorization,
    /// A corrected entry within 60 days of the return, without a new authorization.
    CorrectedEntry,
    /// Nothing: the authorization has ended or never was.
    Nothing,
    /// A person asks the bank.
    AskBank,
}

/// The days on which banks settle: the Federal Reserve Banks' (they are open on the Friday before a
/// Saturday's holiday).
const BANKING: BusinessCalendar = BusinessCalendar::FederalReserveBanking;

impl Window {
    /// The last day on which a payment that settled on a day may come back; nothing if the code does
    /// not say.
    pub fn last_day(self, settled_on: CivilDate) -> Option<CivilDate> {
        match self {
            Self::BankingDays(days) => Some(BANKING.add_business_days(settled_on, days)),
            Self::CalendarDays(days) => settled_on.checked_add_days(Days::new(days.into())),
            Self::NotSaid => None,
        }
    }

    /// The first day of settlement of which a return is in time on a day; nothing if the code does not
    /// say.
    pub fn earliest_settlement(self, returned_on: CivilDate) -> Option<CivilDate> {
        let in_time = |day: &CivilDate| self.last_day(*day).is_some_and(|last| last >= returned_on);
        let before = std::iter::successors(Some(returned_on), CivilDate::pred_opt);
        before.take_while(in_time).last()
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BankingDays(days) => write!(f, "within {days} banking days of settlement"),
            Self::CalendarDays(days) => write!(f, "within {days} calendar days of settlement"),
            Self::NotSaid => f.write_str("within days that the code does not say"),
        }
    }
}

impl fmt::Display for After {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TwoMoreTries => "at most two more tries, within 180 days",
            Self::OnceCorrected => "not again before its cause is put right",
            Self::NewAuthorization => "not again without a new authorization of the client",
            Self::CorrectedEntry => "once more, corrected, within 60 days of the return",
            Self::Nothing => "not again: it was not authorized, or no longer",
            Self::AskBank => "ask the bank",
        })
    }
}

/// A reason code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reason {
    /// The code.
    pub code: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// How long a bank may return for this reason.
    pub window: Window,
    /// What may be done.
    pub after: After,
}

const TWO: Window = Window::BankingDays(2);
const SIXTY: Window = Window::CalendarDays(60);

const fn reason(code: &'static str, meaning: &'static str, window: Window, after: After) -> Reason {
    Reason { code, meaning, window, after }
}

/// Every code that is known.
pub const REASONS: &[Reason] = &[
    reason("R01", "insufficient funds", TWO, After::TwoMoreTries),
    reason("R02", "account closed", TWO, After::OnceCorrected),
    reason("R03", "no account, or it cannot be found", TWO, After::OnceCorrected),
    reason("R04", "the account number is not valid", TWO, After::OnceCorrected),
    reason("R05", "a consumer's account debited with a corporate code", SIXTY, After::Nothing),
    reason("R06", "returned at the originating bank's request", Window::NotSaid, After::AskBank),
    reason("R07", "authorization revoked by the customer", SIXTY, After::Nothing),
    reason("R08", "payment stopped", TWO, After::NewAuthorization),
    reason("R09", "uncollected funds", TWO, After::TwoMoreTries),
    reason("R10", "originator unknown, or not authorized", SIXTY, After::Nothing),
    reason("R11", "not in accordance with the authorization", SIXTY, After::CorrectedEntry),
    reason("R16", "account frozen", TWO, After::AskBank),
    reason("R20", "no account for transactions", TWO, After::OnceCorrected),
    reason("R23", "credit refused by the receiver", Window::NotSaid, After::AskBank),
    reason("R29", "a corporate customer advises that it was not authorized", TWO, After::Nothing),
    reason("AC01", "the account number is not valid", Window::NotSaid, After::OnceCorrected),
    reason("AC04", "account closed", Window::NotSaid, After::OnceCorrected),
    reason("AC06", "account blocked", Window::NotSaid, After::AskBank),
    reason("AM04", "insufficient funds", Window::NotSaid, After::TwoMoreTries),
    reason("MD01", "no authorization", Window::NotSaid, After::Nothing),
    reason("MD06", "the customer asked for the money back", Window::NotSaid, After::Nothing),
    reason("MS02", "the customer gave no reason", Window::NotSaid, After::AskBank),
    reason("MS03", "the bank gave no reason", Window::NotSaid, After::AskBank),
];

/// What a code means; nothing for one that is not known.
pub fn of(code: &str) -> Option<&'static Reason> {
    REASONS.iter().find(|reason| reason.code == code)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> CivilDate {
        text.parse().expect("a day")
    }

    /// Two banking days after settlement, and 60 calendar days (sources in the module's head), over the
    /// Federal Reserve Banks' holidays of 2026, which `tests/reference/calendar_reference.py` holds
    /// against PyPI's `holidays`. Worked by hand.
    #[test]
    fn the_last_day_of_a_return_counts_the_days_on_which_banks_settle() {
        for (settled, last) in [
            ("2026-03-02", "2026-03-04"), // Monday to Wednesday
            ("2026-03-05", "2026-03-09"), // Thursday; Friday, Monday
            ("2026-11-25", "2026-11-30"), // the day before Thanksgiving; Friday, Monday
            ("2026-07-02", "2026-07-06"), // Independence Day is a Saturday: banks settle on the 3rd
            ("2027-07-02", "2027-07-07"), // it is a Sunday: Monday the 5th is closed
            ("2026-12-24", "2026-12-29"), // Christmas Day is a Friday; Monday, Tuesday
        ] {
            assert_eq!(TWO.last_day(day(settled)), Some(day(last)), "{settled}");
        }
        assert_eq!(SIXTY.last_day(day("2026-03-02")), Some(day("2026-05-01")));
        assert_eq!(SIXTY.last_day(day("2027-12-31")), Some(day("2028-02-29")));
        assert_eq!(Window::NotSaid.last_day(day("2026-03-02")), None);
    }

    #[test]
    fn a_return_is_in_time_for_payments_from_a_day_on() {
        // Of what came back on the Monday after Thanksgiving, Wednesday's settlements were in time.
        assert_eq!(TWO.earliest_settlement(day("2026-11-30")), Some(day("2026-11-25")));
        assert_eq!(SIXTY.earliest_settlement(day("2026-05-01")), Some(day("2026-03-02")));
        assert_eq!(Window::NotSaid.earliest_settlement(day("2026-05-01")), None);
        for returned in day("2026-01-01").iter_days().take(800) {
            for window in [TWO, SIXTY] {
                let first = window.earliest_settlement(returned).expect("it is said");
                let before = first.pred_opt().expect("a day before");
                assert!(window.last_day(first) >= Some(returned), "{returned}");
                assert!(window.last_day(before) < Some(returned), "{returned}");
            }
        }
    }

    /// The rows of the table of Nacha codes: "unauthorized" 60 calendar days, others two banking days;
    /// R01 and R09 at most two more times (sources in the module's head).
    #[test]
    fn unauthorized_debits_have_sixty_days_and_two_codes_may_be_tried_again() {
        let sixty: Vec<&str> = REASONS
            .iter()
            .filter(|reason| reason.window == Window::CalendarDays(60))
            .map(|reason| reason.code)
            .collect();
        assert_eq!(sixty, ["R05", "R07", "R10", "R11"]);
        let again: Vec<&str> = REASONS
            .iter()
            .filter(|reason| reason.after == After::TwoMoreTries && reason.code.starts_with('R'))
            .map(|reason| reason.code)
            .collect();
        assert_eq!(again, ["R01", "R09"]);
        assert_eq!(of("R29").map(|reason| reason.window), Some(Window::BankingDays(2)));
        assert_eq!(of("R99"), None);
        let first = of("R01").unwrap();
        assert_eq!(first.window.to_string(), "within 2 banking days of settlement");
        assert_eq!(first.after.to_string(), "at most two more tries, within 180 days");
        let mut codes: Vec<&str> = REASONS.iter().map(|reason| reason.code).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), REASONS.len());
    }
}
