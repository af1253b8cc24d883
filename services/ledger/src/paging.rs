//! Page tokens (AIP-158): where the next page begins, bound to the list they came from.
//!
//! A token carries no right: every page is authorised by the caller's own token and lists only the
//! caller's firm. It is tagged all the same, under the firm keys, which every process on a database has:
//! a token that was altered, or made up, would show a list that begins where no page ended.

use std::fmt::Debug;

use api::FieldErrors;
use api::requests::Page;
use vault::{FirmKeys, TAG_BYTES};

use crate::ledger::Ledger;

/// A list being paged.
pub(crate) struct Pager<'l> {
    keys: &'l FirmKeys,
    /// Names the list: the RPC, the firm and the filter.
    list: String,
    size: usize,
}

impl<'l> Pager<'l> {
    /// The pager of a list, and the key after which the page begins: what an earlier page of the
    /// same RPC, firm and filter ended with.
    pub(crate) fn open_at<F: Debug, K>(
        ledger: &'l Ledger,
        rpc: &str,
        page: &Page<F>,
        read: impl FnOnce(&str) -> Option<K>,
    ) -> Result<(Self, Option<K>), FieldErrors> {
        Self::open_with(ledger.engine().firm_keys(), rpc, page, read)
    }

    fn open_with<F: Debug, K>(
        keys: &'l FirmKeys,
        rpc: &str,
        page: &Page<F>,
        read: impl FnOnce(&str) -> Option<K>,
    ) -> Result<(Self, Option<K>), FieldErrors> {
        let list = format!("counterfoil/page/1\n{rpc}\n{}\n{:?}", page.firm, page.filter);
        let pager = Self { keys, list, size: page.size };
        if page.token.is_empty() {
            return Ok((pager, None));
        }
        let key = pager.unseal(&page.token).and_then(|key| read(&key));
        let wrong = || FieldErrors::one("page_token", "must be a next_page_token of this list");
        Ok((pager, Some(key.ok_or_else(wrong)?)))
    }

    fn unseal(&self, token: &str) -> Option<String> {
        let bytes = hex::decode(token).ok()?;
        let (tag, key) = bytes.split_first_chunk::<TAG_BYTES>()?;
        self.keys.agrees(&self.list, key, tag).then_some(())?;
        // One spelling for each token: an altered one is another one.
        (hex::encode(&bytes) == token).then(|| String::from_utf8(key.to_vec()).ok()).flatten()
    }

    /// The token of the page that begins after a key.
    pub(crate) fn token(&self, key: &str) -> String {
        let tag = self.keys.tag(&self.list, key.as_bytes());
        format!("{}{}", hex::encode(tag), hex::encode(key))
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

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::FirmId;

    fn page(filter: u8, token: &str) -> Page<u8> {
        let firm = FirmId(uuid::Uuid::from_u128(1));
        Page { firm, size: 2, token: token.into(), at_least_position: 0, filter }
    }

    fn keys(of: u8) -> FirmKeys {
        FirmKeys::new(vault::FirmKey::from_bytes([of; 32]))
    }

    fn opened(keys: &FirmKeys, rpc: &str, page: &Page<u8>) -> Result<Option<u8>, FieldErrors> {
        Ok(Pager::open_with(keys, rpc, page, |key| key.parse().ok())?.1)
    }

    fn next(keys: &FirmKeys) -> String {
        let (pager, start) =
            Pager::open_with(keys, "ListCases", &page(1, ""), |key| key.parse::<u8>().ok())
                .unwrap();
        assert_eq!(start, None);
        assert_eq!(pager.cut(&mut vec![1, 2], ToString::to_string), "");
        let mut entries = vec![1, 2, 3];
        let token = pager.cut(&mut entries, ToString::to_string);
        assert_eq!(entries, [1, 2]);
        token
    }

    #[test]
    fn a_token_opens_only_the_list_it_came_from() {
        let keys = keys(1);
        let token = next(&keys);
        assert_eq!(opened(&keys, "ListCases", &page(1, &token)), Ok(Some(2)));
        for (rpc, page) in [
            ("ListCases", page(2, &token)),
            ("ListAccounts", page(1, &token)),
            ("ListCases", page(1, "zz")),
        ] {
            assert!(opened(&keys, rpc, &page).is_err());
        }
    }

    #[test]
    fn an_altered_token_opens_nothing() {
        let one = keys(1);
        let token = next(&one);
        let digits = token.as_bytes();
        for at in 0..digits.len() {
            for digit in *b"0123456789abcdefABCDEF" {
                let mut altered = digits.to_vec();
                altered[at] = digit;
                let altered = String::from_utf8(altered).unwrap();
                let is_same = altered == token;
                assert_eq!(opened(&one, "ListCases", &page(1, &altered)).is_ok(), is_same);
            }
            assert!(opened(&one, "ListCases", &page(1, &token[..at])).is_err() || at == 0);
        }
        assert!(opened(&keys(2), "ListCases", &page(1, &token)).is_err(), "another firm key");
    }

    #[test]
    fn a_token_outlives_a_change_of_the_firm_key() {
        let token = next(&keys(1));
        let both = [1, 2].map(|of| vault::FirmKey::from_bytes([of; 32])).to_vec();
        let both = FirmKeys::from_oldest(both).unwrap();
        assert_eq!(opened(&both, "ListCases", &page(1, &token)), Ok(Some(2)));
    }
}
