//! The engine over the store in memory.

mod deriving;
mod following;
mod moving;
mod projecting;
mod support;
mod tiling;
mod verifying;
mod writing;
