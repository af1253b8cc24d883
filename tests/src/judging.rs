//! Asking the judge about a world in memory.

use calendar::CivilDate;
use domain::World;
use domain::case::Case;
use domain::ids::CaseId;
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
    of_matter(world, id, case, today, |matter| ask(&Judge::of(matter)))
}

/// What comes of everything that such a judge looks at.
pub fn of_matter<T>(
    world: &World,
    id: CaseId,
    case: &Case,
    today: CivilDate,
    ask: impl FnOnce(Matter<'_>) -> T,
) -> T {
    let accounts = world.payers(id).expect("its accounts are loaded");
    let firm = world.firm().expect("the firm is loaded");
    ask(Matter { id, case, accounts: &accounts, firm, today })
}
