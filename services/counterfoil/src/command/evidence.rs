//! `evidence`: scans and letters.

use std::path::{Path, PathBuf};

use anyhow::Context;
use api::{DOCUMENT_BYTES_MAX, name, scalar, v1};
use clap::{Args, Subcommand};
use domain::ids::DocumentHash;
use indicatif::ProgressBar;
use sha2::{Digest as _, Sha256};
use v1::check_evidence_response::Message;
use v1::{download_response, upload_request};

use super::log_care::bar;
use crate::connect::{Session, patient};
use crate::exit::{Exit, Stop};
use crate::newfile::NewFile;
use crate::out::Out;

/// Bytes of a document in one message.
const DATA_BYTES: usize = 256 << 10;

/// What to do with scans and letters.
#[derive(Subcommand)]
pub(crate) enum EvidenceCommand {
    /// Keep a document of a client, sealed, and print the SHA-256 that actions name it by
    Add(AddArgs),
    /// Write a document of a client to a file (personal data)
    Get(GetArgs),
    /// Look for every document that events name or that was uploaded, and open it
    Check,
}

/// Which document of whom.
#[derive(Args)]
pub(crate) struct AddArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// A PDF, PNG, JPEG or TIFF file, or plain text in UTF-8, of at most 25 MiB
    file: PathBuf,
}

/// Which document of whom, and where to.
#[derive(Args)]
pub(crate) struct GetArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// The SHA-256 of the document
    #[arg(value_parser = DocumentHash::parse)]
    sha256: DocumentHash,
    /// The new file; one that is there is not overwritten
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
}

/// Runs one.
pub(crate) async fn run(
    command: EvidenceCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        EvidenceCommand::Add(args) => add(&args, session, out).await,
        EvidenceCommand::Get(args) => get(&args, session, out).await,
        EvidenceCommand::Check => check(session, out).await,
    }
}

async fn add(args: &AddArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let case = session.case(&args.case).await?;
    let content = read(&args.file)?;
    // Said beforehand, so that what arrives is what was read here.
    let sha256 = DocumentHash(Sha256::digest(&content).into()).to_string();
    let size_bytes = scalar::int64(u64::try_from(content.len()).unwrap_or(u64::MAX));
    let start = upload_request::Part::Start(v1::UploadStart { name: case, size_bytes, sha256 });
    let data = content.chunks(DATA_BYTES).map(|data| upload_request::Part::Data(data.to_vec()));
    let parts = std::iter::once(start).chain(data);
    let parts: Vec<_> = parts.map(|part| v1::UploadRequest { part: Some(part) }).collect();
    let request = patient(futures::stream::iter(parts));
    let answer = session.evidence.upload(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "UploadResponse")?;
        return Ok(Exit::Done);
    }
    let document = answer.document.context("the service answered without a document")?;
    out.line(&document.sha256)?;
    let existed = if answer.existed { "; it was kept before" } else { "" };
    out.note(format!("{}, {} bytes{existed}", document.media_type, document.size_bytes))?;
    Ok(Exit::Done)
}

/// A file of a size that is taken.
fn read(path: &Path) -> anyhow::Result<Vec<u8>> {
    let unreadable = || format!("cannot read {}", path.display());
    let length = std::fs::metadata(path).with_context(unreadable)?.len();
    if usize::try_from(length).map_or(true, |length| length > DOCUMENT_BYTES_MAX) {
        return Err(Stop::refused(format!(
            "{} has {length} bytes; a document has at most {DOCUMENT_BYTES_MAX}",
            path.display()
        )));
    }
    std::fs::read(path).with_context(unreadable)
}

async fn get(args: &GetArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let mut file = NewFile::beside(&args.to)?;
    let name = session.case(&args.case).await?;
    let request = v1::DownloadRequest { name, sha256: args.sha256.to_string() };
    let mut stream = session.evidence.download(request).await?.into_inner();
    let (mut document, mut hash) = (None, Sha256::new());
    while let Some(message) = stream.message().await? {
        match message.part {
            Some(download_response::Part::Document(told)) => document = Some(told),
            Some(download_response::Part::Data(data)) => {
                hash.update(&data);
                file.write(&data)?;
            }
            None => {}
        }
    }
    if DocumentHash(hash.finalize().into()) != args.sha256 {
        return Err(Stop::unavailable("the document did not arrive whole; try again"));
    }
    file.keep()?;
    let document = document.context("the service answered without a document")?;
    if out.is_json() {
        let part = Some(download_response::Part::Document(document));
        out.message(&v1::DownloadResponse { part }, "DownloadResponse")?;
        return Ok(Exit::Done);
    }
    out.note(format!(
        "{} holds {}, {} bytes",
        args.to.display(),
        document.media_type,
        document.size_bytes
    ))?;
    Ok(Exit::Done)
}

/// Checks every document.
pub(super) async fn check(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let request = patient(v1::CheckEvidenceRequest { parent: session.firm()? });
    let mut stream = session.evidence.check_evidence(request).await?.into_inner();
    let bar = bar(out, "checking")?;
    let mut report = None;
    while let Some(response) = stream.message().await? {
        if out.is_json() {
            out.message(&response, "CheckEvidenceResponse")?;
        }
        match response.message {
            Some(Message::Progress(progress)) => step(&bar, &progress),
            Some(Message::Finding(found)) if !out.is_json() => {
                bar.suspend(|| out.line(finding(&found)))?;
            }
            Some(Message::Report(found)) => report = Some(found),
            Some(Message::Finding(_)) | None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the run without a report")?;
    if !out.is_json() {
        show(&report, out)?;
    }
    Ok(if report.sound { Exit::Done } else { Exit::Unsound })
}

fn step(bar: &ProgressBar, progress: &v1::EvidenceProgress) {
    // Counts are never negative.
    bar.set_length(u64::try_from(progress.cases).unwrap_or(0));
    bar.set_position(u64::try_from(progress.checked_cases).unwrap_or(0));
}

fn finding(found: &v1::EvidenceFinding) -> String {
    let fault = match found.fault() {
        v1::EvidenceFault::Unspecified => "NOT AS IT SHOULD BE",
        v1::EvidenceFault::Missing => "MISSING",
        v1::EvidenceFault::Altered => "ALTERED",
        v1::EvidenceFault::Row => "ROW OF evidence MISSING OR ALTERED",
    };
    let case = name::parse_case(&found.name).map(|(_, case)| case.to_string());
    let case = case.unwrap_or_default();
    if found.sha256.is_empty() {
        return format!(
            "{fault}: stored as {} for case {case}, named by no event",
            found.stored_name
        );
    }
    format!("{fault}: {} of case {case}, named by event {}", found.sha256, found.position)
}

fn show(report: &v1::EvidenceReport, out: &mut Out) -> std::io::Result<()> {
    let sound = match report.unopened_count {
        0 => {
            "Every document of which there is a row or a file is there, and opens to what was uploaded."
        }
        _ => {
            "Every document of which there is a row or a file is there, and all but those not opened open to what was uploaded."
        }
    };
    out.line(if report.sound { sound } else { "NOT SOUND: see the documents above." })?;
    out.field("named by events", report.named_count)?;
    out.field("whole", report.whole_count)?;
    out.field("neither row nor file", report.absent_count)?;
    out.field("of erased clients", report.erased_count)?;
    out.field("missing", report.missing_count)?;
    out.field("altered", report.altered_count)?;
    out.field("rows altered", report.row_count)?;
    out.field("named by no event", report.unnamed_count)?;
    out.field("not opened", report.unopened_count)?;
    out.field("without a key", report.keyless_count)?;
    if report.absent_count > 0 {
        out.note(
            "Neither row nor file: never uploaded here, or both were taken away; no event tells which.",
        )?;
    }
    if report.unopened_count > 0 {
        out.note(
            "Not opened: no event and no row tells the hash. Uploaded by an earlier version, cut off \
             before the row was written, or the row was changed or taken away.",
        )?;
    }
    if !report.sound {
        out.note("Take the files from a backup, or upload the documents again: evidence add.")?;
    }
    Ok(())
}
