//! Keys by which two clients are compared without their values lying in the read model.

use domain::ids::FirmId;
use sha2::{Digest, Sha256};

use crate::value::{Column, Kind, Malformed, Value};

/// What a key is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MatchKind {
    /// A telephone number in E.164 form.
    Phone,
    /// An address in the one form of USPS Publication 28.
    Address,
    /// A processor's card token.
    Card,
}

/// A key that is equal for equal values of one kind in one firm, and says nothing else about them.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct MatchKey([u8; 32]);

impl MatchKey {
    /// SHA-256 (FIPS 180-4) over firm, kind and value. Whoever holds the file can still guess values
    /// of few bits, a telephone number above all; when values are sealed, a keyed hash (HMAC under
    /// the firm's key) takes this function's place, and only this function's.
    pub(crate) fn of(firm: FirmId, kind: MatchKind, value: &str) -> Self {
        let kind = match kind {
            MatchKind::Phone => b'p',
            MatchKind::Address => b'a',
            MatchKind::Card => b'c',
        };
        let mut hasher = Sha256::new();
        hasher.update(firm.0.as_bytes());
        hasher.update([kind]);
        hasher.update(value.as_bytes());
        Self(hasher.finalize().into())
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

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    #[test]
    fn a_key_is_of_one_firm_and_one_kind() {
        let (one, other) = (FirmId(Uuid::from_u128(1)), FirmId(Uuid::from_u128(2)));
        let key = MatchKey::of(one, MatchKind::Phone, "+12015550123");
        assert_eq!(key, MatchKey::of(one, MatchKind::Phone, "+12015550123"));
        assert_ne!(key, MatchKey::of(other, MatchKind::Phone, "+12015550123"));
        assert_ne!(key, MatchKey::of(one, MatchKind::Card, "+12015550123"));
    }
}
