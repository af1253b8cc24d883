//! What the contract calls REQUIRED is refused when it is missing, with its path (AIP-203: the
//! annotation itself validates nothing).
//!
//! The samples hold every request with every member set. Each REQUIRED field found in them is
//! cleared in turn, and the conversion must name it.

use std::collections::BTreeSet;

use prost::Message;
use prost_reflect::{
    DynamicMessage, ExtensionDescriptor, FieldDescriptor, MessageDescriptor, Value,
};

use crate::sample::{SAMPLES, Sample};

/// The value of google.api.FieldBehavior.REQUIRED.
const REQUIRED: i32 = 2;

fn behavior() -> ExtensionDescriptor {
    let pool = counterfoil_api::json::descriptors();
    pool.get_extension_by_name("google.api.field_behavior").expect("the contract imports it")
}

fn is_required(field: &FieldDescriptor) -> bool {
    let options = field.options();
    let value = options.get_extension(&behavior()).into_owned();
    let Value::List(values) = value else { return false };
    values.iter().any(|value| value.as_enum_number() == Some(REQUIRED))
}

fn message_name(sample: &Sample) -> String {
    format!("counterfoil.v1.{}", sample.name)
}

pub(crate) fn read(sample: &Sample) -> DynamicMessage {
    let descriptor =
        counterfoil_api::json::descriptors().get_message_by_name(&message_name(sample)).unwrap();
    let value: serde_json::Value = serde_json::from_str(sample.json).expect(sample.name);
    DynamicMessage::deserialize(descriptor, &value)
        .unwrap_or_else(|e| panic!("{}: {e}", sample.name))
}

/// Where a message lies: fields and, in lists, the place.
pub(crate) type Steps = Vec<(FieldDescriptor, Option<usize>)>;

/// The message at the end of the steps.
pub(crate) fn at<'a>(
    message: &'a mut DynamicMessage,
    steps: &[(FieldDescriptor, Option<usize>)],
) -> &'a mut DynamicMessage {
    let Some(((field, place), rest)) = steps.split_first() else { return message };
    let value = message.get_field_mut(field);
    let inner = match (value, place) {
        (Value::Message(inner), None) => inner,
        (Value::List(values), Some(place)) => match &mut values[*place] {
            Value::Message(inner) => inner,
            other => panic!("{other:?} is no message"),
        },
        (other, _) => panic!("{other:?} is no message"),
    };
    at(inner, rest)
}

pub(crate) fn path(steps: &[(FieldDescriptor, Option<usize>)], last: &str) -> String {
    let mut parts: Vec<String> = steps
        .iter()
        .map(|(field, place)| match place {
            Some(place) => format!("{}[{place}]", field.name()),
            None => field.name().to_owned(),
        })
        .collect();
    parts.push(last.to_owned());
    parts.join(".")
}

/// Every REQUIRED field that is set anywhere in the message.
fn required(message: &DynamicMessage, steps: &Steps, found: &mut Vec<(Steps, FieldDescriptor)>) {
    for (field, value) in message.fields() {
        if is_required(&field) {
            found.push((steps.clone(), field.clone()));
        }
        let mut below = |inner: &DynamicMessage, place| {
            let mut steps = steps.clone();
            steps.push((field.clone(), place));
            required(inner, &steps, found);
        };
        match value {
            Value::Message(inner) => below(inner, None),
            Value::List(values) => {
                for (place, value) in values.iter().enumerate() {
                    if let Value::Message(inner) = value {
                        below(inner, Some(place));
                    }
                }
            }
            _ => {}
        }
    }
}

#[test]
fn every_sample_is_accepted() {
    for sample in SAMPLES {
        let errors = (sample.convert)(&read(sample).encode_to_vec());
        assert!(errors.is_empty(), "{}: {errors:?}", sample.name);
    }
}

#[test]
fn a_required_field_that_is_missing_is_named() {
    let mut checked = 0;
    for sample in SAMPLES {
        let whole = read(sample);
        let mut fields = Vec::new();
        required(&whole, &Vec::new(), &mut fields);
        assert!(!fields.is_empty(), "{} asks for nothing", sample.name);
        for (steps, field) in fields {
            let mut broken = whole.clone();
            at(&mut broken, &steps).clear_field(&field);
            let errors = (sample.convert)(&broken.encode_to_vec());
            // A request of a stream is named as Record itself would name it.
            let path = path(&steps, field.name());
            let path = match sample.name {
                "RecordStreamRequest" => path.strip_prefix("record.").unwrap_or(&path).to_owned(),
                _ => path,
            };
            let named = errors.iter().any(|error| error.field == path);
            assert!(named, "{}: without {path}: {errors:?}", sample.name);
            checked += 1;
        }
    }
    assert!(checked > 150, "only {checked} required fields were checked");
}

fn reachable(message: &MessageDescriptor, found: &mut BTreeSet<String>) {
    for field in message.fields() {
        if is_required(&field) {
            found.insert(field.full_name().to_owned());
        }
        if let Some(inner) = field.kind().as_message()
            && inner.package_name() == "counterfoil.v1"
            && !is_output(&field)
        {
            reachable(inner, found);
        }
    }
}

/// The value of google.api.FieldBehavior.OUTPUT_ONLY.
fn is_output(field: &FieldDescriptor) -> bool {
    let value = field.options().get_extension(&behavior()).into_owned();
    let Value::List(values) = value else { return false };
    values.iter().any(|value| value.as_enum_number() == Some(3))
}

#[test]
fn the_samples_hold_every_request_and_every_required_field() {
    let mut wanted = BTreeSet::new();
    let mut requests = BTreeSet::new();
    for service in counterfoil_api::json::descriptors().services() {
        for method in service.methods().filter(|m| m.full_name().starts_with("counterfoil.v1.")) {
            requests.insert(method.input().name().to_owned());
            reachable(&method.input(), &mut wanted);
        }
    }
    let sampled: BTreeSet<String> = SAMPLES.iter().map(|s| s.name.to_owned()).collect();
    assert_eq!(requests, sampled);

    let mut seen = BTreeSet::new();
    for sample in SAMPLES {
        let mut fields = Vec::new();
        required(&read(sample), &Vec::new(), &mut fields);
        seen.extend(fields.into_iter().map(|(_, field)| field.full_name().to_owned()));
    }
    let missing: Vec<_> = wanted.difference(&seen).collect();
    assert!(missing.is_empty(), "no sample sets {missing:?}");
}
