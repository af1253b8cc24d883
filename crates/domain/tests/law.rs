//! What the law asks on a day, as far as the firm's packs tell.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::codec;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::{Backing, FeeLaw, Known, Unknown};
use counterfoil_domain::ids::*;
use counterfoil_domain::refusal::{Reason, Refusal};
use counterfoil_domain::rules::{
    Bears, BondWhen, Dimension, EXAMPLE_PACKS, PackHash, PackRef, RulePack, check_pack,
};
use counterfoil_domain::terms::{Channel, FullyPerformed};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

const TODAY: &str = "2026-06-01";
const FEE: &[Dimension] = &[
    Dimension::FeeCap,
    Dimension::MonthlyStatement,
    Dimension::PerformWithin,
    Dimension::Performance,
    Dimension::Prohibited,
    Dimension::Registration,
    Dimension::Security,
    Dimension::Telemarketing,
];

fn state(code: &str) -> StateCode {
    StateCode::parse(code).unwrap()
}

/// A pack of Nevada in which everything was read; it states what `members` say.
fn nevada(version: u32, members: &Value) -> RulePack {
    let all: Vec<&str> = Dimension::ALL.iter().map(|dimension| dimension.code()).collect();
    let mut pack = json!({
        "code": "us-nv", "version": version, "state": "NV", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "note": "invented for a test", "read": all,
    });
    let added = members.as_object().unwrap().clone();
    pack.as_object_mut().unwrap().extend(added);
    pack.as_object_mut().unwrap().retain(|_, value| !value.is_null());
    RulePack::from_json(&pack.to_string()).unwrap()
}

fn bond(minor: i64, when: &str) -> Value {
    json!({"amount": {"currency": "USD", "minor": minor.to_string()}, "cites": "invented", "when": when})
}

fn named(pack: &RulePack) -> PackRef {
    pack.reference()
}

fn confirmed(pack: &RulePack) -> PackConfirmed {
    PackConfirmed {
        code: pack.code.clone(),
        counsel: text("Robin Ashdown, counsel"),
        document: Some(DocumentHash([8; 32])),
        hash: pack.hash(),
        version: pack.version,
    }
}

fn at_own_risk(pack: &RulePack) -> PackUsedAtOwnRisk {
    let reason = text("counsel reads it next month");
    PackUsedAtOwnRisk { code: pack.code.clone(), reason, version: pack.version }
}

/// A desk on the day on which these tests ask.
fn desk() -> Desk {
    let mut desk = Desk::open();
    desk.today(TODAY);
    desk
}

fn adopt(desk: &mut Desk, pack: &RulePack) {
    desk.firm(FirmAction::AdoptPack(Box::new(pack.clone())));
}

fn confirm(desk: &mut Desk, pack: &RulePack) -> Vec<Recorded> {
    desk.firm(FirmAction::ConfirmPack(confirmed(pack)))
}

fn refusal_on(desk: &mut Desk, on: &str, action: FirmAction) -> Refusal {
    let action = Dated { occurred_at: None, occurred_on: day(on), action };
    desk.command(&Command::Firm { action }).expect_err("must be refused")
}

fn refuses(desk: &mut Desk, action: FirmAction, reason: Reason, subject: &str) {
    let refusal = refusal_on(desk, TODAY, action);
    is(&refusal, reason);
    assert_eq!(refusal.violations[0].subject, subject, "{refusal}");
}

fn version_on(desk: &Desk, on: &str) -> Option<u32> {
    desk.firm_state().pack_on(Some(state("NV")), day(on)).map(|adopted| adopted.pack.version)
}

fn asking<'d>(desk: &'d Desk, signed_on: &str, asked_on: &str) -> FeeLaw<'d> {
    desk.firm_state().law_of_asking(state("NV"), day(signed_on), day(asked_on)).unwrap()
}

fn known(desk: &Desk, asked_on: &str) -> Known {
    asking(desk, "2026-03-02", asked_on).state
}

#[test]
fn counsel_confirms_a_version_by_its_hash() {
    let (mut desk, pack) = (desk(), nevada(1, &json!({})));
    let other = nevada(2, &json!({}));
    adopt(&mut desk, &pack);
    let wrong = PackConfirmed { hash: other.hash(), ..confirmed(&pack) };
    refuses(&mut desk, FirmAction::ConfirmPack(wrong), Reason::ValueRefused, "hash");
    let unknown = FirmAction::ConfirmPack(confirmed(&other));
    refuses(&mut desk, unknown, Reason::ReferenceUnknown, "pack");
    let told = confirm(&mut desk, &pack);
    assert_eq!(names(&told), ["pack_confirmed"]);
    let Backing::Counsel([confirmation]) =
        desk.firm_state().adopted(&named(&pack)).unwrap().backing()
    else {
        panic!("counsel stands for it")
    };
    assert_eq!((&confirmation.at, confirmation.on), (&told[0].reference(), day(TODAY)));
    assert_eq!(confirmation.said, confirmed(&pack));
    let again = FirmAction::ConfirmPack(confirmed(&pack));
    refuses(&mut desk, again, Reason::AlreadyRecorded, "pack");
    let another = PackConfirmed { counsel: text("Kim Vale, counsel"), ..confirmed(&pack) };
    assert_eq!(desk.firm(FirmAction::ConfirmPack(another)).len(), 1);
}

#[test]
fn an_administrator_uses_a_version_at_own_risk_but_not_one_that_adds_nothing() {
    let (mut desk, pack) = (desk(), nevada(1, &json!({})));
    let nothing = nevada(2, &json!({"nothing_is_added": true, "read": null}));
    adopt(&mut desk, &pack);
    adopt(&mut desk, &nothing);
    let federal = RulePack::from_json(EXAMPLE_PACKS[0]).unwrap();
    for (pack, reason) in [
        (&nevada(3, &json!({})), Reason::ReferenceUnknown),
        (&nothing, Reason::ValueRefused),
        (&federal, Reason::ValueRefused),
    ] {
        refuses(&mut desk, FirmAction::UsePackAtOwnRisk(at_own_risk(pack)), reason, "pack");
    }
    let told = desk.firm(FirmAction::UsePackAtOwnRisk(at_own_risk(&pack)));
    assert_eq!(names(&told), ["pack_used_at_own_risk"]);
    let backing = desk.firm_state().adopted(&named(&pack)).unwrap().backing();
    assert!(matches!(backing, Backing::OwnRisk(risk) if risk.said == at_own_risk(&pack)));
    let again = FirmAction::UsePackAtOwnRisk(at_own_risk(&pack));
    refuses(&mut desk, again, Reason::AlreadyRecorded, "pack");
    confirm(&mut desk, &pack);
    let after = FirmAction::UsePackAtOwnRisk(at_own_risk(&pack));
    refuses(&mut desk, after, Reason::AlreadyRecorded, "pack");
    let backing = desk.firm_state().adopted(&named(&pack)).unwrap().backing();
    assert!(matches!(backing, Backing::Counsel(_)), "counsel's word comes before the firm's");
}

#[test]
fn nobody_stands_for_a_pack_on_a_day_to_come() {
    let (mut desk, pack) = (desk(), nevada(1, &json!({})));
    adopt(&mut desk, &pack);
    for action in [
        FirmAction::ConfirmPack(confirmed(&pack)),
        FirmAction::UsePackAtOwnRisk(at_own_risk(&pack)),
    ] {
        is(&refusal_on(&mut desk, "2026-06-02", action), Reason::DateImpossible);
    }
}

#[test]
fn a_pack_is_not_adopted_as_confirmed_nor_moved_to_another_state() {
    let mut desk = desk();
    let said = nevada(1, &json!({"confirmed_by_counsel": true}));
    refuses(&mut desk, FirmAction::AdoptPack(Box::new(said)), Reason::ValueRefused, "pack_json");
    adopt(&mut desk, &nevada(1, &json!({})));
    let moved = nevada(2, &json!({"state": "UT"}));
    refuses(&mut desk, FirmAction::AdoptPack(Box::new(moved)), Reason::ValueRefused, "pack_json");
}

/// Logs from before confirmations were events hold adoptions that say so themselves.
#[test]
fn an_older_adoption_that_says_confirmed_counts_as_confirmed() {
    let (mut desk, pack) = (desk(), nevada(1, &json!({"confirmed_by_counsel": true})));
    let firm = StreamId::Firm;
    let mut old = counterfoil_domain::State::Firm(std::sync::Arc::new(desk.firm_state().clone()));
    let last = desk.log.last().unwrap().clone();
    old.apply(&Recorded {
        event: PackAdopted { pack: pack.clone() }.into(),
        stream_version: last.stream_version + 1,
        ..last
    });
    desk.world.insert(firm, old);
    assert_eq!(desk.firm_state().adopted(&named(&pack)).unwrap().backing(), Backing::Counsel(&[]));
    assert_eq!(known(&desk, TODAY), Known::Confirmed);
}

#[test]
fn what_a_pack_must_not_say_at_once() {
    let duty = json!({"cites": "invented"});
    for (members, named) in [
        (json!({"version": 0}), "version"),
        (json!({"in_force_through": "2019-12-31"}), "in_force_through"),
        (json!({"bond": bond(0, "always")}), "bond.amount"),
        (json!({"nothing_is_added": true}), "read"),
        (json!({"nothing_is_added": true, "read": null, "prohibited": duty}), "prohibited"),
        (json!({"nothing_is_added": true, "read": null, "bond": bond(1, "always")}), "bond"),
        (json!({"read": ["cancellation"], "registration": duty}), "registration"),
        (json!({"read": [], "bond": bond(1, "always")}), "bond"),
    ] {
        let wrong = check_pack(&nevada(1, &members)).unwrap();
        assert!(wrong.starts_with(named), "{members}: {wrong}");
    }
    let federal = RulePack::from_json(EXAMPLE_PACKS[0]).unwrap();
    for (changed, named) in [
        (
            RulePack { performance: None, ..federal.clone() },
            "the federal pack must state performance",
        ),
        (RulePack { nothing_is_added: Some(true), ..federal.clone() }, "nothing_is_added"),
        (RulePack { read: Some([].into()), ..federal.clone() }, "read"),
    ] {
        let wrong = check_pack(&changed).unwrap();
        assert!(wrong.starts_with(named), "{wrong}");
    }
    for sound in [
        json!({"nothing_is_added": true, "read": null, "in_force_through": "2020-01-01"}),
        json!({"nothing_is_added": false, "registration": duty}),
        json!({"read": null, "registration": duty}),
    ] {
        assert_eq!(check_pack(&nevada(1, &sound)), None, "{sound}");
    }
    for json in EXAMPLE_PACKS {
        assert_eq!(check_pack(&RulePack::from_json(json).unwrap()), None);
    }
}

/// What was stored before a member was thought of is read, hashed and written as it was.
#[test]
fn packs_are_stored_and_hashed_as_they_are_written() {
    for json in [
        include_str!("../packs/us-ca-1.json"),
        include_str!("../packs/us-tx-1.json"),
        include_str!("../packs/us-ga-1.json"),
        EXAMPLE_PACKS[0],
        EXAMPLE_PACKS[1],
    ] {
        let pack = RulePack::from_json(json).unwrap();
        let value: Value = serde_json::from_str(json).unwrap();
        let canonical = serde_json_canonicalizer::to_vec(&value).unwrap();
        assert_eq!(codec::to_bytes(&pack), canonical, "{}", pack.code);
        assert_eq!(pack.hash(), PackHash(Sha256::digest(&canonical).into()));
        assert_eq!(PackHash::parse(&pack.hash().to_string()), Ok(pack.hash()));
        assert_eq!(codec::from_bytes::<RulePack>(&canonical).unwrap(), pack);
    }
}

#[test]
fn a_pack_that_does_not_say_what_was_read_was_read_in_what_it_states() {
    let old = RulePack::from_json(include_str!("../packs/us-ca-1.json")).unwrap();
    assert!(old.is_read(Dimension::Security) && !old.is_read(Dimension::Performance));
    let told = nevada(1, &json!({"read": ["performance"]}));
    assert!(told.is_read(Dimension::Performance) && !told.is_read(Dimension::Security));
    let federal = RulePack::from_json(EXAMPLE_PACKS[0]).unwrap();
    let nothing = nevada(1, &json!({"nothing_is_added": true, "read": null}));
    for dimension in Dimension::ALL {
        assert!(federal.is_read(*dimension) && nothing.is_read(*dimension), "{dimension}");
    }
    let fee: Vec<Dimension> =
        Dimension::ALL.iter().copied().filter(|d| d.bears() == Bears::Fee).collect();
    assert_eq!(fee, FEE);
}

#[test]
fn the_newest_version_in_force_counts_whenever_it_was_adopted() {
    let first = nevada(1, &json!({}));
    let second = nevada(2, &json!({"in_force_from": "2026-03-01"}));
    for order in [[&first, &second], [&second, &first]] {
        let mut desk = desk();
        for pack in order {
            adopt(&mut desk, pack);
        }
        let versions = ["2019-12-31", "2020-01-01", "2026-02-28", "2026-03-01"];
        assert_eq!(versions.map(|on| version_on(&desk, on)), [None, Some(1), Some(1), Some(2)]);
    }
}

/// An act that ran out is not followed by what was read of it before; a later act's text is, though it
/// was written down earlier.
#[test]
fn a_law_that_has_run_out_leaves_nothing_in_force_but_what_begins_later() {
    let mut desk = desk();
    adopt(&mut desk, &nevada(1, &json!({})));
    adopt(&mut desk, &nevada(2, &json!({"in_force_through": "2026-03-31"})));
    let days = ["2026-03-31", "2026-04-01"];
    assert_eq!(days.map(|on| version_on(&desk, on)), [Some(2), None]);
    adopt(&mut desk, &nevada(3, &json!({"in_force_from": "2026-05-01"})));
    adopt(&mut desk, &nevada(4, &json!({"in_force_through": "2026-03-30"})));
    let days = ["2026-03-30", "2026-03-31", "2026-04-30", "2026-05-01"];
    assert_eq!(days.map(|on| version_on(&desk, on)), [Some(4), None, None, Some(3)]);
    let reason = Unknown::NotInForce { state: state("NV"), on: day("2026-04-30") };
    assert!(matches!(known(&desk, "2026-04-30"), Known::Unknown(why) if why.contains(&reason)));
}

#[test]
fn of_two_packs_of_one_state_the_firm_follows_the_one_it_adopted_last() {
    let mut desk = desk();
    adopt(&mut desk, &nevada(7, &json!({})));
    let own = nevada(1, &json!({"code": "own-nv", "in_force_from": "2026-01-01"}));
    adopt(&mut desk, &own);
    assert_eq!(["2025-12-31", TODAY].map(|on| version_on(&desk, on)), [Some(7), Some(1)]);
}

#[test]
fn a_state_is_unknown_for_each_reason_by_itself() {
    let mut desk = desk();
    assert_eq!(known(&desk, TODAY), Known::Unknown(vec![Unknown::NoPack(state("NV"))]));
    let pack = nevada(1, &json!({}));
    adopt(&mut desk, &pack);
    let unconfirmed = Known::Unknown(vec![Unknown::Unconfirmed(named(&pack))]);
    assert_eq!(known(&desk, TODAY), unconfirmed);
    desk.firm(FirmAction::UsePackAtOwnRisk(at_own_risk(&pack)));
    assert_eq!(known(&desk, TODAY), Known::AtOwnRisk(vec![named(&pack)]));
    confirm(&mut desk, &pack);
    assert_eq!(known(&desk, TODAY), Known::Confirmed);
    // The confirmation is of today, and serves every day of the version's force.
    assert_eq!(known(&desk, "2026-03-02"), Known::Confirmed);
    let less = nevada(
        2,
        &json!({
            "in_force_from": "2026-05-01",
            "read": ["cancellation", "contract_items", "estimate_cap", "statement"],
        }),
    );
    adopt(&mut desk, &less);
    confirm(&mut desk, &less);
    let unread =
        FEE.iter().map(|&dimension| Unknown::Unread { pack: named(&less), dimension }).collect();
    assert_eq!(known(&desk, TODAY), Known::Unknown(unread));
    assert_eq!(known(&desk, "2026-04-30"), Known::Confirmed);
    let on_signing = |on: &str| desk.firm_state().law_of_signing(state("NV"), day(on)).unwrap();
    assert_eq!(on_signing(TODAY).state, Known::Confirmed, "what bears on signing was read");
}

#[test]
fn every_reason_reads_as_a_sentence() {
    let pack = named(&nevada(1, &json!({})));
    let dimension = Dimension::Security;
    for (reason, says) in [
        (Unknown::NoPack(state("NV")), "no rule pack of NV was adopted"),
        (
            Unknown::NotInForce { state: state("NV"), on: day(TODAY) },
            "no adopted rule pack of NV is in force on 2026-06-01",
        ),
        (
            Unknown::Unread { pack: pack.clone(), dimension },
            "pack us-nv version 1 does not say that security was read",
        ),
        (
            Unknown::Unconfirmed(pack),
            "pack us-nv version 1 is neither confirmed by counsel nor used at own risk",
        ),
    ] {
        assert_eq!(reason.to_string(), says);
    }
}

#[test]
fn nothing_is_added_once_counsel_says_so() {
    let (mut desk, nothing) = (desk(), nevada(1, &json!({"nothing_is_added": true, "read": null})));
    adopt(&mut desk, &nothing);
    let unconfirmed = Known::Unknown(vec![Unknown::Unconfirmed(named(&nothing))]);
    assert_eq!(known(&desk, TODAY), unconfirmed);
    confirm(&mut desk, &nothing);
    let law = asking(&desk, "2026-03-02", TODAY);
    assert_eq!(law.state, Known::Confirmed);
    assert!(law.bonds.is_empty() && law.prohibited.is_none() && law.registration.is_none());
    assert_eq!(law.packs.len(), 2);
}

/// It neither opens nor fails: what it asks is not held against a fee, and the fee is not let through.
#[test]
fn a_pack_that_nobody_stands_for_asks_nothing_and_settles_nothing() {
    let duty = json!({"cites": "invented"});
    let pack = nevada(
        1,
        &json!({
            "prohibited": duty,
            "bond": bond(100, "always"),
            "cancellation": {"days": 9, "calendar": "every_day", "cites": "invented"},
        }),
    );
    let mut desk = desk();
    adopt(&mut desk, &pack);
    let law = asking(&desk, "2026-03-02", TODAY);
    assert!(law.prohibited.is_none() && law.bonds.is_empty() && law.packs.len() == 1);
    assert!(matches!(law.state, Known::Unknown(_)));
    let signing = |desk: &Desk| {
        let law = desk.firm_state().law_of_signing(state("NV"), day("2026-03-02")).unwrap();
        [&law.rules, &law.certain].map(|rules| rules.cancellation_window(day("2026-03-02")).0)
    };
    // Nine days, and three business days: the service waits for the longer, nothing fails by it yet.
    assert_eq!(signing(&desk), [day("2026-03-11"), day("2026-03-05")]);
    confirm(&mut desk, &pack);
    let law = asking(&desk, "2026-03-02", TODAY);
    assert!(law.prohibited.is_some() && law.bonds.len() == 1 && law.packs.len() == 2);
    assert_eq!(signing(&desk), [day("2026-03-11"); 2]);
}

/// 15 USC 1679j: a consumer keeps the protection of whichever law gives more.
#[test]
fn of_the_day_of_signing_and_the_day_of_asking_the_stricter_wins() {
    let signed = nevada(
        1,
        &json!({
            "bond": bond(100, "always"),
            "perform_within": {"days": 180, "cites": "old"},
            "monthly_statement": {"cites": "old", "within_days": 5},
            "performance": {"reading": "whole_contract", "cites": "old"},
            "telemarketing": {"exempt": ["in_person", "post"], "cites": "old"},
        }),
    );
    let asked = nevada(
        2,
        &json!({
            "in_force_from": "2026-05-01",
            "bond": bond(500, "if_paid_before_all_done"),
            "perform_within": {"days": 90, "cites": "new"},
            "monthly_statement": {"cites": "new"},
            "registration": {"cites": "new"},
            "telemarketing": {"exempt": ["in_person", "online"], "cites": "new"},
        }),
    );
    let mut desk = desk();
    for pack in [&signed, &asked] {
        adopt(&mut desk, pack);
        confirm(&mut desk, pack);
    }
    let law = asking(&desk, "2026-03-02", "2026-05-01");
    let bonds: Vec<_> = law.bonds.iter().map(|b| (b.amount.minor(), b.stands())).collect();
    assert_eq!(bonds, [(100, BondWhen::Always), (500, BondWhen::IfPaidBeforeAllDone)]);
    assert_eq!(law.perform_within.unwrap().cites.as_str(), "new");
    let statement = law.monthly_statement.unwrap();
    assert_eq!((statement.cites.as_str(), statement.days_after_work()), ("new", 0));
    assert_eq!(law.performance.reading, FullyPerformed::WholeContract);
    assert_eq!(law.performance.cites.as_str(), "old");
    assert_eq!(law.telemarketing.exempt, [Channel::InPerson].into());
    assert_eq!(law.registration.unwrap().cites.as_str(), "new");
    assert_eq!(law.packs.len(), 3, "{:?}", law.packs);
    // A smaller bond of the same days is covered by the larger.
    let before = asking(&desk, "2026-03-02", "2026-04-30");
    assert_eq!(before.bonds.len(), 1);
    assert!(before.registration.is_none());
    assert_eq!(before.packs.len(), 2);
}

/// A confirmation is of a text, which was there once the law was read for it (common practice, no source).
#[test]
fn nobody_confirms_a_text_before_the_law_was_read_for_it() {
    let mut desk = desk();
    let pack = nevada(1, &json!({"text_read_on": TODAY}));
    adopt(&mut desk, &pack);
    let on = |day| {
        let action = FirmAction::ConfirmPack(confirmed(&pack));
        Command::Firm { action: Dated { occurred_at: None, occurred_on: day, action } }
    };
    let today = day(TODAY);
    let refused = desk.command(&on(today.pred_opt().unwrap())).unwrap_err();
    is(&refused, Reason::DateImpossible);
    assert!(refused.violations[0].detail.contains("the law was read for this text on"));
    assert_eq!(desk.command(&on(today)).unwrap().len(), 1);
}

/// 15 USC 1679j: the law is that of where the client lived on the day of signing, whenever that was told, and of every
/// agreement under which a fee was claimed.
#[test]
fn what_is_not_known_is_named_by_the_state_in_which_the_client_lived() {
    const A: u128 = 2;
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk.month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let unknown = |desk: &Desk| {
        desk.judged(case(A), |judge| {
            let states = judge.unknown_law().into_keys();
            states.map(|state| state.to_string()).collect::<Vec<_>>()
        })
    };
    assert_eq!(unknown(&desk), [""; 0]);
    let mut moved = contact();
    moved.address.state = state("NV");
    let moved = CaseAction::ContactChanged(Box::new(ContactChanged { contact: moved }));
    desk.act(case(A), "2026-03-02", moved);
    assert_eq!(unknown(&desk), ["NV"]);
    // An agreement that is known beside it hides nothing of the one under which the fee was claimed.
    let back = CaseAction::ContactChanged(Box::new(ContactChanged { contact: contact() }));
    desk.act(case(A), "2026-04-20", back);
    desk.act(case(A), "2026-04-21", CaseAction::SignConsent(sign()));
    assert_eq!(unknown(&desk), ["NV"]);
}
