//! `export`: an examiner's bundle, written to a file.

use std::path::{Path, PathBuf};

use anyhow::Context;
use api::v1;
use api::v1::export_bundle_request::Scope;
use api::v1::export_bundle_response::Message;
use calendar::CivilDate;
use clap::Args;

use super::log_care::{bar, step};
use crate::connect::{Session, patient};
use crate::exit::{Exit, Stop};
use crate::newfile::NewFile;
use crate::out::Out;
use crate::words;

/// What to put into the bundle, and where to.
#[derive(Args)]
#[command(group = clap::ArgGroup::new("scope").required(true).args(["all", "case", "from"]))]
pub(crate) struct ExportArgs {
    /// The whole log: the only bundle that proves that nothing is left out
    #[arg(long)]
    all: bool,
    /// One client's record, and that of whoever pays for them; may be given several times
    #[arg(long, value_name = "CASE", num_args = 1..)]
    case: Vec<String>,
    /// Every client with something that happened from this day on
    #[arg(long, value_name = "DAY", requires = "to")]
    from: Option<CivilDate>,
    /// Through this day
    #[arg(long, value_name = "DAY", requires = "from")]
    to: Option<CivilDate>,
    /// Hand out the keys of the personal values in it as well, so that its holder can read them
    #[arg(long)]
    open_personal: bool,
    /// Put the scans and letters in as well, as they were uploaded: whoever has the bundle can read them
    #[arg(long)]
    documents: bool,
    /// Make it at this kept checkpoint, to have the same bytes once more as long as no key was rotated or revoked
    #[arg(long, value_name = "SIZE")]
    at: Option<u32>,
    /// The file to write, which must not be there yet
    #[arg(long, short, value_name = "FILE", default_value = "bundle.zip")]
    output: PathBuf,
}

/// Makes a bundle.
pub(crate) async fn run(
    args: ExportArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    // The name may be the default one: the option that gives another is named.
    if args.output.symlink_metadata().is_ok() {
        let taken = format!("--output: there is a file at {} already", args.output.display());
        return Err(Stop::usage(taken));
    }
    let scope = match (args.from, args.to) {
        (Some(from), Some(through)) => Scope::Days(v1::DaySelection {
            from: words::message(from),
            through: words::message(through),
        }),
        _ if args.all => Scope::WholeLog(v1::WholeLog {}),
        _ => Scope::Cases(v1::CaseSelection { names: session.cases_named(&args.case).await? }),
    };
    let request = v1::ExportBundleRequest {
        parent: session.firm()?,
        scope: Some(scope),
        open_personal: args.open_personal,
        tree_size: args.at.map_or(0, i64::from),
        documents: args.documents,
    };
    let report = receive(request, session, &args.output, out).await?;
    if out.is_json() {
        out.message(&report, "BundleReport")?;
        return Ok(Exit::Done);
    }
    out.line(format!("The bundle is in {}.", args.output.display()))?;
    out.field("events", report.event_count)?;
    out.field("clients", report.case_count)?;
    if args.documents {
        out.field("documents", report.document_count)?;
    }
    out.field("log's size", report.tree_size)?;
    out.field("log's root", &report.root)?;
    out.field("signed by", &report.verifier_key)?;
    out.field("bytes", report.byte_count)?;
    out.field("sha256", &report.sha256)?;
    out.note("Whoever gets it needs the firm's public key from elsewhere: counterfoil keys export-public")?;
    Ok(Exit::Done)
}

/// Writes the archive beside its place, and moves it there when it is whole.
async fn receive(
    request: v1::ExportBundleRequest,
    session: &mut Session,
    to: &Path,
    out: &Out,
) -> anyhow::Result<v1::BundleReport> {
    let mut file = NewFile::beside(to)?;
    let mut stream = session.audit.export_bundle(patient(request)).await?.into_inner();
    let bar = bar(out, "exporting")?;
    let (mut bytes, mut report) = (0, None);
    while let Some(response) = stream.message().await? {
        match response.message {
            Some(Message::Progress(progress)) => step(&bar, &progress),
            Some(Message::Chunk(chunk)) => {
                bytes += chunk.len();
                file.write(&chunk)?;
            }
            Some(Message::Report(made)) => report = Some(made),
            None => {}
        }
    }
    bar.finish_and_clear();
    let report = report.context("the service ended the export without a report")?;
    anyhow::ensure!(
        i64::try_from(bytes) == Ok(report.byte_count),
        "the archive came incomplete: {bytes} of {} bytes",
        report.byte_count
    );
    file.keep()?;
    Ok(report)
}
