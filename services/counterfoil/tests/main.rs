//! The built program at a terminal and as a server. What takes the machine to its limits is a program of
//! its own, and everything else is this one: each program links everything there is.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

mod common;

mod backup;
mod books;
mod charges;
mod commands;
mod correcting;
mod evidence;
mod export;
mod files;
mod firm_keys;
mod importing;
mod logs;
mod moving;
mod no_room;
mod place;
mod postgres;
mod proofs;
mod replica;
mod serving;
mod serving_tls;
mod traces;
mod two_servers;
