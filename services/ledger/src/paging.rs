//! Page tokens (AIP-158): where the next page begins, bound to the list they came from.
//!
//! A token carries no right: every page is authorised by the caller's own token and lists only the
//! caller's firm. So it is bound to its list against mistakes, not sealed against its owner.

use std::fmt::Debug;

use api::FieldErrors;
use api::requests::Page;
use sha2::{Digest, Sha256};

/// Bytes of the binding.
const BINDING_BYTES: usize = 8;

/// A list being paged.
pub(crate) struct Pager {
    binding: [u8; BINDING_BYTES],
    size: usize,
}

impl Pager {
    /// The pager of a list, and the key after which the page begins: what an earlier page of the
    /// same RPC, firm and filter ended with.
    pub(crate) fn open<F: Debug>(
        rpc: &str,
        page: &Page<F>,
    ) -> Result<(Self, Option<String>), FieldErrors> {
        let binding = bind(rpc, page);
        let pager = Self { binding, size: page.size };
        if page.token.is_empty() {
            return Ok((pager, None));
        }
        let key = pager.unseal(&page.token).ok_or_else(wrong)?;
        Ok((pager, Some(key)))
    }

    /// As [`Pager::open`], with the key read.
    pub(crate) fn open_at<F: Debug, K>(
        rpc: &str,
        page: &Page<F>,
        read: impl FnOnce(&str) -> Option<K>,
    ) -> Result<(Self, Option<K>), FieldErrors> {
        match Self::open(rpc, page)? {
            (pager, Some(key)) => Ok((pager, Some(read(&key).ok_or_else(wrong)?))),
            (pager, None) => Ok((pager, None)),
        }
    }

    fn unseal(&self, token: &str) -> Option<String> {
        let bytes = hex::decode(token).ok()?;
        let (binding, key) = bytes.split_at_checked(BINDING_BYTES)?;
        (binding == self.binding).then(|| String::from_utf8(key.to_vec()).ok()).flatten()
    }

    /// The token of the page that begins after a key.
    pub(crate) fn token(&self, key: &str) -> String {
        format!("{}{}", hex::encode(self.binding), hex::encode(key))
    }

    /// How many to read: one more than a page, which tells whether there is another.
    pub(crate) fn rows(&self) -> usize {
        self.size + 1
    }

    /// The same, as the read models count rows.
    pub(crate) fn limit(&self) -> u32 {
        limit(self.rows())
    }

    /// Cuts a list that was read with [`Pager::rows`] to its page, and gives the next one's token.
    pub(crate) fn cut<T>(&self, entries: &mut Vec<T>, key: impl FnOnce(&T) -> String) -> String {
        if entries.len() <= self.size {
            return String::new();
        }
        entries.truncate(self.size);
        entries.last().map(|last| self.token(&key(last))).unwrap_or_default()
    }
}

/// So many rows, as the read models count them.
pub(crate) fn limit(rows: usize) -> u32 {
    u32::try_from(rows).unwrap_or(u32::MAX)
}

fn bind<F: Debug>(rpc: &str, page: &Page<F>) -> [u8; BINDING_BYTES] {
    let digest = Sha256::digest(format!("{rpc}\n{}\n{:?}", page.firm, page.filter));
    let mut binding = [0; BINDING_BYTES];
    binding.copy_from_slice(&digest[..BINDING_BYTES]);
    binding
}

fn wrong() -> FieldErrors {
    FieldErrors::one("page_token", "must be a next_page_token of this list")
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::FirmId;

    fn page(filter: u8, token: &str) -> Page<u8> {
        let firm = FirmId(uuid::Uuid::from_u128(1));
        Page { firm, size: 2, token: token.into(), at_least_position: 0, filter }
    }

    #[test]
    fn a_token_opens_only_the_list_it_came_from() {
        let (pager, start) = Pager::open("ListCases", &page(1, "")).unwrap();
        assert_eq!(start, None);
        let mut entries = vec![1, 2, 3];
        let token = pager.cut(&mut entries, ToString::to_string);
        assert_eq!(entries, [1, 2]);
        let (_, key) = Pager::open("ListCases", &page(1, &token)).unwrap();
        assert_eq!(key.as_deref(), Some("2"));
        for (rpc, page) in [
            ("ListCases", page(2, &token)),
            ("ListAccounts", page(1, &token)),
            ("ListCases", page(1, "zz")),
        ] {
            assert!(Pager::open(rpc, &page).is_err());
        }
        assert_eq!(pager.cut(&mut vec![1, 2], ToString::to_string), "");
    }
}
