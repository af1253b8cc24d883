//! What searches have kept, read again: `ops/fuzz` adds to it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use counterfoil_fuzz::TARGETS;

/// Most bytes of everything that is kept: a corpus is for finding the way, not for storing it.
const BYTES_MAX: u64 = 500_000;

fn entries(folder: &Path) -> Vec<PathBuf> {
    let read = std::fs::read_dir(folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
    read.map(|entry| entry.unwrap().path()).collect()
}

#[test]
fn every_input_that_was_kept_is_read_as_promised() {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let mut bytes = 0;
    for target in TARGETS {
        let inputs = entries(&corpus.join(target.name));
        assert!(!inputs.is_empty(), "{} has no input", target.name);
        for input in inputs {
            let input_bytes = std::fs::read(&input).unwrap();
            bytes += std::fs::metadata(&input).unwrap().len();
            let read = std::panic::catch_unwind(|| (target.read)(&input_bytes));
            assert!(read.is_ok(), "{} breaks {}", input.display(), target.name);
        }
    }
    assert!(bytes <= BYTES_MAX, "{bytes} bytes are kept: let `ops/fuzz --keep` merge them");
    let folders: BTreeSet<PathBuf> = entries(&corpus).into_iter().collect();
    let known: BTreeSet<PathBuf> = TARGETS.iter().map(|t| corpus.join(t.name)).collect();
    assert_eq!(folders, known, "a folder for each target and no other");
}
