//! Which payments stand behind a deposit.
