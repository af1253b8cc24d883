//! What was told wrongly and put right, in bundles.

use bundle::Request;
use counterfoil_tests::bundles::{bytes, export, python_findings, rust_findings, write_key};
use counterfoil_tests::history::{Crm, Move, Shape};
use counterfoil_tests::player::Player;
use domain::command::{Command, FirmBecomes, FirmCorrection};
use domain::event::{AccountEvent, CaseEvent, Event, FirmEvent, Recorded};
use domain::value::Text;

/// Takes back or moves by a day what the firm told of itself, and carries it to the claimed fees. Gives how much.
fn correct_the_firm(player: &mut Player) -> usize {
    let is_fact =
        |told: &&Recorded| matches!(&told.event, Event::Firm(event) if event.fact().is_some());
    let facts: Vec<Recorded> = player.log.iter().filter(is_fact).cloned().collect();
    let now = player.log.last().unwrap().recorded_at;
    let mut corrected = 0;
    // Who stands for a pack comes before the pack.
    for (place, told) in facts.into_iter().enumerate().rev() {
        let before = told.occurred_on.pred_opt().unwrap();
        let becomes =
            if place % 3 == 0 { FirmBecomes::Nothing } else { FirmBecomes::OnDay(before) };
        let is_federal =
            matches!(&told.event, Event::Firm(FirmEvent::PackAdopted(e)) if e.pack.state.is_none());
        let becomes = if is_federal { FirmBecomes::OnDay(before) } else { becomes };
        let correction = FirmCorrection {
            becomes,
            reason: Text::parse("It was typed from another file.").unwrap(),
            said_by: Text::parse("the office").unwrap(),
            told: Box::new(told),
        };
        let command = Command::CorrectFirm(Box::new(correction));
        corrected += usize::from(player.play(&Move { now, command }).is_ok());
    }
    for case in player.cases() {
        player.play(&Move { now, command: Command::Review { case } }).unwrap();
    }
    corrected
}

/// What was told wrongly and put right is derived as if it had been told so at first.
#[test]
fn both_verifiers_accept_corrected_histories() {
    let folder = tempfile::tempdir().unwrap();
    write_key(folder.path());
    let shape = Shape { clients: 12, enrol_days: 40, nonsense_percent: 5 };
    let (mut corrections, mut of_money, mut of_firms) = (0, 0, 0);
    for seed in 31..37 {
        let mut player = Player::corrected_days(&mut Crm::new(seed, shape), seed, 200);
        of_firms += correct_the_firm(&mut player);
        let corrected =
            |r: &&Recorded| matches!(&r.event, Event::Case(CaseEvent::FactCorrected(_)));
        corrections += player.log.iter().filter(corrected).count();
        let corrected =
            |r: &&Recorded| matches!(&r.event, Event::Account(AccountEvent::MoneyCorrected(_)));
        of_money += player.log.iter().filter(corrected).count();
        let name = format!("{seed}.zip");
        std::fs::write(folder.path().join(&name), export(&bytes(&player.log), Request::All))
            .unwrap();
        assert_eq!(rust_findings(&folder.path().join(&name)), [""; 0], "{name}");
    }
    assert!(corrections > 300, "{corrections} corrections");
    assert!(of_money > 30, "{of_money} corrections of money");
    assert!(of_firms > 30, "{of_firms} corrections of firms");
    for (name, findings) in python_findings(folder.path()) {
        assert_eq!(findings, [""; 0], "{name}");
    }
}
