//! Form: comments on everything, names as AIP and buf want them, wrapped requests and responses.

use prost_reflect::{DescriptorPool, EnumDescriptor, Kind, MessageDescriptor};
use prost_types::source_code_info::Location;
use prost_types::{DescriptorProto, EnumDescriptorProto, FileDescriptorProto};

const PACKAGE: &str = "counterfoil.v1";

fn pool() -> &'static DescriptorPool {
    counterfoil_api::json::descriptors()
}

fn files() -> Vec<FileDescriptorProto> {
    let ours = pool().files().filter(|file| file.package_name() == PACKAGE);
    ours.map(|file| file.file_descriptor_proto().clone()).collect()
}

fn messages() -> impl Iterator<Item = MessageDescriptor> {
    pool().all_messages().filter(|message| message.package_name() == PACKAGE)
}

fn enums() -> impl Iterator<Item = EnumDescriptor> {
    pool().all_enums().filter(|values| values.package_name() == PACKAGE)
}

fn is_snake(name: &str) -> bool {
    name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
        && name.starts_with(|c: char| c.is_ascii_lowercase())
}

/// `FooBar` as `FOO_BAR`.
fn upper_snake(name: &str) -> String {
    let mut out = String::new();
    for (at, c) in name.chars().enumerate() {
        if c.is_ascii_uppercase() && at > 0 {
            out.push('_');
        }
        out.push(c.to_ascii_uppercase());
    }
    out
}

/// Every declaration of a file by its path in the descriptor (field numbers of descriptor.proto).
fn declarations(file: &FileDescriptorProto) -> Vec<(Vec<i32>, String)> {
    let mut found = Vec::new();
    let index = |at: usize| i32::try_from(at).unwrap();
    for (at, message) in file.message_type.iter().enumerate() {
        message_declarations(&mut found, vec![4, index(at)], message);
    }
    for (at, values) in file.enum_type.iter().enumerate() {
        enum_declarations(&mut found, vec![5, index(at)], values);
    }
    for (at, service) in file.service.iter().enumerate() {
        found.push((vec![6, index(at)], service.name().to_owned()));
        for (method_at, method) in service.method.iter().enumerate() {
            found.push((vec![6, index(at), 2, index(method_at)], method.name().to_owned()));
        }
    }
    found
}

fn message_declarations(
    found: &mut Vec<(Vec<i32>, String)>,
    path: Vec<i32>,
    message: &DescriptorProto,
) {
    let below = |kind: i32, at: usize| {
        let mut path = path.clone();
        path.extend([kind, i32::try_from(at).unwrap()]);
        path
    };
    for (at, field) in message.field.iter().enumerate() {
        found.push((below(2, at), format!("{}.{}", message.name(), field.name())));
    }
    for (at, choice) in message.oneof_decl.iter().enumerate() {
        // proto3 optional fields make a hidden oneof with a leading underscore.
        if !choice.name().starts_with('_') {
            found.push((below(8, at), format!("{}.{}", message.name(), choice.name())));
        }
    }
    for (at, nested) in message.nested_type.iter().enumerate() {
        message_declarations(found, below(3, at), nested);
    }
    for (at, values) in message.enum_type.iter().enumerate() {
        enum_declarations(found, below(4, at), values);
    }
    found.push((path, message.name().to_owned()));
}

fn enum_declarations(
    found: &mut Vec<(Vec<i32>, String)>,
    path: Vec<i32>,
    values: &EnumDescriptorProto,
) {
    for (at, value) in values.value.iter().enumerate() {
        let mut path = path.clone();
        path.extend([2, i32::try_from(at).unwrap()]);
        found.push((path, value.name().to_owned()));
    }
    found.push((path, values.name().to_owned()));
}

fn comment<'a>(locations: &'a [Location], path: &[i32]) -> &'a str {
    locations
        .iter()
        .find(|location| location.path == path)
        .map_or("", |location| location.leading_comments().trim())
}

#[test]
fn everything_is_commented() {
    let mut count = 0;
    for file in files() {
        let locations = file.source_code_info.clone().unwrap_or_default().location;
        for (path, name) in declarations(&file) {
            assert!(
                !comment(&locations, &path).is_empty(),
                "{}: {name} has no comment",
                file.name()
            );
            count += 1;
        }
    }
    assert!(count > 500, "only {count} declarations were looked at");
}

#[test]
fn a_file_has_one_service_and_lies_where_its_package_says() {
    for file in files() {
        assert!(file.name().starts_with("counterfoil/v1/"), "{}", file.name());
        assert!(file.service.len() <= 1, "{}", file.name());
    }
    let mut services: Vec<String> = pool()
        .services()
        .filter(|service| service.package_name() == PACKAGE)
        .map(|service| service.name().to_owned())
        .collect();
    services.sort_unstable();
    let expected = [
        "Accounts",
        "Administration",
        "Audit",
        "Billing",
        "Books",
        "CaseLedger",
        "Evidence",
        "Privacy",
    ];
    assert_eq!(services, expected);
}

#[test]
fn requests_and_responses_are_wrapped_and_named_for_their_rpc() {
    for service in pool().services().filter(|service| service.package_name() == PACKAGE) {
        for method in service.methods() {
            assert_eq!(method.input().name(), format!("{}Request", method.name()));
            assert_eq!(method.output().name(), format!("{}Response", method.name()));
        }
    }
}

#[test]
fn enums_are_prefixed_and_start_unspecified() {
    for values in enums() {
        let prefix = format!("{}_", upper_snake(values.name()));
        assert_eq!(values.get_value(0).unwrap().name(), format!("{prefix}UNSPECIFIED"));
        for value in values.values() {
            assert!(value.name().starts_with(&prefix), "{}", value.full_name());
        }
    }
}

#[test]
fn fields_are_snake_case_and_never_floats() {
    for field in messages().flat_map(|message| message.fields().collect::<Vec<_>>()) {
        assert!(is_snake(field.name()), "{}", field.full_name());
        assert!(!matches!(field.kind(), Kind::Float | Kind::Double), "{}", field.full_name());
        // AIP-141: not every language has unsigned integers.
        let unsigned =
            matches!(field.kind(), Kind::Uint32 | Kind::Uint64 | Kind::Fixed32 | Kind::Fixed64);
        assert!(!unsigned, "{}", field.full_name());
    }
}

#[test]
fn lists_page_as_aip_158_says() {
    let listing = ["ReadEvents"];
    for message in messages() {
        let Some(rpc) = message.name().strip_suffix("Request") else { continue };
        if !rpc.starts_with("List") && !listing.contains(&rpc) {
            continue;
        }
        for name in ["page_size", "page_token"] {
            assert!(message.get_field_by_name(name).is_some(), "{} lacks {name}", message.name());
        }
        let response = pool().get_message_by_name(&format!("{PACKAGE}.{rpc}Response")).unwrap();
        assert!(response.get_field_by_name("next_page_token").is_some(), "{rpc}");
        assert!(response.get_field_by_name("position").is_some(), "{rpc}");
        assert!(response.get_field(1).is_some_and(|results| results.is_list()), "{rpc}");
    }
}

#[test]
fn every_mutation_has_a_request_id() {
    // Verbs that only read, and those that change nothing in the log and are harmless to repeat.
    let reads = [
        "Get", "List", "Read", "Follow", "Explain", "Verify", "Rebuild", "Make", "Add", "Export",
        "Upload", "Download", "Check", "Propose", "Find", "Name", "Prepare",
    ];
    for service in pool().services().filter(|service| service.package_name() == PACKAGE) {
        for method in service.methods() {
            let is_read = reads.iter().any(|verb| method.name().starts_with(verb));
            let wraps = method.name() == "RecordStream";
            let has_id = method.input().get_field_by_name("request_id").is_some();
            assert_eq!(has_id, !is_read && !wraps, "{}", method.full_name());
        }
    }
}
