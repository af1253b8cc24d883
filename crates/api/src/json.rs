//! The proto3 JSON mapping, for files of actions and for people at a terminal.

use std::collections::BTreeSet;
use std::sync::LazyLock;

use domain::codec::value_of;
use prost::Message;
use prost_reflect::{
    DescriptorPool, DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, MethodDescriptor,
};
use serde_json::{Map, Value};

use crate::field::FieldErrors;
use crate::limit::JSON_LINE_BYTES_MAX;
use crate::v1;

const RECORD_REQUEST: &str = "counterfoil.v1.RecordRequest";
/// The field that stands for a text as a whole.
const LINE: &str = "line";
/// Deepest nesting that is searched for the field at fault; the contract itself has less.
const DEPTH_MAX: usize = 16;
/// Longest unknown member name that is shown; anything longer is no name.
const SHOWN_NAME_BYTES_MAX: usize = 64;

static POOL: LazyLock<DescriptorPool> = LazyLock::new(|| {
    DescriptorPool::decode(crate::FILE_DESCRIPTOR_SET)
        .expect("the descriptor set was made from the contract when this was built")
});

/// Why a line is no request: where, and which rule. Never the value.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{field}: {reason}")]
pub struct JsonError {
    /// The path of the field; `line` if the line is no JSON object.
    pub field: String,
    /// The rule.
    pub reason: String,
}

impl JsonError {
    fn new(field: impl Into<String>, reason: impl Into<String>) -> Self {
        Self { field: field.into(), reason: reason.into() }
    }
}

impl From<JsonError> for FieldErrors {
    fn from(error: JsonError) -> Self {
        match error.field.as_str() {
            LINE => Self::of_request(error.reason),
            _ => Self::one(error.field, error.reason),
        }
    }
}

/// A message of the contract that cannot be shown.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{full_name} is not the message's name in the contract")]
pub struct UnknownMessage {
    /// The name as given.
    pub full_name: String,
}

/// The contract, for those who walk it.
pub fn descriptors() -> &'static DescriptorPool {
    &POOL
}

/// Reads one line: a `RecordRequest` in the proto3 JSON mapping. Unknown members are refused, so
/// that a misspelt one is not lost in silence.
pub fn record_request(line: &str) -> Result<v1::RecordRequest, JsonError> {
    from_json(line, RECORD_REQUEST)
}

/// Reads any message of the contract by its full name.
pub fn from_json<M: Message + Default>(text: &str, full_name: &str) -> Result<M, JsonError> {
    let descriptor = POOL
        .get_message_by_name(full_name)
        .ok_or_else(|| JsonError::new(LINE, format!("{full_name} is not in the contract")))?;
    if text.len() > JSON_LINE_BYTES_MAX {
        return Err(JsonError::new(LINE, format!("must be at most {JSON_LINE_BYTES_MAX} bytes")));
    }
    let transcoded = read(text, &descriptor)?.transcode_to();
    transcoded.map_err(|_| JsonError::new(LINE, format!("must be a {full_name}")))
}

/// Reads a message of the contract and gives it as it is on the wire.
pub fn encoded(text: &str, descriptor: &MessageDescriptor) -> Result<Vec<u8>, JsonError> {
    read(text, descriptor).map(|message| message.encode_to_vec())
}

/// How many values a text has at most: what separates them, outside of strings, and one.
pub fn values(text: &str) -> usize {
    let (mut is_text, mut is_escaped, mut count) = (false, false, 1);
    for byte in text.bytes() {
        match byte {
            _ if is_escaped => is_escaped = false,
            b'\\' if is_text => is_escaped = true,
            b'"' => is_text = !is_text,
            b',' | b'[' | b'{' if !is_text => count += 1,
            _ => {}
        }
    }
    count
}

fn read(text: &str, descriptor: &MessageDescriptor) -> Result<DynamicMessage, JsonError> {
    let value = value_of(text).map_err(|error| {
        let at = format!("line {}, column {}", error.line(), error.column());
        JsonError::new(
            LINE,
            if error.is_data() {
                format!("must name each member once; one is named again at {at}")
            } else {
                format!(
                    "must be JSON, not too deep and with no number too large; it is not at {at}"
                )
            },
        )
    })?;
    if let Some(twice) = named_twice(descriptor, &value, "") {
        return Err(twice);
    }
    // The library's own words would echo the value.
    DynamicMessage::deserialize(descriptor.clone(), &value)
        .map_err(|_| locate(descriptor, &value, "", 0))
}

/// Shows a message by its full name as proto3 JSON: 64-bit integers are strings, members that have
/// their default value are left out.
pub fn to_json<M: Message>(message: &M, full_name: &str) -> Result<Value, UnknownMessage> {
    let unknown = || UnknownMessage { full_name: full_name.to_owned() };
    let descriptor = POOL.get_message_by_name(full_name).ok_or_else(unknown)?;
    shown(&message.encode_to_vec(), descriptor).ok_or_else(unknown)
}

/// The same of a message as it is on the wire; none if it is no such message.
pub fn shown(bytes: &[u8], descriptor: MessageDescriptor) -> Option<Value> {
    let message = DynamicMessage::decode(descriptor, bytes).ok()?;
    serde_json::to_value(message).ok()
}

/// The RPC of a path such as `/counterfoil.v1.CaseLedger/GetCase`.
pub fn rpc(path: &str) -> Option<MethodDescriptor> {
    let (service, method) = path.strip_prefix('/')?.split_once('/')?;
    POOL.get_service_by_name(service)?.methods().find(|known| known.name() == method)
}

pub(crate) fn joined(path: &str, name: &str) -> String {
    if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") }
}

/// Finds the deepest member that alone makes a message unreadable.
fn locate(descriptor: &MessageDescriptor, value: &Value, path: &str, depth: usize) -> JsonError {
    let here = if path.is_empty() { LINE } else { path };
    let Value::Object(members) = value else {
        return JsonError::new(here, "must be a JSON object");
    };
    for (name, member) in members {
        let Some(field) = field(descriptor, name) else {
            return unknown_member(descriptor, path, name);
        };
        if !reads(descriptor, name, member) {
            return blame(&field, member, &joined(path, field.name()), depth);
        }
    }
    JsonError::new(here, "must name each member once, and one member of a choice")
}

/// A field that is told under both of its names: in which order they were read would decide.
fn named_twice(descriptor: &MessageDescriptor, value: &Value, path: &str) -> Option<JsonError> {
    let Value::Object(members) = value else { return None };
    let mut seen = BTreeSet::new();
    for (name, member) in members {
        let Some(field) = field(descriptor, name) else { continue };
        let place = joined(path, field.name());
        if !seen.insert(field.number()) {
            return Some(JsonError::new(place, "must be told once"));
        }
        let Kind::Message(inner) = field.kind() else { continue };
        let found = match member {
            Value::Array(all) => all
                .iter()
                .enumerate()
                .find_map(|(at, one)| named_twice(&inner, one, &format!("{place}[{at}]"))),
            one => named_twice(&inner, one, &place),
        };
        if found.is_some() {
            return found;
        }
    }
    None
}

fn field(descriptor: &MessageDescriptor, name: &str) -> Option<FieldDescriptor> {
    descriptor.get_field_by_json_name(name).or_else(|| descriptor.get_field_by_name(name))
}

fn unknown_member(descriptor: &MessageDescriptor, path: &str, name: &str) -> JsonError {
    let is_name = (1..=SHOWN_NAME_BYTES_MAX).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_alphabetic() || b == b'_');
    let shown = if is_name { joined(path, name) } else { joined(path, "(unknown)") };
    JsonError::new(shown, format!("is not a member of {}", descriptor.name()))
}

/// Whether a message with this member alone can be read.
fn reads(descriptor: &MessageDescriptor, name: &str, member: &Value) -> bool {
    let alone = Value::Object(Map::from_iter([(name.to_owned(), member.clone())]));
    DynamicMessage::deserialize(descriptor.clone(), &alone).is_ok()
}

fn blame(field: &FieldDescriptor, value: &Value, path: &str, depth: usize) -> JsonError {
    let (true, Kind::Message(inner)) = (depth < DEPTH_MAX, field.kind()) else {
        return JsonError::new(path, expected(field));
    };
    // Google's well-known types have JSON forms of their own.
    if inner.full_name().starts_with("google.protobuf.") {
        return JsonError::new(path, expected(field));
    }
    if !field.is_list() {
        return locate(&inner, value, path, depth + 1);
    }
    let Value::Array(members) = value else {
        return JsonError::new(path, expected(field));
    };
    let broken = members
        .iter()
        .enumerate()
        .find(|(_, member)| DynamicMessage::deserialize(inner.clone(), *member).is_err());
    match broken {
        Some((at, member)) => locate(&inner, member, &format!("{path}[{at}]"), depth + 1),
        None => JsonError::new(path, expected(field)),
    }
}

fn expected(field: &FieldDescriptor) -> String {
    let one = match field.kind() {
        Kind::Bool => "true or false".to_owned(),
        Kind::String => "a string".to_owned(),
        Kind::Bytes => "a string of base64".to_owned(),
        Kind::Double | Kind::Float => "a number".to_owned(),
        Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 | Kind::Uint32 | Kind::Fixed32 => {
            "a whole number of 32 bits".to_owned()
        }
        Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 | Kind::Uint64 | Kind::Fixed64 => {
            "a whole number of 64 bits".to_owned()
        }
        Kind::Enum(values) => format!("the name of a value of {}", values.name()),
        Kind::Message(message) => format!("a {}", message.name()),
    };
    if field.is_list() { format!("must be a list, each {one}") } else { format!("must be {one}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRM: &str = "018f2b6e-0000-7000-8000-000000000001";

    fn line(action: &str) -> String {
        format!(
            r#"{{"name":"firms/{FIRM}/cases/{FIRM}","requestId":"{FIRM}","actions":[{action}]}}"#
        )
    }

    #[test]
    fn a_line_reads_back_as_it_was_written() {
        let text = line(
            r#"{"occurredOn":{"year":2025,"month":3,"day":4},"noteExposure":{"kind":"EXPOSURE_KIND_EARLY_SERVICE","amount":{"currencyCode":"USD","units":"49","nanos":990000000}}}"#,
        );
        let request = record_request(&text).unwrap();
        assert_eq!(request.actions.len(), 1);
        let shown = to_json(&request, RECORD_REQUEST).unwrap();
        assert_eq!(shown, serde_json::from_str::<Value>(&text).unwrap());
    }

    #[test]
    fn a_fault_names_its_field_and_no_value() {
        for (text, field) in [
            ("secret".to_owned(), "line"),
            ("[\"secret\"]".to_owned(), "line"),
            (r#"{"name":"secret","name":"secret"}"#.to_owned(), "line"),
            (
                line(r#"{"enrol":{"contact":{"phone":["secret"]}}}"#),
                "actions[0].enrol.contact.phone",
            ),
            (line(r#"{"enrol":{"seat":"secret"}}"#), "actions[0].enrol.seat"),
            (
                line(r#"{"enrol":{"sale":{"promisedDays":"secret"}}}"#),
                "actions[0].enrol.sale.promised_days",
            ),
            (line(r#"{"openWork":{}},{"enroll":{}}"#), "actions[1].enroll"),
            (line(r#"{"openWork":{},"resumeService":{}}"#), "actions[0]"),
            (line(r#"{"openWork":{"secret 4111":1}}"#), "actions[0].open_work.(unknown)"),
            (r#"{"":"secret"}"#.to_owned(), "(unknown)"),
            (line("7"), "actions[0]"),
            (
                line(r#"{"occurredOn":{"year":2025},"occurred_on":{"year":2026}}"#),
                "actions[0].occurred_on",
            ),
        ] {
            let error = record_request(&text).unwrap_err();
            assert_eq!(error.field, field, "{error}");
            assert!(!error.to_string().contains("secret"), "{error}");
        }
    }

    #[test]
    fn a_status_with_details_prints() {
        let status = tonic::Status::from(crate::status::Failure::Overloaded);
        let message = v1::RecordStreamResponse {
            request_id: FIRM.to_owned(),
            result: Some(v1::record_stream_response::Result::Error(crate::status::status_message(
                &status,
            ))),
        };
        let shown = to_json(&message, "counterfoil.v1.RecordStreamResponse").unwrap();
        let details = shown["error"]["details"].as_array().unwrap();
        assert!(details.iter().any(|detail| detail["reason"] == "OVERLOADED"), "{shown}");
    }

    #[test]
    fn a_message_of_another_name_is_an_error() {
        assert!(to_json(&v1::GetHeadRequest::default(), "counterfoil.v1.Nothing").is_err());
    }
}
