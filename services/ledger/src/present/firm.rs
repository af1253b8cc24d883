//! A firm and its tokens.

use api::Paired;
use api::firm_action::{
    adopted_message, bureau_message, plan_message, security_message, standing_message,
};
use api::scalar::{int32, int64};
use api::{name, v1};
use calendar::CivilDate;
use domain::event::AccessGranted;
use domain::firm::Firm;
use domain::ids::FirmId;

use super::day;

/// A firm with what it sells, follows and writes to, on a day.
pub(crate) fn firm(id: FirmId, firm: &Firm, today: CivilDate) -> v1::Firm {
    let registered = firm.registered.as_ref();
    v1::Firm {
        name: name::firm(id),
        display_name: registered.map(|r| r.name.to_string()).unwrap_or_default(),
        currency_code: registered.map(|r| r.currency.as_str().to_owned()).unwrap_or_default(),
        time_zone: registered.map(|r| r.zone.name().to_owned()).unwrap_or_default(),
        invoice_due_days: registered.map(|r| int32(r.invoice_due_days)).unwrap_or_default(),
        transit_days: registered.map(|r| int32(r.transit_days)).unwrap_or_default(),
        plans: firm
            .plans
            .values()
            .filter_map(|versions| versions.last())
            .map(|published| plan_message(&published.plan))
            .collect(),
        packs: firm.packs.iter().map(adopted_message).collect(),
        bureaus: firm.bureaus.values().map(bureau_message).collect(),
        standings: firm.standings.iter().map(standing_message).collect(),
        version: int64(firm.version),
        security_events: firm
            .security_events
            .iter()
            .map(|told| security_message(told, today))
            .collect(),
    }
}

/// A token as it was granted, without the token itself.
pub(crate) fn token(firm: FirmId, access: &AccessGranted, granted_on: CivilDate) -> v1::Token {
    v1::Token {
        token_id: access.access.to_string(),
        label: access.label.to_string(),
        scopes: access.scopes.iter().map(|&scope| v1::Scope::from_domain(scope).into()).collect(),
        expires_on: access.expires_on.and_then(day),
        granted_on: day(granted_on),
        revoked: false,
        bounds: access.bounds.as_ref().map(|bounds| v1::TokenBounds {
            cases: bounds.cases.iter().map(|case| name::case(firm, *case)).collect(),
            from: bounds.from.and_then(day),
            through: bounds.through.and_then(day),
        }),
    }
}
