//! What a client takes back, authorizes and is: what it stops, from which day, and what is charged by it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::case::NoticeSent;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, Gate};
use counterfoil_domain::judge::Breach;
use counterfoil_domain::money::Money;
use counterfoil_domain::refusal::Reason;

const A: u128 = 2;

fn change(kind: Circumstance, holds: bool) -> CircumstanceChanged {
    let (amount, charge_on, document, least, who) = (None, None, None, None, None);
    CircumstanceChanged { amount, charge_on, document, holds, kind, least, who }
}

fn told(kind: Circumstance, holds: bool) -> CaseAction {
    CaseAction::ChangeCircumstance(change(kind, holds))
}

fn mandate(amount: Money, least: Option<Money>) -> CaseAction {
    let amount = Some(amount);
    let mandate = change(Circumstance::ChargeMandate, true);
    CaseAction::ChangeCircumstance(CircumstanceChanged { amount, least, ..mandate })
}

fn notice(amount: Money, charge_on: &str) -> CaseAction {
    let (amount, charge_on) = (Some(amount), Some(day(charge_on)));
    let notice = change(Circumstance::ChargeNotice, true);
    CaseAction::ChangeCircumstance(CircumstanceChanged { amount, charge_on, ..notice })
}

fn revoke() -> CaseAction {
    told(Circumstance::AuthorityRevoked, true)
}

fn letters() -> CaseAction {
    CaseAction::SendRound(round(NORTH, &["a"]))
}

fn noted() -> CaseAction {
    CaseAction::NoteRoundSent(round(NORTH, &["a"]))
}

fn opened() -> Desk {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk
}

/// No letter goes out in the name of whoever took the authority back (common law of agency), and one that left is a
/// breach that earns nothing; the agreement goes on.
#[test]
fn whoever_took_back_the_authority_to_write_is_written_for_no_more() {
    let mut desk = opened();
    desk.act(case(A), "2026-03-09", revoke());
    let refused = desk.refusal(case(A), "2026-03-10", letters());
    is(&refused, Reason::NotAllowedYet);
    assert_eq!(rules(&refused), ["authority"]);
    assert_eq!(refused.violations[0].cites, "common law of agency");
    let events = desk.act(case(A), "2026-03-12", noted());
    assert_eq!(names(&events), ["round_sent", "exposure_found"]);
    let breaches = desk.judged(case(A), |judge| judge.breaches().collect::<Vec<_>>());
    assert_eq!(breaches, [(day("2026-03-12"), Breach::RoundWithoutAuthority)]);
    desk.act(
        case(A),
        "2026-03-13",
        CaseAction::ImportReport(report(SOUTH, "2026-03-13", &["a", "b"])),
    );
    desk.act(case(A), "2026-03-13", progress());
    assert_eq!(desk.answer(case(A), 1, "2026-04-01", Gate::FullyPerformed), Answer::Fails);
    // Given again, and a letter that leaves then earns the month.
    desk.act(case(A), "2026-03-16", told(Circumstance::AuthorityRevoked, false));
    desk.act(case(A), "2026-03-17", letters());
    assert_eq!(desk.answer(case(A), 1, "2026-04-01", Gate::FullyPerformed), Answer::Holds);
}

/// The day of a revocation decides, and not when it was told; a letter of that day may have left before it.
#[test]
fn a_revocation_that_is_told_late_reaches_back_to_its_day() {
    let mut desk = opened();
    desk.act(case(A), "2026-03-09", letters());
    desk.act(case(A), "2026-03-12", letters());
    let events = desk.act(case(A), "2026-03-09", revoke());
    assert_eq!(names(&events), ["circumstance_changed", "exposure_found"]);
    assert_eq!(events[1].occurred_on, day("2026-03-12"));
    let breaches = desk.judged(case(A), |judge| judge.breaches().collect::<Vec<_>>());
    assert_eq!(breaches, [(day("2026-03-12"), Breach::RoundWithoutAuthority)]);
    // It was another day: corrected, nothing is broken any more.
    let position = desk.last("circumstance_changed");
    desk.correct(case(A), position, Becomes::OnDay(day("2026-03-12")));
    assert_eq!(desk.judged(case(A), |judge| judge.breaches().count()), 0);
    assert_eq!(desk.state(case(A)).standing_exposures().count(), 0);
}

/// Of one day the order that is known counts; where none is, what protects the client.
#[test]
fn a_revocation_and_its_end_on_one_day_go_by_their_order() {
    let gives = || told(Circumstance::AuthorityRevoked, false);
    let is_revoked = |desk: &Desk| desk.state(case(A)).revoked_on(day("2026-03-10")).is_some();
    for (first, then, revoked) in [(revoke(), gives(), false), (gives(), revoke(), true)] {
        let mut desk = opened();
        desk.try_acts(case(A), "2026-03-09", vec![first.clone(), then.clone()]).unwrap();
        assert_eq!(is_revoked(&desk), revoked, "one request states the order");
        let mut apart = opened();
        apart.act(case(A), "2026-03-09", first);
        apart.act(case(A), "2026-03-09", then);
        assert!(is_revoked(&apart), "nobody said which came first");
    }
}

/// The breaches of authority that stand, by their days.
fn without_authority(desk: &Desk) -> Vec<String> {
    let standing = desk.state(case(A)).standing_exposures();
    let of_kind = standing.filter(|s| s.found.kind == ExposureKind::DisputeWithoutAuthority);
    let mut days: Vec<String> = of_kind.map(|seen| seen.mark.on.to_string()).collect();
    days.sort_unstable();
    days
}

/// "Facts of one request stand in the order in which it lists them", and times order a day; "where neither is known, it
/// is unknown until one is recorded".
#[test]
fn letters_of_the_day_of_a_revocation_go_by_their_order() {
    let first_month = |told: &[(Option<i64>, &[CaseAction])]| {
        let mut desk = opened();
        let import = CaseAction::ImportReport(report(SOUTH, "2026-03-13", &["a", "b"]));
        desk.try_acts(case(A), "2026-03-13", vec![import, progress()]).unwrap();
        let start = zone().start_of_day(day("2026-03-09"));
        for (at, actions) in told {
            let actions = actions.iter().map(|action| Dated {
                action: action.clone(),
                occurred_at: at.map(|hour| UtcMicros(start + hour * 3_600_000_000)),
                occurred_on: day("2026-03-09"),
            });
            let (actions, expected_version) = (actions.collect(), None);
            desk.command(&Command::Case { case: case(A), expected_version, actions }).unwrap();
        }
        let answer = desk.answer(case(A), 1, "2026-04-01", Gate::FullyPerformed);
        (answer, without_authority(&desk).len())
    };
    let (morning, afternoon) = (Some(9), Some(15));
    for turned in [false, true] {
        let mut told = [(morning, &[revoke()][..]), (afternoon, &[noted()][..])];
        if turned {
            told.reverse();
        }
        assert_eq!(first_month(&told), (Answer::Fails, 1), "told in either order");
        let mut told = [(afternoon, &[revoke()][..]), (morning, &[noted()][..])];
        if turned {
            told.reverse();
        }
        assert_eq!(first_month(&told), (Answer::Holds, 0), "told in either order");
        let mut told = [(None, &[revoke()][..]), (None, &[noted()][..])];
        if turned {
            told.reverse();
        }
        assert_eq!(first_month(&told), (Answer::Unknown, 0), "nobody said which came first");
    }
    assert_eq!(first_month(&[(None, &[revoke(), noted()])]), (Answer::Fails, 1));
    assert_eq!(first_month(&[(None, &[noted(), revoke()])]), (Answer::Holds, 0));
}

/// "The order of telling decides nothing": a breach is of the letter, on its day, one for each.
#[test]
fn breaches_of_authority_follow_from_the_days_in_any_order_of_telling() {
    let gives = || told(Circumstance::AuthorityRevoked, false);
    let facts = [
        ("2026-03-10", revoke()),
        ("2026-03-12", noted()),
        ("2026-03-16", noted()),
        ("2026-03-18", gives()),
        ("2026-03-20", noted()),
    ];
    for order in [[0, 1, 2, 3, 4], [1, 2, 4, 0, 3], [4, 3, 2, 1, 0], [2, 0, 4, 1, 3]] {
        let mut desk = opened();
        desk.today("2026-03-25");
        for at in order {
            let (on, action) = facts[at].clone();
            desk.act(case(A), on, action);
        }
        assert_eq!(without_authority(&desk), ["2026-03-12", "2026-03-16"], "{order:?}");
        let breaches = desk.judged(case(A), |judge| judge.breaches().count());
        assert_eq!(breaches, 2, "{order:?}");
        // It had been given again before the second of them, which was told last of all.
        desk.act(case(A), "2026-03-14", gives());
        assert_eq!(without_authority(&desk), ["2026-03-12"], "{order:?}");
    }
}

/// An agreement carries the client's authorization to write: what was taken back before it was signed is not taken back
/// of it.
#[test]
fn a_new_agreement_carries_the_authority_anew() {
    let mut desk = opened();
    desk.act(case(A), "2026-03-09", revoke());
    desk.act(case(A), "2026-03-12", CaseAction::SignConsent(sign()));
    assert!(desk.state(case(A)).revoked_on(day("2026-03-11")).is_some());
    assert_eq!(desk.state(case(A)).circumstances_on(day("2026-03-20")).count(), 0);
    desk.act(case(A), "2026-03-20", letters());
    assert_eq!(without_authority(&desk), [""; 0]);
    desk.act(case(A), "2026-03-23", revoke());
    desk.act(case(A), "2026-03-24", noted());
    assert_eq!(without_authority(&desk), ["2026-03-24"]);
}

/// What is said again goes on: it began when it was said first without a break.
#[test]
fn a_circumstance_is_there_since_the_first_day_of_its_run() {
    let mut desk = opened();
    let gives = told(Circumstance::AuthorityRevoked, false);
    for (on, action) in [
        ("2026-03-07", revoke()),
        ("2026-03-08", gives),
        ("2026-03-10", revoke()),
        ("2026-03-12", revoke()),
    ] {
        desk.act(case(A), on, action);
    }
    let since = |on: &str| desk.state(case(A)).revoked_on(day(on)).unwrap().since.on();
    assert_eq!(since("2026-03-20"), day("2026-03-10"));
    assert_eq!(since("2026-03-07"), day("2026-03-07"));
}

/// 15 USC 1679d(a): what left in the waiting days or without authority stays a breach, whoever ends the service and
/// however; and letters after the end are one too, whichever was told first.
#[test]
fn no_end_puts_a_breach_right_and_letters_after_it_are_one() {
    let ended = |by| CaseAction::EndService(ServiceEnded { by, reason: None });
    let cancelled = |on| CaseAction::Cancel(Cancel { reason: None, sent_on: day(on) });
    let standing = |desk: &Desk| {
        let state = desk.state(case(A));
        let mut seen: Vec<(String, ExposureKind)> = state
            .standing_exposures()
            .map(|seen| (seen.mark.on.to_string(), seen.found.kind))
            .collect();
        seen.sort_unstable();
        seen
    };
    let broken = || {
        let mut desk = opened();
        desk.today("2026-03-31");
        desk.act(case(A), "2026-03-04", noted());
        desk.act(case(A), "2026-03-09", revoke());
        desk.act(case(A), "2026-03-12", noted());
        desk
    };
    let early = ("2026-03-04".to_owned(), ExposureKind::EarlyService);
    let unauthorized = ("2026-03-12".to_owned(), ExposureKind::DisputeWithoutAuthority);
    for end in [
        ended(EndedBy::Firm),
        ended(EndedBy::Client),
        ended(EndedBy::Death),
        cancelled("2026-03-20"),
    ] {
        let mut desk = broken();
        desk.act(case(A), "2026-03-20", end);
        assert_eq!(standing(&desk), [early.clone(), unauthorized.clone()]);
    }
    // Cancelled in its days: there was no agreement that the letters could have been under.
    let mut desk = broken();
    desk.act(case(A), "2026-03-20", cancelled("2026-03-04"));
    let undone = ("2026-03-12".to_owned(), ExposureKind::NoAgreement);
    assert_eq!(standing(&desk), [early, undone, unauthorized]);
    let after = [("2026-03-20".to_owned(), ExposureKind::NoAgreement)];
    for is_end_first in [true, false] {
        let mut desk = opened();
        desk.today("2026-03-31");
        let mut told = [("2026-03-12", ended(EndedBy::Death)), ("2026-03-20", noted())];
        if !is_end_first {
            told.reverse();
        }
        for (on, action) in told {
            desk.act(case(A), on, action);
        }
        assert_eq!(standing(&desk), after);
        // There was no such end: a correction of a fact heals it.
        let at = desk.last("service_ended");
        desk.correct(case(A), at, Becomes::Nothing);
        assert_eq!(standing(&desk), []);
    }
}

fn charge() -> AccountAction {
    AccountAction::RequestCharge { invoice: 1 }
}

/// A first month, invoiced at 199.00.
fn invoiced(before: &[(&str, CaseAction)]) -> Desk {
    let mut desk = opened();
    desk.month(case(A), "2026-03-09");
    for (on, action) in before {
        desk.act(case(A), on, action.clone());
    }
    desk.bill(account(A), "2026-04-01");
    desk
}

fn charged(desk: &mut Desk, on: &str) -> Result<(), String> {
    let asked = desk.try_account(account(A), on, charge());
    asked.map(|_| ()).map_err(|refusal| refusal.violations[0].cites.clone())
}

/// 12 CFR 1005.10(b) to (d), from the rule's text: a card that draws on an account is charged by a writing alone, no more
/// after its revocation, and another amount than the agreed one ten days after its notice.
#[test]
fn a_card_is_charged_by_what_the_client_authorized() {
    let debit = ("2026-03-02", told(Circumstance::DebitCard, true));
    let agreed = ("2026-03-02", mandate(usd(19_900), Some(usd(9_900))));
    let other = ("2026-03-02", mandate(usd(9_900), None));
    let revoked = ("2026-03-20", told(Circumstance::ChargeMandate, false));
    let sent = ("2026-03-22", notice(usd(19_900), "2026-04-01"));
    let late = ("2026-03-23", notice(usd(19_900), "2026-04-01"));
    let not_it = ("2026-03-22", notice(usd(19_800), "2026-04-01"));
    let (b, c, d) = ("12 CFR 1005.10(b)", "12 CFR 1005.10(b), (c)", "12 CFR 1005.10(d)");
    for (before, expected) in [
        (vec![], Ok(())),
        (vec![debit.clone()], Err(b)),
        (vec![debit.clone(), agreed.clone()], Ok(())),
        (vec![agreed.clone(), revoked.clone()], Err(c)),
        (vec![revoked], Err(c)),
        (vec![debit.clone(), other.clone()], Err(d)),
        (vec![other.clone(), sent.clone()], Ok(())),
        (vec![other.clone(), late], Err(d)),
        (vec![other, not_it], Err(d)),
        (vec![debit, sent], Err(b)),
    ] {
        let mut desk = invoiced(&before);
        let expected = expected.map_err(str::to_owned);
        assert_eq!(charged(&mut desk, "2026-04-01"), expected, "{before:?}");
    }
    // From the day that the notice names, and not before.
    let mut desk = invoiced(&[
        ("2026-03-02", mandate(usd(9_900), None)),
        ("2026-03-22", notice(usd(19_900), "2026-04-03")),
    ]);
    assert_eq!(charged(&mut desk, "2026-04-02"), Err(d.to_owned()));
    assert_eq!(charged(&mut desk, "2026-04-03"), Ok(()));
}

/// A death ends the service, and with it what the client authorized (common law of agency).
#[test]
fn nothing_is_written_or_charged_for_a_client_who_died() {
    let mut desk = invoiced(&[("2026-03-02", mandate(usd(19_900), None))]);
    let died = ServiceEnded { by: EndedBy::Death, reason: None };
    desk.act(case(A), "2026-04-10", CaseAction::EndService(died));
    assert_eq!(desk.state(case(A)).died_on(), Some(day("2026-04-10")));
    is(&desk.refusal(case(A), "2026-04-11", letters()), Reason::NotAllowedYet);
    assert_eq!(charged(&mut desk, "2026-04-11"), Err("common law of agency".to_owned()));
    // The month that the death cut short earns nothing; the one before stays earned.
    assert_eq!(desk.answer(case(A), 2, "2026-05-05", Gate::FullyPerformed), Answer::Fails);
}

/// The wish not to be called is kept five years (16 CFR 310.5), also of a client who was not sold to by telephone.
#[test]
fn the_wish_not_to_be_called_is_kept() {
    let mut desk = opened();
    desk.act(case(A), "2026-03-20", told(Circumstance::DoNotCall, true));
    let ended = ServiceEnded { by: EndedBy::Client, reason: None };
    desk.act(case(A), "2026-03-21", CaseAction::EndService(ended));
    let kept = desk.state(case(A)).retained();
    let wish = kept.iter().find(|kept| kept.what.contains("not to be called")).unwrap();
    assert_eq!((wish.until, wish.cites), (day("2031-03-20"), "16 CFR 310.5"));
}

#[test]
fn a_circumstance_says_what_its_kind_has_and_nothing_else() {
    use Circumstance::{ChargeMandate, ChargeNotice, DoNotCall, Represented};
    let of = |kind, holds, alter: fn(&mut CircumstanceChanged)| {
        let mut said = change(kind, holds);
        alter(&mut said);
        CaseAction::ChangeCircumstance(said)
    };
    let mut desk = opened();
    for (action, subject) in [
        (of(ChargeMandate, true, |_| {}), "change_circumstance.amount"),
        (of(ChargeMandate, true, |m| m.amount = Some(usd(0))), "change_circumstance.amount"),
        (of(DoNotCall, true, |m| m.amount = Some(usd(5))), "change_circumstance.amount"),
        (of(ChargeNotice, true, |m| m.amount = Some(usd(5))), "change_circumstance.charge_on"),
        (of(ChargeNotice, false, |_| {}), "change_circumstance.holds"),
        (of(Represented, true, |_| {}), "change_circumstance.who"),
        (
            of(ChargeMandate, true, |m| (m.amount, m.least) = (Some(usd(5)), Some(usd(6)))),
            "change_circumstance.least",
        ),
    ] {
        let refused = desk.refusal(case(A), "2026-03-09", action);
        is(&refused, Reason::ValueRefused);
        assert_eq!(refused.violations[0].subject, subject);
    }
    desk.act(case(A), "2026-03-09", told(DoNotCall, true));
    is(&desk.refusal(case(A), "2026-03-09", told(DoNotCall, true)), Reason::AlreadyRecorded);
}

/// What comes is told before it holds a fee: by the agreement as it was told at its signing.
#[test]
fn the_agreements_total_is_told_of_before_a_fee_passes_it() {
    let mut desk = Desk::open();
    let sign = SignConsent { total_of_payments: usd(25_000), ..sign() };
    desk.signed_for(case(A), "2026-03-02", enrol(), sign);
    desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
    assert_eq!(desk.state(case(A)).ahead(), []);
    desk.month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let said = desk.state(case(A)).ahead().remove(0).says;
    assert!(said.contains("199.00") && said.contains("250.00") && said.contains("99.00"), "{said}");
    assert_eq!(desk.answer(case(A), 2, "2026-05-05", Gate::Total), Answer::Fails);
}

fn exposed(desk: &Desk, kind: ExposureKind) -> Vec<String> {
    let standing = desk.state(case(A)).standing_exposures();
    let of_kind = standing.filter(|seen| seen.found.kind == kind);
    of_kind.map(|seen| seen.mark.on.to_string()).collect()
}

fn died() -> CaseAction {
    CaseAction::EndService(ServiceEnded { by: EndedBy::Death, reason: None })
}

/// Services need a contract "signed by the consumer" (15 USC 1679d(a)(1)): what is signed behind the client's death is
/// recorded with its breach, has no days and earns nothing, whichever was told first.
#[test]
fn an_agreement_signed_behind_the_clients_death_earns_nothing() {
    let renewal = || CaseAction::SignConsent(sign());
    for is_death_first in [true, false] {
        let mut desk = opened();
        desk.today("2026-06-30");
        let mut told = [("2026-03-20", died()), ("2026-04-06", renewal())];
        if !is_death_first {
            told.reverse();
        }
        for (on, action) in told {
            desk.act(case(A), on, action);
        }
        desk.act(case(A), "2026-04-13", noted());
        desk.act(case(A), "2026-04-13", progress());
        assert_eq!(exposed(&desk, ExposureKind::SignedAfterDeath), ["2026-04-06"]);
        assert_eq!(desk.state(case(A)).over_on(), Some(day("2026-03-20")));
        desk.judged(case(A), |judge| {
            assert!(judge.breaches().any(|of| of == (day("2026-04-06"), Breach::SignedAfterDeath)));
            assert!(
                judge.breaches().any(|of| of == (day("2026-04-13"), Breach::ServiceNotAllowed))
            );
            assert!(judge.periods().all(|period| period.end <= day("2026-03-21")));
        });
        let billed = desk.bill(account(A), "2026-06-30");
        assert!(!names(&billed).contains(&"fee_earned"), "{:?}", names(&billed));
        // The client had not died: the agreement stands, and with it its fee.
        let at = desk.last("service_ended");
        desk.correct(case(A), at, Becomes::Nothing);
        assert_eq!(exposed(&desk, ExposureKind::SignedAfterDeath), [""; 0]);
        assert!(desk.judged(case(A), |judge| judge.periods().count()) > 1);
    }
}

/// 15 USC 1679d(a)(1): a fee that was claimed before the death was told fails the gate of the agreement, which names the
/// signing and the death.
#[test]
fn a_fee_under_an_agreement_signed_behind_a_death_that_is_told_late_is_exposed() {
    let mut desk = invoiced(&[]);
    desk.today("2026-04-20");
    let events = desk.act(case(A), "2026-03-01", died());
    assert_eq!(names(&events)[..2], ["service_ended", "exposure_found"]);
    assert_eq!(exposed(&desk, ExposureKind::SignedAfterDeath), ["2026-03-02"]);
    let (signed, ended) = (desk.last("consent_signed"), desk.last("service_ended"));
    desk.judged(case(A), |judge| {
        let fee = judge.fees().next().unwrap();
        assert_eq!(fee.standing, counterfoil_domain::gates::FeeStanding::Exposed);
        let explained = judge.explain_claimed(&fee);
        let found = explained.findings.iter().find(|of| of.gate == Gate::Agreement).unwrap();
        assert_eq!(found.answer, Answer::Fails);
        assert!(found.because.contains("died on 2026-03-01"), "{}", found.because);
        let events: Vec<u64> = found.events.iter().map(|at| at.position).collect();
        assert_eq!(events, [signed, ended]);
    });
}

/// 12 CFR 1005.10(c), and "the order of telling decides nothing": a charge of a day behind the revocation is a breach,
/// also where the revocation was told when the charge had gone out.
#[test]
fn a_revocation_of_charges_that_is_told_late_marks_the_charge() {
    let agreed = ("2026-03-02", mandate(usd(19_900), None));
    for (revoked_on, expected) in
        [("2026-03-31", vec!["2026-04-01"]), ("2026-04-01", vec![]), ("2026-04-02", vec![])]
    {
        let mut desk = invoiced(std::slice::from_ref(&agreed));
        assert_eq!(charged(&mut desk, "2026-04-01"), Ok(()));
        desk.today("2026-04-03");
        desk.act(case(A), revoked_on, told(Circumstance::ChargeMandate, false));
        let marked = exposed(&desk, ExposureKind::ChargeUnauthorized);
        assert_eq!(marked, expected, "revoked on {revoked_on}");
        if expected.is_empty() {
            continue;
        }
        let seen = desk.state(case(A)).standing_exposures().next().unwrap();
        assert_eq!(seen.found.amount, Some(usd(19_900)));
        assert_eq!(seen.found.cites.as_str(), "12 CFR 1005.10(b) to (d)");
        // It was given anew before the charge, or was revoked on another day: nothing is broken.
        let revoked = desk.last("circumstance_changed");
        desk.act(case(A), "2026-04-01", mandate(usd(19_900), None));
        assert_eq!(exposed(&desk, ExposureKind::ChargeUnauthorized), [""; 0]);
        let given = desk.last("circumstance_changed");
        desk.correct(case(A), given, Becomes::Nothing);
        assert_eq!(exposed(&desk, ExposureKind::ChargeUnauthorized), expected);
        desk.correct(case(A), revoked, Becomes::OnDay(day("2026-04-02")));
        assert_eq!(exposed(&desk, ExposureKind::ChargeUnauthorized), [""; 0]);
    }
}

/// Common law of agency, from memory: a charge behind a death that is told late is a breach.
#[test]
fn a_death_that_is_told_late_marks_the_charges_behind_it() {
    let mut desk = invoiced(&[]);
    assert_eq!(charged(&mut desk, "2026-04-01"), Ok(()));
    desk.act(case(A), "2026-03-31", died());
    assert_eq!(exposed(&desk, ExposureKind::ChargeAfterDeath), ["2026-04-01"]);
    let at = desk.last("service_ended");
    desk.correct(case(A), at, Becomes::OnDay(day("2026-04-01")));
    assert_eq!(exposed(&desk, ExposureKind::ChargeAfterDeath), [""; 0]);
}

/// 12 CFR 1005.10(d)(1): notice "of the amount and date of the transfer" is of one transfer. A try that failed made none.
#[test]
fn a_notice_covers_the_one_charge_that_it_announces() {
    let mut desk = invoiced(&[
        ("2026-03-02", mandate(usd(9_900), None)),
        ("2026-03-22", notice(usd(19_900), "2026-04-01")),
    ]);
    let follows = |desk: &Desk| {
        let charged = desk.account(account(A)).charged();
        desk.state(case(A)).notices(&charged).iter().map(NoticeSent::follows).collect::<Vec<_>>()
    };
    assert!(follows(&desk)[0].starts_with("one charge of that amount may be asked for"));
    assert_eq!(charged(&mut desk, "2026-04-01"), Ok(()));
    assert_eq!(
        follows(&desk),
        ["it announced the charge of 2026-04-01 of invoice 1, and covers no other"]
    );
    let failed = ChargeFailed { invoice: 1, reason: FailureReason::InsufficientFunds };
    desk.try_account(account(A), "2026-04-02", AccountAction::ChargeFailed(failed)).unwrap();
    assert_eq!(charged(&mut desk, "2026-04-07"), Ok(()), "the transfer that was announced");
    let other = counterfoil_domain::account::Charged {
        amount: usd(19_900),
        invoice: 2,
        on: day("2026-04-08"),
    };
    let before = desk.account(account(A)).charged();
    let barred = desk.state(case(A)).bars_charge(other, &before);
    assert_eq!(barred.map(|(_, cites)| cites), Some("12 CFR 1005.10(d)"));
    desk.act(case(A), "2026-03-23", notice(usd(19_900), "2026-04-08"));
    assert_eq!(desk.state(case(A)).bars_charge(other, &before), None, "each has its own");
}
