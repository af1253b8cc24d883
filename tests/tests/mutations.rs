//! A thousand changes to bundles, one each: bytes, rows, events. Both verifiers find every one, and
//! neither finds anything in what was not touched.
//!
//! Three kinds of forger. One changes a byte and nothing else. One also writes the manifest anew, which
//! needs no key. And the firm itself, which signs what it changed, but whose log was published: its
//! tables and events must still be those of the log.
//!
//! `COUNTERFOIL_SEED` replays a campaign.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::path::Path;

use bundle::{Checked, Request, TABLES, Table};
use counterfoil_tests::bundles::{
    Unpacked, bytes, export, key, python_findings, rust_findings, write_key,
};
use counterfoil_tests::history::{Crm, Shape, case_id};
use counterfoil_tests::player::Player;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

const MUTANTS: usize = 1_000;
/// Mutants that lie on the disk at once.
const BATCH: usize = 100;

fn seed() -> u64 {
    std::env::var("COUNTERFOIL_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1)
}

/// The bundles that are mutated.
fn sound() -> Vec<Unpacked> {
    let shape = Shape { clients: 6, enrol_days: 20, nonsense_percent: 4 };
    let log = bytes(&Player::days(&mut Crm::new(5, shape), 200).log);
    let day = |text: &str| text.parse().unwrap();
    let days = Request::Days { from: day("2025-01-06"), through: day("2025-01-12") };
    let cases = Request::Cases([case_id(1), case_id(4)].into());
    [Request::All, cases, days].map(|request| Unpacked::of(&export(&log, request))).into()
}

/// Changes one byte of one file to another.
fn change_byte(bundle: &mut Unpacked, rng: &mut StdRng) -> String {
    let names: Vec<String> =
        bundle.0.iter().filter(|(_, b)| !b.is_empty()).map(|(n, _)| n.clone()).collect();
    let name = names[rng.random_range(0..names.len())].clone();
    let bytes = bundle.0.get_mut(&name).unwrap();
    let at = rng.random_range(0..bytes.len());
    let other = loop {
        // Half of them stay readable text: a reader must not rest on an error of the encoding.
        let byte = if rng.random_bool(0.5) { rng.random_range(32..127) } else { rng.random() };
        if byte != bytes[at] {
            break byte;
        }
    };
    let was = std::mem::replace(&mut bytes[at], other);
    format!("byte {at} of {name} from {was} to {other}")
}

/// Takes a file away, or puts one in.
fn change_files(bundle: &mut Unpacked, rng: &mut StdRng) -> String {
    if rng.random_bool(0.3) {
        bundle.0.insert("report/extra.html".into(), b"<p>All is well.</p>".to_vec());
        return "a file too many".into();
    }
    let names: Vec<String> =
        bundle.0.keys().filter(|name| !name.starts_with("manifest.")).cloned().collect();
    let name = &names[rng.random_range(0..names.len())];
    bundle.0.remove(name);
    format!("without {name}")
}

/// Drops, doubles or swaps lines of a file that has a header of so many lines.
fn change_lines(bundle: &mut Unpacked, name: &str, header: usize, rng: &mut StdRng) -> String {
    let mut lines: Vec<String> =
        bundle.text(name).split_inclusive('\n').map(str::to_owned).collect();
    let last = lines.len() - 1;
    let at = rng.random_range(header..=last);
    let next = if at < last { at + 1 } else { header };
    let what = match rng.random_range(0..3) {
        0 => {
            lines.remove(at);
            "dropped"
        }
        1 if next != at && lines[next] != lines[at] => {
            lines.swap(at, next);
            "swapped"
        }
        _ => {
            lines.insert(at, lines[at].clone());
            "doubled"
        }
    };
    bundle.0.insert(name.to_owned(), lines.concat().into_bytes());
    format!("line {} of {name} {what}", at + 1)
}

/// Whether both verifiers know what stands in a row: of fees, those that were earned.
fn is_known(table: &Table, row: &str) -> bool {
    table.name != "fees" || row.contains(",earned,")
}

/// Changes a cell that both verifiers derive.
fn change_cell(bundle: &mut Unpacked, rng: &mut StdRng) -> String {
    loop {
        if let Some(what) = try_cell(bundle, rng) {
            return what;
        }
    }
}

/// Changes a cell of a table; nothing if the one that was drawn is not known to both verifiers.
fn try_cell(bundle: &mut Unpacked, rng: &mut StdRng) -> Option<String> {
    let table = &TABLES[rng.random_range(0..TABLES.len())];
    let name = table.file();
    let mut lines: Vec<String> =
        bundle.text(&name).split_inclusive("\r\n").map(str::to_owned).collect();
    // A cell with a comma or quote is left alone: this is no reader of CSV.
    let plain = |line: &&(usize, String)| !line.1.contains('"') && is_known(table, &line.1);
    let rows: Vec<(usize, String)> = lines.iter().cloned().enumerate().skip(1).collect();
    let rows: Vec<&(usize, String)> = rows.iter().filter(plain).collect();
    if rows.is_empty() {
        return None;
    }
    let (at, line) = rows[rng.random_range(0..rows.len())];
    let mut cells: Vec<String> =
        line.trim_end_matches("\r\n").split(',').map(str::to_owned).collect();
    let both = |place: &usize| table.columns[*place].checked == Checked::Both;
    let places: Vec<usize> = (0..table.columns.len()).filter(both).collect();
    let place = places[rng.random_range(0..places.len())];
    let column = table.columns[place].name;
    // Of the gates, only an earned fee's verdict is known to both.
    if table.name == "fee_gates" && column == "Holds" {
        return None;
    }
    let cell = &mut cells[place];
    let was = cell.clone();
    let digits: Vec<usize> =
        cell.char_indices().filter(|(_, c)| c.is_ascii_digit()).map(|(at, _)| at).collect();
    *cell = if digits.is_empty() {
        format!("{cell}7")
    } else {
        let at = digits[rng.random_range(0..digits.len())];
        let digit = cell[at..=at].parse::<u32>().unwrap();
        let other = (digit + rng.random_range(1..10)) % 10;
        format!("{}{other}{}", &cell[..at], &cell[at + 1..])
    };
    let what = format!("{column} in row {} of {name} from {was:?} to {cell:?}", at + 1);
    let at = *at;
    lines[at] = cells.join(",") + "\r\n";
    bundle.0.insert(name, lines.concat().into_bytes());
    Some(what)
}

/// A table whose rows both verifiers know one by one, and that has some.
fn table_of(bundle: &Unpacked, rng: &mut StdRng) -> String {
    loop {
        let table = &TABLES[rng.random_range(0..TABLES.len())];
        if table.name != "fees" && bundle.text(&table.file()).lines().count() > 2 {
            return table.file();
        }
    }
}

fn change_rows(bundle: &mut Unpacked, rng: &mut StdRng) -> String {
    match rng.random_range(0..10) {
        0..3 => change_lines(bundle, "events.jsonl", 0, rng),
        3 if bundle.0.contains_key("proofs/subtrees.txt") => {
            change_lines(bundle, "proofs/subtrees.txt", 0, rng)
        }
        _ => {
            let table = table_of(bundle, rng);
            change_lines(bundle, &table, 1, rng)
        }
    }
}

/// One change, by one of the three.
fn mutate(bundle: &mut Unpacked, rng: &mut StdRng) -> String {
    match rng.random_range(0..10) {
        0..4 => format!("a stranger: {}", change_byte(bundle, rng)),
        4..7 => {
            let what = match rng.random_range(0..4) {
                0 => change_byte(bundle, rng),
                1 => change_files(bundle, rng),
                2 => change_rows(bundle, rng),
                _ => change_cell(bundle, rng),
            };
            let before = bundle.clone();
            bundle.rehash();
            let kept = if *bundle == before { " (the manifest itself)" } else { "" };
            format!("a forger of manifests: {what}{kept}")
        }
        _ => {
            let what = if rng.random_bool(0.4) {
                change_rows(bundle, rng)
            } else {
                change_cell(bundle, rng)
            };
            bundle.rehash();
            bundle.sign(&key());
            format!("the firm: {what}")
        }
    }
}

fn check(folder: &Path, told: &BTreeMap<String, String>, missed: &mut Vec<String>) {
    let python = python_findings(folder);
    for (name, what) in told {
        let in_rust = rust_findings(&folder.join(name));
        for (who, found) in [("Rust", &in_rust), ("Python", &python[name])] {
            if found.is_empty() {
                missed.push(format!("{who} misses {name}: {what}"));
            }
        }
    }
}

#[test]
fn every_mutant_is_found_by_both_verifiers() {
    let seed = seed();
    println!("COUNTERFOIL_SEED={seed}");
    let mut rng = StdRng::seed_from_u64(seed);
    let sound = sound();
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    for (number, bundle) in sound.iter().enumerate() {
        bundle.pack(&folder.path().join(format!("sound-{number}.zip")));
    }
    for (name, findings) in python_findings(folder.path()) {
        assert_eq!(findings, [""; 0], "Python finds what is not wrong in {name}");
        let findings = rust_findings(&folder.path().join(&name));
        assert_eq!(findings, [""; 0], "Rust finds what is not wrong in {name}");
    }
    let mut missed = Vec::new();
    let mut made = 0;
    while made < MUTANTS {
        let folder = tempfile::tempdir().unwrap();
        write_key(folder.path());
        let mut told = BTreeMap::new();
        while told.len() < BATCH {
            let original = &sound[rng.random_range(0..sound.len())];
            let mut mutant = original.clone();
            let what = mutate(&mut mutant, &mut rng);
            // A forger who writes the manifest anew may undo the change that was in the manifest.
            if *original != mutant {
                let name = format!("{:04}.zip", made + told.len());
                mutant.pack(&folder.path().join(&name));
                told.insert(name, what);
            }
        }
        made += told.len();
        check(folder.path(), &told, &mut missed);
    }
    assert!(missed.is_empty(), "{} are missed: {missed:#?}", missed.len());
}
