//! `finding`.

use std::str::FromStr;

use api::v1;
use calendar::CivilDate;
use clap::Args;

use crate::cli::Again;
use crate::connect::{Session, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::words;

/// What a person found.
#[derive(Args)]
pub(crate) struct FindingArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// A result and the day on which the report was issued that shows it: ITEM@BUREAU=DATE, and #N behind it where
    /// it is of the agreement's promised result N, which is in words alone
    #[arg(long = "shown", required = true, value_name = "ITEM@BUREAU=DATE[#N]")]
    shown: Vec<ShownBy>,
    /// The day of the finding, which helps what is asked for from then on; today if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    /// The position of the agreement's signing; the newest agreement if not given
    #[arg(long, value_name = "POSITION")]
    agreement: Option<i64>,
    /// Who found it (personal data)
    #[arg(long, value_name = "TEXT")]
    by: String,
    /// Why (personal data)
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// SHA-256 of what it rests on
    #[arg(long, value_name = "SHA256", default_value = "", hide_default_value = true)]
    document: String,
    #[command(flatten)]
    again: Again,
}

/// A result and a report.
#[derive(Clone)]
struct ShownBy {
    item: String,
    bureau: String,
    report_on: CivilDate,
    promise: Option<i32>,
}

impl FromStr for ShownBy {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let form = || "is ITEM@BUREAU=DATE, or ITEM@BUREAU=DATE#N".to_owned();
        let (listing, report) = text.split_once('=').ok_or_else(form)?;
        let (item, bureau) = listing.split_once('@').ok_or_else(form)?;
        let (day, promise) = match report.split_once('#') {
            Some((day, number)) => (day, Some(number.parse().map_err(|_| form())?)),
            None => (report, None),
        };
        let report_on = day.parse().map_err(|_| form())?;
        Ok(Self { item: item.into(), bureau: bureau.into(), report_on, promise })
    }
}

/// Records it.
pub(crate) async fn run(
    args: &FindingArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let found = args.shown.iter().map(|shown| v1::FoundResult {
        bureau: shown.bureau.clone(),
        item: shown.item.clone(),
        report_date: words::message(shown.report_on),
        promise: shown.promise,
    });
    let request = v1::RecordFindingRequest {
        name: session.case(&args.case).await?,
        request_id: request_id(args.again.request_id),
        expected_version: None,
        occurred_on: words::message(session.day(args.on).await?),
        agreement_position: args.agreement,
        found: found.collect(),
        found_by: args.by.clone(),
        reason: args.reason.clone(),
        document_sha256: args.document.clone(),
    };
    let answer = session.cases.record_finding(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "RecordFindingResponse")?;
    } else {
        let at = answer.position;
        out.line("The finding is recorded. `explain` says what it opens.")?;
        out.note(if answer.replayed {
            format!("It had been recorded before, up to position {at}.")
        } else {
            format!("Recorded up to position {at}.")
        })?;
    }
    Ok(Exit::Done)
}
