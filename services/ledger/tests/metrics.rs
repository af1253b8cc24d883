//! The figures for Prometheus, scraped over their port and read by a parser that is not ours.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::collections::{BTreeSet, HashMap};
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use api::v1;
use api::v1::action::Action as A;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::{Service, action, date, enrol, first_month, new_case, record};
use counterfoil_ledger::{ConfigError, Limits, MetricsConfig, ServeError};
use log::Settings;
use prometheus_parse::{Scrape, Value};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::{Instant, sleep};
use tonic::Code;

const PHONE: &str = "+12015550123";
/// How long figures may take to become what they must be; they are looked up every few seconds.
const PATIENCE: Duration = Duration::from_mins(1);

const LOOPBACK: MetricsConfig = MetricsConfig {
    listen: SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 0),
    allow_plaintext_elsewhere: false,
};

/// What the port answers to a request line.
async fn ask(at: SocketAddr, line: &str) -> String {
    let mut stream = TcpStream::connect(at).await.unwrap();
    let request = format!("{line} HTTP/1.1\r\nhost: {at}\r\nconnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    answer
}

async fn text(at: SocketAddr) -> String {
    let answer = ask(at, "GET /metrics").await;
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.starts_with("HTTP/1.1 200 "), "{head}");
    assert!(head.contains("application/openmetrics-text; version=1.0.0"), "{head}");
    assert!(body.ends_with("# EOF\n"));
    body.to_owned()
}

/// One scrape.
struct Figures(Vec<prometheus_parse::Sample>);

impl Figures {
    async fn of(at: SocketAddr) -> Self {
        let text = text(at).await;
        let scrape = Scrape::parse(text.lines().map(|line| Ok(line.to_owned()))).unwrap();
        assert!(scrape.samples.len() > 30, "{text}");
        Self(scrape.samples)
    }

    /// A number by its name and labels; nothing if it is not there.
    fn get(&self, name: &str, labels: &[(&str, &str)]) -> Option<f64> {
        let name = format!("counterfoil_{name}");
        let mut found = self.0.iter().filter(|sample| {
            sample.metric == name
                && labels.iter().all(|(label, value)| sample.labels.get(label) == Some(value))
        });
        let sample = found.next()?;
        assert!(found.next().is_none(), "{name} {labels:?} is one number");
        match &sample.value {
            Value::Counter(value) | Value::Gauge(value) | Value::Untyped(value) => Some(*value),
            Value::Histogram(_) | Value::Summary(_) => panic!("{name} is no number"),
        }
    }

    /// What a counter is; one that nothing has counted yet may be missing.
    fn count(&self, name: &str, labels: &[(&str, &str)]) -> f64 {
        self.get(name, labels).unwrap_or(0.0)
    }

    /// The buckets of a histogram, which rise to the count.
    fn buckets(&self, name: &str) -> Vec<f64> {
        let full = format!("counterfoil_{name}");
        let sample = self.0.iter().find(|sample| sample.metric == full).unwrap();
        let Value::Histogram(buckets) = &sample.value else { panic!("{name} is no histogram") };
        let counts: Vec<f64> = buckets.iter().map(|bucket| bucket.count).collect();
        assert!(counts.is_sorted(), "{name}: {counts:?}");
        assert_eq!(counts.last().copied(), self.get(&format!("{name}_count"), &[]), "{name}");
        counts
    }
}

/// Scrapes until the figures are as they must be.
async fn until(at: SocketAddr, what: &str, holds: impl Fn(&Figures) -> bool) -> Figures {
    let begun = Instant::now();
    loop {
        let figures = Figures::of(at).await;
        if holds(&figures) {
            return figures;
        }
        assert!(begun.elapsed() < PATIENCE, "{what}: {:#?}", figures.0);
        sleep(Duration::from_millis(200)).await;
    }
}

fn id_of(firm: &str) -> &str {
    firm.strip_prefix("firms/").unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_happens_moves_the_figure_that_tells_of_it_and_no_other() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Record, v1::Scope::Read]).await;
    let mut client = CaseLedgerClient::new(service.wire(Some(&token)).await);
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    let labels = [("firm", id_of(&firm))];
    let engine = service.store.kind().code();

    let before = until(at, "the firm is projected here", |figures| {
        figures.get("projection_leader", &labels) == Some(1.0)
            && figures.get("clocks_overdue", &labels) == Some(0.0)
    })
    .await;
    assert_eq!(before.get("database_reachable", &[]), Some(1.0));
    assert_eq!(before.get("build_info", &[("engine", engine)]), Some(1.0));
    assert_eq!(before.get("firms", &[]), Some(1.0));
    assert!(before.get("uptime_seconds", &[]).unwrap() > 0.0);
    assert!(before.get("pool_connections_limit", &[("pool", "readers")]).unwrap() >= 2.0);
    assert!(before.get("pool_connections", &[("pool", "readers")]).is_some());
    assert_eq!(before.get("writer_queue", &labels), Some(0.0));
    assert!(before.get("writer_queue_limit", &[]).unwrap() > 0.0);
    assert_eq!(before.get("projection_stopped", &labels), Some(0.0));

    // A client whose bureau has been silent for longer than it may.
    let case = new_case(&firm);
    let month = first_month(v1::Seat::Individual, PHONE, "tok_1");
    let request = record(&case, month);
    let recorded = client.record(request.clone()).await.unwrap().into_inner();
    // The same again, and what a rule refuses.
    assert!(client.record(request).await.unwrap().into_inner().replayed);
    let early =
        record(&new_case(&firm), vec![action(date(2026, 1, 13), A::OpenWork(v1::OpenWork {}))]);
    assert_eq!(client.record(early).await.unwrap_err().code(), Code::NotFound);
    // What is no request at all, by an RPC and by a path somebody made up.
    let invalid = record("firms/none", Vec::new());
    assert_eq!(client.record(invalid).await.unwrap_err().code(), Code::InvalidArgument);
    // Of events in which there is nothing to open.
    let types = vec!["firm_registered".to_owned()];
    let follow = v1::FollowRequest { parent: firm.clone(), types, ..v1::FollowRequest::default() };
    let followed = client.follow(follow).await.unwrap().into_inner();

    let events = f64::from(recorded.event_count);
    let after = until(at, "the read models catch up", |figures| {
        figures.get("projection_lag_events", &labels) == Some(0.0)
            && figures.get("head_position", &labels).unwrap_or(0.0)
                >= before.get("head_position", &labels).unwrap() + events
            && figures.get("clocks_overdue", &labels).is_some_and(|overdue| overdue > 0.0)
    })
    .await;
    let moved = |name: &str, labels: &[(&str, &str)]| {
        after.count(name, labels) - before.count(name, labels)
    };
    let head = moved("head_position", &labels);
    assert!((head - events).abs() < 0.5, "{head} events, not {events}");
    assert_eq!(after.get("projection_lag_seconds", &labels), Some(0.0));
    assert_eq!(after.get("projection_position", &labels), after.get("head_position", &labels));
    let rpc = |code: &'static str| [("rpc", "CaseLedger.Record"), ("code", code)];
    for (name, labels, by) in [
        ("events_total", [].as_slice(), events),
        ("commands_total", &[], 3.0),
        ("append_seconds_count", &[], 3.0),
        ("replays_total", &[], 1.0),
        ("refusals_total", &[("reason", "CASE_UNKNOWN")], 1.0),
        ("refusals_total", &[("reason", "NOT_ALLOWED_YET")], 0.0),
        ("request_ids_reused_total", &[], 0.0),
        ("requests_total", &rpc("OK"), 2.0),
        ("requests_total", &rpc("NOT_FOUND"), 1.0),
        ("requests_total", &rpc("INVALID_ARGUMENT"), 1.0),
        ("request_seconds_count", &[("rpc", "CaseLedger.Record")], 4.0),
        ("requests_shed_total", &[("limit", "requests")], 0.0),
        ("outcomes_unknown_total", &[], 0.0),
        ("follow_streams", &[], 1.0),
        ("projection_failures_total", &[], 0.0),
        ("verification_findings_total", &[], 0.0),
    ] {
        let by_now = moved(name, labels);
        assert!((by_now - by).abs() < 0.5, "{name} {labels:?} moved by {by_now}, not {by}");
    }
    assert!(moved("projected_events_total", &[]) >= events);
    assert!(moved("rows_read_total", &[]) > 0.0);
    for histogram in ["append_seconds", "commit_seconds", "batch_commands", "batch_events"] {
        assert!(after.buckets(histogram).len() > 10);
        assert!(moved(&format!("{histogram}_count"), &[]) >= 1.0, "{histogram}");
    }
    assert!(moved("append_seconds_sum", &[]) > 0.0);
    assert!((moved("batch_commands_sum", &[]) - 3.0).abs() < 0.5);

    // A stream is counted when it ends.
    drop(followed);
    let follow = [("rpc", "CaseLedger.Follow"), ("code", "CANCELLED")];
    until(at, "the follower is gone", |figures| {
        figures.count("requests_total", &follow) > 0.0
            && figures.get("follow_streams", &[]) == Some(0.0)
    })
    .await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_caller_can_put_a_name_into_the_figures_or_make_them_grow() {
    let service = Service::start().await;
    let firm = service.firm().await;
    service.record(&new_case(&firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    let lines = text(at).await.lines().count();
    let mut grpc = tonic::client::Grpc::new(service.channel().await);
    for number in 0..20 {
        let path = format!("/counterfoil.v1.CaseLedger/AdaLark{number}").parse().unwrap();
        grpc.ready().await.unwrap();
        let codec = tonic_prost::ProstCodec::<v1::GetHeadRequest, v1::GetHeadResponse>::default();
        let request = tonic::Request::new(v1::GetHeadRequest::default());
        grpc.unary(request, path, codec).await.unwrap_err();
    }
    let figures = Figures::of(at).await;
    assert!(figures.count("requests_total", &[("rpc", "unknown")]) > 19.0);
    let text = text(at).await;
    assert!(text.lines().count() < lines + 40, "one more RPC and its histogram");
    for personal in ["Ada", "Lark", PHONE, "Alder", "tok_1", "example.com"] {
        assert!(!text.contains(personal), "{personal} in {text}");
    }
    let mut labels: HashMap<&str, usize> = HashMap::new();
    for sample in &figures.0 {
        for label in sample.labels.keys() {
            *labels.entry(label).or_default() += 1;
        }
    }
    let mut names: Vec<_> = labels.into_keys().collect();
    names.sort_unstable();
    assert_eq!(names, ["code", "engine", "firm", "limit", "pool", "reason", "rpc", "version"]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_port_tells_nothing_else_and_closes_with_the_service() {
    let service = Service::start().await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    assert!(ask(at, "GET /").await.starts_with("HTTP/1.1 404 "));
    assert!(ask(at, "POST /metrics").await.starts_with("HTTP/1.1 405 "));
    // A caller who says nothing keeps nobody else away.
    let silent = TcpStream::connect(at).await.unwrap();
    text(at).await;
    assert!(service.ledger.shutdown().await, "the silent one does not hold the end up");
    drop(silent);
    assert!(TcpStream::connect(at).await.is_err());
}

#[tokio::test]
async fn strangers_may_read_only_if_that_is_said() {
    let elsewhere = MetricsConfig { listen: "0.0.0.0:0".parse().unwrap(), ..LOOPBACK };
    let service = Service::start().await;
    let refused = service.ledger.serve_metrics(&elsewhere).await.unwrap_err();
    assert!(matches!(refused, ServeError::Config(ConfigError::Metrics { .. })), "{refused}");
    let allowed = MetricsConfig { allow_plaintext_elsewhere: true, ..elsewhere };
    service.ledger.serve_metrics(&allowed).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn read_models_that_wait_are_told_behind_by_events_and_time() {
    let project_pause = Duration::from_hours(1);
    let settings = Settings { project_pause, ..Settings::default() };
    let service = Service::over(Limits::default(), settings).await;
    let firm = service.firm().await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    let labels = [("firm", id_of(&firm))];
    // One step may be taken at once; what is recorded after it waits.
    for _ in 0..3 {
        service.record(&new_case(&firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    }
    service.clock.advance(90_000_000);
    let behind = until(at, "the read models wait", |figures| {
        figures.get("projection_lag_events", &labels).is_some_and(|lag| lag > 0.0)
            && figures.get("projection_lag_seconds", &labels) == Some(90.0)
    })
    .await;
    let lag = behind.get("head_position", &labels).unwrap()
        - behind.get("projection_position", &labels).unwrap();
    assert_eq!(behind.get("projection_lag_events", &labels), Some(lag));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_turned_away_is_counted_where_room_was_missing() {
    let service = Service::with(Limits { requests_max: 0, ..Limits::default() }).await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    let mut client = service.cases();
    for _ in 0..3 {
        let list = v1::ListCasesRequest::default();
        assert_eq!(client.list_cases(list).await.unwrap_err().code(), Code::Unavailable);
    }
    let figures = Figures::of(at).await;
    assert_eq!(figures.get("requests_shed_total", &[("limit", "requests")]), Some(3.0));
    assert_eq!(figures.get("requests_shed_total", &[("limit", "queue")]), Some(0.0));
    let unavailable = [("rpc", "CaseLedger.ListCases"), ("code", "UNAVAILABLE")];
    assert_eq!(figures.get("requests_total", &unavailable), Some(3.0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_figures_are_shown_though_the_database_is_away() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    let before = Figures::of(at).await;
    assert_eq!(before.get("database_reachable", &[]), Some(1.0));
    service.store.close().await;
    let after = until(at, "the database is missed", |figures| {
        figures.get("database_reachable", &[]) == Some(0.0)
    })
    .await;
    let labels = [("firm", id_of(&firm))];
    assert_eq!(after.get("head_position", &labels), None, "what is not known is not said");
    assert_eq!(after.get("firms", &[]), None);
    assert!(after.count("events_total", &[]) > 0.0, "what was counted is");
}

/// The names of metrics in a text: in a query, or of a line of figures.
fn names(text: &str) -> BTreeSet<String> {
    let is_name = |c: char| c.is_ascii_lowercase() || c == '_';
    let words = text.split(|c: char| !is_name(c)).filter(|word| word.starts_with("counterfoil_"));
    words.map(str::to_owned).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_alert_and_every_panel_asks_for_figures_that_there_are() {
    let service = Service::start().await;
    let firm = service.firm().await;
    service.record(&new_case(&firm), vec![enrol(v1::Seat::Individual, PHONE, "tok_1")]).await;
    let at = service.ledger.serve_metrics(&LOOPBACK).await.unwrap();
    until(at, "the firm is projected here", |figures| {
        figures.get("clocks_overdue", &[("firm", id_of(&firm))]).is_some()
    })
    .await;
    let lines = text(at).await;
    let there =
        names(&lines.lines().filter(|line| !line.starts_with('#')).collect::<Vec<_>>().join("\n"));
    let ops = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../ops");
    let read = |file: &str| std::fs::read_to_string(ops.join(file)).unwrap();
    let dashboard: serde_json::Value =
        serde_json::from_str(&read("grafana/counterfoil.json")).unwrap();
    let mut asked = BTreeSet::new();
    for panel in dashboard["panels"].as_array().unwrap() {
        for target in panel["targets"].as_array().into_iter().flatten() {
            let used = names(target["expr"].as_str().unwrap());
            assert!(!used.is_empty(), "{panel}");
            asked.extend(used);
        }
    }
    for variable in dashboard["templating"]["list"].as_array().unwrap() {
        asked.extend(names(&variable["query"].to_string()));
    }
    let panels = asked.len();
    // What tells of callers who mean ill is seen without asking for it.
    for figure in ["logins_refused", "connections_turned_away", "accept_failures"] {
        assert!(asked.contains(&format!("counterfoil_{figure}_total")), "no panel of {figure}");
    }
    // Descriptions speak of figures as well, and must not speak of others than there are.
    for rules in ["prometheus/alerts.yaml", "prometheus/alerts_test.yaml"] {
        asked.extend(names(&read(rules)));
    }
    let missing: Vec<_> = asked.difference(&there).collect();
    assert!(missing.is_empty(), "{missing:?} of {there:?}");
    assert!(panels > 25, "{panels} figures on the dashboard");
}
