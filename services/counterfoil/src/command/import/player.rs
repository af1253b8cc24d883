//! Sends what a file asks for: cases over one stream with a window, money one by one.

use std::collections::VecDeque;
use std::time::Duration;

use anyhow::Context;
use api::v1;
use api::v1::record_stream_response::Result as Answered;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Code, Status, Streaming};

use super::parse::Asked;
use super::report::Report;
use crate::connect::Session;
use crate::exit::Exit;
use crate::fault::Fault;

/// Most requests that wait for their answer. The service keeps to the same order, so the actions of
/// a case stay in the order of the file.
const WINDOW: usize = 1_024;
/// How often a stream that breaks is opened anew before the import gives up.
const RETRIES_MAX: u32 = 5;
/// The first wait before that; each later one is twice as long.
const RETRY_WAIT: Duration = Duration::from_millis(200);

struct Open {
    sender: mpsc::Sender<v1::RecordStreamRequest>,
    answers: Streaming<v1::RecordStreamResponse>,
}

/// Plays requests in the order of a file.
pub(super) struct Player<'a> {
    session: &'a mut Session,
    open: Option<Open>,
    pending: VecDeque<(u64, v1::RecordRequest)>,
    retries: u32,
}

impl<'a> Player<'a> {
    /// Plays over a session.
    pub(super) fn new(session: &'a mut Session) -> Self {
        Self { session, open: None, pending: VecDeque::new(), retries: 0 }
    }

    /// Plays one line. Only a line that is asked for again if it is refused waits for its answer.
    pub(super) async fn play(
        &mut self,
        line: u64,
        mut tries: Vec<Asked>,
        report: &mut Report<'_>,
    ) -> anyhow::Result<()> {
        // A line with a request id of its own is the same request each time.
        tries.dedup_by(|a, b| a.request_id() == b.request_id());
        let mut tries = VecDeque::from(tries);
        match (tries.pop_front(), tries.is_empty()) {
            (Some(Asked::Record(request)), true) => self.record(line, request, report).await,
            (Some(first), _) => {
                // After everything before it was answered, so that the file's order is kept.
                self.settle(report).await?;
                let mut answer = self.one(first).await?;
                while let (Err(_), Some(next)) = (&answer, tries.pop_front()) {
                    answer = self.one(next).await?;
                }
                match answer {
                    Ok((events, replayed)) => {
                        report.recorded(events, replayed);
                        Ok(())
                    }
                    Err(fault) => refused(line, &fault, report),
                }
            }
            (None, _) => Ok(()),
        }
    }

    /// Sends one request and waits for its answer: how many events, and whether they were there; or
    /// why it is refused. Anything else stops the import.
    async fn one(&mut self, asked: Asked) -> anyhow::Result<Result<(i32, bool), Fault>> {
        let answer = match asked {
            Asked::Record(request) => {
                let answer = self.session.cases.record(request).await;
                answer.map(|answer| {
                    let recorded = answer.into_inner();
                    (recorded.event_count, recorded.replayed, recorded.position)
                })
            }
            Asked::Payment(request) => {
                let answer = self.session.accounts.record_payment(request).await;
                answer.map(|answer| {
                    let receipt = answer.into_inner().receipt.unwrap_or_default();
                    (receipt.event_count, receipt.replayed, receipt.position)
                })
            }
        };
        match answer {
            Ok((events, replayed, position)) => {
                self.session.position = self.session.position.max(position);
                Ok(Ok((events, replayed)))
            }
            Err(status) if Exit::of_code(status.code()) == Exit::Refused => {
                Ok(Err(Fault::of_status(&status)))
            }
            Err(status) => Err(status.into()),
        }
    }

    /// Sends actions on a case. Its answer may come much later.
    async fn record(
        &mut self,
        line: u64,
        request: v1::RecordRequest,
        report: &mut Report<'_>,
    ) -> anyhow::Result<()> {
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
                report.recorded(recorded.event_count, recorded.replayed);
                self.session.position = self.session.position.max(recorded.position);
                Ok(())
            }
            Some(Answered::Error(status)) => refused(line, &Fault::of_message(&status), report),
            None => anyhow::bail!("an answer without a result came for line {line}"),
        }
    }

    async fn settle(&mut self, report: &mut Report<'_>) -> anyhow::Result<()> {
        while !self.pending.is_empty() {
            self.answer(report).await?;
        }
        Ok(())
    }

    /// Waits for what is still to be answered.
    pub(super) async fn finish(mut self, report: &mut Report<'_>) -> anyhow::Result<()> {
        self.settle(report).await
    }
}

/// A refused line is bad and the rest goes on; anything else is no fault of the line and stops.
fn refused(line: u64, fault: &Fault, report: &mut Report<'_>) -> anyhow::Result<()> {
    if Exit::of_code(fault.code) == Exit::Refused {
        return report.bad(line, fault.field(), &fault.one_line());
    }
    let code = if fault.code == Code::Ok { Code::Unknown } else { fault.code };
    Err(anyhow::Error::new(Status::new(code, format!("line {line}: {}", fault.one_line()))))
}
