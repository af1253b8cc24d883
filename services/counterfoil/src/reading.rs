//! What an event tells, in words: a payload as a preview shows it.

use api::google::r#type::Date;
use domain::money::{Currency, Money};
use serde_json::{Map, Value};

use crate::words;

/// A reading of a fact: its day and what it tells; `none` where it takes the fact back.
pub(crate) fn of(day: Option<&Date>, payload: &str, none: &str) -> String {
    let Some(day) = day else { return none.to_owned() };
    let on = format!("on {}", words::day(Some(day)));
    let told = match serde_json::from_str(payload) {
        Ok(Value::Object(members)) => said_of(&members),
        Ok(other) => said(&other),
        // A service that tells otherwise is shown as it tells.
        Err(_) => payload.to_owned(),
    };
    if told.is_empty() { on } else { format!("{on}: {told}") }
}

fn said_of(members: &Map<String, Value>) -> String {
    let told = members.iter().filter(|(_, value)| !value.is_null());
    let told = told.map(|(name, value)| format!("{} {}", name.replace('_', " "), said(value)));
    told.collect::<Vec<String>>().join("; ")
}

fn said(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        Value::Number(number) => number.to_string(),
        Value::String(text) => text.clone(),
        Value::Array(values) if values.is_empty() => "none".to_owned(),
        Value::Array(values) => values.iter().map(said).collect::<Vec<String>>().join(", "),
        Value::Object(members) => amount(members)
            .or_else(|| place(members))
            .or_else(|| sealed(members))
            .unwrap_or_else(|| format!("({})", said_of(members))),
    }
}

fn amount(members: &Map<String, Value>) -> Option<String> {
    if members.len() != 2 {
        return None;
    }
    let currency = Currency::parse(members.get("currency")?.as_str()?).ok()?;
    let minor = members.get("minor")?.as_str()?.parse().ok()?;
    Some(Money::new(minor, currency).ok()?.to_string())
}

/// An event that is named.
fn place(members: &Map<String, Value>) -> Option<String> {
    let position = members.get("position").filter(|_| members.len() == 2)?;
    members.get("id")?;
    Some(format!("event {position}"))
}

/// A personal value that is not opened for the caller.
fn sealed(members: &Map<String, Value>) -> Option<String> {
    members.get("sealed").filter(|_| members.len() == 1)?;
    Some("(sealed)".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_payload_reads_as_words() {
        let day = Date { year: 2026, month: 4, day: 2 };
        let payload = r#"{"amount":{"currency":"USD","minor":"9900"},"applied":[{"amount":{"currency":"USD",
            "minor":"9900"},"invoice":1}],"lines":null,"meant":null,"payment":"p1","reason":{"sealed":"abc"},
            "request":{"id":"0190","position":12},"unearned":{"currency":"USD","minor":"0"},"late":false,"of":[]}"#;
        assert_eq!(
            of(Some(&day), payload, "did not happen"),
            "on 2026-04-02: amount USD 99.00; applied (amount USD 99.00; invoice 1); late no; of none; payment p1; \
             reason (sealed); request event 12; unearned USD 0.00"
        );
        assert_eq!(of(None, "", "did not happen"), "did not happen");
        assert_eq!(of(Some(&day), "{}", ""), "on 2026-04-02");
    }
}
