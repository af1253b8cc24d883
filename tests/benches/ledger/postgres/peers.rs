//! Event-sourcing libraries, each in a program of its own (`tests/benches/peers`).

use std::path::Path;

use counterfoil_tests::bulk;
use tokio::process::Command;

use crate::SPAN;
use crate::report::Table;

/// Names the folder that `ops/bench` has built them in.
const FOLDER: &str = "COUNTERFOIL_BENCH_PEERS";
/// The programs.
const PEERS: [&str; 2] = ["cqrs-es", "disintegrate"];

/// Programs that are there to be measured, by what their rows are called.
pub(crate) struct Peers {
    folder: Option<String>,
}

impl Peers {
    pub(crate) fn built() -> Self {
        let folder = std::env::var(FOLDER).ok();
        if folder.is_none() {
            println!("no peers: {FOLDER} does not say where they were built");
        }
        Self { folder }
    }

    /// The row of each peer.
    pub(crate) fn names(callers: usize) -> Vec<String> {
        PEERS.iter().map(|peer| name(peer, callers)).collect()
    }

    /// One round of each.
    pub(crate) async fn add_to(&self, table: &mut Table, databases: &[String], callers: usize) {
        let Some(folder) = &self.folder else { return };
        for (peer, database) in PEERS.iter().zip(databases) {
            let output = Command::new(Path::new(folder).join(peer))
                .args([database, &callers.to_string(), &SPAN.as_secs_f64().to_string()])
                .arg(bulk::MESSAGE)
                .output()
                .await
                .unwrap();
            let said = String::from_utf8_lossy(&output.stdout).into_owned();
            assert!(output.status.success(), "{peer}: {}", String::from_utf8_lossy(&output.stderr));
            let figures: Vec<f64> = said.split_whitespace().map(|f| f.parse().unwrap()).collect();
            let [rate, p50, p99, retries] = figures[..] else { panic!("{peer} said {said:?}") };
            let name = name(peer, callers);
            table.add_with_latency(&name, rate, (p50, p99));
            if retries > 0.0 {
                let again = retries / (rate * SPAN.as_secs_f64());
                table.add(&format!("{name}: failures tried again, per command"), again);
            }
        }
    }

    /// How many databases they want.
    pub(crate) const fn count() -> usize {
        PEERS.len()
    }
}

fn name(peer: &str, callers: usize) -> String {
    format!("{peer}, in process, {callers} callers, distinct streams")
}
