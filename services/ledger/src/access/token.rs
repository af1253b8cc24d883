//! Bearer tokens: how they are made, written, read and compared.
//!
//! A token names its firm and its public id, so that no index over secrets is needed, and ends in
//! 256 random bits. Kept is only the SHA-256 of the whole text; with that many random bits a slow
//! hash would add nothing.

use domain::ids::{AccessId, DocumentHash, FirmId};
use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;
use uuid::Uuid;

const PREFIX: &str = "cf";
const SECRET_BYTES: usize = 32;

/// A token that was just made. It has no `Debug`: the text leaves the service once.
pub(crate) struct NewToken {
    /// Its public id.
    pub(crate) access: AccessId,
    /// The whole text.
    pub(crate) text: String,
    /// What is kept of it.
    pub(crate) hash: DocumentHash,
}

/// Makes a token of a firm.
pub(crate) fn new_token(firm: FirmId) -> Result<NewToken, getrandom::Error> {
    let mut secret = [0; SECRET_BYTES];
    getrandom::fill(&mut secret)?;
    let mut id = [0; 16];
    getrandom::fill(&mut id)?;
    let access = AccessId(uuid::Builder::from_random_bytes(id).into_uuid());
    let text =
        format!("{PREFIX}_{}_{}_{}", firm.0.simple(), access.0.simple(), hex::encode(secret));
    let hash = hash(&text);
    Ok(NewToken { access, text, hash })
}

/// What a token says about itself; nothing of it is to be trusted before its hash is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Claim {
    /// The firm it says it belongs to.
    pub(crate) firm: FirmId,
    /// The id it says it has.
    pub(crate) access: AccessId,
    hash: DocumentHash,
}

impl Claim {
    /// Reads the value of an `authorization` header: `Bearer cf_...`. The scheme is
    /// case-insensitive (RFC 9110 section 11.1).
    pub(crate) fn from_header(value: &str) -> Option<Self> {
        let (scheme, token) = value.split_once(' ')?;
        if !scheme.eq_ignore_ascii_case("bearer") {
            return None;
        }
        let token = token.trim();
        let mut parts = token.split('_');
        let (prefix, firm, access, secret) =
            (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
        let whole = prefix == PREFIX && parts.next().is_none() && secret.len() == 2 * SECRET_BYTES;
        whole.then_some(())?;
        let id =
            |text: &str| Uuid::try_parse(text).ok().filter(|id| id.simple().to_string() == text);
        Some(Self { firm: FirmId(id(firm)?), access: AccessId(id(access)?), hash: hash(token) })
    }

    /// Whether this is the token that was given out, compared in constant time.
    pub(crate) fn agrees(&self, kept: &DocumentHash) -> bool {
        self.hash.0.ct_eq(&kept.0).into()
    }
}

fn hash(text: &str) -> DocumentHash {
    DocumentHash(Sha256::digest(text.as_bytes()).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_reads_back_and_only_it_agrees() {
        let firm = FirmId(Uuid::from_u128(7));
        let (one, other) = (new_token(firm).unwrap(), new_token(firm).unwrap());
        let claim = Claim::from_header(&format!("Bearer {}", one.text)).unwrap();
        assert_eq!((claim.firm, claim.access), (firm, one.access));
        assert!(claim.agrees(&one.hash));
        assert!(!claim.agrees(&other.hash));
        assert!(Claim::from_header(&format!("bearer {}", one.text)).is_some());
    }

    #[test]
    fn anything_else_is_no_token() {
        let text = new_token(FirmId(Uuid::from_u128(7))).unwrap().text;
        let upper = text.to_uppercase();
        let longer = format!("Bearer {text}_1");
        let cut = format!("Bearer {}", &text[..text.len() - 1]);
        for wrong in [
            "",
            "Bearer",
            "Bearer x",
            &text,
            &format!("Basic {text}"),
            &format!("Bearer {upper}"),
            &longer,
            &cut,
        ] {
            assert_eq!(Claim::from_header(wrong), None, "{wrong}");
        }
    }
}
