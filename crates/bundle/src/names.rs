//! The names of a bundle's files.

use domain::ids::{CaseId, DocumentHash};

use crate::tables::place_of;

pub(crate) const README: &str = "README.txt";
pub(crate) const FORMAT: &str = "FORMAT.md";
pub(crate) const MANIFEST: &str = "manifest.json";
pub(crate) const MANIFEST_NOTE: &str = "manifest.note";
pub(crate) const CHECKPOINT: &str = "checkpoint.txt";
pub(crate) const DATA_DICTIONARY: &str = "data-dictionary.csv";
pub(crate) const EVENTS: &str = "events.jsonl";
pub(crate) const GAPS: &str = "proofs/gaps.txt";
pub(crate) const KEYS: &str = "keys.txt";
pub(crate) const OPENINGS: &str = "openings.jsonl";
pub(crate) const STREAMS: &str = "proofs/streams.txt";
pub(crate) const SUBTREES: &str = "proofs/subtrees.txt";
pub(crate) const PUBLIC_KEY: &str = "public-key.txt";
pub(crate) const VERIFIER: &str = "verify.py";

/// The files that stand first, in order: what a person reads, and what all else is held against.
pub(crate) const FIRST: [&str; 4] = [README, FORMAT, MANIFEST, MANIFEST_NOTE];

/// The files of every bundle, beside its tables, whatever it is asked to hold.
pub(crate) const ALWAYS: [&str; 9] = [
    README,
    FORMAT,
    MANIFEST,
    MANIFEST_NOTE,
    CHECKPOINT,
    DATA_DICTIONARY,
    EVENTS,
    PUBLIC_KEY,
    VERIFIER,
];

/// The report of a case.
pub(crate) fn report(case: CaseId) -> String {
    format!("report/{case}.html")
}

/// A document of a case.
pub(crate) fn document(case: CaseId, hash: DocumentHash) -> String {
    format!("evidence/{case}/{hash}")
}

/// The case and document that a file is of, if it is one.
pub(crate) fn as_document(name: &str) -> Option<(CaseId, DocumentHash)> {
    let (case, hash) = name.strip_prefix("evidence/")?.split_once('/')?;
    let (case, hash) = (CaseId::parse(case).ok()?, DocumentHash::parse(hash).ok()?);
    (document(case, hash) == name).then_some((case, hash))
}

/// Whether a file is one of the folder of documents.
pub(crate) fn is_document(name: &str) -> bool {
    name.starts_with("evidence/")
}

/// Whether a file may have this name.
pub(crate) fn is_known(name: &str) -> bool {
    let fixed = [
        README,
        FORMAT,
        MANIFEST,
        MANIFEST_NOTE,
        CHECKPOINT,
        DATA_DICTIONARY,
        EVENTS,
        GAPS,
        KEYS,
        OPENINGS,
        STREAMS,
        SUBTREES,
        PUBLIC_KEY,
        VERIFIER,
    ];
    let case = |name: &str| {
        let id = name.strip_prefix("report/")?.strip_suffix(".html")?;
        Some(CaseId::parse(id).is_ok_and(|case| case.to_string() == id))
    };
    fixed.contains(&name)
        || place_of(name).is_some()
        || case(name).unwrap_or(false)
        || as_document(name).is_some()
}
