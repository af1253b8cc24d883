//! The driver that every peer is put through: durable commands of so many callers in this process,
//! one event each on a new aggregate.
//!
//! A peer is started as `PEER DATABASE CALLERS SECONDS TEXT` and prints one line: commands a second,
//! median latency and p99 in microseconds, and failures by concurrency that were tried again.

use std::str::FromStr as _;
use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::{Deserialize, Serialize};
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{ConnectOptions as _, PgPool};

/// Time before the measurement that is not counted.
const WARM_UP: Duration = Duration::from_millis(300);

/// What every command records: what a message of ours says beside its envelope.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Message {
    pub actor: String,
    pub complaint: bool,
    pub direction: String,
    pub occurred_on: String,
    pub text: String,
}

/// What the caller asked to be measured.
pub struct Asked {
    database: String,
    callers: usize,
    span: Duration,
    text: String,
}

impl Asked {
    /// Reads the command line.
    pub fn from_arguments() -> Self {
        let mut arguments = std::env::args().skip(1);
        let mut next = |what| arguments.next().unwrap_or_else(|| panic!("{what} is missing"));
        Self {
            database: next("DATABASE"),
            callers: next("CALLERS").parse().expect("CALLERS is a number"),
            span: Duration::from_secs_f64(next("SECONDS").parse().expect("SECONDS is a number")),
            text: next("TEXT"),
        }
    }

    /// Connections to the database, one for each caller. `option` is set on each of them.
    pub async fn pool(&self, option: Option<(&str, &str)>) -> PgPool {
        let options = PgConnectOptions::from_str(&self.database).expect("the URL of a database");
        let options = options.options(option).disable_statement_logging();
        let callers = u32::try_from(self.callers).expect("a small number of callers");
        let pool = PgPoolOptions::new().max_connections(callers).min_connections(callers);
        pool.connect_with(options).await.expect("a PostgreSQL server")
    }

    /// The next message.
    pub fn message(&self) -> Message {
        Message {
            actor: "bench".into(),
            complaint: false,
            direction: "incoming".into(),
            occurred_on: "2025-04-07".into(),
            text: self.text.clone(),
        }
    }

    /// Measures a command, which says whether it was carried out: `false` is a failure by concurrency,
    /// and the caller tries again.
    pub async fn measure<F>(self, command: impl Fn(Message) -> F + Send + Sync + 'static)
    where
        F: Future<Output = bool> + Send,
    {
        let (asked, command) = (Arc::new(self), Arc::new(command));
        let counted_from = Instant::now() + WARM_UP;
        let callers: Vec<_> = (0..asked.callers)
            .map(|_| {
                let (asked, command) = (Arc::clone(&asked), Arc::clone(&command));
                tokio::spawn(async move {
                    let (mut micros, mut retries) = (Vec::new(), 0_u64);
                    while counted_from.elapsed() < asked.span {
                        let started = Instant::now();
                        while !command(asked.message()).await {
                            retries += 1;
                        }
                        if started >= counted_from {
                            micros.push(started.elapsed().as_micros());
                        }
                    }
                    (micros, retries)
                })
            })
            .collect();
        let (mut micros, mut retries) = (Vec::new(), 0);
        for caller in callers {
            let (more, again) = caller.await.expect("a caller that ends");
            micros.extend(more);
            retries += again;
        }
        micros.sort_unstable();
        let at = |percent: usize| micros.get(micros.len() * percent / 100).copied().unwrap_or(0);
        let rate = micros.len() as f64 / asked.span.as_secs_f64();
        println!("{rate} {} {} {retries}", at(50), at(99));
    }
}
