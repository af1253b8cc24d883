//! Lifting old event versions: stored bytes never change, so old shapes live for ever.

use serde_json::Value;

/// Lifts one event type from one version to the next. Pure and total: no clock, no look-ups.
pub struct Upcaster {
    /// The event type.
    pub name: &'static str,
    /// The version it reads; it makes the next one.
    pub from: u32,
    /// The change.
    pub lift: fn(Value) -> Value,
}

/// Every upcaster there is. Each keeps a golden file of the version it reads.
pub const UPCASTERS: &[Upcaster] = &[];

/// Lifts a payload step by step from `version` to `current`.
///
/// The error names the step that is missing: a version nobody can read any more is a fault of this
/// code, not of the log.
pub fn lift(
    upcasters: &[Upcaster],
    name: &str,
    version: u32,
    current: u32,
    payload: Value,
) -> Result<Value, String> {
    (version..current).try_fold(payload, |payload, from| {
        let step = upcasters.iter().find(|u| u.name == name && u.from == from);
        step.map(|u| (u.lift)(payload))
            .ok_or_else(|| format!("an upcaster of {name} from version {from}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const CHAIN: &[Upcaster] = &[
        Upcaster {
            name: "sample",
            from: 1,
            lift: |mut v| {
                v["kind"] = json!("plain");
                v
            },
        },
        Upcaster { name: "sample", from: 2, lift: |v| json!({ "body": v }) },
    ];

    #[test]
    fn versions_are_lifted_one_by_one() {
        let lifted = lift(CHAIN, "sample", 1, 3, json!({"text": "x"})).unwrap();
        assert_eq!(lifted, json!({"body": {"text": "x", "kind": "plain"}}));
        assert_eq!(lift(CHAIN, "sample", 2, 3, json!(1)).unwrap(), json!({"body": 1}));
    }

    #[test]
    fn a_missing_step_is_an_error_that_names_it() {
        let error = lift(CHAIN, "sample", 1, 4, json!({})).unwrap_err();
        assert!(error.contains("sample from version 3"), "{error}");
    }
}
