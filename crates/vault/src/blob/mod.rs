//! Scans and letters: sealed in chunks under a key of their person, and named by what only whoever holds
//! that key can compute.
//!
//! A blob is known by the SHA-256 of its plain content, which events carry. Its file is
//! `magic (4) ‖ chunk ‖ chunk ‖ …`, where each chunk is [`CHUNK_BYTES`] of the content, the last one as
//! many as are left, and a tag of 16 bytes: XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03) in the
//! STREAM construction (Hoang, Reyhanitabar, Rogaway and Vizár, CRYPTO 2015, with a counter of 32 bits
//! in big-endian order and a flag of one byte). The nonce is `prefix (19) ‖ counter (4) ‖ last (1)`:
//! no chunk can be taken out, put elsewhere or cut off at the end. Firm, person and hash are associated
//! data.
//!
//! Key and prefix are made of the person's key and the hash, so that each key seals one content and no
//! nonce has to be drawn: the same content of the same person has the same bytes, and writing it twice
//! writes the same. Whoever opens a blob hashes what came out, which binds the content to the name more
//! firmly than any commitment to the key could.
//!
//! What a stored blob tells without the key: whose it is, and how long.

mod store;

use chacha20poly1305::aead::{Aead as _, KeyInit as _, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;
use zeroize::Zeroizing;

use crate::sealed::{PersonKey, derived};

pub use store::{BlobStore, StorageError, StoredBlob};

/// Bytes of content that are sealed together. Part of the format: [`SECRET`] names it too.
pub const CHUNK_BYTES: usize = 64 << 10;
const TAG_BYTES: usize = 16;
const PREFIX_BYTES: usize = 19;
/// Begins every stored blob, so that a person who finds one knows what it is.
const MAGIC: &[u8; 4] = b"CFB1";
/// Names what a person's secret for blobs is derived for. Another way of sealing needs another name:
/// under this one, key and nonce are used up by this one.
const SECRET: &[u8] = b"counterfoil/blob/1";
const NAME: &[u8] = b"name";
const KEY: &[u8] = b"key";
const PREFIX: &[u8] = b"prefix";
/// Names what is derived for the statement kept beside a blob. Longer than the others.
const STATED: &[u8] = b"stated beside it";

/// Why a stored blob does not open. Says nothing of its content.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("changed after it was sealed, cut short, or another blob")]
pub struct Altered;

/// The SHA-256 of plain content (FIPS 180-4).
pub type ContentHash = [u8; 32];

/// The name that a blob is stored under: HMAC-SHA-256 of its hash under the person's key. A hash alone
/// would tell whoever can guess the content, and forms that are filled in alike are easily guessed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BlobName(pub [u8; 32]);

impl BlobName {
    /// Reads 64 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        let mut bytes = [0; 32];
        hex::decode_to_slice(text, &mut bytes).ok()?;
        Some(Self(bytes)).filter(|name| name.to_string() == text)
    }
}

impl std::fmt::Display for BlobName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

/// What names, seals and opens the blobs of one person, and nothing else of that person's.
#[derive(Clone)]
pub struct BlobKeys {
    firm: Uuid,
    person: Uuid,
    secret: Zeroizing<[u8; 32]>,
}

impl PersonKey {
    /// The keys of this person's blobs.
    pub fn blobs(&self, firm: Uuid, person: Uuid) -> BlobKeys {
        BlobKeys { firm, person, secret: derived(self.bytes(), &[SECRET]) }
    }
}

impl BlobKeys {
    /// The firm.
    pub fn firm(&self) -> Uuid {
        self.firm
    }

    /// Whose blobs.
    pub fn person(&self) -> Uuid {
        self.person
    }

    /// The name that content of this hash is stored under.
    pub fn name(&self, hash: &ContentHash) -> BlobName {
        BlobName(*self.derived(NAME, hash))
    }

    /// Seals content whose hash this is.
    ///
    /// # Panics
    /// If it has more chunks than a counter of 32 bits tells apart: 256 TiB.
    pub fn seal(&self, hash: &ContentHash, content: &[u8]) -> Vec<u8> {
        let chunks = content.len().div_ceil(CHUNK_BYTES).max(1);
        let mut sealed = Vec::with_capacity(MAGIC.len() + content.len() + chunks * TAG_BYTES);
        sealed.extend_from_slice(MAGIC);
        let stream = self.stream(hash);
        let mut rest = content;
        for counter in 0_u32.. {
            let (chunk, after) = rest.split_at(rest.len().min(CHUNK_BYTES));
            let payload = Payload { msg: chunk, aad: &stream.scope };
            let chunk = stream.cipher.encrypt(&stream.nonce(counter, after.is_empty()), payload);
            sealed.extend_from_slice(&chunk.expect("a chunk is shorter than the cipher's limit"));
            if after.is_empty() {
                return sealed;
            }
            rest = after;
        }
        unreachable!("the content has fewer chunks than there are counters")
    }

    /// Opens what was sealed under this hash, and holds the content against it.
    pub fn open(&self, hash: &ContentHash, sealed: &[u8]) -> Result<Vec<u8>, Altered> {
        let mut rest = sealed.strip_prefix(MAGIC).ok_or(Altered)?;
        let stream = self.stream(hash);
        let mut content = Vec::with_capacity(rest.len());
        for counter in 0_u32.. {
            let (chunk, after) = rest.split_at(rest.len().min(CHUNK_BYTES + TAG_BYTES));
            let payload = Payload { msg: chunk, aad: &stream.scope };
            let opened = stream.cipher.decrypt(&stream.nonce(counter, after.is_empty()), payload);
            content.extend_from_slice(&opened.map_err(|_| Altered)?);
            if after.is_empty() {
                let found: ContentHash = Sha256::digest(&content).into();
                return if found == *hash { Ok(content) } else { Err(Altered) };
            }
            rest = after;
        }
        Err(Altered)
    }

    /// Seals the hash of content for whoever keeps a statement of it beside the blob: it opens for the
    /// same name and statement alone. The key is made of both, so that it seals one hash, once.
    ///
    /// # Panics
    /// Never: a hash is far shorter than the cipher's limit.
    pub fn seal_hash(&self, hash: &ContentHash, stated: &[u8]) -> Vec<u8> {
        let cipher = self.beside(&self.name(hash), stated);
        let sealed = cipher.encrypt(&XNonce::default(), hash.as_slice());
        sealed.expect("a hash is shorter than the cipher's limit")
    }

    /// Opens it again, if name and statement are those it was sealed with.
    pub fn open_hash(
        &self,
        name: &BlobName,
        stated: &[u8],
        sealed: &[u8],
    ) -> Result<ContentHash, Altered> {
        let opened = self.beside(name, stated).decrypt(&XNonce::default(), sealed);
        let hash = ContentHash::try_from(opened.map_err(|_| Altered)?).map_err(|_| Altered)?;
        if self.name(&hash) == *name { Ok(hash) } else { Err(Altered) }
    }

    fn beside(&self, name: &BlobName, stated: &[u8]) -> XChaCha20Poly1305 {
        let key = derived(&self.secret, &[STATED, &name.0, stated]);
        XChaCha20Poly1305::new(&(*key).into())
    }

    fn stream(&self, hash: &ContentHash) -> Stream {
        let mut prefix = [0; PREFIX_BYTES];
        prefix.copy_from_slice(&self.derived(PREFIX, hash)[..PREFIX_BYTES]);
        let scope = [self.firm.as_bytes(), self.person.as_bytes(), hash.as_slice()].concat();
        let key = self.derived(KEY, hash);
        Stream { cipher: XChaCha20Poly1305::new(&(*key).into()), prefix, scope }
    }

    /// Each label is of another length, and the hash is not: no label and hash run into each other, nor into
    /// [`STATED`], whose parts are longer than the longest of these.
    fn derived(&self, label: &[u8], hash: &ContentHash) -> Zeroizing<[u8; 32]> {
        derived(&self.secret, &[label, hash])
    }
}

impl std::fmt::Debug for BlobKeys {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

/// How many bytes content of this length is stored as.
pub fn sealed_len(content: u64) -> u64 {
    let number = |number: usize| u64::try_from(number).unwrap_or(u64::MAX);
    let chunks = content.div_ceil(number(CHUNK_BYTES)).max(1);
    number(MAGIC.len()) + content + chunks * number(TAG_BYTES)
}

/// One blob's cipher.
struct Stream {
    cipher: XChaCha20Poly1305,
    prefix: [u8; PREFIX_BYTES],
    scope: Vec<u8>,
}

impl Stream {
    fn nonce(&self, counter: u32, is_last: bool) -> XNonce {
        let mut nonce = [0; PREFIX_BYTES + 5];
        nonce[..PREFIX_BYTES].copy_from_slice(&self.prefix);
        nonce[PREFIX_BYTES..PREFIX_BYTES + 4].copy_from_slice(&counter.to_be_bytes());
        nonce[PREFIX_BYTES + 4] = u8::from(is_last);
        XNonce::from(nonce)
    }
}

#[cfg(test)]
mod tests;
