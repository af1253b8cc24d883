//! Sealing: personal values under a key per person, so that destroying the key erases the person from
//! every copy of the log without changing a byte of it.
//!
//! ```text
//! firm key (file, environment, KMS) ── wraps ──▶ person key ── derives ──▶ value key ── seals ──▶ value
//! ```
//!
//! - A **firm key** never leaves the process that serves. Rotating it wraps the person keys anew and
//!   touches no event.
//! - A **person key** is 32 random bytes, kept wrapped beside the log and nowhere in it. Destroying it
//!   is what erasure is.
//! - A **value key** opens one value of one event and nothing else: it can be handed to an examiner.
//!
//! - A **blob key** opens one scan or letter, which lies sealed in a folder or a bucket
//!   ([`BlobKeys`], [`BlobStore`]).
//!
//! The crate is pure but for [`source`], which reads a key file, [`owner`], and [`BlobStore`]. It knows nothing of
//! events: places are byte strings to it.
//!
//! ```
//! use counterfoil_vault::{PersonKey, Place};
//!
//! let key = PersonKey::from_bytes([7; 32]);
//! let place = Place { scope: "firm/case/1", event: [1; 16], ordinal: 0 };
//! let sealed = key.seal(&place, "Ada Lark");
//! assert_eq!(key.open("firm/case/1", &sealed).unwrap().as_str(), "Ada Lark");
//! assert!(key.open("firm/case/2", &sealed).is_err(), "a sealed value cannot be moved");
//! ```

mod blind;
mod blob;
mod firm;
pub mod owner;
mod sealed;
pub mod source;

pub use blind::BlindKey;
pub use blob::{
    Altered, BlobKeys, BlobName, BlobStore, CHUNK_BYTES, ContentHash, StorageError, StoredBlob,
    sealed_len,
};
pub use firm::{FirmKey, FirmKeys, TAG_BYTES, WRAPPED_BYTES, WrapError};
pub use sealed::{Opened, PersonKey, Place, SealedError, ValueKey, place_of};
