//! Money: integer minor units of one currency.

use std::fmt;

use crate::codec::{DecodeError, Field, In, Out, record};
use crate::value::ValueError;

/// An ISO 4217 currency by its three letters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Currency([u8; 3]);

impl Currency {
    /// The US dollar.
    pub const USD: Self = Self(*b"USD");

    /// Reads a code of three upper-case letters.
    pub fn parse(text: &str) -> Result<Self, ValueError> {
        match text.as_bytes() {
            &[a, b, c] if [a, b, c].iter().all(u8::is_ascii_uppercase) => Ok(Self([a, b, c])),
            _ => Err(ValueError::new("must be an ISO 4217 currency code")),
        }
    }

    /// The three letters.
    ///
    /// # Panics
    /// Never: only ASCII letters are ever kept.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.0).expect("only ASCII letters are ever kept")
    }

    /// Digits after the decimal point (ISO 4217, from memory; the currencies without cents are named).
    pub fn minor_digits(self) -> u32 {
        match &self.0 {
            b"JPY" | b"KRW" | b"CLP" | b"ISK" | b"VND" => 0,
            b"BHD" | b"KWD" | b"OMR" | b"JOD" | b"TND" => 3,
            _ => 2,
        }
    }
}

impl Field for Currency {
    fn put(&self, out: &mut Out) {
        out.string(self.as_str());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let text = input.string()?;
        Self::parse(&text).map_err(|e| input.error(e.to_string()))
    }
}

/// The largest amount, either sign: enough for any firm, and sums of a million of them still fit.
pub const MINOR_MAX: i64 = 1_000_000_000_000;

/// An amount in minor units (US cents) of one currency.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Money {
    minor: i64,
    currency: Currency,
}

/// Arithmetic that has no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MoneyError {
    /// The two amounts are in different currencies.
    #[error("amounts in different currencies do not add up")]
    Currency,
    /// The result is beyond [`MINOR_MAX`].
    #[error("the amount is too large")]
    TooLarge,
    /// There is nobody to share among.
    #[error("shares need at least one weight above zero")]
    NoWeight,
}

impl Money {
    /// An amount of minor units.
    pub fn new(minor: i64, currency: Currency) -> Result<Self, MoneyError> {
        if minor.unsigned_abs() > MINOR_MAX.unsigned_abs() {
            return Err(MoneyError::TooLarge);
        }
        Ok(Self { minor, currency })
    }

    /// Nothing.
    pub const fn zero(currency: Currency) -> Self {
        Self { minor: 0, currency }
    }

    /// The number of minor units.
    pub const fn minor(self) -> i64 {
        self.minor
    }

    /// The currency.
    pub const fn currency(self) -> Currency {
        self.currency
    }

    /// Whether this is nothing.
    pub const fn is_zero(self) -> bool {
        self.minor == 0
    }

    /// Whether this is more than nothing.
    pub const fn is_positive(self) -> bool {
        self.minor > 0
    }

    /// The sum.
    pub fn plus(self, other: Self) -> Result<Self, MoneyError> {
        if self.currency != other.currency {
            return Err(MoneyError::Currency);
        }
        Self::new(self.minor + other.minor, self.currency)
    }

    /// The difference.
    pub fn minus(self, other: Self) -> Result<Self, MoneyError> {
        self.plus(Self { minor: -other.minor, currency: other.currency })
    }

    /// The amount without its currency: `49.99`, with a minus sign for what is below zero.
    pub fn decimal(self) -> impl fmt::Display {
        Decimal(self)
    }

    /// The same amount the other way.
    #[must_use]
    pub const fn negated(self) -> Self {
        Self { minor: -self.minor, currency: self.currency }
    }

    /// What of this is above another amount of its currency; nothing if it is no more.
    #[must_use]
    pub fn above(self, other: Self) -> Self {
        Self { minor: (self.minor - other.minor).max(0), currency: self.currency }
    }

    /// The smaller of two amounts of one currency.
    pub fn min(self, other: Self) -> Self {
        if other.minor < self.minor { other } else { self }
    }

    /// Shares by largest remainder: each part gets its exact share rounded towards zero, and the
    /// cents left over go one each to the largest remainders, ties to the earlier part. The parts
    /// always sum to the whole; a weight of zero gets nothing. (Hamilton apportionment.)
    pub fn allocate(self, weights: &[u64]) -> Result<Vec<Self>, MoneyError> {
        let sum: u128 = weights.iter().map(|&w| u128::from(w)).sum();
        if sum == 0 {
            return Err(MoneyError::NoWeight);
        }
        let total = u128::from(self.minor.unsigned_abs());
        let mut parts: Vec<u128> = weights.iter().map(|&w| total * u128::from(w) / sum).collect();
        let mut order: Vec<usize> = (0..weights.len()).collect();
        order.sort_by_key(|&at| std::cmp::Reverse(total * u128::from(weights[at]) % sum));
        let left = total - parts.iter().sum::<u128>();
        for &at in order.iter().take(usize::try_from(left).unwrap_or(usize::MAX)) {
            parts[at] += 1;
        }
        parts
            .into_iter()
            .map(|part| {
                let minor = i64::try_from(part).map_err(|_| MoneyError::TooLarge)?;
                Self::new(if self.minor < 0 { -minor } else { minor }, self.currency)
            })
            .collect()
    }
}

impl fmt::Display for Money {
    /// `USD 49.99`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.currency.as_str(), self.decimal())
    }
}

/// An amount without its currency; see [`Money::decimal`].
struct Decimal(Money);

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Money { minor, currency } = self.0;
        let digits = currency.minor_digits();
        let unit = 10_u64.pow(digits);
        let (whole, rest) = (minor.unsigned_abs() / unit, minor.unsigned_abs() % unit);
        let sign = if minor < 0 { "-" } else { "" };
        write!(f, "{sign}{whole}")?;
        if digits > 0 {
            let width = usize::try_from(digits).unwrap_or(2);
            write!(f, ".{rest:0width$}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

record! {
    /// The stored form of money: minor units as a string, since JSON numbers are doubles.
    struct StoredMoney {
        /// ISO 4217.
        currency: Currency,
        /// Minor units, decimal.
        minor: String,
    }
}

impl Field for Money {
    fn put(&self, out: &mut Out) {
        StoredMoney { currency: self.currency, minor: self.minor.to_string() }.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let StoredMoney { currency, minor } = StoredMoney::take(input)?;
        let value: Option<i64> = minor.parse().ok().filter(|v: &i64| v.to_string() == minor);
        let money = value.and_then(|value| Self::new(value, currency).ok());
        money.ok_or_else(|| input.error("an amount in minor units"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Worked examples of largest-remainder apportionment, computed with integers elsewhere.
    const EXAMPLES: &str = include_str!("../../../tests/data/money/largest_remainder.json");

    #[test]
    fn amounts_are_written_exactly() {
        let text = |minor, currency| {
            let currency = Currency::parse(currency).unwrap();
            Money::new(minor, currency).unwrap().decimal().to_string()
        };
        assert_eq!(text(-5, "USD"), "-0.05");
        assert_eq!(text(123_456, "USD"), "1234.56");
        assert_eq!(text(500, "JPY"), "500");
        assert_eq!(text(-1_001, "KWD"), "-1.001");
        assert_eq!(text(-MINOR_MAX, "USD"), "-10000000000.00");
    }

    #[test]
    fn shares_agree_with_the_worked_examples() {
        let examples: serde_json::Value = serde_json::from_str(EXAMPLES).unwrap();
        let cases = examples["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 10);
        for case in cases {
            let numbers = |key: &str| -> Vec<i64> {
                case[key].as_array().unwrap().iter().map(|n| n.as_i64().unwrap()).collect()
            };
            let weights: Vec<u64> =
                numbers("weights").into_iter().map(|w| u64::try_from(w).unwrap()).collect();
            // One example is larger than any amount we accept; the shares are the same function.
            let whole = Money { minor: case["total"].as_i64().unwrap(), currency: Currency::USD };
            let Ok(parts) = whole.allocate(&weights) else {
                assert!(whole.minor > MINOR_MAX);
                continue;
            };
            let parts: Vec<i64> = parts.into_iter().map(Money::minor).collect();
            assert_eq!(parts, numbers("parts"), "{case}");
        }
    }

    proptest! {
        #[test]
        fn shares_sum_to_the_whole(minor in -MINOR_MAX..=MINOR_MAX, weights in prop::collection::vec(0u64..1000, 1..6)) {
            let whole = Money::new(minor, Currency::USD).unwrap();
            match whole.allocate(&weights) {
                Ok(parts) => prop_assert_eq!(parts.iter().map(|p| p.minor()).sum::<i64>(), minor),
                Err(e) => prop_assert!(e == MoneyError::NoWeight && weights.iter().all(|&w| w == 0)),
            }
        }
    }

    #[test]
    fn an_amount_prints_as_people_write_it() {
        let usd = |minor| Money::new(minor, Currency::USD).unwrap().to_string();
        assert_eq!(usd(4999), "USD 49.99");
        assert_eq!(usd(-5), "USD -0.05");
    }
}
