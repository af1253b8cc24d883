//! The engine over the store in memory.

mod following;
mod projecting;
mod support;
mod verifying;
mod writing;
