//! Nothing that the committed first version has may be lost or change its meaning.
//!
//! Adding is free. To commit a new baseline after additions, set `COUNTERFOIL_WRITE_BASELINE=1`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use prost_reflect::DescriptorPool;

const PACKAGE: &str = "counterfoil.v1";
const WRITE: &str = "COUNTERFOIL_WRITE_BASELINE";

fn path() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../proto/baseline.binpb")
}

/// Everything a client may rely on: what it is called, by a description of what it is.
fn promises(pool: &DescriptorPool) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    for message in pool.all_messages().filter(|m| m.package_name() == PACKAGE) {
        found.insert(message.full_name().to_owned(), "message".to_owned());
        for field in message.fields() {
            let choice = field.containing_oneof().map(|choice| choice.name().to_owned());
            let meaning = format!(
                "{} = {}, {:?}, {:?}, presence {}, json {}, in {choice:?}",
                field.name(),
                field.number(),
                field.kind(),
                field.cardinality(),
                field.supports_presence(),
                field.json_name(),
            );
            found.insert(field.full_name().to_owned(), meaning);
        }
    }
    for values in pool.all_enums().filter(|e| e.package_name() == PACKAGE) {
        found.insert(values.full_name().to_owned(), "enum".to_owned());
        for value in values.values() {
            let name = format!("{}.{}", values.full_name(), value.name());
            found.insert(name, value.number().to_string());
        }
    }
    for service in pool.services().filter(|s| s.package_name() == PACKAGE) {
        for method in service.methods() {
            let meaning = format!(
                "{} {} -> {} {}",
                method.is_client_streaming(),
                method.input().full_name(),
                method.is_server_streaming(),
                method.output().full_name(),
            );
            found.insert(method.full_name().to_owned(), meaning);
        }
    }
    found
}

/// What of the old is lost or changed.
fn broken(old: &BTreeMap<String, String>, new: &BTreeMap<String, String>) -> Vec<String> {
    let changed = old.iter().filter(|(name, meaning)| new.get(*name) != Some(*meaning));
    changed.map(|(name, was)| format!("{name}: was {was}, is {:?}", new.get(name))).collect()
}

#[test]
fn nothing_is_lost_or_changed() {
    let baseline = DescriptorPool::decode(std::fs::read(path()).unwrap().as_slice()).unwrap();
    let old = promises(&baseline);
    assert!(old.len() > 500, "the baseline is nearly empty");
    let lost = broken(&old, &promises(counterfoil_api::json::descriptors()));
    assert!(lost.is_empty(), "the contract breaks its clients:\n{}", lost.join("\n"));
    // Only now: a break cannot be written over.
    if std::env::var_os(WRITE).is_some() {
        std::fs::write(path(), without_comments()).unwrap();
    }
}

#[test]
fn a_break_is_found() {
    let now = promises(counterfoil_api::json::descriptors());
    for lost in [
        "counterfoil.v1.RecordRequest.actions",
        "counterfoil.v1.CaseLedger.Record",
        "counterfoil.v1.Gate.GATE_TOTAL",
    ] {
        let mut less = now.clone();
        assert!(less.remove(lost).is_some(), "{lost}");
        assert_eq!(broken(&now, &less).len(), 1, "{lost}");
        assert!(broken(&less, &now).is_empty(), "adding {lost} is no break");
        less.insert(lost.to_owned(), "retyped".to_owned());
        assert_eq!(broken(&now, &less).len(), 1, "{lost}");
    }
}

/// The descriptor set as it is now; comments may change freely.
fn without_comments() -> Vec<u8> {
    use prost::Message;
    let mut set =
        prost_types::FileDescriptorSet::decode(counterfoil_api::FILE_DESCRIPTOR_SET).unwrap();
    for file in &mut set.file {
        file.source_code_info = None;
    }
    set.encode_to_vec()
}
