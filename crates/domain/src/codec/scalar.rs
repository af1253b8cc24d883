//! Stored forms of the plain types.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use calendar::{
    BusinessCalendar, CivilDate, Clock, Period, PeriodRule, PeriodSchedule, ScheduleParts, Zone,
};

use super::{DecodeError, Field, In, Out, record};
use crate::ids::DocumentHash;
use crate::value::Personal;

impl Field for bool {
    fn put(&self, out: &mut Out) {
        out.literal(if *self { "true" } else { "false" });
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        if input.literal("true") {
            Ok(true)
        } else if input.literal("false") {
            Ok(false)
        } else {
            Err(input.error("true or false"))
        }
    }
}

impl Field for i64 {
    fn put(&self, out: &mut Out) {
        out.integer(*self);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.integer()
    }
}

/// Unsigned integers and smaller ones, all inside ±(2^53 − 1).
macro_rules! small_integers {
    ($($ty:ty),*) => {$(
        impl Field for $ty {
            fn put(&self, out: &mut Out) {
                out.integer(i64::try_from(*self).expect("no number of ours is beyond 2^53 − 1"));
            }
            fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
                let value = input.integer()?;
                Self::try_from(value).map_err(|_| input.error(concat!("an integer that fits ", stringify!($ty))))
            }
        }
    )*};
}
small_integers!(u8, u16, u32, u64);

impl Field for String {
    fn put(&self, out: &mut Out) {
        out.string(self);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        Ok(input.string()?.into_owned())
    }
}

impl<T: Field> Field for Option<T> {
    fn put(&self, out: &mut Out) {
        if let Some(value) = self {
            value.put(out);
        }
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        T::take(input).map(Some)
    }
    fn is_absent(&self) -> bool {
        self.is_none()
    }
    fn absent() -> Option<Self> {
        Some(None)
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        if let Some(value) = self {
            value.each_personal(visit);
        }
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        if let Some(value) = self {
            value.each_document(visit);
        }
    }
}

/// Shared in memory, stored like the value itself.
impl<T: Field + Clone> Field for Arc<T> {
    fn put(&self, out: &mut Out) {
        self.as_ref().put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        T::take(input).map(Arc::new)
    }
    fn is_absent(&self) -> bool {
        self.as_ref().is_absent()
    }
    fn absent() -> Option<Self> {
        T::absent().map(Arc::new)
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        Self::make_mut(self).each_personal(visit);
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        self.as_ref().each_document(visit);
    }
}

impl<T: Field> Field for Box<T> {
    fn put(&self, out: &mut Out) {
        self.as_ref().put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        T::take(input).map(Box::new)
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        self.as_mut().each_personal(visit);
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        self.as_ref().each_document(visit);
    }
}

impl<T: Field> Field for Vec<T> {
    fn put(&self, out: &mut Out) {
        out.open_array();
        for value in self {
            value.put(out);
        }
        out.close_array();
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let mut list = Self::new();
        input.open_array()?;
        while input.more()? {
            list.push(T::take(input)?);
        }
        Ok(list)
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        for value in self {
            value.each_personal(visit);
        }
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        for value in self {
            value.each_document(visit);
        }
    }
}

impl<T: Field + Ord> Field for BTreeSet<T> {
    fn put(&self, out: &mut Out) {
        out.open_array();
        for value in self {
            value.put(out);
        }
        out.close_array();
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let mut set = Self::new();
        input.open_array()?;
        while input.more()? {
            let value = T::take(input)?;
            if !input.may_follow(set.last(), &value) {
                return Err(input.error("the elements of a set in their order, each once"));
            }
            set.insert(value);
        }
        Ok(set)
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        for value in self {
            value.each_document(visit);
        }
    }
}

/// A map is a list of pairs, so that any key type will do and the order is the key's own.
impl<K: Field + Ord, V: Field> Field for BTreeMap<K, V> {
    fn put(&self, out: &mut Out) {
        out.open_array();
        for (key, value) in self {
            out.open_array();
            key.put(out);
            value.put(out);
            out.close_array();
        }
        out.close_array();
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let mut map = Self::new();
        input.open_array()?;
        while input.more()? {
            let (key, value) = <(K, V)>::take(input)?;
            if !input.may_follow(map.last_key_value().map(|(last, _)| last), &key) {
                return Err(input.error("the keys of a map in their order, each once"));
            }
            map.insert(key, value);
        }
        Ok(map)
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        for value in self.values_mut() {
            value.each_personal(visit);
        }
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        for value in self.values() {
            value.each_document(visit);
        }
    }
}

impl<A: Field, B: Field> Field for (A, B) {
    fn put(&self, out: &mut Out) {
        out.open_array();
        self.0.put(out);
        self.1.put(out);
        out.close_array();
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.open_array()?;
        let first = element(input)?;
        let second = element(input)?;
        if input.more()? {
            return Err(input.error("a pair"));
        }
        Ok((first, second))
    }
    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        self.0.each_personal(visit);
        self.1.each_personal(visit);
    }
    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        self.0.each_document(visit);
        self.1.each_document(visit);
    }
}

fn element<T: Field>(input: &mut In<'_>) -> Result<T, DecodeError> {
    if input.more()? { T::take(input) } else { Err(input.error("a pair")) }
}

impl Field for [u8; 32] {
    fn put(&self, out: &mut Out) {
        out.string(&hex(self));
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let text = input.string()?;
        unhex(&text).ok_or_else(|| input.error("64 lower-case hexadecimal digits"))
    }
}

/// Lower-case hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Reads 64 lower-case hexadecimal digits.
pub(crate) fn unhex(text: &str) -> Option<[u8; 32]> {
    let lower = text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if !lower {
        return None;
    }
    let mut bytes = [0; 32];
    for (at, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(at * 2..at * 2 + 2)?, 16).ok()?;
    }
    Some(bytes)
}

impl Field for CivilDate {
    fn put(&self, out: &mut Out) {
        out.day(*self);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let text = input.string()?;
        let date = text.parse::<CivilDate>().ok().filter(|date| date.to_string() == text);
        date.ok_or_else(|| input.error("a date, YYYY-MM-DD"))
    }
}

impl Field for Zone {
    fn put(&self, out: &mut Out) {
        out.string(self.name());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let name = input.string()?;
        Self::parse(&name).map_err(|_| input.error("a time zone"))
    }
}

impl Field for BusinessCalendar {
    fn put(&self, out: &mut Out) {
        out.string(self.as_code());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let word = input.string()?;
        Self::from_code(&word).ok_or_else(|| input.error("a business calendar"))
    }
}

impl Field for Clock {
    fn put(&self, out: &mut Out) {
        out.string(self.as_code());
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let word = input.string()?;
        Self::from_code(&word).ok_or_else(|| input.error("a statutory clock"))
    }
}

record! {
    /// The stored form of a billing rule: exactly one member is there.
    struct StoredRule {
        /// Periods of so many days.
        every_days: Option<u16>,
        /// Periods that end on a day of the month.
        monthly_on: Option<u8>,
    }
}

impl Field for PeriodRule {
    fn put(&self, out: &mut Out) {
        let (every_days, monthly_on) = match *self {
            Self::EveryDays(days) => (Some(days), None),
            Self::MonthlyOn(day) => (None, Some(day)),
        };
        StoredRule { every_days, monthly_on }.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let stored = StoredRule::take(input)?;
        let rule = match (stored.every_days, stored.monthly_on) {
            (Some(days), None) => Self::every_days(days),
            (None, Some(day)) => Self::monthly_on(day),
            _ => return Err(input.error("every_days or monthly_on")),
        };
        rule.map_err(|e| input.error(e.to_string()))
    }
}

record! {
    /// The stored form of a period.
    struct StoredPeriod {
        /// First day after the period.
        end: CivilDate,
        /// Counted from 1.
        number: u32,
        /// First day.
        start: CivilDate,
    }
}

impl Field for Period {
    fn put(&self, out: &mut Out) {
        StoredPeriod { end: self.end, number: self.number, start: self.start }.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let StoredPeriod { end, number, start } = StoredPeriod::take(input)?;
        Ok(Self { number, start, end })
    }
}

record! {
    /// The stored form of a schedule, for snapshots.
    struct StoredSchedule {
        /// Periods whose ends no later change moves.
        fixed: Vec<Period>,
        /// The number of the first period after them.
        next_number: u32,
        /// Its first day.
        next_start: CivilDate,
        /// The pause in force.
        paused_on: Option<CivilDate>,
        /// The rule from there on.
        rule: PeriodRule,
    }
}

impl Field for PeriodSchedule {
    fn put(&self, out: &mut Out) {
        let ScheduleParts { fixed, next_number, next_start, rule, paused_on } = self.to_parts();
        StoredSchedule { fixed, next_number, next_start, paused_on, rule }.put(out);
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let StoredSchedule { fixed, next_number, next_start, paused_on, rule } =
            StoredSchedule::take(input)?;
        Ok(Self::from_parts(ScheduleParts { fixed, next_number, next_start, rule, paused_on }))
    }
}

/// Any JSON without fractions: what upcasters work on and what people write packs in.
impl Field for serde_json::Value {
    fn put(&self, out: &mut Out) {
        match self {
            Self::Null => out.literal("null"),
            Self::Bool(value) => value.put(out),
            // A fraction or an integer beyond 2^53 becomes null here and is refused on reading.
            Self::Number(number) => match number.as_i64() {
                Some(value) if value.unsigned_abs() <= super::INTEGER_MAX => {
                    out.integer(value);
                }
                _ => out.literal("null"),
            },
            Self::String(text) => out.string(text),
            Self::Array(list) => {
                out.open_array();
                for value in list {
                    value.put(out);
                }
                out.close_array();
            }
            Self::Object(map) => {
                // serde_json keeps keys in byte order, which for keys of ours (ASCII) is RFC 8785's.
                out.open_object();
                for (key, value) in map {
                    out.key(key);
                    value.put(out);
                }
                out.close_object();
            }
        }
    }
    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        match input.next_byte() {
            Some(b'"') => Ok(Self::String(input.string()?.into_owned())),
            Some(b'{') => {
                let mut map = serde_json::Map::new();
                input.open_object()?;
                while input.next_byte() != Some(b'}') {
                    let key = input.key()?.into_owned();
                    map.insert(key, <Self as Field>::take(input)?);
                }
                input.close_object()?;
                Ok(Self::Object(map))
            }
            Some(b'[') => Ok(Self::Array(Vec::take(input)?)),
            Some(b't' | b'f') => bool::take(input).map(Self::Bool),
            Some(b'n') if input.literal("null") => Ok(Self::Null),
            _ => Ok(Self::from(input.integer()?)),
        }
    }
}
