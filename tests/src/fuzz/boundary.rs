//! The values at which something ends: of numbers, texts, lists and messages.

#![allow(clippy::wildcard_imports, reason = "a part of the generator above")]

use super::*;

/// The values that a place is tried with.
pub(super) fn boundaries(place: &Place, message: &DynamicMessage) -> Vec<Value> {
    let (field, at) = place.steps.last().expect("a place has a last step");
    if field.cardinality() == Cardinality::Repeated && at.is_none() {
        return lists(place, message);
    }
    match place.kind() {
        Kind::Bool => vec![Value::Bool(false), Value::Bool(true)],
        Kind::Enum(_) => [i32::MIN, -1, 0, 1, 99, i32::MAX].map(Value::EnumNumber).to_vec(),
        Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => {
            let rims = [i32::MIN, i32::MIN + 1, -1, 0, 1, 13, 32, 9_999, 10_000];
            rims.into_iter().chain([i32::MAX - 1, i32::MAX]).map(Value::I32).collect()
        }
        Kind::Uint32 | Kind::Fixed32 => {
            [0, 1, 13, 9_999, 10_000, u32::MAX - 1, u32::MAX].map(Value::U32).to_vec()
        }
        Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => longs().map(Value::I64).to_vec(),
        Kind::Uint64 | Kind::Fixed64 => {
            let written = WRITTEN_MAX.unsigned_abs();
            let rims = [0, 1, written, written + 1, 1 << 60, u64::MAX - 1, u64::MAX];
            rims.map(Value::U64).to_vec()
        }
        Kind::Float => [f32::MIN, -0.0, f32::NAN, f32::INFINITY].map(Value::F32).to_vec(),
        Kind::Double => [f64::MIN, -0.0, f64::NAN, f64::INFINITY].map(Value::F64).to_vec(),
        Kind::Bytes => [0, 1, 255, 70_000]
            .into_iter()
            .map(|length| Value::Bytes(vec![0xff; length].into()))
            .collect(),
        Kind::String => strings().into_iter().map(Value::String).collect(),
        Kind::Message(descriptor) if descriptor.name() == "Date" => {
            let days = [(0, 0, 0), (0, 1, 1), (1, 1, 1), (1_899, 12, 31), (1_900, 1, 1)];
            let later = [(2_025, 2, 29), (2_026, 3, 3), (9_999, 12, 31), (10_000, 1, 1)];
            let day = |(year, month, day): (i32, i32, i32)| {
                let fields = [("year", year), ("month", month), ("day", day)];
                whole(&fields.map(|(name, value)| (name, Value::I32(value))), &descriptor)
            };
            days.into_iter().chain(later).map(day).collect()
        }
        Kind::Message(descriptor) => {
            let amounts = [
                ("USD", i64::MAX, 999_999_999),
                ("USD", i64::MIN, -999_999_999),
                ("USD", 10_000_000_000, 0),
                ("USD", 10_000_000_000, 10_000_000),
                ("USD", -10_000_000_000, 0),
                ("USD", 0, 0),
                ("USD", 0, 1),
                ("USD", 1, -10_000_000),
                ("JPY", 10_000_000_000_000, 0),
                ("XXX", 1, 0),
                ("", 1, 0),
            ];
            let amount = |(code, units, nanos): (&str, i64, i32)| {
                let code = Value::String(code.into());
                let fields = [
                    ("currency_code", code),
                    ("units", Value::I64(units)),
                    ("nanos", Value::I32(nanos)),
                ];
                whole(&fields, &descriptor)
            };
            amounts.into_iter().map(amount).collect()
        }
    }
}

pub(super) fn longs() -> [i64; 13] {
    let written = WRITTEN_MAX;
    let (least, most) = (i64::MIN, i64::MAX);
    [
        least,
        least + 1,
        -written - 1,
        -1,
        0,
        1,
        10_000,
        written - 1,
        written,
        written + 1,
        1 << 60,
        most - 1,
        most,
    ]
}

pub(super) const NIL: &str = "00000000-0000-0000-0000-000000000000";

/// What every text is tried with.
pub(super) fn strings() -> Vec<String> {
    let fixed = [
        "",
        " ",
        "a\0b",
        "a\u{7}\u{1b}[31m",
        "\u{202e}evil",
        "9999-99-99",
        "10000-01-01",
        "9007199254740992",
        "18446744073709551616",
        "{\"code\":9007199254740993}",
        NIL,
        FIRM,
    ];
    let number = format!("{FIRM}/invoices/9007199254740992");
    let long = [1_001, 70_000].map(|length| "x".repeat(length));
    fixed.into_iter().map(str::to_owned).chain([number]).chain(long).collect()
}

/// What texts of the random campaign are tried with besides.
pub(super) const WORDS: [&str; 24] = [
    "-",
    "\0",
    "\u{feff}",
    "\u{ffff}",
    "😂",
    "../../etc/passwd",
    "=1+1",
    "'; DROP TABLE event; --",
    "9999-12-31",
    "0000-00-00",
    "-1",
    "0",
    "01",
    "1e400",
    "NaN",
    "USD",
    "null",
    "{}",
    "firm",
    "ffffffff-ffff-ffff-ffff-ffffffffffff",
    "firms/-",
    "+12015550123",
    "R01",
    "2029-12",
];

/// The list of a place, shorter and longer.
pub(super) fn lists(place: &Place, message: &DynamicMessage) -> Vec<Value> {
    let mut here = Value::Message(message.clone());
    for (field, at) in &place.steps {
        let Value::Message(inner) = &here else { return Vec::new() };
        let next = inner.get_field(field).into_owned();
        here = match (next, at) {
            (Value::List(values), Some(at)) => match values.into_iter().nth(*at) {
                Some(value) => value,
                None => return Vec::new(),
            },
            (next, _) => next,
        };
    }
    let Value::List(values) = here else { return Vec::new() };
    let member = values.into_iter().next();
    let member = member.unwrap_or_else(|| Value::default_value(&place.kind()));
    LENGTHS.iter().map(|length| Value::List(vec![member.clone(); *length])).collect()
}
