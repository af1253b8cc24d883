//! The service over the wire. What measures time or takes the process to its limits is a program of its
//! own, and everything else is this one: each program links everything there is.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

mod common;

mod accepted;
mod another_person;
mod audit;
mod bank;
mod billing;
mod books;
mod bundle;
mod charges;
mod corrected;
mod corrected_firm;
mod corrected_money;
mod couples;
mod due;
mod events;
mod evidence;
mod examiner;
mod find;
mod follow;
mod found;
mod json;
mod judged;
mod kept;
mod limits;
mod lists;
mod lives;
mod lookup;
mod metrics;
mod names;
mod packs;
mod place;
mod privacy;
mod record;
mod refunds;
mod reviewed;
mod state_law;
mod tls;
