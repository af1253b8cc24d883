//! Sealing small secrets at rest: XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03) under one key that the
//! database never sees.

use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};

/// Bytes of the key.
const KEY_BYTES: usize = 32;
const NONCE_BYTES: usize = 24;
/// The first byte of what is sealed: how it was.
const XCHACHA20_POLY1305: u8 = 1;

/// Seals secrets for the database, and opens them again.
pub trait SealedAtRest: Send + Sync + 'static {
    /// Seals bytes so that they open only beside the same associated data, which says what they are
    /// and whose.
    fn seal(&self, associated: &[u8], bytes: &[u8]) -> Result<Vec<u8>, SealError>;

    /// Opens what was sealed.
    fn open(&self, associated: &[u8], sealed: &[u8]) -> Result<Vec<u8>, SealError>;
}

/// Why something is not sealed or opened.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// The text of a key is not 64 hexadecimal digits.
    #[error("a sealing key is 64 hexadecimal digits")]
    Key,
    /// The system gives no random bytes.
    #[error("the system gives no random bytes")]
    Randomness(#[source] getrandom::Error),
    /// It was sealed under another key, for something else, or was changed since.
    #[error("it was sealed under another key, or changed since")]
    Other,
}

/// The one key of a database, from a file or the environment.
pub struct MasterKey(XChaCha20Poly1305);

impl MasterKey {
    /// Reads 64 hexadecimal digits, white space around them left out.
    pub fn from_hex(text: &str) -> Result<Self, SealError> {
        let mut key = [0; KEY_BYTES];
        hex::decode_to_slice(text.trim(), &mut key).map_err(|_| SealError::Key)?;
        Ok(Self(XChaCha20Poly1305::new(&key.into())))
    }

    fn encrypt(
        &self,
        nonce: [u8; NONCE_BYTES],
        aad: &[u8],
        msg: &[u8],
    ) -> Result<Vec<u8>, SealError> {
        let sealed = self.0.encrypt(&XNonce::from(nonce), Payload { msg, aad });
        sealed.map_err(|_| SealError::Other)
    }
}

impl SealedAtRest for MasterKey {
    fn seal(&self, associated: &[u8], bytes: &[u8]) -> Result<Vec<u8>, SealError> {
        let mut nonce = [0; NONCE_BYTES];
        getrandom::fill(&mut nonce).map_err(SealError::Randomness)?;
        let encrypted = self.encrypt(nonce, associated, bytes)?;
        Ok([&[XCHACHA20_POLY1305][..], &nonce, &encrypted].concat())
    }

    fn open(&self, associated: &[u8], sealed: &[u8]) -> Result<Vec<u8>, SealError> {
        let Some((&XCHACHA20_POLY1305, rest)) = sealed.split_first() else {
            return Err(SealError::Other);
        };
        let (nonce, msg) = rest.split_first_chunk::<NONCE_BYTES>().ok_or(SealError::Other)?;
        let payload = Payload { msg, aad: associated };
        self.0.decrypt(&XNonce::from(*nonce), payload).map_err(|_| SealError::Other)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// draft-irtf-cfrg-xchacha-03, appendix A.3.1; from memory.
    #[test]
    fn the_cipher_agrees_with_its_draft() {
        let key = "808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f";
        let mut nonce = [0; NONCE_BYTES];
        hex::decode_to_slice("404142434445464748494a4b4c4d4e4f5051525354555657", &mut nonce)
            .unwrap();
        let associated = hex::decode("50515253c0c1c2c3c4c5c6c7").unwrap();
        let text = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip \
                     for the future, sunscreen would be it.";
        let sealed = MasterKey::from_hex(key).unwrap().encrypt(nonce, &associated, text).unwrap();
        assert_eq!(
            hex::encode(sealed),
            "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb731c7f1b0b4aa6440bf3\
             a82f4eda7e39ae64c6708c54c216cb96b72e1213b4522f8c9ba40db5d945b11b69b982c1bb9e3f3fac2b\
             c369488f76b2383565d3fff921f9664c97637da9768812f615c68b13b52ec0875924c1c7987947deafd8\
             780acf49"
        );
    }

    #[test]
    fn what_is_sealed_opens_for_its_own_purpose_alone() {
        let key = MasterKey::from_hex(&"ab".repeat(32)).unwrap();
        let sealed = key.seal(b"firm 1", b"seed").unwrap();
        assert_ne!(sealed, key.seal(b"firm 1", b"seed").unwrap(), "each has a nonce of its own");
        assert_eq!(key.open(b"firm 1", &sealed).unwrap(), b"seed");
        assert!(key.open(b"firm 2", &sealed).is_err());
        let other = MasterKey::from_hex(&"ac".repeat(32)).unwrap();
        assert!(other.open(b"firm 1", &sealed).is_err());
        for at in 0..sealed.len() {
            let mut changed = sealed.clone();
            changed[at] ^= 1;
            assert!(key.open(b"firm 1", &changed).is_err(), "byte {at}");
        }
        assert!(key.open(b"firm 1", &[]).is_err());
        for wrong in ["", "ab", &"xy".repeat(32)] {
            assert!(MasterKey::from_hex(wrong).is_err());
        }
    }
}
