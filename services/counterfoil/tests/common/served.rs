//! A server of the built program, and a client of its interface.

use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use api::google::r#type::Date;
use api::v1;
use api::v1::administration_client::AdministrationClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Channel, Endpoint};
use tonic::{Request, Status};
use uuid::Uuid;

use super::Desk;

/// A server that is stopped with the test.
pub struct Served {
    child: Child,
    pub url: String,
}

impl Served {
    /// On a free port of loopback.
    pub fn start(desk: &Desk) -> Self {
        Self::by(desk.command(&["serve", "--listen", "127.0.0.1:0"]))
    }

    /// A server that may not let any file of its grow beyond so many blocks: a write that would is
    /// refused by the system, as on a full disk. Any user may set such a limit, everywhere.
    pub fn start_short_of_room(desk: &Desk, blocks: u32) -> Self {
        let serve = desk.command(&["serve", "--listen", "127.0.0.1:0"]);
        let mut command = Command::new("sh");
        // The signal that comes with a refused write would end the process before it could tell.
        command.arg("-c").arg(format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\"")).arg("sh");
        command.arg(serve.get_program()).args(serve.get_args()).current_dir(desk.folder.path());
        for (name, value) in serve.get_envs() {
            match value {
                Some(value) => command.env(name, value),
                None => command.env_remove(name),
            };
        }
        Self::by(command)
    }

    /// By a command that serves, once it says where.
    pub fn by(command: Command) -> Self {
        Self::telling(command, Stdio::null())
    }

    /// The same, with what it tells about itself going somewhere.
    pub fn telling(mut command: Command, log: impl Into<Stdio>) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let url = line.trim().strip_prefix("listening on ").expect("it says where").to_owned();
        Self { child, url }
    }

    /// The port it took.
    pub fn port(&self) -> &str {
        self.url.rsplit_once(':').unwrap().1
    }

    /// Asks it to end, and gives its exit code.
    pub fn end(mut self) -> Option<i32> {
        self.ask_to_end();
        self.child.wait().unwrap().code()
    }

    /// Asks it to end.
    pub fn ask_to_end(&self) {
        let id = self.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &id]).status().unwrap().success());
    }

    /// The exit code, if it ends by itself in time.
    pub fn ended_within(&mut self, time: Duration) -> Option<i32> {
        let begun = Instant::now();
        while begun.elapsed() < time {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        None
    }

    /// Its process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        format!("127.0.0.1:{}", self.port()).parse().unwrap()
    }

    /// The files that it has open.
    pub fn open_files(&self) -> usize {
        std::fs::read_dir(format!("/proc/{}/fd", self.id())).unwrap().count()
    }

    /// Bytes of memory that it has, as the system counts them.
    pub fn memory(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().strip_suffix(" kB").unwrap().parse::<u64>().unwrap() << 10
    }

    /// A client of the server over plain HTTP/2.
    pub async fn caller(&self, firm: &str, token: &str) -> Caller {
        let channel = self.channel().await;
        let bearer = Bearer(format!("Bearer {token}").parse().unwrap());
        Caller { firm: firm.to_owned(), wire: InterceptedService::new(channel, bearer) }
    }

    /// A connection with nothing on its requests but what their maker puts there.
    pub async fn channel(&self) -> Channel {
        Endpoint::from_shared(self.url.clone()).unwrap().connect().await.unwrap()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // Already gone if it was asked to end.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Puts a bearer token on every request.
#[derive(Clone)]
pub struct Bearer(MetadataValue<Ascii>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        request.metadata_mut().insert("authorization", self.0.clone());
        Ok(request)
    }
}

/// A program that uses the interface.
#[derive(Clone)]
pub struct Caller {
    /// `firms/{firm}`
    pub firm: String,
    wire: InterceptedService<Channel, Bearer>,
}

impl Caller {
    /// The way to any service of the server.
    pub fn wire(&self) -> InterceptedService<Channel, Bearer> {
        self.wire.clone()
    }

    pub fn cases(&self) -> CaseLedgerClient<InterceptedService<Channel, Bearer>> {
        CaseLedgerClient::new(self.wire.clone())
    }

    pub async fn record(&self, request: &v1::RecordRequest) -> Result<v1::RecordResponse, Status> {
        Ok(self.cases().record(request.clone()).await?.into_inner())
    }

    /// The last position of the log.
    pub async fn head(&self) -> i64 {
        self.noted().await.unwrap().position
    }

    /// The end of the log, as somebody would note it.
    pub async fn noted(&self) -> Result<v1::GetHeadResponse, Status> {
        let head = v1::GetHeadRequest { parent: self.firm.clone() };
        let mut client = AdministrationClient::new(self.wire.clone());
        Ok(client.get_head(head).await?.into_inner())
    }
}

/// A message to the client of a case, under a new request id.
pub fn message(firm: &str, case: &str) -> v1::RecordRequest {
    let logged = v1::MessageLogged {
        direction: v1::Direction::Outgoing.into(),
        text: "The letters went out this morning.".into(),
        complaint: false,
    };
    v1::RecordRequest {
        name: format!("{firm}/cases/{case}"),
        request_id: Uuid::now_v7().to_string(),
        expected_version: None,
        actions: vec![v1::Action {
            occurred_at: None,
            occurred_on: Some(Date { year: 2025, month: 4, day: 1 }),
            action: Some(v1::action::Action::MessageLogged(logged)),
        }],
    }
}
