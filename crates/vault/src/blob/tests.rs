use aead_stream::{EncryptorBE32, Nonce};
use proptest::prelude::*;

use super::*;

const WHOLE: usize = CHUNK_BYTES + TAG_BYTES;

fn keys_of(byte: u8, person: u128) -> BlobKeys {
    PersonKey::from_bytes([byte; 32]).blobs(Uuid::from_u128(1), Uuid::from_u128(person))
}

fn keys() -> BlobKeys {
    keys_of(7, 2)
}

fn content(bytes: usize) -> (ContentHash, Vec<u8>) {
    let content: Vec<u8> = (0..251_u8).cycle().take(bytes).collect();
    (Sha256::digest(&content).into(), content)
}

fn sealed(bytes: usize) -> (ContentHash, Vec<u8>, Vec<u8>) {
    let (hash, content) = content(bytes);
    let sealed = keys().seal(&hash, &content);
    (hash, content, sealed)
}

#[test]
fn every_length_around_a_chunk_comes_back() {
    for bytes in [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 3 * CHUNK_BYTES, 200_001] {
        let (hash, content, sealed) = sealed(bytes);
        assert_eq!(keys().open(&hash, &sealed).as_ref(), Ok(&content), "{bytes}");
        assert_eq!(u64::try_from(sealed.len()).unwrap(), sealed_len(u64::try_from(bytes).unwrap()));
        assert_eq!(keys().seal(&hash, &content), sealed, "the same content has the same bytes");
    }
}

/// The library has the construction from the paper; ours has to write what it writes.
#[test]
fn the_bytes_are_those_of_another_program_for_the_construction() {
    for bytes in [0, 1, CHUNK_BYTES, 2 * CHUNK_BYTES + 5] {
        let (hash, content, sealed) = sealed(bytes);
        let keys = keys();
        let stream = keys.stream(&hash);
        let key = *keys.derived(KEY, &hash);
        let nonce = Nonce::<XChaCha20Poly1305, aead_stream::StreamBE32<XChaCha20Poly1305>>::from(
            stream.prefix,
        );
        let mut other = EncryptorBE32::<XChaCha20Poly1305>::new(&key.into(), &nonce);
        let mut expected = MAGIC.to_vec();
        let mut chunks = content.chunks(CHUNK_BYTES).peekable();
        loop {
            let chunk = chunks.next().unwrap_or_default();
            let payload = Payload { msg: chunk, aad: &stream.scope };
            if chunks.peek().is_none() {
                expected.extend(other.encrypt_last(payload).unwrap());
                break;
            }
            expected.extend(other.encrypt_next(payload).unwrap());
        }
        assert!(expected == sealed, "{bytes}");
    }
}

#[test]
fn keys_and_names_are_hmacs_of_the_hash() {
    // Worked with Python's hmac and hashlib for the content 00 01 02.
    let hash = content(3).0;
    let hex = |bytes: &[u8]| hex::encode(bytes);
    let name = "68fa74da50b1e8e2828282e41881628ab4055e38ad92dd889128b5ed0a0840a4";
    assert_eq!(keys().name(&hash).to_string(), name);
    let key = "4a8f50a2fdb93a3470cc603f1832f668fbf66195418515eb344847687f903621";
    assert_eq!(hex(keys().derived(KEY, &hash).as_slice()), key);
    assert_eq!(hex(&keys().stream(&hash).prefix), "b618bc3da030d840c8e24138d9f69cd83b8a25");
}

#[test]
fn chunks_cannot_be_moved_dropped_or_cut_off() {
    let (hash, _, sealed) = sealed(4 * CHUNK_BYTES);
    let chunk = |at: usize| &sealed[MAGIC.len() + at * WHOLE..MAGIC.len() + (at + 1) * WHOLE];
    let file = |order: &[usize]| {
        order.iter().fold(MAGIC.to_vec(), |mut file, &at| {
            file.extend_from_slice(chunk(at));
            file
        })
    };
    assert_eq!(file(&[0, 1, 2, 3]), sealed);
    for order in [
        &[1, 0, 2, 3][..],
        &[0, 2, 1, 3],
        &[0, 1, 2],
        &[0, 1, 3],
        &[1, 2, 3],
        &[0, 1, 2, 3, 3],
        &[0, 0, 1, 2, 3],
        &[3],
        &[],
    ] {
        assert_eq!(keys().open(&hash, &file(order)), Err(Altered), "{order:?}");
    }
    for cut in [0, 3, 4, 5, MAGIC.len() + WHOLE, sealed.len() - TAG_BYTES, sealed.len() - 1] {
        assert_eq!(keys().open(&hash, &sealed[..cut]), Err(Altered), "{cut}");
    }
    assert_eq!(keys().open(&hash, &[&sealed[..], b"x"].concat()), Err(Altered));
}

#[test]
fn any_flipped_byte_is_found() {
    let (hash, _, sealed) = sealed(100);
    for at in 0..sealed.len() {
        let mut altered = sealed.clone();
        altered[at] ^= 1;
        assert_eq!(keys().open(&hash, &altered), Err(Altered), "{at}");
    }
}

#[test]
fn a_blob_opens_under_its_own_hash_person_and_key_alone() {
    let (hash, content, sealed) = sealed(100);
    let other = self::content(101).0;
    assert_eq!(keys().open(&other, &sealed), Err(Altered));
    assert_eq!(keys_of(7, 3).open(&hash, &sealed), Err(Altered), "another person's place");
    assert_eq!(keys_of(8, 2).open(&hash, &sealed), Err(Altered), "another key");
    let firm = PersonKey::from_bytes([7; 32]).blobs(Uuid::from_u128(9), Uuid::from_u128(2));
    assert_eq!(firm.open(&hash, &sealed), Err(Altered), "another firm's place");
    assert_ne!(keys_of(8, 2).name(&hash), keys().name(&hash));
    assert_ne!(keys_of(8, 2).seal(&hash, &content), sealed);
    // Sealed under a hash that is not the content's own, by whoever holds the key.
    assert_eq!(keys().open(&other, &keys().seal(&other, &content)), Err(Altered));
}

#[test]
fn a_name_reads_back_and_keys_do_not_print() {
    let name = keys().name(&[1; 32]);
    assert_eq!(BlobName::parse(&name.to_string()), Some(name));
    for wrong in ["", "ab", &name.to_string().to_uppercase(), &format!("{name}0")] {
        assert_eq!(BlobName::parse(wrong), None, "{wrong}");
    }
    assert_eq!(format!("{:?}", keys()), "····");
}

proptest! {
    #[test]
    fn reading_never_panics(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(keys().open(&[3; 32], &bytes).is_err());
        prop_assert!(keys().open(&[3; 32], &[&MAGIC[..], &bytes].concat()).is_err());
    }
}

#[test]
fn a_sealed_hash_opens_for_what_was_stated_and_nothing_else() {
    let keys = PersonKey::from_bytes([7; 32]).blobs(Uuid::from_u128(1), Uuid::from_u128(2));
    let hash: ContentHash = Sha256::digest(b"a letter").into();
    let sealed = keys.seal_hash(&hash, b"stated");
    assert_eq!(sealed.len(), 48);
    let name = keys.name(&hash);
    assert_eq!(keys.open_hash(&name, b"stated", &sealed), Ok(hash));
    assert_eq!(keys.open_hash(&name, b"stated!", &sealed), Err(Altered));
    let other = keys.name(&Sha256::digest(b"another").into());
    assert_eq!(keys.open_hash(&other, b"stated", &sealed), Err(Altered));
    for at in 0..sealed.len() {
        let mut changed = sealed.clone();
        changed[at] ^= 1;
        assert_eq!(keys.open_hash(&name, b"stated", &changed), Err(Altered), "{at}");
    }
    let stranger = PersonKey::from_bytes([8; 32]).blobs(Uuid::from_u128(1), Uuid::from_u128(2));
    assert_eq!(stranger.open_hash(&name, b"stated", &sealed), Err(Altered));
}
