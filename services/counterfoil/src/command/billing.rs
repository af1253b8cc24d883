//! `bill`, `claimable` and `explain`.

mod life;

use std::io;

use anyhow::Context;
use api::v1;
use calendar::CivilDate;
use clap::Args;

use crate::cli::{Again, Limit};
use crate::connect::{Session, patient, request_id};
use crate::exit::Exit;
use crate::find::{Gathered, gather, names};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Up to which day.
#[derive(Args)]
pub(crate) struct BillArgs {
    /// The day up to which fees are judged; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    /// Only list what would be claimed and what is held
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    again: Again,
}

/// Claims every earned fee and issues the invoices.
pub(crate) async fn bill(
    args: &BillArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    if args.dry_run {
        let limit = Limit { limit: usize::MAX };
        let list =
            ClaimableArgs { as_of: args.as_of, held: false, earned: false, names: false, limit };
        return claimable(&list, session, out).await;
    }
    let as_of = session.day(args.as_of).await?;
    let run = v1::RunBillingRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        as_of: words::message(as_of),
    };
    out.note(format!("Billing up to {as_of}, request {}", run.request_id))?;
    out.flush()?;
    let ran = session.billing.run_billing(patient(run)).await?.into_inner();
    if out.is_json() {
        out.message(&ran, "RunBillingResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[">invoice", "account", ">total"]);
    for invoice in &ran.invoices {
        table.row([
            words::id(&invoice.name),
            words::id(&invoice.account),
            words::amount(invoice.total.as_ref()),
        ]);
    }
    out.section("Invoices issued", &table)?;
    let mut refused = Table::new(&["account", "rule", "~because"]);
    for refusal in &ran.refusals {
        refused.row([words::id(&refusal.account), refusal.rule.clone(), refusal.detail.clone()]);
    }
    out.section("Accounts that could not be billed", &refused)?;
    out.heading(format!("{} accounts considered", ran.accounts_considered))?;
    out.field("fees earned", ran.fees_earned)?;
    out.field("fees held", ran.fees_held)?;
    if ran.accounts_refused > 0 {
        out.field("refused", ran.accounts_refused)?;
    }
    out.field("invoices", ran.invoices_issued)?;
    out.field("total", words::list(ran.totals.iter().map(|total| words::amount(Some(total)))))?;
    if ran.replayed {
        out.note("This run was done before under the same request id; nothing was added.")?;
    }
    if ran.fees_held > 0 {
        out.note("See what holds the rest: counterfoil claimable --held")?;
    }
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

/// Which periods.
#[derive(Args)]
pub(crate) struct ClaimableArgs {
    /// The day up to which fees are judged; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    /// Only those that a gate holds
    #[arg(long, conflicts_with = "earned")]
    held: bool,
    /// Only those whose gates all hold
    #[arg(long)]
    earned: bool,
    /// Say what the clients are called (personal data, and on record; not with --json)
    #[arg(long)]
    names: bool,
    #[command(flatten)]
    limit: Limit,
}

/// Lists the periods that are over and not billed.
pub(crate) async fn claimable(
    args: &ClaimableArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let as_of = session.day(args.as_of).await?;
    let filter = v1::ListClaimableRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        as_of: words::message(as_of),
        claimable: (args.earned || args.held).then_some(args.earned),
        ..Default::default()
    };
    let (mut sums, mut sums_incomplete, mut review_due) = (Vec::new(), false, String::new());
    let gathered = gather(args.limit.limit, async |page_size, page_token| {
        // All are summed once, with the first page.
        let with_sums = page_token.is_empty();
        let filter = filter.clone();
        let request = v1::ListClaimableRequest { page_size, page_token, with_sums, ..filter };
        let mut answer = session.billing.list_claimable(patient(request)).await?.into_inner();
        sums.append(&mut answer.sums);
        sums_incomplete |= answer.sums_incomplete;
        review_due = answer.review_due;
        Ok((answer.fees, answer.next_page_token))
    });
    let fees = gathered.await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = fees;
        let position = session.position;
        let answer = v1::ListClaimableResponse {
            fees: entries,
            next_page_token,
            position,
            review_due,
            sums,
            sums_incomplete,
        };
        out.message(&answer, "ListClaimableResponse")?;
        return Ok(Exit::Done);
    }
    let mut table =
        Table::new(&["case", ">period", "from", "through", ">fee", "claimable", "~held by"]);
    let cases = fees.entries.iter().filter(|_| args.names).map(|fee| fee.case.as_str());
    let names = names(session, cases).await?;
    for fee in &fees.entries {
        let name = names.get(&fee.case).cloned();
        table.row([
            words::list([words::id(&fee.case)].into_iter().chain(name)),
            fee.period.to_string(),
            words::day(fee.start_date.as_ref()),
            words::last_day(fee.end_date.as_ref()),
            words::amount(fee.amount.as_ref()),
            if fee.claimable { "yes" } else { "no" }.to_owned(),
            beside(fee),
        ]);
    }
    out.note(format!("Judged up to {as_of}"))?;
    out.review(&review_due)?;
    let none = match (args.earned, args.held) {
        (true, _) => "No fee can be billed.",
        (false, true) => "No gate holds a fee back.",
        (false, false) => "No period is over and not billed.",
    };
    out.table(&table, none)?;
    if let Some(more) = fees.more() {
        out.note(more)?;
    }
    out.section("All that is over and not billed, by what opens it", &by_opening(&sums))?;
    summed(sums_incomplete, out)?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

/// Says of whom sums of fees are, if not of all.
pub(crate) fn summed(incomplete: bool, out: &mut Out) -> io::Result<()> {
    if incomplete {
        out.note("These are the sums of 1,000 clients, those that wait longest; there are more")?;
    }
    Ok(())
}

/// Sums of fees by what opens them.
pub(crate) fn by_opening(sums: &[v1::FeeSum]) -> Table {
    let mut table = Table::new(&["~what opens it", ">fees", ">together"]);
    for sum in sums {
        let opens = match sum.opening() {
            v1::GateOpening::Unspecified => "every gate is open: it can be billed",
            v1::GateOpening::Finish => "work finished in the days of grace",
            v1::GateOpening::Wait => "days that are waited for",
            v1::GateOpening::PutRight => "something put right, or recorded",
            v1::GateOpening::Never => "nothing",
        };
        let amount = words::amount(sum.amount.as_ref());
        table.row([opens.to_owned(), sum.fees.to_string(), amount]);
    }
    table
}

/// What holds a fee; of one that may be claimed, beside which gates a fact was corrected.
fn beside(fee: &v1::ClaimableFee) -> String {
    if !fee.claimable {
        return held_by(fee);
    }
    let risk = fee.at_own_risk.iter().map(|pack| {
        format!(
            "by pack {} version {}, which is used at the firm's own risk",
            pack.pack, pack.version
        )
    });
    let corrected = words::corrected(&fee.corrected_gates);
    words::list(risk.chain([corrected]).filter(|said| !said.is_empty()))
}

/// The gates that do not hold; several with one reason are said once.
fn held_by(fee: &v1::ClaimableFee) -> String {
    let mut reasons: Vec<(String, Vec<String>)> = Vec::new();
    for finding in fee.findings.iter().filter(|finding| !finding.holds) {
        let because = match &finding.due_date {
            Some(_) => format!("{} ({})", finding.because, opens(finding)),
            None => finding.because.clone(),
        };
        let gate = words::gate(finding.gate);
        match reasons.iter_mut().find(|(known, _)| *known == because) {
            Some((_, gates)) => gates.push(gate),
            None => reasons.push((because, vec![gate])),
        }
    }
    let said = reasons.iter().map(|(because, gates)| format!("{}: {because}", gates.join(", ")));
    said.collect::<Vec<_>>().join("; ")
}

/// Which fee.
#[derive(Args)]
pub(crate) struct ExplainArgs {
    /// The case: its id, a part of it, or the client's name
    case: String,
    /// The period, counted from 1
    #[arg(value_parser = clap::value_parser!(i32).range(1..))]
    period: i32,
    /// The day up to which it is judged; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    as_of: Option<CivilDate>,
    /// The position at which a fee was claimed: explain that one, whatever stands for the period now
    #[arg(long, value_name = "POSITION", value_parser = clap::value_parser!(i64).range(1..))]
    claim: Option<i64>,
}

/// Explains one fee.
pub(crate) async fn explain(
    args: &ExplainArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::ExplainFeeRequest {
        name: session.case(&args.case).await?,
        period: args.period,
        as_of: args.as_of.and_then(words::message),
        at_least_position: session.position,
        claim_position: args.claim,
    };
    let answer = session.billing.explain_fee(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "ExplainFeeResponse")?;
        return Ok(Exit::Done);
    }
    let fee = answer.explanation.context("the service answered without an explanation")?;
    fee_page(&fee, out)?;
    out.line("")?;
    out.review(&answer.review_due)?;
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}

/// What opens a gate that is closed.
fn opens(finding: &v1::GateFinding) -> String {
    let day = words::day(finding.due_date.as_ref());
    match finding.opening() {
        v1::GateOpening::Unspecified => String::new(),
        v1::GateOpening::Finish => format!("finish it by {day}"),
        v1::GateOpening::Wait => format!("wait until {day}"),
        v1::GateOpening::PutRight => "put it right, or record what is missing".to_owned(),
        v1::GateOpening::Never => "nothing opens it".to_owned(),
    }
}

/// What stands behind a claimed fee, where something speaks against it.
fn stands(fee: &v1::FeeExplanation) -> Option<String> {
    match fee.standing() {
        v1::FeeStanding::Unspecified => None,
        v1::FeeStanding::Allowed => Some("every gate allowed it".to_owned()),
        v1::FeeStanding::Unproved => {
            Some("nothing on record shows the right to it; it is not asked for again".to_owned())
        }
        v1::FeeStanding::Exposed => {
            let parts = [
                (&fee.owed, "to give back"),
                (&fee.exposed_open, "open, and not to be asked for"),
                (&fee.asked_back, "asked of the processor and not back yet"),
                (&fee.kept, "kept by counsel's reason"),
            ];
            let parts = parts.into_iter().filter_map(|(amount, what)| {
                let amount = words::amount_if_any(amount.as_ref());
                (!amount.is_empty()).then(|| format!("{amount} {what}"))
            });
            let parts: Vec<String> = parts.collect();
            let said = if parts.is_empty() {
                "nothing of that is owed or open any more".to_owned()
            } else {
                parts.join(", ")
            };
            let said = format!("nothing allowed it, or a part of it: {said}");
            Some(said)
        }
    }
}

/// A decision of counsel to keep money of a fee.
fn kept(keeping: &v1::Keeping) -> String {
    let on = words::day(keeping.decided_on.as_ref());
    let event = keeping.event.as_ref().map_or(0, |event| event.position);
    let amount = words::amount_if_any(keeping.amount.as_ref());
    if amount.is_empty() {
        return format!("{} took the decision back on {on} (event {event})", keeping.counsel);
    }
    let gates = words::list(keeping.gates.iter().map(|&gate| words::gate(gate)));
    let document = match keeping.document_sha256.as_str() {
        "" => String::new(),
        hash => format!(", document {hash}"),
    };
    format!(
        "{} decided on {on} to keep {amount} although closed: {gates} (event {event}{document})",
        keeping.counsel
    )
}

/// The page of one fee: what it is, each gate with what it rests on, and the promised work.
pub(crate) fn fee_page(fee: &v1::FeeExplanation, out: &mut Out) -> anyhow::Result<()> {
    out.line(format!("Fee of period {} of case {}", fee.period, words::id(&fee.case)))?;
    let claimed = fee.claimed_on.is_some();
    if claimed {
        let on = words::day(fee.claimed_on.as_ref());
        out.field("claimed", format!("on {on}, invoice {}", words::id(&fee.invoice)))?;
    }
    let days = format!(
        "{} through {}",
        words::day(fee.start_date.as_ref()),
        words::last_day(fee.end_date.as_ref())
    );
    out.field("period", days)?;
    out.field("fee", words::amount(fee.amount.as_ref()))?;
    out.field("judged up to", words::day(fee.as_of.as_ref()))?;
    let rules = fee.rules.iter().map(|rules| format!("{} version {}", rules.pack, rules.version));
    out.field("rules", words::list(rules))?;
    if !claimed {
        out.field("claimable", if fee.claimable { "yes, every gate passed" } else { "no" })?;
    }
    if let Some(stands) = stands(fee) {
        out.field("stands", stands)?;
    }
    for keeping in &fee.keepings {
        out.field("counsel", kept(keeping))?;
    }
    out.heading(if claimed {
        "Gates, on what is known now of the day it was asked for"
    } else {
        "Gates"
    })?;
    for finding in &fee.findings {
        let mark = match finding.answer() {
            v1::GateAnswer::Holds => "passed",
            v1::GateAnswer::Unknown => "UNKNOWN",
            v1::GateAnswer::Fails | v1::GateAnswer::Unspecified => "HELD",
        };
        out.line(format!("  {mark:<6} {}", words::gate(finding.gate)))?;
        out.text(9, &finding.because)?;
        if finding.opening() != v1::GateOpening::Unspecified {
            out.text(9, &opens(finding))?;
        }
        if !finding.citation.is_empty() {
            out.text(9, &finding.citation)?;
        }
        let events = finding.events.iter().map(|event| event.position.to_string());
        let events = words::list(events);
        if !events.is_empty() {
            out.text(9, &format!("rests on events {events}"))?;
        }
    }
    let mut table = Table::new(&["promised work", "done on", ">event", "recorded"]);
    for work in &fee.work {
        let done = work.event.is_some();
        table.row([
            words::work(work.work),
            if done { words::day(work.on.as_ref()) } else { "not yet".to_owned() },
            work.event.as_ref().map(|event| event.position.to_string()).unwrap_or_default(),
            if work.late { "late" } else { "" }.to_owned(),
        ]);
    }
    out.section("Work", &table)?;
    if fee.late_evidence {
        out.note("Some of it rests on events that were recorded long after they happened.")?;
    }
    for claim in &fee.claims {
        life::show(claim, out)?;
    }
    Ok(())
}

/// Whether to record it.
#[derive(Args)]
pub(crate) struct ReviewArgs {
    /// Record what changed, and let the books follow; without it, nothing is changed
    #[arg(long)]
    record: bool,
    #[command(flatten)]
    again: Again,
}

/// Judges every claimed fee again.
pub(crate) async fn review(
    args: &ReviewArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::ReviewFeesRequest {
        parent: session.firm()?,
        request_id: request_id(args.again.request_id),
        record: args.record,
    };
    let found = session.billing.review_fees(patient(request)).await?.into_inner();
    if out.is_json() {
        out.message(&found, "ReviewFeesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table =
        Table::new(&["case", ">invoice", "now", ">not allowed", ">owed back", ">open", "~gates"]);
    for fee in &found.fees {
        table.row([
            words::id(&fee.case),
            words::id(&fee.invoice),
            words::fee_standing(fee.standing),
            words::amount(fee.exposed.as_ref()),
            words::amount(fee.owed.as_ref()),
            words::amount(fee.open.as_ref()),
            words::list(fee.gates.iter().map(|&gate| words::gate(gate))),
        ]);
    }
    out.section("Claimed fees that are not what they were", &table)?;
    if !found.unknown_states.is_empty() {
        let mut table =
            Table::new(&["state", ">clients", "~what is not known", "~how it becomes known"]);
        for state in &found.unknown_states {
            let (reasons, ways_out) = (state.reasons.join("; "), state.ways_out.join("; "));
            table.row([state.state_code.clone(), state.clients.to_string(), reasons, ways_out]);
        }
        out.section("States whose law is not known", &table)?;
        out.note(
            "Fees there are held, and no client who lives there can be signed by PrepareAgreement. Packs are adopted with \
             pack list and firm pack, confirmed with firm confirm, and used at own risk with firm own-risk; or end the \
             service there.",
        )?;
    }
    out.heading(format!("{} fees of {} clients", found.fees_changed, found.cases))?;
    if found.fees_changed > 0 {
        out.field("owed back, more", words::amount(found.owed_change.as_ref()))?;
        out.field("open, more", words::amount(found.open_change.as_ref()))?;
    }
    if found.signings_against_law > 0 {
        out.field("signed against the law of a state, not told yet", found.signings_against_law)?;
    }
    if found.work_unsecured > 0 {
        out.field("work on days without security, not told yet", found.work_unsecured)?;
    }
    if found.recorded {
        out.note("It is recorded, and the books follow it.")?;
    } else if found.fees_changed > 0 {
        out.note(
            "Nothing is changed yet, and nothing is asked of clients until it is recorded: \
             counterfoil review --record",
        )?;
    }
    out.line(words::CAUTION)?;
    Ok(Exit::Done)
}
