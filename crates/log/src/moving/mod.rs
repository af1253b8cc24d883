//! Moving a firm's log to another store, word for word, and proving that it arrived.
//!
//! The source is only read. The target takes whole requests, each page in one transaction of its
//! own writer, with the source's bytes, ids, places and answers; so a move that is cut short has
//! left a log that is whole as far as it goes, and the next run goes on behind it.

mod append;

use domain::event::Recorded;
use domain::ids::{FirmId, RequestId};
use proof::{Frontier, Hash};

use crate::error::StoreError;
use crate::head::Head;
use crate::outcome::OutcomeResult;
use crate::ports::{AppendRow, LogStore};
use crate::remembered::Remembered;
use crate::settings::{MOVE_PAGE, MOVE_ROUNDS_MAX};
use crate::stored::Stored;
use crate::verify::{Span, Verifier, VerifyError, answers_of, finding};
use crate::verify::{invoice_number, read_page, recorded_of};
use crate::walk::Walk;
use append::{Append, Appended};

/// Leaf hashes of one read.
const LEAVES_PAGE: usize = 16_384;
/// People of one page.
const PEOPLE_PAGE: usize = 1_000;

/// A log that is the same in both stores.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MoveReport {
    /// Its events.
    pub events: u64,
    /// Answered requests, refusals included.
    pub requests: u64,
    /// The root over the source's leaf hashes, made anew, which is also its head's.
    pub source_root: Hash,
    /// The root over the target's bytes, made anew.
    pub target_root: Hash,
}

/// How far a move is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moving {
    /// The source's leaf hashes are read, and compared with its head and with the target's.
    Comparing {
        /// The position reached.
        position: u64,
        /// The last one.
        of: u64,
    },
    /// Events are at the target, with their requests' answers.
    Copying {
        /// The position reached.
        position: u64,
        /// The last one.
        of: u64,
    },
    /// The target's bytes are read again and hashed.
    Proving {
        /// The position reached.
        position: u64,
        /// The last one.
        of: u64,
    },
    /// Answers are compared one by one, and those missing at the target are copied.
    Answering {
        /// How many are the same by now.
        compared: u64,
    },
    /// The source was written to meanwhile: what is new is copied too.
    SourceGrew {
        /// The position it had.
        from: u64,
        /// The position it has; the same if requests were only refused.
        to: u64,
    },
}

/// Why a move stopped. What the target holds by then is a part of the source's log, whole requests
/// of it, and the same move goes on from there once the cause is gone.
#[derive(Debug, thiserror::Error)]
pub enum MoveError {
    /// The source's log is not what was written.
    #[error("the source is damaged at position {position}: {what}")]
    Source {
        /// The first position that is wrong; the head's if only the whole does not agree.
        position: u64,
        /// What is wrong, without personal values.
        what: String,
    },
    /// The target's log is not what was written.
    #[error("the target is damaged at position {position}: {what}")]
    Target {
        /// The first position that is wrong; the head's if only the whole does not agree.
        position: u64,
        /// What is wrong, without personal values.
        what: String,
    },
    /// The target's log is not a beginning of the source's.
    #[error("the target holds another log: it is not the source's from position {position} on")]
    Foreign {
        /// The first position at which they differ, or which the source does not have.
        position: u64,
    },
    /// The target has given an answer that the source has not.
    #[error("the target has answered request {request}, and the source has not or otherwise")]
    ForeignAnswer {
        /// The request.
        request: RequestId,
    },
    /// The source is written to faster than it is copied: nothing would ever be the last event.
    #[error(
        "the source is still written to: something was new in each of {rounds} rounds, the last of which \
         began at position {from} and ended at {to}"
    )]
    SourceInUse {
        /// How often what was new had been copied.
        rounds: u32,
        /// The position it had before the last round.
        from: u64,
        /// The position it has.
        to: u64,
    },
    /// Somebody else writes to the target.
    #[error("the target was written to by another program while its log was at {position}")]
    TargetInUse {
        /// The position at which the target was expected.
        position: u64,
    },
    /// The source cannot be read.
    #[error("the source cannot be read")]
    SourceStore(#[source] StoreError),
    /// The target cannot be read or written.
    #[error("the target cannot be read or written")]
    TargetStore(#[source] StoreError),
}

impl MoveError {
    fn at_source(error: VerifyError) -> Self {
        match error {
            VerifyError::Finding { position, what } => Self::Source { position, what },
            VerifyError::Store(error) => Self::SourceStore(error),
        }
    }

    fn at_target(error: VerifyError) -> Self {
        match error {
            VerifyError::Finding { position, what } => Self::Target { position, what },
            VerifyError::Store(error) => Self::TargetStore(error),
        }
    }
}

/// Copies everything that a firm's log at the target lacks, until both are the same, and proves it.
/// `progress` is told how far it is.
pub async fn move_log(
    source: &dyn LogStore,
    target: &dyn LogStore,
    firm: FirmId,
    progress: impl FnMut(Moving) + Send,
) -> Result<MoveReport, MoveError> {
    let reached = target.head(firm).await.map_err(MoveError::TargetStore)?;
    let (leaves, proof) = (Frontier::new(), Verifier::new(firm, Vec::new()));
    Move { source, target, firm, progress, leaves, reached, proof }.run().await
}

/// A move under way.
struct Move<'s, P> {
    source: &'s dyn LogStore,
    target: &'s dyn LogStore,
    firm: FirmId,
    progress: P,
    /// The tree over the source's leaf hashes, as far as they were read.
    leaves: Frontier,
    /// The end of the log at the target.
    reached: Head,
    /// What was read again at the target.
    proof: Verifier,
}

impl<P: FnMut(Moving) + Send> Move<'_, P> {
    async fn run(mut self) -> Result<MoveReport, MoveError> {
        let mut head = self.source_head().await?;
        let mut round = 1;
        loop {
            self.compare(&head).await?;
            self.copy(&head).await?;
            let target_root = self.prove(&head).await?;
            let walked = self.walk().await?;
            self.copy_people().await?;
            let now = self.source_head().await?;
            if now == head && walked.copied == 0 {
                return Ok(MoveReport {
                    events: head.position,
                    requests: walked.compared,
                    source_root: self.leaves.root(),
                    target_root,
                });
            }
            if round == MOVE_ROUNDS_MAX {
                let rounds = MOVE_ROUNDS_MAX;
                let (from, to) = (head.position, now.position);
                return Err(MoveError::SourceInUse { rounds, from, to });
            }
            // The first round finds answers to copy in a source that nobody writes to as well.
            if now != head || round > 1 {
                (self.progress)(Moving::SourceGrew { from: head.position, to: now.position });
            }
            (head, round) = (now, round + 1);
        }
    }

    async fn source_head(&self) -> Result<Head, MoveError> {
        self.source.head(self.firm).await.map_err(|error| MoveError::at_source(error.into()))
    }

    /// Reads the source's leaf hashes up to its head: they must lead to its root, and to the
    /// target's on the way.
    async fn compare(&mut self, head: &Head) -> Result<(), MoveError> {
        let ends_at = self.reached.position;
        if ends_at > head.position {
            return Err(self.foreign().await);
        }
        self.take_leaves_to(ends_at, head).await?;
        // In later rounds the leaves are further on, and the target is where this move brought it.
        if self.leaves.size() == ends_at && self.leaves != self.reached.frontier {
            return Err(self.foreign().await);
        }
        self.take_leaves_to(head.position, head).await?;
        if self.leaves == head.frontier { Ok(()) } else { Err(self.damaged(head).await) }
    }

    async fn take_leaves_to(&mut self, to: u64, head: &Head) -> Result<(), MoveError> {
        while self.leaves.size() < to {
            let after = self.leaves.size();
            let limit = page_limit(after, to, LEAVES_PAGE);
            let page = self.source.leaves(self.firm, after, limit).await;
            let page = page.map_err(|error| MoveError::at_source(error.into()))?;
            if page.is_empty() {
                return Err(MoveError::at_source(finding(after + 1, "the position is missing")));
            }
            for leaf in page {
                self.leaves.push(leaf);
            }
            (self.progress)(Moving::Comparing { position: self.leaves.size(), of: head.position });
        }
        Ok(())
    }

    /// Leaf hashes that do not lead to the source's root: the events say where.
    async fn damaged(&self, head: &Head) -> MoveError {
        let mut verifier = Verifier::new(self.firm, Vec::new());
        while verifier.position < head.position {
            let read = read_page(self.source, self.firm, verifier.position, head.position).await;
            let taken = read.map_err(VerifyError::from);
            let taken = taken.and_then(|(page, leaves)| verifier.take_page(&page, &leaves));
            if let Err(error) = taken {
                return MoveError::at_source(error);
            }
        }
        let whole = finding(head.position, "the head has another root");
        MoveError::at_source(verifier.finish(head).err().unwrap_or(whole))
    }

    /// Where the target parts from the source.
    async fn foreign(&self) -> MoveError {
        let mut after = 0;
        loop {
            let pages = futures::join!(
                self.source.leaves(self.firm, after, LEAVES_PAGE),
                self.target.leaves(self.firm, after, LEAVES_PAGE)
            );
            let (ours, theirs) = match pages {
                (Ok(ours), Ok(theirs)) => (ours, theirs),
                (Err(error), _) => return MoveError::at_source(error.into()),
                (_, Err(error)) => return MoveError::at_target(error.into()),
            };
            let same = ours.iter().zip(&theirs).take_while(|(ours, theirs)| ours == theirs).count();
            after += u64::try_from(same).unwrap_or(u64::MAX);
            if same == 0 || same < ours.len().min(theirs.len()) {
                return MoveError::Foreign { position: after + 1 };
            }
        }
    }

    /// Copies what the target lacks of the events, and the answers of their requests with them.
    async fn copy(&mut self, head: &Head) -> Result<(), MoveError> {
        while self.reached.position < head.position {
            let page = self.whole_requests(head.position).await.map_err(MoveError::at_source)?;
            let answers = answers_of(self.source, self.firm, &page.spans).await;
            let answers = answers.map_err(MoveError::at_source)?;
            let append = Append::new(&self.reached, page.rows, answers, page.head);
            self.reached = self.append(append).await?.head;
            (self.progress)(Moving::Copying { position: self.reached.position, of: head.position });
        }
        Ok(())
    }

    /// Copies the keys of people, wrapped as they are: no firm key is needed to move. They come after the
    /// events, so that no key is kept of whom the source erased meanwhile; an erasure after that is in
    /// the next round, which its event brings about.
    async fn copy_people(&self) -> Result<(), MoveError> {
        let mut after = None;
        loop {
            let page = self.source.people_after(self.firm, after, PEOPLE_PAGE).await;
            let page = page.map_err(MoveError::SourceStore)?;
            let Some(last) = page.last() else { return Ok(()) };
            after = Some(last.id);
            self.target.keep_people(self.firm, &page).await.map_err(MoveError::TargetStore)?;
        }
    }

    async fn append(&self, append: Append) -> Result<Appended, MoveError> {
        append.to(self.target, self.firm).await
    }

    /// The next events of the source that no request is cut in two by, and the head they lead to.
    async fn whole_requests(&self, up_to: u64) -> Result<Page, VerifyError> {
        let mut page = Page::after(self.reached.clone());
        loop {
            let after = page.head.position;
            let limit = page_limit(after, up_to, MOVE_PAGE);
            let (stored, leaves) = futures::try_join!(
                self.source.read(self.firm, after, limit),
                self.source.leaves(self.firm, after, limit)
            )?;
            if stored.is_empty() || leaves.len() < stored.len() {
                return Err(finding(after + 1, "the event or its leaf hash is missing"));
            }
            for (stored, leaf) in stored.into_iter().zip(leaves) {
                page.take(self.firm, stored, leaf)?;
            }
            // The last request may go on behind the page: it comes with the next, unless it is all
            // there is.
            if page.head.position == up_to || page.leave_last_out(&self.reached) {
                return Ok(page);
            }
        }
    }

    /// Reads the target's log again, from its bytes alone, and compares it with both heads.
    async fn prove(&mut self, head: &Head) -> Result<Hash, MoveError> {
        while self.proof.position < head.position {
            let after = self.proof.position;
            let proved = async {
                let (page, leaves) =
                    read_page(self.target, self.firm, after, head.position).await?;
                let spans = self.proof.take_page(&page, &leaves)?;
                answers_of(self.target, self.firm, &spans).await
            };
            proved.await.map_err(MoveError::at_target)?;
            (self.progress)(Moving::Proving { position: self.proof.position, of: head.position });
        }
        let last = self.proof.take_last();
        answers_of(self.target, self.firm, &last).await.map_err(MoveError::at_target)?;
        Ok(self.proof.finish(head).map_err(MoveError::at_target)?.root)
    }

    /// Compares every answer of both, and copies what is missing at the target: refusals above all,
    /// which come with no event.
    async fn walk(&mut self) -> Result<Walked, MoveError> {
        let (mut ours, mut theirs) =
            (Walk::of(self.source, self.firm), Walk::of(self.target, self.firm));
        let (mut missing, mut walked) = (Vec::new(), Walked { compared: 0, copied: 0 });
        loop {
            let our = ours.peek().await.map_err(MoveError::SourceStore)?;
            let their = theirs.peek().await.map_err(MoveError::TargetStore)?;
            let (our, their) = match (our, their) {
                (None, None) => break,
                (Some(our), their) => (our, their),
                (None, Some((request, _))) => {
                    return Err(MoveError::ForeignAnswer { request: *request });
                }
            };
            match their {
                Some(their) if their == our => {
                    theirs.pass();
                    walked.compared += 1;
                    if walked.compared % MOVE_ANSWERS_TOLD == 0 {
                        (self.progress)(Moving::Answering { compared: walked.compared });
                    }
                }
                Some((request, _)) if *request <= our.0 => {
                    return Err(MoveError::ForeignAnswer { request: *request });
                }
                Some(_) | None => {
                    if has_no_event_to_come(&our.1, &self.reached) {
                        missing.push(our.0);
                    }
                }
            }
            ours.pass();
            if missing.len() == MOVE_PAGE {
                walked.copied += self.give(&mut missing).await?;
            }
        }
        walked.copied += self.give(&mut missing).await?;
        (self.progress)(Moving::Answering { compared: walked.compared });
        Ok(walked)
    }

    /// Appends answers without events.
    async fn give(&self, missing: &mut Vec<RequestId>) -> Result<u64, MoveError> {
        if missing.is_empty() {
            return Ok(0);
        }
        let answers = self.source.answers(self.firm, missing).await;
        let answers = answers.map_err(|error| MoveError::at_source(error.into()))?;
        let (answers, head) = (answers.into_iter().collect(), self.reached.clone());
        missing.clear();
        let append = Append::new(&self.reached, Vec::new(), answers, head);
        Ok(self.append(append).await?.answers)
    }
}

/// Whether an answer may be given by itself: a refusal, or what recorded nothing that the log does not
/// hold. Others came in meanwhile, and come with their events.
fn has_no_event_to_come(remembered: &Remembered, reached: &Head) -> bool {
    match remembered {
        Remembered::Alone(outcome) => match &outcome.result {
            OutcomeResult::Refused(_) => true,
            OutcomeResult::Accepted(accepted) => accepted.last() <= reached.position,
        },
        Remembered::Recorded(stretch) => stretch.last() <= reached.position,
    }
}

/// How often the walk over the answers tells how far it is.
const MOVE_ANSWERS_TOLD: u64 = 1_000;

/// What a walk over all answers came to.
struct Walked {
    /// Answers that were the same in both.
    compared: u64,
    /// Answers that the target did not have.
    copied: u64,
}

/// So many of one page, and none behind the last position.
fn page_limit(after: u64, up_to: u64, most: usize) -> usize {
    usize::try_from(up_to.saturating_sub(after)).unwrap_or(most).min(most)
}

/// Events to append, and where they lead.
struct Page {
    rows: Vec<AppendRow>,
    spans: Vec<Span>,
    head: Head,
    /// The head before the last request.
    before_last: Head,
}

impl Page {
    fn after(head: Head) -> Self {
        Self { rows: Vec::new(), spans: Vec::new(), before_last: head.clone(), head }
    }

    /// Checks one event against its place and its leaf hash, and takes it in.
    fn take(&mut self, firm: FirmId, stored: Stored, leaf: Hash) -> Result<(), VerifyError> {
        let expected = self.head.position + 1;
        if stored.position != expected {
            return Err(finding(expected, "the position is missing"));
        }
        let recorded = recorded_of(firm, &stored, &leaf)?;
        let begun = self.spans.len();
        Span::extend(&mut self.spans, &recorded);
        if self.spans.len() > begun {
            self.before_last = self.head.clone();
        }
        self.head.position = expected;
        self.head.recorded_at = recorded.recorded_at;
        self.head.frontier.push(leaf);
        self.head.invoices += self.invoices_of(&recorded)?;
        self.rows.push(AppendRow { recorded: recorded.into(), bytes: stored.bytes, leaf });
        Ok(())
    }

    fn invoices_of(&self, recorded: &Recorded) -> Result<u64, VerifyError> {
        let Some(number) = invoice_number(&recorded.event) else { return Ok(0) };
        let next = self.head.invoices + 1;
        if number == next {
            Ok(1)
        } else {
            Err(finding(recorded.position, format!("invoice {next} is missing")))
        }
    }

    /// Leaves the last request to the next page. Whether anything is left in this one.
    fn leave_last_out(&mut self, reached: &Head) -> bool {
        if self.before_last.position == reached.position {
            return false;
        }
        self.head = self.before_last.clone();
        let kept = self.head.position - reached.position;
        self.rows.truncate(usize::try_from(kept).unwrap_or(usize::MAX));
        self.spans.pop();
        true
    }
}
