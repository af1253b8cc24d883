//! Are these two clients one couple? Telephone, address and card say so.

use std::collections::BTreeSet;

use crate::address;
use crate::event::{Card, Contact, Match};

/// The address in one comparable form (USPS Publication 28). Personal: never print or index it.
pub fn address_key(contact: &Contact) -> String {
    let a = &contact.address;
    address::normalise(
        a.line1.reveal(),
        a.line2.as_ref().map_or("", |line| line.reveal()),
        a.city.reveal(),
        a.state.as_str(),
        a.zip.reveal(),
    )
}

/// A contact and a card to compare.
#[derive(Clone, Copy)]
pub struct Party<'a> {
    /// The current contact.
    pub contact: &'a Contact,
    /// The card on file.
    pub card: Option<&'a Card>,
}

/// What two parties have in common.
pub fn matches(one: Party<'_>, other: Party<'_>) -> BTreeSet<Match> {
    let mut found = BTreeSet::new();
    if one.contact.phone == other.contact.phone {
        found.insert(Match::Phone);
    }
    if address_key(one.contact) == address_key(other.contact) {
        found.insert(Match::Address);
    }
    if let (Some(one), Some(other)) = (one.card, other.card)
        && one.token == other.token
    {
        found.insert(Match::Card);
    }
    found
}
