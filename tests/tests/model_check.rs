//! A second opinion on the judge: the log of a random firm is given to the model in
//! `tests/reference/revised_model`, which was written from the trade's text alone. Told late and out of order,
//! with couples, pauses, renewals, and packs and bonds that come and go, both answer for every case which
//! periods there are, which of their fees are claimable and which gate holds the others, and what stands behind
//! every claimed fee.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command as Process;

use calendar::CivilDate;
use counterfoil_tests::campaign::from_environment;
use counterfoil_tests::corrector::Corrector;
use counterfoil_tests::history::{Client, Crm, Move, Shape};
use counterfoil_tests::judging::judged;
use counterfoil_tests::player::Player;
use domain::command::Command;
use domain::event::Recorded;
use domain::gates::{Answer, Explanation, FeeStanding, Gate};
use domain::ids::CaseId;
use domain::judge::Judge;
use domain::money::Money;
use serde_json::{Value, json};

/// Clients of an ordinary run; `COUNTERFOIL_CLIENTS` asks for more.
const CLIENTS: u32 = 300;
const DAYS: u32 = 300;
/// After how many days both are asked, the last one included.
const JUDGED_EVERY: u32 = 100;
const BILLED_EVERY: u32 = 10;
/// After how many moves somebody puts a mistake right.
const CORRECTED_EVERY: u32 = 80;

/// How the judge answered: a history in which a gate never decided anything would agree with a model that has
/// never heard of it.
#[derive(Debug, Default)]
struct Met {
    cases: usize,
    open: usize,
    claimable: usize,
    claimed: BTreeMap<FeeStanding, usize>,
    /// How often each gate answered what, of open fees.
    answers: BTreeMap<(Gate, Answer), usize>,
    /// Fees that a gate held alone.
    held_alone: BTreeMap<Gate, usize>,
    /// What is owed for exposed fees, in minor units.
    owed: i64,
    /// Work on days without what has to be on file.
    unsecured: usize,
    /// Cases of which a fee was claimable or claimed by the end.
    with_a_fee: usize,
}

impl Met {
    fn open(&mut self, explained: &Explanation) {
        self.open += 1;
        self.claimable += usize::from(explained.is_claimable());
        for finding in &explained.findings {
            *self.answers.entry((finding.gate, finding.answer)).or_default() += 1;
        }
        if let [gate] = explained.closed_gates().collect::<Vec<_>>()[..] {
            *self.held_alone.entry(gate).or_default() += 1;
        }
    }

    fn check(&self) {
        assert!(self.with_a_fee * 3 > self.cases, "few clients have earned a fee: {self:?}");
        assert!(self.claimable > 0, "nothing is left to claim: {self:?}");
        assert!(self.owed > 0, "nothing is owed: {self:?}");
        assert!(self.unsecured > 0, "no work was done on a day without security: {self:?}");
        for standing in FeeStanding::ALL {
            assert!(self.claimed.contains_key(standing), "no fee is {standing}: {self:?}");
        }
        for gate in Gate::ALL {
            let held = self.answers.contains_key(&(*gate, Answer::Fails))
                || self.answers.contains_key(&(*gate, Answer::Unknown));
            // A fee that stands is no open fee, and a period without an agreement is held by every gate.
            assert!(held || *gate == Gate::NotClaimed, "{gate} never held a fee: {self:?}");
            let alone = self.held_alone.contains_key(gate);
            assert!(
                alone || matches!(gate, Gate::NotClaimed | Gate::Disclosure | Gate::WaitingDays),
                "{gate} never held a fee alone: {self:?}"
            );
        }
        let state_unknown = self.answers.get(&(Gate::State, Answer::Unknown));
        assert!(state_unknown.is_some(), "no state was unknown: {self:?}");
    }
}

/// A firm's life, with the days on which both are asked and the last position by then.
fn life(clients: u32, seed: u64, mut ask: impl FnMut(&Player, CivilDate)) -> Player {
    let shape = Shape { clients, enrol_days: 120, nonsense_percent: 2 };
    let (mut crm, mut corrector) = (Crm::new(seed, shape), Corrector::new(seed));
    let (mut player, mut told) = (Player::default(), 0);
    for step in crm.set_up() {
        player.play(&step).unwrap();
    }
    for day in 1..=DAYS {
        let as_of = crm.today();
        let moves = crm.day();
        let now = moves.last().map(|step| step.now);
        for step in &moves {
            player.play_and_tell(&mut crm, step);
            told += 1;
            if told % CORRECTED_EVERY == 0
                && let Some(correction) = corrector.step(&player.log, step.now)
            {
                player.play_and_tell(&mut crm, &correction);
            }
        }
        if let Some(now) = now.filter(|_| day % BILLED_EVERY == BILLED_EVERY / 2) {
            let enrolled = crm.clients().iter().filter(|client| client.has_enrolled());
            let cases: Vec<CaseId> = enrolled.map(Client::id).collect();
            for case in cases {
                let command = Command::BillAccount { account: case.own_account(), as_of };
                let events = player.play(&Move { now, command }).expect("a run refuses nobody");
                for event in &events {
                    crm.learn(event);
                }
            }
        }
        if day % JUDGED_EVERY == 0 {
            ask(&player, as_of);
        }
    }
    player
}

/// What the judge says of a case, in the model's words.
fn answer(judge: &Judge<'_>, case: CaseId, met: &mut Met) -> Value {
    let today = judge.today();
    let gates = |explained: &Explanation| -> Value {
        let findings = explained.findings.iter();
        findings.map(|f| (f.gate.code().to_owned(), json!(f.answer.code()))).collect()
    };
    let (mut claimable, mut held, mut earned) = (0, 0, false);
    let mut cut = Vec::new();
    let mut open = Vec::new();
    for period in judge.periods() {
        let explained = judge.explain(period.number, today).unwrap();
        earned |= explained.earned.is_some();
        if explained.earned.is_some() {
            continue;
        }
        met.open(&explained);
        let performed = explained.findings.iter().find(|f| f.gate == Gate::FullyPerformed);
        if performed.unwrap().because.starts_with("the service ended on") {
            cut.push(json!(period.start.to_string()));
        }
        let amount = explained.amount.map(Money::minor);
        earned |= explained.is_claimable();
        if explained.is_claimable() {
            claimable += amount.unwrap();
        } else {
            held += amount.unwrap_or(0);
        }
        open.push(
            json!({"start": period.start.to_string(), "amount": amount, "gates": gates(&explained)}),
        );
    }
    let fees = judge.fees().map(|fee| {
        *met.claimed.entry(fee.standing).or_default() += 1;
        let is_exposed = fee.standing == FeeStanding::Exposed;
        let owed = is_exposed.then(|| fee.owed.minor());
        met.owed += owed.unwrap_or(0);
        json!({"status": fee.standing.code(), "exposed": fee.exposed.minor(), "owed": owed})
    });
    let fees: Vec<Value> = fees.collect();
    met.cases += 1;
    met.with_a_fee += usize::from(earned);
    let mut unsecured: Vec<String> =
        judge.unsecured_work().iter().map(|of| of.done.on().to_string()).collect();
    unsecured.sort_unstable();
    met.unsecured += unsecured.len();
    let periods: Vec<Value> = judge.periods().map(|p| json!(p.start.to_string())).collect();
    json!({
        "case": case.to_string(), "today": today.to_string(), "periods": periods, "open": open, "fees": fees,
        "claimable": claimable, "held": held, "cut": cut, "unsecured": unsecured,
    })
}

#[test]
fn the_model_judges_the_log_alike() {
    let clients = from_environment("COUNTERFOIL_CLIENTS").unwrap_or(CLIENTS);
    let seed = from_environment("COUNTERFOIL_SEED").unwrap_or(20_260_301);
    let mut met = Met::default();
    let mut ours = Vec::new();
    let mut days = String::new();
    let player = life(clients, seed, |player, today| {
        let through = player.world.position();
        writeln!(days, "{}", json!({"today": today.to_string(), "through": through})).unwrap();
        (met.with_a_fee, met.cases) = (0, 0);
        for case in player.cases() {
            ours.push(judged(&player.world, case, today, |judge| answer(judge, case, &mut met)));
        }
    });
    let theirs = model(&player.log, &days);
    assert_eq!(ours.len(), theirs.len());
    let mut differing = Vec::new();
    for (ours, theirs) in ours.iter().zip(&theirs) {
        let cut: Vec<Value> = ours["cut"].as_array().unwrap().clone();
        let (ours, theirs) = (comparable(ours, &cut), comparable(theirs, &cut));
        if ours != theirs {
            differing.push(difference(&ours, &theirs));
        }
    }
    println!("{met:?}");
    for differing in differing.iter().take(40) {
        println!("{differing}");
    }
    assert!(differing.is_empty(), "{} of {} differ", differing.len(), ours.len());
    met.check();
}

/// Of a period that no agreement governs the model asks only whether one does; and it tells of a claimed fee
/// more than the judge does.
///
/// Of a period that an end cut short no fee comes: whether work behind that end had to be stated for it, the words
/// do not say.
fn comparable(answer: &Value, cut: &[Value]) -> Value {
    let mut answer = answer.clone();
    answer.as_object_mut().unwrap().remove("cut");
    for open in answer["open"].as_array_mut().unwrap() {
        if cut.contains(&open["start"]) {
            open["gates"].as_object_mut().unwrap().remove("G7");
        }
        if open["amount"].is_null() {
            open["gates"] = json!({"G2": open["gates"]["G2"]});
        }
    }
    for fee in answer["fees"].as_array_mut().unwrap() {
        fee.as_object_mut().unwrap().remove("gates");
    }
    answer
}

/// Where two answers differ, part by part.
fn difference(ours: &Value, theirs: &Value) -> String {
    let mut told = format!("case {} on {}", ours["case"], ours["today"]);
    for part in ["periods", "open", "fees", "claimable", "held", "unsecured"] {
        let (ours, theirs) = (&ours[part], &theirs[part]);
        let empty = Vec::new();
        let entries = |of: &Value| of.as_array().unwrap_or(&empty).clone();
        let (mine, yours) = (entries(ours), entries(theirs));
        if ours != theirs && mine.len() != yours.len() {
            write!(told, "\n  {part}: ours {ours}\n  {part}: theirs {theirs}").unwrap();
        }
        for (mine, yours) in mine.iter().zip(&yours).filter(|(mine, yours)| mine != yours) {
            write!(told, "\n  {part}: ours {mine}\n  {part}: theirs {yours}").unwrap();
        }
    }
    told
}

fn model(log: &[Recorded], days: &str) -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    let events: Vec<Vec<u8>> = log.iter().map(Recorded::to_bytes).collect();
    std::fs::write(folder.path().join("events.jsonl"), events.join(&b'\n')).unwrap();
    std::fs::write(folder.path().join("days.jsonl"), days).unwrap();
    if let Some(keep) = std::env::var_os("COUNTERFOIL_KEEP_MODEL_CHECK") {
        for file in ["events.jsonl", "days.jsonl"] {
            std::fs::copy(folder.path().join(file), Path::new(&keep).join(file)).unwrap();
        }
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/revised_model");
    let output = Process::new("python3")
        .args(["log_cases.py".as_ref(), folder.path()])
        .current_dir(script)
        .output()
        .expect("python3 runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said = String::from_utf8(output.stdout).unwrap();
    said.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}
