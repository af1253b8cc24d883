//! What a pack must say, and what it must not say at once.

use super::{ContractItem, Dimension, EarlyFeeRule, RulePack, StandingKind, YearDay, floor};
use crate::money::Money;

/// Dimensions that only the federal pack must set.
const FEDERAL: &[Dimension] =
    &[Dimension::Cancellation, Dimension::Performance, Dimension::Telemarketing];

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
    if let Some(rule) = asked(pack).or_else(|| sourced(pack)) {
        return Some(rule);
    }
    if pack.state.is_none() { federal(pack) } else { of_a_state(pack) }
}

fn federal(pack: &RulePack) -> Option<String> {
    let stated = pack.stated();
    if let Some(missing) = FEDERAL.iter().find(|dimension| !stated.contains(dimension)) {
        return Some(format!("the federal pack must state {missing}"));
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
    let stated = pack.rules();
    if pack.adds_nothing() {
        if let Some(added) = stated.first() {
            let member = added.member;
            return Some(format!(
                "{member} adds something, and nothing_is_added says the contrary"
            ));
        }
        if pack.read.is_some() {
            return Some("read must be left out: nothing_is_added says that all was read".into());
        }
        return None;
    }
    let names_agent =
        pack.contract_items.as_ref().is_some_and(|rule| rule.items.contains(&ContractItem::Agent));
    if names_agent && pack.is_read(Dimension::Agent) && pack.agent.is_none() {
        return Some("contract_items name an agent, and agent is read with no rule".into());
    }
    let unread = stated.iter().find(|rule| !pack.is_read(rule.dimension))?;
    Some(format!("{} is stated, and read does not name {}", unread.member, unread.dimension))
}

/// What a rule cannot ask.
fn asked(pack: &RulePack) -> Option<String> {
    let positive = |amount: Money| amount.minor() > 0;
    for (at, security) in pack.security.iter().flatten().enumerate() {
        let amount = &security.amount;
        if !positive(amount.least) {
            return Some(format!("security[{at}].amount.least must be above zero"));
        }
        let currency = amount.least.currency();
        let others = [amount.most, amount.step].into_iter().flatten();
        if others.clone().any(|other| other.currency() != currency || !positive(other)) {
            return Some(format!("security[{at}].amount must be of one currency and above zero"));
        }
        if amount.of.is_some() != amount.per_cent.is_some() {
            return Some(format!("security[{at}].amount has of and per_cent together"));
        }
        let serves = |kind: &StandingKind| !kind.is_security();
        if security.kinds.is_empty() || security.kinds.iter().any(serves) {
            return Some(format!("security[{at}].kinds must name kinds of security"));
        }
    }
    if pack.fee_caps.iter().flatten().any(|cap| cap.most.minor() < 0) {
        return Some("fee_caps.most must not be below zero".into());
    }
    let is_day = |day: &YearDay| (1..=12).contains(&day.month) && (1..=31).contains(&day.day);
    if pack.registration.as_ref().and_then(|r| r.ends_on.as_ref()).is_some_and(|d| !is_day(d)) {
        return Some("registration.ends_on must be a day of a year".into());
    }
    let fee = pack.early_fee.as_ref()?;
    if (fee.rule == EarlyFeeRule::Plan) != fee.plan_months.is_some() {
        return Some("early_fee.plan_months belongs to the rule plan".into());
    }
    let secured = pack.bond.is_some() || pack.security.as_ref().is_some_and(|all| !all.is_empty());
    if fee.rule == EarlyFeeRule::WithSecurity && !secured && pack.is_read(Dimension::Security) {
        return Some("early_fee is with_security, and no security is stated".into());
    }
    None
}

/// A pack that names sources names one for each dimension that was read.
fn sourced(pack: &RulePack) -> Option<String> {
    let sources = pack.sources.as_ref()?;
    let missing = pack.read.iter().flatten().find(|dimension| pack.read_in(**dimension).is_none());
    if let Some(missing) = missing {
        return Some(format!("sources must say where {missing} was read"));
    }
    let of = |source: &super::Source| source.dimensions.iter().copied().collect::<Vec<_>>();
    let named: Vec<Dimension> = sources.iter().flat_map(of).collect();
    let unread = named.iter().find(|dimension| !pack.is_read(**dimension));
    unread.map(|dimension| format!("sources name {dimension}, which read does not"))
}
