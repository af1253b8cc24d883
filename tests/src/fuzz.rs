//! Requests of every RPC, made from the contract's descriptor and its samples: each scalar at its
//! boundaries, and messages changed at random from a seed.
//!
//! The samples are those that `crates/api` holds against the contract: every request with every member
//! set. What a caller may only know from answers (names of accounts, deposits, invoices) is learnt from
//! them, so that many requests are about something that is there.

mod boundary;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;

use prost::Message as _;
use prost_reflect::{
    Cardinality, DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, MethodDescriptor,
    ReflectMessage as _, Value,
};
use rand::rngs::StdRng;
use rand::{RngExt, seq::IndexedRandom};
use uuid::Uuid;

/// The firm that every sample is about.
pub const FIRM: &str = "firms/018f2b6e-0000-7000-8000-000000000001";
/// Largest integer that is ever written, RFC 8785.
const WRITTEN_MAX: i64 = (1 << 53) - 1;
/// How deep messages are looked into; none of the contract is as deep.
const DEPTH_MAX: usize = 8;
/// Names of one collection that are remembered.
const KNOWN_MAX: usize = 64;
/// Members of a list that is too long for any limit of the contract, or just is not.
const LENGTHS: [usize; 6] = [0, 2, 100, 101, 501, 5_001];
/// A message this large is not changed any further.
const CHANGED_BYTES_MAX: usize = 100_000;
/// What an upload brings.
const DOCUMENT: &[u8] = b"abc";
/// FIPS 180-4's example, of the same three letters.
const DOCUMENT_SHA256: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

/// One call of an RPC.
#[derive(Clone, Debug)]
pub struct Call {
    /// `/counterfoil.v1.Billing/RunBilling`
    pub path: String,
    /// What the caller sends, encoded, one message after the other.
    pub messages: Vec<Vec<u8>>,
    /// What was changed, and to what.
    pub what: String,
}

/// A request as it should be, and the RPC that takes it.
#[derive(Clone)]
struct Sample {
    name: String,
    method: MethodDescriptor,
    message: DynamicMessage,
}

/// Names that answers have said.
#[derive(Default)]
pub struct Known(Mutex<BTreeMap<String, Vec<String>>>);

impl Known {
    /// Remembers a name, `firms/F/cases/C`.
    pub fn add(&self, name: &str) {
        let Some(collection) = collection_of(name) else { return };
        let mut known = self.0.lock().expect("nobody panics while it is held");
        let names = known.entry(collection.to_owned()).or_default();
        if !names.iter().any(|known| known == name) {
            if names.len() == KNOWN_MAX {
                names.remove(0);
            }
            names.push(name.to_owned());
        }
    }

    /// Remembers every name that an encoded answer says.
    pub fn learn(&self, answer: &[u8]) {
        let text = String::from_utf8_lossy(answer);
        for (at, _) in text.match_indices(FIRM) {
            let rest = &text[at..];
            let is_name = |c: char| c.is_ascii_alphanumeric() || matches!(c, '/' | '-');
            let end = rest.find(|c| !is_name(c)).unwrap_or(rest.len());
            self.add(&rest[..end]);
        }
    }

    fn any(&self, collection: &str, rng: &mut StdRng) -> Option<String> {
        let known = self.0.lock().expect("nobody panics while it is held");
        known.get(collection)?.choose(rng).cloned()
    }
}

fn collection_of(name: &str) -> Option<&str> {
    let (collection, id) = name.strip_prefix(FIRM)?.strip_prefix('/')?.split_once('/')?;
    (!id.is_empty() && !id.contains('/')).then_some(collection)
}

/// Where a value is in a message: the members on the way, each with a place if it is a list.
#[derive(Clone, Debug)]
struct Place {
    steps: Vec<(FieldDescriptor, Option<usize>)>,
}

impl Place {
    fn path(&self) -> String {
        let part = |(field, at): &(FieldDescriptor, Option<usize>)| match at {
            Some(at) => format!("{}[{at}]", field.name()),
            None => field.name().to_owned(),
        };
        self.steps.iter().map(part).collect::<Vec<_>>().join(".")
    }

    fn below(&self, field: &FieldDescriptor, at: Option<usize>) -> Self {
        let mut steps = self.steps.clone();
        steps.push((field.clone(), at));
        Self { steps }
    }

    fn kind(&self) -> Kind {
        self.steps.last().expect("a place has a last step").0.kind()
    }

    /// Puts a value here, making the messages on the way that are not there.
    fn put(&self, message: &mut DynamicMessage, value: Value) {
        put(message, &self.steps, value);
    }
}

fn put(message: &mut DynamicMessage, steps: &[(FieldDescriptor, Option<usize>)], value: Value) {
    let ((field, at), rest) = steps.split_first().expect("a place has steps");
    let here = message.get_field_mut(field);
    let here = match (here, at) {
        (Value::List(values), Some(at)) => {
            while values.len() <= *at {
                values.push(Value::default_value(&field.kind()));
            }
            &mut values[*at]
        }
        (here, _) => here,
    };
    match here {
        Value::Message(inner) if !rest.is_empty() => put(inner, rest, value),
        here => *here = value,
    }
}

/// Every place in a message where something can be put: scalars, lists as wholes, and messages of dates
/// and amounts as wholes. Alternatives of a choice that is made otherwise are left to other samples.
fn places(message: &DynamicMessage) -> Vec<Place> {
    let mut found = Vec::new();
    find(&message.descriptor(), Some(message), &Place { steps: Vec::new() }, &mut found);
    found
}

fn find(
    descriptor: &MessageDescriptor,
    message: Option<&DynamicMessage>,
    above: &Place,
    found: &mut Vec<Place>,
) {
    if above.steps.len() == DEPTH_MAX {
        return;
    }
    for field in descriptor.fields() {
        let is_set = message.is_some_and(|message| message.has_field(&field));
        let chosen = |choice: &prost_reflect::OneofDescriptor| {
            choice.fields().any(|field| message.is_some_and(|message| message.has_field(&field)))
        };
        if !is_set && field.containing_oneof().is_some_and(|choice| chosen(&choice)) {
            continue;
        }
        let value = message.map(|message| message.get_field(&field).into_owned());
        let is_list = field.cardinality() == Cardinality::Repeated;
        let (at, inner) = match value {
            Some(Value::Message(inner)) if is_set => (None, Some(inner)),
            Some(Value::List(values)) => match values.into_iter().next() {
                Some(Value::Message(inner)) => (Some(0), Some(inner)),
                _ => (Some(0), None),
            },
            _ => (is_list.then_some(0), None),
        };
        if is_list {
            found.push(above.below(&field, None));
        }
        let here = above.below(&field, at);
        match field.kind() {
            Kind::Message(below) => {
                if matches!(below.full_name(), "google.type.Date" | "google.type.Money") {
                    found.push(here.clone());
                }
                find(&below, inner.as_ref(), &here, found);
            }
            _ => found.push(here),
        }
    }
}

fn whole(fields: &[(&str, Value)], descriptor: &MessageDescriptor) -> Value {
    let mut message = DynamicMessage::new(descriptor.clone());
    for (name, value) in fields {
        message.set_field_by_name(name, value.clone());
    }
    Value::Message(message)
}

/// Every request of the contract.
pub struct Contract {
    samples: Vec<Sample>,
}

impl Default for Contract {
    fn default() -> Self {
        Self::read()
    }
}

impl Contract {
    /// Reads the samples. One of several actions becomes one for each, so that each can be taken.
    pub fn read() -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../crates/api/tests/proto_contract/samples");
        let files = std::fs::read_dir(folder).expect("the samples are there");
        let mut files: Vec<_> = files.map(|file| file.expect("a file").path()).collect();
        files.sort();
        let mut samples = Vec::new();
        for file in files {
            let name = file.file_stem().expect("a name").to_string_lossy().into_owned();
            let text = std::fs::read_to_string(&file).expect("a sample reads");
            let text = text.replace(&"4".repeat(64), DOCUMENT_SHA256);
            let method = method_of(&name);
            let value: serde_json::Value = serde_json::from_str(&text).expect("a sample is JSON");
            let message = DynamicMessage::deserialize(method.input(), &value).expect("of its kind");
            let actions = method.input().get_field_by_name("actions");
            let Some(actions) = actions.filter(|_| name == "record") else {
                samples.push(Sample { name, method, message });
                continue;
            };
            // As a whole only its length is of interest, and who it is about.
            let whole = Sample {
                name: "record_all".into(),
                method: method.clone(),
                message: message.clone(),
            };
            let all = message.get_field(&actions).into_owned();
            for action in all.as_list().expect("actions are a list") {
                let mut message = message.clone();
                message.clear_field_by_name("expected_version");
                message.set_field(&actions, Value::List(vec![action.clone()]));
                samples.push(Sample { name: name.clone(), method: method.clone(), message });
            }
            samples.push(whole);
        }
        Self { samples }
    }

    /// Every RPC there is a sample of.
    pub fn paths(&self) -> std::collections::BTreeSet<String> {
        self.samples.iter().map(|sample| path(&sample.method)).collect()
    }

    /// A sample as it is, by its file's name.
    pub fn sample<M: prost::Message + Default>(&self, name: &str) -> M {
        let sample = self.samples.iter().find(|sample| sample.name == name);
        let bytes = sample.expect("a sample of that name").message.encode_to_vec();
        M::decode(bytes.as_slice()).expect("a sample is of its kind")
    }

    /// Every request with each place at each of its boundaries, one change at a time.
    pub fn boundaries<'c>(
        &'c self,
        known: &'c Known,
        seed: u64,
    ) -> impl Iterator<Item = Call> + 'c {
        let mut rng = rand::SeedableRng::seed_from_u64(seed);
        let tries = self.samples.iter().flat_map(|sample| {
            let inside = |place: &Place| sample.name == "record_all" && place.steps.len() > 1;
            let all = places(&sample.message).into_iter().filter(move |place| !inside(place));
            all.flat_map(move |place| {
                let values = boundary::boundaries(&place, &sample.message);
                values.into_iter().map(move |value| (sample, place.clone(), value))
            })
        });
        tries.map(move |(sample, place, value)| {
            let mut message = sample.message.clone();
            settle(&mut message, known, &mut rng);
            let what = format!("{} = {}", place.path(), shown(&value));
            place.put(&mut message, value);
            call(sample, &message, &what)
        })
    }

    /// A request with some places changed at random. Long work comes up less often than it would.
    pub fn random(&self, known: &Known, rng: &mut StdRng) -> Call {
        let rare =
            ["verify_log", "rebuild_read_models", "check_derived", "export_bundle", "follow"];
        let sample = loop {
            let sample = self.samples.choose(rng).expect("there are samples");
            let is_rare = rare.iter().any(|rare| sample.name.starts_with(rare));
            if !is_rare || rng.random_ratio(1, 20) {
                break sample;
            }
        };
        let mut message = sample.message.clone();
        if rng.random_ratio(1, 2) {
            spread_days(&mut message, rng);
        }
        settle(&mut message, known, rng);
        let mut what = Vec::new();
        // One in four is as it should be: only what is taken leads to states that are worth asking about.
        for _ in 0..rng.random_range(0..4) {
            // A long list in every member of a long list would be all that is ever made.
            if message.encoded_len() > CHANGED_BYTES_MAX {
                break;
            }
            let all = places(&message);
            let Some(place) = all.choose(rng) else { break };
            let values = boundary::boundaries(place, &message);
            let Some(value) = values.choose(rng).cloned() else { continue };
            let value = if rng.random_ratio(1, 3) {
                any(&place.kind(), rng).unwrap_or(value)
            } else {
                value
            };
            what.push(format!("{} = {}", place.path(), shown(&value)));
            place.put(&mut message, value);
        }
        call(sample, &message, &what.join(", "))
    }
}

fn call(sample: &Sample, message: &DynamicMessage, what: &str) -> Call {
    let mut messages = vec![message.encode_to_vec()];
    if sample.name == "upload" {
        messages.push(document(&sample.method.input()));
    }
    Call { path: path(&sample.method), messages, what: format!("{}: {what}", sample.name) }
}

/// The second message of an upload.
fn document(upload: &MessageDescriptor) -> Vec<u8> {
    let mut message = DynamicMessage::new(upload.clone());
    let chunk = upload.fields().find(|field| field.kind() == Kind::Bytes).expect("bytes follow");
    message.set_field(&chunk, Value::Bytes(DOCUMENT.into()));
    message.encode_to_vec()
}

fn path(method: &MethodDescriptor) -> String {
    format!("/{}/{}", method.parent_service().full_name(), method.name())
}

/// The method whose name, in snake case, begins a sample's name, and the longest of them.
fn method_of(sample: &str) -> MethodDescriptor {
    let services = api::json::descriptors().services();
    let ours = services.filter(|service| service.package_name() == "counterfoil.v1");
    let methods = ours.flat_map(|service| service.methods().collect::<Vec<_>>());
    let fits = methods.filter(|method| {
        let rest = sample.strip_prefix(&snake(method.name()));
        rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('_'))
    });
    fits.max_by_key(|method| method.name().len()).unwrap_or_else(|| panic!("{sample} is of no RPC"))
}

fn snake(name: &str) -> String {
    let mut text = String::new();
    for (at, c) in name.char_indices() {
        if c.is_ascii_uppercase() && at > 0 {
            text.push('_');
        }
        text.push(c.to_ascii_lowercase());
    }
    text
}

fn shown(value: &Value) -> String {
    match value {
        Value::List(values) => format!("{} members", values.len()),
        other => format!("{other:?}").chars().take(60).collect(),
    }
}

/// A request id of its own, and names that are known in the place of those of the sample.
fn settle(message: &mut DynamicMessage, known: &Known, rng: &mut StdRng) {
    each_string(message, &mut |field, text| {
        if field == "request_id" {
            *text = Uuid::from_u128(rng.random()).to_string();
        } else if let Some(collection) = collection_of(text) {
            let other = known.any(collection, rng).filter(|_| rng.random_ratio(9, 10));
            if let Some(other) = other {
                *text = other;
            }
        } else if let Some((word, number)) = text.rsplit_once('-')
            && !number.is_empty()
            && number.len() < 3
            && number.bytes().all(|byte| byte.is_ascii_digit())
            && rng.random_ratio(1, 2)
        {
            *text = format!("{word}-{}", rng.random_range(1..=40));
        }
    });
}

fn each_string(message: &mut DynamicMessage, visit: &mut dyn FnMut(&str, &mut String)) {
    for field in message.descriptor().fields() {
        if !message.has_field(&field) {
            continue;
        }
        match message.get_field_mut(&field) {
            Value::String(text) => visit(field.name(), text),
            Value::Message(inner) => each_string(inner, visit),
            Value::List(values) => {
                for value in values {
                    match value {
                        Value::String(text) => visit(field.name(), text),
                        Value::Message(inner) => each_string(inner, visit),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
}

/// Every date becomes a day of the year that the firm has behind it.
fn spread_days(message: &mut DynamicMessage, rng: &mut StdRng) {
    if message.descriptor().full_name() == "google.type.Date" {
        for (name, value) in
            [("year", 2025), ("month", rng.random_range(3..=12)), ("day", rng.random_range(1..=28))]
        {
            message.set_field_by_name(name, Value::I32(value));
        }
        return;
    }
    for field in message.descriptor().fields() {
        if !message.has_field(&field) {
            continue;
        }
        match message.get_field_mut(&field) {
            Value::Message(inner) => spread_days(inner, rng),
            Value::List(values) => {
                for value in values {
                    if let Value::Message(inner) = value {
                        spread_days(inner, rng);
                    }
                }
            }
            _ => {}
        }
    }
}

/// Any value of a scalar kind.
fn any(kind: &Kind, rng: &mut StdRng) -> Option<Value> {
    Some(match kind {
        Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => {
            Value::I32(rng.random::<i32>() >> rng.random_range(0..32))
        }
        Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => {
            Value::I64(rng.random::<i64>() >> rng.random_range(0..64))
        }
        Kind::Uint32 | Kind::Fixed32 => Value::U32(rng.random::<u32>() >> rng.random_range(0..32)),
        Kind::Uint64 | Kind::Fixed64 => Value::U64(rng.random::<u64>() >> rng.random_range(0..64)),
        Kind::Enum(_) => Value::EnumNumber(rng.random_range(-1..20)),
        Kind::Bool => Value::Bool(rng.random()),
        Kind::String if rng.random_ratio(1, 2) => {
            Value::String((*boundary::WORDS.choose(rng).expect("there are words")).to_owned())
        }
        Kind::String => {
            let length = rng.random_range(0..40);
            Value::String((0..length).map(|_| rng.random::<char>()).collect())
        }
        Kind::Bytes => {
            Value::Bytes((0..rng.random_range(0..40)).map(|_| rng.random::<u8>()).collect())
        }
        Kind::Float | Kind::Double | Kind::Message(_) => return None,
    })
}
