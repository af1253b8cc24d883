//! The callers: a server in a process of its own, and requests in flight.

use std::path::Path;
use std::process::Stdio;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::record_stream_response::Result as Answer;
use api::v1::{self, action};
use counterfoil_tests::bulk;
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::process::{Child, Command};
use tokio::sync::Semaphore;
use tonic::Request;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use crate::report::Measured;

/// Connections that unary callers are spread over.
const CONNECTIONS: usize = 4;
/// Time before a measurement that is not counted.
const WARM_UP: Duration = Duration::from_millis(300);

/// A server under load.
pub(crate) struct Server {
    child: Child,
    address: String,
    firm: String,
    token: Option<MetadataValue<Ascii>>,
    /// Bytes of one recorded event.
    pub(crate) event_bytes: usize,
    cases: u32,
    next_case: AtomicU32,
}

impl Server {
    /// Starts this program again as a server and waits until it listens.
    pub(crate) async fn start(role: &str, database: &Path, cases: u32) -> Self {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .arg(role)
            .arg(database)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).await.unwrap();
        let words: Vec<&str> = line.split_whitespace().collect();
        let [address, firm, token, bytes] = words[..] else { panic!("{role} said {line:?}") };
        let token = (token != "none").then(|| format!("Bearer {token}").parse().unwrap());
        let event_bytes = bytes.parse().unwrap();
        let (address, firm) = (format!("http://{address}"), firm.to_owned());
        Self { child, address, firm, token, event_bytes, cases, next_case: AtomicU32::new(0) }
    }

    async fn connect(&self) -> CaseLedgerClient<Channel> {
        let endpoint = Channel::from_shared(self.address.clone()).unwrap().tcp_nodelay(true);
        let endpoint =
            endpoint.initial_stream_window_size(1 << 20).initial_connection_window_size(4 << 20);
        CaseLedgerClient::new(endpoint.connect().await.unwrap())
    }

    /// One message logged in the next case.
    fn request(&self) -> v1::RecordRequest {
        let number = self.next_case.fetch_add(1, Ordering::Relaxed) % self.cases;
        let message = v1::MessageLogged {
            direction: v1::Direction::Incoming.into(),
            text: bulk::MESSAGE.into(),
            complaint: false,
        };
        let action = v1::Action {
            occurred_on: Some(bulk::today()),
            action: Some(action::Action::MessageLogged(message)),
        };
        v1::RecordRequest {
            name: format!(
                "firms/{}/cases/{}",
                self.firm,
                counterfoil_tests::history::case_id(number)
            ),
            request_id: uuid::Uuid::now_v7().to_string(),
            expected_version: None,
            actions: vec![action],
        }
    }

    fn authorize<T>(&self, message: T) -> Request<T> {
        let mut request = Request::new(message);
        if let Some(token) = &self.token {
            request.metadata_mut().insert("authorization", token.clone());
        }
        request
    }

    /// Requests a second with so many in flight.
    pub(crate) async fn unary(&self, in_flight: usize, span: Duration) -> Measured {
        let mut clients = Vec::new();
        for _ in 0..CONNECTIONS.min(in_flight) {
            clients.push(self.connect().await);
        }
        let started = Instant::now();
        let counted_from = started + WARM_UP;
        let until = counted_from + span;
        let callers = (0..in_flight).map(|at| {
            let mut client = clients[at % clients.len()].clone();
            async move {
                let mut micros = Vec::new();
                while Instant::now() < until {
                    let request = self.authorize(self.request());
                    let sent = Instant::now();
                    client.record(request).await.unwrap();
                    if sent >= counted_from {
                        micros.push(u64::try_from(sent.elapsed().as_micros()).unwrap());
                    }
                }
                micros
            }
        });
        let mut micros: Vec<u64> =
            futures::future::join_all(callers).await.into_iter().flatten().collect();
        micros.sort_unstable();
        Measured { rate: micros.len() as f64 / span.as_secs_f64(), micros }
    }

    /// Requests a second over one bidirectional stream with so many in flight.
    pub(crate) async fn stream(&self, window: usize, span: Duration) -> f64 {
        let mut client = self.connect().await;
        let permits = std::sync::Arc::new(Semaphore::new(window));
        let (sender, receiver) = tokio::sync::mpsc::channel(window);
        let requests = tokio_stream::wrappers::ReceiverStream::new(receiver);
        let mut answers =
            client.record_stream(self.authorize(requests)).await.unwrap().into_inner();
        let until = Instant::now() + WARM_UP + span;
        let sending = async {
            while Instant::now() < until {
                permits.acquire().await.unwrap().forget();
                let message = v1::RecordStreamRequest { record: Some(self.request()) };
                sender.send(message).await.unwrap();
            }
            drop(sender);
        };
        let counted_from = Instant::now() + WARM_UP;
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

    /// One message in every case, so that the server has met them all.
    pub(crate) async fn touch_every_case(&self) {
        let record = |_| v1::RecordStreamRequest { record: Some(self.request()) };
        let requests: Vec<_> = (0..self.cases).map(record).collect();
        let requests = self.authorize(tokio_stream::iter(requests));
        let mut answers = self.connect().await.record_stream(requests).await.unwrap().into_inner();
        let mut recorded = 0;
        while let Some(answer) = answers.message().await.unwrap() {
            assert!(matches!(answer.result, Some(Answer::Recorded(_))), "{answer:?}");
            recorded += 1;
        }
        assert_eq!(recorded, self.cases);
    }

    /// Memory that the server holds, in MB.
    pub(crate) fn memory_mb(&self) -> u64 {
        let process = self.child.id().unwrap();
        let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
        let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap_or("");
        let kilobytes = line.split_whitespace().nth(1).and_then(|word| word.parse::<u64>().ok());
        kilobytes.unwrap_or(0) / 1024
    }
}
