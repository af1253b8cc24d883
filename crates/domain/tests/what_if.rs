//! Claimed fees judged once more under another pack: what a firm finds before an examiner does.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::event::EventRef;
use counterfoil_domain::gates::Gate;
use counterfoil_domain::judge::Matter;
use counterfoil_domain::rules::{EXAMPLE_PACKS, RulePack};
use counterfoil_domain::terms::FullyPerformed;
use counterfoil_domain::what_if::{Disallowed, disallowed, under};

const A: u128 = 2;

/// A client of Illinois whose first month is claimed.
fn claimed() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06").month(case(A), "2026-03-09");
    desk.today("2026-04-01");
    desk.bill(account(A), "2026-04-01");
    desk
}

fn pack(at: usize) -> RulePack {
    RulePack::from_json(EXAMPLE_PACKS[at]).unwrap()
}

fn judge(pack: &RulePack) -> Option<Disallowed> {
    let desk = claimed();
    let accounts = [(account(A), desk.account(account(A)))];
    let firm = desk.firm_state();
    let matter = Matter {
        id: case(A),
        case: desk.state(case(A)),
        accounts: &accounts,
        firm,
        today: day("2026-04-01"),
    };
    let mut found = disallowed(matter, &under(firm, pack), pack);
    assert!(found.len() <= 1);
    found.pop()
}

#[test]
fn the_packs_of_the_day_would_have_allowed_what_they_allowed() {
    assert_eq!(judge(&pack(0)), None);
}

/// 15 USC 1679b(b), read as many do: nothing before the whole contract is performed.
#[test]
fn another_reading_of_fully_performed_disallows_each_month() {
    let mut strict = pack(0);
    strict.performance.as_mut().unwrap().reading = FullyPerformed::WholeContract;
    let found = judge(&strict).unwrap();
    let closed: Vec<Gate> = found.closed.iter().map(|finding| finding.gate).collect();
    assert_eq!((closed, found.fee.amount), (vec![Gate::FullyPerformed], usd(19_900)));
    assert_eq!(found.closed[0].cites, strict.performance.as_ref().unwrap().cites.as_str());
}

#[test]
fn longer_cancellation_days_find_the_work_that_came_before_their_end() {
    let mut longer = pack(0);
    let days = longer.cancellation.as_mut().unwrap();
    days.days = 30;
    let cites = days.cites.to_string();
    let found = judge(&longer).unwrap();
    let finding = found.closed.iter().find(|finding| finding.gate == Gate::WaitingDays).unwrap();
    assert_eq!(finding.cites, cites);
    let evidence: Vec<&EventRef> = finding.events.iter().collect();
    assert!(!evidence.is_empty(), "it names the work");
}

#[test]
fn a_pack_of_another_state_concerns_nobody_here() {
    let other = EXAMPLE_PACKS.iter().map(|json| RulePack::from_json(json).unwrap());
    let here = claimed().state(case(A)).agreements[0].state;
    for other in other.filter(|pack| pack.state.is_some_and(|state| state != here)) {
        assert_eq!(judge(&other), None, "{:?}", other.code);
    }
}
