//! Writes the log of a random firm with a bookkeeper in it, and the reconciliation of its accounts at banks at the end of
//! every month, for another engine to make again from the log: `tests/reference/reconciliation_reference.py`.
//!
//! `cargo run -p counterfoil-tests --example reconcile_export -- FOLDER CLIENTS DAYS [SEED]`

#![allow(clippy::unwrap_used, reason = "an example stops where it cannot go on")]

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::path::PathBuf;

use books::{Anew, BankReconciled, Reconciled};
use chrono::{Datelike as _, Days, NaiveDate};
use counterfoil_tests::bookkeeper::Bookkeeper;
use counterfoil_tests::history::{Crm, Shape};
use counterfoil_tests::player::Player;
use domain::State;
use domain::event::StreamId;
use serde_json::{Value, json};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(arguments.next().expect("FOLDER CLIENTS DAYS [SEED]"));
    let mut number = |or: u64| arguments.next().map_or(or, |text| text.parse().unwrap());
    let (clients, days, seed) = (number(60), number(730), number(11));
    fs::create_dir_all(&folder).unwrap();
    let player = life(seed, u32::try_from(clients).unwrap(), u32::try_from(days).unwrap());
    let mut log = fs::File::create(folder.join("log.jsonl")).unwrap();
    for recorded in &player.log {
        log.write_all(&recorded.to_bytes()).unwrap();
        log.write_all(b"\n").unwrap();
    }
    let first = player.log.iter().map(|recorded| recorded.occurred_on).min().unwrap();
    let last = player.log.iter().map(|recorded| recorded.occurred_on).max().unwrap();
    let months: Vec<Value> = months(first, last).map(|through| month(&player, through)).collect();
    fs::write(folder.join("ours.json"), serde_json::to_vec_pretty(&months).unwrap()).unwrap();
    println!("{} events, {} months", player.log.len(), months.len());
}

fn life(seed: u64, clients: u32, days: u32) -> Player {
    let shape = Shape { clients, enrol_days: i64::from(days) / 2, nonsense_percent: 3 };
    let mut crm = Crm::new(seed, shape);
    let mut bookkeeper = Bookkeeper::new(seed);
    let mut player = Player::days(&mut crm, 0);
    for _ in 0..days {
        for step in crm.day() {
            player.play_and_tell(&mut crm, &step);
        }
        for step in bookkeeper.day(&player.world, &player.log, crm.today()) {
            player.play_and_tell(&mut crm, &step);
        }
    }
    player
}

/// Last days of months, from one day to another.
fn months(first: NaiveDate, last: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    let days = first.iter_days().take_while(move |day| *day <= last);
    days.filter(|day| (*day + Days::new(1)).month() != day.month())
}

fn month(player: &Player, through: NaiveDate) -> Value {
    let State::Firm(firm) = player.world.state(StreamId::Firm).unwrap() else { unreachable!() };
    let mut anew = Anew::new(firm, through);
    anew.take(&player.log).unwrap();
    let (_, _, Reconciled { banks, in_transit, clearing_minor, .. }) = anew.figures();
    // Pieces of one line's money may lie on several accounts: they are explained together.
    let not_explained: i64 =
        banks.iter().flat_map(|of| &of.unexplained).map(|line| line.minor).sum();
    let banks: Vec<Value> = banks.iter().map(bank).collect();
    let in_transit: i64 = in_transit.iter().map(|of| of.minor).sum();
    json!({
        "through": through, "banks": banks, "clearing": clearing_minor, "in_transit": in_transit,
        "not_explained": not_explained,
    })
}

fn bank(of: &BankReconciled) -> Value {
    let mut items: BTreeMap<&str, i64> = BTreeMap::new();
    for item in of.items.iter().filter(|item| item.minor != 0) {
        *items.entry(item.kind.code()).or_default() += item.minor;
    }
    json!({
        "bank": of.bank.to_string(), "ledger": of.ledger_minor, "items": items,
        "stated_on": of.statement.map(|of| of.on), "statement": of.statement.map(|of| of.minor),
        "difference": of.difference_minor(),
    })
}
