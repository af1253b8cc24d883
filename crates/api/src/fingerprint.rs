//! What makes two requests under one id the same request.

use prost::Message;
use sha2::{Digest, Sha256};

/// SHA-256 (FIPS 180-4) of the encoded message, its request id included.
///
/// prost writes known fields in order of their numbers and drops unknown ones, so the same content
/// always has the same fingerprint, whatever the client's encoder did.
pub fn fingerprint(message: &impl Message) -> [u8; 32] {
    Sha256::digest(message.encode_to_vec()).into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::v1::GetHeadRequest;

    #[test]
    fn the_fingerprint_is_the_hash_of_the_encoded_message() {
        // FIPS 180-4: SHA-256 of the empty message.
        let empty = fingerprint(&GetHeadRequest::default());
        assert_eq!(empty[..4], [0xe3, 0xb0, 0xc4, 0x42]);
        let other = fingerprint(&GetHeadRequest { parent: "firms/x".into() });
        assert_ne!(empty, other);
    }
}
