//! The callers: servers in processes of their own, and requests in flight.

use std::ops::Range;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Instant;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::record_stream_response::Result as Answer;
use counterfoil_tests::bulk;
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::process::{Child, Command};
use tokio::sync::Semaphore;
use tonic::Request;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use crate::report::Measured;
use crate::{SPAN, WARM_UP, WINDOW};

/// Connections that unary callers are spread over, at each server.
const CONNECTIONS: usize = 4;

/// A firm that a server has, and how to write to it.
struct Firm {
    name: String,
    token: Option<MetadataValue<Ascii>>,
    cases: u32,
    next_case: AtomicU32,
}

/// A server under load.
pub(crate) struct Server {
    child: Child,
    address: String,
    firms: Vec<Firm>,
    /// Bytes of one recorded event.
    pub(crate) event_bytes: usize,
}

impl Server {
    /// Starts this program again in a serving role and waits until it listens.
    pub(crate) async fn start(role: &[&str]) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(role)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).await.unwrap();
        let words: Vec<&str> = line.split_whitespace().collect();
        let [address, bytes, ref firms @ ..] = words[..] else { panic!("{role:?} said {line:?}") };
        let firm = |firm: &[&str]| {
            let [name, cases, token] = firm else { panic!("{role:?} said {line:?}") };
            Firm {
                name: (*name).to_owned(),
                token: (*token != "none").then(|| format!("Bearer {token}").parse().unwrap()),
                cases: cases.parse().unwrap(),
                next_case: AtomicU32::new(0),
            }
        };
        Self {
            address: format!("http://{address}"),
            event_bytes: bytes.parse().unwrap(),
            firms: firms.chunks(3).map(firm).collect(),
            child,
        }
    }

    async fn connect(&self) -> CaseLedgerClient<Channel> {
        let endpoint = Channel::from_shared(self.address.clone()).unwrap().tcp_nodelay(true);
        let endpoint =
            endpoint.initial_stream_window_size(1 << 20).initial_connection_window_size(4 << 20);
        CaseLedgerClient::new(endpoint.connect().await.unwrap())
    }

    /// One message in every case of the first firm, so that the server has met them all.
    pub(crate) async fn touch_every_case(&self, cases: u32) {
        let firm = &self.firms[0];
        let record = |number| v1::RecordStreamRequest { record: Some(firm.record(number, 1)) };
        let requests: Vec<_> = (0..cases).map(record).collect();
        let requests = firm.authorize(tokio_stream::iter(requests));
        let mut answers = self.connect().await.record_stream(requests).await.unwrap().into_inner();
        let mut recorded = 0;
        while let Some(answer) = answers.message().await.unwrap() {
            assert!(matches!(answer.result, Some(Answer::Recorded(_))), "{answer:?}");
            recorded += 1;
        }
        assert_eq!(recorded, cases);
    }

    /// The name of the first firm.
    pub(crate) fn firm(&self) -> &str {
        &self.firms[0].name
    }

    /// Requests a second of these, all of which must be recorded, over one stream with [`WINDOW`] in flight.
    pub(crate) async fn stream_all(&self, requests: Vec<v1::RecordRequest>) -> f64 {
        let count = requests.len();
        let mut client = self.connect().await;
        let permits = Arc::new(Semaphore::new(WINDOW));
        let (sender, receiver) = tokio::sync::mpsc::channel(WINDOW);
        let stream = tokio_stream::wrappers::ReceiverStream::new(receiver);
        let stream = self.firms[0].authorize(stream);
        let mut answers = client.record_stream(stream).await.unwrap().into_inner();
        let started = Instant::now();
        let sending = async {
            for record in requests {
                permits.acquire().await.unwrap().forget();
                let message = v1::RecordStreamRequest { record: Some(record) };
                sender.send(message).await.unwrap();
            }
            drop(sender);
        };
        let receiving = async {
            let mut recorded = 0;
            while let Some(answer) = answers.message().await.unwrap() {
                assert!(matches!(answer.result, Some(Answer::Recorded(_))), "{answer:?}");
                permits.add_permits(1);
                recorded += 1;
            }
            recorded
        };
        let ((), recorded) = futures::join!(sending, receiving);
        assert_eq!(recorded, count);
        count as f64 / started.elapsed().as_secs_f64()
    }

    /// Memory that the server holds, in MB.
    pub(crate) fn memory_mb(&self) -> u64 {
        memory_mb(&self.child.id().unwrap().to_string())
    }
}

/// Memory that a process holds, in MB: its id, or `self`.
pub(crate) fn memory_mb(process: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap_or("");
    let kilobytes = line.split_whitespace().nth(1).and_then(|word| word.parse::<u64>().ok());
    kilobytes.unwrap_or(0) / 1024
}

impl Firm {
    /// So many messages logged in the next case.
    fn next(&self, messages: usize) -> v1::RecordRequest {
        self.record(self.next_case.fetch_add(1, Ordering::Relaxed) % self.cases, messages)
    }

    fn record(&self, case: u32, messages: usize) -> v1::RecordRequest {
        bulk::messages_request(&self.name, case, messages)
    }

    fn authorize<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        if let Some(token) = &self.token {
            request.metadata_mut().insert("authorization", token.clone());
        }
        request
    }
}

/// Where most requests go.
pub(crate) const ONE_FIRM: Range<usize> = 0..1;

/// Requests a second of one message each with so many in flight, spread over some servers of one
/// database and some of its firms.
pub(crate) async fn unary(servers: &[&Server], in_flight: usize, firms: Range<usize>) -> Measured {
    call(servers, in_flight, firms, 1).await
}

/// Messages a second in requests of so many each.
pub(crate) async fn batches(server: &Server, in_flight: usize, messages: usize) -> f64 {
    call(&[server], in_flight, ONE_FIRM, messages).await.rate * messages as f64
}

async fn call(
    servers: &[&Server],
    in_flight: usize,
    firms: Range<usize>,
    messages: usize,
) -> Measured {
    let mut clients = Vec::new();
    for at in 0..in_flight.min(CONNECTIONS * servers.len()) {
        clients.push(servers[at % servers.len()].connect().await);
    }
    // Every server has the same firms; the first one's counters say which case is next.
    let firms = &servers[0].firms[firms];
    let counted_from = Instant::now() + WARM_UP;
    let until = counted_from + SPAN;
    let callers = (0..in_flight).map(|at| {
        let mut client = clients[at % clients.len()].clone();
        let firm = &firms[at % firms.len()];
        async move {
            let mut micros = Vec::new();
            while Instant::now() < until {
                let request = firm.authorize(firm.next(messages));
                let sent = Instant::now();
                client.record(request).await.unwrap();
                if sent >= counted_from {
                    micros.push(u64::try_from(sent.elapsed().as_micros()).unwrap());
                }
            }
            micros
        }
    });
    let micros = futures::future::join_all(callers).await.into_iter().flatten().collect();
    Measured::of(micros, SPAN.as_secs_f64())
}

/// Requests a second over one bidirectional stream with so many in flight.
pub(crate) async fn stream(server: &Server, window: usize) -> f64 {
    let firm = &server.firms[0];
    let mut client = server.connect().await;
    let permits = Arc::new(Semaphore::new(window));
    let (sender, receiver) = tokio::sync::mpsc::channel(window);
    let requests = tokio_stream::wrappers::ReceiverStream::new(receiver);
    let mut answers = client.record_stream(firm.authorize(requests)).await.unwrap().into_inner();
    let counted_from = Instant::now() + WARM_UP;
    let until = counted_from + SPAN;
    let sending = async {
        while Instant::now() < until {
            permits.acquire().await.unwrap().forget();
            let message = v1::RecordStreamRequest { record: Some(firm.next(1)) };
            sender.send(message).await.unwrap();
        }
        drop(sender);
    };
    let receiving = async {
        let (mut counted, mut last) = (0_u64, counted_from);
        while let Some(answer) = answers.message().await.unwrap() {
            assert!(matches!(answer.result, Some(Answer::Recorded(_))), "{answer:?}");
            permits.add_permits(1);
            last = Instant::now();
            if last >= counted_from {
                counted += 1;
            }
        }
        counted as f64 / last.duration_since(counted_from).as_secs_f64()
    };
    futures::join!(sending, receiving).1
}
