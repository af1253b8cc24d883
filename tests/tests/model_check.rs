//! A second opinion on billing: `tests/reference/naive_billing.py` reads the exported events of a
//! random firm of 2,000 clients, knows nothing of this code, and must name exactly the fees and
//! invoices that the billing runs made.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command as Process;

use calendar::CivilDate;
use counterfoil_tests::history::{Client, Crm, Move, Shape};
use counterfoil_tests::player::Player;
use domain::command::Command;
use domain::event::{AccountEvent, CaseEvent, Event, Recorded, StreamId, UtcMicros};
use domain::gates::Gate;
use domain::ids::CaseId;
use domain::refusal::{Reason, Refusal};
use domain::terms::Channel;

/// Of the fees claimed or given up so far, how many are claimed again after each run.
const CLAIMED_AGAIN_ONE_IN: usize = 20;

/// One run over every account on one day, and the invoices it made.
#[derive(Default)]
struct Run {
    before: u64,
    invoices: Vec<String>,
}

/// How the gates stood before fees in all runs: a history in which one of them never decided anything
/// would agree with a model that has never heard of it.
#[derive(Debug, Default)]
struct Met {
    /// Fees that a gate held, alone or with others.
    held: BTreeMap<Gate, u32>,
    /// Fees that it held alone: here the two sides agree about this very gate.
    held_alone: BTreeMap<Gate, u32>,
    /// Fees of telemarketing sales that passed, the time frame over and later reports showing every
    /// result.
    results_shown: u32,
    /// Fees of telemarketing sales that G6 alone held although the time frame was over.
    results_wanting: u32,
}

impl Met {
    fn hold(&mut self, gates: impl IntoIterator<Item = Gate>) {
        let gates: BTreeSet<Gate> = gates.into_iter().collect();
        if let (1, Some(gate)) = (gates.len(), gates.first()) {
            *self.held_alone.entry(*gate).or_default() += 1;
        }
        for gate in gates {
            *self.held.entry(gate).or_default() += 1;
        }
    }

    /// Takes in what a run recorded.
    fn note(&mut self, player: &Player, recorded: &Recorded) {
        let (Event::Case(event), StreamId::Case(case)) = (&recorded.event, recorded.stream) else {
            return;
        };
        match event {
            CaseEvent::FeeHeld(e) => {
                self.hold(e.gates.iter().copied());
                let alone = e.gates.iter().eq(&[Gate::Telemarketing]);
                self.results_wanting += u32::from(alone && is_frame_over(player, case, recorded));
            }
            CaseEvent::FeeEarned(_) => {
                self.results_shown += u32::from(is_telemarketing(player, case));
            }
            _ => {}
        }
    }

    /// Every gate held something, every one that can do so did it alone, and G6 both ways.
    fn check(&self) {
        for gate in Gate::ALL {
            assert!(self.held.contains_key(gate), "{gate} never held a fee: {self:?}");
            // Without an agreement in force there is nothing that the other gates could be judged by.
            let can_be_alone = *gate != Gate::Agreement;
            assert!(
                !can_be_alone || self.held_alone.contains_key(gate),
                "{gate} never held a fee alone: {self:?}"
            );
        }
        assert!(self.results_shown > 0, "G6 never passed by its results: {self:?}");
        assert!(self.results_wanting > 0, "G6 never held for want of results: {self:?}");
    }
}

/// Whether a sale waits for results (16 CFR 310.4(a)(2)): by telephone, or of a kind nobody can show.
fn is_telemarketing(player: &Player, case: CaseId) -> bool {
    let case = player.world.case(case).unwrap();
    let sale = &case.enrolment.as_ref().unwrap().sale;
    sale.channel == Channel::Telephone || sale.evidence.is_none()
}

fn is_frame_over(player: &Player, case: CaseId, held: &Recorded) -> bool {
    let case = player.world.case(case).unwrap();
    let enrolment = case.enrolment.as_ref().unwrap();
    let days = chrono::Days::new(enrolment.sale.promised_days.into());
    held.occurred_on > enrolment.mark.on + days
}

/// The gates that a refused claim names.
fn gates_of(refusal: &Refusal) -> Vec<Gate> {
    assert_eq!(refusal.reason, Reason::GatesClosed, "{refusal}");
    let rules = refusal.violations.iter().map(|violation| violation.rule.as_str());
    rules.map(|rule| *Gate::ALL.iter().find(|gate| gate.code() == rule).unwrap()).collect()
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
    let mut met = Met::default();
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
        let enrolled = crm.clients().iter().filter(|client| client.has_enrolled());
        let cases: Vec<CaseId> = enrolled.map(Client::id).collect();
        for case in &cases {
            let command = Command::BillAccount { account: case.own_account(), as_of };
            let events = player.play(&Move { now, command }).expect("a run refuses nobody");
            run.invoices.extend(invoice_json(&events));
            for event in &events {
                crm.learn(event);
                met.note(&player, event);
            }
        }
        claim_again(&mut player, &cases, &mut met, (now, as_of));
        runs.insert(as_of.to_string(), run);
    }
    let invoices: usize = runs.values().map(|run| run.invoices.len()).sum();
    assert!(invoices > 1_000, "a model check of {invoices} invoices proves little");
    compare(&player, &runs);
    println!("{met:?}");
    met.check();
}

/// Asks once more, and by the other door, for fees that are claimed or given up: nobody pays twice, so
/// that the log stays as it is.
fn claim_again(
    player: &mut Player,
    cases: &[CaseId],
    met: &mut Met,
    (now, as_of): (UtcMicros, CivilDate),
) {
    let settled = |&id: &CaseId| {
        let case = player.world.case(id).unwrap();
        let periods = case.earned.keys().chain(case.closed.keys());
        periods.map(|period| (id, *period)).collect::<Vec<_>>()
    };
    let settled: Vec<(CaseId, u32)> = cases.iter().flat_map(settled).collect();
    for (case, period) in settled.into_iter().step_by(CLAIMED_AGAIN_ONE_IN) {
        let command = Command::ClaimFee { case, period, as_of };
        let refusal = player.play(&Move { now, command }).unwrap_err();
        let gates = gates_of(&refusal);
        assert!(gates.contains(&Gate::NotClaimed), "{refusal}");
        met.hold(gates);
    }
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
