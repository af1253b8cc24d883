//! The unary calls of the contract as OpenAPI 3.1 (<https://spec.openapis.org/oas/v3.1.1>), made from its own
//! descriptors and comments: whatever the contract says is said here, and nothing else.

use std::collections::BTreeSet;

use prost_reflect::prost_types::source_code_info::Location;
use prost_reflect::{
    DynamicMessage, EnumDescriptor, FieldDescriptor, FileDescriptor, Kind, MessageDescriptor,
    MethodDescriptor, ServiceDescriptor, Value as Reflected,
};
use serde_json::{Map, Value, json};

use crate::json::descriptors;

const PACKAGE: &str = "counterfoil.v1";
/// FIELD_BEHAVIOR of AIP-203: required.
const REQUIRED: i32 = 2;
const ERROR: &str = "Error";

/// The document, for a server of this version at any address.
pub fn document(version: &str) -> Value {
    let mut schemas = Schemas::default();
    let mut paths = Map::new();
    let mut tags = Vec::new();
    for service in services() {
        tags.push(json!({ "name": service.name(), "description": comment(&service.parent_file(), service.path()) }));
        for method in service.methods().filter(is_unary) {
            let path = format!("/{}/{}", service.full_name(), method.name());
            paths.insert(path, json!({ "post": schemas.call(&service, &method) }));
        }
    }
    let schemas = schemas.all();
    json!({
        "openapi": "3.1.1",
        "info": {
            "title": "Counterfoil",
            "version": version,
            "description": "Every unary call of the contract as JSON: the unary part of the Connect protocol. Calls \
                            that stream are gRPC's alone.",
            "license": { "name": "Apache-2.0", "identifier": "Apache-2.0" },
        },
        "servers": [{ "url": "http://127.0.0.1:7411" }],
        "security": [{ "token": [] }],
        "tags": tags,
        "paths": paths,
        "components": {
            "securitySchemes": { "token": { "type": "http", "scheme": "bearer" } },
            "schemas": schemas,
        },
    })
}

fn services() -> impl Iterator<Item = ServiceDescriptor> {
    descriptors().services().filter(|service| service.package_name() == PACKAGE)
}

fn is_unary(method: &MethodDescriptor) -> bool {
    !method.is_client_streaming() && !method.is_server_streaming()
}

/// The schemas that are referred to, each looked at once.
#[derive(Default)]
struct Schemas {
    waiting: Vec<Named>,
    seen: BTreeSet<String>,
    made: Map<String, Value>,
}

enum Named {
    Message(MessageDescriptor),
    Enum(EnumDescriptor),
}

impl Schemas {
    fn call(&mut self, service: &ServiceDescriptor, method: &MethodDescriptor) -> Value {
        let timeout = json!({
            "name": "Connect-Timeout-Ms", "in": "header", "required": false,
            "description": "How long the caller waits, in milliseconds.",
            "schema": { "type": "string", "pattern": "^[0-9]{1,10}$" },
        });
        json!({
            "operationId": format!("{}_{}", service.name(), method.name()),
            "tags": [service.name()],
            "description": comment(&method.parent_file(), method.path()),
            "parameters": [timeout],
            "requestBody": {
                "required": true,
                "content": { "application/json": { "schema": self.message(method.input()) } },
            },
            "responses": {
                "200": {
                    "description": "The answer.",
                    "content": { "application/json": { "schema": self.message(method.output()) } },
                },
                "default": {
                    "description": "Why there is none.",
                    "content": { "application/json": { "schema": reference(ERROR) } },
                },
            },
        })
    }

    fn message(&mut self, message: MessageDescriptor) -> Value {
        if let Some(schema) = well_known(message.full_name()) {
            return schema;
        }
        let name = message.full_name().to_owned();
        if self.seen.insert(name.clone()) {
            self.waiting.push(Named::Message(message));
        }
        reference(&name)
    }

    /// All of them, with those that they refer to.
    fn all(mut self) -> Map<String, Value> {
        self.made.insert(ERROR.to_owned(), error());
        while let Some(named) = self.waiting.pop() {
            let (name, schema) = match named {
                Named::Message(message) => (message.full_name().to_owned(), self.members(&message)),
                Named::Enum(values) => (values.full_name().to_owned(), names(&values)),
            };
            self.made.insert(name, schema);
        }
        self.made
    }

    fn members(&mut self, message: &MessageDescriptor) -> Value {
        let mut properties = Map::new();
        let mut required = Vec::new();
        for field in message.fields() {
            let mut schema = self.field(&field);
            describe(&mut schema, comment(&field.parent_message().parent_file(), field.path()));
            if is_required(&field) {
                required.push(json!(field.json_name()));
            }
            properties.insert(field.json_name().to_owned(), schema);
        }
        let mut schema = json!({
            "type": "object",
            "properties": properties,
            "additionalProperties": false,
        });
        if !required.is_empty() {
            schema["required"] = required.into();
        }
        let choices: Vec<Value> = message
            .oneofs()
            .filter(|choice| !choice.is_synthetic())
            .map(|choice| at_most_one(choice.fields()))
            .collect();
        if !choices.is_empty() {
            schema["allOf"] = choices.into();
        }
        describe(&mut schema, comment(&message.parent_file(), message.path()));
        schema
    }

    fn field(&mut self, field: &FieldDescriptor) -> Value {
        if let (true, Kind::Message(entry)) = (field.is_map(), field.kind()) {
            let of = self.kind(entry.map_entry_value_field().kind());
            return json!({ "type": "object", "additionalProperties": of });
        }
        let one = self.kind(field.kind());
        if field.is_list() { json!({ "type": "array", "items": one }) } else { one }
    }

    fn kind(&mut self, kind: Kind) -> Value {
        match kind {
            Kind::Bool => json!({ "type": "boolean" }),
            Kind::String => json!({ "type": "string" }),
            Kind::Bytes => json!({ "type": "string", "contentEncoding": "base64" }),
            Kind::Double => json!({ "type": "number", "format": "double" }),
            Kind::Float => json!({ "type": "number", "format": "float" }),
            Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => {
                json!({ "type": "integer", "format": "int32" })
            }
            Kind::Uint32 | Kind::Fixed32 => {
                json!({ "type": "integer", "format": "uint32", "minimum": 0 })
            }
            // The mapping writes them as text, and reads numbers too.
            Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => {
                json!({ "type": ["string", "integer"], "format": "int64" })
            }
            Kind::Uint64 | Kind::Fixed64 => {
                json!({ "type": ["string", "integer"], "format": "uint64" })
            }
            Kind::Message(message) => self.message(message),
            Kind::Enum(values) => {
                let name = values.full_name().to_owned();
                if self.seen.insert(name.clone()) {
                    self.waiting.push(Named::Enum(values));
                }
                reference(&name)
            }
        }
    }
}

/// What the JSON mapping writes in a form of its own.
fn well_known(full_name: &str) -> Option<Value> {
    Some(match full_name {
        "google.protobuf.Timestamp" => json!({ "type": "string", "format": "date-time" }),
        "google.protobuf.Duration" => {
            json!({ "type": "string", "pattern": r"^-?[0-9]+(\.[0-9]{1,9})?s$" })
        }
        "google.protobuf.Any" => json!({
            "type": "object",
            "properties": { "@type": { "type": "string" } },
            "required": ["@type"],
        }),
        "google.protobuf.Struct" => json!({ "type": "object" }),
        "google.protobuf.Value" => json!({}),
        "google.protobuf.FieldMask" => json!({ "type": "string" }),
        _ => return None,
    })
}

fn names(values: &EnumDescriptor) -> Value {
    let mut schema = json!({
        "type": "string",
        "enum": values.values().map(|value| value.name().to_owned()).collect::<Vec<_>>(),
    });
    let said = values
        .values()
        .map(|value| (value.name().to_owned(), comment(&values.parent_file(), value.path())));
    let listed =
        said.filter(|(_, text)| !text.is_empty()).map(|(name, text)| format!("- `{name}`: {text}"));
    let listed = listed.collect::<Vec<_>>().join("\n");
    let own = comment(&values.parent_file(), values.path());
    describe(
        &mut schema,
        [own, listed].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join("\n"),
    );
    schema
}

/// No member of a choice, or one.
fn at_most_one(fields: impl Iterator<Item = FieldDescriptor>) -> Value {
    let each: Vec<Value> = fields.map(|field| json!({ "required": [field.json_name()] })).collect();
    let none = json!({ "not": { "anyOf": each } });
    json!({ "oneOf": each.iter().cloned().chain([none]).collect::<Vec<_>>() })
}

/// An error as Connect tells it.
fn error() -> Value {
    let detail = json!({
        "type": "object",
        "properties": {
            "type": { "type": "string", "description": "The message's full name: google.rpc.BadRequest." },
            "value": { "type": "string", "contentEncoding": "base64", "description": "The message, without padding." },
            "debug": { "description": "The same in the proto3 JSON mapping." },
        },
        "required": ["type", "value"],
    });
    json!({
        "type": "object",
        "properties": {
            "code": { "type": "string", "description": "A code of Connect: invalid_argument." },
            "message": { "type": "string" },
            "details": { "type": "array", "items": detail },
        },
        "required": ["code"],
    })
}

fn reference(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn describe(schema: &mut Value, text: String) {
    if !text.is_empty() {
        schema["description"] = text.into();
    }
}

fn is_required(field: &FieldDescriptor) -> bool {
    let Some(behavior) = descriptors().get_extension_by_name("google.api.field_behavior") else {
        return false;
    };
    let options: DynamicMessage = field.options();
    let said = options.get_extension(&behavior).into_owned();
    said.as_list().is_some_and(|all| all.contains(&Reflected::EnumNumber(REQUIRED)))
}

/// The comment before something, as one paragraph a blank line.
fn comment(file: &FileDescriptor, path: &[i32]) -> String {
    let proto = file.file_descriptor_proto();
    let info = proto.source_code_info.as_ref();
    let place = info.and_then(|info| info.location.iter().find(|place| place.path == path));
    let text = place.map(Location::leading_comments).unwrap_or_default();
    let paragraphs =
        text.split("\n\n").map(|part| part.split_whitespace().collect::<Vec<_>>().join(" "));
    paragraphs.filter(|part| !part.is_empty()).collect::<Vec<_>>().join("\n\n")
}
