//! `verify` and `rebuild`.

use anyhow::Context;
use api::v1;
use api::v1::{rebuild_read_models_response, verify_log_response};
use indicatif::{ProgressBar, ProgressStyle};
use tonic::Request;

use crate::connect::{LONG_RUN_TIMEOUT, Session};
use crate::exit::Exit;
use crate::out::Out;

/// A bar over positions of the log.
fn bar(out: &Out, what: &'static str) -> anyhow::Result<ProgressBar> {
    if !out.shows_progress() {
        return Ok(ProgressBar::hidden());
    }
    let style = ProgressStyle::with_template("{msg} {bar:40} {human_pos} of {human_len} {eta}")
        .context("the bar's template is wrong")?;
    Ok(ProgressBar::new(0).with_style(style).with_message(what))
}

fn step(bar: &ProgressBar, progress: &v1::RunProgress) {
    // Positions are never negative.
    bar.set_length(u64::try_from(progress.head_position).unwrap_or(0));
    bar.set_position(u64::try_from(progress.position).unwrap_or(0));
}

/// Reads the whole log again and compares it with its root.
pub(crate) async fn verify(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let mut request = Request::new(v1::VerifyLogRequest { parent: session.firm()? });
    request.set_timeout(LONG_RUN_TIMEOUT);
    let mut stream = session.administration.verify_log(request).await?.into_inner();
    let bar = bar(out, "verifying")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "VerifyLogResponse")?;
        }
        match response.message {
            Some(verify_log_response::Message::Progress(progress)) => step(&bar, &progress),
            Some(verify_log_response::Message::Report(found)) => report = Some(found),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        show(&report, out)?;
    }
    Ok(if report.sound { Exit::Done } else { Exit::Unsound })
}

fn show(report: &v1::VerifyReport, out: &mut Out) -> std::io::Result<()> {
    if let Some(fault) = &report.fault {
        out.line(format!("NOT SOUND at position {}: {}", fault.position, fault.what))?;
        return out.note(
            "Write nothing more, keep the file as it is, and compare it with a copy of an earlier \
             day.",
        );
    }
    out.line(if report.sound { "The log is sound." } else { "NOT SOUND" })?;
    out.field("positions", format!("1 through {}", report.position))?;
    out.field("events", report.event_count)?;
    out.field("streams", report.stream_count)?;
    out.field("invoices", report.invoice_count)?;
    out.field("root", &report.root)
}

/// Makes the read models anew.
pub(crate) async fn rebuild(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let mut request = Request::new(v1::RebuildReadModelsRequest { parent: session.firm()? });
    request.set_timeout(LONG_RUN_TIMEOUT);
    let mut stream = session.administration.rebuild_read_models(request).await?.into_inner();
    let bar = bar(out, "rebuilding")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "RebuildReadModelsResponse")?;
        }
        match response.message {
            Some(rebuild_read_models_response::Message::Progress(progress)) => {
                step(&bar, &progress);
            }
            Some(rebuild_read_models_response::Message::Report(made)) => report = Some(made),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        out.line("The read models are made anew from the log.")?;
        out.field("generation", report.generation)?;
        out.field("position", report.position)?;
        out.field("events", report.event_count)?;
    }
    Ok(Exit::Done)
}
