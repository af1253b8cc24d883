//! Bank lines, payouts, and what stands behind them.

use api::{Paired as _, name, v1};
use clap::{Args, ValueEnum};
use domain::event::MovementKind;
use domain::ids::DepositId;
use uuid::Uuid;

use super::Month;
use crate::cli::{Again, Limit};
use crate::command::payment;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What a deposit is found to be.
#[derive(Clone, Copy, ValueEnum)]
enum State {
    /// Nobody has explained it
    Open,
    /// Payments stand behind it, to the cent
    Matched,
    /// A piece of another line's money
    Joined,
    /// A person said what it is
    Booked,
    /// A payout, as the card processor reports it
    Payout,
}

impl State {
    fn message(self) -> v1::DepositState {
        match self {
            Self::Open => v1::DepositState::Open,
            Self::Matched => v1::DepositState::Matched,
            Self::Joined => v1::DepositState::Joined,
            Self::Booked => v1::DepositState::Booked,
            Self::Payout => v1::DepositState::Payout,
        }
    }
}

/// Which deposits.
#[derive(Args)]
pub(crate) struct DepositsArgs {
    /// Only those in this state
    #[arg(long)]
    state: Option<State>,
    /// Only those booked in this month, YYYY-MM
    #[arg(long, value_name = "MONTH")]
    month: Option<Month>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists bank lines and payouts.
pub(super) async fn deposits(
    args: &DepositsArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let filter = v1::ListDepositsRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        state: args.state.map_or(0, |state| state.message().into()),
        from: args.month.and_then(|month| words::message(month.first)),
        through: args.month.and_then(|month| words::message(month.last)),
        ..Default::default()
    };
    let deposits = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListDepositsRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_deposits(request).await?.into_inner();
        Ok((answer.deposits, answer.next_page_token))
    });
    let deposits = deposits.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = deposits;
        let position = session.position;
        let answer = v1::ListDepositsResponse { deposits: entries, next_page_token, position };
        out.message(&answer, "ListDepositsResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "deposit",
        "day",
        "state",
        ">amount",
        ">costs",
        ">movements",
        "from",
        "~about",
    ]);
    for deposit in &deposits.entries {
        let count = deposit.movement_count;
        table.row([
            words::id(&deposit.name),
            words::day(deposit.booked_on.as_ref()),
            words::deposit_state(deposit.state),
            words::amount(deposit.amount.as_ref()),
            words::amount_if_any(deposit.costs.as_ref()),
            if count == 0 { String::new() } else { count.to_string() },
            if deposit.bank.is_empty() { deposit.payout.clone() } else { deposit.bank.clone() },
            about(deposit),
        ]);
    }
    out.table(&table, "No such deposit.")?;
    if let Some(more) = deposits.more() {
        out.note(more)?;
    }
    Ok(Exit::Done)
}

fn about(deposit: &v1::Deposit) -> String {
    let mut parts = vec![words::purpose(deposit.purpose), deposit.note.clone()];
    if !deposit.return_reason.is_empty() {
        parts.push(format!("returned {}", deposit.return_reason));
    }
    parts.extend(deposit.references.iter().cloned());
    parts.retain(|part| !part.is_empty());
    parts.join(", ")
}

/// Which movements.
#[derive(Args)]
pub(crate) struct MovementsArgs {
    /// Also those that stand behind a deposit already
    #[arg(long)]
    all: bool,
    /// Only those behind this deposit
    #[arg(long, value_name = "DEPOSIT")]
    deposit: Option<Uuid>,
    #[command(flatten)]
    limit: Limit,
}

/// Lists movements.
pub(super) async fn movements(
    args: &MovementsArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let deposit = args.deposit.map(|id| named(session, id)).transpose()?;
    let filter = v1::ListMovementsRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        open: !args.all && deposit.is_none(),
        deposit: deposit.unwrap_or_default(),
        ..Default::default()
    };
    let movements = gather(args.limit.limit, async |page_size, page_token| {
        let request = v1::ListMovementsRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_movements(request).await?.into_inner();
        Ok((answer.movements, answer.next_page_token))
    });
    let movements = movements.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = movements;
        let position = session.position;
        let answer = v1::ListMovementsResponse { movements: entries, next_page_token, position };
        out.message(&answer, "ListMovementsResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["day", "kind", "name", ">amount", "account", "deposit"]);
    for movement in &movements.entries {
        table.row([
            words::day(movement.happened_on.as_ref()),
            words::movement_kind(movement.kind),
            movement.name.clone(),
            words::amount(movement.amount.as_ref()),
            words::id(&movement.account),
            words::id(&movement.deposit),
        ]);
    }
    out.table(&table, "No such movement.")?;
    if let Some(more) = movements.more() {
        out.note(more)?;
    }
    Ok(Exit::Done)
}

fn named(session: &Session, id: Uuid) -> anyhow::Result<String> {
    Ok(name::deposit(session.firm_id()?, DepositId(id)))
}

/// What stands behind a line.
#[derive(Args)]
pub(crate) struct MatchArgs {
    /// The bank line's id, as `books deposits` lists it; without it, proposals for every open line,
    /// each of which a person at a terminal is asked about
    pub(super) line: Option<Uuid>,
    /// Without a line: match what the firm's policy lets be matched without a person — what is named,
    /// and to the cent — and ask about nothing
    #[arg(long, conflicts_with = "line")]
    pub(super) auto: bool,
    /// The payout it is, by its id: everything in the payout stands behind the line
    #[arg(long, value_name = "DEPOSIT", conflicts_with = "movement", requires = "line")]
    payout: Option<Uuid>,
    /// A movement behind it, as KIND:NAME, where KIND is payment, refund, chargeback or
    /// chargeback-won; one for each
    #[arg(long, value_name = "KIND:NAME", requires = "line")]
    movement: Vec<String>,
    /// Another bank line of the same money, when it came in pieces
    #[arg(long, value_name = "DEPOSIT", requires = "line")]
    with: Vec<Uuid>,
    /// What the processor kept; zero if not given, or as the payout says
    #[arg(long, value_name = "AMOUNT", requires = "line")]
    costs: Option<String>,
    #[command(flatten)]
    again: Again,
}

fn movement(text: &str) -> anyhow::Result<v1::MatchedMovement> {
    let wrong = || Stop::usage(format!("--movement {text}: must be KIND:NAME"));
    let (kind, of) = text.split_once(':').ok_or_else(wrong)?;
    let kind = MovementKind::ALL.iter().find(|known| known.code().replace('_', "-") == kind);
    let kind = v1::MovementKind::from_domain(*kind.ok_or_else(wrong)?);
    Ok(v1::MatchedMovement { kind: kind.into(), name: of.to_owned(), ..Default::default() })
}

/// Says what stands behind a line.
pub(super) async fn match_line(
    args: &MatchArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let line = args.line.ok_or_else(|| Stop::usage("name the bank line"))?;
    let currency = session.currency().await?;
    let costs = match (&args.costs, args.payout) {
        (None, Some(_)) => None,
        (text, _) => {
            let text = text.as_deref().unwrap_or("0");
            let read = payment::amount(text, currency);
            let costs = read.ok_or_else(|| Stop::usage("--costs: must be an amount like 5.74"))?;
            Some(api::scalar::money_message(costs))
        }
    };
    let request = v1::ConfirmMatchRequest {
        name: named(session, line)?,
        request_id: request_id(args.again.request_id),
        payout: args.payout.map(|id| named(session, id)).transpose()?.unwrap_or_default(),
        movements: args.movement.iter().map(|text| movement(text)).collect::<Result<_, _>>()?,
        joined: args.with.iter().map(|id| named(session, *id)).collect::<Result<_, _>>()?,
        costs,
    };
    let answer = session.books.confirm_match(request).await?.into_inner();
    let done = "The line is proved to the cent.";
    out.change(&answer, "ConfirmMatchResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// What does not stand behind a line.
#[derive(Args)]
pub(crate) struct RefuseArgs {
    /// The bank line's id, as `books deposits` lists it
    line: Uuid,
    /// The payout it is not, by its id
    #[arg(long, value_name = "DEPOSIT", required_unless_present = "movement")]
    payout: Option<Uuid>,
    /// A movement that is not behind it, as KIND:NAME; several are not behind it together
    #[arg(long, value_name = "KIND:NAME", conflicts_with = "payout")]
    movement: Vec<String>,
    /// Another bank line that it would have been matched with
    #[arg(long, value_name = "DEPOSIT")]
    with: Vec<Uuid>,
    #[command(flatten)]
    again: Again,
}

/// Says that something does not stand behind a line.
pub(super) async fn refuse(
    args: &RefuseArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::RefuseMatchRequest {
        name: named(session, args.line)?,
        request_id: request_id(args.again.request_id),
        payout: args.payout.map(|id| named(session, id)).transpose()?.unwrap_or_default(),
        movements: args.movement.iter().map(|text| movement(text)).collect::<Result<_, _>>()?,
        joined: args.with.iter().map(|id| named(session, *id)).collect::<Result<_, _>>()?,
    };
    let answer = session.books.refuse_match(request).await?.into_inner();
    let done = "It is not proposed for this line again.";
    out.change(&answer, "RefuseMatchResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// What may be matched without a person.
#[derive(Clone, Copy, ValueEnum)]
enum Automatic {
    /// Nothing: a person confirms every match
    Nothing,
    /// What a bank line names, and adds up to the cent
    Certain,
}

impl Automatic {
    fn message(self) -> v1::AutomaticMatches {
        match self {
            Self::Nothing => v1::AutomaticMatches::Nothing,
            Self::Certain => v1::AutomaticMatches::Certain,
        }
    }
}

/// Which policy.
#[derive(Args)]
pub(crate) struct PolicyArgs {
    /// What is matched without a person from now on
    automatic: Automatic,
    #[command(flatten)]
    again: Again,
}

/// Decides what is matched without a person.
pub(super) async fn policy(
    args: &PolicyArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let today = session.day(None).await?;
    let request = v1::SetMatchPolicyRequest {
        name: session.firm()?,
        request_id: request_id(args.again.request_id),
        occurred_on: words::message(today),
        automatic: args.automatic.message().into(),
    };
    let answer = session.books.set_match_policy(request).await?.into_inner();
    let done = match args.automatic {
        Automatic::Nothing => "A person confirms every match from now on.",
        Automatic::Certain => "What a line names, to the cent, needs no person from now on.",
    };
    out.change(&answer, "SetMatchPolicyResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Which line.
#[derive(Args)]
pub(crate) struct LineArgs {
    /// The bank line's id, as `books deposits` lists it
    line: Uuid,
    #[command(flatten)]
    again: Again,
}

/// Takes a match back.
pub(super) async fn unmatch(
    args: &LineArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::ReverseMatchRequest {
        name: named(session, args.line)?,
        request_id: request_id(args.again.request_id),
    };
    let answer = session.books.reverse_match(request).await?.into_inner();
    let done = "Nothing stands behind the line any more.";
    out.change(&answer, "ReverseMatchResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// What a line is.
#[derive(Clone, Copy, ValueEnum)]
enum Purpose {
    /// What the bank charges
    BankCosts,
    /// What the card processor charges apart from payouts
    ProcessorCosts,
    /// Money whose books are kept elsewhere: the owner's, rent, wages, transfers
    Elsewhere,
}

impl Purpose {
    fn message(self) -> v1::Purpose {
        match self {
            Self::BankCosts => v1::Purpose::BankCosts,
            Self::ProcessorCosts => v1::Purpose::ProcessorCosts,
            Self::Elsewhere => v1::Purpose::Elsewhere,
        }
    }
}

/// What a line is.
#[derive(Args)]
pub(crate) struct BookArgs {
    /// The bank line's id, as `books deposits` lists it
    line: Uuid,
    /// What it is
    purpose: Purpose,
    /// What for, without names of people
    #[arg(long, default_value = "")]
    note: String,
    #[command(flatten)]
    again: Again,
}

/// Says what a line is.
pub(super) async fn book(
    args: &BookArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::BookDepositRequest {
        name: named(session, args.line)?,
        request_id: request_id(args.again.request_id),
        purpose: args.purpose.message().into(),
        note: args.note.clone(),
    };
    let answer = session.books.book_deposit(request).await?.into_inner();
    out.change(&answer, "BookDepositResponse", "The line is booked.", answer.receipt.as_ref())?;
    Ok(Exit::Done)
}

/// Takes back what was said of a line.
pub(super) async fn unbook(
    args: &LineArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::ReverseBookingRequest {
        name: named(session, args.line)?,
        request_id: request_id(args.again.request_id),
    };
    let answer = session.books.reverse_booking(request).await?.into_inner();
    let done = "The line is not explained any more.";
    out.change(&answer, "ReverseBookingResponse", done, answer.receipt.as_ref())?;
    Ok(Exit::Done)
}
