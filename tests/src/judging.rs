//! Asking the judge about a world in memory.

use calendar::CivilDate;
use domain::World;
use domain::account::Account;
use domain::case::Case;
use domain::ids::{AccountId, CaseId};
use domain::judge::{Judge, Matter};

/// What a judge makes of a case on a day.
pub fn judged<T>(
    world: &World,
    id: CaseId,
    today: CivilDate,
    ask: impl FnOnce(&Judge<'_>) -> T,
) -> T {
    judged_of(world, id, world.case(id).expect("the case is loaded"), today, ask)
}

/// The same of a case as it might have been told.
pub fn judged_of<T>(
    world: &World,
    id: CaseId,
    case: &Case,
    today: CivilDate,
    ask: impl FnOnce(&Judge<'_>) -> T,
) -> T {
    let account = |id: AccountId| world.account(id).expect("its accounts are loaded");
    let own = id.own_account();
    let paying = account(own).moved_to.unwrap_or(own);
    let mut accounts: Vec<(AccountId, &Account)> = vec![(paying, account(paying))];
    for fee in &case.earned {
        if accounts.iter().all(|(known, _)| *known != fee.account) {
            accounts.push((fee.account, account(fee.account)));
        }
    }
    let firm = world.firm().expect("the firm is loaded");
    ask(&Judge::of(Matter { id, case, accounts: &accounts, firm, today }))
}
