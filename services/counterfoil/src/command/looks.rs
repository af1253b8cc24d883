//! `looks`: who looked at a client.

use anyhow::Context;
use api::{name, v1};
use clap::Args;
use serde_json::{Value, json};

use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;

/// Events of one answer.
const PAGE_SIZE: i32 = 1_000;

/// Whose.
#[derive(Args)]
pub(crate) struct LooksArgs {
    /// The case: its id, a part of it, or the client's name
    case: String,
}

/// What an export is recorded as.
const EXPORT: &str = "ExportBundle";

/// Lists the looks at a client, in the order of the log. Logs of earlier versions have them in the firm's
/// stream, each with the cases it was about. An export of all or of days is there as well, and names no case.
pub(crate) async fn run(
    args: &LooksArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let asked = session.case(&args.case).await?;
    let (_, case) = name::parse_case(&asked).context("a case's name is read as it was written")?;
    let since = first_position(session, &format!("case/{case}")).await?;
    let mut looks = of_stream(session, "firm", "access_used").await?;
    let case = Value::String(case.to_string());
    looks.retain(|look| {
        let of = look["payload"]["cases"].as_array();
        of.is_some_and(|of| of.contains(&case))
            || is_of_all(look) && look["position"].as_i64() > since
    });
    let own = format!("looks/{}", case.as_str().unwrap_or_default());
    looks.extend(of_stream(session, &own, "client_looked_at").await?);
    looks.sort_by_key(|look| look["position"].as_u64());
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    if out.is_json() {
        for look in &looks {
            let payload = &look["payload"];
            out.value(&json!({
                "position": look["position"], "occurredOn": look["occurred_on"],
                "actor": look["actor"], "access": payload["access"],
                "kind": payload["kind"], "what": payload["what"],
            }))?;
        }
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">position", "on", "who", "how", "by"]);
    for look in &looks {
        table.row([
            look["position"].to_string(),
            text(&look["occurred_on"]),
            text(&look["actor"]),
            text(&look["payload"]["kind"]),
            if is_of_all(look) {
                format!("{EXPORT} of all, or of days")
            } else {
                text(&look["payload"]["what"])
            },
        ]);
    }
    out.table(&table, "Nobody has looked at this client.")?;
    out.note("Once for each token, client and day; an examiner's looks and exports each time.")?;
    Ok(Exit::Done)
}

/// Whether a look is an export that names no case.
fn is_of_all(look: &Value) -> bool {
    let payload = &look["payload"];
    payload["what"] == EXPORT && payload["cases"].as_array().is_some_and(Vec::is_empty)
}

/// Where a stream begins; nothing if it has no event.
async fn first_position(session: &mut Session, stream: &str) -> anyhow::Result<Option<i64>> {
    let request = v1::ReadEventsRequest {
        parent: session.firm()?,
        page_size: 1,
        stream: Some(stream.to_owned()),
        ..v1::ReadEventsRequest::default()
    };
    let page = session.cases.read_events(request).await?.into_inner();
    Ok(page.events.first().map(|event| event.position))
}

/// The events of one kind of a stream, as they are hashed.
async fn of_stream(session: &mut Session, stream: &str, kind: &str) -> anyhow::Result<Vec<Value>> {
    let (mut found, mut page_token) = (Vec::new(), String::new());
    loop {
        let request = v1::ReadEventsRequest {
            parent: session.firm()?,
            page_size: PAGE_SIZE,
            page_token,
            stream: Some(stream.to_owned()),
            types: vec![kind.to_owned()],
            ..v1::ReadEventsRequest::default()
        };
        let page = session.cases.read_events(request).await?.into_inner();
        for event in &page.events {
            found.push(serde_json::from_str(&event.canonical_json).context("an event is JSON")?);
        }
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return Ok(found);
        }
    }
}
