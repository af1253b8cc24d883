//! Snapshots in the file are deflated (RFC 1950): they are text that says the same again and again, and each
//! replaces the one before it whole. A server does that by itself.

use std::io::{Read as _, Write as _};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use log::StoreError;

pub(super) fn deflate(bytes: &[u8]) -> Result<Vec<u8>, StoreError> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::fast());
    let written = encoder.write_all(bytes).and_then(|()| encoder.finish());
    written.map_err(|source| StoreError::Internal {
        what: "a snapshot to deflate".into(),
        source: Some(Box::new(source)),
    })
}

/// Bytes that are not what was written stay as they are, and are no snapshot to whoever reads them.
pub(super) fn inflate(bytes: &[u8]) -> Vec<u8> {
    let mut inflated = Vec::new();
    match ZlibDecoder::new(bytes).read_to_end(&mut inflated) {
        Ok(_) => inflated,
        Err(_) => bytes.to_vec(),
    }
}
