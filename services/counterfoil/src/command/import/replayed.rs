//! Lines that were recorded before, and whether what they told was taken back since.

use std::collections::BTreeMap;

use anyhow::Context;
use api::v1;
use serde_json::Value;
use tonic::Code;

use crate::connect::Session;

/// Events of one answer.
const PAGE_SIZE: i32 = 1_000;
/// What takes facts back, or tells them anew.
const FACT_CORRECTED: &str = "fact_corrected";
const MONEY_CORRECTED: &str = "money_corrected";

/// A line that was answered as it was before.
pub(super) struct Replayed {
    /// Counted from 1.
    pub(super) line: u64,
    /// The position of the first event it recorded; 0 if it recorded none.
    pub(super) first: i64,
    /// How many it recorded.
    pub(super) events: i32,
}

/// What a correction made of a fact.
enum Became {
    /// It was taken back at this position, and nothing was told in its stead.
    Nothing(i64),
    /// It was told anew by the correction itself, or of another client.
    Another,
    /// It was told anew at this position.
    ToldAt(i64),
}

/// The latest corrections since a position, by the positions of the facts.
pub(super) struct Corrections(BTreeMap<i64, Became>);

impl Corrections {
    /// Reads them; nothing if the token may not read events.
    pub(super) async fn since(
        position: i64,
        session: &mut Session,
    ) -> anyhow::Result<Option<Self>> {
        let mut became = BTreeMap::new();
        let mut page_token = String::new();
        loop {
            let request = v1::ReadEventsRequest {
                parent: session.firm()?,
                after_position: if page_token.is_empty() { position } else { 0 },
                page_size: PAGE_SIZE,
                page_token,
                types: vec![FACT_CORRECTED.to_owned(), MONEY_CORRECTED.to_owned()],
                ..v1::ReadEventsRequest::default()
            };
            let page = match session.cases.read_events(request).await {
                Ok(page) => page.into_inner(),
                Err(status) if status.code() == Code::PermissionDenied => return Ok(None),
                Err(status) => return Err(status.into()),
            };
            for event in &page.events {
                let (fact, what) = read(event)?;
                became.insert(fact, what);
            }
            page_token = page.next_page_token;
            if page_token.is_empty() {
                return Ok(Some(Self(became)));
            }
        }
    }

    /// Where something that a line told was taken back.
    pub(super) fn taken_back(&self, replayed: &Replayed) -> Option<i64> {
        let end = replayed.first + i64::from(replayed.events);
        (replayed.first..end).find_map(|told| {
            let mut at = told;
            loop {
                match self.0.get(&at)? {
                    Became::Nothing(by) => return Some(*by),
                    Became::Another => return None,
                    Became::ToldAt(anew) => at = *anew,
                }
            }
        })
    }
}

/// The position of the fact that an event corrects, and what becomes of it.
fn read(event: &v1::Event) -> anyhow::Result<(i64, Became)> {
    let stored: Value = serde_json::from_str(&event.canonical_json).context("an event is JSON")?;
    let payload = &stored["payload"];
    let fact = payload["fact"]["position"].as_i64().context("a correction names its fact")?;
    let became = if event.r#type == MONEY_CORRECTED {
        // It is told anew right behind the correction.
        let is_told = payload["again"].is_string();
        if is_told { Became::ToldAt(event.position + 1) } else { Became::Nothing(event.position) }
    } else if payload["reading"].is_object() || payload["about_another"] == true {
        Became::Another
    } else {
        Became::Nothing(event.position)
    };
    Ok((fact, became))
}
