//! A firm with a place in one state and clients in five, and clients who move.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::states::*;
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::Place;
use counterfoil_domain::gates::{Answer, Gate};
use counterfoil_domain::ids::*;

fn from(state: &str) -> Enrol {
    let mut enrol = enrol();
    enrol.contact.address.state = code(state);
    enrol
}

fn moves(state: &str) -> CaseAction {
    let mut contact = contact();
    contact.address.state = code(state);
    CaseAction::ContactChanged(Box::new(ContactChanged { contact }))
}

fn office(desk: &mut Desk, state: &str) {
    desk.firm(FirmAction::RecordStanding(StandingRecorded {
        amount: None,
        document: None,
        kind: StandingKind::Office,
        state: code(state),
        valid_from: day("2026-01-01"),
        valid_through: day("2026-12-31"),
    }));
}

/// What the gate of the state says of the first month's fee.
fn state_gate(desk: &Desk, number: u128) -> (Answer, String) {
    let explained = desk.explain(case(number), 1, "2026-04-01");
    let found = explained.findings.into_iter().find(|found| found.gate == Gate::State).unwrap();
    (found.answer, found.because)
}

fn reaching(desk: &Desk, state: &str) -> Vec<String> {
    let place = Place::of(code(state), None);
    let reaching = desk.firm_state().reaching(place, day("2026-03-02"));
    reaching.into_iter().map(|(state, _)| state.to_string()).collect()
}

/// N.C.G.S. 66-226 (any contract activity): a place of the firm in North Carolina brings its act to every client, beside the
/// act of the state where each lives: Colorado, Virginia, one that adds nothing, and one without a pack.
#[test]
fn a_firm_with_a_place_in_one_state_serves_clients_of_five() {
    let states = ["NC", "CO", "VA", "IL", "MT"];
    let mut desk = firm_of(&["NC", "CO", "VA"]);
    office(&mut desk, "NC");
    for (number, state) in (1..).zip(states) {
        desk.signed_as(case(number), "2026-03-02", from(state));
    }
    assert_eq!(reaching(&desk, "NC"), ["NC"]);
    for state in &states[1..] {
        assert_eq!(reaching(&desk, state), [*state, "NC"]);
    }
    desk.today("2026-04-01");
    // N.C.G.S. 66-222: nobody has recorded a bond or a trust account; and no pack of Montana was adopted.
    for (number, state) in (1..).zip(states) {
        let (answer, because) = state_gate(&desk, number);
        assert_eq!(answer, Answer::Unknown, "{state}: {because}");
    }
    assert!(state_gate(&desk, 5).1.contains("no rule pack of MT was adopted"));
    // Once that is on file, each is left with what its own state asks.
    file(&mut desk, StandingKind::TrustAccount, "NC", None);
    #[allow(
        clippy::redundant_closure_for_method_calls,
        reason = "a method's judge has one lifetime"
    )]
    let nc = |number| desk.judged(case(number), |judge| judge.unknown_law());
    for (number, state) in (1..).zip(states) {
        let unknown: Vec<StateCode> = nc(number).into_keys().collect();
        let expected = if state == "MT" { vec![code("MT")] } else { vec![] };
        assert_eq!(unknown, expected, "{state}");
    }
    // A place where nothing is added asks the clients of no other state for more; one without a pack makes that unknown.
    for (place, expected) in [("IL", &["CO"][..]), ("MT", &["CO", "MT"])] {
        let mut elsewhere = firm_of(&["NC", "CO", "VA"]);
        office(&mut elsewhere, place);
        assert_eq!(reaching(&elsewhere, "CO"), expected);
    }
}

/// "A move to another state adds the new state's packs only if counsel's pack says so": the law of an agreement is that of
/// where the client lived when it was signed, and a renewal is under that of the new one.
#[test]
fn a_client_who_moves_is_under_the_law_of_each_signing() {
    for (old, new) in [("IL", "GA"), ("GA", "IL")] {
        let mut desk = firm_of(&["GA"]);
        desk.signed_as(case(1), "2026-03-02", from(old));
        // O.C.G.A. 16-9-59: the trade is an offence in Georgia, and Illinois adds nothing here.
        let barred = |desk: &Desk| state_gate(desk, 1).0 == Answer::Fails;
        desk.today("2026-04-01");
        assert_eq!(barred(&desk), old == "GA");
        desk.act(case(1), "2026-03-16", moves(new));
        assert_eq!(barred(&desk), old == "GA", "{old} to {new}: the move is behind the signing");
        desk.act(case(1), "2026-03-20", CaseAction::SignConsent(sign()));
        let against = desk.judged(case(1), |judge| {
            let against = judge.signed_against_law();
            against.iter().map(|of| of.signed.on().to_string()).collect::<Vec<_>>()
        });
        let expected = if new == "GA" { "2026-03-20" } else { "2026-03-02" };
        assert_eq!(against, [expected]);
        // The move turns out to have been told on the day of the first signing: that was under the other law.
        let at = desk.last("contact_changed");
        desk.correct(case(1), at, anew("2026-03-02", moves(new)));
        assert_eq!(barred(&desk), new == "GA", "{old} to {new}: the move was before it");
    }
}
