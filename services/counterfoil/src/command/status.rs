//! `status`: one case as its file note.

use std::collections::BTreeSet;

use anyhow::Context;
use api::v1;
use clap::Args;

use crate::command::invoices::addressed;
use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Which case.
#[derive(Args)]
pub(crate) struct StatusArgs {
    /// The case: its id, a part of it, or the client's name
    case: String,
    /// As it stood at this position of the log
    #[arg(long, value_name = "POSITION", value_parser = clap::value_parser!(i64).range(1..))]
    as_of_position: Option<i64>,
}

/// Shows a case.
pub(crate) async fn run(
    args: &StatusArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::GetCaseRequest {
        name: session.case(&args.case).await?,
        at_least_position: session.position,
        as_of_position: args.as_of_position,
    };
    let answer = session.cases.get_case(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "GetCaseResponse")?;
        return Ok(Exit::Done);
    }
    let case = answer.case.context("the service answered without the case")?;
    head(&case, out)?;
    readiness(&case, out)?;
    exceptions(&case, out)?;
    circumstances(&case, out)?;
    pauses(&case, out)?;
    listings(&case, out)?;
    rounds(&case, out)?;
    clocks(&case, out)?;
    scores(&case, out)?;
    fees(&case, out)?;
    exposures(&case, out)?;
    account(&case, session, out).await?;
    out.review(&answer.review_due)?;
    Ok(Exit::Done)
}

fn head(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    out.line(format!("Case {}: {}", words::id(&case.name), words::case_state(case.state)))?;
    if let Some(client) = &case.client {
        out.field("client", addressed(client))?;
        out.field("reached at", words::list([client.phone.clone(), client.email.clone()]))?;
    }
    let plan = format!("{} version {}, {}", case.plan, case.plan_version, words::seat(case.seat));
    out.field("plan", plan)?;
    out.field("enrolled", words::day(case.enrolled_on.as_ref()))?;
    out.field("signed", words::day(case.signed_on.as_ref()))?;
    out.field("may cancel", until(case.cancel_through.as_ref()))?;
    out.field("service from", words::day(case.service_from.as_ref()))?;
    if let Some(period) = &case.current_period {
        let days = format!(
            "{}, {} through {}",
            period.period,
            words::day(period.start_date.as_ref()),
            words::last_day(period.end_date.as_ref())
        );
        out.field("period", days)?;
    }
    if case.last_day.is_some() {
        out.field("last day", words::day(case.last_day.as_ref()))?;
    }
    out.field("version", case.version)?;
    Ok(())
}

fn until(date: Option<&api::google::r#type::Date>) -> String {
    if date.is_some() { format!("through {}", words::day(date)) } else { String::new() }
}

fn readiness(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let Some(readiness) = &case.readiness else { return Ok(()) };
    out.heading(format!("Before work opens: {} % done", readiness.percent))?;
    for step in &readiness.steps {
        let done = match (step.done, &step.done_on) {
            (true, Some(on)) => words::day(Some(on)),
            (true, None) => "done".to_owned(),
            (false, _) => "open".to_owned(),
        };
        out.line(format!("  {done:<10}  {}", words::readiness_step(step.step)))?;
    }
    let mut papers = Table::new(&["paper", "proves", "received", "accepted", "rejected"]);
    for paper in &case.papers {
        papers.row([
            paper.paper.clone(),
            words::paper_kind(paper.kind),
            words::day(paper.received_on.as_ref()),
            words::day(paper.accepted_on.as_ref()),
            words::day(paper.rejected_on.as_ref()),
        ]);
    }
    out.section("Papers", &papers)?;
    Ok(())
}

fn exceptions(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&["needs a person", "since", "about", "~what is wrong"]);
    for exception in &case.exceptions {
        table.row([
            words::exception_kind(exception.kind),
            words::day(exception.since.as_ref()),
            match exception.kind() {
                v1::ExceptionKind::Exposure => exception.subject.replace('_', " "),
                _ => exception.subject.clone(),
            },
            exception.detail.clone(),
        ]);
    }
    out.section("Exceptions", &table)?;
    Ok(())
}

fn pauses(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&["paused from", "through", "~work in it, which earns nothing"]);
    for pause in &case.pauses {
        let idle = pause.idle_work.iter();
        let idle =
            idle.map(|done| format!("{} {}", words::work(done.work), words::day(done.on.as_ref())));
        table.row([
            words::day(pause.began_on.as_ref()),
            words::last_day(pause.resumed_on.as_ref()),
            words::list(idle),
        ]);
    }
    out.section("Pauses", &table)?;
    Ok(())
}

/// What holds of the client, and what it stops.
fn circumstances(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    if let Some(died) = &case.died_on {
        out.heading(format!("The client died on {}", words::day(Some(died))))?;
        out.line(
            "  No letter goes out and no card is charged; speak with whoever represents the estate, of whom what is \
             open is asked.",
        )?;
    }
    let mut table = Table::new(&["of the client", "since", "about", "~what follows"]);
    for seen in &case.circumstances {
        let ended = if seen.ended { " (ended)" } else { "" };
        let amounts = [&seen.least, &seen.amount].into_iter().flatten();
        let amounts: Vec<String> = amounts.map(|of| words::amount(Some(of))).collect();
        let charge_on = words::day(seen.charge_on.as_ref());
        let about = [seen.who.clone(), amounts.join(" to "), charge_on];
        table.row([
            format!("{}{ended}", words::circumstance(seen.kind)),
            words::day(seen.since.as_ref()),
            words::list(about.into_iter().filter(|part| !part.is_empty())),
            format!("{} ({})", seen.follows, seen.citation),
        ]);
    }
    out.section("Circumstances", &table)?;
    Ok(())
}

/// Items down, bureaus across: one debt at three bureaus is one line.
fn listings(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut items: Vec<&v1::Listing> = Vec::new();
    for listing in &case.listings {
        if !items.iter().any(|known| known.item == listing.item) {
            items.push(listing);
        }
    }
    let bureaus: BTreeSet<&str> = case.listings.iter().map(|listing| &*listing.bureau).collect();
    let mut table = Table::new(&[
        "item",
        "kind",
        "~furnisher",
        ">balance",
        "bureau",
        "state",
        "since",
        "basis",
        "too old from",
    ]);
    for item in items {
        let mut first = true;
        for bureau in &bureaus {
            let here =
                |listing: &&v1::Listing| listing.item == item.item && listing.bureau == *bureau;
            let Some(listing) = case.listings.iter().find(here) else { continue };
            let once = |text: String| if first { text } else { String::new() };
            table.row([
                once(listing.item.clone()),
                once(words::item_kind(listing.kind)),
                once(listing.furnisher.clone()),
                words::amount(listing.balance.as_ref()),
                listing.bureau.clone(),
                state(listing),
                words::day(listing.changed_on.as_ref()),
                words::basis(listing.basis),
                words::day(listing.obsolete_from.as_ref()),
            ]);
            first = false;
        }
    }
    out.section("Listings", &table)?;
    Ok(())
}

/// Where a listing stands, and that a dispute of it would say nothing new.
fn state(listing: &v1::Listing) -> String {
    let state = words::listing_state(listing.state);
    let unchanged = listing.unchanged_since.as_ref().map(|day| words::day(Some(day)));
    unchanged.map_or(state.clone(), |day| format!("{state}; nothing new since {day}"))
}

fn rounds(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&[
        ">round",
        "sent",
        "bureau",
        "by",
        "~items",
        "delivered",
        "answered",
        "~outcome",
    ]);
    for round in &case.rounds {
        for letter in &round.letters {
            let outcome = |o: &v1::ItemOutcome| format!("{} {}", o.item, words::outcome(o.outcome));
            table.row([
                round.round.to_string(),
                words::day(round.sent_on.as_ref()),
                letter.bureau.clone(),
                words::mail_class(letter.mail_class),
                words::list(letter.items.iter().cloned()),
                words::day(letter.delivered_on.as_ref()),
                words::day(letter.answered_on.as_ref()),
                words::list(letter.outcomes.iter().map(outcome)),
            ]);
        }
    }
    out.section("Rounds", &table)?;
    let mut letters = Table::new(&["~before letters leave"]);
    for asked in &case.before_letters {
        letters.row([asked.clone()]);
    }
    out.section("Letters", &letters)?;
    Ok(())
}

fn clocks(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table =
        Table::new(&["clock", "bureau", ">round", "item", "from", "due", "state", "came", "~rule"]);
    for clock in &case.clocks {
        let late = match clock.days_late {
            0 => String::new(),
            1 => " by 1 day".to_owned(),
            days => format!(" by {days} days"),
        };
        let estimated = if clock.estimated { " (estimated)" } else { "" };
        table.row([
            words::clock_kind(clock.kind),
            clock.bureau.clone(),
            clock.round.map(|round| round.to_string()).unwrap_or_default(),
            clock.item.clone(),
            words::day(clock.started_on.as_ref()),
            format!("{}{estimated}", words::day(clock.due_on.as_ref())),
            format!("{}{late}", words::clock_state(clock.state)),
            words::day(clock.met_on.as_ref()),
            clock.citation.clone(),
        ]);
    }
    out.section("Clocks", &table)?;
    Ok(())
}

fn scores(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&[
        "report",
        "bureau",
        "model",
        ">score",
        ">inquiries",
        ">card balance",
        ">card limit",
    ]);
    for seen in &case.scores {
        let score = seen.score.clone().unwrap_or_default();
        table.row([
            words::day(seen.issued_on.as_ref()),
            seen.bureau.clone(),
            score.model,
            score.value.to_string(),
            seen.inquiries.to_string(),
            words::amount(seen.card_balance.as_ref()),
            words::amount(seen.card_limit.as_ref()),
        ]);
    }
    out.section("Scores", &table)?;
    Ok(())
}

/// Where a fee stands; of a claimed one also what speaks against it, and beside which gates a fact was corrected.
fn fee_state(fee: &v1::Fee) -> String {
    let state = standing(fee);
    match words::corrected(&fee.corrected_gates) {
        helped if helped.is_empty() => state,
        helped => format!("{state}; {helped}"),
    }
}

fn standing(fee: &v1::Fee) -> String {
    let state = words::fee_state(fee.state);
    match fee.standing() {
        v1::FeeStanding::Unspecified | v1::FeeStanding::Allowed => state,
        v1::FeeStanding::Unproved => "claimed, unproved".to_owned(),
        v1::FeeStanding::Exposed => {
            // It was claimed as earned, and is not.
            let mut said = "claimed, not allowed".to_owned();
            let back = words::amount_if_any(fee.given_back.as_ref());
            if !back.is_empty() {
                said = format!("{said}, {back} given back");
            }
            if let Some(on) = &fee.kept_on {
                let kept = words::amount(fee.kept.as_ref());
                said =
                    format!("{said}, {kept} kept by counsel's reason of {}", words::day(Some(on)));
            }
            said
        }
    }
}

fn fees(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table =
        Table::new(&[">period", "from", "through", ">fee", "state", ">invoice", "~held by"]);
    for fee in &case.fees {
        table.row([
            fee.period.to_string(),
            words::day(fee.start_date.as_ref()),
            words::last_day(fee.end_date.as_ref()),
            words::amount(fee.amount.as_ref()),
            fee_state(fee),
            words::id(&fee.invoice),
            words::list(fee.held_gates.iter().map(|gate| words::gate(*gate))),
        ]);
    }
    out.section("Fees", &table)?;
    Ok(())
}

fn exposures(case: &v1::Case, out: &mut Out) -> anyhow::Result<()> {
    let mut table = Table::new(&[
        "exposure",
        "found",
        ">amount",
        ">owed",
        "back by",
        "asked back",
        "kept",
        ">period",
        "~rule",
    ]);
    for exposure in &case.exposures {
        table.row([
            words::exposure(exposure),
            words::day(exposure.found_on.as_ref()),
            words::amount(exposure.amount.as_ref()),
            words::amount_if_any(exposure.owed.as_ref()),
            words::day(exposure.return_by.as_ref()),
            words::amount_if_any(exposure.asked_back.as_ref()),
            words::kept(exposure.kept.as_ref(), exposure.kept_on.as_ref()),
            exposure.period.map(|period| period.to_string()).unwrap_or_default(),
            words::exposure_rule(exposure),
        ]);
    }
    out.section("Exposures", &table)?;
    Ok(())
}

async fn account(case: &v1::Case, session: &mut Session, out: &mut Out) -> anyhow::Result<()> {
    if case.account.is_empty() {
        return Ok(());
    }
    paying(case, session, out).await?;
    // What was paid before another account paid is owed on the client's own.
    if let Some(own) = words::own_account(&case.name).filter(|own| *own != case.account) {
        let request = v1::GetAccountRequest { name: own, at_least_position: session.position };
        let own = session.accounts.get_account(request).await?.into_inner().account;
        let own = own.unwrap_or_default();
        out.field("owed on the own account", words::amount_if_any(own.owed_to_client.as_ref()))?;
    }
    Ok(())
}

async fn paying(case: &v1::Case, session: &mut Session, out: &mut Out) -> anyhow::Result<()> {
    let request =
        v1::GetAccountRequest { name: case.account.clone(), at_least_position: session.position };
    let answer = session.accounts.get_account(request).await?.into_inner();
    let Some(account) = answer.account else { return Ok(()) };
    out.heading(format!("Account {}", words::id(&account.name)))?;
    if !account.member.is_empty() {
        let couple = format!("{} and {}", words::id(&account.owner), words::id(&account.member));
        out.field(
            "couple",
            format!("{couple}, linked by {}", words::linked_by(account.linked_by)),
        )?;
    }
    if let Some(card) = &account.card {
        let since = match &card.since {
            Some(since) => format!(", on file since {}", words::day(Some(since))),
            None => String::new(),
        };
        // Both of a couple pay by the card of the one whose account it is.
        let whose = if account.member.is_empty() {
            String::new()
        } else {
            format!(" of {}, for both", words::id(&account.owner))
        };
        let card = format!("ends in {}, valid to {}{since}", card.last4, card.expires);
        out.field("card", format!("{card}{whose}"))?;
    }
    out.field("open", words::amount(account.open_amount.as_ref()))?;
    out.field("owed to client", words::amount_if_any(account.owed_to_client.as_ref()))?;
    out.field("asked back", words::list(account.refunds_waiting.iter().map(words::asked_back)))?;
    Ok(())
}
