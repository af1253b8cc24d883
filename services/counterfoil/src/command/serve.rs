//! `serve`.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use chrono::{NaiveTime, Timelike};
use clap::{Args, ValueEnum};
use ledger::{
    CONNECTIONS_MAX, CONNECTIONS_PER_ADDRESS_MAX, DRAIN_DEADLINE, DoorLimits, Limits,
    MetricsConfig, ServeError, ServerConfig, TlsFiles,
};
use store::Replica;
use tokio::time::timeout;

use crate::cli::Global;
use crate::embedded::{self, Database};
use crate::evidence;
use crate::exit::{Exit, Stop};
use crate::keys;
use crate::traces::Traces;

/// Files that the process needs beside its connections: the database's, evidence, and its log.
const FILES_RESERVED: usize = 96;
/// How long replica and store may take to be closed.
const CLOSING_MAX: Duration = Duration::from_millis(500);
/// How long the process may take to end beyond the drain, whatever is open.
const ENDING_MAX: Duration = Duration::from_millis(4_700);

/// How to listen.
#[derive(Args)]
pub(crate) struct ServeArgs {
    /// The address to listen on; any but a loopback address needs TLS
    #[arg(long, default_value = "127.0.0.1:7411", value_name = "ADDRESS:PORT")]
    listen: SocketAddr,
    /// The certificate chain, as a PEM file
    #[arg(long, requires = "tls_key", value_name = "FILE")]
    tls_cert: Option<PathBuf>,
    /// Its private key, as a PEM file
    #[arg(long, requires = "tls_cert", value_name = "FILE")]
    tls_key: Option<PathBuf>,
    /// Serve without TLS on an address that is not loopback: only behind something that adds it
    #[arg(long)]
    allow_plaintext: bool,
    /// Serve a PostgreSQL database with a login that could change what is recorded: only for trying out.
    /// A login of its own is made fit by counterfoil migrate --serving LOGIN
    #[arg(long, env = "COUNTERFOIL_ALLOW_OWNER_LOGIN")]
    allow_owner_login: bool,
    /// The folder that charges are put in for the processor; `outbox` beside the database's file if
    /// not given, or in the working folder
    #[arg(long, value_name = "DIR")]
    outbox: Option<PathBuf>,
    /// A streaming standby of the database, which reads go to as far as it can answer them:
    /// postgres://USER@HOST/DATABASE. While it is away or behind, the database itself is read
    #[arg(
        long,
        env = "COUNTERFOIL_READ_DATABASE",
        hide_env_values = true,
        value_name = "DATABASE"
    )]
    read_database: Option<String>,
    /// Run every firm's billing once a day at this time of day where the firm is; never by itself
    /// if not given
    #[arg(long, value_name = "HH:MM", value_parser = time_of_day)]
    bill_daily_at: Option<Duration>,
    /// Sign a checkpoint of every firm's log now and so often from now on, such as 15m or 1h; needs the
    /// firm's signing key (counterfoil keys new)
    #[arg(long, value_name = "DURATION", value_parser = span)]
    checkpoint_every: Option<Duration>,
    /// Show figures for Prometheus at this address, under /metrics; any but a loopback address needs
    /// --allow-plaintext
    #[arg(long, value_name = "ADDRESS:PORT")]
    metrics: Option<SocketAddr>,
    /// Send traces to the OTLP collector at this URL, such as http://127.0.0.1:4317; one on another
    /// machine needs --allow-plaintext
    #[arg(long, value_name = "URL")]
    traces: Option<String>,
    /// Most connections at once. Of those on which no token was accepted yet, at most half of them, one is
    /// closed for a new one. Lower where the system allows fewer open files
    #[arg(long, default_value_t = CONNECTIONS_MAX, value_name = "NUMBER", value_parser = at_least_one)]
    connections_max: usize,
    /// Most connections of one address, or of one IPv6 network of 64 bits. Behind something that all
    /// callers come through, as many as there may be in all
    #[arg(
        long,
        default_value_t = CONNECTIONS_PER_ADDRESS_MAX,
        value_name = "NUMBER",
        value_parser = at_least_one
    )]
    connections_per_address: usize,
    /// How the service tells what it does, on standard error
    #[arg(long, value_enum, default_value_t = LogFormat::Text)]
    pub(crate) log_format: LogFormat,
}

/// How lines of the service's log look.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

impl ServeArgs {
    /// Starts sending traces, if that is asked.
    pub(crate) fn traces(&self) -> anyhow::Result<Option<Traces>> {
        let start = |url: &String| Traces::start(url, self.allow_plaintext);
        self.traces.as_ref().map(start).transpose()
    }

    fn metrics(&self) -> Option<MetricsConfig> {
        let allow_plaintext_elsewhere = self.allow_plaintext;
        self.metrics.map(|listen| MetricsConfig { listen, allow_plaintext_elsewhere })
    }

    fn config(&self) -> ServerConfig {
        let tls = match (&self.tls_cert, &self.tls_key) {
            (Some(certificate), Some(key)) => {
                Some(TlsFiles { certificate: certificate.clone(), key: key.clone() })
            }
            (_, _) => None,
        };
        ServerConfig { listen: self.listen, tls, allow_plaintext_elsewhere: self.allow_plaintext }
    }

    /// Connections as many as are asked for, and as the system has files for.
    fn limits(&self) -> Limits {
        let files = files_max().map_or(usize::MAX, |files| files.saturating_sub(FILES_RESERVED));
        let connections_max = self.connections_max.min(files.max(1));
        if connections_max < self.connections_max {
            tracing::warn!(connections_max, "the limit of open files allows fewer connections");
        }
        let door = DoorLimits {
            connections_max,
            connections_per_address_max: self.connections_per_address,
            connections_unknown_max: connections_max.div_ceil(2),
            ..DoorLimits::default()
        };
        Limits { door, ..Limits::default() }
    }

    /// The standby to read from. Nobody connects to it yet.
    fn replica(&self, database: &Database) -> anyhow::Result<Option<Replica>> {
        let Some(url) = &self.read_database else { return Ok(None) };
        match (database, Database::named("--read-database", url)?) {
            (Database::Sqlite(_), _) => Err(Stop::usage(
                "--read-database needs a --database on a server: a file has no replica",
            )),
            (Database::Postgres(_), Database::Sqlite(_)) => Err(Stop::usage(
                "--read-database must be a standby of the server: postgres://USER@HOST/DATABASE",
            )),
            (Database::Postgres(own), Database::Postgres(replica)) if *own == replica => {
                Err(Stop::usage("--read-database and --database name the same"))
            }
            (Database::Postgres(_), Database::Postgres(replica)) => {
                Ok(Some(Replica::at(&replica).context("--read-database cannot be used")?))
            }
        }
    }
}

/// Serves until a signal comes, then drains.
pub(crate) async fn run(global: &Global, args: &ServeArgs) -> anyhow::Result<Exit> {
    let config = args.config();
    config.check().map_err(|error| Stop::usage(error.to_string()))?;
    let metrics = args.metrics();
    if let Some(metrics) = &metrics {
        metrics.check().map_err(|error| Stop::usage(error.to_string()))?;
    }
    let database = Database::parse(&global.database)?;
    let replica = args.replica(&database)?;
    let firm_keys = keys::firm_keys(global, &database)?;
    let evidence = evidence::store_of(global, &database)?;
    let (ledger, store) =
        embedded::open(&database, firm_keys, args.outbox.as_deref(), args.limits()).await?;
    if let Some(beyond) = store.beyond_serving().await.context("cannot read the database")? {
        if !args.allow_owner_login {
            return Err(Stop::usage(format!(
                "--database: {beyond}, so the log would be safe from nobody who gets hold of this \
                 process; serve with a login of its own (counterfoil migrate --serving LOGIN, as the \
                 owner), or say --allow-owner-login"
            )));
        }
        tracing::warn!(%beyond, "the database is served by a login that could change what is recorded");
    }
    if let Some(evidence) = evidence {
        ledger.keep_evidence_in(evidence);
    }
    if let Some(replica) = replica {
        ledger.read_from(Arc::new(replica)).await;
    }
    if store.firms().await.context("cannot read the database")?.is_empty() {
        tracing::warn!("no firm is registered here yet: counterfoil firm register FILE.json");
    }
    if let Some(metrics) = &metrics {
        let at = ledger.serve_metrics(metrics).await.map_err(not_listening)?;
        println!("metrics at http://{at}/metrics");
    }
    // Whoever is told that it listens may ask it to end.
    let mut asked = Asked::watch()?;
    let listening = ledger.serve(&config).await.map_err(not_listening)?;
    if let Some(after_midnight) = args.bill_daily_at {
        ledger.bill_daily(after_midnight);
    }
    if let Some(interval) = args.checkpoint_every {
        ledger.checkpoint_every(interval);
    }
    let scheme = if config.tls.is_some() { "https" } else { "http" };
    // Scripts wait for this line, the last one, also when the port was left to the system.
    println!("listening on {scheme}://{}", listening.local_addr);
    let mut ended = tokio::spawn(listening.ended());
    tokio::select! {
        signal = asked.next() => signal?,
        ended = &mut ended => {
            ended.context("the service stopped")?;
            return Err(anyhow::anyhow!("the service ended by itself"));
        }
    }
    tracing::info!("draining");
    end_in_any_case();
    let mut draining = pin!(ledger.shutdown());
    let drained = tokio::select! {
        drained = &mut draining => drained,
        again = asked.next() => {
            again?;
            tracing::warn!("asked to end once more: what is open is ended now");
            ledger.end_now();
            draining.await
        }
    };
    if !drained {
        tracing::warn!("the drain was over before everything had been answered");
    }
    let closing = async {
        ended.await.context("the service stopped")?;
        ledger.close_replica().await;
        store.close().await;
        anyhow::Ok(())
    };
    if let Ok(closed) = timeout(CLOSING_MAX, closing).await {
        closed?;
    }
    Ok(Exit::Done)
}

/// Ends the process a while after the drain, whatever keeps it from ending: work that rests nowhere, or
/// a system call that does not come back. What was acknowledged is committed.
fn end_in_any_case() {
    std::thread::spawn(|| {
        std::thread::sleep(DRAIN_DEADLINE + ENDING_MAX);
        tracing::error!("something did not end: the process ends without it");
        std::process::exit(1);
    });
}

/// The most files that this process may have open, where the system tells.
fn files_max() -> Option<usize> {
    let limits = std::fs::read_to_string("/proc/self/limits").ok()?;
    let files = limits.lines().find_map(|line| line.strip_prefix("Max open files"))?;
    // The soft limit comes first; `unlimited` is none.
    files.split_whitespace().next()?.parse().ok()
}

fn at_least_one(text: &str) -> Result<usize, String> {
    text.parse().ok().filter(|&number| number > 0).ok_or_else(|| "a number from 1 on".to_owned())
}

/// So long after midnight.
fn time_of_day(text: &str) -> Result<Duration, String> {
    let time = NaiveTime::parse_from_str(text, "%H:%M");
    let time = time.map_err(|_| "a time of day is 00:00 to 23:59".to_owned())?;
    Ok(Duration::from_secs(u64::from(time.num_seconds_from_midnight())))
}

/// A number and its unit.
fn span(text: &str) -> Result<Duration, String> {
    let form = "a duration is a number and s, m, h or d: 30s, 15m, 1h, 1d";
    let (number, unit) = text.split_at_checked(text.len().saturating_sub(1)).ok_or(form)?;
    let seconds: u64 = match unit {
        "s" => 1,
        "m" => 60,
        "h" => 3_600,
        "d" => 86_400,
        _ => return Err(form.into()),
    };
    let number: u32 = number.parse().map_err(|_| form)?;
    if number == 0 {
        return Err(form.into());
    }
    Ok(Duration::from_secs(seconds.saturating_mul(number.into())))
}

fn not_listening(error: ServeError) -> anyhow::Error {
    match error {
        ServeError::Listen { listen, source } => {
            Stop::unavailable(format!("cannot listen on {listen}: {source}"))
        }
        error => error.into(),
    }
}

/// Ctrl-C, or what a process manager sends.
#[cfg(unix)]
struct Asked {
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
}

#[cfg(unix)]
impl Asked {
    /// Watches from now on: before, either signal ends the process at once.
    fn watch() -> anyhow::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        let interrupt = signal(SignalKind::interrupt()).context("cannot watch for Ctrl-C")?;
        let terminate = signal(SignalKind::terminate()).context("cannot watch for SIGTERM")?;
        Ok(Self { interrupt, terminate })
    }

    /// Waits for the next one.
    async fn next(&mut self) -> anyhow::Result<()> {
        tokio::select! {
            _ = self.interrupt.recv() => Ok(()),
            _ = self.terminate.recv() => Ok(()),
        }
    }
}

/// Ctrl-C.
#[cfg(not(unix))]
struct Asked;

#[cfg(not(unix))]
impl Asked {
    /// Watches as soon as somebody waits.
    fn watch() -> anyhow::Result<Self> {
        Ok(Self)
    }

    /// Waits for the next one.
    async fn next(&mut self) -> anyhow::Result<()> {
        tokio::signal::ctrl_c().await.context("cannot watch for Ctrl-C")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_duration_is_a_number_and_its_unit() {
        assert_eq!(span("90s"), Ok(Duration::from_secs(90)));
        assert_eq!(span("15m"), Ok(Duration::from_mins(15)));
        assert_eq!(span("2h"), Ok(Duration::from_hours(2)));
        assert_eq!(span("1d"), Ok(Duration::from_hours(24)));
        for wrong in ["", "s", "15", "0m", "-1m", "1w", "1.5h", "9999999999h", "1ü"] {
            assert!(span(wrong).is_err(), "{wrong}");
        }
    }
}
