//! What may be in the tree of dependencies: licences, sources, and three libraries that may not.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use spdx::{Expression, LicenseItem, LicenseReq, ParseMode};

/// Licences that ask for no more than to be told of, by their SPDX names.
const LICENCES: &[&str] = &[
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "CDLA-Permissive-2.0",
    "ISC",
    "MIT",
    "MIT-0",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];
/// What one package may have besides: libFuzzer, which is in no program that is given to anybody.
const LICENCES_OF_ONE: &[(&str, &str)] = &[("libfuzzer-sys", "NCSA")];
/// One provider of TLS and cryptography (ring), and no C build beyond it, SQLite and libFuzzer.
const BANNED: &[&str] = &["aws-lc-sys", "openssl-sys", "native-tls"];

/// Every package that any feature and any platform brings in.
fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--all-features"])
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    metadata["packages"].as_array().unwrap().clone()
}

fn name(package: &Value) -> &str {
    package["name"].as_str().unwrap()
}

fn is_allowed(package: &Value, licence: &LicenseReq) -> bool {
    let LicenseItem::Spdx { id, .. } = &licence.license else { return false };
    LICENCES.contains(&id.name) || LICENCES_OF_ONE.contains(&(name(package), id.name))
}

#[test]
fn every_licence_is_one_that_we_may_use() {
    for package in packages() {
        let said = package["license"].as_str();
        let said = said.unwrap_or_else(|| panic!("{} names no licence", name(&package)));
        // Older packages part licences by a slash.
        let licence = Expression::parse_mode(said, ParseMode::LAX)
            .unwrap_or_else(|error| panic!("{}: {error}", name(&package)));
        let allowed = licence.evaluate(|licence| is_allowed(&package, licence));
        assert!(allowed, "{} is under {said}", name(&package));
    }
}

#[test]
fn every_package_comes_from_one_registry_and_none_is_banned() {
    let packages = packages();
    let sources: BTreeSet<&str> = packages.iter().filter_map(|p| p["source"].as_str()).collect();
    assert_eq!(sources.len(), 1, "{sources:?}");
    assert!(sources.iter().all(|source| source.starts_with("registry+")), "{sources:?}");
    let ours = packages.iter().filter(|package| package["source"].is_null());
    for package in ours {
        assert!(name(package).starts_with("counterfoil"), "{} is not of ours", name(package));
        for dependency in package["dependencies"].as_array().unwrap() {
            let any = dependency["req"] == "*" && dependency["path"].is_null();
            assert!(!any, "{} takes any {}", name(package), name(dependency));
        }
    }
    let banned: Vec<_> = packages.iter().map(name).filter(|n| BANNED.contains(n)).collect();
    assert!(banned.is_empty(), "{banned:?}");
}
