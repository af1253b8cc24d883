//! The store's contract, on both engines.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

mod support;

mod answers;
mod before;
mod engines;
mod evidence;
mod finding;
mod full;
mod held;
mod log;
mod logins;
mod moving;
mod names;
mod proofs;
mod read_model;
mod tampered;
