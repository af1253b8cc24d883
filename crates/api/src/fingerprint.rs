//! What makes two requests under one id the same request.

use prost::encoding::{
    DecodeContext, WireType, decode_key, decode_varint, encode_varint, skip_field,
};
use prost::{Message, Name};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::json::descriptors;

/// SHA-256 (FIPS 180-4) of the encoded message, its request id included.
///
/// prost writes known fields in order of their numbers and drops unknown ones, so the same content
/// always has the same fingerprint, whatever the client's encoder did. A request id is a UUID, which is the
/// same in upper case (RFC 9562, section 4): it counts as it is written in lower case.
pub fn fingerprint<M: Message + Name>(message: &M) -> [u8; 32] {
    let contract = descriptors().get_message_by_name(&M::full_name());
    let field = contract.and_then(|contract| contract.get_field_by_name("request_id"));
    let bytes = message.encode_to_vec();
    let written = field.and_then(|field| with_plain_id(&bytes, field.number()));
    Sha256::digest(written.unwrap_or(bytes)).into()
}

/// The same message with its request id in lower case, if it is not written like that.
fn with_plain_id(bytes: &[u8], number: u32) -> Option<Vec<u8>> {
    let mut rest = bytes;
    loop {
        let (tag, wire) = decode_key(&mut rest).ok()?;
        if tag == number && wire == WireType::LengthDelimited {
            break;
        }
        skip_field(wire, tag, &mut rest, DecodeContext::default()).ok()?;
    }
    let before = &bytes[..bytes.len() - rest.len()];
    let length = usize::try_from(decode_varint(&mut rest).ok()?).ok()?;
    let (id, after) = rest.split_at_checked(length)?;
    let plain = Uuid::try_parse_ascii(id).ok()?.to_string();
    if plain.as_bytes() == id {
        return None;
    }
    let mut written = before.to_vec();
    encode_varint(u64::try_from(plain.len()).ok()?, &mut written);
    written.extend(plain.as_bytes());
    written.extend(after);
    Some(written)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::v1;

    #[test]
    fn the_fingerprint_is_the_hash_of_the_encoded_message() {
        // FIPS 180-4: SHA-256 of the empty message.
        let empty = fingerprint(&v1::GetHeadRequest::default());
        assert_eq!(empty[..4], [0xe3, 0xb0, 0xc4, 0x42]);
        let other = fingerprint(&v1::GetHeadRequest { parent: "firms/x".into() });
        assert_ne!(empty, other);
    }

    #[test]
    fn an_id_is_the_same_however_it_is_written() {
        let request = |name: &str, id: &str| v1::RecordRequest {
            name: name.into(),
            request_id: id.into(),
            expected_version: Some(3),
            ..v1::RecordRequest::default()
        };
        let id = "018f2b6e-00aa-7000-8000-0000000000fe";
        let plain = fingerprint(&request("x", id));
        let encoded: [u8; 32] = Sha256::digest(request("x", id).encode_to_vec()).into();
        assert_eq!(plain, encoded, "as it was before ids were read like that");
        let simple = id.replace('-', "");
        for same in [id.to_uppercase(), simple, format!("{{{id}}}"), format!("urn:uuid:{id}")] {
            assert_eq!(fingerprint(&request("x", &same)), plain, "{same}");
            assert_ne!(fingerprint(&request("X", &same)), plain);
        }
        for other in ["", "no id", "018f2b6e-00aa-7000-8000-0000000000ff"] {
            assert_ne!(fingerprint(&request("x", other)), plain, "{other}");
        }
    }
}
