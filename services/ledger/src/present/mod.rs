//! From folded states and read-model rows to messages. Nothing here decides anything.

pub(crate) mod account;
pub(crate) mod case;
pub(crate) mod due;
pub(crate) mod fee;
pub(crate) mod firm;

use api::google::r#type::{Date, Money as MoneyMessage};
use api::scalar::{date_message, int64, money_message};
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

/// Minor units as an amount; sums of the books are far below the largest.
pub(crate) fn minor(minor: i64, currency: Currency) -> Option<MoneyMessage> {
    Money::new(minor, currency).ok().and_then(amount)
}

pub(crate) fn reference(event: &EventRef) -> v1::EventReference {
    v1::EventReference { position: int64(event.position), event_id: event.id.to_string() }
}
