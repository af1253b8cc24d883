//! Rule packs, who stands for them, and what is on file with a state.

use calendar::CivilDate;
use domain::event::{
    PackConfirmed, PackUsedAtOwnRisk, SecurityEventRecorded, StandingEnded, StandingRecorded,
};
use domain::firm::{AdoptedPack, Confirmation, FiledStanding, OwnRisk, SecurityEvent, StandingEnd};
use domain::ids::{DocumentHash, PackCode, StateCode};
use domain::rules::{Dimension, PackHash, RulePack};
use domain::value::{Text, ValueError};

use crate::case_action::document;
use crate::code::Paired;
use crate::field::Fields;
use crate::limit::PACK_JSON_BYTES_MAX;
use crate::scalar::{date_message, int32, int64, money_message};
use crate::v1;

/// A rule pack. The fault says where in the JSON and what was expected; packs hold no personal values.
pub(crate) fn pack(f: &mut Fields, json: &str) -> Option<RulePack> {
    if json.len() > PACK_JSON_BYTES_MAX {
        return f.refuse("pack_json", format!("must be at most {PACK_JSON_BYTES_MAX} bytes"));
    }
    f.parse("pack_json", json, |json| {
        RulePack::from_json(json)
            .map_err(|error| ValueError::new(format!("must be a rule pack: {error}")))
    })
}

/// A confirmation by counsel.
pub(crate) fn confirmed(f: &mut Fields, m: &v1::ConfirmPackRequest) -> Option<PackConfirmed> {
    let code = f.parse("code", &m.code, PackCode::parse);
    let version = version(f, m.version);
    let hash = f.parse("sha256", &m.sha256, PackHash::parse);
    let counsel = f.parse("counsel", &m.counsel, Text::line);
    let document = document(f, &m.document_sha256);
    Some(PackConfirmed {
        code: code?,
        counsel: counsel?,
        document: document?,
        hash: hash?,
        version: version?,
    })
}

/// That a pack is used at own risk.
pub(crate) fn at_own_risk(
    f: &mut Fields,
    m: &v1::UsePackAtOwnRiskRequest,
) -> Option<PackUsedAtOwnRisk> {
    let code = f.parse("code", &m.code, PackCode::parse);
    let version = version(f, m.version);
    let reason = f.parse("reason", &m.reason, Text::parse);
    Some(PackUsedAtOwnRisk { code: code?, reason: reason?, version: version? })
}

fn version(f: &mut Fields, version: i32) -> Option<u32> {
    f.number("version", version, 1..=i32::MAX.unsigned_abs())
}

pub(crate) fn standing(f: &mut Fields, m: &v1::Standing) -> Option<StandingRecorded> {
    let kind = f.code::<v1::StandingKind>("kind", m.kind);
    let state = f.parse("state_code", &m.state_code, StateCode::parse);
    let valid_from = f.date("valid_from", m.valid_from.as_ref());
    let valid_through = f.date("valid_through", m.valid_through.as_ref());
    let amount = f.optional_money("amount", m.amount.as_ref());
    let document = document(f, &m.document_sha256);
    if let (Some(from), Some(through)) = (valid_from, valid_through)
        && through < from
    {
        f.fail("valid_through", "must not be before valid_from");
    }
    Some(StandingRecorded {
        amount: amount?,
        document: document?,
        kind: kind?,
        state: state?,
        valid_from: valid_from?,
        valid_through: valid_through?,
    })
}

/// The early end of a registration or bond.
pub(crate) fn standing_ended(f: &mut Fields, m: &v1::EndStandingRequest) -> Option<StandingEnded> {
    let kind = f.code::<v1::StandingKind>("kind", m.kind);
    let state = f.parse("state_code", &m.state_code, StateCode::parse);
    let valid_from = f.date("valid_from", m.valid_from.as_ref());
    let last_day = f.date("last_day", m.last_day.as_ref());
    let reason = f.code::<v1::StandingEndReason>("reason", m.reason);
    let document = document(f, &m.document_sha256);
    Some(StandingEnded {
        document: document?,
        kind: kind?,
        last_day: last_day?,
        reason: reason?,
        state: state?,
        valid_from: valid_from?,
    })
}

/// An event of security.
pub(crate) fn security_event(
    f: &mut Fields,
    m: &v1::SecurityEvent,
) -> Option<SecurityEventRecorded> {
    let name = f.parse("display_name", &m.display_name, Text::line);
    let discovered_on = f.date("discovered_on", m.discovered_on.as_ref());
    let consumers = f.number("consumers", m.consumers, 0..=i32::MAX.unsigned_abs());
    let notified_on = f.optional_date("notified_on", m.notified_on.as_ref());
    let document = document(f, &m.document_sha256);
    Some(SecurityEventRecorded {
        consumers: consumers?,
        discovered_on: discovered_on?,
        document: document?,
        name: name?,
        notified_on: notified_on?,
    })
}

/// Writes an event of security, as it stands on a day.
pub fn security_message(told: &SecurityEvent, today: CivilDate) -> v1::SecurityEvent {
    let said = &told.said;
    v1::SecurityEvent {
        display_name: said.name.to_string(),
        discovered_on: Some(date_message(said.discovered_on)),
        consumers: int32(said.consumers),
        notified_on: said.notified_on.map(date_message),
        document_sha256: hash_text(said.document),
        notify_by: told.notify_by().map(date_message),
        days_late: int32(told.days_late(today)),
    }
}

fn hash_text(document: Option<DocumentHash>) -> String {
    document.map_or_else(String::new, |hash| hash.to_string())
}

/// Writes a registration or bond, and its end if it ended early.
pub fn standing_message(standing: &FiledStanding) -> v1::Standing {
    let end = standing.end.as_ref().map(|StandingEnd { at, on, said }| v1::StandingEnd {
        last_day: Some(date_message(said.last_day)),
        reason: v1::StandingEndReason::from_domain(said.reason).into(),
        told_on: Some(date_message(*on)),
        document_sha256: hash_text(said.document),
        position: int64(at.position),
    });
    let standing = &standing.filed;
    v1::Standing {
        kind: v1::StandingKind::from_domain(standing.kind).into(),
        state_code: standing.state.to_string(),
        valid_from: Some(date_message(standing.valid_from)),
        valid_through: Some(date_message(standing.valid_through)),
        amount: standing.amount.map(money_message),
        document_sha256: hash_text(standing.document),
        end,
    }
}

/// Writes a version of a pack as the firm adopted it, with who stands for it.
pub fn adopted_message(adopted: &AdoptedPack) -> v1::RulePack {
    let confirmations =
        adopted.confirmations.iter().map(|Confirmation { at, on, said }| v1::PackConfirmation {
            counsel: said.counsel.to_string(),
            confirmed_on: Some(date_message(*on)),
            document_sha256: hash_text(said.document),
            position: int64(at.position),
        });
    let own_risk = adopted.own_risk.as_ref().map(|OwnRisk { at, on, said }| v1::PackAtOwnRisk {
        reason: said.reason.to_string(),
        since: Some(date_message(*on)),
        position: int64(at.position),
    });
    let shown = pack_message(&adopted.pack);
    v1::RulePack {
        confirmed_by_counsel: shown.confirmed_by_counsel || !adopted.confirmations.is_empty(),
        confirmations: confirmations.collect(),
        own_risk,
        ..shown
    }
}

/// Writes a rule pack as it was read, rule by rule, and whole.
pub fn pack_message(pack: &RulePack) -> v1::RulePack {
    let json = domain::codec::to_bytes(pack);
    let dimensions = |read: bool| {
        let dimensions =
            Dimension::ALL.iter().filter(|dimension| pack.is_read(**dimension) == read);
        dimensions.map(|dimension| dimension.code().to_owned()).collect()
    };
    v1::RulePack {
        code: pack.code.to_string(),
        version: int32(pack.version),
        state_code: pack.state.map_or_else(String::new, |state| state.to_string()),
        in_force_from: Some(date_message(pack.in_force_from)),
        confirmed_by_counsel: pack.confirmed_by_counsel,
        note: pack.note.to_string(),
        rules: pack_rules(pack),
        // The codec writes JSON, which is UTF-8.
        json: String::from_utf8_lossy(&json).into_owned(),
        in_force_through: pack.in_force_through.map(date_message),
        nothing_is_added: pack.adds_nothing(),
        read_dimensions: dimensions(true),
        unread_dimensions: dimensions(false),
        sha256: pack.hash().to_string(),
        confirmations: Vec::new(),
        own_risk: None,
    }
}

/// Writes what a pack states, rule by rule.
fn pack_rules(pack: &RulePack) -> Vec<v1::PackRule> {
    let rules = pack.rules().into_iter().map(|rule| v1::PackRule {
        dimension: rule.member.to_owned(),
        requirement: rule.requirement,
        citation: rule.cites.to_string(),
    });
    rules.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_packs_read_and_show_every_rule() {
        for json in domain::rules::EXAMPLE_PACKS {
            let pack = Fields::check(None, |f| super::pack(f, json)).unwrap();
            let shown = pack_message(&pack);
            assert!(!shown.rules.is_empty(), "{}", shown.code);
            assert!(shown.rules.iter().all(|rule| !rule.citation.is_empty()), "{}", shown.code);
            assert_eq!(RulePack::from_json(&shown.json).unwrap(), pack);
        }
    }

    #[test]
    fn a_broken_pack_names_its_field() {
        let errors = Fields::check(None, |f| super::pack(f, "{\"code\":1}")).unwrap_err();
        assert_eq!(errors.0[0].field, "pack_json");
    }
}
