//! The facts of a client, each with the reading in force.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Context;
use api::{name, v1};
use domain::event::{Circumstance, FactKind, MoneyFact};
use domain::money::{Currency, Money};
use serde_json::{Value, json};

use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Events of one answer.
const PAGE_SIZE: i32 = 1_000;

/// A fact as it stands.
struct Fact {
    kind: String,
    /// Which circumstance of the client, of a change of one.
    of: String,
    on: String,
    told: String,
    reading: i64,
    now: &'static str,
}

/// Facts, by the positions at which they were told.
#[derive(Default)]
struct Facts {
    known: BTreeMap<i64, Fact>,
    /// Where what was told wrongly of money is told anew.
    anew: BTreeSet<i64>,
    /// The accounts that pay in the stead of the client's own.
    payers: BTreeSet<String>,
}

/// Lists the client's facts and those about the client's money, by position.
pub(super) async fn list(case: &str, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let (_, id) = name::parse_case(case).context("a case's name is read as it was written")?;
    let mut facts = Facts::default();
    take_in(&mut facts, format!("case/{id}"), session).await?;
    take_in(&mut facts, format!("account/{id}"), session).await?;
    for payer in std::mem::take(&mut facts.payers) {
        take_in(&mut facts, format!("account/{payer}"), session).await?;
    }
    if out.is_json() {
        for Fact { kind, of, on, told, reading, now } in facts.known.into_values() {
            out.value(&json!({
                "position": reading.to_string(), "type": kind, "of": of, "occurredOn": on, "recordedAt": told, "now": now,
            }))?;
        }
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">position", "fact", "on", "told", "now"]);
    for Fact { kind, of, on, told, reading, now } in facts.known.into_values() {
        let kind = kind.replace('_', " ");
        let fact = if of.is_empty() { kind } else { format!("{kind}: {of}") };
        table.row([reading.to_string(), fact, on, told, now.to_owned()]);
    }
    out.table(&table, "Nothing was told of this client.")?;
    Ok(Exit::Done)
}

async fn take_in(facts: &mut Facts, stream: String, session: &mut Session) -> anyhow::Result<()> {
    let mut page_token = String::new();
    loop {
        let request = v1::ReadEventsRequest {
            parent: session.firm()?,
            page_size: PAGE_SIZE,
            page_token,
            stream: Some(stream.clone()),
            ..v1::ReadEventsRequest::default()
        };
        let page = session.cases.read_events(request).await?.into_inner();
        for event in &page.events {
            facts.take(event)?;
        }
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return Ok(());
        }
    }
}

impl Facts {
    fn take(&mut self, event: &v1::Event) -> anyhow::Result<()> {
        let stored: Value =
            serde_json::from_str(&event.canonical_json).context("an event is JSON")?;
        let payload = &stored["payload"];
        // That a listing is back is a fact where the bureau's notice says so, and else a conclusion.
        let is_concluded = payload["seen_by"].as_str().is_some_and(|seen_by| seen_by != "notice");
        let is_fact = FactKind::from_code(&event.r#type).is_some() && !is_concluded;
        let (on, told) =
            (words::day(event.occurred_on.as_ref()), words::instant(event.recorded_at));
        if is_fact || MoneyFact::from_code(&event.r#type).is_some() {
            let (kind, reading) = (event.r#type.clone(), event.position);
            let now = if self.anew.contains(&reading) { "corrected" } else { "as told" };
            let of = circumstance(payload);
            self.known.insert(reading, Fact { kind, of, on, told, reading, now });
        } else if event.r#type == "fact_corrected" {
            let fact = payload["fact"]["position"].as_i64().and_then(|at| self.known.get_mut(&at));
            if let Some(fact) = fact {
                fact.reading = event.position;
                if payload["reading"].is_object() {
                    (fact.on, fact.now) = (on, "corrected");
                    fact.of = circumstance(&payload["reading"]["payload"]);
                } else if payload["about_another"] == true {
                    fact.now = "taken back, another person's";
                } else {
                    fact.now = "taken back";
                }
            }
        } else if event.r#type == "money_corrected" {
            self.correct(event, payload);
        } else if event.r#type == "payment_moved" {
            self.payers.extend(payload["to"].as_str().map(ToOwned::to_owned));
        }
        Ok(())
    }

    /// What is told anew of money is an event of its own, behind the correction.
    fn correct(&mut self, event: &v1::Event, payload: &Value) {
        let Some(at) = payload["fact"]["position"].as_i64() else { return };
        let own = event.stream.strip_prefix("account/");
        match payload["again"].as_str() {
            Some(again) if Some(again) == own => {
                self.known.remove(&at);
                self.anew.insert(event.position + 1);
            }
            again => {
                if let Some(fact) = self.known.get_mut(&at) {
                    fact.now = if again.is_some() { "another client's" } else { "taken back" };
                }
            }
        }
    }
}

/// Which circumstance began or ended, and the amount and day that it names.
fn circumstance(payload: &Value) -> String {
    let (Some(kind), Some(holds)) = (payload["kind"].as_str(), payload["holds"].as_bool()) else {
        return String::new();
    };
    let Some(kind) = Circumstance::from_code(kind) else { return String::new() };
    let amount = |member: &str| {
        let minor = payload[member]["minor"].as_str()?.parse().ok()?;
        let currency = Currency::parse(payload[member]["currency"].as_str()?).ok()?;
        Money::new(minor, currency).ok().map(|amount| amount.to_string())
    };
    let charge_on = payload["charge_on"].as_str().map(|on| format!("on {on}"));
    let parts = [amount("least"), amount("amount"), charge_on];
    let turned = if holds { "" } else { " (ended)" };
    let kind = format!("{}{turned}", kind.code().replace('_', " "));
    words::list(std::iter::once(kind).chain(parts.into_iter().flatten()))
}
