//! What a pack must say, and what it must not say at once.

use super::{Dimension, RulePack, floor};

/// Dimensions that only the federal pack must set.
const FEDERAL: &[Dimension] =
    &[Dimension::Cancellation, Dimension::Performance, Dimension::Telemarketing];

/// The member of a pack that states something of a dimension.
const fn member(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Security => "bond",
        Dimension::Cancellation
        | Dimension::MonthlyStatement
        | Dimension::PerformWithin
        | Dimension::Performance
        | Dimension::Prohibited
        | Dimension::Registration
        | Dimension::Telemarketing => dimension.code(),
    }
}

/// Why a pack cannot be adopted, if it cannot.
pub fn check_pack(pack: &RulePack) -> Option<String> {
    if pack.version == 0 {
        return Some("version must be at least 1".into());
    }
    if let Some(rule) = floor::broken(pack) {
        return Some(rule);
    }
    if pack.in_force_through.is_some_and(|last| last < pack.in_force_from) {
        return Some("in_force_through must not be before in_force_from".into());
    }
    if pack.bond.as_ref().is_some_and(|bond| bond.amount.minor() <= 0) {
        return Some("bond.amount must be above zero".into());
    }
    if pack.state.is_none() { federal(pack) } else { of_a_state(pack) }
}

fn federal(pack: &RulePack) -> Option<String> {
    let stated = pack.stated();
    if let Some(missing) = FEDERAL.iter().find(|dimension| !stated.contains(dimension)) {
        return Some(format!("the federal pack must state {}", member(*missing)));
    }
    if pack.nothing_is_added.is_some() {
        return Some("nothing_is_added is for a state's pack, and this one has no state".into());
    }
    if pack.read.is_some() {
        return Some("read is for a state's pack; the federal one counts as read".into());
    }
    None
}

fn of_a_state(pack: &RulePack) -> Option<String> {
    let stated = pack.stated();
    if pack.adds_nothing() {
        if let Some(added) = stated.first() {
            let member = member(*added);
            return Some(format!(
                "{member} adds something, and nothing_is_added says the contrary"
            ));
        }
        if pack.read.is_some() {
            return Some("read must be left out: nothing_is_added says that all was read".into());
        }
        return None;
    }
    let unread = stated.iter().find(|dimension| !pack.is_read(**dimension))?;
    Some(format!("{} is stated, and read does not name {unread}", member(*unread)))
}
