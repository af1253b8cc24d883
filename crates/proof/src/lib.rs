//! Canonical bytes, the Merkle log and signed statements of its end: what makes the ledger provable
//! to a stranger.
//!
//! Hashes follow RFC 9162 section 2.1 with SHA-256 (FIPS 180-4); canonical JSON follows RFC 8785;
//! signatures are Ed25519 (RFC 8032) on notes as C2SP describes them, whose text is a checkpoint of
//! the log; the tree is cut into tiles as C2SP describes those. The crate is pure: it knows nothing
//! of events, storage or time, and performs no I/O, so that a verifier outside the service can use
//! it unchanged.
//!
//! Whoever holds a verifier key, a signed checkpoint, an entry and its proof needs nothing else:
//!
//! ```
//! use counterfoil_proof::note::{KeyName, Note, SignerKey, VerifierKey};
//! use counterfoil_proof::{Checkpoint, leaf_hash, tree};
//!
//! // The log's side: two entries, a checkpoint, a proof of the second entry.
//! let leaves = [leaf_hash(b"first"), leaf_hash(b"second")];
//! let origin = KeyName::parse("ledger.example/firm")?;
//! let signer = SignerKey::from_seed(origin.clone(), &[7; 32]);
//! let checkpoint = Checkpoint::new(origin, 2, tree::root_of(&leaves));
//! let note = Note::signed(checkpoint.body(), &[&signer])?.to_string();
//! let proof = tree::inclusion_proof(&leaves, 1).expect("there is such a leaf");
//! let key_text = signer.verifier().to_string();
//!
//! // The stranger's side.
//! let key: VerifierKey = key_text.parse()?;
//! let note: Note = note.parse()?;
//! note.verify(std::slice::from_ref(&key))?;
//! let checkpoint: Checkpoint = note.text().parse()?;
//! tree::verify_inclusion(&leaf_hash(b"second"), 1, checkpoint.size, &proof, &checkpoint.root)?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod canonical;
mod checkpoint;
mod frontier;
mod hash;
pub mod note;
pub mod tile;
pub mod tree;

pub use checkpoint::{Checkpoint, CheckpointError, EXTENSION_LINES_MAX};
pub use frontier::{FRONTIER_SIZE_MAX, Frontier, FrontierError};
pub use hash::{Hash, HashError, empty_root, leaf_hash, node_hash};
