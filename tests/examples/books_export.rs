//! Writes the journal, trial balance and aging of a large random firm with a bookkeeper in it, as a
//! package that another engine can check: `tests/reference/books_reference.py`.
//!
//! What is open is told by the folded accounts, not by the journal: the two have to agree.
//!
//! `cargo run -p counterfoil-tests --example books_export -- FOLDER CLIENTS DAYS [SEED]`

#![allow(clippy::unwrap_used, reason = "an example stops where it cannot go on")]

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use books::{Aging, Bucket, Chart, OpenItem, Poster, TrialBalance, TrialRow};
use chrono::{DateTime, NaiveDate};
use counterfoil_tests::bookkeeper::Bookkeeper;
use counterfoil_tests::history::{Crm, Shape};
use counterfoil_tests::player::Player;
use domain::State;
use domain::event::{BookAccount, StreamId};
use domain::firm::Firm;
use domain::ids::AccountId;
use domain::money::{Currency, Money};
use paper::package::{
    AGING, File, GL_DETAIL, JournalRow, OPEN_RECEIVABLE, TRIAL_BALANCE, open_cells, trial_cells,
};
use paper::{Cell, Table};

/// Days between two of the bookkeeper's.
const BOOKKEEPER_EVERY: u32 = 3;

fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).unwrap()
}

fn begin(folder: &Path, table: &Table) -> File<fs::File> {
    let file = fs::File::create(folder.join(format!("{}.csv", table.name))).unwrap();
    File::begin(table, file).unwrap()
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(arguments.next().expect("FOLDER CLIENTS DAYS [SEED]"));
    let mut number = |or: u64| arguments.next().map_or(or, |text| text.parse().unwrap());
    let (clients, days, seed) = (number(5_000), number(730), number(5));
    fs::create_dir_all(&folder).unwrap();
    let (clients, days) = (u32::try_from(clients).unwrap(), u32::try_from(days).unwrap());
    let player = life(seed, clients, days);
    let State::Firm(firm) = player.world.state(StreamId::Firm).unwrap() else { unreachable!() };
    let last = player.log.iter().map(|recorded| recorded.occurred_on).max().unwrap();
    let lines = journal(&folder, firm, &player);
    receivable(&folder, &player, last);
    println!("{} events, {lines} lines, through {last}", player.log.len());
}

fn life(seed: u64, clients: u32, days: u32) -> Player {
    let shape = Shape { clients, enrol_days: i64::from(days) * 2 / 3, nonsense_percent: 3 };
    let mut crm = Crm::new(seed, shape);
    let mut bookkeeper = Bookkeeper::new(seed);
    let mut player = Player::days(&mut crm, 0);
    for day in 0..days {
        for step in crm.day() {
            player.play_and_tell(&mut crm, &step);
        }
        if day % BOOKKEEPER_EVERY == 0 {
            for step in bookkeeper.day(&player.world, &player.log, crm.today()) {
                player.play_and_tell(&mut crm, &step);
            }
        }
    }
    player
}

/// Writes the journal and the trial balance that is summed from it here; the number of lines.
fn journal(folder: &Path, firm: &Firm, player: &Player) -> u64 {
    let chart = Chart::of(firm);
    let mut file = begin(folder, &GL_DETAIL);
    let mut sums: BTreeMap<BookAccount, (i64, i64)> = BTreeMap::new();
    let (mut count, mut last) = (0, NaiveDate::MIN);
    for entry in
        Poster::new(firm).entries(|_| None, &player.log).expect("what was decided can be posted")
    {
        last = last.max(entry.posted_on);
        for (line, of) in (1..).zip(entry.lines()) {
            let (debits, credits) = sums.entry(of.account).or_default();
            if of.amount_minor < 0 {
                *credits -= of.amount_minor;
            } else {
                *debits += of.amount_minor;
            }
            let happened_on = Some(entry.occurred_on).filter(|day| *day != entry.posted_on);
            let row = JournalRow {
                number: i64::try_from(entry.position).unwrap(),
                line,
                kind: entry.kind.to_owned(),
                meaning: of.account.code().to_owned(),
                posted_on: entry.posted_on,
                happened_on,
                recorded_at: DateTime::from_timestamp_micros(entry.recorded_at.0),
                account: chart.account(of.account).number.to_string(),
                amount: usd(of.amount_minor),
                reverses: entry.reverses.map(|id| id.to_string()).unwrap_or_default(),
                client: entry.account.map(|id| id.to_string()).unwrap_or_default(),
                invoice: of.invoice.map(|number| number.to_string()).unwrap_or_default(),
                plan: of.plan.map(|plan| plan.to_string()).unwrap_or_default(),
                about: entry.reference.clone().unwrap_or_default(),
            };
            file.row(&row.cells()).unwrap();
            count += 1;
        }
    }
    file.finish().unwrap();
    let rows = sums.into_iter().map(|(account, (debit_minor, credit_minor))| TrialRow {
        account,
        opening_minor: 0,
        debit_minor,
        credit_minor,
    });
    let trial = TrialBalance::of(rows);
    let mut file = begin(folder, &TRIAL_BALANCE);
    for named in chart.accounts() {
        let row = trial.rows().iter().find(|row| row.account == named.account).unwrap();
        let amounts =
            [row.opening_minor, row.debit_minor, row.credit_minor, row.closing_minor()].map(usd);
        file.row(&trial_cells((named.number.as_str(), last), amounts)).unwrap();
    }
    file.finish().unwrap();
    count
}

/// Writes what is open on each invoice, as the folded accounts say, and how old it is.
fn receivable(folder: &Path, player: &Player, as_of: NaiveDate) {
    let mut streams: Vec<StreamId> = player.log.iter().map(|recorded| recorded.stream).collect();
    streams.sort_unstable();
    streams.dedup();
    // What nothing allowed of a fee is not receivable.
    let mut exposed: HashMap<(AccountId, u64), i64> = HashMap::new();
    for stream in &streams {
        let Some(State::Case(case)) = player.world.state(*stream) else { continue };
        for said in case.marks.values().map(|marked| &marked.said) {
            if let Some(invoice) = said.invoice {
                *exposed.entry((said.account, invoice)).or_default() += said.open.minor();
            }
        }
    }
    let mut items = Vec::new();
    for stream in streams {
        let (StreamId::Account(account), Some(State::Account(state))) =
            (stream, player.world.state(stream))
        else {
            continue;
        };
        items.extend(state.invoices.iter().map(|(invoice, of)| OpenItem {
            account,
            invoice: *invoice,
            due_on: of.due_on,
            open_minor: of.open().minor()
                - exposed.get(&(account, *invoice)).copied().unwrap_or_default(),
        }));
    }
    let mut file = begin(folder, &OPEN_RECEIVABLE);
    for item in items.iter().filter(|item| item.open_minor != 0) {
        let (client, invoice) = (item.account.to_string(), item.invoice.to_string());
        let cells = open_cells((&client, &invoice), (item.due_on, as_of), usd(item.open_minor));
        file.row(&cells).unwrap();
    }
    file.finish().unwrap();
    let mut file = begin(folder, &AGING);
    for (account, buckets) in Aging::of(as_of, items).accounts {
        let mut cells = vec![Cell::text(account.to_string())];
        assert_eq!(buckets.len(), Bucket::ALL.len());
        cells.extend(buckets.map(|minor| Cell::Amount(usd(minor))));
        cells.push(Cell::Amount(usd(buckets.iter().sum())));
        cells.push(Cell::text("USD"));
        file.row(&cells).unwrap();
    }
    file.finish().unwrap();
}
