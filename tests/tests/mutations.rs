//! Changes to bundles, one each: bytes, rows, events, whole archives. Both verifiers find every one that
//! contradicts the rest of the bundle, the format or an earlier checkpoint, and neither finds
//! anything in what was not touched.
//!
//! The first half has three kinds of forger. One changes a byte and nothing else. One also writes the
//! manifest anew, which needs no key. And the firm itself, which signs what it changed, but whose log was
//! published: its tables and events must still be those of the log.
//!
//! In the second half the firm signs everything anew, log and root and checkpoint too. What it tells alike
//! everywhere no bundle can show: those lies are counted apart, each is one that an earlier checkpoint
//! shows, and FORMAT.md names them.
//!
//! `COUNTERFOIL_SEED` replays a campaign; `COUNTERFOIL_MUTANTS` is the number of changes in each half, 100
//! unless said.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::path::Path;

use bundle::{Checked, Request, TABLES, Table};
use counterfoil_tests::bundles::{
    Unpacked, bytes, checkpoint, export, key, other_key, python_findings, rust_findings,
    rust_findings_after, try_export, write_key,
};
use counterfoil_tests::forger::{self, sealed_again};
use counterfoil_tests::history::{Crm, Shape, case_id};
use counterfoil_tests::player::Player;
use counterfoil_tests::zips::{ZIP_FORGERIES, Zip};
use rand::rngs::StdRng;
use rand::seq::IndexedRandom as _;
use rand::{RngExt, SeedableRng};

/// Changes in each half.
fn mutants() -> usize {
    std::env::var("COUNTERFOIL_MUTANTS").ok().and_then(|text| text.parse().ok()).unwrap_or(100)
}

/// Mutants that lie on the disk at once.
const BATCH: usize = 100;

fn seed() -> u64 {
    std::env::var("COUNTERFOIL_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1)
}

/// The log that the bundles are of.
fn log() -> Vec<Vec<u8>> {
    let shape = Shape { clients: 6, enrol_days: 20, nonsense_percent: 4 };
    bytes(&Player::days(&mut Crm::new(5, shape), 200).log)
}

/// The bundles that are mutated.
fn sound() -> Vec<Unpacked> {
    let log = log();
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
    let plain = |line: &&(usize, String)| !line.1.contains('"');
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

/// A table that has some rows.
fn table_of(bundle: &Unpacked, rng: &mut StdRng) -> String {
    loop {
        let table = &TABLES[rng.random_range(0..TABLES.len())];
        if bundle.text(&table.file()).lines().count() > 2 {
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
    while made < mutants() {
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

/// What the firm can be found out by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Contradicts {
    /// The rest of the bundle, or the format: both verifiers must find it.
    Bundle,
    /// Only what gates say or what a report tells, which the verifier in Python does not judge.
    Words,
    /// What that is, only the verifiers themselves say: the two must agree but for gates. Where neither finds
    /// anything, an earlier checkpoint must show it.
    Unknown,
}

/// A change by the firm.
struct Forgery {
    what: String,
    archive: Vec<u8>,
    contradicts: Contradicts,
}

/// The cells of a row (RFC 4180) that stands on one line.
fn cells(row: &str) -> Vec<String> {
    let (mut cells, mut is_quoted) = (vec![String::new()], false);
    for character in row.chars() {
        match character {
            '"' => is_quoted = !is_quoted,
            ',' if !is_quoted => cells.push(String::new()),
            other => cells.last_mut().unwrap().push(other),
        }
    }
    cells
}

/// Whether two bundles differ in what both verifiers derive.
fn differ_for_both(a: &Unpacked, b: &Unpacked) -> bool {
    let judged = |table: &Table, text: &str| -> Vec<String> {
        let both = |(place, _): &(usize, &str)| table.columns[*place].checked == Checked::Both;
        let row = |row: &str| -> Vec<String> {
            cells(row)
                .iter()
                .map(String::as_str)
                .enumerate()
                .filter(both)
                .map(|(_, c)| c.into())
                .collect()
        };
        text.lines().flat_map(row).collect()
    };
    let names = |bundle: &Unpacked| bundle.0.keys().cloned().collect::<Vec<_>>();
    names(a) != names(b)
        || TABLES.iter().any(|table| {
            let (a, b) = (a.text(&table.file()), b.text(&table.file()));
            judged(table, &a) != judged(table, &b)
        })
}

/// An event changed, and everything signed anew: the tables as they were, or as they follow from the change.
fn forge_event(sound: &Unpacked, log: &[Vec<u8>], rng: &mut StdRng) -> Option<Forgery> {
    let mut events = forger::parse(log);
    let what = forger::change(&mut events, rng);
    let forged_log = forger::write(&events);
    if forged_log == log {
        return None;
    }
    let kept = sealed_again(sound, &forged_log);
    let Ok(made) = try_export(&forged_log, Request::All, bundle::Openings::default()) else {
        let contradicts = Contradicts::Bundle;
        return Some(Forgery { what, archive: kept.packed(), contradicts });
    };
    let made = Unpacked::of(&made);
    if rng.random_bool(0.5) {
        let what = format!("{what}, with every table made anew");
        return Some(Forgery { what, archive: made.packed(), contradicts: Contradicts::Unknown });
    }
    let contradicts = if kept == made {
        Contradicts::Unknown
    } else if differ_for_both(&kept, &made) {
        Contradicts::Bundle
    } else {
        Contradicts::Words
    };
    Some(Forgery { what, archive: kept.packed(), contradicts })
}

/// Another manifest, signed.
fn forge_manifest(sound: &Unpacked, rng: &mut StdRng) -> Option<Forgery> {
    let mut manifest = serde_json::Value::Object(forger::object(&sound.text("manifest.json")));
    let leaves = forger::leaves(&manifest);
    let what = match rng.random_range(0..4) {
        0 => {
            manifest["unknown"] = 1.into();
            "a member that nobody knows".to_owned()
        }
        1 => {
            let files = manifest["files"].as_array_mut().unwrap();
            let place = rng.random_range(0..files.len());
            let file = files.remove(place);
            format!("without {}", file["name"])
        }
        _ => {
            let leaf = leaves.choose(rng).unwrap();
            let value = manifest.pointer_mut(leaf).unwrap();
            *value = forger::changed(value, rng);
            format!("another {leaf}")
        }
    };
    let mut forged = sound.clone();
    forged.0.insert("manifest.json".into(), manifest.to_string().into_bytes());
    forged.sign(&key());
    let what = format!("manifest: {what}");
    (forged != *sound).then(|| Forgery {
        what,
        archive: forged.packed(),
        contradicts: Contradicts::Bundle,
    })
}

/// Another zip file of the same files.
fn forge_zip(sound: &Unpacked, rng: &mut StdRng) -> Forgery {
    let (what, forge) = ZIP_FORGERIES.choose(rng).unwrap();
    let mut zip = Zip::of(&sound.packed());
    forge(&mut zip);
    let what = format!("archive: {what}");
    Forgery { what, archive: zip.write(), contradicts: Contradicts::Bundle }
}

/// Another list of keys, another statement of streams, another proof.
fn forge_proofs(sound: &Unpacked, rng: &mut StdRng) -> Option<Forgery> {
    let names = ["keys.txt", "proofs/streams.txt", "proofs/subtrees.txt", "checkpoint.txt"];
    let names: Vec<&str> = names.into_iter().filter(|name| sound.0.contains_key(*name)).collect();
    let name = *names.choose(rng).unwrap();
    let text = sound.text(name);
    let forged_text = match rng.random_range(0..4) {
        0 => text.split_inclusive('\n').skip(1).collect(),
        1 => format!("{text}{}\n", text.lines().last().unwrap()),
        2 => text.replace(&key().verifier().to_string(), &other_key().verifier().to_string()),
        _ => {
            let value = forger::changed(&serde_json::Value::String(text.clone()), rng);
            value.as_str().unwrap().to_owned()
        }
    };
    let is_other = forged_text != text;
    let forged = sound.forged(name, forged_text);
    let what = format!("another {name}");
    is_other.then(|| Forgery { what, archive: forged.packed(), contradicts: Contradicts::Bundle })
}

fn forge(sound: &[Unpacked], log: &[Vec<u8>], rng: &mut StdRng) -> Option<Forgery> {
    let one = sound.choose(rng).unwrap();
    match rng.random_range(0..20) {
        0..13 => forge_event(&sound[0], log, rng),
        13..15 => forge_manifest(one, rng),
        15..17 => Some(forge_zip(one, rng)),
        17 => forge_proofs(one, rng),
        _ => {
            let mut forged = one.clone();
            let what = if rng.random_bool(0.3) {
                change_rows(&mut forged, rng)
            } else {
                change_cell(&mut forged, rng)
            };
            forged.rehash();
            forged.sign(&key());
            Some(Forgery { what, archive: forged.packed(), contradicts: Contradicts::Bundle })
        }
    }
}

/// What both verifiers find in each of some archives, by their names, with an earlier checkpoint if it is given.
fn found(folder: &Path, names: &[String], earlier: bool) -> Vec<(Vec<String>, Vec<String>)> {
    let python = python_findings(folder);
    let rust = |name: &String| {
        let path = folder.join(name);
        if earlier {
            rust_findings_after(&path, &folder.join("earlier.txt"))
        } else {
            rust_findings(&path)
        }
    };
    names.iter().map(|name| (rust(name), python[name].clone())).collect()
}

/// Whether all of this is about what only the verifier in Rust judges.
fn is_of_gates(findings: &[String]) -> bool {
    let words = [
        "gate",
        "the agreement's price",
        "the work that was promised",
        "could not be concluded",
        "fee_gates.csv",
        "report/",
    ];
    findings.iter().all(|finding| words.iter().any(|word| finding.contains(word)))
}

#[test]
fn what_the_firm_signs_anew_is_found_by_both_or_is_a_lie_that_a_checkpoint_shows() {
    let seed = seed();
    println!("COUNTERFOIL_SEED={seed}");
    let mut rng = StdRng::seed_from_u64(seed ^ 0x5161);
    let (sound, log) = (sound(), log());
    let earlier = checkpoint(&log, &key()).to_string();
    let (mut missed, mut lies, mut words) = (Vec::new(), BTreeMap::new(), 0);
    let mut caught = 0;
    while caught < mutants() {
        let folder = tempfile::tempdir().unwrap();
        write_key(folder.path());
        let mut forgeries = Vec::new();
        while forgeries.len() < BATCH.min(mutants()) {
            let Some(forgery) = forge(&sound, &log, &mut rng) else { continue };
            let name = format!("{:04}.zip", forgeries.len());
            std::fs::write(folder.path().join(&name), &forgery.archive).unwrap();
            forgeries.push((name, forgery));
        }
        let names: Vec<String> = forgeries.iter().map(|(name, _)| name.clone()).collect();
        let mut told_alike = Vec::new();
        for ((name, forgery), (rust, python)) in
            forgeries.iter().zip(found(folder.path(), &names, false))
        {
            let Forgery { what, contradicts, .. } = forgery;
            let miss =
                format!("{what}\n  Rust: {:?}\n  Python: {:?}", rust.first(), python.first());
            match (contradicts, rust.is_empty(), python.is_empty()) {
                (Contradicts::Bundle | Contradicts::Unknown | Contradicts::Words, false, false) => {
                    caught += 1;
                }
                (Contradicts::Words, false, true) => words += 1,
                (Contradicts::Unknown, false, true) if is_of_gates(&rust) => words += 1,
                (Contradicts::Unknown, true, true) => {
                    told_alike.push((name.clone(), what.clone()));
                }
                _ => missed.push(miss),
            }
        }
        // What is told alike everywhere, beside a checkpoint of the log as it was.
        let lying = tempfile::tempdir().unwrap();
        write_key(lying.path());
        std::fs::write(lying.path().join("earlier.txt"), &earlier).unwrap();
        for (name, _) in &told_alike {
            std::fs::copy(folder.path().join(name), lying.path().join(name)).unwrap();
        }
        let names: Vec<String> = told_alike.iter().map(|(name, _)| name.clone()).collect();
        for ((_, what), (rust, python)) in told_alike.iter().zip(found(lying.path(), &names, true))
        {
            if rust.is_empty() || python.is_empty() {
                missed.push(format!("an earlier checkpoint does not show: {what}"));
            }
            *lies.entry(what.clone()).or_insert(0_u32) += 1;
        }
    }
    println!("{caught} contradictions found by both, {words} of words and gates found by Rust");
    println!("{} lies that a checkpoint shows: {lies:#?}", lies.values().sum::<u32>());
    assert!(missed.is_empty(), "{} are missed: {}", missed.len(), missed.join("\n"));
}

#[test]
fn every_other_zip_file_of_the_same_files_is_found() {
    let sound = &sound()[1];
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    assert_eq!(Zip::of(&sound.packed()).write(), sound.packed());
    for (number, (_, forge)) in ZIP_FORGERIES.iter().enumerate() {
        let mut zip = Zip::of(&sound.packed());
        forge(&mut zip);
        std::fs::write(folder.path().join(format!("{number:02}.zip")), zip.write()).unwrap();
    }
    let names: Vec<String> = (0..ZIP_FORGERIES.len()).map(|n| format!("{n:02}.zip")).collect();
    for ((what, _), (rust, python)) in ZIP_FORGERIES.iter().zip(found(folder.path(), &names, false))
    {
        assert!(!rust.is_empty(), "Rust takes {what}");
        assert!(!python.is_empty(), "Python takes {what}");
    }
}
