//! The contract keeps its own rules, promises nothing it does not check, and never takes back what
//! its first version gave.
//!
//! The forms are those of Google's AIPs and buf's STANDARD and COMMENTS rules.

// What tests share may unwrap as tests may.
#![allow(clippy::unwrap_used)]

mod baseline;
mod door;
mod lint;
mod required;
mod sample;
