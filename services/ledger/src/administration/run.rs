//! Long work on a firm's log, told as it goes: verifying it, rebuilding the read models, and holding
//! what is derived against it.
//!
//! The work ends when its caller leaves; a rebuild that was given up leaves rows nobody reads. Progress
//! that nobody takes in time is left out, the report never is.

use std::sync::atomic::Ordering;

use api::requests::VerifyAsked;
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::ids::FirmId;
use log::{DerivedReport, Noted, RebuildReport, VerifyError, VerifyReport};

use crate::answers::{Answers, Outgoing, answers_of, run_progress};
use crate::audit::{self, Finding, Kept};
use crate::evidence::row_faults;
use crate::ledger::Ledger;
use store::VerificationRow;

/// Most faults of one report that are told one by one.
const FAULTS_TOLD_MAX: usize = 1_000;

/// Verifies the log.
pub(super) fn verify(ledger: &Ledger, asked: VerifyAsked) -> Answers<v1::VerifyLogResponse> {
    use v1::verify_log_response::Message;
    answers_of(ledger, async move |ledger: Ledger, outgoing: Outgoing<_>| {
        let told = |message| Ok(v1::VerifyLogResponse { message: Some(message) });
        let progress = |position, head| {
            let _ = outgoing.try_send(told(Message::Progress(run_progress(position, head))));
        };
        // What proofs rest on first: the log is at least as long when it is read.
        let Kept { mut noted, finding, remarks } = audit::kept(&ledger, asked.firm).await?;
        let how = "noted earlier";
        noted.extend(asked.checkpoint.map(|checkpoint| Noted { checkpoint, how }));
        let result = ledger.engine().verify_since(asked.firm, noted, progress).await;
        let result = result.and_then(|report| match finding {
            None => Ok(report),
            Some(Finding { position, what }) => Err(VerifyError::Finding { position, what }),
        });
        keep(&ledger, asked.firm, &result).await;
        let report = verify_report(&ledger, result, remarks)?;
        end(&outgoing, told(Message::Report(report))).await;
        Ok(())
    })
}

/// Keeps what a verification found that came to its end, for whoever asks when the last one was.
async fn keep(ledger: &Ledger, firm: FirmId, result: &Result<VerifyReport, VerifyError>) {
    let (position, root, finding) = match result {
        Ok(report) => (report.events, Some(report.root), None),
        Err(VerifyError::Finding { position, what }) => (*position, None, Some(what.clone())),
        Err(VerifyError::Store(_)) => return,
    };
    let row = VerificationRow { ended_at: ledger.now(), position, root, finding };
    // The caller hears of what was found whether or not the database takes a note of it.
    if let Err(error) = ledger.store().keep_verification(firm, &row).await {
        tracing::warn!(%firm, %error, "what a verification found is not kept");
    }
}

/// A log that is not what was written is the report's news, not a failure of the request.
fn verify_report(
    ledger: &Ledger,
    result: Result<VerifyReport, VerifyError>,
    mut remarks: Vec<String>,
) -> Result<v1::VerifyReport, Failure> {
    match result {
        Ok(report) => {
            remarks.extend(report.ran_back.iter().map(ToString::to_string));
            if report.answers_alone > 0 {
                remarks.push(format!(
                    "{} answers are kept to requests that were refused or recorded nothing. Each reads, and \
                     no event tells of them: one that was changed, made up or taken away is not noticed",
                    report.answers_alone
                ));
            }
            Ok(v1::VerifyReport {
                sound: true,
                position: int64(report.events),
                event_count: int64(report.events),
                stream_count: int64(report.streams),
                invoice_count: int64(report.invoices),
                root: report.root.hex(),
                fault: None,
                remarks,
            })
        }
        Err(VerifyError::Finding { position, what }) => {
            ledger.metrics().findings.fetch_add(1, Ordering::Relaxed);
            tracing::error!(position, what, "the log is not what was written");
            Ok(v1::VerifyReport {
                sound: false,
                position: int64(position),
                fault: Some(v1::LogFault { position: int64(position), what }),
                ..v1::VerifyReport::default()
            })
        }
        Err(VerifyError::Store(error)) => Err(error.into()),
    }
}

/// Rebuilds the read models.
pub(super) fn rebuild(ledger: &Ledger, firm: FirmId) -> Answers<v1::RebuildReadModelsResponse> {
    use v1::rebuild_read_models_response::Message;
    answers_of(ledger, async move |ledger: Ledger, outgoing: Outgoing<_>| {
        let told = |message| Ok(v1::RebuildReadModelsResponse { message: Some(message) });
        let progress = |position, head| {
            let _ = outgoing.try_send(told(Message::Progress(run_progress(position, head))));
        };
        let report = ledger.engine().rebuild(firm, progress).await?;
        end(&outgoing, told(Message::Report(rebuild_report(report)))).await;
        Ok(())
    })
}

fn rebuild_report(report: RebuildReport) -> v1::RebuildReport {
    v1::RebuildReport {
        generation: report.generation,
        position: int64(report.position),
        // The log is dense from 1, so its last position is also its count.
        event_count: int64(report.position),
    }
}

/// Holds read models, snapshots, and what is kept of clients and their documents against the log.
pub(super) fn check_derived(ledger: &Ledger, firm: FirmId) -> Answers<v1::CheckDerivedResponse> {
    use v1::check_derived_response::Message;
    answers_of(ledger, async move |ledger: Ledger, outgoing: Outgoing<_>| {
        let told = |message| Ok(v1::CheckDerivedResponse { message: Some(message) });
        let progress = |position, head| {
            let _ = outgoing.try_send(told(Message::Progress(run_progress(position, head))));
        };
        let report = ledger.engine().check_derived(firm, progress).await?;
        let mut rows = row_faults(&ledger, firm).await?;
        rows.extend(audit::seed_fault(&ledger, firm).await?);
        end(&outgoing, told(Message::Report(derived_report(&ledger, &report, rows)))).await;
        Ok(())
    })
}

/// Faults are the report's news, not a failure of the request.
fn derived_report(ledger: &Ledger, report: &DerivedReport, rows: Vec<String>) -> v1::DerivedReport {
    let mut faults: Vec<String> = report.faults.iter().map(ToString::to_string).collect();
    faults.extend(rows);
    let count = faults.len();
    if let Some(first) = faults.first() {
        ledger.metrics().findings.fetch_add(1, Ordering::Relaxed);
        tracing::error!(count, first, "what is derived does not follow from the log");
    }
    faults.truncate(FAULTS_TOLD_MAX);
    v1::DerivedReport {
        sound: count == 0,
        position: int64(report.position),
        faults,
        fault_count: i64::try_from(count).unwrap_or(i64::MAX),
    }
}

async fn end<T>(outgoing: &Outgoing<T>, last: Result<T, tonic::Status>) {
    // A caller who has left does not want it.
    let _ = outgoing.send(last).await;
}
