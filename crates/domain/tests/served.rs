//! What the packs of states do beside fees: to signings, letters, erasures and money that goes back.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::collections::BTreeSet;

use common::states::*;
use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::firm::Unknown;
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::judge::Breach;
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::rules::*;
use counterfoil_domain::terms::Plan;

const A: u128 = 1;

fn holding(items: &[ContractItem]) -> SignConsent {
    SignConsent { items: Some(items.iter().copied().collect()), ..sign() }
}

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

/// Everything that the papers of a state have to hold.
fn whole(state: &str) -> Vec<ContractItem> {
    let pack = of(state);
    let asked = pack.items_asked().into_iter().flat_map(|(_, items)| items);
    asked.chain([ContractItem::Agent, ContractItem::DisputeAuthorization]).collect()
}

fn against(desk: &Desk) -> Vec<String> {
    desk.judged(case(A), |judge| {
        let found = judge.signed_against_law();
        let of = found.iter().flat_map(|against| &against.violations);
        of.map(|violation| violation.rule.clone()).collect()
    })
}

fn recorded(desk: &Desk) -> usize {
    let kind = ExposureKind::SignedAgainstLaw;
    let exposures = desk.state(case(A)).standing_exposures();
    exposures.filter(|seen| seen.found.kind == kind && seen.mark.on == day("2026-03-02")).count()
}

/// O.C.G.A. 16-9-59: the trade is an offence. Neb. Rev. Stat. 45-804(7), 45-805, 45-808(1)(c): registration, bond and 180 days.
/// N.Y. Gen. Bus. Law 458-c, 458-f: a statement of the state's own. Each is a breach on the day of the signing, whoever signed
/// (15 USC 1679j), and what PrepareAgreement would have refused.
#[test]
fn a_signing_that_the_law_of_a_state_bars_is_recorded_as_that() {
    for (state, periods, lacking, broken) in [
        ("GA", 6, None, &["prohibited"][..]),
        ("NE", 7, None, &["registration", "security", "estimate_cap"][..]),
        ("NY", 6, Some(ContractItem::StateStatement), &["contract_items"][..]),
    ] {
        let mut desk = firm_of(&[state]);
        desk.firm(FirmAction::PublishPlan(Plan { periods, ..plan() }));
        let items: Vec<ContractItem> =
            whole(state).into_iter().filter(|item| Some(*item) != lacking).collect();
        desk.signed_for(case(A), "2026-03-02", from(state), holding(&items));
        assert_eq!(against(&desk), broken, "{state}");
        assert_eq!(recorded(&desk), 1, "{state}");
        let breaches = desk.judged(case(A), |judge| judge.breaches().collect::<Vec<_>>());
        assert_eq!(breaches, [(day("2026-03-02"), Breach::SignedAgainstLaw)]);
        let signed = desk.state(case(A)).agreements.last().unwrap().clone();
        let prepared = counterfoil_domain::firm::Prepared {
            place: code(state).into(),
            terms: &signed.terms,
            items: signed.items.as_ref().unwrap(),
            languages: None,
        };
        let objections = desk.firm_state().objections(prepared, day("2026-03-02"));
        let named: BTreeSet<&str> = objections.iter().map(|of| of.rule.as_str()).collect();
        assert!(broken.iter().all(|rule| named.contains(rule)), "{state}: {named:?}");
    }
}

/// Colo. and North Carolina with all that they ask on file and in the papers; and papers of which nobody said what they hold
/// break nothing that is known.
#[test]
fn a_signing_within_the_law_of_its_state_breaks_nothing() {
    for (state, bond) in [("CO", None), ("NC", Some(usd(1_000_000)))] {
        for agreement in [holding(&whole(state)), sign()] {
            let mut desk = firm_of(&[state]);
            if bond.is_some() {
                file(&mut desk, StandingKind::Bond, state, bond);
            }
            desk.signed_for(case(A), "2026-03-02", from(state), agreement);
            assert_eq!(against(&desk), [""; 0], "{state}");
            assert_eq!(recorded(&desk), 0, "{state}");
        }
    }
}

/// What is learnt of the law after the signing is told with the next review, and what shows that all stood is believed
/// (15 USC 1679j).
#[test]
fn a_signing_is_judged_by_what_is_known_of_the_law_of_its_day() {
    for state in ["DE", "MO"] {
        let mut desk = Desk::open();
        let items = whole(state);
        desk.today("2026-03-02").signed_for(case(A), "2026-03-02", from(state), holding(&items));
        assert_eq!(recorded(&desk), 0, "no pack was adopted: the law is not known");
        desk.today("2026-04-01");
        adopt(&mut desk, of(state));
        assert!(against(&desk).contains(&"registration".to_owned()), "{:?}", against(&desk));
        let told = desk.command(&Command::Review { case: case(A) }).unwrap();
        assert_eq!(names(&told), ["exposure_found"]);
        assert_eq!(told[0].occurred_on, day("2026-03-02"));
        assert_eq!(recorded(&desk), 1);
        assert_eq!(names(&desk.command(&Command::Review { case: case(A) }).unwrap()), [""; 0]);
        file(&mut desk, StandingKind::Registration, state, None);
        file(&mut desk, StandingKind::Bond, state, Some(usd(10_000_000)));
        assert_eq!(against(&desk), [""; 0], "it was registered that day after all");
    }
}

fn ended(desk: &mut Desk, on: &str) {
    let end = ServiceEnded { by: EndedBy::Client, reason: None };
    desk.today(on).act(case(A), on, CaseAction::EndService(end));
}

fn erase() -> CaseAction {
    CaseAction::EraseClient(ClientErased { basis: ErasureBasis::ALL[0] })
}

/// What nobody has read is not taken for nothing: an erasure cannot be taken back (common practice, no source).
#[test]
fn nobody_is_erased_whose_states_law_of_keeping_is_not_known() {
    for (state, why, pack) in [
        ("TX", "pack us-tx version 3 does not say that keep was read", true),
        ("AZ", "pack us-az version 1 does not say that keep was read", true),
        ("MT", "no rule pack of MT was adopted", false),
    ] {
        let mut desk = if pack { firm_of(&[state]) } else { Desk::open() };
        desk.today("2026-03-02").signed_for(case(A), "2026-03-02", from(state), sign());
        ended(&mut desk, "2026-04-10");
        desk.today("2040-01-03");
        let refusal = desk.refusal(case(A), "2040-01-03", erase());
        is(&refusal, Reason::NotAllowedYet);
        assert_eq!(rules(&refusal), ["retention"], "{refusal}");
        let said = refusal.to_string();
        assert!(said.contains(why) && said.contains("adopt a"), "{said}");
    }
}

/// RCW 19.134.040: four years after the end, of a client who moved there. Iowa Code 538A.11(1): ten years from the signing.
#[test]
fn whatever_state_reached_a_client_once_keeps_the_record() {
    for (state, from_state, until) in [("WA", "ND", "2036-03-02"), ("IA", "ND", "2036-03-02")] {
        let mut desk = firm_of(&[state, from_state]);
        let keep = Keep {
            cites: text("invented for tests"),
            from: KeepFrom::Signing,
            what: KeepWhat::Statement,
            years: 10,
        };
        desk.signed_for(case(A), "2026-03-02", from(from_state), sign());
        desk.today("2026-04-01").act(case(A), "2026-04-01", moves(state));
        if state == "WA" {
            // A version of the law that came into force while the client was served there.
            let mut later = of(state);
            later.version += 1;
            later.in_force_from = day("2026-04-05");
            later.keep = Some(vec![keep]);
            adopt(&mut desk, later);
        }
        ended(&mut desk, "2026-04-10");
        let firm = desk.firm_state().clone();
        let kept = desk.state(case(A)).retained_by_states(&firm);
        let last = kept.iter().map(|kept| kept.until).max();
        assert_eq!(last, Some(day(until)), "{state}: {kept:?}");
        if state == "WA" {
            let before = kept.iter().find(|kept| kept.until == day("2030-04-10"));
            assert!(before.is_some(), "the version of the move counts too: {kept:?}");
        }
        assert!(desk.state(case(A)).retention_unknown(&firm).is_empty());
    }
}

/// RCW 19.134.020(1)(f), Cal. Civ. Code 1789.13(m): prior written authorization; where nobody has said whether the papers hold
/// it, no letter leaves. C.R.S. 5-19-104(4) asks for a basis of each entry, which is asked for everywhere.
#[test]
fn no_letter_leaves_that_nobody_has_shown_to_be_authorized() {
    let letters = || CaseAction::SendRound(round(NORTH, &["a"]));
    let opened = |state: &str, agreement: SignConsent, desk: &mut Desk| {
        desk.today("2026-03-02").signed_for(case(A), "2026-03-02", from(state), agreement);
        desk.today("2026-03-16").act(case(A), "2026-03-16", CaseAction::OpenWork);
    };
    for state in ["WA", "CA"] {
        let mut desk = firm_of(&[state]);
        opened(state, sign(), &mut desk);
        let refusal = desk.refusal(case(A), "2026-03-16", letters());
        assert_eq!(rules(&refusal), ["dispute_consent"], "{state}");
        assert!(refusal.to_string().contains("nobody has said whether"), "{refusal}");
    }
    let mut desk = firm_of(&["CO"]);
    opened("CO", sign(), &mut desk);
    desk.act(case(A), "2026-03-16", letters());
    // Unread, and no pack at all.
    for state in ["TX", "AZ", "MT"] {
        let mut desk = if state == "MT" { Desk::open() } else { firm_of(&[state]) };
        opened(state, sign(), &mut desk);
        let refusal = desk.refusal(case(A), "2026-03-16", letters());
        assert_eq!(rules(&refusal), ["dispute_consent"], "{state}");
        assert!(refusal.to_string().contains("adopt a"), "{refusal}");
        // What left is a fact.
        desk.act(case(A), "2026-03-16", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    }
    // The law of the day counts where the client lives by then.
    for state in ["WA", "CA"] {
        let mut desk = firm_of(&["ND", state]);
        opened("ND", holding(&[]), &mut desk);
        desk.act(case(A), "2026-03-16", moves(state));
        let refusal = desk.refusal(case(A), "2026-03-16", letters());
        assert_eq!(rules(&refusal), ["dispute_consent"], "{state}");
    }
}

/// Cal. Civ. Code 1789.13(n), 1789.135, and the twin of Washington, RCW 19.134.020: what a clerk sees to, since the program writes
/// no letter.
#[test]
fn what_no_program_sees_of_a_letter_is_told_before_it_leaves() {
    for state in ["CA", "WA"] {
        let desk = {
            let mut desk = firm_of(&[state]);
            desk.signed_for(case(A), "2026-03-02", from(state), holding(&whole(state)));
            desk
        };
        let firm = desk.firm_state();
        let duties = desk.state(case(A)).before_letters(firm, day("2026-03-16"));
        let rule = of(state).dispute_consent.unwrap();
        let said: Vec<&str> = duties.iter().map(|duty| duty.says.as_str()).collect();
        assert_eq!(
            said.iter().any(|says| says.contains("more than 180 days")),
            rule.after_removal_days == Some(180),
            "{said:?}"
        );
        assert_eq!(
            said.iter().any(|says| says.contains("last four digits")),
            rule.identifiers_cut == Some(true),
            "{said:?}"
        );
        assert!(!duties.is_empty() && duties.iter().all(|duty| !duty.cites.is_empty()));
    }
}

/// Cal. Civ. Code 1789.16(b): fifteen days from the receipt of the cancellation; C.R.S. 5-19-107: ten. Money of an agreement that
/// stands has no such day.
#[test]
fn money_of_a_cancelled_agreement_goes_back_by_the_day_that_the_state_names() {
    for (state, by) in [("CA", "2026-03-20"), ("CO", "2026-03-15")] {
        let mut desk = firm_of(&[state]);
        desk.signed_for(case(A), "2026-03-02", from(state), holding(&whole(state)));
        let back = |desk: &Desk, on: &str| {
            desk.judged(case(A), |judge| judge.money_back(day(on)).map(|back| back.by))
        };
        assert_eq!(back(&desk, "2026-03-02"), None, "nothing was cancelled");
        let cancel = Cancel { reason: None, sent_on: day("2026-03-04") };
        desk.today("2026-03-05").act(case(A), "2026-03-05", CaseAction::Cancel(cancel));
        for came_on in ["2026-03-01", "2026-03-02", "2026-04-20"] {
            assert_eq!(back(&desk, came_on), Some(day(by)), "{state}");
        }
        desk.today("2026-04-01").act(
            case(A),
            "2026-04-01",
            CaseAction::SignConsent(holding(&whole(state))),
        );
        assert_eq!(back(&desk, "2026-03-31"), Some(day(by)));
        assert_eq!(back(&desk, "2026-04-20"), None, "it is of the agreement that stands");
    }
}

/// What counsel did not confirm is said beside the fee that it opens (common practice, no source).
#[test]
fn a_fee_says_which_pack_it_rests_on_at_the_firms_own_risk() {
    for state in ["CT", "HI"] {
        let mut desk = Desk::open();
        desk.today("2026-03-02");
        let mut pack = of(state);
        pack.read = Some(Dimension::ALL.iter().copied().collect());
        let (code, version) = (pack.code.clone(), pack.version);
        desk.firm(FirmAction::AdoptPack(Box::new(pack)));
        let (reason, used) = (text("counsel is asked"), code.clone());
        desk.firm(FirmAction::UsePackAtOwnRisk(PackUsedAtOwnRisk { code: used, reason, version }));
        desk.signed_for(case(A), "2026-03-02", from(state), holding(&whole(state)));
        let explained = desk.explain(case(A), 1, "2026-04-01");
        let state_gate = explained
            .findings
            .iter()
            .find(|found| found.gate == counterfoil_domain::gates::Gate::State)
            .unwrap();
        let named: Vec<&PackRef> = explained.at_own_risk().collect();
        assert_eq!(state_gate.holds(), named.len() == 1, "{state_gate:?}");
        assert_eq!(named, [&PackRef { code, version }], "{state_gate:?}");
    }
}

/// One pack is followed, whoever asks: the newest version that is in force, and not the one that was adopted last.
#[test]
fn an_agreement_is_told_with_the_rules_that_it_is_judged_by() {
    for state in ["CO", "NC"] {
        let mut desk = Desk::open();
        desk.today("2026-03-02");
        let mut newer = of(state);
        newer.version += 1;
        adopt(&mut desk, newer.clone());
        adopt(&mut desk, of(state));
        desk.signed_for(case(A), "2026-03-02", from(state), sign());
        let told = desk.state(case(A)).agreements.last().unwrap().rules.packs.clone();
        assert_eq!(told.last(), Some(&newer.reference()));
        let followed = desk.firm_state().pack_on(Some(code(state)), day("2026-03-02")).unwrap();
        assert_eq!(followed.pack.reference(), newer.reference());
    }
}

/// The states of clients of whom nothing was claimed are named as well: of an agreement, and of where a client lives who has signed
/// none.
#[test]
fn what_is_not_known_of_a_clients_law_is_known_before_anything_is_claimed() {
    for (state, other) in [("MT", "AL"), ("SD", "NM")] {
        let mut desk = Desk::open();
        desk.today("2026-03-02");
        desk.act(case(A), "2026-03-02", CaseAction::Enrol(Box::new(from(state))));
        let unknown = |desk: &Desk| -> BTreeSet<Unknown> {
            desk.firm_state().unknown_law(desk.state(case(A)), day("2026-03-02"))
        };
        let no_pack = |state: &str| -> StateCode { code(state) };
        assert_eq!(unknown(&desk), [Unknown::NoPack(no_pack(state))].into());
        desk.act(case(A), "2026-03-02", moves(other));
        assert_eq!(unknown(&desk), [Unknown::NoPack(no_pack(other))].into());
        desk.act(case(A), "2026-03-02", CaseAction::SignConsent(sign()));
        assert_eq!(unknown(&desk), [Unknown::NoPack(no_pack(other))].into());
        for why in unknown(&desk) {
            assert!(why.way_out().contains("adopt a pack of the state"), "{why}");
        }
    }
}
