//! `due`.

use std::collections::HashMap;

use api::v1;
use calendar::CivilDate;
use clap::{Args, ValueEnum};
use tonic::Code;

use super::billing::{by_opening, summed};
use crate::cli::Limit;
use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::find::{Gathered, gather, names};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Why something needs a person.
#[derive(Clone, Copy, ValueEnum)]
enum Kind {
    /// Any of exposure, unearned-money, fee-exposed, fee-unproved, complaint, circumstance, reinsertion-without-notice,
    /// repeated-dispute, identity-failed and paper-waiting
    Exception,
    /// Something was done against a rule and still stands
    Exposure,
    /// Money that nothing earned stands behind is to be given back
    UnearnedMoney,
    /// Nothing allowed a fee that was claimed, and some of it is kept or open
    FeeExposed,
    /// Nothing on record shows the right to a fee that was claimed
    FeeUnproved,
    /// A client complained and nobody has answered
    Complaint,
    /// The client stopped letters or charges, and the service goes on
    Circumstance,
    /// A deleted listing is back without the bureau's notice
    ReinsertionWithoutNotice,
    /// A listing is disputed again and nothing new came since it was verified
    RepeatedDispute,
    /// A bureau is overdue
    ClockOverdue,
    /// A charge failed and a person has to decide
    ChargeFailed,
    /// A charge was asked for on an earlier day and has no answer
    ChargeWaiting,
    /// Two cases may be a couple
    LinkSuggested,
    /// The client failed the report source's identity questions
    IdentityFailed,
    /// A paper was rejected
    PaperRejected,
    /// A paper waits for somebody to look
    PaperWaiting,
    /// Work may be opened
    ReadyToOpen,
    /// The next round may be sent
    RoundPossible,
    /// Money was asked back for a client and there is no answer
    RefundWaiting,
    /// Money that was to be given back was not
    RefundFailed,
    /// Money of a fee that nothing allowed is kept by counsel's reason: nothing is to be done
    FeeKept,
    /// What the firm told is to be carried to claimed fees before anything is asked of clients
    ReviewDue,
    /// A chargeback is to be answered
    ChargebackOpen,
    /// A registration or security with a state ends within 45 days
    StandingEnding,
    /// The Federal Trade Commission is to be told of an event of security
    SecurityEvent,
    /// Something comes within 45 days that will hold a fee or a charge: the agreement's total, a time limit, a statement,
    /// the end of a card
    Ahead,
    /// A token ends within 14 days or has no end
    TokenEnding,
    /// An invoice is due, and what the client authorized does not cover its charge
    ChargeRefused,
    /// A client died, and something is to be settled with the estate
    Estate,
}

impl Kind {
    fn message(self) -> v1::DueKind {
        match self {
            Self::Exception => v1::DueKind::Exception,
            Self::Exposure => v1::DueKind::Exposure,
            Self::UnearnedMoney => v1::DueKind::UnearnedMoney,
            Self::FeeExposed => v1::DueKind::FeeExposed,
            Self::FeeUnproved => v1::DueKind::FeeUnproved,
            Self::Complaint => v1::DueKind::Complaint,
            Self::Circumstance => v1::DueKind::Circumstance,
            Self::ReinsertionWithoutNotice => v1::DueKind::ReinsertionWithoutNotice,
            Self::RepeatedDispute => v1::DueKind::RepeatedDispute,
            Self::IdentityFailed => v1::DueKind::IdentityFailed,
            Self::PaperWaiting => v1::DueKind::PaperWaiting,
            Self::ClockOverdue => v1::DueKind::ClockOverdue,
            Self::ChargeFailed => v1::DueKind::ChargeFailed,
            Self::ChargeWaiting => v1::DueKind::ChargeWaiting,
            Self::LinkSuggested => v1::DueKind::LinkSuggested,
            Self::PaperRejected => v1::DueKind::PaperRejected,
            Self::ReadyToOpen => v1::DueKind::ReadyToOpen,
            Self::RoundPossible => v1::DueKind::RoundPossible,
            Self::RefundWaiting => v1::DueKind::RefundWaiting,
            Self::RefundFailed => v1::DueKind::RefundFailed,
            Self::FeeKept => v1::DueKind::FeeKept,
            Self::ReviewDue => v1::DueKind::ReviewDue,
            Self::ChargebackOpen => v1::DueKind::ChargebackOpen,
            Self::StandingEnding => v1::DueKind::StandingEnding,
            Self::SecurityEvent => v1::DueKind::SecurityEvent,
            Self::Ahead => v1::DueKind::Ahead,
            Self::TokenEnding => v1::DueKind::TokenEnding,
            Self::ChargeRefused => v1::DueKind::ChargeRefused,
            Self::Estate => v1::DueKind::Estate,
        }
    }
}

/// Which day.
#[derive(Args)]
pub(crate) struct DueArgs {
    /// The day; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    /// Only this kind
    #[arg(long)]
    kind: Option<Kind>,
    /// Say what the clients are called (personal data, and on record; not with --json)
    #[arg(long)]
    names: bool,
    #[command(flatten)]
    limit: Limit,
}

/// Lists what is due.
pub(crate) async fn run(
    args: &DueArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let filter = v1::ListDueRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        as_of: args.as_of.and_then(words::message),
        kind: args.kind.map_or(0, |kind| kind.message().into()),
        ..Default::default()
    };
    let mut counts = Vec::new();
    let due = gather(args.limit.limit, async |page_size, page_token| {
        // All are counted once, with the first page.
        let with_counts = page_token.is_empty();
        let request = v1::ListDueRequest { page_size, page_token, with_counts, ..filter.clone() };
        let mut answer = session.administration.list_due(request).await?.into_inner();
        counts.append(&mut answer.counts);
        Ok((answer.due, answer.next_page_token))
    });
    let due = due.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = due;
        let position = session.position;
        let answer = v1::ListDueResponse { due: entries, next_page_token, position, counts };
        out.message(&answer, "ListDueResponse")?;
        return Ok(Exit::Done);
    }
    if due.entries.is_empty() {
        out.line("Nothing needs a person.")?;
    }
    let cases = due.entries.iter().filter(|_| args.names).map(|item| item.case.as_str());
    let names = names(session, cases).await?;
    // The service lists by kind, so that the kinds stand together.
    for of_kind in due.entries.chunk_by(|one, next| one.kind == next.kind) {
        let mut table = Table::new(&["case", "about", "since", "by", "~what to do"]);
        for item in of_kind {
            table.row([
                subject(item),
                named(item, &names),
                words::day(item.since.as_ref()),
                words::day(item.due_on.as_ref()),
                to_do(item),
            ]);
        }
        let kind = of_kind.first().map_or(0, |item| item.kind);
        let shown = i64::try_from(of_kind.len()).unwrap_or(i64::MAX);
        let counted = counts.iter().find(|of| of.kind == kind);
        let (count, or_more) = counted.map_or((shown, false), |of| (of.count, of.or_more));
        let (kind, or_more) = (words::due_kind(kind), if or_more { " or more" } else { "" });
        // The list may go on, and may have moved since it was counted.
        if shown < count || !or_more.is_empty() {
            out.section(&format!("{kind}: {shown} of {}{or_more}", count.max(shown)), &table)?;
        } else {
            out.section(&format!("{kind}: {shown}"), &table)?;
        }
    }
    if let Some(more) = due.more() {
        out.note(more)?;
    }
    if args.kind.is_none() {
        fees(args, session, out).await?;
    }
    Ok(Exit::Done)
}

/// What may be billed and what the rest waits for.
async fn fees(args: &DueArgs, session: &mut Session, out: &mut Out) -> anyhow::Result<()> {
    let request = v1::ListClaimableRequest {
        parent: session.firm()?,
        page_size: 1,
        at_least_position: session.position,
        as_of: words::message(session.day(args.as_of).await?),
        with_sums: true,
        ..Default::default()
    };
    let answer = match session.billing.list_claimable(patient(request)).await {
        Ok(answer) => answer.into_inner(),
        // Whoever works on cases need not see what they earn.
        Err(status) if status.code() == Code::PermissionDenied => return Ok(()),
        Err(status) => return Err(status.into()),
    };
    let sums = by_opening(&answer.sums);
    out.section("Periods that are over and not billed, by what opens them", &sums)?;
    Ok(summed(answer.sums_incomplete, out)?)
}

/// The case, or the account where money is concerned.
fn subject(item: &v1::DueItem) -> String {
    if item.case.is_empty() { words::id(&item.account) } else { words::id(&item.case) }
}

/// What it is about, after the client's name if that was asked for.
fn named(item: &v1::DueItem, names: &HashMap<String, String>) -> String {
    let parts = [names.get(&item.case).cloned().unwrap_or_default(), about(item)];
    words::list(parts.into_iter().filter(|part| !part.is_empty()))
}

fn about(item: &v1::DueItem) -> String {
    let mut parts = Vec::new();
    if !item.invoice.is_empty() {
        parts.push(format!("invoice {}", words::id(&item.invoice)));
    }
    if !item.other_case.is_empty() {
        parts.push(format!("with {}", words::id(&item.other_case)));
    }
    if !item.subject.is_empty() {
        parts.push(item.subject.clone());
    }
    parts.join(", ")
}

/// What to do, and the rule behind it.
fn to_do(item: &v1::DueItem) -> String {
    if item.citation.is_empty() {
        item.detail.clone()
    } else {
        format!("{} ({})", item.detail, item.citation)
    }
}
