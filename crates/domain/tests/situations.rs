//! Situations in which a fee would be asked for wrongly, each as given, when and then, with its statute.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, FeeStanding, Gate};
use counterfoil_domain::refusal::Reason;
use counterfoil_domain::terms::{Channel, Sale, Work};

const A: u128 = 5;

fn sent() -> CaseAction {
    CaseAction::NoteRoundSent(round(NORTH, &["a"]))
}

fn import(on: &str) -> CaseAction {
    CaseAction::ImportReport(report(SOUTH, on, &["a", "b"]))
}

fn standings(desk: &Desk) -> Vec<FeeStanding> {
    desk.judged(case(A), |judge| judge.fees().map(|fee| fee.standing).collect())
}

/// 15 USC 1679b(b): "fully performed" is each month's work. "Three rounds in three days never earn three months."
#[test]
fn three_months_of_work_in_three_days_earn_one() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    for on in ["2026-05-11", "2026-05-12", "2026-05-13"] {
        desk.act(case(A), on, sent());
        desk.act(case(A), on, import(on));
        desk.act(case(A), on, progress());
    }
    desk.today("2026-06-15");
    let done = |number| desk.holds(case(A), number, "2026-06-15", Gate::FullyPerformed);
    assert_eq!([done(1), done(2), done(3)], [false, false, true]);
}

/// The same where each says that it completes the period before: at most one earlier period is completed.
#[test]
fn work_of_one_period_completes_one_earlier_period_at_most() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let mut of_before = round(NORTH, &["a"]);
    of_before.completes_before = Some(true);
    for on in ["2026-05-02", "2026-05-03", "2026-05-04"] {
        desk.act(case(A), on, CaseAction::NoteRoundSent(of_before.clone()));
        let import =
            ImportReport { completes_before: Some(true), ..report(SOUTH, on, &["a", "b"]) };
        desk.act(case(A), on, CaseAction::ImportReport(import));
        let told = ProgressReportSent { completes_before: Some(true), document: None };
        desk.act(case(A), on, CaseAction::ProgressReportSent(told));
    }
    desk.today("2026-06-15");
    let done = |number| desk.holds(case(A), number, "2026-06-15", Gate::FullyPerformed);
    assert_eq!([done(1), done(2), done(3)], [false, true, false]);
}

/// 15 USC 1679e(b), (c), 1679f(c): copies that were not given on the day of signing void the agreement; 15 USC
/// 7001(c): neither is an online one in force without consent to electronic records. A new signing cures both.
#[test]
fn copies_or_a_consent_that_is_missing_close_every_fee_of_an_agreement() {
    let evidence = Some(counterfoil_domain::ids::DocumentHash([7; 32]));
    for (channel, copies_given, e_sign_consent, holds) in [
        (Channel::InPerson, true, false, true),
        (Channel::InPerson, false, true, false),
        (Channel::Online, true, true, true),
        (Channel::Online, true, false, false),
    ] {
        let mut desk = Desk::open();
        let sale = Sale { channel, evidence, promised_days: 60 };
        let agreement = SignConsent { copies_given, e_sign_consent, ..sign() };
        desk.signed_for(case(A), "2026-03-02", Enrol { sale, ..enrol() }, agreement);
        desk.act(case(A), "2026-03-06", CaseAction::OpenWork);
        desk.month(case(A), "2026-03-09");
        desk.act(case(A), "2026-03-20", CaseAction::SignConsent(sign()));
        desk.month(case(A), "2026-04-09");
        desk.today("2026-05-10");
        let found = |number| desk.holds(case(A), number, "2026-05-10", Gate::Agreement);
        assert_eq!(
            [found(1), found(2)],
            [holds, true],
            "{channel} {copies_given} {e_sign_consent}"
        );
    }
}

/// 15 USC 1679d(a)(2): what was done before service may begin is never paid work. A report imported then is
/// preparation, and no breach, with an agreement or without one.
#[test]
fn what_was_done_before_service_may_begin_earns_nothing() {
    let mut desk = Desk::open();
    desk.act(case(A), "2026-03-01", CaseAction::Enrol(Box::new(enrol())));
    desk.act(case(A), "2026-03-01", import("2026-03-01"));
    let papers = vec![
        CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
        CaseAction::SignConsent(sign()),
    ];
    desk.try_acts(case(A), "2026-03-02", papers).unwrap();
    desk.act(case(A), "2026-03-03", import("2026-03-03"));
    desk.act(case(A), "2026-03-03", attest(SOUTH, "a"));
    let south = CaseAction::NoteRoundSent(round(SOUTH, &["a"]));
    desk.act(case(A), "2026-03-10", south);
    desk.act(case(A), "2026-03-10", progress());
    desk.today("2026-04-10");
    assert_eq!(desk.judged(case(A), |judge| judge.breaches().count()), 0);
    assert!(desk.holds(case(A), 1, "2026-04-10", Gate::WaitingDays));
    let explained = desk.explain(case(A), 1, "2026-04-10");
    let missing: Vec<Work> = explained
        .work
        .iter()
        .filter(|found| found.done.is_none())
        .map(|found| found.work)
        .collect();
    assert_eq!(missing, [Work::ReportImport]);
    // No day before the contract is of a period.
    let first = desk.judged(case(A), |judge| judge.periods().next().unwrap().start);
    assert_eq!(first, day("2026-03-02"));
}

/// 15 USC 1679b(b): a progress report that was another client's was not sent to this one.
#[test]
fn a_progress_report_that_is_taken_back_exposes_the_fee_that_rested_on_it() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk.month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    assert_eq!(standings(&desk), [FeeStanding::Allowed]);
    let report = desk.last("progress_report_sent");
    let told = desk.correct(case(A), report, Becomes::Nothing);
    assert_eq!(names(&told), ["fact_corrected", "fee_marked"]);
    assert_eq!(standings(&desk), [FeeStanding::Exposed]);
    // Sent in the days of the period after all, told late.
    desk.act(case(A), "2026-03-30", progress());
    assert_eq!(standings(&desk), [FeeStanding::Allowed]);
}

/// Trade rules: a later agreement governs from the first period that begins on or after its own service; the price of
/// a cheaper plan is asked for from then on, and not before (15 USC 1679d(b)(1)).
#[test]
fn a_cheaper_agreement_governs_from_the_first_period_after_its_days() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let mut cheaper = plan();
    let dear = cheaper.individual.monthly_fee;
    cheaper.individual.monthly_fee = usd(dear.minor() - 2_000);
    desk.today("2026-03-25");
    desk.firm(FirmAction::PublishPlan(cheaper));
    // Signed in the first period; its days end in the second.
    desk.act(case(A), "2026-03-30", CaseAction::SignConsent(sign()));
    desk.today("2026-05-15");
    let asked = |number| desk.explain(case(A), number, "2026-05-15").amount.unwrap().minor();
    assert_eq!([asked(2), asked(3)], [dear.minor(), dear.minor() - 2_000]);
}

/// 15 USC 1681c-2(a): "not later than 4 business days after the date of receipt" of the papers; Thanksgiving and the
/// day after it that no federal office closes on lie between.
#[test]
fn a_block_after_identity_theft_is_due_in_four_business_days_and_shown_late() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let asked = BureauAsked { ask: Ask::TheftBlock, bureau: bureau(NORTH) };
    desk.act(case(A), "2026-11-20", CaseAction::BureauAsked(asked));
    let clock = |desk: &Desk| {
        let clocks = desk.state(case(A)).clocks(3);
        let block = clocks.into_iter().find(|known| known.clock == calendar::Clock::TheftBlock);
        let block = block.unwrap();
        (block.due_on.to_string(), block.done_on, block.days_late())
    };
    assert_eq!(clock(&desk), ("2026-11-27".into(), None, None));
    desk.act(case(A), "2026-11-30", block_answered(None));
    assert_eq!(clock(&desk), ("2026-11-27".into(), Some(day("2026-11-30")), Some(3)));
}

fn block_answered(refused: Option<BlockRefused>) -> CaseAction {
    let (ask, bureau) = (Ask::TheftBlock, bureau(NORTH));
    CaseAction::BureauAnswered(BureauAnswered { ask, bureau, refused })
}

/// 15 USC 1681c-2(c)(2): whoever's block is declined or rescinded is told "in the same manner" as of a reinsertion, in
/// five business days (1681i(a)(5)(B)).
#[test]
fn a_block_that_is_declined_or_rescinded_is_told_of_in_five_business_days() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    let refused = |how, on: &str, is_notice: bool| {
        let reason = is_notice.then_some(BlockRefusedFor::Error);
        block_answered(Some(BlockRefused { determined_on: day(on), how, is_notice, reason }))
    };
    let (declined, rescinded) = (BlockRefusal::Declined, BlockRefusal::Rescinded);
    is(
        &desk.refusal(case(A), "2026-04-01", refused(declined, "2026-04-01", true)),
        Reason::ReferenceUnknown,
    );
    let asked = BureauAsked { ask: Ask::TheftBlock, bureau: bureau(NORTH) };
    desk.act(case(A), "2026-04-06", CaseAction::BureauAsked(asked.clone()));
    is(
        &desk.refusal(case(A), "2026-04-08", refused(declined, "2026-04-09", false)),
        Reason::DateImpossible,
    );
    let clocks = |desk: &Desk| -> Vec<(calendar::Clock, String, String)> {
        let clocks = desk.state(case(A)).clocks(3).into_iter();
        let of_blocks = clocks.filter(|known| known.round.is_none() && known.item.is_none());
        let said = |on: Option<calendar::CivilDate>| on.map_or("-".into(), |on| on.to_string());
        of_blocks.map(|c| (c.clock, c.due_on.to_string(), said(c.done_on))).collect()
    };
    let block = |done: &str| (calendar::Clock::TheftBlock, "2026-04-10".into(), done.to_owned());
    let notice =
        |due: &str, done: &str| (calendar::Clock::BlockNotice, due.to_owned(), done.to_owned());
    // Known from the telephone: the block is decided, and the notice has not come.
    desk.act(case(A), "2026-04-08", refused(declined, "2026-04-08", false));
    assert_eq!(clocks(&desk), [block("2026-04-08"), notice("2026-04-15", "-")]);
    desk.act(case(A), "2026-04-17", refused(declined, "2026-04-08", true));
    assert_eq!(clocks(&desk), [block("2026-04-08"), notice("2026-04-15", "2026-04-17")]);
    is(
        &desk.refusal(case(A), "2026-04-18", refused(declined, "2026-04-08", true)),
        Reason::AlreadyRecorded,
    );
    // Asked again, blocked, and taken back: the block was done in its time all the same.
    desk.act(case(A), "2026-05-04", CaseAction::BureauAsked(asked));
    desk.act(case(A), "2026-05-06", block_answered(None));
    desk.act(case(A), "2026-06-03", refused(rescinded, "2026-06-01", true));
    let again = (calendar::Clock::TheftBlock, "2026-05-08".into(), "2026-05-06".to_owned());
    let notices = [notice("2026-04-15", "2026-04-17"), notice("2026-06-08", "2026-06-03")];
    assert_eq!(clocks(&desk)[..2], [block("2026-04-08"), again]);
    assert_eq!(clocks(&desk)[2..], notices);
    // Taken back, it was never refused.
    let told = desk.last("bureau_answered");
    desk.correct(case(A), told, Becomes::Nothing);
    assert_eq!(clocks(&desk)[2..], notices[..1]);
}

/// 16 CFR 310.4(a)(2): a sale that was told as one without a telephone, and was not, exposes what was asked for on
/// it; nobody promised results, and none were achieved.
#[test]
fn a_sale_that_is_corrected_to_one_by_telephone_exposes_its_fees() {
    let mut desk = Desk::open();
    desk.opened(case(A), "2026-03-02", "2026-03-06");
    desk.month(case(A), "2026-03-09");
    desk.bill(account(A), "2026-04-01");
    let enrolled = desk.first("enrolled");
    let sale = Sale { channel: Channel::Telephone, evidence: None, promised_days: 60 };
    let by_telephone = Enrol { sale, card: None, ..enrol() };
    desk.correct(case(A), enrolled, anew("2026-03-02", CaseAction::Enrol(Box::new(by_telephone))));
    assert_eq!(standings(&desk), [FeeStanding::Exposed]);
    assert_eq!(desk.answer(case(A), 1, "2026-04-01", Gate::Telemarketing), Answer::Fails);
}
