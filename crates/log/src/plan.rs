//! One batch of decisions, made while the head row is locked or believed not to move.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use domain::command::{CaseAction, Command, Correction, MoneyBecomes};
use domain::event::{Recorded, StreamId, UtcMicros};
use domain::ids::RequestId;
use domain::refusal::{Reason, Refusal};
use domain::sealing::{erased_by, holder_of};
use domain::world::{Context, EVENT_BYTES_MAX, Halt};

use uuid::Uuid;
use vault::FirmKeys;

use crate::cache::Cache;
use crate::clock::{Clock, Ids};
use crate::fold::{Fault, state_of};
use crate::head::Head;
use crate::outcome::{Accepted, Outcome, OutcomeResult};
use crate::ports::{AppendRow, Batch, LoadedStream, Opening, Plan, Step};
use crate::sealing::{BatchPeople, CommandSealer};
use crate::settings::{BATCH_BYTES_MAX, BATCH_EVENTS_MAX, NEEDS_MAX};
use crate::submission::{Answer, SubmitError, Waiting};

/// What a command will be answered once the batch has landed.
pub(crate) enum Verdict {
    /// Carried out now.
    Accepted(Answer),
    /// Refused now.
    Refused(Box<Refusal>),
    /// Known from before: the first answer again.
    Replayed(Result<Answer, SubmitError>),
    /// The id was used before for something else.
    Reused { first_seen: UtcMicros },
    /// The same request as an earlier command of this batch.
    SameAs(usize),
    /// The name that it records a movement under has to be looked up again.
    Unnamed,
    /// A fault of ours: this one command asks for ever more streams.
    Failed(String),
}

/// The decisions of one transaction, over the front of what waits.
pub(crate) struct BatchPlan<'a> {
    cache: &'a mut Cache,
    waiting: &'a [Waiting],
    ids: &'a dyn Ids,
    firm_keys: &'a FirmKeys,
    people: BatchPeople<'a>,
    /// What the clock says.
    now: UtcMicros,
    /// What events and answers say: never earlier than the log's last event.
    recorded_at: UtcMicros,
    head: Head,
    known: HashMap<RequestId, Outcome>,
    /// The first command of this batch with each request id.
    first: HashMap<RequestId, usize>,
    /// Commands found to make an event that is too large.
    unfit: HashMap<usize, Unfit>,
    verdicts: Vec<Verdict>,
    /// How often the command being decided has asked for a stream.
    needs: u32,
    rows: Vec<AppendRow>,
    bytes: usize,
    outcomes: Vec<(RequestId, Outcome)>,
    /// What it has decided to write.
    events: Vec<Arc<Recorded>>,
    fault: Option<Fault>,
}

/// What a transaction decided.
pub(crate) struct Decided {
    /// On the front of what waits.
    pub(crate) verdicts: Vec<Verdict>,
    /// The events that it writes.
    pub(crate) events: Vec<Arc<Recorded>>,
}

/// How one look at the next command ended.
enum Progress {
    Decided,
    Need(StreamId),
    Unfit,
}

impl<'a> BatchPlan<'a> {
    pub(crate) fn new(
        cache: &'a mut Cache,
        waiting: &'a [Waiting],
        (clock, ids): (&dyn Clock, &'a dyn Ids),
        firm_keys: &'a FirmKeys,
    ) -> Self {
        let people = BatchPeople::new(cache.firm(), firm_keys);
        let now = clock.now();
        Self {
            cache,
            waiting,
            ids,
            firm_keys,
            people,
            now,
            recorded_at: now,
            head: Head::default(),
            known: HashMap::new(),
            first: HashMap::with_capacity(waiting.len()),
            unfit: HashMap::new(),
            verdicts: Vec::with_capacity(waiting.len()),
            needs: 0,
            rows: Vec::with_capacity(waiting.len()),
            bytes: 0,
            outcomes: Vec::with_capacity(waiting.len()),
            events: Vec::new(),
            fault: None,
        }
    }

    /// What was decided, or the stored event that stood in the way.
    pub(crate) fn into_decided(self) -> Result<Decided, Fault> {
        match self.fault {
            Some(fault) => Err(fault),
            None => Ok(Decided { verdicts: self.verdicts, events: self.events }),
        }
    }

    fn decide_on(&mut self) -> Step {
        while self.verdicts.len() < self.waiting.len() && self.has_room() {
            match self.decide_next() {
                Progress::Decided => self.needs = 0,
                Progress::Need(stream) => {
                    self.needs += 1;
                    if self.needs > NEEDS_MAX {
                        self.needs = 0;
                        let what = format!("a command asked for {stream} after {NEEDS_MAX} others");
                        self.verdicts.push(Verdict::Failed(what));
                    } else {
                        return Step::Load(vec![stream]);
                    }
                }
                Progress::Unfit => self.start_over(),
            }
        }
        self.finish()
    }

    fn has_room(&self) -> bool {
        self.rows.len() < BATCH_EVENTS_MAX && self.bytes < BATCH_BYTES_MAX
    }

    fn decide_next(&mut self) -> Progress {
        let at = self.verdicts.len();
        let waiting = self.waiting;
        let submission = &waiting[at].submission;
        if let Some(verdict) = self.answered_before(at) {
            self.verdicts.push(verdict);
            return Progress::Decided;
        }
        if let Some(unfit) = self.unfit.get(&at) {
            let refusal = unfit.refusal();
            self.refuse(at, Box::new(refusal));
            return Progress::Decided;
        }
        let (ids, now) = (self.ids, self.now);
        let mut next_id = || ids.event_id(now);
        let (world, keys) = self.cache.split();
        let mut sealer = CommandSealer::new(keys, ids);
        let context = Context {
            author: submission.author.clone(),
            request_id: submission.request_id,
            now,
            recorded_at: self.recorded_at,
            next_id: &mut next_id,
            sealer: &mut sealer,
            name_found: waiting[at].found.as_ref(),
        };
        match domain::decide(world, context, &submission.command) {
            Ok(events) => {
                let sealed = sealer.finish();
                self.people.take(self.cache.keys(), ids, sealed);
                self.accept(at, events)
            }
            Err(Halt::Need(stream)) => Progress::Need(stream),
            Err(Halt::Unnamed) => {
                self.verdicts.push(Verdict::Unnamed);
                Progress::Decided
            }
            Err(Halt::Refused(refusal)) => {
                self.refuse(at, refusal);
                Progress::Decided
            }
        }
    }

    /// The verdict on a command whose request id was seen before, here or in an earlier batch.
    fn answered_before(&mut self, at: usize) -> Option<Verdict> {
        let submission = &self.waiting[at].submission;
        if let Some(outcome) = self.known.get(&submission.request_id) {
            let asked =
                self.people.fingerprint(self.cache.keys(), self.ids, &submission.fingerprint);
            return Some(if asked == Some(outcome.fingerprint) {
                Verdict::Replayed(Answer::replayed(outcome))
            } else {
                Verdict::Reused { first_seen: outcome.recorded_at }
            });
        }
        let first = *self.first.get(&submission.request_id)?;
        Some(if self.waiting[first].submission.fingerprint == submission.fingerprint {
            Verdict::SameAs(first)
        } else {
            Verdict::Reused { first_seen: self.recorded_at }
        })
    }

    fn accept(&mut self, at: usize, events: Vec<Recorded>) -> Progress {
        let count = u64::try_from(events.len()).expect("a batch of events fits 64 bits");
        let first = self.cache.world().position() + 1 - count;
        let mut accepted = Accepted::before(first);
        for recorded in events {
            let bytes = match recorded.to_bytes_of_plain_days() {
                Some(bytes) if bytes.len() <= EVENT_BYTES_MAX => bytes,
                found => {
                    let unfit = if found.is_some() { Unfit::TooLarge } else { Unfit::OddDay };
                    self.unfit.insert(at, unfit);
                    return Progress::Unfit;
                }
            };
            accepted.take(&recorded);
            self.cache.keys().extend(erased_by(&recorded).map(|person| (person, None)));
            let leaf = proof::leaf_hash(&bytes);
            self.bytes += bytes.len();
            self.rows.push(AppendRow { recorded: recorded.into(), bytes, leaf });
        }
        for (stream, _) in &accepted.streams {
            self.cache.touch(*stream);
        }
        self.verdicts.push(Verdict::Accepted(Answer::first_time(&accepted)));
        self.remember(at, OutcomeResult::Accepted(accepted));
        Progress::Decided
    }

    fn refuse(&mut self, at: usize, refusal: Box<Refusal>) {
        self.verdicts.push(Verdict::Refused(refusal.clone()));
        self.remember(at, OutcomeResult::Refused(refusal));
    }

    fn remember(&mut self, at: usize, result: OutcomeResult) {
        let submission = &self.waiting[at].submission;
        self.first.insert(submission.request_id, at);
        let asked = &submission.fingerprint;
        let fingerprint = self.people.fingerprint(self.cache.keys(), self.ids, asked);
        let fingerprint = fingerprint.expect("every decision has the firm's stream loaded");
        let outcome = Outcome { fingerprint, recorded_at: self.recorded_at, result };
        self.outcomes.push((submission.request_id, outcome));
    }

    /// Undoes every decision of this batch: the world already holds an event that cannot be kept.
    fn start_over(&mut self) {
        self.cache.reopen(&self.head);
        self.people.clear();
        self.first.clear();
        self.verdicts.clear();
        self.rows.clear();
        self.outcomes.clear();
        self.bytes = 0;
        self.needs = 0;
    }

    fn finish(&mut self) -> Step {
        if self.outcomes.is_empty() {
            return Step::Nothing;
        }
        let expected = self.head.position;
        let mut head = std::mem::take(&mut self.head);
        head.position = self.cache.world().position();
        head.invoices = self.cache.world().invoices();
        head.recorded_at =
            self.rows.last().map_or(head.recorded_at, |row| row.recorded.recorded_at);
        for row in &self.rows {
            head.frontier.push(row.leaf);
        }
        assert_eq!(head.frontier.size(), head.position, "every position has its leaf");
        self.cache.end_at(head.clone());
        let rows = std::mem::take(&mut self.rows);
        self.events = rows.iter().map(|row| Arc::clone(&row.recorded)).collect();
        let outcomes = std::mem::take(&mut self.outcomes);
        let people = self.people.finish();
        Step::Write(Batch { expected, rows, outcomes, head, people })
    }

    /// Streams that the commands name themselves, so that one load brings them all.
    fn foreseen(&mut self) -> Vec<StreamId> {
        let mut wanted = HashSet::from([StreamId::Firm]);
        for waiting in self.waiting {
            if !self.known.contains_key(&waiting.submission.request_id) {
                wanted.extend(named_streams(&waiting.submission.command));
            }
        }
        wanted.retain(|stream| !self.cache.world().has(*stream));
        let mut wanted: Vec<_> = wanted.into_iter().collect();
        wanted.sort_unstable();
        wanted
    }
}

impl BatchPlan<'_> {
    fn take_in(&mut self, loaded: &LoadedStream) -> Result<(), Fault> {
        let firm = self.cache.firm();
        let (state, _) = state_of(firm, loaded)?;
        let kept = holder_of(firm, loaded.stream).zip(loaded.key.as_ref());
        let unwrap =
            |(holder, wrapped): (Uuid, &Vec<u8>)| self.firm_keys.unwrap(firm.0, holder, wrapped);
        let key = kept.map(unwrap).transpose().map_err(|error| {
            let what = format!("the key of {} cannot be unwrapped: {error}", loaded.stream);
            Fault::new(self.head.position, what)
        })?;
        self.cache.insert(loaded.stream, state, key);
        Ok(())
    }
}

impl Plan for BatchPlan<'_> {
    fn open(&mut self, opening: Opening) -> Step {
        self.cache.open(&opening.head, opening.meanwhile);
        // A clock that was set back waits where the log is: the same instant again, since one a little
        // later would be as untrue, and positions tell the order.
        self.recorded_at = self.now.max(opening.head.recorded_at);
        self.head = opening.head;
        self.known = opening.outcomes;
        let wanted = self.foreseen();
        if wanted.is_empty() { self.decide_on() } else { Step::Load(wanted) }
    }

    fn loaded(&mut self, streams: Vec<LoadedStream>) -> Step {
        for loaded in streams {
            if let Err(fault) = self.take_in(&loaded) {
                self.fault = Some(fault);
                return Step::Nothing;
            }
        }
        self.decide_on()
    }
}

/// The streams a command is certain to read.
fn named_streams(command: &Command) -> Vec<StreamId> {
    match command {
        Command::Case { case, actions, .. } => {
            let enrols = actions.iter().any(|dated| matches!(dated.action, CaseAction::Enrol(_)));
            let account = enrols.then(|| StreamId::Account(case.own_account()));
            std::iter::once(StreamId::Case(*case)).chain(account).collect()
        }
        Command::Account { account, .. } => vec![StreamId::Account(*account)],
        Command::CorrectMoney { account, correction, .. } => {
            let other = match correction.becomes {
                MoneyBecomes::MovedTo { account, .. } => Some(account),
                MoneyBecomes::Nothing | MoneyBecomes::OnDay(_) | MoneyBecomes::Told(_) => None,
            };
            std::iter::once(*account).chain(other).map(StreamId::Account).collect()
        }
        Command::Bank(action) => action.streams(),
        Command::Firm { .. } | Command::CorrectFirm(_) | Command::Begin(_) => Vec::new(),
        Command::Look(look) => look.cases.iter().copied().map(StreamId::Looks).collect(),
        Command::Couple { first, second, .. } => [first, second]
            .into_iter()
            .flat_map(|case| [StreamId::Case(*case), StreamId::Account(case.own_account())])
            .collect(),
        Command::Correct { case, corrections, .. } => {
            let others = corrections.iter().filter_map(Correction::other).map(StreamId::Case);
            let own = [StreamId::Case(*case), StreamId::Account(case.own_account())];
            own.into_iter().chain(others).collect()
        }
        Command::ClaimFee { case, .. }
        | Command::KeepFee { case, .. }
        | Command::Review { case } => {
            vec![StreamId::Case(*case), StreamId::Account(case.own_account())]
        }
        Command::BillAccount { account, .. } => {
            vec![StreamId::Account(*account), StreamId::Case(account.owner())]
        }
    }
}

/// Why an event that was decided cannot be kept.
#[derive(Clone, Copy)]
enum Unfit {
    TooLarge,
    OddDay,
}

impl Unfit {
    fn refusal(self) -> Refusal {
        match self {
            // C2SP tlog-tiles: an entry bundle states each entry's length in 16 bits.
            Self::TooLarge => Refusal::citing(
                Reason::TooLarge,
                "event",
                format!("the event would be larger than {EVENT_BYTES_MAX} bytes"),
                "C2SP tlog-tiles, entry bundles",
            ),
            Self::OddDay => Refusal::new(
                Reason::DateImpossible,
                "event",
                "a day in the event would not be of the years 0001 to 9999",
            ),
        }
    }
}

/// What each waiting command is answered, in order.
pub(crate) fn answers(verdicts: Vec<Verdict>) -> Vec<Result<Answer, SubmitError>> {
    let mut answers: Vec<Result<Answer, SubmitError>> = Vec::with_capacity(verdicts.len());
    for verdict in verdicts {
        let answer = match verdict {
            Verdict::Accepted(answer) => Ok(answer),
            Verdict::Refused(refusal) => Err(SubmitError::Refused(refusal)),
            Verdict::Replayed(first) => first,
            Verdict::Reused { first_seen } => Err(SubmitError::RequestReused { first_seen }),
            Verdict::SameAs(first) => {
                answers[first].clone().map(|answer| Answer { replayed: true, ..answer })
            }
            Verdict::Unnamed => Err(SubmitError::Unnamed),
            Verdict::Failed(what) => Err(SubmitError::Internal(what)),
        };
        answers.push(answer);
    }
    answers
}
