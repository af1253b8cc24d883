//! The engine over the store in memory.

mod deriving;
mod following;
mod handing;
mod moving;
mod projecting;
mod support;
mod tiling;
mod verifying;
mod writing;
