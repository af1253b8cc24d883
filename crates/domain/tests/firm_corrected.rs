//! What a firm told wrongly of itself. The list that it was told into is set right, and a review carries that to the
//! claimed fees, as it carries everything that a firm tells of itself: before it nothing moves.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::{Firm, StandingAnswer};
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::refusal::{Reason, Refusal};

fn ca() -> StateCode {
    StateCode::parse("CA").unwrap()
}

fn bond(from: &str, through: &str) -> FirmAction {
    FirmAction::RecordStanding(StandingRecorded {
        amount: Some(usd(10_000_000)),
        document: None,
        kind: StandingKind::Bond,
        state: ca(),
        valid_from: day(from),
        valid_through: day(through),
    })
}

fn ended(last_day: &str) -> FirmAction {
    FirmAction::EndStanding(StandingEnded {
        document: None,
        kind: StandingKind::Bond,
        last_day: day(last_day),
        reason: StandingEndReason::SuretyCancelled,
        state: ca(),
        valid_from: day("2025-01-01"),
    })
}

fn try_correct(
    desk: &mut Desk,
    position: u64,
    becomes: FirmBecomes,
) -> Result<Vec<Recorded>, Refusal> {
    let told = desk.log.iter().find(|told| told.position == position).unwrap().clone();
    let correction = FirmCorrection {
        becomes,
        reason: text("It was typed from another bond."),
        said_by: text("the office"),
        told: Box::new(told),
    };
    desk.command(&Command::CorrectFirm(Box::new(correction)))
}

fn refused(desk: &mut Desk, position: u64, becomes: FirmBecomes) -> String {
    let before = desk.log.len();
    let refusal = try_correct(desk, position, becomes).unwrap_err();
    assert_eq!(desk.log.len(), before);
    refusal.violations[0].detail.clone()
}

/// Told anew, as of a day.
fn on(at: &str, action: FirmAction) -> FirmBecomes {
    FirmBecomes::Told(Box::new(Dated { occurred_at: None, occurred_on: day(at), action }))
}

fn stands(firm: &Firm, on: &str) -> bool {
    matches!(firm.standing_on(ca(), StandingKind::Bond, day(on)), StandingAnswer::Stands(_))
}

#[test]
fn an_end_that_was_told_of_another_bond_gives_way_to_the_one_before_and_a_review_is_due() {
    let mut desk = Desk::open();
    desk.today("2026-04-20");
    desk.firm(bond("2025-01-01", "2026-12-31"));
    // Both ends are mistakes: the earlier one stands until both are gone.
    desk.firm(ended("2026-08-01"));
    let first = desk.last("standing_ended");
    desk.firm(ended("2026-02-01"));
    let second = desk.last("standing_ended");
    assert!(!stands(desk.firm_state(), "2026-04-01"));

    let told = try_correct(&mut desk, second, FirmBecomes::Nothing).unwrap();
    assert_eq!(names(&told), ["firm_corrected"]);
    assert!(stands(desk.firm_state(), "2026-04-01"));
    assert!(!stands(desk.firm_state(), "2026-09-01"), "it ended in August still");
    assert!(desk.firm_state().review_is_due());
    try_correct(&mut desk, first, FirmBecomes::Nothing).unwrap();
    assert!(stands(desk.firm_state(), "2026-09-01"));
    let again = refused(&mut desk, first, FirmBecomes::Nothing);
    assert!(again.contains("record what is true as a fact of its own"), "{again}");
}

#[test]
fn a_bond_of_the_wrong_days_is_told_anew_once_its_end_is_out_of_the_way() {
    let mut desk = Desk::open();
    desk.today("2026-04-20");
    desk.firm(bond("2025-01-01", "2026-12-31"));
    let at = desk.last("standing_recorded");
    desk.firm(ended("2026-08-01"));
    let end = desk.last("standing_ended");
    let right = || on("2026-04-20", bond("2025-03-01", "2026-06-30"));
    let detail = refused(&mut desk, at, right());
    assert_eq!(detail, format!("position {end} tells of its end: correct what stands there first"));
    try_correct(&mut desk, end, FirmBecomes::Nothing).unwrap();
    let told = try_correct(&mut desk, at, right()).unwrap();
    assert_eq!(names(&told), ["firm_corrected", "standing_recorded"]);
    let firm = desk.firm_state();
    assert_eq!((stands(firm, "2025-02-01"), stands(firm, "2025-03-01")), (false, true));
    assert_eq!((stands(firm, "2026-06-30"), stands(firm, "2026-07-01")), (true, false));
    // The reading in force is named, and keeps its kind; one that is the same is none.
    let newer = desk.last("standing_recorded");
    let detail = refused(&mut desk, at, FirmBecomes::Nothing);
    assert!(detail.contains(&format!("in force is at position {newer}")), "{detail}");
    assert!(refused(&mut desk, newer, right()).contains("nothing would change"));
    let other = on("2026-04-20", ended("2026-02-01"));
    assert!(try_correct(&mut desk, newer, other).is_err());
    let plan = desk.first("plan_published");
    assert!(refused(&mut desk, plan, FirmBecomes::Nothing).contains("packs"));
    let future = try_correct(&mut desk, newer, FirmBecomes::OnDay(day("2027-01-01")));
    is(&future.unwrap_err(), Reason::DateImpossible);
}

#[test]
fn a_pack_keeps_its_place_when_its_day_is_corrected_and_what_stands_for_it_comes_first() {
    let mut desk = Desk::open();
    let adopted = desk.first("pack_adopted");
    let before: Vec<_> =
        desk.firm_state().packs.iter().map(|known| known.pack.reference()).collect();
    let earlier = desk.log.iter().find(|told| told.position == adopted).unwrap().occurred_on;
    let earlier = FirmBecomes::OnDay(earlier.pred_opt().unwrap());
    let told = try_correct(&mut desk, adopted, earlier).unwrap();
    assert_eq!(names(&told), ["firm_corrected", "pack_adopted"]);
    let after: Vec<_> =
        desk.firm_state().packs.iter().map(|known| known.pack.reference()).collect();
    assert_eq!(before, after);
}
