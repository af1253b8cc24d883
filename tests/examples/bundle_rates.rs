//! How fast bundles are made and checked, and in how much memory. Each step is a process of its own:
//!
//!     bundle_rates fill LOG CLIENTS DAYS
//!     bundle_rates export LOG BUNDLE [CASES]
//!     bundle_rates verify BUNDLE
//!
//! A log is a file of canonical events, one a line. Let the machine rest meanwhile.

#![allow(clippy::unwrap_used, reason = "a measurement that cannot go on stops")]

use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use bundle::{Export, Openings, Request, Scope, Scout, Signing, Trust};
use counterfoil_tests::bundles::{checkpoint_of, key, spans};
use counterfoil_tests::history::{Crm, Shape, case_id, firm_id};
use counterfoil_tests::player::Player;
use proof::{Frontier, leaf_hash};

fn fill(log: &Path, clients: u32, days: u32) {
    let shape = Shape { clients, enrol_days: 60, nonsense_percent: 2 };
    let player = Player::days(&mut Crm::new(1, shape), days);
    let mut out = BufWriter::new(File::create(log).unwrap());
    for recorded in &player.log {
        out.write_all(&recorded.to_bytes()).unwrap();
        out.write_all(b"\n").unwrap();
    }
    println!("{} events, {} bytes", player.log.len(), out.get_ref().metadata().unwrap().len());
}

fn events(log: &Path, mut take: impl FnMut(&[u8])) {
    let mut lines = BufReader::with_capacity(1 << 20, File::open(log).unwrap());
    let mut line = Vec::new();
    while lines.read_until(b'\n', &mut line).unwrap() > 0 {
        take(&line[..line.len() - 1]);
        line.clear();
    }
}

fn export(log: &Path, to: &Path, cases: u32) {
    let mut frontier = Frontier::new();
    events(log, |event| frontier.push(leaf_hash(event)));
    let note = checkpoint_of(&frontier, &key());
    let begun = Instant::now();
    let scope = if cases == 0 {
        Scope::all()
    } else {
        let mut scout = Scout::new(Request::Cases((0..cases).map(case_id).collect()));
        events(log, |event| scout.look(event));
        scout.finish().unwrap()
    };
    let mut export = Export::new(firm_id(), scope, &note, Openings::default()).unwrap();
    events(log, |event| {
        export.push(event).unwrap();
    });
    let pushed = begun.elapsed();
    let mut none = |_: &bundle::Document| Err(std::io::Error::from(std::io::ErrorKind::NotFound));
    let documents = bundle::Documents::new(Vec::new(), &mut none);
    let to = BufWriter::new(File::create(to).unwrap());
    let spans = spans(usize::try_from(frontier.size()).unwrap());
    let signing = Signing { key: &key(), spans: &spans };
    let made = export.finish(signing, documents, to).unwrap();
    println!("read after {pushed:.1?}, {} bytes, {} cases", made.bytes, made.cases);
    told("export", made.size, begun.elapsed());
}

fn verify(bundle: &Path) {
    let begun = Instant::now();
    let trust = Trust { public_keys: vec![key().verifier().clone().into()], ..Trust::default() };
    let mut read = Duration::ZERO;
    let verified = bundle::verify(bundle, &trust, |_, _| read = begun.elapsed()).unwrap();
    println!("read after {read:.1?}");
    for finding in verified.findings.iter().take(5) {
        println!("{finding}");
    }
    told("verify", verified.events, begun.elapsed());
}

/// A rate, and the most memory this process ever held.
fn told(what: &str, events: u64, took: Duration) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let memory = status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or("VmHWM unknown");
    let millis = u64::try_from(took.as_millis()).unwrap().max(1);
    println!("{what}: {} events/s, {took:.1?}, {memory}", events * 1_000 / millis);
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match arguments.as_slice() {
        ["fill", log, clients, days] => {
            fill(Path::new(log), clients.parse().unwrap(), days.parse().unwrap());
        }
        ["export", log, bundle] => export(Path::new(log), Path::new(bundle), 0),
        ["export", log, bundle, cases] => {
            export(Path::new(log), Path::new(bundle), cases.parse().unwrap());
        }
        ["verify", bundle] => verify(Path::new(bundle)),
        _ => panic!("see the head of this file"),
    }
}
