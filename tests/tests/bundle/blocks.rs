//! Blocks after identity theft that a bureau declined or took back (15 USC 1681c-2(c)): both verifiers make the
//! same clocks of them.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;
use counterfoil_tests::reclaimed::{Desk, enrolment};
use domain::command::CaseAction;
use domain::event::{
    Ask, BlockRefusal, BlockRefused, BlockRefusedFor, BureauAnswered, BureauAsked,
};
use domain::ids::BureauCode;

fn refused(how: BlockRefusal, on: &str, is_notice: bool) -> BlockRefused {
    let reason = is_notice.then_some(BlockRefusedFor::Misrepresentation);
    BlockRefused { determined_on: on.parse().unwrap(), how, is_notice, reason }
}

#[test]
fn both_verifiers_make_the_clocks_of_declined_and_rescinded_blocks() {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    let bureau: BureauCode = desk.bureau();
    let ask = Ask::TheftBlock;
    let asked = || CaseAction::BureauAsked(BureauAsked { ask, bureau: bureau.clone() });
    let answered = |refused| {
        CaseAction::BureauAnswered(BureauAnswered { ask, bureau: bureau.clone(), refused })
    };
    desk.tell("2025-04-07", "2025-04-07", [asked()]);
    let declined =
        |is_notice| answered(Some(refused(BlockRefusal::Declined, "2025-04-09", is_notice)));
    desk.tell("2025-04-09", "2025-04-09", [declined(false)]);
    desk.tell("2025-04-21", "2025-04-21", [declined(true)]);
    desk.tell("2025-05-05", "2025-05-05", [asked()]);
    desk.tell("2025-05-07", "2025-05-07", [answered(None)]);
    let rescinded = answered(Some(refused(BlockRefusal::Rescinded, "2025-06-02", false)));
    desk.tell("2025-06-02", "2025-06-02", [rescinded]);
    let sound = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
    assert_eq!(findings(&sound), (vec![], vec![]));
    let table = sound.text("tables/responses_and_clocks.csv");
    let column = |row: &str, at: usize| row.split(',').nth(at).unwrap().to_owned();
    let rows = table.lines().skip(1).filter(|row| row.contains("block"));
    let told: Vec<_> = rows.map(|row| (column(row, 2), row.to_owned())).collect();
    let kinds: Vec<&str> = told.iter().map(|(kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, ["theft_block", "theft_block", "block_notice", "block_notice"], "{table}");
    assert!(told[0].1.contains("2025-04-11,2025-04-09"), "{table}");
    assert!(told[2].1.contains("2025-04-16,2025-04-21"), "{table}");
    assert!(told[3].1.contains("2025-06-02,no,2025-06-09,"), "{table}");
    // Another day of the notice does not follow from the events.
    let other = table.replace("2025-04-16,2025-04-21", "2025-04-16,2025-04-15");
    both_find(&sound.forged("tables/responses_and_clocks.csv", other), &["responses_and_clocks"]);
    let name = sound.0.keys().find(|name| name.starts_with("report/")).unwrap();
    let note = sound.text(name);
    for said in ["declined a block after identity theft on 9 April 2025", "took a block back after"]
    {
        assert!(note.contains(said), "{said}");
    }
}
