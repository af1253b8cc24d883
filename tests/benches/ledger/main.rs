//! What the service costs against what this machine can do, in one run.
//!
//! `./ops/bench` runs it. Every figure stands beside its ceiling or peer measured in the same run,
//! interleaved, and is the median of the rounds. Servers are processes of their own: this program
//! starts itself again under another name.

#![allow(
    clippy::unwrap_used,
    clippy::float_arithmetic,
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "a bench that cannot go on stops, and prints ratios"
)]

mod bare;
mod growth;
mod load;
mod ours;
mod postgres;
mod reads;
mod report;
mod sqlite;

use std::time::Duration;

/// Rounds of every measurement; the median is printed.
const ROUNDS: usize = 5;
/// How long one measurement lasts.
const SPAN: Duration = Duration::from_secs(2);
/// Time before a measurement that is not counted.
const WARM_UP: Duration = Duration::from_millis(300);
/// Requests in flight of the unary measurements.
const IN_FLIGHT: [usize; 3] = [1, 32, 128];
/// Requests in flight of the stream measurement.
const WINDOW: usize = 1_000;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        match arguments[..] {
            ["serve-ours", database] => ours::serve_fresh(database, 1).await,
            ["serve-ours", database, firms] => {
                ours::serve_fresh(database, firms.parse().unwrap()).await;
            }
            ["serve-again", database] => ours::serve_again(database).await,
            ["serve-bare", database] => bare::serve(database).await,
            ["serve-echo"] => bare::serve_echo().await,
            ["sqlite", ref parts @ ..] => sqlite::measure(parts).await,
            ["postgres", ref parts @ ..] => postgres::measure(parts).await,
            ["growth", ref sizes @ ..] => growth::measure(sizes).await,
            _ => panic!("usage: sqlite [recording|replay|revision|closing|reads], postgres [recording|replay|reads], or growth [EVENTS...]"),
        }
    });
}

/// Whether a part of the bench is asked for: all of them are, unless some are named.
fn wants(parts: &[&str], part: &str) -> bool {
    parts.is_empty() || parts.contains(&part)
}
