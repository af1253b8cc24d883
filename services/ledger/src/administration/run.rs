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
use log::{DerivedReport, RebuildReport, VerifyError, VerifyReport};

use crate::answers::{Answers, Outgoing, answers_of, run_progress};
use crate::ledger::Ledger;

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
        let result = ledger.engine().verify_since(asked.firm, asked.checkpoint, progress).await;
        let report = verify_report(&ledger, result)?;
        end(&outgoing, told(Message::Report(report))).await;
        Ok(())
    })
}

/// A log that is not what was written is the report's news, not a failure of the request.
fn verify_report(
    ledger: &Ledger,
    result: Result<VerifyReport, VerifyError>,
) -> Result<v1::VerifyReport, Failure> {
    match result {
        Ok(report) => Ok(v1::VerifyReport {
            sound: true,
            position: int64(report.events),
            event_count: int64(report.events),
            stream_count: int64(report.streams),
            invoice_count: int64(report.invoices),
            root: report.root.hex(),
            fault: None,
            remarks: report.ran_back.iter().map(ToString::to_string).collect(),
        }),
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

/// Holds read models, snapshots and keys against the log.
pub(super) fn check_derived(ledger: &Ledger, firm: FirmId) -> Answers<v1::CheckDerivedResponse> {
    use v1::check_derived_response::Message;
    answers_of(ledger, async move |ledger: Ledger, outgoing: Outgoing<_>| {
        let told = |message| Ok(v1::CheckDerivedResponse { message: Some(message) });
        let progress = |position, head| {
            let _ = outgoing.try_send(told(Message::Progress(run_progress(position, head))));
        };
        let report = ledger.engine().check_derived(firm, progress).await?;
        end(&outgoing, told(Message::Report(derived_report(&ledger, &report)))).await;
        Ok(())
    })
}

/// Faults are the report's news, not a failure of the request.
fn derived_report(ledger: &Ledger, report: &DerivedReport) -> v1::DerivedReport {
    let count = report.faults.len();
    if count > 0 {
        ledger.metrics().findings.fetch_add(1, Ordering::Relaxed);
        tracing::error!(count, first = %report.faults[0], "what is derived does not follow from the log");
    }
    v1::DerivedReport {
        sound: count == 0,
        position: int64(report.position),
        faults: report.faults.iter().take(FAULTS_TOLD_MAX).map(ToString::to_string).collect(),
        fault_count: i64::try_from(count).unwrap_or(i64::MAX),
    }
}

async fn end<T>(outgoing: &Outgoing<T>, last: Result<T, tonic::Status>) {
    // A caller who has left does not want it.
    let _ = outgoing.send(last).await;
}
