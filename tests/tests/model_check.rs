//! A second opinion on billing: `tests/reference/naive_billing.py` reads the exported events of a
//! random firm of 2,000 clients, knows nothing of this code, and must name exactly the fees and
//! invoices that the billing runs made.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command as Process;

use counterfoil_tests::history::{Client, Crm, Move, Shape};
use counterfoil_tests::player::Player;
use domain::command::Command;
use domain::event::{AccountEvent, Event, Recorded};

/// One run over every account on one day, and the invoices it made.
#[derive(Default)]
struct Run {
    before: u64,
    invoices: Vec<String>,
}

/// What a run over one account made, as a line of JSON for the other side.
fn invoice_json(events: &[Recorded]) -> Option<String> {
    let invoice = events.iter().find_map(|r| match &r.event {
        Event::Account(AccountEvent::InvoiceIssued(invoice)) => Some((r.stream, invoice)),
        _ => None,
    })?;
    let lines: Vec<String> = invoice
        .1
        .lines
        .iter()
        .map(|l| {
            format!(
                r#"{{"amount":{},"case":"{}","period":{}}}"#,
                l.amount.minor(),
                l.case,
                l.period
            )
        })
        .collect();
    let total = invoice.1.total.minor();
    Some(format!(r#"{{"account":"{}","lines":[{}],"total":{total}}}"#, invoice.0, lines.join(",")))
}

#[test]
fn a_naive_model_names_the_same_fees() {
    let shape = Shape { clients: 2_000, enrol_days: 90, nonsense_percent: 2 };
    let mut crm = Crm::new(20_260_301, shape);
    let mut player = Player::default();
    for step in crm.set_up() {
        player.play(&step).unwrap();
    }
    let mut runs: BTreeMap<String, Run> = BTreeMap::new();
    for day in 0..240_u32 {
        let as_of = crm.today();
        // The model is asked about whole runs, so single accounts are not billed in between.
        let billed = |step: &Move| matches!(step.command, Command::BillAccount { .. });
        let moves: Vec<Move> = crm.day().into_iter().filter(|step| !billed(step)).collect();
        let now = moves.last().map(|step| step.now);
        for step in &moves {
            player.play_and_tell(&mut crm, step);
        }
        let Some(now) = now.filter(|_| day % 20 == 19) else { continue };
        let mut run = Run { before: player.world.position(), ..Run::default() };
        for client in crm
            .clients()
            .iter()
            .filter(|client| client.has_enrolled())
            .map(Client::id)
            .collect::<Vec<_>>()
        {
            let command = Command::BillAccount { account: client.own_account(), as_of };
            let events = player.play(&Move { now, command }).expect("a run refuses nobody");
            run.invoices.extend(invoice_json(&events));
            for event in &events {
                crm.learn(event);
            }
        }
        runs.insert(as_of.to_string(), run);
    }
    let invoices: usize = runs.values().map(|run| run.invoices.len()).sum();
    assert!(invoices > 1_000, "a model check of {invoices} invoices proves little");
    compare(&player, &runs);
}

fn compare(player: &Player, runs: &BTreeMap<String, Run>) {
    let folder = tempfile::tempdir().unwrap();
    let events: Vec<Vec<u8>> = player.log.iter().map(Recorded::to_bytes).collect();
    std::fs::write(folder.path().join("events.jsonl"), events.join(&b'\n')).unwrap();
    let mut lines = String::new();
    for (as_of, run) in runs {
        let invoices = run.invoices.join(",");
        let _ = writeln!(
            lines,
            r#"{{"as_of":"{as_of}","before":{},"invoices":[{invoices}]}}"#,
            run.before
        );
    }
    std::fs::write(folder.path().join("runs.jsonl"), lines).unwrap();
    if let Some(keep) = std::env::var_os("COUNTERFOIL_KEEP_MODEL_CHECK") {
        for file in ["events.jsonl", "runs.jsonl"] {
            std::fs::copy(folder.path().join(file), Path::new(&keep).join(file)).unwrap();
        }
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/naive_billing.py");
    let output =
        Process::new("python3").arg(script).arg(folder.path()).output().expect("python3 runs");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains(&format!("{} runs agree", runs.len())), "{said}");
}
