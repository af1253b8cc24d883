//! Letters in the waiting days, without authority and after an end (15 USC 1679d(a); common law of agency): both
//! verifiers say the same of what stands, and an end puts none of it right.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;
use counterfoil_tests::reclaimed::{Desk, case, enrolment, work};
use domain::command::{AccountAction, CaseAction, Command, Dated, FirmAction};
use domain::event::{
    Circumstance, CircumstanceChanged, EndedBy, Recorded, ServiceEnded, StandingEndReason,
    StandingEnded, StandingKind, StandingRecorded,
};
use domain::ids::StateCode;

fn letters(on: &str) -> CaseAction {
    let [_, round, _] = work(on, 0, None);
    let CaseAction::SendRound(round) = round else { panic!("a round") };
    CaseAction::NoteRoundSent(round)
}

fn authority(is_revoked: bool) -> CaseAction {
    let (amount, charge_on, document, least, who) = (None, None, None, None, None);
    let (holds, kind) = (is_revoked, Circumstance::AuthorityRevoked);
    let said = CircumstanceChanged { amount, charge_on, document, holds, kind, least, who };
    CaseAction::ChangeCircumstance(said)
}

#[test]
fn both_verifiers_say_that_no_end_puts_a_breach_right() {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    for on in ["2025-03-04", "2025-03-12", "2025-03-19", "2025-04-07"] {
        desk.tell(on, on, [letters(on)]);
    }
    desk.tell("2025-04-08", "2025-03-11", [authority(true)]);
    desk.tell("2025-04-09", "2025-03-17", [authority(false)]);
    desk.tell("2025-04-09", "2025-03-18", [authority(true)]);
    desk.tell("2025-04-09", "2025-03-18", [authority(false)]);
    desk.tell("2025-04-10", "2025-03-19", [authority(false)]);
    let ended = ServiceEnded { by: EndedBy::Firm, reason: None };
    desk.tell("2025-04-11", "2025-03-31", [CaseAction::EndService(ended)]);
    let sound = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
    assert_eq!(findings(&sound), (vec![], vec![]));
    let table = sound.text("tables/exposures.csv");
    for (on, kind, stands) in [
        ("2025-03-04", "early_service", "yes"),
        ("2025-03-12", "dispute_without_authority", "yes"),
        // Given again on the 19th, and nobody said whether before the letters.
        ("2025-03-19", "dispute_without_authority", "no"),
        ("2025-04-07", "no_agreement", "yes"),
    ] {
        let is_it = |row: &&str| row.contains(on) && row.contains(kind);
        let rows: Vec<&str> = table.lines().filter(is_it).collect();
        assert_eq!(rows.len(), 1, "{on} {kind}: {table}");
        assert!(rows[0].ends_with(stands), "{on} {kind}: {table}");
    }
}

/// 12 CFR 1005.10(c), 15 USC 1679d(a)(1), common law of agency: what a revocation and a death that are told late make of a
/// charge and of a signing, both verifiers say alike.
#[test]
fn both_verifiers_say_what_charges_and_signings_broke_that_a_late_fact_tells_of() {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    let opened = [CaseAction::OpenWork].into_iter().chain(work("2025-03-10", 0, None));
    desk.tell("2025-03-10", "2025-03-10", opened);
    let price = domain::money::Money::new(14_900, domain::money::Currency::USD).expect("an amount");
    let mandate = |holds, amount| {
        let (charge_on, document, least, who) = (None, None, None, None);
        let kind = Circumstance::ChargeMandate;
        let said = CircumstanceChanged { amount, charge_on, document, holds, kind, least, who };
        CaseAction::ChangeCircumstance(said)
    };
    desk.tell("2025-03-11", "2025-03-11", [mandate(true, Some(price))]);
    let (account, as_of) = (case().own_account(), "2025-04-02".parse().expect("a date"));
    desk.play("2025-04-02", Command::BillAccount { account, as_of });
    desk.account("2025-04-04", AccountAction::RequestCharge { invoice: 1 });
    desk.tell("2025-04-10", "2025-03-20", [mandate(false, None)]);
    let row = |log: &[Recorded], kind: &str| {
        let sound = Unpacked::of(&export(&bytes(log), Request::All));
        assert_eq!(findings(&sound), (vec![], vec![]));
        let table = sound.text("tables/exposures.csv");
        let rows: Vec<String> =
            table.lines().filter(|row| row.contains(kind)).map(str::to_owned).collect();
        assert_eq!(rows.len(), 1, "{kind}: {table}");
        rows[0].clone()
    };
    let charged = row(&desk.0.log, "charge_unauthorized");
    assert!(charged.contains("2025-04-04") && charged.contains("149.00"), "{charged}");
    assert!(charged.ends_with("yes"), "{charged}");
    let [_, _, _, sign, ..] = &enrolment()[..] else { panic!("an enrolment") };
    desk.tell("2025-04-14", "2025-04-14", [sign.clone()]);
    let died = ServiceEnded { by: EndedBy::Death, reason: None };
    desk.tell("2025-04-15", "2025-03-31", [CaseAction::EndService(died)]);
    for (kind, on, stands) in [
        ("charge_unauthorized", "2025-04-04", "no"),
        ("charge_after_death", "2025-04-04", "yes"),
        ("signed_after_death", "2025-04-14", "yes"),
    ] {
        let found = row(&desk.0.log, kind);
        assert!(found.contains(on) && found.ends_with(stands), "{found}");
    }
}

/// A law of the client's state that is learnt in the stead of what was read before.
fn learnt(says: &str) -> String {
    let read: Vec<String> =
        domain::rules::Dimension::ALL.iter().map(|one| format!("\"{one}\"")).collect();
    format!(
        r#"{{ "code": "us-il-learnt", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
            "confirmed_by_counsel": false, "note": "Invented for tests.", "read": [{}], {says} }}"#,
        read.join(", ")
    )
}

/// 15 USC 1679j: a signing that the law of a state bars, known as that when it is told or by a review later.
#[test]
fn both_verifiers_say_that_a_signing_was_against_the_law_of_a_state() {
    for (says, broken) in [
        (r#""prohibited": { "cites": "an invented act" }"#, "the trade is not allowed in IL"),
        (
            r#""registration": { "cites": "an invented act" }"#,
            "no registration valid on 2025-03-03 is on file for IL",
        ),
    ] {
        for known_first in [true, false] {
            let mut desk = Desk::open();
            if known_first {
                desk.confirmed("2025-01-07", &learnt(says));
            }
            desk.tell("2025-03-03", "2025-03-03", enrolment());
            if !known_first {
                desk.confirmed("2025-05-05", &learnt(says));
                desk.play("2025-05-06", Command::Review { case: case() });
            }
            let sound = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
            assert_eq!(findings(&sound), (vec![], vec![]));
            let table = sound.text("tables/exposures.csv");
            let rows: Vec<&str> =
                table.lines().filter(|row| row.contains("signed_against_law")).collect();
            assert_eq!(rows.len(), 1, "{table}");
            assert!(rows[0].contains("2025-03-03") && rows[0].ends_with("yes"), "{table}");
            let page = sound.text(&format!("report/{}.html", case()));
            let sentence = "It was signed against the law of a state (15 USC 1679j): ";
            assert!(page.contains(&format!("{sentence}{broken} (an invented act)")), "{page}");
        }
    }
}

fn illinois() -> StateCode {
    StateCode::parse("IL").expect("a state")
}

fn filed(desk: &mut Desk, told: &str, from: &str, through: &str) {
    let usd = |minor| domain::money::Money::new(minor, domain::money::Currency::USD);
    let standing = StandingRecorded {
        amount: Some(usd(1_000_000).expect("an amount")),
        document: None,
        kind: StandingKind::Bond,
        state: illinois(),
        valid_from: from.parse().expect("a date"),
        valid_through: through.parse().expect("a date"),
    };
    let occurred_on = told.parse().expect("a date");
    let action = FirmAction::RecordStanding(standing);
    let action = Dated { occurred_at: None, occurred_on, action };
    desk.play(told, Command::Firm { action });
}

/// 15 USC 1679j: work on a day on which a bond that has to stand always had ended; of a lapse that is known when the work is
/// told, and of one that a review carries to it.
#[test]
fn both_verifiers_say_what_was_done_without_security() {
    let bond = r#""bond": { "amount": { "currency": "USD", "minor": "1000000" }, "cites": "an invented act", "when": "always" }"#;
    for known_first in [true, false] {
        let mut desk = Desk::open();
        desk.confirmed("2025-01-07", &learnt(bond));
        filed(
            &mut desk,
            "2025-01-07",
            "2025-01-01",
            if known_first { "2025-03-18" } else { "2025-12-31" },
        );
        desk.tell("2025-03-03", "2025-03-03", enrolment());
        for on in ["2025-03-12", "2025-03-19"] {
            desk.tell(on, on, [letters(on)]);
        }
        if !known_first {
            let ended = StandingEnded {
                document: None,
                kind: StandingKind::Bond,
                last_day: "2025-03-18".parse().expect("a date"),
                reason: StandingEndReason::SuretyCancelled,
                state: illinois(),
                valid_from: "2025-01-01".parse().expect("a date"),
            };
            let occurred_on = "2025-05-05".parse().expect("a date");
            let action = FirmAction::EndStanding(ended);
            let action = Dated { occurred_at: None, occurred_on, action };
            desk.play("2025-05-05", Command::Firm { action });
            desk.play("2025-05-06", Command::Review { case: case() });
        }
        let exported = |desk: &Desk| {
            let sound = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
            assert_eq!(findings(&sound), (vec![], vec![]));
            let table = sound.text("tables/exposures.csv");
            let rows: Vec<String> = table
                .lines()
                .filter(|row| row.contains("work_unsecured"))
                .map(str::to_owned)
                .collect();
            (rows, sound.text(&format!("report/{}.html", case())))
        };
        let (rows, page) = exported(&desk);
        assert_eq!(rows.len(), 1, "{rows:?}");
        assert!(rows[0].contains("2025-03-19") && rows[0].ends_with("yes"), "{rows:?}");
        let said = "work unsecured (15 USC 1679j); it stands: no bond of USD 10000.00 valid on 2025-03-19 is on file for IL";
        assert!(page.contains(said), "{page}");
        // What is told of the firm later stands in no event of the client's, and the page says so.
        filed(&mut desk, "2025-05-07", "2025-03-10", "2025-12-31");
        let (rows, page) = exported(&desk);
        assert!(rows.len() == 1 && rows[0].ends_with("yes"), "{rows:?}");
        assert!(page.contains("on record nothing was missing that day"), "{page}");
    }
}
