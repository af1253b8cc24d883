//! Proposals for bank lines that nobody has explained.

use std::io::{self, BufRead as _, IsTerminal as _, Write as _};

use api::v1;

use crate::connect::{Session, patient, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What a person says of a proposal.
enum Word {
    Yes,
    No,
    Enough,
}

/// Matches what is certain if that is asked for, then shows what is left; at a terminal each of them
/// is asked about.
pub(super) async fn run(auto: bool, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let mut found = proposals(session).await?;
    if auto {
        let mut matched = 0;
        for proposal in &found.proposals {
            if proposal.certainty() == v1::MatchCertainty::Certain && is_whole(proposal) {
                confirm(proposal, session).await?;
                matched += 1;
            }
        }
        if !out.is_json() {
            out.line(format!("{matched} lines were named and to the cent: matched."))?;
        }
        found = proposals(session).await?;
    } else if io::stdin().is_terminal() && !out.is_json() {
        ask_each(&found, session, out).await?;
        found = proposals(session).await?;
    }
    if out.is_json() {
        out.message(&found, "ProposeMatchesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["deposit", "how sure", ">movements", ">difference", "~because"]);
    for proposal in &found.proposals {
        table.row([
            words::id(&proposal.deposit),
            words::match_certainty(proposal.certainty),
            proposal.movements.len().to_string(),
            words::amount_if_any(proposal.difference.as_ref()),
            proposal.because.clone(),
        ]);
    }
    out.table(&table, "Every bank line is explained.")?;
    if found.more {
        out.note("... and more: explain these first")?;
    }
    Ok(Exit::Done)
}

async fn proposals(session: &mut Session) -> anyhow::Result<v1::ProposeMatchesResponse> {
    let request =
        v1::ProposeMatchesRequest { parent: session.firm()?, at_least_position: session.position };
    Ok(session.books.propose_matches(patient(request)).await?.into_inner())
}

/// Whether it can be confirmed as it is; a second piece of a line's money comes with the first.
fn is_whole(proposal: &v1::MatchProposal) -> bool {
    !proposal.movements.is_empty()
}

async fn confirm(proposal: &v1::MatchProposal, session: &mut Session) -> anyhow::Result<()> {
    let by_payout = !proposal.payout.is_empty();
    let request = v1::ConfirmMatchRequest {
        name: proposal.deposit.clone(),
        request_id: request_id(None),
        payout: proposal.payout.clone(),
        movements: if by_payout { Vec::new() } else { proposal.movements.clone() },
        joined: proposal.joined.clone(),
        costs: proposal.costs.clone(),
    };
    let answer = session.books.confirm_match(request).await?.into_inner();
    // What is read next sees it.
    let position = answer.receipt.map_or(0, |receipt| receipt.position);
    session.position = session.position.max(position);
    Ok(())
}

async fn ask_each(
    found: &v1::ProposeMatchesResponse,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<()> {
    let adds_up = |proposal: &&v1::MatchProposal| {
        is_whole(proposal) && proposal.certainty() != v1::MatchCertainty::DoesNotAddUp
    };
    let mut taken: Vec<String> = Vec::new();
    for proposal in found.proposals.iter().filter(adds_up) {
        // What was just confirmed for another line is behind that one now.
        let names = || proposal.movements.iter().map(|m| format!("{} {}", m.kind, m.name));
        let lines = || std::iter::once(&proposal.deposit).chain(&proposal.joined);
        if names().any(|name| taken.contains(&name)) || lines().any(|line| taken.contains(line)) {
            continue;
        }
        out.heading(format!(
            "{} ({}): {}",
            words::id(&proposal.deposit),
            words::match_certainty(proposal.certainty),
            proposal.because
        ))?;
        for movement in &proposal.movements {
            out.line(format!("  {} {}", words::movement_kind(movement.kind), movement.name))?;
        }
        out.field("costs", words::amount_if_any(proposal.costs.as_ref()))?;
        out.flush()?;
        match ask()? {
            Word::Yes => {
                confirm(proposal, session).await?;
                taken.extend(names());
                taken.extend(lines().cloned());
            }
            Word::No => {}
            Word::Enough => break,
        }
    }
    Ok(())
}

fn ask() -> io::Result<Word> {
    loop {
        eprint!("Is that what stands behind it? [y]es, [n]o, [e]nough: ");
        io::stderr().flush()?;
        let mut line = String::new();
        if io::stdin().lock().read_line(&mut line)? == 0 {
            return Ok(Word::Enough);
        }
        match line.trim().to_ascii_lowercase().as_str() {
            "y" | "yes" => return Ok(Word::Yes),
            "n" | "no" => return Ok(Word::No),
            "e" | "enough" => return Ok(Word::Enough),
            _ => {}
        }
    }
}
