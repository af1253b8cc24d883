//! Dates, amounts and instants, between Google's common types and ours.

use chrono::Datelike;
use domain::event::UtcMicros;
use domain::money::{Currency, Money};
use domain::value::ValueError;
use prost_types::Timestamp;

use crate::google::r#type::{Date, Money as MoneyMessage};

/// A civil date: a day without a zone.
pub type CivilDate = chrono::NaiveDate;

const NANOS_PER_UNIT: i64 = 1_000_000_000;
const MICROS_PER_SECOND: i64 = 1_000_000;
const NANOS_PER_MICRO: i64 = 1_000;
/// Civil years that a request may name; stored dates have four digits.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=9999;

/// Reads a whole civil date from 1900 to 9999. `google.type.Date` can leave out the year, the month
/// or the day; we cannot.
pub fn date(message: &Date) -> Result<CivilDate, ValueError> {
    let refused = || ValueError::new("must be a whole date of the calendar, from 1900 to 9999");
    if !YEARS.contains(&message.year) {
        return Err(refused());
    }
    let month = u32::try_from(message.month).map_err(|_| refused())?;
    let day = u32::try_from(message.day).map_err(|_| refused())?;
    CivilDate::from_ymd_opt(message.year, month, day).ok_or_else(refused)
}

/// Writes a civil date.
pub fn date_message(date: CivilDate) -> Date {
    // A month is at most 12 and a day at most 31.
    let small = |value: u32| i32::try_from(value).unwrap_or(i32::MAX);
    Date { year: date.year(), month: small(date.month()), day: small(date.day()) }
}

/// Reads an amount (AIP-143). Refused are nanos that are no whole minor unit, units and nanos of
/// different signs, and any currency but `expected`, if that is given.
pub fn money(message: &MoneyMessage, expected: Option<Currency>) -> Result<Money, ValueError> {
    let currency = Currency::parse(&message.currency_code)?;
    if expected.is_some_and(|expected| expected != currency) {
        return Err(ValueError::new("must be in the currency of the firm's books"));
    }
    let (units, nanos) = (message.units, i64::from(message.nanos));
    if nanos.abs() >= NANOS_PER_UNIT {
        return Err(ValueError::new("must have less than one unit in nanos"));
    }
    if units.signum() * nanos.signum() < 0 {
        return Err(ValueError::new("must have units and nanos of one sign"));
    }
    let minor_per_unit = 10_i64.pow(currency.minor_digits());
    let nanos_per_minor = NANOS_PER_UNIT / minor_per_unit;
    if nanos % nanos_per_minor != 0 {
        return Err(ValueError::new("must be a whole number of the currency's smallest units"));
    }
    units
        .checked_mul(minor_per_unit)
        .and_then(|minor| minor.checked_add(nanos / nanos_per_minor))
        .and_then(|minor| Money::new(minor, currency).ok())
        .ok_or_else(|| ValueError::new("must not be larger than any amount of the books"))
}

/// Writes an amount.
pub fn money_message(money: Money) -> MoneyMessage {
    minor_message(money.minor(), money.currency())
}

/// Writes minor units, such as a sum that is larger than any one amount.
///
/// # Panics
/// Never: what is left of a unit has fewer nanos than one unit.
pub fn minor_message(minor: i64, currency: Currency) -> MoneyMessage {
    let minor_per_unit = 10_i64.pow(currency.minor_digits());
    let nanos = minor % minor_per_unit * (NANOS_PER_UNIT / minor_per_unit);
    MoneyMessage {
        currency_code: currency.as_str().to_owned(),
        units: minor / minor_per_unit,
        nanos: i32::try_from(nanos).expect("less than one unit of nanos fits 32 bits"),
    }
}

/// Writes an instant.
pub fn timestamp(instant: UtcMicros) -> Timestamp {
    let nanos = instant.0.rem_euclid(MICROS_PER_SECOND) * NANOS_PER_MICRO;
    Timestamp {
        seconds: instant.0.div_euclid(MICROS_PER_SECOND),
        // Less than a second, which fits.
        nanos: i32::try_from(nanos).unwrap_or(i32::MAX),
    }
}

/// An instant to the microsecond, of the years in which records are kept.
pub(crate) fn instant(message: &Timestamp) -> Result<UtcMicros, ValueError> {
    let nanos = i64::from(message.nanos);
    let is_plain = (0..MICROS_PER_SECOND * NANOS_PER_MICRO).contains(&nanos)
        && nanos % NANOS_PER_MICRO == 0
        && (0..=UtcMicros::MAX.0 / MICROS_PER_SECOND - 1).contains(&message.seconds);
    if is_plain {
        Ok(UtcMicros(message.seconds * MICROS_PER_SECOND + nanos / NANOS_PER_MICRO))
    } else {
        Err(ValueError::new("must be an instant from 1970 on, to the microsecond"))
    }
}

/// A count or version as the contract carries it. The log counts from 1 and cannot reach the end of
/// 63 bits.
pub fn int64(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// A small count as the contract carries it; one that does not fit shows as the largest that does.
pub fn int32(count: impl TryInto<i32>) -> i32 {
    count.try_into().unwrap_or(i32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(currency_code: &str, units: i64, nanos: i32) -> MoneyMessage {
        MoneyMessage { currency_code: currency_code.into(), units, nanos }
    }

    #[test]
    fn amounts_are_whole_minor_units() {
        // google.type.Money's own example: "$-1.75 is represented as units=-1 and nanos=-750,000,000".
        let minor = |m: &MoneyMessage| money(m, None).map(Money::minor);
        assert_eq!(minor(&message("USD", -1, -750_000_000)), Ok(-175));
        assert_eq!(minor(&message("USD", 49, 990_000_000)), Ok(4_999));
        assert_eq!(minor(&message("JPY", 500, 0)), Ok(500));
        assert_eq!(minor(&message("KWD", 0, 1_000_000)), Ok(1));
        for wrong in [
            message("USD", 1, -500_000_000),
            message("USD", 0, 1),
            message("USD", 0, 995_000_000),
            message("JPY", 1, 500_000_000),
            message("USD", 0, 1_000_000_000),
            message("USD", i64::MAX, 0),
            message("usd", 1, 0),
            message("", 1, 0),
        ] {
            assert!(money(&wrong, None).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn another_currency_than_the_books_is_refused() {
        assert!(money(&message("USD", 1, 0), Some(Currency::USD)).is_ok());
        assert!(money(&message("EUR", 1, 0), Some(Currency::USD)).is_err());
    }

    #[test]
    fn amounts_read_back_as_they_were_written() {
        for minor in [0, 1, -1, 99, 100, -175, 1_234_567] {
            let amount = Money::new(minor, Currency::USD).unwrap();
            assert_eq!(money(&money_message(amount), None), Ok(amount));
        }
    }

    #[test]
    fn dates_are_whole_and_real() {
        let day = |year, month, day| date(&Date { year, month, day });
        assert_eq!(day(2024, 2, 29).map(date_message), Ok(Date { year: 2024, month: 2, day: 29 }));
        for (y, m, d) in
            [(2023, 2, 29), (0, 1, 1), (2024, 0, 1), (2024, 1, 0), (2024, -1, 1), (10_000, 1, 1)]
        {
            assert!(day(y, m, d).is_err(), "{y} {m} {d}");
        }
    }

    #[test]
    fn instants_before_the_epoch_count_back() {
        let at = timestamp(UtcMicros(-1));
        assert_eq!((at.seconds, at.nanos), (-1, 999_999_000));
    }
}
