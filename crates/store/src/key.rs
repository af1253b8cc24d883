//! Keys by which two clients' cards are compared.

use domain::ids::FirmId;
use sha2::{Digest, Sha256};

use crate::value::{Column, Kind, Malformed, Value};

/// A key that is equal for equal card tokens in one firm.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct MatchKey([u8; 32]);

impl MatchKey {
    /// SHA-256 (FIPS 180-4) over firm and token, a fixed number of bytes for an index. A token is the
    /// processor's name for a card and says nothing of it; what is personal is compared by keyed hashes
    /// ([`log::ComparedBy`]).
    pub(crate) fn of_card(firm: FirmId, token: &str) -> Self {
        let digest = Sha256::new().chain_update(firm.0.as_bytes()).chain_update(token);
        Self(digest.finalize().into())
    }
}

impl std::fmt::Debug for MatchKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("····")
    }
}

impl Column for MatchKey {
    const KIND: Kind = Kind::Hash;
    fn put(&self) -> Value {
        Value::Hash(self.0)
    }
    fn take(value: Value) -> Result<Self, Malformed> {
        if let Value::Hash(hash) = value {
            Ok(Self(hash))
        } else {
            Err(Malformed { wanted: "a hash" })
        }
    }
}
