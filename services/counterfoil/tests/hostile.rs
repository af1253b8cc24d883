//! Many who mean ill at once, of ten kinds and from eight addresses, beside one caller who means well.
//!
//! The crowd is a process of its own, in the background as `nice` has it: on a machine of two processors it
//! would else be measured how fast it is, and not how well it is borne.
//!
//! `COUNTERFOIL_HOSTILE_CONNECTIONS` and `COUNTERFOIL_HOSTILE_SECONDS` say how many and how long; 3,000
//! for 60 s are what the service is meant to bear.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

mod common;

use std::io::{BufRead as _, BufReader, Read as _};
use std::net::SocketAddr;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use api::v1;
use common::Desk;
use common::served::{Caller, Served};
use prost::Message as _;
use testbed::stranger::{
    END_HEADERS, END_STREAM, Stranger, call, frame, header_block, kind, message,
};
use tokio::time::{sleep, timeout};
use tonic::transport::Endpoint;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_client::HealthClient;

const CONNECTIONS: u64 = 300;
const SECONDS: u64 = 6;
const KINDS: usize = 10;
const MEMORY_MAX: u64 = 300 << 20;
/// Below this, five times what is quiet says more of the machine than of the service: of a few hundred
/// connections beside other tests, and of a run that has the machine for itself.
const NOTICED_BESIDE_OTHERS: Duration = Duration::from_secs(1);
const NOTICED_ALONE: Duration = Duration::from_millis(20);
/// Files that the database's pool may open meanwhile, and keeps.
const POOL_FILES: usize = 24;
const HEALTH: &str = "/grpc.health.v1.Health/Check";
const REFLECTION: &str = "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo";
const GET_HEAD: &str = "/counterfoil.v1.Administration/GetHead";
const FOLLOW: &str = "/counterfoil.v1.CaseLedger/Follow";
const UPLOAD: &str = "/counterfoil.v1.Evidence/Upload";
const VERIFY: &str = "/counterfoil.v1.Administration/VerifyLog";

fn asked(variable: &str, otherwise: u64) -> u64 {
    std::env::var(variable).map_or(otherwise, |number| number.parse().expect("a number"))
}

/// Those who mean ill.
#[derive(Clone)]
struct Crowd {
    to: SocketAddr,
    /// A firm of their own, and its token.
    firm: String,
    token: String,
    /// A token that nobody was given, of a firm that there is.
    stolen: String,
    begun: Arc<AtomicUsize>,
    failed: Arc<AtomicUsize>,
}

impl Crowd {
    /// One of them: as often as it is thrown out, it comes back.
    async fn member(self, number: usize) {
        let last = 2 + u8::try_from(number % 8).unwrap();
        loop {
            match Stranger::connect(self.to, [127, 0, 0, last]).await {
                Ok(mut stranger) => {
                    self.begun.fetch_add(1, Ordering::Relaxed);
                    let attack = self.attack(&mut stranger, number % KINDS);
                    // Whoever is thrown out has nothing more to send.
                    let _ = timeout(Duration::from_secs(10), attack).await;
                }
                Err(_) => {
                    self.failed.fetch_add(1, Ordering::Relaxed);
                }
            }
            sleep(Duration::from_millis(500)).await;
        }
    }

    async fn attack(&self, to: &mut Stranger, kind: usize) -> std::io::Result<()> {
        match kind {
            0 => {}
            1 => to.send(b"PRI * HTTP/2.0\r\n").await?,
            2 => self.calls(to, HEALTH, None).await?,
            3 => self.reflection(to).await?,
            4 => self.calls(to, GET_HEAD, None).await?,
            5 => self.calls(to, GET_HEAD, Some(&self.stolen)).await?,
            6 => return drip(to).await,
            7 => return flood(to, &frame(kind::PING, 0, 0, &[0; 8]).repeat(100)).await,
            8 => return take_back(to).await,
            _ => self.with_a_token(to).await?,
        }
        to.until_closed().await;
        Ok(())
    }

    /// Calls that do not end, and may take ten minutes.
    async fn calls(
        &self,
        to: &mut Stranger,
        path: &str,
        token: Option<&str>,
    ) -> std::io::Result<()> {
        to.greet().await?;
        let block = header_block(path, token, &[("grpc-timeout", "10M")]);
        let calls: Vec<u8> =
            (0..100).flat_map(|at| frame(kind::HEADERS, END_HEADERS, 2 * at + 1, &block)).collect();
        to.send(&calls).await
    }

    /// Descriptors that are asked for and not read.
    async fn reflection(&self, to: &mut Stranger) -> std::io::Result<()> {
        to.greet_with_window(1).await?;
        // `file_containing_symbol`, field 4 of the request.
        let symbol = b"counterfoil.v1.CaseLedger";
        let request = [&[0x22, u8::try_from(symbol.len()).unwrap()], &symbol[..]].concat();
        for stream in [1, 3, 5, 7] {
            to.send(&call(stream, REFLECTION, None, 0)).await?;
            to.send(&message(stream, &request, 0)).await?;
        }
        Ok(())
    }

    /// Streams that are not read, uploads that do not go on, and verifications, of a firm that pays.
    async fn with_a_token(&self, to: &mut Stranger) -> std::io::Result<()> {
        to.greet_with_window(1).await?;
        let follow = v1::FollowRequest { parent: self.firm.clone(), ..Default::default() };
        let verify = v1::VerifyLogRequest { parent: self.firm.clone(), ..Default::default() };
        let token = Some(self.token.as_str());
        to.send(&call(1, FOLLOW, token, 0)).await?;
        to.send(&message(1, &follow.encode_to_vec(), END_STREAM)).await?;
        to.send(&call(3, UPLOAD, token, 0)).await?;
        to.send(&call(5, VERIFY, token, 0)).await?;
        to.send(&message(5, &verify.encode_to_vec(), END_STREAM)).await?;
        to.send(&call(7, GET_HEAD, token, 0)).await
    }
}

/// Headers that never end.
async fn drip(to: &mut Stranger) -> std::io::Result<()> {
    to.greet().await?;
    to.send(&frame(kind::HEADERS, 0, 1, &header_block(HEALTH, None, &[]))).await?;
    loop {
        to.send(&frame(kind::CONTINUATION, 0, 1, &[])).await?;
        sleep(Duration::from_secs(1)).await;
    }
}

async fn flood(to: &mut Stranger, frames: &[u8]) -> std::io::Result<()> {
    to.greet().await?;
    loop {
        to.send(frames).await?;
        sleep(Duration::from_millis(200)).await;
    }
}

/// Calls that are taken back as soon as they are made.
async fn take_back(to: &mut Stranger) -> std::io::Result<()> {
    to.greet().await?;
    let block = header_block(HEALTH, None, &[]);
    let mut stream = 1;
    loop {
        let mut frames = Vec::new();
        for _ in 0..50 {
            frames.extend(frame(kind::HEADERS, END_HEADERS, stream, &block));
            frames.extend(frame(kind::RST_STREAM, 0, stream, &[0, 0, 0, 8]));
            stream += 2;
        }
        to.send(&frames).await?;
        sleep(Duration::from_millis(200)).await;
    }
}

/// How long calls took of somebody who reads what there is and records something, one after the other.
#[derive(Debug)]
struct Times(Vec<Duration>);

impl Times {
    async fn of(caller: &Caller, time: Duration) -> Self {
        let mut times = Vec::new();
        let begun = Instant::now();
        while begun.elapsed() < time {
            let asked = Instant::now();
            caller.noted().await.expect("a caller with a token is served");
            times.push(asked.elapsed());
            sleep(Duration::from_millis(2)).await;
        }
        times.sort();
        Self(times)
    }

    fn quantile(&self, hundredths: usize) -> Duration {
        self.0[(self.0.len() * hundredths / 100).min(self.0.len() - 1)]
    }
}

/// What a probe sees, over a connection of its own, and how long it took.
async fn is_healthy(served: &Served) -> Duration {
    let begun = Instant::now();
    let asked = async {
        let channel = Endpoint::from_shared(served.url.clone()).unwrap().connect().await.unwrap();
        HealthClient::new(channel).check(HealthCheckRequest::default()).await
    };
    let answer = timeout(Duration::from_secs(3), asked).await.expect("a probe waits for 3 s");
    assert_eq!(answer.unwrap().into_inner().status, 1);
    begun.elapsed()
}

fn apart<T: Send>(work: impl Future<Output = T> + Send) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(work)
}

/// Where the crowd's process finds what it needs: address, firm, token, stolen token and number, in words.
const CROWD: &str = "COUNTERFOIL_HOSTILE_CROWD";

/// The crowd's process. It ends with its standard input.
struct Apart {
    child: Child,
    lines: BufReader<ChildStdout>,
}

impl Apart {
    fn start(words: &[&str]) -> Self {
        let itself = std::env::current_exe().unwrap();
        let mut child = Command::new("nice")
            .args(["-n", "19"])
            .arg(itself)
            .arg("--nocapture")
            .env(CROWD, words.join(" "))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        Self { child, lines }
    }

    /// Waits for a line of its own that begins so, and gives the rest of it.
    fn told(&mut self, beginning: &str) -> String {
        loop {
            let mut line = String::new();
            assert_ne!(self.lines.read_line(&mut line).unwrap(), 0, "the crowd is gone");
            if let Some(rest) = line.strip_prefix(beginning) {
                return rest.trim().to_owned();
            }
        }
    }

    /// What became of it.
    fn end(mut self) -> String {
        drop(self.child.stdin.take());
        let told = self.told("crowd: over");
        assert!(self.child.wait().unwrap().success());
        told
    }
}

impl Drop for Apart {
    fn drop(&mut self) {
        // Already gone if it was asked to end.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the crowd's process does, which is this program once more.
fn the_crowd(words: &str) {
    let [to, firm, token, stolen, connections] = *words.split(' ').collect::<Vec<_>>() else {
        panic!("{words}");
    };
    let connections: usize = connections.parse().unwrap();
    let crowd = Crowd {
        to: to.parse().unwrap(),
        firm: firm.to_owned(),
        token: token.to_owned(),
        stolen: stolen.to_owned(),
        begun: Arc::default(),
        failed: Arc::default(),
    };
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    for number in 0..connections {
        runtime.spawn(crowd.clone().member(number));
    }
    while crowd.begun.load(Ordering::Relaxed) < connections {
        std::thread::sleep(Duration::from_millis(50));
    }
    println!("\ncrowd: all there");
    let mut input = Vec::new();
    std::io::stdin().read_to_end(&mut input).unwrap();
    runtime.shutdown_timeout(Duration::from_secs(5));
    let (begun, failed) =
        (crowd.begun.load(Ordering::Relaxed), crowd.failed.load(Ordering::Relaxed));
    println!(
        "\ncrowd: over {begun} made and {failed} not, {} s of processor time",
        processor(std::process::id())
    );
}

/// Seconds of processor time that a process has had (proc(5): fields 14 and 15, in hundredths).
fn processor(id: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap();
    let (_, after_name) = stat.rsplit_once(')').unwrap();
    let times = after_name.split_whitespace().skip(11).take(2);
    times.map(|time| time.parse::<u64>().unwrap()).sum::<u64>() / 100
}

/// A firm of those who mean ill, and its token.
fn another_firm(desk: &Desk) -> (String, String) {
    let firm = "00000000-0000-7000-8000-0000000000f2";
    let text = std::fs::read_to_string(common::data("firm.json")).unwrap();
    let named = text.replacen('{', &format!("{{\"name\": \"firms/{firm}\","), 1);
    desk.done(&["firm", "register", &desk.file("other.json", &named), "--on", "2025-01-02"]);
    let scopes = ["--label", "crowd", "--scopes", "read,record,administer"];
    let create = [&["tokens", "create", "--quiet", "--firm", firm], &scopes[..]].concat();
    (format!("firms/{firm}"), desk.done(&create).trim().to_owned())
}

#[test]
fn a_crowd_that_means_ill_is_hardly_noticed_and_leaves_nothing_behind() {
    if let Ok(words) = std::env::var(CROWD) {
        return the_crowd(&words);
    }
    let connections =
        usize::try_from(asked("COUNTERFOIL_HOSTILE_CONNECTIONS", CONNECTIONS)).unwrap();
    let time = Duration::from_secs(asked("COUNTERFOIL_HOSTILE_SECONDS", SECONDS));
    let desk = Desk::with_firm();
    let (firm, token) = (desk.firm(), desk.token("read,record"));
    let (other, hostile) = another_firm(&desk);
    let served = Served::start(&desk);
    let (quiet, quiet_files, quiet_memory) = apart(async {
        let caller = served.caller(&firm, &token).await;
        let times = Times::of(&caller, time.min(Duration::from_secs(10))).await;
        (times, served.open_files(), served.memory())
    });
    let (prefix, _) = token.rsplit_once('_').unwrap();
    let stolen = format!("{prefix}_{}", "0".repeat(64));
    let (to, number) = (served.address().to_string(), connections.to_string());
    let mut crowd = Apart::start(&[&to, &other, &hostile, &stolen, &number]);
    crowd.told("crowd: all there");
    let before = processor(served.id());
    let (loud, most_memory, slowest_probe) = apart(async {
        let caller = served.caller(&firm, &token).await;
        let (mut most_memory, mut slowest_probe) = (0, Duration::ZERO);
        let watching = async {
            loop {
                most_memory = served.memory().max(most_memory);
                slowest_probe = is_healthy(&served).await.max(slowest_probe);
                sleep(Duration::from_millis(200)).await;
            }
        };
        let loud = tokio::select! {
            loud = Times::of(&caller, time) => loud,
            () = watching => unreachable!("it goes on for ever"),
        };
        (loud, most_memory, slowest_probe)
    });
    let worked = processor(served.id()) - before;
    let told = crowd.end();
    let (quiet, loud) = (quiet.quantile(99), loud.quantile(99));
    // Everything that the crowd held is given back.
    let begun = Instant::now();
    while served.open_files() > quiet_files + POOL_FILES && begun.elapsed() < Duration::from_mins(1)
    {
        std::thread::sleep(Duration::from_millis(50));
    }
    let mib = |bytes: u64| bytes >> 20;
    println!(
        "{connections} connections for {} s, {told}, {worked} s of the service's: p99 {quiet:?} quiet and {loud:?} \
         loud; the slowest probe {slowest_probe:?}; memory {} MiB quiet, at most {} MiB, {} MiB \
         afterwards; files {quiet_files} quiet and {} afterwards",
        time.as_secs(),
        mib(quiet_memory),
        mib(most_memory),
        mib(served.memory()),
        served.open_files(),
    );
    assert!(served.open_files() <= quiet_files + POOL_FILES, "files are still open");
    assert!(most_memory < MEMORY_MAX, "{} MiB", mib(most_memory));
    let alone = std::env::var_os("COUNTERFOIL_HOSTILE_CONNECTIONS").is_some();
    let noticed = if alone { NOTICED_ALONE } else { NOTICED_BESIDE_OTHERS };
    assert!(loud < (5 * quiet).max(noticed), "{loud:?} instead of {quiet:?}");
    // Places, slots and quotas are free: the crowd's own firm may follow, verify and record again.
    apart(async {
        let caller = served.caller(&other, &hostile).await;
        let follow = v1::FollowRequest { parent: other.clone(), ..Default::default() };
        let mut open = Vec::new();
        for _ in 0..8 {
            open.push(caller.cases().follow(follow.clone()).await.unwrap());
        }
        is_healthy(&served).await;
    });
    assert_eq!(served.end(), Some(0));
}
