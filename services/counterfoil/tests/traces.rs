//! One request, one trace: from the caller's own span over the RPC to the commit, as a collector gets
//! it.
#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::collections::HashSet;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use api::v1;
use common::Desk;
use common::served::{Served, message};
use opentelemetry_proto::tonic::collector::trace::v1::trace_service_server::{
    TraceService, TraceServiceServer,
};
use opentelemetry_proto::tonic::collector::trace::v1::{
    ExportTraceServiceRequest, ExportTraceServiceResponse,
};
use opentelemetry_proto::tonic::trace::v1::Span;
use tokio::net::TcpListener;
use tokio::time::{Instant, sleep};
use tonic::transport::Server;
use tonic::transport::server::TcpIncoming;
use tonic::{Request, Response, Status};

const CASE: &str = "00000000-0000-7000-8000-0000000000c1";
/// W3C Trace Context, section 3.2: version, trace, parent, sampled.
const TRACEPARENT: &str = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
const TRACE: &str = "4bf92f3577b34da6a3ce929d0e0e4736";
const CALLER: &str = "00f067aa0ba902b7";
/// How long spans may be on their way: they are sent every few seconds.
const PATIENCE: Duration = Duration::from_mins(1);

/// A collector that keeps what it gets.
#[derive(Clone, Default)]
struct Collector(Arc<Mutex<Vec<ExportTraceServiceRequest>>>);

#[tonic::async_trait]
impl TraceService for Collector {
    async fn export(
        &self,
        request: Request<ExportTraceServiceRequest>,
    ) -> Result<Response<ExportTraceServiceResponse>, Status> {
        self.0.lock().unwrap().push(request.into_inner());
        Ok(Response::new(ExportTraceServiceResponse::default()))
    }
}

impl Collector {
    /// Starts it, and says where.
    async fn start(&self) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let server = Server::builder().add_service(TraceServiceServer::new(self.clone()));
        tokio::spawn(server.serve_with_incoming(TcpIncoming::from(listener)));
        url
    }

    fn spans(&self) -> Vec<Span> {
        let got = self.0.lock().unwrap();
        let resources = got.iter().flat_map(|export| &export.resource_spans);
        let scopes = resources.flat_map(|resource| &resource.scope_spans);
        scopes.flat_map(|scope| scope.spans.clone()).collect()
    }

    /// The spans, once they are as they must be.
    async fn until(&self, holds: impl Fn(&[Span]) -> bool) -> Vec<Span> {
        let begun = Instant::now();
        loop {
            let spans = self.spans();
            if holds(&spans) {
                return spans;
            }
            assert!(begun.elapsed() < PATIENCE, "{spans:#?}");
            sleep(Duration::from_millis(100)).await;
        }
    }
}

fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").unwrap();
        text
    })
}

fn named<'a>(spans: &'a [Span], name: &str) -> Vec<&'a Span> {
    spans.iter().filter(|span| span.name == name).collect()
}

fn keys(span: &Span) -> HashSet<&str> {
    span.attributes.iter().map(|attribute| attribute.key.as_str()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_request_is_one_trace_from_its_caller_over_the_rpc_to_the_commit() {
    let collector = Collector::default();
    let url = collector.start().await;
    let desk = Desk::with_cases();
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let serve = ["serve", "--listen", "127.0.0.1:0", "--traces", &url];
    let served = Served::by(desk.command(&serve));
    let caller = served.caller(&firm, &token).await;

    let mut request = Request::new(message(&firm, CASE));
    let request_id = request.get_ref().request_id.clone();
    request.metadata_mut().insert("traceparent", TRACEPARENT.parse().unwrap());
    caller.cases().record(request).await.unwrap();
    let spans = collector.until(|spans| named(spans, "rpc.CaseLedger.Record").len() == 1).await;
    let ours: Vec<Span> = spans.into_iter().filter(|span| hex(&span.trace_id) == TRACE).collect();
    let one = |name: &str| {
        let found = named(&ours, name);
        assert_eq!(found.len(), 1, "{name}: {ours:#?}");
        found[0]
    };
    let (rpc, append) = (one("rpc.CaseLedger.Record"), one("log.append"));
    let commit = one("log.commit");
    assert_eq!(hex(&rpc.parent_span_id), CALLER);
    assert_eq!(append.parent_span_id, rpc.span_id);
    assert_eq!(commit.parent_span_id, append.span_id);
    assert_eq!(ours.len(), 3, "{ours:#?}");
    let began = [rpc, append, commit].map(|span| span.start_time_unix_nano);
    assert!(began.is_sorted(), "{began:?}");
    assert!(keys(rpc).contains("firm") && keys(rpc).contains("access"), "{rpc:#?}");
    assert!(keys(commit).contains("waiting"), "{commit:#?}");
    assert!(format!("{append:?}").contains(&request_id), "{append:#?}");

    // Many at once share commits: each is the parent of one, or linked with one both ways.
    let mut recorded = 1;
    let spans = loop {
        assert!(recorded < 2_000, "not two of {recorded} requests shared a commit");
        let requests: Vec<_> = (0..100).map(|_| message(&firm, CASE)).collect();
        let answers = requests.iter().map(|request| caller.record(request));
        recorded += futures::future::try_join_all(answers).await.unwrap().len();
        let spans = collector
            .until(|spans| {
                let ended = |name| named(spans, name).len() == recorded;
                ended("log.append") && ended("rpc.CaseLedger.Record")
            })
            .await;
        if named(&spans, "log.commit").iter().any(|commit| !commit.links.is_empty()) {
            break spans;
        }
    };
    let commits = named(&spans, "log.commit");
    let parents: HashSet<_> = commits.iter().map(|commit| &commit.parent_span_id).collect();
    let ids: HashSet<_> = commits.iter().map(|commit| &commit.span_id).collect();
    let linked: HashSet<_> =
        commits.iter().flat_map(|commit| &commit.links).map(|link| &link.span_id).collect();
    let appends = named(&spans, "log.append");
    for append in &appends {
        let links = append.links.iter().any(|link| ids.contains(&link.span_id));
        assert_ne!(parents.contains(&append.span_id), links, "{append:#?}");
        assert_eq!(links, linked.contains(&append.span_id), "{append:#?}");
    }
    let rpcs: HashSet<_> =
        named(&spans, "rpc.CaseLedger.Record").iter().map(|rpc| rpc.span_id.clone()).collect();
    assert!(appends.iter().all(|append| rpcs.contains(&append.parent_span_id)));

    // What is refused has a trace as well; what is read has a span and no commit.
    let unknown = message(&firm, "00000000-0000-7000-8000-0000000000ff");
    caller.record(&unknown).await.unwrap_err();
    caller.head().await;
    // The last spans are sent when the service ends.
    assert_eq!(served.end(), Some(0));
    let spans = collector.spans();
    assert_eq!(named(&spans, "rpc.CaseLedger.Record").len(), recorded + 1);
    assert_eq!(named(&spans, "rpc.Administration.GetHead").len(), 1);
    let told = format!("{:?}", collector.0.lock().unwrap());
    for personal in ["Ada", "Lark", "letters went out", "test\"", &token] {
        assert!(!told.contains(personal), "{personal}");
    }
    assert!(told.contains("counterfoil"), "the service says who it is");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_of_requests_is_one_trace_and_a_collector_that_is_away_costs_nothing_else() {
    let collector = Collector::default();
    let url = collector.start().await;
    let desk = Desk::with_cases();
    let (firm, token) = (desk.firm(), desk.token("record,read"));
    let serve = ["serve", "--listen", "127.0.0.1:0", "--traces"];
    let served = Served::by(desk.command(&[&serve[..], &[&url]].concat()));
    let caller = served.caller(&firm, &token).await;
    let records = (0..20).map(|_| message(&firm, CASE));
    let records = records.map(|record| v1::RecordStreamRequest { record: Some(record) });
    let records: Vec<_> = records.collect();
    let mut request = Request::new(futures::stream::iter(records));
    request.metadata_mut().insert("traceparent", TRACEPARENT.parse().unwrap());
    let mut answers = caller.cases().record_stream(request).await.unwrap().into_inner();
    let mut count = 0;
    while answers.message().await.unwrap().is_some() {
        count += 1;
    }
    assert_eq!(count, 20);
    assert_eq!(served.end(), Some(0));
    let spans = collector.spans();
    let appends = named(&spans, "log.append");
    assert_eq!(appends.len(), 20);
    assert!(appends.iter().all(|append| hex(&append.trace_id) == TRACE));

    let away = ["serve", "--listen", "127.0.0.1:0", "--traces", "http://127.0.0.1:1"];
    let served = Served::by(desk.command(&away));
    let caller = served.caller(&firm, &token).await;
    caller.record(&message(&firm, CASE)).await.unwrap();
    assert_eq!(served.end(), Some(0));
    let elsewhere = desk.run(&["serve", "--traces", "http://192.0.2.1:4317"]);
    assert_eq!(elsewhere.code, 2, "{elsewhere:?}");
}
