//! Firm keys, which wrap the keys of persons.

use chacha20poly1305::aead::{Aead as _, KeyInit as _, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;
use uuid::Uuid;
use zeroize::Zeroizing;

use crate::sealed::{PersonKey, derived};

const ID_BYTES: usize = 8;
const NONCE_BYTES: usize = 24;
/// Bytes of a wrapped key: the firm key's id, a nonce, the key and a tag.
pub const WRAPPED_BYTES: usize = ID_BYTES + NONCE_BYTES + 32 + 16;
/// Bytes of a [`FirmKeys::tag`].
pub const TAG_BYTES: usize = 16;
/// Names what a firm key is used for.
const TAG: &[u8] = b"counterfoil/tag/1";
/// Names what a firm key is used for.
const WRAP: &str = "counterfoil/wrap/1";

/// Why a wrapped key does not come out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WrapError {
    /// None of the keys at hand wrapped it.
    #[error("wrapped under firm key {id}, which is not among the keys given")]
    NoSuchKey {
        /// The first eight bytes of the missing key's SHA-256, in hexadecimal.
        id: String,
    },
    /// It was changed, or belongs to another person.
    #[error("a wrapped key was changed, or is another person's")]
    Altered,
}

/// A firm's key.
#[derive(Clone)]
pub struct FirmKey {
    key: Zeroizing<[u8; 32]>,
    id: [u8; ID_BYTES],
}

impl FirmKey {
    /// A key of 32 random bytes.
    pub fn from_bytes(key: [u8; 32]) -> Self {
        let mut id = [0; ID_BYTES];
        id.copy_from_slice(&Sha256::digest(key)[..ID_BYTES]);
        Self { key: Zeroizing::new(key), id }
    }

    /// By which it is told from others: the first eight bytes of its SHA-256, in hexadecimal.
    pub fn id(&self) -> String {
        hex::encode(self.id)
    }

    fn tag(&self, purpose: &str, bytes: &[u8]) -> [u8; TAG_BYTES] {
        let own = derived(&self.key, &[TAG]);
        // The purpose is hashed first, so that no purpose and bytes run into each other.
        let whole = derived(&own, &[&Sha256::digest(purpose.as_bytes()), bytes]);
        let mut tag = [0; TAG_BYTES];
        tag.copy_from_slice(&whole[..TAG_BYTES]);
        tag
    }

    fn cipher(&self) -> XChaCha20Poly1305 {
        XChaCha20Poly1305::new(&(*self.key).into())
    }
}

impl std::fmt::Debug for FirmKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "firm key {}", self.id())
    }
}

/// The keys at hand: the last one wraps, any of them unwraps.
#[derive(Clone, Debug)]
pub struct FirmKeys {
    earlier: Vec<FirmKey>,
    current: FirmKey,
}

impl FirmKeys {
    /// A single key.
    pub fn new(current: FirmKey) -> Self {
        Self { earlier: Vec::new(), current }
    }

    /// Keys in the order they came into use; nothing if there is none.
    pub fn from_oldest(mut keys: Vec<FirmKey>) -> Option<Self> {
        let current = keys.pop()?;
        Some(Self { earlier: keys, current })
    }

    /// The key that wraps.
    pub fn current(&self) -> &FirmKey {
        &self.current
    }

    /// How many keys are at hand.
    pub fn count(&self) -> usize {
        self.earlier.len() + 1
    }

    /// Wraps a person's key for where it belongs. The nonce is made of what is wrapped, so that the
    /// same key in the same place has the same bytes and no nonce serves two keys.
    ///
    /// # Panics
    /// Never: the cipher only refuses texts of many gigabytes.
    pub fn wrap(&self, firm: Uuid, person: Uuid, key: &PersonKey) -> Vec<u8> {
        self.wrap_secret(&place(firm, person), key.bytes())
    }

    /// Wraps a secret for what it is and whose, which has to be said again to unwrap it.
    ///
    /// # Panics
    /// Never: the cipher only refuses texts of many gigabytes.
    pub fn wrap_secret(&self, purpose: &str, secret: &[u8; 32]) -> Vec<u8> {
        let FirmKey { key: with, id } = &self.current;
        let mut nonce = [0; NONCE_BYTES];
        nonce.copy_from_slice(&derived(with, &[purpose.as_bytes(), secret])[..NONCE_BYTES]);
        let payload = Payload { msg: secret, aad: purpose.as_bytes() };
        let sealed = self.current.cipher().encrypt(&XNonce::from(nonce), payload);
        let sealed = sealed.expect("a key is shorter than the cipher's limit");
        [id.as_slice(), &nonce, &sealed].concat()
    }

    /// The person's key that was wrapped.
    pub fn unwrap(&self, firm: Uuid, person: Uuid, wrapped: &[u8]) -> Result<PersonKey, WrapError> {
        Ok(PersonKey::from_bytes(*self.unwrap_secret(&place(firm, person), wrapped)?))
    }

    /// The secret that was wrapped for a purpose.
    pub fn unwrap_secret(
        &self,
        purpose: &str,
        wrapped: &[u8],
    ) -> Result<Zeroizing<[u8; 32]>, WrapError> {
        let (id, rest) = wrapped.split_first_chunk().ok_or(WrapError::Altered)?;
        let (nonce, sealed) = rest.split_first_chunk().ok_or(WrapError::Altered)?;
        let payload = Payload { msg: sealed, aad: purpose.as_bytes() };
        let opened = self.with_id(*id)?.cipher().decrypt(&XNonce::from(*nonce), payload);
        let opened = opened.map(Zeroizing::new).map_err(|_| WrapError::Altered)?;
        let secret: [u8; 32] = opened.as_slice().try_into().map_err(|_| WrapError::Altered)?;
        Ok(Zeroizing::new(secret))
    }

    /// Whether a wrapped key was wrapped by the key that wraps now.
    pub fn is_current(&self, wrapped: &[u8]) -> bool {
        wrapped.starts_with(&self.current.id)
    }

    /// Marks bytes that leave and come back as ours: HMAC-SHA-256, cut to its first half (RFC 2104
    /// section 5), for what they are.
    pub fn tag(&self, purpose: &str, bytes: &[u8]) -> [u8; TAG_BYTES] {
        self.current.tag(purpose, bytes)
    }

    /// Whether bytes were marked so, by any of the keys; compared in constant time.
    pub fn agrees(&self, purpose: &str, bytes: &[u8], tag: &[u8; TAG_BYTES]) -> bool {
        let mut known = std::iter::once(&self.current).chain(&self.earlier);
        known.any(|key| key.tag(purpose, bytes).ct_eq(tag).into())
    }

    fn with_id(&self, id: [u8; ID_BYTES]) -> Result<&FirmKey, WrapError> {
        let mut known = std::iter::once(&self.current).chain(&self.earlier);
        known.find(|key| key.id == id).ok_or_else(|| WrapError::NoSuchKey { id: hex::encode(id) })
    }
}

fn place(firm: Uuid, person: Uuid) -> String {
    format!("{WRAP}/{firm}/{person}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn firm_key(byte: u8) -> FirmKey {
        FirmKey::from_bytes([byte; 32])
    }

    fn id(number: u128) -> Uuid {
        Uuid::from_u128(number)
    }

    #[test]
    fn a_wrapped_key_comes_out_where_it_belongs_and_nowhere_else() {
        let keys = FirmKeys::new(firm_key(1));
        let wrapped = keys.wrap(id(1), id(2), &PersonKey::from_bytes([7; 32]));
        assert_eq!(wrapped.len(), WRAPPED_BYTES);
        assert_eq!(keys.unwrap(id(1), id(2), &wrapped).unwrap().bytes(), &[7; 32]);
        for (firm, person) in [(1, 3), (3, 2)] {
            let elsewhere = keys.unwrap(id(firm), id(person), &wrapped);
            assert_eq!(elsewhere.unwrap_err(), WrapError::Altered);
        }
        for at in ID_BYTES..wrapped.len() {
            let mut altered = wrapped.clone();
            altered[at] ^= 1;
            assert_eq!(keys.unwrap(id(1), id(2), &altered).unwrap_err(), WrapError::Altered);
        }
    }

    #[test]
    fn an_earlier_key_still_unwraps_and_a_missing_one_is_named() {
        let old = FirmKeys::new(firm_key(1));
        let wrapped = old.wrap(id(1), id(2), &PersonKey::from_bytes([7; 32]));
        let both = FirmKeys::from_oldest(vec![firm_key(1), firm_key(2)]).unwrap();
        assert!(!both.is_current(&wrapped));
        let key = both.unwrap(id(1), id(2), &wrapped).unwrap();
        let again = both.wrap(id(1), id(2), &key);
        assert!(both.is_current(&again));
        let new = FirmKeys::new(firm_key(2));
        assert_eq!(new.unwrap(id(1), id(2), &again).unwrap().bytes(), &[7; 32]);
        let missing = new.unwrap(id(1), id(2), &wrapped).unwrap_err();
        assert_eq!(missing, WrapError::NoSuchKey { id: firm_key(1).id() });
    }
}
