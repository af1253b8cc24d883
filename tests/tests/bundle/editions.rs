//! Fees of this edition of the rules, and what is compared of those of earlier ones.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;
use counterfoil_tests::campaign::from_environment;
use counterfoil_tests::reclaimed;
use domain::command::{CaseAction, Command, Dated, FirmAction};
use domain::event::{EndedBy, FeesReviewed, ServiceEnded};
use domain::judge::EDITION;

#[test]
fn a_fee_that_was_given_back_and_claimed_anew_has_two_rows() {
    let log = bytes(&reclaimed::log());
    for request in [Request::All, Request::Cases([reclaimed::case()].into())] {
        let sound = Unpacked::of(&export(&log, request));
        assert_eq!(findings(&sound), (vec![], vec![]));
        let fees = sound.text("tables/fees.csv");
        let rows: Vec<Vec<&str>> =
            fees.lines().skip(1).map(|row| row.split(',').collect()).collect();
        let told: Vec<_> =
            rows.iter().map(|row| (row[1], row[2], row[4], row[7], row[11])).collect();
        assert_eq!(
            told,
            [
                ("1", "2025-03-03", "exposed", "2025-04-02", "1"),
                ("1", "2025-03-03", "earned", "2025-04-08", "2"),
            ]
        );
        assert_eq!(
            (rows[0][3], rows[1][3]),
            ("2025-04-01", "2025-04-03"),
            "the pause moved its end"
        );
        // One row says what the other does.
        let other = fees.replace(",exposed,", ",earned,");
        both_find(&sound.forged("tables/fees.csv", other), &["tables/fee"]);
        let gates = sound.text("tables/fee_gates.csv").replace(",fails,", ",holds,");
        both_find(&sound.forged("tables/fee_gates.csv", gates), &["tables/fee_gates.csv"]);
        // A claim that stands leaves no room for the period, so no row tells of it as open.
        let mut lines: Vec<&str> = fees.split_inclusive("\r\n").collect();
        let open = lines[2].replace(",earned,", ",held,");
        lines.push(&open);
        both_find(&sound.forged("tables/fees.csv", lines.concat()), &["tables/fees.csv"]);
    }
}

/// `COUNTERFOIL_FIRMS` is the number of random firms, 6 unless said.
#[test]
fn both_accept_whatever_random_firms_tell_late_and_wrongly() {
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    let firms = from_environment("COUNTERFOIL_FIRMS").unwrap_or(6);
    let mut told = BTreeSet::new();
    for seed in 100..100 + firms {
        let shape = Shape { clients: 20, enrol_days: 40, nonsense_percent: 20 };
        let log = bytes(&Player::days(&mut Crm::new(seed, shape), 230).log);
        let archive = export(&log, Request::All);
        let path = folder.path().join(format!("{seed}.zip"));
        std::fs::write(&path, &archive).unwrap();
        assert_eq!(rust_findings(&path), [""; 0], "{seed}");
        let fees = Unpacked::of(&archive).text("tables/fees.csv");
        told.extend(fees.lines().skip(1).map(|row| row.split(',').nth(4).unwrap().to_owned()));
    }
    for (name, found) in python_findings(folder.path()) {
        assert_eq!(found, [""; 0], "{name}");
    }
    for status in ["earned", "exposed", "given_up", "held"] {
        assert!(told.contains(status), "{status} is not among {told:?}");
    }
}

/// The golden bundle of the third version, with another text in a file, signed again by its firm.
fn of_third_version(file: &str, change: impl Fn(&str) -> String) -> (Vec<String>, Vec<String>) {
    let path = project().join("tests/golden/bundles/case.v3.zip");
    let mut archive = Unpacked::of(&std::fs::read(path).unwrap());
    let text = archive.text(file);
    let changed = change(&text);
    assert_ne!(changed, text, "{file} was changed");
    archive.0.insert(file.into(), changed.into_bytes());
    archive.rehash();
    archive.sign(&key());
    findings(&archive)
}

/// A table with another value in a column of the first row of fees of a status.
fn with(text: &str, status: &str, column: usize, value: &str) -> String {
    let status = format!(",{status},");
    let row = text.lines().find(|row| row.contains(&status)).expect("such a row");
    let mut fields: Vec<&str> = row.split(',').collect();
    fields[column] = value;
    text.replacen(row, &fields.join(","), 1)
}

#[test]
fn fees_of_an_earlier_edition_are_compared_as_far_as_events_tell_them() {
    let fees = "tables/fees.csv";
    for (status, column, value) in [
        ("earned", 2, "2025-01-01"),
        ("earned", 4, "held"),
        ("earned", 5, "148.00"),
        ("earned", 7, "2025-01-01"),
        ("earned", 11, "4711"),
        ("earned", 12, "dispute_round@1"),
        ("earned", 14, "us-federal@9"),
        ("given_up", 1, "77"),
        ("given_up", 8, "2025-01-01"),
    ] {
        let (rust, python) = of_third_version(fees, |text| with(text, status, column, value));
        for found in [rust, python] {
            let named = |finding: &String| finding.contains("tables/fees.csv, row");
            assert!(found.iter().any(named), "{status} {value}: {found:#?}");
        }
    }
    // What that edition's rules made of the events is not judged by these.
    let page = |text: &str| text.replace("<h2>What was done</h2>", "<h2>What was left</h2>");
    let path = project().join("tests/golden/bundles/case.v3.zip");
    let archive = Unpacked::of(&std::fs::read(path).unwrap());
    let name = archive.0.keys().find(|name| name.starts_with("report/")).unwrap().clone();
    let none = (Vec::new(), Vec::new());
    assert_eq!(of_third_version(fees, |text| with(text, "held", 4, "claimable")), none);
    let gates = "tables/fee_gates.csv";
    assert_eq!(of_third_version(gates, |text| text.replacen(",yes,", ",no,", 1)), none);
    let said =
        |text: &str| text.replacen("period over and promised work", "period, promised work", 1);
    assert_eq!(of_third_version(&name, said), none);
    let stands = |text: &str| {
        let row = text.lines().nth(1).unwrap();
        let other = if row.ends_with(",yes") { ",no" } else { ",yes" };
        let start = &row[..row.rfind(',').unwrap()];
        text.replacen(row, &format!("{start}{other}"), 1)
    };
    assert_eq!(of_third_version("tables/exposures.csv", stands), none);
    // The rest of a page is made of events alone, and words are for one verifier.
    let (rust, _) = of_third_version(&name, page);
    assert!(rust.iter().any(|finding| finding.contains(&name)), "{rust:#?}");
}

/// 15 USC 1679d(a)(1): software that judged by the fifth edition of the rules let an agreement stand that was signed behind
/// its client's death, and claimed fees under it. Its bundles are sound, and what this edition makes of the fee is in
/// the tables; the same claim under this edition is not one that can have been recorded.
#[test]
fn a_fee_of_an_earlier_edition_under_an_agreement_behind_a_death_is_held_against_that_edition() {
    let mut desk = reclaimed::Desk::open();
    let (edition, through) = (EDITION, desk.0.world.firm().unwrap().law_at);
    let reviewed = FirmAction::NoteReview(FeesReviewed { edition, marked: 0, through });
    let reviewed =
        Dated { occurred_at: None, occurred_on: "2025-01-06".parse().unwrap(), action: reviewed };
    desk.play("2025-01-06", Command::Firm { action: reviewed });
    desk.tell("2025-03-03", "2025-03-03", reclaimed::enrolment());
    desk.tell("2025-03-10", "2025-03-10", [CaseAction::OpenWork]);
    let ended = ServiceEnded { by: EndedBy::Client, reason: None };
    desk.tell("2025-03-20", "2025-03-20", [CaseAction::EndService(ended)]);
    let [_, _, _, sign, ..] = &reclaimed::enrolment()[..] else { panic!("an enrolment") };
    desk.tell("2025-04-14", "2025-04-14", [sign.clone()]);
    let noted = reclaimed::work("2025-04-21", 0, None).map(|action| match action {
        CaseAction::SendRound(round) => CaseAction::NoteRoundSent(round),
        other => other,
    });
    desk.tell("2025-04-21", "2025-04-21", noted);
    let (account, as_of) = (reclaimed::case().own_account(), "2025-05-14".parse().unwrap());
    desk.play("2025-05-14", Command::BillAccount { account, as_of });
    let with = |edition: u32, by: &str| {
        let mut events = parse(&bytes(&desk.0.log));
        for event in &mut events {
            match event["event"].as_str().unwrap() {
                "fees_reviewed" => event["payload"]["edition"] = json!(edition),
                "service_ended" => event["payload"]["by"] = json!(by),
                _ => {}
            }
        }
        Unpacked::of(&export(&write(&events), Request::All))
    };
    let sound = with(EDITION, "client");
    assert_eq!(findings(&sound), (vec![], vec![]));
    assert!(
        sound.text("tables/fees.csv").contains(",earned,"),
        "{}",
        sound.text("tables/fees.csv")
    );
    let earlier = with(5, "death");
    assert_eq!(findings(&earlier), (vec![], vec![]));
    let fees = earlier.text("tables/fees.csv");
    assert!(fees.contains(",exposed,"), "{fees}");
    let (rust, _) = findings(&with(EDITION, "death"));
    assert!(
        rust.iter().any(|found| found.contains("a period that the case did not have")),
        "{rust:?}"
    );
}
