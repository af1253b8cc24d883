//! `clients`.

use api::v1;
use clap::{Args, ValueEnum};

use crate::cli::Limit;
use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::{find, words};

/// Where a case stands.
#[derive(Clone, Copy, ValueEnum)]
enum State {
    /// Enrolled, no agreement in force yet
    Enrolled,
    /// The agreement is signed; work is not open yet
    Signed,
    /// Work is open
    Open,
    /// Service is paused
    Paused,
    /// Service ended
    Ended,
    /// Cancelled in the cancellation days
    Cancelled,
}

impl State {
    fn message(self) -> v1::CaseState {
        match self {
            Self::Enrolled => v1::CaseState::Enrolled,
            Self::Signed => v1::CaseState::Signed,
            Self::Open => v1::CaseState::Open,
            Self::Paused => v1::CaseState::Paused,
            Self::Ended => v1::CaseState::Ended,
            Self::Cancelled => v1::CaseState::Cancelled,
        }
    }
}

/// In which order, after it by id.
#[derive(Clone, Copy, ValueEnum)]
enum Order {
    /// By the next day on which a clock is due; cases without a running clock come last
    NextDue,
    /// By the day of enrolment
    Enrolled,
}

impl Order {
    fn field(self) -> &'static str {
        match self {
            Self::NextDue => "next_due_on",
            Self::Enrolled => "enrolled_on",
        }
    }
}

/// Which clients.
#[derive(Args)]
pub(crate) struct ClientsArgs {
    /// Only cases in this state
    #[arg(long)]
    state: Option<State>,
    /// Only cases with something that needs a person
    #[arg(long)]
    exceptions: bool,
    /// In this order; by id without it
    #[arg(long)]
    order: Option<Order>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists clients.
pub(crate) async fn run(
    args: &ClientsArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let filter = v1::ListCasesRequest {
        state: args.state.map_or(0, |state| state.message().into()),
        has_exception: args.exceptions.then_some(true),
        order_by: args.order.map(Order::field).unwrap_or_default().to_owned(),
        ..Default::default()
    };
    let cases = find::cases(session, &filter, args.limit.limit).await?;
    if out.is_json() {
        let find::Gathered { entries, next_page_token } = cases;
        let position = session.position;
        let answer = v1::ListCasesResponse { cases: entries, next_page_token, position };
        out.message(&answer, "ListCasesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "case",
        "~client",
        "state",
        "plan",
        "seat",
        "enrolled",
        ">ready",
        ">listed",
        ">deleted",
        ">rounds",
        ">exposures",
        ">exceptions",
        "next due",
    ]);
    for case in &cases.entries {
        table.row([
            words::id(&case.name),
            case.client_display_name.clone(),
            words::case_state(case.state),
            case.plan.clone(),
            words::seat(case.seat),
            words::day(case.enrolled_on.as_ref()),
            format!("{} %", case.readiness_percent),
            case.listing_count.to_string(),
            case.deleted_count.to_string(),
            case.round_count.to_string(),
            case.exposure_count.to_string(),
            case.exception_count.to_string(),
            words::day(case.next_due_on.as_ref()),
        ]);
    }
    out.table(&table, "No such client.")?;
    out.note(format!("{} listed.", cases.entries.len()))?;
    if let Some(more) = cases.more() {
        out.note(more)?;
    }
    Ok(Exit::Done)
}
