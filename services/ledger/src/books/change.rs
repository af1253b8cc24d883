//! What a bank and the card processor say, and what stands behind it.

use std::sync::Arc;

use api::requests::{self, Asked, MatchAsked, MovementNamed};
use api::status::Failure;
use api::{FieldErrors, name, v1};
use domain::command::{BankAction, Command, Match};
use domain::deposit::{Deposit, MOVEMENTS_MAX, Payout};
use domain::event::{AccountMovement, MatchRule, Movement, StreamId};
use domain::ids::{DepositId, FirmId};
use log::Answer;
use store::MovementFilter;

use super::bank::check_no_match;
use crate::access::Authority;
use crate::ledger::{Ledger, as_deposit, receipt};
use crate::paging::limit;

pub(super) async fn note_bank_lines(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::NoteBankLinesRequest,
) -> Result<v1::NoteBankLinesResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let currency = ledger.currency(&message.parent).await?;
    let asked = requests::note_bank_lines(message, currency)?;
    let (firm, command) = (asked.firm, asked.command.clone());
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let lines = match command {
        Command::Bank(BankAction::NoteLines(lines)) => lines,
        _ => Vec::new(),
    };
    let named = lines.iter().map(|line| DepositId::of_line(&line.seen.bank, &line.seen.line));
    Ok(v1::NoteBankLinesResponse {
        receipt: Some(receipt(&answer)),
        deposits: named.map(|id| name::deposit(firm, id)).collect(),
    })
}

pub(super) async fn note_payout(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::NotePayoutRequest,
) -> Result<v1::NotePayoutResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let currency = ledger.currency(&message.parent).await?;
    let asked = requests::note_payout(message, currency)?;
    let named = match &asked.command {
        Command::Bank(BankAction::NotePayout(payout)) => {
            let id = DepositId::of_payout(&payout.payout);
            if payout.instead_because.is_some() {
                check_no_match(ledger, asked.firm, id).await?;
            }
            name::deposit(asked.firm, id)
        }
        _ => String::new(),
    };
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    Ok(v1::NotePayoutResponse { receipt: Some(receipt(&answer)), deposit: named })
}

async fn deposit(ledger: &Ledger, firm: FirmId, id: DepositId) -> Result<Arc<Deposit>, Failure> {
    let (_, states) = ledger.states(firm, &[StreamId::Deposit(id)], 0).await?;
    let deposit = states.into_iter().find_map(as_deposit);
    deposit.ok_or_else(|| Failure::internal("a deposit's stream folded into another state"))
}

pub(super) async fn confirm_match(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ConfirmMatchRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::confirm_match(message, currency)?;
    make_match(ledger, authority, asked, By::Person, api::fingerprint(message)).await
}

/// Who says that a match is one.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum By {
    Person,
    Policy,
}

/// Takes what a match names to the accounts, then has it decided.
pub(super) async fn make_match(
    ledger: &Ledger,
    authority: &Authority,
    asked: MatchAsked,
    by: By,
    fingerprint: [u8; 32],
) -> Result<Answer, Failure> {
    let MatchAsked { firm, request_id, deposit: line, joined, .. } = asked.clone();
    // What was recorded up to now is seen by the read model that finds accounts by names.
    let head = ledger.engine().head(firm).await?.position;
    ledger.read_at(firm, head).await?;
    let (named, costs, rule) = if let Some(id) = asked.payout {
        let unknown = || Failure::Unfound {
            field: "payout",
            resource_type: "Deposit",
            name: name::deposit(firm, id),
        };
        let Payout { lines, reported, .. } =
            deposit(ledger, firm, id).await?.payout.clone().ok_or_else(unknown)?;
        let named = lines
            .into_iter()
            .map(|line| MovementNamed { movement: line.movement, account: None })
            .collect();
        let costs = asked.costs.unwrap_or(reported.costs);
        (
            named,
            costs,
            names(ledger, firm, line, [reported.payout.as_str()], MatchRule::Amount).await?,
        )
    } else {
        let missing = || FieldErrors::one("costs", "is required without a payout");
        let costs = asked.costs.ok_or_else(missing)?;
        let of_movements = asked.movements.iter().map(|named| named.movement.name.as_str());
        let rule = if costs.is_zero() {
            names(ledger, firm, line, of_movements, MatchRule::Person).await?
        } else {
            MatchRule::Person
        };
        (asked.movements, costs, rule)
    };
    let movements = find(ledger, firm, named).await?;
    let (automatic, payout) = (by == By::Policy, asked.payout);
    let wanted = Match { automatic, costs, deposit: line, joined, movements, payout, rule };
    let command = Command::Bank(BankAction::Match(wanted));
    ledger.submit(authority, Asked { firm, request_id, command }, fingerprint).await
}

/// Whether a line names everything that is said to stand behind it; else the rule that is left.
async fn names<'a>(
    ledger: &Ledger,
    firm: FirmId,
    line: DepositId,
    wanted: impl IntoIterator<Item = &'a str>,
    otherwise: MatchRule,
) -> Result<MatchRule, Failure> {
    let deposit = deposit(ledger, firm, line).await?;
    let named = |wanted: &str| {
        deposit.line.as_ref().is_some_and(|line| {
            line.seen.references.iter().any(|reference| reference.as_str() == wanted)
        })
    };
    Ok(if wanted.into_iter().all(named) { MatchRule::Reference } else { otherwise })
}

/// The account of each movement: the one that is named, or the one that has a movement of this name.
async fn find(
    ledger: &Ledger,
    firm: FirmId,
    named: Vec<MovementNamed>,
) -> Result<Vec<AccountMovement>, Failure> {
    let mut found = Vec::with_capacity(named.len());
    for MovementNamed { movement, account } in named {
        let account = match account {
            Some(account) => account,
            None => the_account(ledger, firm, &movement).await?,
        };
        found.push(AccountMovement { account, movement });
    }
    Ok(found)
}

async fn the_account(
    ledger: &Ledger,
    firm: FirmId,
    movement: &Movement,
) -> Result<domain::ids::AccountId, Failure> {
    /// Enough to see that there are several.
    const SOME: u32 = 16;
    let rows = ledger.store().movements_named(firm, &movement.name, SOME).await?;
    let mut accounts: Vec<_> = rows
        .iter()
        .filter(|row| row.kind == movement.kind)
        .map(|row| (row.account_id, row.deposit_id.is_none()))
        .collect();
    if accounts.len() > 1 {
        // A name that was given twice is the one that stands behind nothing yet.
        accounts.retain(|(_, free)| *free);
    }
    match accounts.as_slice() {
        [(account, _)] => Ok(*account),
        [] => Err(Failure::Unfound {
            field: "movements.name",
            resource_type: "Movement",
            name: format!("{} {}", movement.kind, movement.name),
        }),
        _ => Err(FieldErrors::one(
            "movements.account",
            format!("is required: several accounts have a {} of one name", movement.kind),
        )
        .into()),
    }
}

/// Takes a match back, with everything that stands behind it.
pub(super) async fn reverse_match(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ReverseMatchRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let asked = requests::reverse_match(message)?;
    let head = ledger.engine().head(asked.firm).await?.position;
    ledger.read_at(asked.firm, head).await?;
    let filter = MovementFilter { open: false, deposit: Some(asked.deposit) };
    let most = limit(MOVEMENTS_MAX);
    let rows = ledger.store().list_movements(asked.firm, filter, 0, most).await?;
    let behind = rows.into_iter().map(|row| AccountMovement {
        account: row.account_id,
        movement: Movement { kind: row.kind, name: row.name },
    });
    let movements = behind.collect();
    let action = BankAction::ReverseMatch { deposit: asked.deposit, movements };
    let asked =
        Asked { firm: asked.firm, request_id: asked.request_id, command: Command::Bank(action) };
    ledger.submit(authority, asked, api::fingerprint(message)).await
}
