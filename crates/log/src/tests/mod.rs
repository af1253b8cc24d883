//! The engine over the store in memory.

mod following;
mod moving;
mod projecting;
mod support;
mod verifying;
mod writing;
