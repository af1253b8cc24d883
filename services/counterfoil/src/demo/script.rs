//! The files of the demo, read: the firm's calls, the scenario by day, and what is to be refused.

use std::collections::{BTreeMap, HashMap};

use anyhow::{Context, ensure};
use api::{json, name, scalar, v1};
use calendar::CivilDate;
use domain::ids::FirmId;
use serde::de::Error;
use serde::{Deserialize, Deserializer};
use serde_json::Value;

use v1::record_payment_request::Event;

const FIRM: &str = include_str!("../../demo/firm.json");
const SCENARIO: &str = include_str!("../../demo/scenario.jsonl");
const REFUSED: &str = include_str!("../../demo/refused.jsonl");

/// What stands for the firm in the files.
const ANY_FIRM: &str = "firms/-";

/// What the numbers of a made request id count.
#[derive(Clone, Copy)]
pub(super) enum Numbered {
    /// Billing runs, by day.
    Billing,
    /// Requests for charges, by day.
    Charges,
    /// Settlements, by invoice and attempt.
    Settlement,
    /// Calls of the firm, by place in the file.
    Call,
    /// Requests that are to be refused, by line.
    Refused,
    /// Tokens of the demo's own, one after the other.
    Token,
}

/// A request id that is the same in every run. Lines of the scenario have `0000` where the kind stands.
pub(super) fn request_id(kind: Numbered, number: u64) -> String {
    let kind = match kind {
        Numbered::Billing => 1,
        Numbered::Charges => 2,
        Numbered::Settlement => 3,
        Numbered::Call => 4,
        Numbered::Refused => 5,
        Numbered::Token => 6,
    };
    format!("00000000-{kind:04}-7000-9000-{number:012}")
}

/// A line of the scenario.
pub(super) enum Line {
    /// What happened in a case.
    Record(v1::RecordRequest),
    /// What became of money.
    Payment(v1::RecordPaymentRequest),
}

/// A call that the firm's people make themselves.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Call {
    /// The day.
    #[serde(deserialize_with = "day")]
    pub(super) on: CivilDate,
    /// The RPC.
    #[serde(rename = "call")]
    pub(super) rpc: String,
    /// The fact that the request corrects, whose position is put into it.
    pub(super) fact: Option<FactAt>,
    /// The pack to put into the request, by code and version.
    pub(super) pack: Option<String>,
    /// The request, without its id.
    pub(super) request: Value,
}

/// A fact of the case that a request names.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FactAt {
    /// The type of its event.
    #[serde(rename = "type")]
    pub(super) kind: String,
    /// Its day.
    #[serde(deserialize_with = "day")]
    pub(super) on: CivilDate,
}

/// A request that the service has to refuse.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RefusedLine {
    why: String,
    reason: String,
    request: Value,
}

/// A request that the service has to refuse.
pub(super) struct Refused {
    /// What is wrong with it, for the reader.
    pub(super) why: String,
    /// The reason it has to be refused with.
    pub(super) reason: String,
    /// The request.
    pub(super) request: v1::RecordRequest,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
struct FirmFile {
    firm: String,
    #[serde(deserialize_with = "day")]
    first_day: CivilDate,
    #[serde(deserialize_with = "day")]
    last_day: CivilDate,
    calls: Vec<Call>,
}

/// Reads `YYYY-MM-DD`.
fn day<'de, D: Deserializer<'de>>(deserializer: D) -> Result<CivilDate, D::Error> {
    String::deserialize(deserializer)?.parse().map_err(D::Error::custom)
}

/// What is played on one day.
#[derive(Default)]
pub(super) struct Day {
    /// Calls, by their place in the file.
    pub(super) calls: Vec<(u64, Call)>,
    /// Requests about cases, in order.
    pub(super) records: Vec<v1::RecordRequest>,
    /// Outcomes of money, in order.
    pub(super) payments: Vec<v1::RecordPaymentRequest>,
}

/// Everything that is played.
pub(super) struct Script {
    /// The firm.
    pub(super) firm: FirmId,
    /// The first day.
    pub(super) first_day: CivilDate,
    /// The last day.
    pub(super) last_day: CivilDate,
    /// What happens, by day.
    pub(super) days: BTreeMap<CivilDate, Day>,
    /// How many tries of an invoice the scenario answers itself.
    pub(super) answered_tries: HashMap<String, i32>,
    /// What has to be refused, at the end.
    pub(super) refused: Vec<Refused>,
}

impl Script {
    /// Reads the files that are built in.
    pub(super) fn read() -> anyhow::Result<Self> {
        let file: FirmFile = serde_json::from_str(FIRM).context("firm.json")?;
        let firm = name::parse_firm(&file.firm).context("firm.json names no firm")?;
        let mut script = Self {
            firm,
            first_day: file.first_day,
            last_day: file.last_day,
            days: BTreeMap::new(),
            answered_tries: HashMap::new(),
            refused: Vec::new(),
        };
        for (at, call) in (1..).zip(file.calls) {
            script
                .check_day(call.on, script.first_day)
                .with_context(|| format!("call {at} of firm.json"))?;
            script.days.entry(call.on).or_default().calls.push((at, call));
        }
        let mut latest = script.first_day;
        for (at, text) in (1..).zip(SCENARIO.lines()) {
            latest = script
                .add_line(text, latest)
                .with_context(|| format!("line {at} of scenario.jsonl"))?;
        }
        for (at, text) in (1..).zip(REFUSED.lines()) {
            let refused = script
                .refused_line(text, at)
                .with_context(|| format!("line {at} of refused.jsonl"))?;
            script.refused.push(refused);
        }
        Ok(script)
    }

    fn check_day(&self, day: CivilDate, latest: CivilDate) -> anyhow::Result<()> {
        ensure!(latest <= day && day <= self.last_day, "{day} is out of order");
        Ok(())
    }

    fn add_line(&mut self, text: &str, latest: CivilDate) -> anyhow::Result<CivilDate> {
        let line = parse(&self.named(text))?;
        let day = day_of(&line)?;
        self.check_day(day, latest)?;
        let today = self.days.entry(day).or_default();
        match line {
            Line::Record(record) => today.records.push(record),
            Line::Payment(payment) => {
                if let Some(invoice) = answered_invoice(&payment) {
                    *self.answered_tries.entry(invoice.to_owned()).or_default() += 1;
                }
                today.payments.push(payment);
            }
        }
        Ok(day)
    }

    fn refused_line(&self, text: &str, at: u64) -> anyhow::Result<Refused> {
        let RefusedLine { why, reason, request } = serde_json::from_str(text)?;
        let mut request = json::record_request(&self.named(&request.to_string()))?;
        if request.request_id.is_empty() {
            request.request_id = request_id(Numbered::Refused, at);
        }
        Ok(Refused { why, reason, request })
    }

    /// The text with the firm's name in it.
    pub(super) fn named(&self, text: &str) -> String {
        text.replace(ANY_FIRM, &name::firm(self.firm))
    }
}

/// A line with actions is about a case, any other about money.
fn parse(text: &str) -> anyhow::Result<Line> {
    let value: Value = serde_json::from_str(text)?;
    Ok(if value.get("actions").is_some() {
        Line::Record(json::record_request(text)?)
    } else {
        Line::Payment(json::from_json(text, "counterfoil.v1.RecordPaymentRequest")?)
    })
}

/// The day a line is told: the latest it names.
fn day_of(line: &Line) -> anyhow::Result<CivilDate> {
    let days: Vec<_> = match line {
        Line::Record(record) => {
            record.actions.iter().filter_map(|action| action.occurred_on).collect()
        }
        Line::Payment(payment) => payment.occurred_on.into_iter().collect(),
    };
    let days: Result<Vec<_>, _> = days.iter().map(scalar::date).collect();
    days.context("a date that is none")?.into_iter().max().context("no date")
}

/// The invoice whose charge a line answers.
fn answered_invoice(payment: &v1::RecordPaymentRequest) -> Option<&str> {
    let invoice = match payment.event.as_ref()? {
        Event::Settled(settled) => settled.invoice.as_str(),
        Event::Failed(failed) => failed.invoice.as_str(),
        Event::Refunded(_)
        | Event::RefundFailed(_)
        | Event::ChargebackOpened(_)
        | Event::ChargebackWon(_)
        | Event::ChargebackLost(_) => "",
    };
    Some(invoice).filter(|invoice| !invoice.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;
    use std::process::Command;

    #[test]
    fn the_files_read_and_hold_every_day_once() {
        let script = Script::read().unwrap();
        let lines: usize =
            script.days.values().map(|day| day.records.len() + day.payments.len()).sum();
        assert_eq!(lines, SCENARIO.lines().count());
        assert_eq!(script.refused.len(), REFUSED.lines().count());
    }

    /// The scenario is what its script writes. Needs `python3`, as the other checks against Python do.
    #[test]
    fn the_scenario_is_what_its_script_writes() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
        let ran =
            Command::new("python3").arg("scenario.py").arg("--check").current_dir(folder).output();
        let ran = ran.expect("python3 runs");
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    }
}
