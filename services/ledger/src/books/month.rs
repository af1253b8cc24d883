//! Checking and closing a month.

use api::requests::{self, AcceptAsked, Asked, CloseAsked};
use api::scalar::{date_message, int32, int64, money_message};
use api::status::Failure;
use api::{FieldErrors, v1};
use books::{Block, Controls, InTheWay, Several, TRANSIT_DAYS, TrialBalance, TrialRow, Unfinished};
use calendar::CivilDate;
use domain::command::{Command, Dated, FirmAction};
use domain::event::{BookAccount, CloseAccepted, PeriodLocked};
use domain::firm::{Acceptance, Firm};
use domain::ids::{DocumentHash, FirmId};
use domain::money::{Currency, Money};
use domain::refusal::{Reason, Refusal, Violation};
use log::Answer;
use sha2::{Digest as _, Sha256};

use super::anew;
use crate::access::Authority;
use crate::billing::{claimable_by, would_change};
use crate::ledger::{Ledger, receipt};
use crate::present::minor;
use crate::reading::View;

/// What a check found.
struct Checked {
    blocks: Vec<InTheWay>,
    unfinished: Unfinished,
    exposures: u64,
    currency: Currency,
    position: u64,
    through: CivilDate,
}

/// Checks the books up to the end of the log, as the log alone makes them: a month is closed for good by
/// what is found. Rows that say otherwise are in the way as well, since people went by them.
async fn check(
    ledger: &Ledger,
    authority: &Authority,
    firm_id: FirmId,
    firm: &Firm,
    through: CivilDate,
) -> Result<Checked, Failure> {
    let Some(registered) = &firm.registered else {
        return Err(Failure::NotFound { resource_type: "Firm", name: api::name::firm(firm_id) });
    };
    let head = ledger.engine().head(firm_id).await?.position;
    // Read before anything is summed: what moves while the sums are made comes after it, and a close
    // that was checked here is refused then.
    ledger.read_at(firm_id, head).await?;
    let store = ledger.store();
    let position = store.checkpoint(firm_id).await?.position;
    let of = async |through: CivilDate| {
        let sums = store.trial_sums(firm_id, through, through).await?;
        Ok::<_, Failure>(TrialBalance::of(sums.into_iter().map(TrialRow::from)))
    };
    let month = of(through).await?;
    let all = of(last_day()).await?;
    let sums = store.control_sums(firm_id, through).await?;
    let sums = sums.ok_or_else(|| Failure::internal("a firm without a projection"))?;
    let shown = Controls {
        through,
        difference_minor: month.difference_minor(),
        suspense_minor: all.closing_minor(BookAccount::Suspense),
        unexplained_minor: sums.unexplained_minor,
        lines_open: sums.lines_open,
        clearing_minor: all.closing_minor(BookAccount::Clearing),
        undeposited_minor: sums.undeposited_minor,
        receivable_minor: all.closing_minor(BookAccount::Receivable),
        open_minor: sums.open_minor,
        owed_minor: all.closing_minor(BookAccount::OwedToClients),
        unearned_minor: sums.unearned_minor,
    };
    // Rows that moved on while they were summed are of no one position.
    let at_rest = store.checkpoint(firm_id).await?.position == position;
    let (controls, unfinished, _) = anew::controls(ledger, firm_id, (position, through)).await?;
    let mut blocks = controls.blocks();
    for block in &mut blocks {
        if block.block == Block::LinesOpen {
            block.items = unfinished.lines_open.lines();
        }
    }
    if at_rest && controls != shown {
        blocks.push(InTheWay::that(Block::Rows));
    }
    if would_change(ledger, authority, firm_id).await? {
        blocks.push(InTheWay::that(Block::ReviewDue));
    }
    blocks.extend(unfinished.blocks());
    let (mut unbilled, view) = (Several::default(), View::of_primary(ledger, authority));
    for (fee, minor) in claimable_by(&view, firm_id, through, ledger.today(firm)).await? {
        unbilled.add(fee, minor);
    }
    if unbilled.count() > 0 {
        blocks.push(InTheWay::some(Block::FeesUnbilled, &unbilled));
    }
    if through >= ledger.today(firm) {
        blocks.push(InTheWay::that(Block::NotOver));
    }
    let (exposures, currency) = (sums.exposures, registered.currency);
    Ok(Checked { blocks, unfinished, exposures, currency, position, through })
}

/// The last day that is written with four digits of a year.
pub(super) fn last_day() -> CivilDate {
    CivilDate::from_ymd_opt(9999, 12, 31).expect("a day of the calendar")
}

impl Checked {
    fn amount(&self, minor: Option<i64>) -> String {
        let amount = minor.map(|minor| Money::new(minor, self.currency));
        amount.map_or_else(String::new, |of| of.map_or_else(|e| e.to_string(), |m| m.to_string()))
    }

    /// How much more or less the ledger has than statements, of what these have more.
    fn more_in_ledger(&self, statements_more: Option<i64>) -> String {
        let amount = self.amount(statements_more.map(i64::saturating_abs));
        match statements_more {
            Some(minor) if minor > 0 => format!("{amount} less than they have"),
            Some(minor) if minor < 0 => format!("{amount} more than they have"),
            Some(_) | None => "as much as they have, all in all".to_owned(),
        }
    }

    /// What a block is, in words.
    fn words(&self, block: &InTheWay) -> String {
        let (count, amount, through) = (block.count, self.amount(block.minor), self.through);
        let more = self.more_in_ledger(block.minor);
        match block.block {
            Block::Unbalanced => {
                format!("debits and credits differ by {amount}: rebuild, then verify")
            }
            Block::LinesOpen => {
                format!("{count} bank lines up to {through} are not explained: match or book them")
            }
            Block::Suspense => {
                format!("suspense differs by {amount} from bank lines not explained: rebuild")
            }
            Block::Clearing => {
                format!(
                    "the clearing account differs by {amount} from payments not deposited: rebuild"
                )
            }
            Block::Receivable => {
                format!("the receivable account differs by {amount} from open invoices: rebuild")
            }
            Block::Owed => {
                format!(
                    "what is owed to clients differs by {amount} from unearned payments: rebuild"
                )
            }
            Block::Rows => {
                "what is shown of the books is not what the log says: somebody changed rows of \
                            the read model; rebuild, and look at the month again"
                    .to_owned()
            }
            Block::NotOver => format!("the month is not over before the day after {through}"),
            Block::EarlierOpen => {
                let first =
                    self.unfinished.earlier_open.map_or_else(String::new, |day| day.to_string());
                format!(
                    "an earlier month has entries, from {first} on, and is not closed: close it first"
                )
            }
            Block::ReviewDue => {
                "the firm told something, or the program judges by new rules, and some claimed fees are not what \
                 they were: see them with `counterfoil review`, and have it recorded"
                    .to_owned()
            }
            Block::PayoutsLate => format!(
                "what the processor says it paid out, {TRANSIT_DAYS} business days or more before {through}, and no bank line is \
                 matched with: {}, {amount} in all; import the bank's statement and match them",
                counted(count, "payout")
            ),
            Block::ClearingLate => format!(
                "payments, refunds and chargebacks, {TRANSIT_DAYS} business days or more before {through}, that neither a bank line \
                 nor a late payout accounts for: {count}, together {amount}; import the bank's statement and match them"
            ),
            Block::FeesUnbilled => format!(
                "fees earned by {through} that may be asked for and were not: {count}, {amount}; bill them, or they are \
                 revenue of a later month"
            ),
            Block::BankUndeclared => format!(
                "accounts at banks with lines that nobody declared: {}; declare each with its opening balance",
                self.unfinished.bank_undeclared.names()
            ),
            Block::StatementMissing => format!(
                "declared accounts without a statement through {through}: {}; import it",
                self.unfinished.statement_missing.names()
            ),
            Block::StatementBroken => format!(
                "statements that do not continue the one before, or contradict it or the declared opening balance: {count}; by them the \
                 ledger has {more} ({}); import what is missing, or correct the declaration",
                some_of(&self.unfinished.statement_broken)
            ),
            Block::BankDiffers => format!(
                "lines that only the ledger knows, or only a statement: {count}; by them the ledger has {more} ({}); take back \
                 what the bank did not book, import what it did",
                some_of(&self.unfinished.bank_differs)
            ),
            Block::ExposuresOpen => format!(
                "fees asked for and payments taken by {through} that nothing allowed, owed to clients or open still: {count}, {amount}; \
                 give it back, put it right, or keep it for counsel's recorded reason"
            ),
        }
    }

    /// What was accepted of a block: as much as there is now.
    fn accepted<'f>(&self, firm: &'f Firm, block: &InTheWay) -> Option<&'f Acceptance> {
        let known = firm.acceptance(self.through, block.block.accepted_as()?)?;
        let CloseAccepted { amount, count, items, .. } = &known.said;
        let is_same = (*count, amount.minor()) == (block.count, block.minor.unwrap_or_default())
            && *items == hash_of(block);
        is_same.then_some(known)
    }
}

fn counted(count: u64, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// The names of the first few.
fn some_of(of: &Several) -> String {
    /// So many are named.
    const FEW: usize = 3;
    let all = of.names();
    let names: Vec<&str> = all.split(", ").collect();
    let more = if names.len() > FEW { ", ..." } else { "" };
    format!("{}{more}", names[..names.len().min(FEW)].join(", "))
}

/// What is accepted of a block.
fn hash_of(block: &InTheWay) -> DocumentHash {
    DocumentHash(Sha256::digest(&block.items).into())
}

fn acceptance(known: &Acceptance) -> v1::CloseAcceptance {
    let Acceptance { at, on, said } = known;
    v1::CloseAcceptance {
        rule: said.rule.code().to_owned(),
        reason: said.reason.as_str().to_owned(),
        count: int64(said.count),
        amount: Some(money_message(said.amount)),
        accepted_on: Some(date_message(*on)),
        position: int64(at.position),
    }
}

pub(super) async fn check_month(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CheckMonthRequest,
) -> Result<v1::CheckMonthResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let get = requests::check_month(message)?;
    ledger.read_at(get.firm, get.at_least_position).await?;
    let through = get.id;
    let firm = ledger.firms().get(get.firm).await?;
    let checked = check(ledger, authority, get.firm, &firm, through).await?;
    let accepted: Vec<_> =
        checked.blocks.iter().map(|block| checked.accepted(&firm, block)).collect();
    let block = |(block, accepted): (&InTheWay, Option<&Acceptance>)| v1::MonthBlock {
        rule: block.block.code().to_owned(),
        detail: checked.words(block),
        difference: block.minor.and_then(|of| minor(of, checked.currency)),
        lines: if block.block == Block::LinesOpen { int32(block.count) } else { 0 },
        count: int64(block.count),
        acceptable: block.block.accepted_as().is_some(),
        accepted: accepted.map(acceptance),
    };
    let is_closed = firm.locked_through().is_some_and(|locked| through <= locked);
    let of_month = || firm.accepted.iter().filter(|known| known.said.through == through);
    // One that was accepted twice as it is stands once.
    let stands = |known: &Acceptance| {
        let rules = accepted.iter().flatten();
        rules
            .clone()
            .any(|now| (now.said.rule, now.said.items) == (known.said.rule, known.said.items))
    };
    let is_outdated = |known: &&Acceptance| !stands(known);
    let outdated = of_month().filter(is_outdated).map(acceptance);
    let closed_with = of_month().filter(|known| firm.is_closed_with(known)).map(acceptance);
    Ok(v1::CheckMonthResponse {
        blocks: checked.blocks.iter().zip(accepted.iter().copied()).map(block).collect(),
        exposures: int64(checked.exposures),
        closed: is_closed,
        position: int64(checked.position),
        outdated: if is_closed { Vec::new() } else { outdated.collect() },
        closed_with: closed_with.collect(),
    })
}

/// Accepts something that stands in the way, as much of it as there is now.
pub(super) async fn accept_for_close(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::AcceptForCloseRequest,
) -> Result<v1::AcceptForCloseResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let AcceptAsked { firm: id, request_id, through, rule, reason } =
        requests::accept_for_close(message)?;
    let firm = ledger.firms().get(id).await?;
    let checked = check(ledger, authority, id, &firm, through).await?;
    let block = checked.blocks.iter().find(|block| block.block.accepted_as() == Some(rule));
    let said = if let Some(block) = block {
        let amount = Money::new(block.minor.unwrap_or_default(), checked.currency)
            .map_err(|_| Failure::internal("a sum that is no amount"))?;
        CloseAccepted { amount, count: block.count, items: hash_of(block), reason, rule, through }
    } else {
        // The same request may have been answered before: it is answered again by the log.
        let known = firm.acceptance(through, rule).map(|known| known.said.clone());
        known.filter(|said| said.reason == reason).ok_or_else(|| {
            let rule = format!("nothing of that stands in the way of closing {through}");
            Failure::from(FieldErrors::one("rule", rule))
        })?
    };
    let action = FirmAction::AcceptForClose(said.clone());
    let action = Dated { occurred_at: None, occurred_on: ledger.today(&firm), action };
    let asked = Asked { firm: id, request_id, command: Command::Firm { action } };
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let firm = ledger.firms().get(id).await?;
    let accepted = firm.acceptance(through, rule).map(acceptance);
    Ok(v1::AcceptForCloseResponse { receipt: Some(receipt(&answer)), accepted })
}

/// Accepts no more what was accepted of a month that is open.
pub(super) async fn withdraw_acceptance(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::WithdrawAcceptanceRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let AcceptAsked { firm: id, request_id, through, rule, reason } =
        requests::withdraw_acceptance(message)?;
    let firm = ledger.firms().get(id).await?;
    let action = FirmAction::WithdrawAcceptance { reason, rule, through };
    let action = Dated { occurred_at: None, occurred_on: ledger.today(&firm), action };
    let asked = Asked { firm: id, request_id, command: Command::Firm { action } };
    ledger.submit(authority, asked, api::fingerprint(message)).await
}

/// Closes a month as it was just checked. A month that is closed already is not checked again: the
/// same request gets its first answer, another one hears that it is closed.
pub(super) async fn close_month(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CloseMonthRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let CloseAsked { firm: id, request_id, through } = requests::close_month(message)?;
    let firm = ledger.firms().get(id).await?;
    let is_closed = firm.locked_through().is_some_and(|locked| through <= locked);
    let (mut checked_at, mut accepted) = (0, Vec::new());
    // A month that is not over is refused as such.
    if !is_closed && through < ledger.today(&firm) {
        let checked = check(ledger, authority, id, &firm, through).await?;
        let mut blocking = Vec::new();
        for block in &checked.blocks {
            match checked.accepted(&firm, block) {
                Some(known) => accepted.push(known.at.clone()),
                None => blocking.push(block),
            }
        }
        if !blocking.is_empty() {
            return Err(Failure::Refused(Box::new(blocked(&checked, &blocking))));
        }
        checked_at = checked.position;
    }
    let accepted = Some(accepted).filter(|accepted| !accepted.is_empty());
    let first_open = Some(true);
    let lock = PeriodLocked { accepted, checked_at, first_open, through };
    let lock = FirmAction::LockPeriod(lock);
    let action = Dated { occurred_at: None, occurred_on: ledger.today(&firm), action: lock };
    let asked = Asked { firm: id, request_id, command: Command::Firm { action } };
    ledger.submit(authority, asked, api::fingerprint(message)).await
}

/// Nothing is recorded of it: the same request may close the month once nothing is in the way.
fn blocked(checked: &Checked, blocking: &[&InTheWay]) -> Refusal {
    let violation = |block: &&InTheWay| Violation {
        cites: String::new(),
        detail: checked.words(block),
        rule: block.block.code().to_owned(),
        subject: checked.through.to_string(),
    };
    Refusal::of(Reason::StateRefuses, blocking.iter().map(violation).collect())
}
