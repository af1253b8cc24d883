//! Reads what banks and card processors say: bank statements (ISO 20022 camt.053, or CSV with a
//! declared mapping) and payout files (CSV with a declared mapping). Pure: bytes in, lines out.
