//! What the handlers share.

use std::collections::{BTreeSet, VecDeque};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use api::FieldErrors;
use api::requests::{Asked, Cursor};
use calendar::CivilDate;
use domain::command::{Command, Look, Run};
use domain::event::{LookKind, StreamId, UtcMicros};
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId, RequestId};
use domain::money::Currency;
use domain::value::Text;
use domain::world::State;
use futures::Stream;
use log::{
    Answer, Clock, Engine, FollowError, Followed, Pending, StoreError, Submission, SubmitError,
};
use proof::{Hash, leaf_hash};
use store::{Replica, Store};
use tokio::sync::Semaphore;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use vault::BlobStore;

use crate::access::{Authority, Firms, fingerprint, firm_of};
use crate::audit;
use crate::billing::bill_daily;
use crate::config::Limits;
use crate::couples;
use crate::door::Connections;
use crate::evidence::sweep_from_time_to_time;
use crate::front::Rooms;
use crate::gateway::PaymentGateway;
use crate::metrics::Metrics;
use crate::openings::Openings;
use crate::quota::Quotas;
use crate::reading::{History, Replicated};
use crate::telemetry;
use api::status::Failure;

/// The service: an engine, the read models behind it, and how payments go out. Cheap to clone.
#[derive(Clone)]
pub struct Ledger {
    shared: Arc<Shared>,
}

struct Shared {
    engine: Engine,
    store: Arc<Store>,
    replica: OnceLock<Replicated>,
    evidence: OnceLock<Arc<BlobStore>>,
    clock: Arc<dyn Clock>,
    gateway: Arc<dyn PaymentGateway>,
    limits: Limits,
    firms: Firms,
    slots: Arc<Semaphore>,
    metrics: Metrics,
    connections: Arc<Connections>,
    rooms: Rooms,
    quotas: Arc<Quotas>,
    openings: Mutex<Openings>,
    closing: CancellationToken,
    ending: CancellationToken,
    tasks: TaskTracker,
    started: AtomicBool,
}

impl Ledger {
    /// A service over an engine, the store the engine writes to, the clock the engine was given, and
    /// a gateway for charges.
    pub fn new(
        engine: Engine,
        store: Arc<Store>,
        clock: Arc<dyn Clock>,
        gateway: Arc<dyn PaymentGateway>,
        limits: Limits,
    ) -> Self {
        let metrics = Metrics::new();
        let shared = Shared {
            firms: Firms::new(engine.clone(), Arc::clone(&metrics.logins)),
            slots: Arc::new(Semaphore::new(limits.requests_max)),
            connections: Connections::new(&limits.door),
            rooms: Rooms::new(&limits.door),
            quotas: Quotas::new(limits.quotas),
            metrics,
            engine,
            store,
            replica: OnceLock::new(),
            evidence: OnceLock::new(),
            clock,
            gateway,
            limits,
            openings: Mutex::default(),
            closing: CancellationToken::new(),
            ending: CancellationToken::new(),
            tasks: TaskTracker::new(),
            started: AtomicBool::new(false),
        };
        Self { shared: Arc::new(shared) }
    }

    /// From now on, reads are answered from a replica of the store as far as it can; set once, before
    /// serving. A replica that is away, behind or no replica any more costs a warning.
    pub async fn read_from(&self, replica: Arc<Replica>) {
        self.shared.replica.get_or_init(|| Replicated::by(replica)).greet().await;
    }

    /// How many reads the replica has answered since the start of the process, for whoever exports
    /// metrics; pages of followers' past are among them.
    pub fn replica_answers(&self) -> u64 {
        self.replica().map_or(0, Replicated::answers)
    }

    /// From now on, scans and letters are kept in a store; set once, before serving. Without one the
    /// service refuses them.
    pub fn keep_evidence_in(&self, store: BlobStore) {
        self.shared.evidence.get_or_init(|| Arc::new(store));
    }

    pub(crate) fn evidence(&self) -> Option<&Arc<BlobStore>> {
        self.shared.evidence.get()
    }

    pub(crate) fn replica(&self) -> Option<&Replicated> {
        self.shared.replica.get()
    }

    /// Everything after a position, the past of it from the replica if there is one.
    pub(crate) fn follow(
        &self,
        firm: FirmId,
        after: u64,
    ) -> impl Stream<Item = Result<Followed, FollowError>> + Send + use<> {
        let history = || -> Arc<dyn log::History> { Arc::new(History(self.clone())) };
        self.engine().follow_through(firm, after, self.replica().map(|_| history()))
    }

    /// Closes the replica's connections, if there is one.
    pub async fn close_replica(&self) {
        if let Some(replica) = self.replica() {
            replica.close().await;
        }
    }

    /// The engine.
    pub fn engine(&self) -> &Engine {
        &self.shared.engine
    }

    /// The read models.
    pub fn store(&self) -> &Store {
        &self.shared.store
    }

    /// The limits in force.
    pub fn limits(&self) -> &Limits {
        &self.shared.limits
    }

    pub(crate) fn gateway(&self) -> &dyn PaymentGateway {
        self.shared.gateway.as_ref()
    }

    pub(crate) fn firms(&self) -> &Firms {
        &self.shared.firms
    }

    pub(crate) fn slots(&self) -> &Arc<Semaphore> {
        &self.shared.slots
    }

    pub(crate) fn metrics(&self) -> &Metrics {
        &self.shared.metrics
    }

    pub(crate) fn closing(&self) -> &CancellationToken {
        &self.shared.closing
    }

    /// Ends whatever has not ended by itself.
    pub(crate) fn ending(&self) -> &CancellationToken {
        &self.shared.ending
    }

    pub(crate) fn tasks(&self) -> &TaskTracker {
        &self.shared.tasks
    }

    /// Starts work that a shutdown waits for, and ends when it has waited long enough: nothing comes of
    /// it then.
    pub(crate) fn spawn<W>(&self, work: W) -> JoinHandle<Option<W::Output>>
    where
        W: Future<Output: Send + 'static> + Send + 'static,
    {
        let ending = self.ending().clone();
        self.tasks().spawn(async move { ending.run_until_cancelled_owned(work).await })
    }

    /// Who is connected.
    pub(crate) fn connections(&self) -> &Arc<Connections> {
        &self.shared.connections
    }

    /// Places of callers who need no token.
    pub(crate) fn rooms(&self) -> &Rooms {
        &self.shared.rooms
    }

    /// What tokens and firms have going on.
    pub(crate) fn quotas(&self) -> &Arc<Quotas> {
        &self.shared.quotas
    }

    /// Starts what runs beside the requests, once for the life of the service: the sweep for couples
    /// that were missed, that of evidence, and listening for what other processes on the database write.
    pub(crate) fn start_beside(&self) {
        if self.shared.started.swap(true, Ordering::Relaxed) {
            return;
        }
        self.spawn(couples::sweep(self.clone()));
        if self.evidence().is_some() {
            self.spawn(sweep_from_time_to_time(self.clone()));
        }
        let ledger = self.clone();
        self.spawn(async move {
            tokio::select! {
                () = ledger.closing().cancelled() => {}
                () = ledger.store().wake(ledger.engine()) => {}
            }
        });
    }

    /// Runs every firm's billing once a day from now on, so long after midnight where the firm is, in
    /// one process of those on the database.
    pub fn bill_daily(&self, after_midnight: Duration) {
        self.spawn(bill_daily(self.clone(), after_midnight));
    }

    /// Signs a checkpoint of every firm that has a signing key now and so often from now on, in one
    /// process of those on the database. A log that has not grown is not signed again.
    pub fn checkpoint_every(&self, interval: Duration) {
        self.spawn(audit::sign_every(self.clone(), interval));
    }

    pub(crate) fn is_closing(&self) -> bool {
        self.shared.closing.is_cancelled()
    }

    pub(crate) fn now(&self) -> UtcMicros {
        self.shared.clock.now()
    }

    /// Today's date where the firm is; UTC's for a firm nobody registered, which has nothing to read.
    pub(crate) fn today(&self, firm: &Firm) -> CivilDate {
        let now = self.now();
        firm.today(now).unwrap_or_else(|| zone_of_nobody().date_at(now.0))
    }

    /// Refuses what is not the caller's to name, then what belongs to a firm that is not there, before
    /// anything else of the request is looked at. Nothing that is said of no firm would be true.
    pub(crate) async fn check_name(
        &self,
        authority: &Authority,
        name: &str,
    ) -> Result<(), Failure> {
        authority.check_name(name)?;
        match (authority, firm_of(name)) {
            // A token is kept in the log of its firm, which is therefore there.
            (Authority::Token(_), _) | (_, None) => Ok(()),
            (Authority::Local | Authority::Schedule, Some(firm)) => self.check_there(firm).await,
        }
    }

    /// A firm is there if its log has an event. The head alone does not decide: one that another tool
    /// took away has to be found by verifying, not taken for a firm that never was.
    async fn check_there(&self, firm: FirmId) -> Result<(), Failure> {
        if self.firms().knows(firm) || !self.engine().read(firm, 0, 1).await?.is_empty() {
            return Ok(());
        }
        // A head that does not agree with the log is of a firm that was there.
        match self.engine().head(firm).await {
            Ok(head) if head.position == 0 => {}
            Ok(_) | Err(StoreError::Corrupt { .. }) => return Ok(()),
            Err(error) => return Err(error.into()),
        }
        Err(Failure::NotFound { resource_type: "Firm", name: api::name::firm(firm) })
    }

    /// The currency that amounts of a firm's requests must be in.
    pub(crate) async fn currency(&self, name: &str) -> Result<Option<Currency>, Failure> {
        match firm_of(name) {
            Some(firm) => {
                Ok(self.firms().get(firm).await?.registered.as_ref().map(|firm| firm.currency))
            }
            None => Ok(None),
        }
    }

    /// Records the one change that a message about a named resource asks for.
    pub(crate) async fn change<M: prost::Message + prost::Name>(
        &self,
        authority: &Authority,
        name: &str,
        message: &M,
        check: impl FnOnce(&M) -> Result<Asked, FieldErrors>,
    ) -> Result<Answer, Failure> {
        self.check_name(authority, name).await?;
        let asked = check(message)?;
        self.submit(authority, asked, api::fingerprint(message)).await
    }

    /// Records what was asked. The caller's authority over the firm was checked before.
    pub(crate) async fn submit(
        &self,
        authority: &Authority,
        asked: Asked,
        fingerprint: [u8; 32],
    ) -> Result<Answer, Failure> {
        let Asked { firm, request_id, command } = asked;
        telemetry::request(request_id);
        let changes_firm = matches!(command, Command::Firm { .. });
        let submission =
            Submission { request_id, fingerprint, author: authority.author(), command };
        let answer = self.engine().submit(firm, submission).await;
        if changes_firm {
            // Whoever asks next sees it.
            self.firms().forget(firm);
        }
        Ok(answer?)
    }

    /// Waits for the read models to reach a position, and says which they were read at. What is behind
    /// the end of the log is not waited for: it may never come.
    pub(crate) async fn read_at(&self, firm: FirmId, at_least: u64) -> Result<u64, Failure> {
        self.check_reached(firm, at_least).await?;
        self.wait_applied(firm, at_least).await
    }

    /// Waits for the read models, and says how far they are. Whoever waits for longer than they usually
    /// take is told of a log that does not end where its head says, of which they may never come.
    pub(crate) async fn wait_applied(&self, firm: FirmId, wanted: u64) -> Result<u64, Failure> {
        let most = self.limits().read_wait;
        let at_first = most.min(USUALLY_APPLIED);
        if let Ok(applied) = self.engine().wait_applied(firm, wanted, at_first).await {
            return Ok(applied);
        }
        self.engine().check_end(firm).await?;
        Ok(self.engine().wait_applied(firm, wanted, most.saturating_sub(at_first)).await?)
    }

    /// Refuses a position behind the end of the log.
    pub(crate) async fn check_reached(&self, firm: FirmId, at_least: u64) -> Result<(), Failure> {
        // Most reads ask for what the read models have long shown, and cost no look at the log.
        if *self.engine().applied(firm).borrow() >= at_least {
            return Ok(());
        }
        within_log(at_least, self.engine().head(firm).await?.position)
    }

    /// Streams folded up to the end of the log, which must have reached a position.
    pub(crate) async fn states(
        &self,
        firm: FirmId,
        streams: &[StreamId],
        at_least: u64,
    ) -> Result<(u64, Vec<State>), Failure> {
        let (position, states) = self.engine().states(firm, streams).await?;
        within_log(at_least, position)?;
        Ok((position, states))
    }

    /// Checks where a caller wants to go on from: the event there has to be in the log, and the one that
    /// the caller knows, if a leaf hash is given with it. Gives its leaf hash; nothing at the start.
    pub(crate) async fn check_cursor(
        &self,
        firm: FirmId,
        cursor: Cursor,
    ) -> Result<Option<Hash>, Failure> {
        let Cursor { after, leaf } = cursor;
        let Some(before) = after.checked_sub(1) else { return Ok(None) };
        within_log(after, self.engine().head(firm).await?.position)?;
        let found = self.engine().read(firm, before, 1).await?;
        let stored = found.first().ok_or(Failure::Corrupt { position: after })?;
        let here = leaf_hash(&stored.bytes);
        match leaf {
            Some(known) if known != *here.as_bytes() => {
                Err(Failure::CursorForked { position: after })
            }
            Some(_) | None => Ok(Some(here)),
        }
    }

    /// Whose personal values were opened for whom today.
    pub(crate) fn openings(&self) -> MutexGuard<'_, Openings> {
        self.shared.openings.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends a stream whose token was taken back.
    pub(crate) async fn still_admitted(&self, authority: &Authority) -> Result<(), Failure> {
        match authority {
            Authority::Local | Authority::Schedule => Ok(()),
            Authority::Token(grant) => self.firms().still_holds(grant, self.now()).await,
        }
    }

    /// Puts on record that somebody looked at something, or took it along.
    pub(crate) async fn note_look(
        &self,
        authority: &Authority,
        firm: FirmId,
        kind: LookKind,
        path: &str,
        cases: BTreeSet<CaseId>,
    ) -> Result<(), Failure> {
        let request_id = RequestId(uuid::Uuid::now_v7());
        self.note_look_once(authority, (firm, request_id), kind, path, cases).await
    }

    /// The same under a request's id: what is on record under it already stays as it is.
    pub(crate) async fn note_look_once(
        &self,
        authority: &Authority,
        (firm, request_id): (FirmId, RequestId),
        kind: LookKind,
        path: &str,
        cases: BTreeSet<CaseId>,
    ) -> Result<(), Failure> {
        let what = path.rsplit('/').next().unwrap_or(path);
        let what = Text::parse(what).map_err(|_| Failure::internal("an RPC has a short name"))?;
        let access = match authority {
            Authority::Local | Authority::Schedule => None,
            Authority::Token(grant) => Some(grant.access),
        };
        let on = self.today(&*self.firms().get(firm).await?);
        let command = Command::Look(Look { access, cases, kind, on, what });
        let asked = Asked { firm, request_id, command };
        let print = fingerprint("look", &[request_id.0.as_bytes()]);
        self.submit(authority, asked, print).await.map(|_| ())
    }

    /// Begins a run of many requests: marks where in the log it began, and records nothing else. The same id
    /// again finds the same mark, another body or another kind of run is refused.
    pub(crate) async fn begin(
        &self,
        authority: &Authority,
        asked: (FirmId, RequestId),
        run: Run,
        whole: [u8; 32],
    ) -> Result<Answer, Failure> {
        let (firm, request_id) = asked;
        let begin = |print| {
            self.submit(authority, Asked { firm, request_id, command: Command::Begin(run) }, print)
        };
        match begin(fingerprint(run.name(), &[&whole])).await {
            // What began before runs were told apart goes on as it began.
            Err(Failure::RequestReused { .. }) => begin(whole).await,
            answer => answer,
        }
    }
}

/// Within this the read models show what was recorded, unless something is wrong or much is going on.
const USUALLY_APPLIED: Duration = Duration::from_millis(250);

/// Refuses a position that the log has not reached.
pub(crate) fn within_log(asked: u64, end: u64) -> Result<(), Failure> {
    if asked > end { Err(Failure::PositionBeyondLog { asked, end }) } else { Ok(()) }
}

/// Requests of one run that wait for their answers: enough of them to fill the writer's batches, and
/// no more.
pub(crate) struct InFlight<K> {
    waiting: VecDeque<(K, Pending)>,
}

impl<K> InFlight<K> {
    pub(crate) fn new() -> Self {
        Self { waiting: VecDeque::with_capacity(log::BATCH_COMMANDS_MAX) }
    }

    /// Adds a request; the oldest answer, once the window is full.
    pub(crate) async fn add(
        &mut self,
        key: K,
        pending: Pending,
    ) -> Option<(K, Result<Answer, SubmitError>)> {
        self.waiting.push_back((key, pending));
        if self.waiting.len() < log::BATCH_COMMANDS_MAX { None } else { self.next().await }
    }

    /// The oldest answer, until none is awaited.
    pub(crate) async fn next(&mut self) -> Option<(K, Result<Answer, SubmitError>)> {
        let (key, pending) = self.waiting.pop_front()?;
        Some((key, pending.await.unwrap_or(Err(SubmitError::OutcomeUnknown))))
    }
}

/// The receipt of a change, with the version of the first stream it wrote to.
pub(crate) fn receipt(answer: &Answer) -> api::v1::Receipt {
    use api::scalar::{int32, int64};
    api::v1::Receipt {
        position: int64(answer.position),
        first_position: int64(answer.first_position),
        event_count: int32(answer.count),
        version: answer.streams.first().map(|(_, version)| int64(*version)).unwrap_or_default(),
        replayed: answer.replayed,
    }
}

/// The zone of a firm that nobody registered.
fn zone_of_nobody() -> calendar::Zone {
    calendar::Zone::parse("UTC").expect("UTC is in the time zone database")
}

/// The one state asked for, as a case.
pub(crate) fn one_case(states: Vec<State>) -> Result<Arc<domain::case::Case>, Failure> {
    states
        .into_iter()
        .find_map(as_case)
        .ok_or_else(|| Failure::internal("a case stream folded into another state"))
}

/// The firm among states.
pub(crate) fn one_firm(states: impl IntoIterator<Item = State>) -> Result<Arc<Firm>, Failure> {
    states
        .into_iter()
        .find_map(as_firm)
        .ok_or_else(|| Failure::internal("a firm's stream folded into another state"))
}

/// The one account among states.
pub(crate) fn one_account(states: &[State]) -> Result<&domain::account::Account, Failure> {
    let account = states.iter().find_map(|state| match state {
        State::Account(account) => Some(account.as_ref()),
        State::Case(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
    });
    account.ok_or_else(|| Failure::internal("an account stream folded into another state"))
}

/// The state of a case stream.
pub(crate) fn as_case(state: State) -> Option<Arc<domain::case::Case>> {
    match state {
        State::Case(case) => Some(case),
        State::Account(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
    }
}

/// The state of an account stream.
pub(crate) fn as_account(state: State) -> Option<Arc<domain::account::Account>> {
    match state {
        State::Account(account) => Some(account),
        State::Case(_) | State::Deposit(_) | State::Firm(_) | State::Looks(_) => None,
    }
}

/// The state of a deposit's stream.
pub(crate) fn as_deposit(state: State) -> Option<Arc<domain::deposit::Deposit>> {
    match state {
        State::Deposit(deposit) => Some(deposit),
        State::Case(_) | State::Account(_) | State::Firm(_) | State::Looks(_) => None,
    }
}

/// The state of the firm's own stream.
pub(crate) fn as_firm(state: State) -> Option<Arc<Firm>> {
    match state {
        State::Firm(firm) => Some(firm),
        State::Case(_) | State::Account(_) | State::Deposit(_) | State::Looks(_) => None,
    }
}
