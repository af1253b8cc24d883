//! Sends what a file asks for: cases over one stream with a window, money one by one.

use std::collections::VecDeque;
use std::time::Duration;

use anyhow::Context;
use api::v1;
use api::v1::record_stream_response::Result as Answered;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Code, Status, Streaming};

use super::parse::{Asked, Reader};
use super::replayed::{Corrections, Replayed};
use super::report::Report;
use crate::connect::Session;
use crate::exit::Exit;
use crate::fault::Fault;

/// Most requests that wait for their answer. The service keeps to the same order, so the actions of
/// a case stay in the order of the file.
const WINDOW: usize = 1_024;
/// Most requests for one line that was refused: one for each time that its file was imported.
const ATTEMPTS_MAX: u32 = 100;
/// How often a stream that breaks is opened anew before the import gives up.
const RETRIES_MAX: u32 = 5;
/// The first wait before that; each later one is twice as long.
const RETRY_WAIT: Duration = Duration::from_millis(200);

struct Open {
    sender: mpsc::Sender<v1::RecordStreamRequest>,
    answers: Streaming<v1::RecordStreamResponse>,
}

/// A line as it is read.
pub(super) struct Played {
    /// Counted from 1.
    pub(super) number: u64,
    pub(super) text: String,
}

/// What became of a line that was recorded, now or before.
struct Done {
    first: i64,
    events: i32,
    replayed: bool,
    position: i64,
}

impl Done {
    fn of(recorded: &v1::RecordResponse) -> Self {
        Self {
            first: recorded.first_position,
            events: recorded.event_count,
            replayed: recorded.replayed,
            position: recorded.position,
        }
    }
}

/// Plays requests in the order of a file.
pub(super) struct Player<'a> {
    session: &'a mut Session,
    reader: Reader,
    open: Option<Open>,
    pending: VecDeque<(Played, v1::RecordRequest)>,
    /// Lines that were refused before, and those after them that were refused since: what they lacked may
    /// be in the lines before.
    again: Vec<Played>,
    /// Lines that were recorded before: what they told may have been taken back since.
    replayed: Vec<Replayed>,
    retries: u32,
}

impl<'a> Player<'a> {
    /// Plays over a session.
    pub(super) fn new(session: &'a mut Session, reader: Reader) -> Self {
        let (pending, again, replayed) = (VecDeque::new(), Vec::new(), Vec::new());
        Self { session, reader, open: None, pending, again, replayed, retries: 0 }
    }

    /// Plays one line. What became of money waits for its answer.
    pub(super) async fn play(
        &mut self,
        line: Played,
        asked: Asked,
        report: &mut Report<'_>,
    ) -> anyhow::Result<()> {
        match asked {
            Asked::Record(request) => self.record(line, request, report).await,
            Asked::Payment(_) => {
                // After everything before it was answered, so that the file's order is kept.
                self.settle(report).await?;
                match self.one(asked).await? {
                    Ok(done) => {
                        self.done(line.number, &done, report);
                        Ok(())
                    }
                    Err(fault) if fault.answered_before => self.anew(line, fault, report).await,
                    Err(fault) => refused(line.number, &fault, report),
                }
            }
        }
    }

    /// Asks for a line that was refused before under one new request id after the other, until an answer is
    /// a new one. A line that has an id of its own is that request, and no other.
    async fn anew(
        &mut self,
        line: Played,
        mut fault: Fault,
        report: &mut Report<'_>,
    ) -> anyhow::Result<()> {
        let read = |attempt| self.reader.line(&line.text, attempt);
        let same = matches!((read(0), read(1)), (Ok(one), Ok(other)) if one == other);
        for attempt in (1..=ATTEMPTS_MAX).take_while(|_| !same) {
            let asked =
                self.reader.line(&line.text, attempt).context("the line was read before")?;
            match self.one(asked).await? {
                Ok(done) => {
                    self.done(line.number, &done, report);
                    return Ok(());
                }
                Err(found) => fault = found,
            }
            if !fault.answered_before {
                break;
            }
        }
        refused(line.number, &fault, report)
    }

    /// Notes that a line is recorded, now or before.
    fn done(&mut self, line: u64, done: &Done, report: &mut Report<'_>) {
        let Done { first, events, replayed, .. } = *done;
        if replayed {
            self.replayed.push(Replayed { line, first, events });
        }
        self.session.position = self.session.position.max(done.position);
        report.recorded(events, replayed);
    }

    /// Sends one request and waits for its answer: what it recorded, or why it is refused. Anything else stops the
    /// import.
    async fn one(&mut self, asked: Asked) -> anyhow::Result<Result<Done, Fault>> {
        let answer = match asked {
            Asked::Record(request) => {
                let answer = self.session.cases.record(request).await;
                answer.map(|answer| Done::of(&answer.into_inner()))
            }
            Asked::Payment(request) => {
                let answer = self.session.accounts.record_payment(request).await;
                answer.map(|answer| {
                    let receipt = answer.into_inner().receipt.unwrap_or_default();
                    Done {
                        first: receipt.first_position,
                        events: receipt.event_count,
                        replayed: receipt.replayed,
                        position: receipt.position,
                    }
                })
            }
        };
        match answer {
            Ok(done) => Ok(Ok(done)),
            Err(status) if Exit::of_code(status.code()) == Exit::Refused => {
                Ok(Err(Fault::of_status(&status)))
            }
            Err(status) => Err(status.into()),
        }
    }

    /// Sends actions on a case. Its answer may come much later.
    async fn record(
        &mut self,
        line: Played,
        request: v1::RecordRequest,
        report: &mut Report<'_>,
    ) -> anyhow::Result<()> {
        if !self.again.is_empty() {
            self.settle(report).await?;
        }
        while self.pending.len() >= WINDOW {
            self.answer(report).await?;
        }
        self.pending.push_back((line, request.clone()));
        match &self.open {
            Some(open) => {
                let message = v1::RecordStreamRequest { record: Some(request) };
                // A stream that has ended tells why when its answer is read.
                let _ = open.sender.send(message).await;
                Ok(())
            }
            None => self.reopen().await,
        }
    }

    /// Opens a stream and sends everything that has no answer yet: each was either never seen, or is
    /// answered as it was the first time.
    async fn reopen(&mut self) -> anyhow::Result<()> {
        let (sender, requests) = mpsc::channel(WINDOW);
        for (_, request) in &self.pending {
            let message = v1::RecordStreamRequest { record: Some(request.clone()) };
            sender.try_send(message).context("the window is as wide as the channel")?;
        }
        let stream = self.session.cases.record_stream(ReceiverStream::new(requests)).await;
        match stream {
            Ok(answers) => {
                self.open = Some(Open { sender, answers: answers.into_inner() });
                Ok(())
            }
            Err(status) => self.broken(status).await,
        }
    }

    /// Waits before the next try, or gives up.
    async fn broken(&mut self, status: Status) -> anyhow::Result<()> {
        self.open = None;
        if Exit::of_code(status.code()) != Exit::Unavailable || self.retries == RETRIES_MAX {
            return Err(status.into());
        }
        tokio::time::sleep(RETRY_WAIT * 2_u32.pow(self.retries)).await;
        self.retries += 1;
        Ok(())
    }

    /// Takes one answer.
    async fn answer(&mut self, report: &mut Report<'_>) -> anyhow::Result<()> {
        let Some(open) = &mut self.open else { return self.reopen().await };
        let answer = match open.answers.message().await {
            Ok(Some(answer)) => answer,
            Ok(None) => return self.broken(Status::unavailable("the stream ended early")).await,
            Err(status) => return self.broken(status).await,
        };
        self.retries = 0;
        let (line, request) = self.pending.pop_front().context("an answer to nothing came")?;
        anyhow::ensure!(answer.request_id == request.request_id, "answers came out of order");
        match answer.result {
            Some(Answered::Recorded(recorded)) => {
                self.done(line.number, &Done::of(&recorded), report);
                Ok(())
            }
            Some(Answered::Error(status)) => {
                let fault = Fault::of_message(&status);
                if fault.answered_before || !self.again.is_empty() && is_refusal(&fault) {
                    self.again.push(line);
                    return Ok(());
                }
                refused(line.number, &fault, report)
            }
            None => anyhow::bail!("an answer without a result came for line {}", line.number),
        }
    }

    async fn settle(&mut self, report: &mut Report<'_>) -> anyhow::Result<()> {
        while !self.pending.is_empty() {
            self.answer(report).await?;
        }
        for line in std::mem::take(&mut self.again) {
            let asked = self.reader.line(&line.text, 0).context("the line was read before")?;
            match self.one(asked).await? {
                Ok(done) => self.done(line.number, &done, report),
                Err(fault) => self.anew(line, fault, report).await?,
            }
        }
        Ok(())
    }

    /// Waits for what is still to be answered.
    pub(super) async fn finish(mut self, report: &mut Report<'_>) -> anyhow::Result<()> {
        self.settle(report).await?;
        let Some(first) = self.replayed.iter().map(|replayed| replayed.first).min() else {
            return Ok(());
        };
        let Some(corrections) = Corrections::since(first, self.session).await? else {
            return report.unread();
        };
        for replayed in &self.replayed {
            if let Some(by) = corrections.taken_back(replayed) {
                report.taken_back(replayed.line, by)?;
            }
        }
        Ok(())
    }
}

fn is_refusal(fault: &Fault) -> bool {
    Exit::of_code(fault.code) == Exit::Refused
}

/// A refused line is bad and the rest goes on; anything else is no fault of the line and stops.
fn refused(line: u64, fault: &Fault, report: &mut Report<'_>) -> anyhow::Result<()> {
    if is_refusal(fault) {
        return report.bad(line, fault.field(), &fault.one_line());
    }
    let code = if fault.code == Code::Ok { Code::Unknown } else { fault.code };
    Err(anyhow::Error::new(Status::new(code, format!("line {line}: {}", fault.one_line()))))
}
