//! Checking and closing a month.

use api::requests::{self, Asked, CloseAsked};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use books::{Block, Controls, TrialBalance, TrialRow};
use calendar::CivilDate;
use domain::command::{Command, Dated, FirmAction};
use domain::event::{BookAccount, PeriodLocked};
use domain::firm::Firm;
use domain::ids::FirmId;
use domain::money::{Currency, Money};
use domain::refusal::{Reason, Refusal, Violation};
use log::{Answer, ProjectionStore as _};

use super::anew;
use crate::access::Authority;
use crate::ledger::Ledger;
use crate::present::minor;

/// What a check found.
struct Checked {
    blocks: Vec<(Block, i64)>,
    exposures: u64,
    currency: Currency,
    position: u64,
}

/// Checks the books up to the end of the log, as the log alone makes them: a month is closed for good by
/// what is found. Rows that say otherwise are in the way as well, since people went by them.
async fn check(
    ledger: &Ledger,
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
        suspense_minor: month.closing_minor(BookAccount::Suspense),
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
    let controls = anew::controls(ledger, firm_id, (position, through)).await?;
    let mut blocks = controls.blocks();
    if at_rest && controls != shown {
        blocks.push((Block::Rows, 0));
    }
    Ok(Checked { blocks, exposures: sums.exposures, currency: registered.currency, position })
}

/// The last day that is written with four digits of a year.
fn last_day() -> CivilDate {
    CivilDate::from_ymd_opt(9999, 12, 31).expect("a day of the calendar")
}

/// What a block is, in words.
fn words((block, difference): (Block, i64), currency: Currency, through: CivilDate) -> String {
    let amount = Money::new(difference, currency).map_or_else(|e| e.to_string(), |m| m.to_string());
    match block {
        Block::Unbalanced => format!("debits and credits differ by {amount}: rebuild, then verify"),
        Block::LinesOpen => {
            format!("{difference} bank lines up to {through} are not explained: match or book them")
        }
        Block::Suspense => format!("{amount} stands in suspense on {through}"),
        Block::Clearing => {
            format!("the clearing account differs by {amount} from payments not deposited: rebuild")
        }
        Block::Receivable => {
            format!("the receivable account differs by {amount} from open invoices: rebuild")
        }
        Block::Owed => {
            format!("what is owed to clients differs by {amount} from unearned payments: rebuild")
        }
        Block::Rows => {
            "what is shown of the books is not what the log says: somebody changed rows of \
                        the read model; rebuild, and look at the month again"
                .to_owned()
        }
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
    let checked = check(ledger, get.firm, &firm, through).await?;
    let block = |block: &(Block, i64)| {
        let (is_count, is_money) = match block.0 {
            Block::LinesOpen => (true, false),
            Block::Rows => (false, false),
            Block::Unbalanced
            | Block::Suspense
            | Block::Clearing
            | Block::Receivable
            | Block::Owed => (false, true),
        };
        v1::MonthBlock {
            rule: block.0.code().to_owned(),
            detail: words(*block, checked.currency, through),
            difference: minor(block.1, checked.currency).filter(|_| is_money),
            lines: if is_count { int32(block.1) } else { 0 },
        }
    };
    Ok(v1::CheckMonthResponse {
        blocks: checked.blocks.iter().map(block).collect(),
        exposures: int64(checked.exposures),
        closed: firm.locked_through().is_some_and(|locked| through <= locked),
        position: int64(checked.position),
    })
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
    let mut checked_at = 0;
    if !is_closed {
        let checked = check(ledger, id, &firm, through).await?;
        if !checked.blocks.is_empty() {
            return Err(Failure::Refused(Box::new(blocked(&checked, through))));
        }
        checked_at = checked.position;
    }
    let lock = FirmAction::LockPeriod(PeriodLocked { checked_at, through });
    let action = Dated { occurred_at: None, occurred_on: ledger.today(&firm), action: lock };
    let asked = Asked { firm: id, request_id, command: Command::Firm { action } };
    ledger.submit(authority, asked, api::fingerprint(message)).await
}

/// Nothing is recorded of it: the same request may close the month once nothing is in the way.
fn blocked(checked: &Checked, through: CivilDate) -> Refusal {
    let violation = |block: &(Block, i64)| Violation {
        cites: String::new(),
        detail: words(*block, checked.currency, through),
        rule: block.0.code().to_owned(),
        subject: through.to_string(),
    };
    Refusal::of(Reason::StateRefuses, checked.blocks.iter().map(violation).collect())
}
