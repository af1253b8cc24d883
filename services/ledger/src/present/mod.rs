//! From folded states and read-model rows to messages. Nothing here decides anything.

pub(crate) mod account;
pub(crate) mod against_law;
pub(crate) mod case;
pub(crate) mod due;
pub(crate) mod fee;
pub(crate) mod firm;

use api::google::r#type::{Date, Money as MoneyMessage};
use api::scalar::{date_message, int64, minor_message, money_message};
use api::v1;
use calendar::CivilDate;
use domain::event::EventRef;
use domain::money::{Currency, Money};

#[expect(
    clippy::unnecessary_wraps,
    reason = "fields of messages are optional in the generated code"
)]
pub(crate) fn day(date: CivilDate) -> Option<Date> {
    Some(date_message(date))
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "fields of messages are optional in the generated code"
)]
pub(crate) fn amount(money: Money) -> Option<MoneyMessage> {
    Some(money_message(money))
}

/// Minor units as an amount. Sums may be larger than any one amount of the books.
#[expect(
    clippy::unnecessary_wraps,
    reason = "fields of messages are optional in the generated code"
)]
pub(crate) fn minor(minor: i64, currency: Currency) -> Option<MoneyMessage> {
    Some(minor_message(minor, currency))
}

/// Words with their statute, where there is one.
pub(crate) fn cited(words: &str, cites: &str) -> String {
    if cites.is_empty() { words.to_owned() } else { format!("{words} ({cites})") }
}

pub(crate) fn reference(event: &EventRef) -> v1::EventReference {
    v1::EventReference { position: int64(event.position), event_id: event.id.to_string() }
}
