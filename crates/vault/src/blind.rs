//! Keyed hashes, by which two people are compared without their values lying anywhere.

use sha2::{Digest as _, Sha256};
use zeroize::Zeroizing;

use crate::sealed::{PersonKey, derived};

/// Names what a blind key is derived for.
const BLIND: &[u8] = b"counterfoil/blind/1";

/// A firm's key for comparing. It is a secret of the firm's like a person's key, and kept like one:
/// whoever has only the database can test no guess, however few telephone numbers there are.
#[derive(Clone)]
pub struct BlindKey(Zeroizing<[u8; 32]>);

impl BlindKey {
    /// The one that belongs to a firm's own secret.
    pub fn of(secret: &PersonKey) -> Self {
        Self(derived(secret.bytes(), &[BLIND]))
    }

    /// HMAC-SHA-256 of a value of some kind. Equal for equal values, and says nothing else.
    pub fn hash_bytes(&self, kind: &str, value: &[u8]) -> [u8; 32] {
        // The kind is hashed first, so that no kind and value run into each other.
        *derived(&self.0, &[&Sha256::digest(kind.as_bytes()), value])
    }
}

impl std::fmt::Debug for BlindKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_of_one_kind_and_firm_are_equal_and_nothing_else_is() {
        let one = BlindKey::of(&PersonKey::from_bytes([1; 32]));
        let other = BlindKey::of(&PersonKey::from_bytes([2; 32]));
        assert_eq!(
            one.hash_bytes("phone", b"+12015550123"),
            one.hash_bytes("phone", b"+12015550123")
        );
        assert_ne!(
            one.hash_bytes("phone", b"+12015550123"),
            one.hash_bytes("phone", b"+12015550124")
        );
        assert_ne!(one.hash_bytes("phone", b"1"), one.hash_bytes("address", b"1"));
        assert_ne!(one.hash_bytes("phone", b"1"), other.hash_bytes("phone", b"1"));
    }

    #[test]
    fn the_hash_is_hmac_sha_256() {
        // RFC 4231 section 4.2, test case 1, has a key of 20 bytes, which HMAC fills with zeros.
        let mut key = [0; 32];
        key[..20].fill(0x0b);
        let expected = "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7";
        assert_eq!(hex::encode(derived(&key, &[b"Hi", b" There"])), expected);
    }
}
