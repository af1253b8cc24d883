//! Every reader of bytes that others write, as a function that takes any bytes and stops the process
//! where the reader breaks a promise.
//!
//! `ops/fuzz` lets libFuzzer look for such bytes, led by the branches that they take. What it kept of
//! earlier searches lies in `corpus`, and the test of this package reads all of it again.

mod door;
mod events;
mod files;
mod folder;
mod names;
mod proofs;
mod requests;

/// One reader, or a few of one form.
pub struct Target {
    /// Its name, and that of its folder in `corpus`.
    pub name: &'static str,
    /// Most bytes that are tried: readers have limits of their own, far above what a search reaches.
    pub bytes_max: usize,
    /// Reads any bytes. Panics where a promise is broken.
    pub read: fn(&[u8]),
}

/// All of them.
pub const TARGETS: &[Target] = &[
    Target { name: "event", bytes_max: 4_096, read: events::event },
    Target { name: "canonical", bytes_max: 1_024, read: events::canonical },
    Target { name: "door", bytes_max: 256, read: door::door },
    Target { name: "name", bytes_max: 160, read: names::name },
    Target { name: "request", bytes_max: 4_096, read: requests::request },
    Target { name: "camt", bytes_max: 4_096, read: files::camt },
    Target { name: "table", bytes_max: 1_024, read: files::table },
    Target { name: "bundle", bytes_max: 65_536, read: files::bundle },
    Target { name: "folder", bytes_max: 49_152, read: folder::folder },
    Target { name: "note", bytes_max: 1_024, read: proofs::note },
    Target { name: "proof", bytes_max: 512, read: proofs::proof },
];

/// The target of a name.
pub fn target(name: &str) -> Option<&'static Target> {
    TARGETS.iter().find(|target| target.name == name)
}

/// What every refusal owes: words, and none that could steer a terminal.
fn check_words(words: &str) {
    assert!(!words.is_empty(), "a refusal says why");
    assert!(words.len() < 2_000, "a refusal is short: {words}");
    assert!(!words.contains(char::is_control), "a refusal steers no terminal: {words:?}");
}
