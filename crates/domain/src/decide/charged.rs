//! What charges of a client's card broke, once what the client authorized is told late or otherwise.

use std::collections::BTreeSet;

use crate::command::{CaseAction, Command, Correction};
use crate::event::StreamId;
use crate::ids::CaseId;
use crate::world::{Draft, Halt, World};

/// The clients of whom a command may tell what bears on charges that went out, each with the account that the card pays
/// for. All of that is loaded, so that a need never comes after an event.
pub(super) fn authorizing(world: &World, command: &Command) -> Result<BTreeSet<CaseId>, Halt> {
    let cases: BTreeSet<CaseId> = match command {
        Command::Case { case, actions, .. } => {
            let bears = actions.iter().any(|dated| bears_on_charges(&dated.action));
            bears.then_some(*case).into_iter().collect()
        }
        Command::Correct { case, corrections, .. } => {
            let others = corrections.iter().filter_map(Correction::other);
            std::iter::once(*case).chain(others).collect()
        }
        Command::Account { .. }
        | Command::CorrectMoney { .. }
        | Command::CorrectFirm(_)
        | Command::Firm { .. }
        | Command::Bank(_)
        | Command::Couple { .. }
        | Command::ClaimFee { .. }
        | Command::BillAccount { .. }
        | Command::KeepFee { .. }
        | Command::Review { .. }
        | Command::Begin(_)
        | Command::Look(_) => BTreeSet::new(),
    };
    for case in &cases {
        world.case(*case)?;
        world.account(case.own_account())?;
    }
    Ok(cases)
}

/// Whether an action tells what a client authorized, or when the client died.
const fn bears_on_charges(action: &CaseAction) -> bool {
    matches!(action, CaseAction::ChangeCircumstance(_) | CaseAction::EndService(_))
}

/// Tells of each charge what it broke by what is known now, on its day, where nobody has been told.
pub(super) fn tell(draft: &mut Draft<'_, '_>, cases: &BTreeSet<CaseId>) -> Result<(), Halt> {
    for &case in cases {
        let charged = draft.world().account(case.own_account())?.charged();
        for (on, event) in draft.world().case(case)?.untold_by_charges(&charged) {
            draft.add(StreamId::Case(case), on, event)?;
        }
    }
    Ok(())
}
