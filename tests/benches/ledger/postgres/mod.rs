//! The service on PostgreSQL.

pub(crate) mod ceiling;
mod peers;
pub(crate) mod plain;
mod recording;
mod replay;

use std::fmt::Write as _;

use plain::Plain;

use crate::{report, wants};

/// Names the cluster that `ops/with-postgres` started.
const CLUSTER: &str = "COUNTERFOIL_TEST_POSTGRES";

/// Settings of the server that explain the figures.
const SETTINGS: [&str; 6] = [
    "server_version",
    "fsync",
    "synchronous_commit",
    "shared_buffers",
    "max_wal_size",
    "checkpoint_timeout",
];

pub(crate) async fn measure(parts: &[&str]) {
    report::machine(&describe().await);
    if wants(parts, "recording") {
        recording::everything().await;
    }
    if wants(parts, "replay") {
        replay::everything().await;
    }
    if wants(parts, "reads") {
        crate::reads::everything(&fresh("reads").await).await;
    }
}

/// The server and how it is set up.
pub(crate) async fn describe() -> String {
    let mut plain = Plain::connect(&cluster()).await;
    let mut description = "PostgreSQL over a unix socket".to_owned();
    for setting in SETTINGS {
        let value = plain.text(&format!("SELECT current_setting('{setting}')")).await;
        write!(description, ", {setting} {value}").unwrap();
    }
    description
}

fn cluster() -> String {
    std::env::var(CLUSTER).expect("a cluster: run this through ./ops/bench")
}

/// The URL of a new, empty database of the cluster.
pub(crate) async fn fresh(name: &str) -> String {
    let cluster = cluster();
    let mut plain = Plain::connect(&cluster).await;
    plain.run(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
    plain.run(&format!("CREATE DATABASE {name} TEMPLATE template0")).await;
    let (place, options) = cluster.split_once('?').unwrap_or((&cluster, ""));
    let (server, _) = place.rsplit_once('/').unwrap();
    format!("{server}/{name}?{options}")
}

/// Bytes of a table with its partitions, indexes, and what is kept aside.
fn bytes_of(table: &str) -> String {
    format!(
        "SELECT SUM(pg_total_relation_size(c.oid))::bigint \
         FROM pg_class c LEFT JOIN pg_inherits i ON i.inhrelid = c.oid \
         WHERE COALESCE(i.inhparent, c.oid) = '{table}'::regclass AND c.relkind IN ('r', 'p')"
    )
}
