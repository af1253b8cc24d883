//! One sealed value.
//!
//! `nonce (24) ‖ commitment (32) ‖ ciphertext ‖ tag (16)`, in base64url without padding (RFC 4648
//! section 5). XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03) under the value key; the associated
//! data is the scope, so that a value cannot be moved to another stream or firm.
//!
//! The nonce is the event's id and the ordinal of the value in it. A person key seals each place once,
//! so no nonce comes twice and none has to be drawn: the same event always has the same bytes. Whoever
//! moves a value to another place of the same stream is betrayed by the nonce.
//!
//! The commitment is a hash of the value key. Poly1305 alone does not bind a ciphertext to one key, and
//! whoever makes both could hand out a second one that opens it to other words; an examiner who is
//! given a value key must be able to rely on there being no second.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chacha20poly1305::aead::{Aead as _, KeyInit as _, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use hmac::{Hmac, Mac as _};
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;
use zeroize::Zeroizing;

const NONCE_BYTES: usize = 24;
const COMMITMENT_BYTES: usize = 32;
const TAG_BYTES: usize = 16;
/// Names the derivation of value keys.
const VALUE_KEY: &[u8] = b"counterfoil/value/1";
/// Names the commitment to a value key.
const COMMITMENT: &[u8] = b"counterfoil/commitment/1";

/// Why a sealed value does not open. None of these says anything of the value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SealedError {
    /// It is no sealed value at all.
    #[error("not a sealed value")]
    Malformed,
    /// It was sealed under another key.
    #[error("sealed under another key")]
    OtherKey,
    /// It was changed, or belongs elsewhere.
    #[error("changed after it was sealed, or moved from another stream")]
    Altered,
}

/// Where a value stands.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    /// The firm and the stream: associated data.
    pub scope: &'a str,
    /// The event's id.
    pub event: [u8; 16],
    /// Which of the event's personal values it is, from zero, in the order they are stored.
    pub ordinal: u64,
}

impl Place<'_> {
    fn nonce(&self) -> [u8; NONCE_BYTES] {
        let mut nonce = [0; NONCE_BYTES];
        nonce[..16].copy_from_slice(&self.event);
        nonce[16..].copy_from_slice(&self.ordinal.to_be_bytes());
        nonce
    }
}

/// A value that was opened. It is wiped from memory when it is dropped.
pub type Opened = Zeroizing<String>;

/// The key of one person.
#[derive(Clone)]
pub struct PersonKey(Zeroizing<[u8; 32]>);

impl PersonKey {
    /// A key of 32 random bytes.
    pub fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(Zeroizing::new(bytes))
    }

    pub(crate) fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// Seals a value of any length.
    ///
    /// # Panics
    /// Never: the cipher only refuses texts of many gigabytes.
    pub fn seal(&self, place: &Place<'_>, text: &str) -> String {
        let nonce = place.nonce();
        let key = self.value_key_at(&nonce);
        let payload = Payload { msg: text.as_bytes(), aad: place.scope.as_bytes() };
        let sealed = key.cipher().encrypt(&XNonce::from(nonce), payload);
        let sealed = sealed.expect("a personal value is shorter than the cipher's limit");
        let mut bytes = Vec::with_capacity(NONCE_BYTES + COMMITMENT_BYTES + sealed.len());
        bytes.extend_from_slice(&nonce);
        bytes.extend_from_slice(&key.commitment());
        bytes.extend_from_slice(&sealed);
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// Opens a value of this person.
    pub fn open(&self, scope: &str, sealed: &str) -> Result<Opened, SealedError> {
        let parts = Parts::of(sealed)?;
        self.value_key_at(&parts.nonce).open_parts(scope, &parts)
    }

    /// The key of one sealed value, which opens that and nothing else.
    pub fn value_key(&self, sealed: &str) -> Result<ValueKey, SealedError> {
        Ok(self.value_key_at(&Parts::of(sealed)?.nonce))
    }

    fn value_key_at(&self, nonce: &[u8; NONCE_BYTES]) -> ValueKey {
        ValueKey(derived(self.bytes(), &[VALUE_KEY, nonce]))
    }
}

impl std::fmt::Debug for PersonKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

/// HMAC-SHA-256 (RFC 2104, FIPS 198-1) under a key of 32 bytes.
pub(crate) fn keyed(key: &[u8; 32]) -> Hmac<Sha256> {
    <Hmac<Sha256> as hmac::KeyInit>::new_from_slice(key).expect("HMAC takes a key of any length")
}

/// HMAC-SHA-256 of parts that follow each other, as a secret of its own.
pub(crate) fn derived(key: &[u8; 32], parts: &[&[u8]]) -> Zeroizing<[u8; 32]> {
    let mut mac = keyed(key);
    for part in parts {
        mac.update(part);
    }
    Zeroizing::new(mac.finalize().into_bytes().into())
}

/// The key of one sealed value.
#[derive(Clone)]
pub struct ValueKey(Zeroizing<[u8; 32]>);

impl ValueKey {
    /// One that was handed out.
    pub fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(Zeroizing::new(bytes))
    }

    /// To be handed out, with everything that the value says.
    pub fn to_bytes(&self) -> [u8; 32] {
        *self.0
    }

    fn cipher(&self) -> XChaCha20Poly1305 {
        XChaCha20Poly1305::new(&(*self.0).into())
    }

    fn commitment(&self) -> [u8; COMMITMENT_BYTES] {
        Sha256::new().chain_update(COMMITMENT).chain_update(*self.0).finalize().into()
    }

    /// Opens the value that this is the key of.
    pub fn open(&self, scope: &str, sealed: &str) -> Result<Opened, SealedError> {
        self.open_parts(scope, &Parts::of(sealed)?)
    }

    fn open_parts(&self, scope: &str, parts: &Parts) -> Result<Opened, SealedError> {
        if !bool::from(self.commitment().ct_eq(&parts.commitment)) {
            return Err(SealedError::OtherKey);
        }
        let payload = Payload { msg: &parts.sealed, aad: scope.as_bytes() };
        let text = self.cipher().decrypt(&XNonce::from(parts.nonce), payload);
        let text = text.map_err(|_| SealedError::Altered)?;
        String::from_utf8(text).map(Zeroizing::new).map_err(|_| SealedError::Altered)
    }
}

impl std::fmt::Debug for ValueKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

/// The event and the ordinal that a sealed value says it belongs to.
pub fn place_of(sealed: &str) -> Result<([u8; 16], u64), SealedError> {
    let nonce = Parts::of(sealed)?.nonce;
    let (mut event, mut ordinal) = ([0; 16], [0; 8]);
    event.copy_from_slice(&nonce[..16]);
    ordinal.copy_from_slice(&nonce[16..]);
    Ok((event, u64::from_be_bytes(ordinal)))
}

/// A sealed value taken apart.
struct Parts {
    nonce: [u8; NONCE_BYTES],
    commitment: [u8; COMMITMENT_BYTES],
    sealed: Vec<u8>,
}

impl Parts {
    fn of(sealed: &str) -> Result<Self, SealedError> {
        let bytes = URL_SAFE_NO_PAD.decode(sealed).map_err(|_| SealedError::Malformed)?;
        let (nonce, rest) = bytes.split_first_chunk().ok_or(SealedError::Malformed)?;
        let (commitment, rest) = rest.split_first_chunk().ok_or(SealedError::Malformed)?;
        if rest.len() < TAG_BYTES {
            return Err(SealedError::Malformed);
        }
        Ok(Self { nonce: *nonce, commitment: *commitment, sealed: rest.to_vec() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SCOPE: &str = "firm/case/1";

    fn place(ordinal: u64) -> Place<'static> {
        Place { scope: SCOPE, event: [9; 16], ordinal }
    }

    fn key(byte: u8) -> PersonKey {
        PersonKey::from_bytes([byte; 32])
    }

    #[test]
    fn the_cipher_is_the_one_of_the_draft() {
        // draft-irtf-cfrg-xchacha-03, appendix A.3.1.
        let key: [u8; 32] = std::array::from_fn(|at| 0x80 + u8::try_from(at).unwrap());
        let nonce: [u8; 24] = std::array::from_fn(|at| 0x40 + u8::try_from(at).unwrap());
        let aad = hex::decode("50515253c0c1c2c3c4c5c6c7").unwrap();
        let text = "Ladies and Gentlemen of the class of '99: If I could offer you only one tip for \
                    the future, sunscreen would be it.";
        let payload = Payload { msg: text.as_bytes(), aad: &aad };
        let sealed = ValueKey::from_bytes(key).cipher().encrypt(&XNonce::from(nonce), payload);
        let expected = "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb\
                        731c7f1b0b4aa6440bf3a82f4eda7e39ae64c6708c54c216cb96b72e1213b452\
                        2f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2383565d3fff9\
                        21f9664c97637da9768812f615c68b13b52e\
                        c0875924c1c7987947deafd8780acf49";
        assert_eq!(hex::encode(sealed.unwrap()), expected);
    }

    #[test]
    fn a_place_always_has_the_same_bytes_and_no_other_place_has_them() {
        let sealed = key(1).seal(&place(0), "Ada Lark");
        assert_eq!(sealed, key(1).seal(&place(0), "Ada Lark"));
        assert_ne!(sealed, key(1).seal(&place(1), "Ada Lark"));
        assert_eq!(place_of(&sealed).unwrap(), ([9; 16], 0));
    }

    #[test]
    fn another_persons_key_does_not_open_it() {
        let sealed = key(1).seal(&place(0), "Ada Lark");
        assert_eq!(key(2).open(SCOPE, &sealed).unwrap_err(), SealedError::OtherKey);
        assert_eq!(key(1).open("firm/case/2", &sealed).unwrap_err(), SealedError::Altered);
    }

    #[test]
    fn a_value_key_opens_one_value() {
        let (one, two) = (key(1).seal(&place(0), "one"), key(1).seal(&place(1), "two"));
        let handed_out = ValueKey::from_bytes(key(1).value_key(&one).unwrap().to_bytes());
        assert_eq!(handed_out.open(SCOPE, &one).unwrap().as_str(), "one");
        assert_eq!(handed_out.open(SCOPE, &two).unwrap_err(), SealedError::OtherKey);
    }

    #[test]
    fn keys_do_not_print() {
        let key = key(1);
        let value_key = key.value_key(&key.seal(&place(0), "one")).unwrap();
        assert_eq!(format!("{key:?} {value_key:?}"), "···· ····");
    }

    proptest! {
        #[test]
        fn what_was_sealed_opens_and_what_was_changed_does_not(
            text in "\\PC{0,200}", at in any::<prop::sample::Index>(), flip in 1..=255_u8,
        ) {
            let sealed = key(3).seal(&place(4), &text);
            let opened = key(3).open(SCOPE, &sealed).unwrap();
            prop_assert_eq!(opened.as_str(), &text);
            let mut bytes = URL_SAFE_NO_PAD.decode(&sealed).unwrap();
            let at = at.index(bytes.len());
            bytes[at] ^= flip;
            prop_assert!(key(3).open(SCOPE, &URL_SAFE_NO_PAD.encode(bytes)).is_err());
        }

        #[test]
        fn reading_never_panics(text in "\\PC{0,300}") {
            prop_assert!(key(1).open(SCOPE, &text).is_err());
        }
    }
}
