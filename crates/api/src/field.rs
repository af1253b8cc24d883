//! Checking a message field by field: every fault is noted with its path, no value is ever echoed.

use std::fmt;
use std::ops::RangeInclusive;

use domain::codec::INTEGER_MAX;
use domain::event::UtcMicros;
use domain::ids::RequestId;
use domain::money::{Currency, Money};
use domain::value::ValueError;

use prost_types::Timestamp;

use crate::code::Paired;
use crate::google::r#type::{Date, Money as MoneyMessage};
use crate::scalar::{self, CivilDate};

/// Most faults that one answer names (AIP-193's trailers are small).
pub const FIELD_ERRORS_MAX: usize = 20;

const REQUIRED: &str = "is required";
/// The field that stands for a request as a whole.
pub(crate) const REQUEST: &str = "request";

/// One field and the rule it breaks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldError {
    /// The path: `actions[2].enrol.contact.phone`.
    pub field: String,
    /// The rule, never the value.
    pub rule: String,
}

/// The faults of a request, 1 to [`FIELD_ERRORS_MAX`], in order of its fields.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct FieldErrors(pub Vec<FieldError>);

impl FieldErrors {
    /// A fault found outside a conversion, such as a page token that does not open.
    pub fn one(field: impl Into<String>, rule: impl Into<String>) -> Self {
        Self(vec![FieldError { field: field.into(), rule: rule.into() }])
    }

    /// A fault of a request as a whole.
    pub fn of_request(rule: impl Into<String>) -> Self {
        Self::one(REQUEST, rule)
    }

    /// The same faults of a request that is one of several.
    #[must_use]
    pub fn under(mut self, path: &str) -> Self {
        for error in &mut self.0 {
            error.field = match error.field.as_str() {
                REQUEST => path.to_owned(),
                field => format!("{path}.{field}"),
            };
        }
        self
    }
}

impl fmt::Display for FieldErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, error) in self.0.iter().enumerate() {
            let separator = if at == 0 { "" } else { "; " };
            write!(f, "{separator}{} {}", error.field, error.rule)?;
        }
        Ok(())
    }
}

/// A conversion on its way through a message.
///
/// Every reader notes its fault and gives `None`, so that a converter first reads all fields and
/// only then puts them together: one answer names every fault.
pub(crate) struct Fields {
    path: String,
    currency: Option<Currency>,
    errors: Vec<FieldError>,
}

impl Fields {
    /// Converts a whole request. Amounts must be in `currency`, if that is known.
    pub(crate) fn check<T>(
        currency: Option<Currency>,
        convert: impl FnOnce(&mut Self) -> Option<T>,
    ) -> Result<T, FieldErrors> {
        let mut fields = Self { path: String::new(), currency, errors: Vec::new() };
        match convert(&mut fields) {
            Some(value) if fields.errors.is_empty() => Ok(value),
            Some(_) | None => {
                assert!(!fields.errors.is_empty(), "a converter that gives nothing has noted why");
                Err(FieldErrors(fields.errors))
            }
        }
    }

    /// Notes a fault.
    pub(crate) fn fail(&mut self, name: &str, rule: impl fmt::Display) {
        if self.errors.len() < FIELD_ERRORS_MAX {
            let field =
                if self.path.is_empty() { name.into() } else { format!("{}.{name}", self.path) };
            self.errors.push(FieldError { field, rule: rule.to_string() });
        }
    }

    /// Notes a fault of the value that the path names.
    fn fail_self(&mut self, rule: impl fmt::Display) {
        let path = std::mem::take(&mut self.path);
        self.fail(&path, rule);
        self.path = path;
    }

    /// A required text that is itself a member of a list.
    pub(crate) fn parse_self<T>(
        &mut self,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, ValueError>,
    ) -> Option<T> {
        let result = if text.is_empty() { Err(ValueError::new(REQUIRED)) } else { parse(text) };
        result.map_err(|error| self.fail_self(error)).ok()
    }

    /// A value that is itself a member of a list, if it is one of those that are known.
    pub(crate) fn known_self<T>(&mut self, known: Option<T>, rule: &str) -> Option<T> {
        if known.is_none() {
            self.fail_self(rule);
        }
        known
    }

    /// A required enum value that is itself a member of a list.
    pub(crate) fn code_self<P: Paired>(&mut self, value: i32) -> Option<P::Domain> {
        let known = P::try_from(value).ok().and_then(P::to_domain);
        self.known_self(known, "must be a value this service knows")
    }

    /// Notes a fault and gives nothing.
    pub(crate) fn refuse<T>(&mut self, name: &str, rule: impl fmt::Display) -> Option<T> {
        self.fail(name, rule);
        None
    }

    fn note<T>(&mut self, name: &str, result: Result<T, ValueError>) -> Option<T> {
        result.map_err(|error| self.fail(name, error)).ok()
    }

    /// Runs `convert` one level down.
    pub(crate) fn within<T>(&mut self, name: &str, convert: impl FnOnce(&mut Self) -> T) -> T {
        let length = self.path.len();
        if length > 0 {
            self.path.push('.');
        }
        self.path.push_str(name);
        let value = convert(self);
        self.path.truncate(length);
        value
    }

    /// A required text.
    pub(crate) fn parse<T>(
        &mut self,
        name: &str,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, ValueError>,
    ) -> Option<T> {
        if text.is_empty() {
            return self.refuse(name, REQUIRED);
        }
        self.note(name, parse(text))
    }

    /// A text that may be empty.
    pub(crate) fn parse_optional<T>(
        &mut self,
        name: &str,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, ValueError>,
    ) -> Option<Option<T>> {
        if text.is_empty() { Some(None) } else { self.note(name, parse(text)).map(Some) }
    }

    /// A required text of one form, told by the rule it breaks otherwise.
    pub(crate) fn form<T>(
        &mut self,
        name: &str,
        text: &str,
        rule: &str,
        parse: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        self.parse(name, text, |text| parse(text).ok_or_else(|| ValueError::new(rule)))
    }

    /// A required message.
    pub(crate) fn message<M, T>(
        &mut self,
        name: &str,
        message: Option<&M>,
        convert: impl FnOnce(&mut Self, &M) -> Option<T>,
    ) -> Option<T> {
        match message {
            Some(message) => self.within(name, |fields| convert(fields, message)),
            None => self.refuse(name, REQUIRED),
        }
    }

    /// A message that may be absent.
    pub(crate) fn optional<M, T>(
        &mut self,
        name: &str,
        message: Option<&M>,
        convert: impl FnOnce(&mut Self, &M) -> Option<T>,
    ) -> Option<Option<T>> {
        match message {
            Some(message) => self.within(name, |fields| convert(fields, message)).map(Some),
            None => Some(None),
        }
    }

    /// A list of a bounded number of members.
    pub(crate) fn each<M, T>(
        &mut self,
        name: &str,
        members: &[M],
        count: RangeInclusive<usize>,
        mut convert: impl FnMut(&mut Self, &M) -> Option<T>,
    ) -> Option<Vec<T>> {
        if members.is_empty() && *count.start() > 0 {
            return self.refuse(name, REQUIRED);
        }
        if !count.contains(&members.len()) {
            let rule = format!("must have {} to {} members", count.start(), count.end());
            return self.refuse(name, rule);
        }
        let mut values = Vec::with_capacity(members.len());
        for (at, member) in members.iter().enumerate() {
            let value = self.within(&format!("{name}[{at}]"), |fields| convert(fields, member));
            values.extend(value);
        }
        (values.len() == members.len()).then_some(values)
    }

    /// A required civil date.
    pub(crate) fn date(&mut self, name: &str, date: Option<&Date>) -> Option<CivilDate> {
        match date {
            Some(date) => self.note(name, scalar::date(date)),
            None => self.refuse(name, REQUIRED),
        }
    }

    /// A civil date that may be absent.
    pub(crate) fn optional_date(
        &mut self,
        name: &str,
        date: Option<&Date>,
    ) -> Option<Option<CivilDate>> {
        match date {
            Some(date) => self.note(name, scalar::date(date)).map(Some),
            None => Some(None),
        }
    }

    /// A required amount.
    pub(crate) fn money(&mut self, name: &str, amount: Option<&MoneyMessage>) -> Option<Money> {
        match amount {
            Some(amount) => self.note(name, scalar::money(amount, self.currency)),
            None => self.refuse(name, REQUIRED),
        }
    }

    /// A moment that may be absent.
    pub(crate) fn optional_time(
        &mut self,
        name: &str,
        instant: Option<&Timestamp>,
    ) -> Option<Option<UtcMicros>> {
        match instant {
            Some(instant) => self.note(name, scalar::instant(instant)).map(Some),
            None => Some(None),
        }
    }

    /// An amount that may be absent.
    pub(crate) fn optional_money(
        &mut self,
        name: &str,
        amount: Option<&MoneyMessage>,
    ) -> Option<Option<Money>> {
        match amount {
            Some(amount) => self.note(name, scalar::money(amount, self.currency)).map(Some),
            None => Some(None),
        }
    }

    /// A required enum value.
    pub(crate) fn code<P: Paired>(&mut self, name: &str, value: i32) -> Option<P::Domain> {
        match P::try_from(value).ok().map(P::to_domain) {
            Some(Some(value)) => Some(value),
            Some(None) => self.refuse(name, REQUIRED),
            None => self.refuse(name, "must be a value this service knows"),
        }
    }

    /// An enum value that may be unspecified.
    pub(crate) fn optional_code<P: Paired>(
        &mut self,
        name: &str,
        value: i32,
    ) -> Option<Option<P::Domain>> {
        if value == 0 { Some(None) } else { self.code::<P>(name, value).map(Some) }
    }

    /// A number in a range.
    pub(crate) fn number<T>(
        &mut self,
        name: &str,
        value: i32,
        range: RangeInclusive<T>,
    ) -> Option<T>
    where
        T: TryFrom<i32> + PartialOrd + fmt::Display,
    {
        match T::try_from(value) {
            Ok(number) if range.contains(&number) => Some(number),
            Ok(_) | Err(_) => {
                self.refuse(name, format!("must be {} to {}", range.start(), range.end()))
            }
        }
    }

    /// A position or version: never negative, and no larger than any that is ever written.
    pub(crate) fn position(&mut self, name: &str, value: i64) -> Option<u64> {
        match u64::try_from(value) {
            Ok(position) if position <= INTEGER_MAX => Some(position),
            Ok(_) => self.refuse(name, format!("must not be above {INTEGER_MAX}")),
            Err(_) => self.refuse(name, "must not be negative"),
        }
    }

    /// The version that a caller decided on. Any is taken, since the answer to one that no stream
    /// gets to is the same as to any other that is not the stream's.
    pub(crate) fn expected_version(&mut self, value: Option<i64>) -> Option<Option<u64>> {
        let Some(value) = value else { return Some(None) };
        let version = u64::try_from(value).ok();
        version.or_else(|| self.refuse("expected_version", "must not be negative")).map(Some)
    }

    /// The size of a page: a default for 0, clamped at the top, refused below 0 (AIP-158).
    pub(crate) fn page_size(
        &mut self,
        name: &str,
        value: i32,
        default: usize,
        max: usize,
    ) -> Option<usize> {
        match usize::try_from(value) {
            Ok(0) => Some(default),
            Ok(size) => Some(size.min(max)),
            Err(_) => self.refuse(name, "must not be negative"),
        }
    }

    /// The caller's id of a mutation (AIP-155; required here, since money does not like surprises).
    pub(crate) fn request_id(&mut self, text: &str) -> Option<RequestId> {
        self.parse("request_id", text, RequestId::parse)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_names_its_path() {
        let result = Fields::check(None, |fields| {
            fields.each("actions", &[(), ()], 1..=2, |fields, ()| {
                fields.within("enrol", |fields| {
                    fields.refuse::<()>("phone", "must be a telephone number")
                })
            })
        });
        let paths: Vec<String> =
            result.unwrap_err().0.into_iter().map(|error| error.field).collect();
        assert_eq!(paths, ["actions[0].enrol.phone", "actions[1].enrol.phone"]);
    }

    #[test]
    fn faults_are_counted_and_capped() {
        let result = Fields::check(None, |fields| {
            for _ in 0..100 {
                fields.fail("x", "is required");
            }
            Some(())
        });
        assert_eq!(result.unwrap_err().0.len(), FIELD_ERRORS_MAX);
    }

    #[test]
    fn a_number_that_is_never_written_is_refused_where_it_comes_in() {
        let read = |value| Fields::check(None, |fields| fields.position("position", value));
        let most = i64::try_from(INTEGER_MAX).unwrap();
        assert_eq!((read(0), read(most)), (Ok(0), Ok(INTEGER_MAX)));
        for (value, rule) in [
            (-1, "must not be negative"),
            (i64::MIN, "must not be negative"),
            (most + 1, "must not be above 9007199254740991"),
            (1_152_921_504_606_846_976, "must not be above 9007199254740991"),
            (i64::MAX, "must not be above 9007199254740991"),
        ] {
            let FieldErrors(errors) = read(value).unwrap_err();
            let found: Vec<_> =
                errors.iter().map(|e| (e.field.as_str(), e.rule.as_str())).collect();
            assert_eq!(found, [("position", rule)], "{value}");
        }
    }

    #[test]
    fn page_sizes_follow_aip_158() {
        let size =
            |value| Fields::check(None, |fields| fields.page_size("page_size", value, 50, 500));
        assert_eq!(size(0), Ok(50));
        assert_eq!(size(7), Ok(7));
        assert_eq!(size(9_999), Ok(500));
        assert!(size(-1).is_err());
    }
}
