//! Proposals for bank lines that nobody has explained.

use std::io::{self, BufRead as _, IsTerminal as _, Write as _};

use api::{REFUSED_MOVEMENTS_MAX, v1};

use crate::connect::{Session, patient, request_id};
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What a person says of a proposal.
enum Word {
    Yes,
    No,
    Later,
    Undo,
    Enough,
}

/// Matches what is certain if that is asked for, then shows what is left; at a terminal each of them
/// is asked about.
pub(super) async fn run(auto: bool, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    if auto {
        let matched = automatically(session).await?;
        if !out.is_json() {
            out.line(format!("{matched} lines were named and to the cent: matched."))?;
        }
    }
    let mut found = proposals(session).await?;
    if !auto && io::stdin().is_terminal() && !out.is_json() {
        ask_each(&found, session, out).await?;
        found = proposals(session).await?;
    }
    if out.is_json() {
        out.message(&found, "ProposeMatchesResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&[
        "deposit",
        "day",
        ">amount",
        "refers to",
        "how sure",
        ">movements",
        ">difference",
        "~because",
    ]);
    for proposal in &found.proposals {
        table.row([
            words::id(&proposal.deposit),
            words::date(proposal.booked_on.as_ref())?.to_string(),
            words::amount_if_any(proposal.amount.as_ref()),
            proposal.references.join(" "),
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

/// Matches what the firm's policy lets be matched without a person, and says how many lines that was.
async fn automatically(session: &mut Session) -> anyhow::Result<usize> {
    let request =
        v1::MatchAutomaticallyRequest { parent: session.firm()?, request_id: request_id(None) };
    let answer = session.books.match_automatically(patient(request)).await?.into_inner();
    saw(session, answer.position);
    Ok(answer.deposits.len())
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

/// Whether a no to it can be kept: that names the payout, or every movement.
fn is_refusable(proposal: &v1::MatchProposal) -> bool {
    !proposal.payout.is_empty() || proposal.movements.len() <= REFUSED_MOVEMENTS_MAX
}

/// The movements as a request names them: none beside a payout, which names them itself.
fn beside_payout(proposal: &v1::MatchProposal) -> Vec<v1::MatchedMovement> {
    if proposal.payout.is_empty() { proposal.movements.clone() } else { Vec::new() }
}

async fn confirm(proposal: &v1::MatchProposal, session: &mut Session) -> anyhow::Result<()> {
    let request = v1::ConfirmMatchRequest {
        name: proposal.deposit.clone(),
        request_id: request_id(None),
        payout: proposal.payout.clone(),
        movements: beside_payout(proposal),
        joined: proposal.joined.clone(),
        costs: proposal.costs.clone(),
    };
    let answer = session.books.confirm_match(request).await?.into_inner();
    saw(session, answer.receipt.map_or(0, |receipt| receipt.position));
    Ok(())
}

/// Takes back what was just confirmed.
async fn undo(line: &str, session: &mut Session) -> anyhow::Result<()> {
    let request = v1::ReverseMatchRequest { name: line.to_owned(), request_id: request_id(None) };
    let answer = session.books.reverse_match(request).await?.into_inner();
    saw(session, answer.receipt.map_or(0, |receipt| receipt.position));
    Ok(())
}

/// Keeps a person's no on record.
async fn refuse(proposal: &v1::MatchProposal, session: &mut Session) -> anyhow::Result<()> {
    let request = v1::RefuseMatchRequest {
        name: proposal.deposit.clone(),
        request_id: request_id(None),
        payout: proposal.payout.clone(),
        movements: beside_payout(proposal),
        joined: proposal.joined.clone(),
    };
    let answer = session.books.refuse_match(request).await?.into_inner();
    saw(session, answer.receipt.map_or(0, |receipt| receipt.position));
    Ok(())
}

/// What is read next sees what was recorded.
fn saw(session: &mut Session, position: i64) {
    session.position = session.position.max(position);
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
    let mut last: Option<String> = None;
    for proposal in found.proposals.iter().filter(adds_up) {
        // What was just confirmed for another line is behind that one now.
        let names = || proposal.movements.iter().map(|m| format!("{} {}", m.kind, m.name));
        let lines = || std::iter::once(&proposal.deposit).chain(&proposal.joined);
        if names().any(|name| taken.contains(&name)) || lines().any(|line| taken.contains(line)) {
            continue;
        }
        out.heading(format!(
            "{}, {}, {} ({})",
            words::date(proposal.booked_on.as_ref())?,
            words::amount_if_any(proposal.amount.as_ref()),
            proposal.bank,
            words::id(&proposal.deposit),
        ))?;
        if !proposal.references.is_empty() {
            out.field("refers to", proposal.references.join(" "))?;
        }
        out.field(&words::match_certainty(proposal.certainty), &proposal.because)?;
        for movement in &proposal.movements {
            out.line(format!(
                "  {} {}  {} {}, client {}",
                words::date(movement.happened_on.as_ref())?,
                words::amount_if_any(movement.amount.as_ref()),
                words::movement_kind(movement.kind),
                movement.name,
                words::id(&movement.account)
            ))?;
        }
        out.field("costs", words::amount_if_any(proposal.costs.as_ref()))?;
        out.flush()?;
        let mut word = ask()?;
        while let Word::Undo = word {
            match last.take() {
                Some(line) => {
                    undo(&line, session).await?;
                    out.line(format!(
                        "The match of {} is taken back; a person decides on it.",
                        words::id(&line)
                    ))?;
                }
                None => out.line("Nothing was confirmed before this one.")?,
            }
            out.flush()?;
            word = ask()?;
        }
        match word {
            Word::Yes => {
                confirm(proposal, session).await?;
                last = Some(proposal.deposit.clone());
                taken.extend(names());
                taken.extend(lines().cloned());
            }
            Word::No if is_refusable(proposal) => refuse(proposal, session).await?,
            Word::No => out.line("Too many movements to keep a no to: it is left.")?,
            Word::Later | Word::Undo => {}
            Word::Enough => break,
        }
    }
    Ok(())
}

fn ask() -> io::Result<Word> {
    loop {
        eprint!(
            "Is that what stands behind it? [y]es, [n]o (and never ask again), [l]ater, [u]ndo the last yes, \
             [e]nough: "
        );
        io::stderr().flush()?;
        let mut line = String::new();
        if io::stdin().lock().read_line(&mut line)? == 0 {
            return Ok(Word::Enough);
        }
        match line.trim().to_ascii_lowercase().as_str() {
            "y" | "yes" => return Ok(Word::Yes),
            "n" | "no" => return Ok(Word::No),
            "l" | "later" => return Ok(Word::Later),
            "u" | "undo" => return Ok(Word::Undo),
            "e" | "enough" => return Ok(Word::Enough),
            _ => {}
        }
    }
}
