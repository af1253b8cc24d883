//! The door stands at every text of every request: whatever field a card number, a card code or a full
//! Social Security number is written into, the request is refused, the field is named by its path, and
//! nothing of the value is repeated (PCI DSS 4.0.1 requirements 3.3.1 and 3.5.1).
//!
//! The samples hold every request with every member set; each text in them is replaced in turn.

use prost::Message;
use prost_reflect::{DynamicMessage, FieldDescriptor, Value};

use crate::required::{Steps, at, path, read};
use crate::sample::SAMPLES;

/// What must never enter, and a part of it that no answer may repeat.
const FORBIDDEN: [(&str, &str); 5] = [
    ("4111111111111111", "4111"),
    ("paid with 5555-5555-5555-4444 today", "5555"),
    ("3782 822463 10005", "3782"),
    ("the CVV is 737", "737"),
    ("219-09-9999", "9999"),
];

/// A text: where its message lies, its field, and its place if the field is a list.
type Place = (Steps, FieldDescriptor, Option<usize>);

/// Every text that is set anywhere in a message.
fn texts(message: &DynamicMessage, steps: &Steps, found: &mut Vec<Place>) {
    for (field, value) in message.fields() {
        let values = match value {
            Value::List(values) => values.iter().enumerate().map(|(at, v)| (Some(at), v)).collect(),
            single => vec![(None, single)],
        };
        for (place, value) in values {
            match value {
                Value::Message(inner) => {
                    let mut below = steps.clone();
                    below.push((field.clone(), place));
                    texts(inner, &below, found);
                }
                Value::String(_) => found.push((steps.clone(), field.clone(), place)),
                _ => {}
            }
        }
    }
}

#[test]
fn what_must_never_be_kept_is_refused_in_every_text_of_every_request() {
    let (mut checked, mut open) = (0, Vec::new());
    for sample in SAMPLES {
        let whole = read(sample);
        let mut places = Vec::new();
        texts(&whole, &Vec::new(), &mut places);
        // A page's token is opened by whoever gave it, and a part of an id may be any digits. Both are kept
        // nowhere.
        places.retain(|(_, field, _)| !["page_token", "id_part"].contains(&field.name()));
        for ((steps, field, place), (text, part)) in
            places.iter().flat_map(|place| FORBIDDEN.iter().map(move |text| (place, text)))
        {
            let mut broken = whole.clone();
            let message = at(&mut broken, steps);
            match place {
                None => message.set_field(field, Value::String((*text).to_owned())),
                Some(place) => {
                    let Value::List(values) = message.get_field_mut(field) else { unreachable!() };
                    values[*place] = Value::String((*text).to_owned());
                }
            }
            let errors = (sample.convert)(&broken.encode_to_vec());
            let last =
                place.map_or(field.name().to_owned(), |at| format!("{}[{at}]", field.name()));
            let path = path(steps, &last);
            for error in &errors {
                let said = format!("{} {}", error.field, error.rule);
                assert!(!said.contains(part), "{}: {path}: {said}", sample.name);
            }
            // A request of a stream is named as Record itself would name it.
            let path = path.strip_prefix("record.").unwrap_or(&path);
            // A currency that is none is a fault of its amount.
            let amount = path.strip_suffix(".currency_code").unwrap_or(path);
            if !errors.iter().any(|error| [path, amount].contains(&error.field.as_str())) {
                open.push(format!("{} {path}", sample.name));
            }
            checked += 1;
        }
    }
    open.sort_unstable();
    open.dedup();
    assert_eq!(open, Vec::<String>::new());
    assert!(checked > 1_300, "only {checked} texts were tried");
}
