//! Limits of one request. Each stands in the contract's comments too.

/// Most actions of one `Record`: what the domain decides at once.
pub use domain::ACTIONS_MAX;

/// Most listings on one imported report.
pub use domain::case::REPORT_ITEMS_MAX as IMPORT_ITEMS_MAX;
/// Most results that an agreement promises, and most that a finding names.
pub use domain::case::{FOUND_MAX, PROMISED_MAX};
/// Most letters of one round, and most items that one letter disputes.
pub use domain::case::{LETTER_ITEMS_MAX, LETTERS_MAX};

/// Most lines of a bank statement in one request, references of one of them, movements that a payout
/// names, lines of a statement, movements behind one deposit, and movements that a person says are not behind one.
pub use domain::deposit::{
    LINES_MAX as BANK_LINES_MAX, MOVEMENTS_MAX, PAYOUT_LINES_MAX,
    REFERENCES_MAX as LINE_REFERENCES_MAX, REFUSED_MOVEMENTS_MAX, STATEMENT_LINES_MAX,
};

/// Most movements in transit that a reconciliation shows.
pub const IN_TRANSIT_MAX: usize = 5_000;
/// Most items and lines of one account at a bank that a reconciliation shows.
pub const RECONCILED_MAX: usize = 1_000;
/// Most outcomes in one answer of a bureau.
pub const OUTCOMES_MAX: usize = 200;
pub use domain::terms::WORK_MAX;
/// Most scopes of one token.
pub const SCOPES_MAX: usize = 16;
/// Most clients that are named at once.
pub const NAMES_MAX: usize = 500;
/// Most event types that a reader or follower filters by.
pub const EVENT_TYPES_MAX: usize = 64;
/// Entries of a page when the caller names no number.
pub const PAGE_SIZE_DEFAULT: usize = 50;
/// Most entries of a page; a larger number means this one (AIP-158).
pub const PAGE_SIZE_MAX: usize = 500;
/// Events of a page when the caller names no number.
pub const EVENTS_PAGE_SIZE_DEFAULT: usize = 200;
/// Most events of a page.
pub const EVENTS_PAGE_SIZE_MAX: usize = 1_000;
/// Charges in one answer when the caller names no number.
pub const CHARGES_DEFAULT: usize = 500;
/// Most charges in one answer.
pub const CHARGES_MAX: usize = 5_000;
/// Most cases that one bundle may be asked for by name.
pub const EXPORT_CASES_MAX: usize = 1_000;
/// Most bytes of a page token.
pub const PAGE_TOKEN_BYTES_MAX: usize = 512;
/// Most bytes of a rule pack's JSON. The event that carries it must stay under 65,535 bytes whole.
pub const PACK_JSON_BYTES_MAX: usize = 60_000;
/// Most bytes of one line of JSON.
pub const JSON_LINE_BYTES_MAX: usize = 1_048_576;
/// Most values of a call in JSON, counted by what separates them: each takes many times its bytes while it is read.
pub const JSON_VALUES_MAX: usize = 100_000;
/// Progress interval of a follower who names none, in seconds.
pub const PROGRESS_SECONDS_DEFAULT: u64 = 10;
/// Longest progress interval, in seconds; the shortest is one.
pub const PROGRESS_SECONDS_MAX: u64 = 3_600;
/// Longest term of payment, in days.
pub const INVOICE_DUE_DAYS_MAX: u16 = 365;
/// Longest time a letter is assumed to travel, in days.
pub const TRANSIT_DAYS_MAX: u16 = 60;
/// Most bytes of a document.
pub const DOCUMENT_BYTES_MAX: usize = 25 << 20;
/// Most periods that an agreement may estimate.
pub const PLAN_PERIODS_MAX: u32 = 600;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_domain_has_the_limits_that_the_contract_states() {
        assert_eq!(
            (ACTIONS_MAX, LETTERS_MAX, LETTER_ITEMS_MAX, IMPORT_ITEMS_MAX),
            (100, 16, 50, 500)
        );
        assert_eq!(
            (BANK_LINES_MAX, LINE_REFERENCES_MAX, PAYOUT_LINES_MAX, MOVEMENTS_MAX),
            (500, 32, 5_000, 5_000)
        );
        assert_eq!(REFUSED_MOVEMENTS_MAX, 250);
    }
}
