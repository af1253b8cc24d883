//! What becomes of one firm's figures while its log grows: each should stay flat or grow with log n.

mod fill;
mod plot;
mod reads;

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Instant;

use counterfoil_tests::history::firm_id;

use crate::postgres::{self, plain::Plain};
use crate::report;
use fill::Growing;
pub(crate) use fill::numbers;

/// Sizes if none are named, in events.
const SIZES: [u64; 3] = [1_000_000, 3_000_000, 10_000_000];

/// Bytes of every table with its partitions: the rows and what is kept aside, and the indexes.
const TABLE_BYTES: &str = "SELECT p.relname::text, SUM(pg_table_size(c.oid))::bigint, \
    SUM(pg_indexes_size(c.oid))::bigint \
    FROM pg_class c LEFT JOIN pg_inherits i ON i.inhrelid = c.oid \
    JOIN pg_class p ON p.oid = COALESCE(i.inhparent, c.oid) \
    WHERE c.relnamespace = 'counterfoil'::regnamespace AND c.relkind IN ('r', 'p') \
    GROUP BY p.relname ORDER BY p.relname";
/// Tables that keep what was recorded; the others are read models.
const KEPT: [&str; 2] = ["event", "request"];

/// One figure at one size.
pub(crate) struct Point {
    events: u64,
    measure: String,
    unit: &'static str,
    value: f64,
}

/// Everything that was measured so far.
#[derive(Default)]
pub(crate) struct Figures {
    points: Vec<Point>,
}

impl Figures {
    fn add(&mut self, events: u64, measure: &str, unit: &'static str, value: f64) {
        println!("  {events:>10} events   {measure:<48} {value:>12.1} {unit}");
        self.note(events, measure, unit, value);
    }

    /// For the file alone.
    fn note(&mut self, events: u64, measure: &str, unit: &'static str, value: f64) {
        self.points.push(Point { events, measure: measure.to_owned(), unit, value });
    }

    /// Writes what there is, so that a run that is cut short leaves it behind.
    fn write(&self) {
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../target/growth");
        std::fs::create_dir_all(&folder).unwrap();
        let mut csv = "events,measure,unit,value\n".to_owned();
        for point in &self.points {
            let Point { events, measure, unit, value } = point;
            writeln!(csv, "{events},\"{measure}\",{unit},{value:.3}").unwrap();
        }
        std::fs::write(folder.join("growth.csv"), csv).unwrap();
        plot::draw(&self.points, &folder.join("growth.svg"));
    }
}

/// Lets one firm grow, and measures it at each size.
pub(crate) async fn measure(sizes: &[&str]) {
    let mut sizes: Vec<u64> = sizes.iter().map(|size| size.parse().unwrap()).collect();
    if sizes.is_empty() {
        sizes.extend(SIZES);
    }
    sizes.sort_unstable();
    report::machine(&postgres::describe().await);
    println!("one run, no rounds: a firm has each size once\n");
    let database = postgres::fresh("bench_growth").await;
    let mut growing = Growing::found(&database).await;
    let mut figures = Figures::default();
    for size in sizes {
        let started = Instant::now();
        growing.fill(size, &mut figures).await;
        let events = growing.events().await;
        sizes_of_tables(&database, events, &mut figures).await;
        growing.append(events, &mut figures).await;
        growing.read(events, &mut figures).await;
        verify(&growing, events, &mut figures).await;
        figures.write();
        println!("  {:.0} s for this size\n", started.elapsed().as_secs_f64());
    }
    println!("target/growth/growth.csv and growth.svg");
}

/// Verification of the whole log, and the root of what is there: the head's frontier, whatever the
/// size.
async fn verify(growing: &Growing, events: u64, figures: &mut Figures) {
    let started = Instant::now();
    let report = growing.engine.verify(firm_id(), |_, _| {}).await.unwrap();
    let rate = report.events as f64 / started.elapsed().as_secs_f64();
    figures.add(events, "verify, whole log", "events/s", rate);
    let root = async || {
        let head = growing.engine.head(firm_id()).await.unwrap();
        std::hint::black_box(head.root());
    };
    reads::latency(events, "root of the log", figures, root).await;
}

/// Bytes an event of every table.
async fn sizes_of_tables(database: &str, events: u64, figures: &mut Figures) {
    let mut plain = Plain::connect(database).await;
    let tables: Vec<(String, i64, i64)> =
        sqlx::query_as(TABLE_BYTES).fetch_all(&mut plain.connection).await.unwrap();
    let each = |bytes: i64| bytes as f64 / events as f64;
    let (mut kept, mut made) = (0, 0);
    for (table, rows, indexes) in &tables {
        if KEPT.contains(&table.as_str()) {
            kept += rows + indexes;
        } else {
            made += rows + indexes;
        }
        figures.note(events, &format!("{table}: rows"), "bytes/event", each(*rows));
        figures.note(events, &format!("{table}: indexes"), "bytes/event", each(*indexes));
    }
    figures.add(events, "log and answers, with indexes", "bytes/event", each(kept));
    figures.add(events, "read models and the rest, with indexes", "bytes/event", each(made));
}
