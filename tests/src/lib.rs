//! What the acceptance tests share: a firm's random life, and the domain played without an engine.

#![allow(clippy::missing_panics_doc, reason = "a test that cannot go on stops")]

pub mod aftermath;
pub mod bookkeeper;
pub mod bulk;
pub mod bundles;
pub mod campaign;
pub mod child;
pub mod corrector;
pub mod forger;
pub mod fuzz;
pub mod given_back;
pub mod history;
pub mod judgement;
pub mod judging;
pub mod lives;
pub mod player;
pub mod reclaimed;
pub mod shared;
pub mod simulation;
pub mod zips;
