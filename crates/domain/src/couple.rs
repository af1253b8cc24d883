//! Are these two clients one couple? Telephone, address and card say so.

use std::collections::BTreeSet;

use crate::address;
use crate::event::{Card, Contact, Match};

/// The address in one comparable form (USPS Publication 28); nothing while it is sealed. Personal: never
/// print or index it.
pub fn address_key(contact: &Contact) -> Option<String> {
    let a = &contact.address;
    let line2 = a.line2.as_ref().map_or(Some(""), |line| line.revealed());
    Some(address::normalise(
        a.line1.revealed()?,
        line2?,
        a.city.revealed()?,
        a.state.as_str(),
        a.zip.revealed()?,
    ))
}

/// A contact and a card to compare.
#[derive(Clone, Copy)]
pub struct Party<'a> {
    /// The current contact, opened.
    pub contact: &'a Contact,
    /// The card on file, opened.
    pub card: Option<&'a Card>,
}

/// What two parties have in common. Values that are sealed have nothing in common.
pub fn matches(one: Party<'_>, other: Party<'_>) -> BTreeSet<Match> {
    let mut found = BTreeSet::new();
    let phones = (one.contact.phone.revealed(), other.contact.phone.revealed());
    if matches!(phones, (Some(one), Some(other)) if one == other) {
        found.insert(Match::Phone);
    }
    let addresses = (address_key(one.contact), address_key(other.contact));
    if matches!(addresses, (Some(one), Some(other)) if one == other) {
        found.insert(Match::Address);
    }
    if let (Some(one), Some(other)) = (one.card, other.card)
        && let (Some(one), Some(other)) = (one.token.revealed(), other.token.revealed())
        && one == other
    {
        found.insert(Match::Card);
    }
    found
}
