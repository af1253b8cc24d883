//! The examiner's bundle: a part of a firm's log, or all of it, with its proof, and the tables and
//! reports that follow from it.
//!
//! [`Export`] makes a bundle from a log that it reads once; [`verify()`] checks one offline. The format
//! is `documents/FORMAT.md`, and `documents/verify.py` is a second verifier, made from that document
//! alone. Everything in the tables and reports is a function of the events, so whoever has the
//! events can make them again and compare.
//!
//! The crate knows nothing of stores, networks or the time of day. It reads and writes temporary
//! files, so that a log of any size takes the same memory but for an index of some twenty bytes an
//! event. Documents that go along are never in one of them.

#![warn(clippy::wildcard_enum_match_arm)]

mod archive;
mod attach;
mod csv;
mod derive;
mod documents;
mod envelope;
mod export;
mod gather;
mod index;
mod intake;
mod keys;
mod layout;
mod manifest;
mod names;
mod openings;
mod outlet;
mod recordable;
mod scope;
mod spool;
mod subtrees;
mod tables;
mod telling;
mod verify;

pub use archive::ArchiveError;
pub use attach::{Document, Documents, Gap, Open};
pub use documents::{FORMAT_DOCUMENT, PYTHON_VERIFIER};
pub use export::{Export, ExportError, Exported, Signing};
pub use gather::EVENTS_MAX;
pub use keys::{GivenKey, KeySpan, Sizes};
pub use manifest::{FORMAT, Format};
pub use openings::{OPENINGS_MAX, OpenError, Openings, OpeningsError, ValueKey};
pub use scope::{CASES_MAX, Request, RequestError, Scope, Scout};
pub use tables::{Checked, Column, TABLES, Table, data_dictionary};
pub use verify::{Consistency, FINDINGS_MAX, Finding, Trust, Verified, plain, verify};
