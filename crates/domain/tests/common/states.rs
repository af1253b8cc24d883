//! Firms that follow the packs of states that come with the software.

use counterfoil_domain::command::FirmAction;
use counterfoil_domain::event::*;
use counterfoil_domain::ids::*;
use counterfoil_domain::money::Money;
use counterfoil_domain::rules::{RulePack, STATE_PACKS};

use super::*;

pub fn packs() -> impl Iterator<Item = RulePack> {
    STATE_PACKS
        .iter()
        .map(|json| RulePack::from_json(json).unwrap_or_else(|e| panic!("{e}: {json}")))
}

pub fn of(state: &str) -> RulePack {
    let found = packs().find(|pack| pack.state.unwrap().as_str() == state);
    found.unwrap_or_else(|| panic!("no pack of {state}"))
}

pub fn code(state: &str) -> StateCode {
    StateCode::parse(state).unwrap()
}

/// A firm whose counsel, who is invented, stands for some of the packs.
pub fn firm_of(states: &[&str]) -> Desk {
    let mut desk = Desk::open();
    desk.today("2026-03-02");
    for state in states {
        adopt(&mut desk, of(state));
    }
    desk
}

/// Adopts a pack, for which invented counsel stands.
pub fn adopt(desk: &mut Desk, pack: RulePack) {
    // These stories are of days before the law was read for the pack.
    let pack = RulePack { text_read_on: None, ..pack };
    let confirmed = PackConfirmed {
        code: pack.code.clone(),
        counsel: text("Robin Ashdown, counsel"),
        document: None,
        hash: pack.hash(),
        version: pack.version,
    };
    desk.firm(FirmAction::AdoptPack(Box::new(pack)));
    desk.firm(FirmAction::ConfirmPack(confirmed));
}

pub fn file(desk: &mut Desk, kind: StandingKind, state: &str, amount: Option<Money>) {
    desk.firm(FirmAction::RecordStanding(StandingRecorded {
        amount,
        document: Some(DocumentHash([7; 32])),
        kind,
        state: code(state),
        valid_from: day("2026-01-01"),
        valid_through: day("2026-12-31"),
    }));
}
