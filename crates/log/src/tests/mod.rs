//! The engine over the store in memory.

mod following;
mod projecting;
mod simulation;
mod support;
mod verifying;
mod writing;
