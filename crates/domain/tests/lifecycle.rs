//! The life of a case, rule by rule.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::case::{CaseStatus, ListingStatus, Step};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::ids::{PaperCode, StateCode};
use counterfoil_domain::refusal::{NamedVersion, Reason, Versions};
use counterfoil_domain::terms::Work;

#[test]
fn nothing_happens_to_a_case_before_enrolment() {
    let mut desk = Desk::open();
    let refusal = desk.refusal(case(9), "2026-03-02", CaseAction::OpenWork);
    is(&refusal, Reason::CaseUnknown);
    assert!(desk.log.iter().all(|r| r.stream == StreamId::Firm), "nothing half-written");
}

#[test]
fn a_case_enrols_once_and_opens_its_account() {
    let mut desk = Desk::open();
    let events = desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    assert_eq!(names(&events), ["enrolled", "account_opened", "card_on_file_changed"]);
    assert_eq!(events[1].causation, Some(events[0].event_id));
    is(
        &desk.refusal(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol()))),
        Reason::CaseExists,
    );
}

/// 15 USC 1679d(a)(2), 1679e(a): signed Monday 2026-03-02, the right to cancel runs to the midnight
/// that ends Thursday the 5th, the third business day after; service may begin on Friday the 6th.
#[test]
fn work_opens_only_after_the_cancellation_days() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    let agreement = desk.state(case(2)).agreement().unwrap();
    assert_eq!(
        (agreement.cancel_through, agreement.service_from),
        (day("2026-03-05"), day("2026-03-06"))
    );
    let refusal = desk.refusal(case(2), "2026-03-05", CaseAction::OpenWork);
    is(&refusal, Reason::NotAllowedYet);
    assert_eq!(refusal.violations[0].subject, Step::WaitingDays.code());
    assert!(refusal.violations[0].cites.contains("1679d(a)(2)"));
    desk.act(case(2), "2026-03-06", CaseAction::OpenWork);
    assert_eq!(desk.state(case(2)).status(), CaseStatus::Open);
}

/// Midnight is the client's: one in Honolulu is five hours behind a firm in Chicago.
#[test]
fn midnight_is_midnight_where_the_client_lives() {
    let mut desk = Desk::open();
    let zone = calendar::Zone::parse("Pacific/Honolulu").unwrap();
    desk.signed_as(case(2), "2026-03-02", Enrol { zone: Some(zone), ..enrol() });
    let open = Command::Case {
        case: case(2),
        expected_version: None,
        actions: vec![Dated {
            occurred_at: None,
            occurred_on: day("2026-03-06"),
            action: CaseAction::OpenWork,
        }],
    };
    let just_after_midnight_in_chicago = common::zone().start_of_day(day("2026-03-06")) + 1;
    let refusal = desk.command_at(UtcMicros(just_after_midnight_in_chicago), &open).unwrap_err();
    assert_eq!(rules(&refusal), ["waiting_days"]);
    let midnight_in_honolulu = zone.start_of_day(day("2026-03-06"));
    desk.command_at(UtcMicros(midnight_in_honolulu), &open).unwrap();
}

/// Saturday 2026-03-07: common practice, no source.
#[test]
fn work_opens_on_a_business_day() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    assert_eq!(rules(&desk.refusal(case(2), "2026-03-07", CaseAction::OpenWork)), ["business_day"]);
}

#[test]
fn every_missing_step_is_named_at_once() {
    let mut desk = Desk::open();
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    let refusal = desk.refusal(case(2), "2026-03-10", CaseAction::OpenWork);
    let subjects: Vec<&str> = refusal.violations.iter().map(|v| v.subject.as_str()).collect();
    let steps: Vec<&str> = Step::ALL.iter().map(|step| step.code()).collect();
    assert_eq!(subjects, steps);
    assert_eq!(desk.state(case(2)).readiness(day("2026-03-10")).percent(), 0);
}

#[test]
fn no_letter_without_open_work() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    is(
        &desk.refusal(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"]))),
        Reason::NotAllowedYet,
    );
}

/// 15 USC 1679b(a)(1).
#[test]
fn no_letter_without_a_basis_for_each_listing() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    desk.act(
        case(2),
        "2026-03-09",
        CaseAction::ImportReport(report(NORTH, "2026-03-09", &["a", "b", "new"])),
    );
    let refusal =
        desk.refusal(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a", "new"])));
    assert_eq!(rules(&refusal), ["basis"]);
    assert_eq!(refusal.violations[0].subject, "new at north");
    desk.act(case(2), "2026-03-09", attest(NORTH, "new"));
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a", "new"])));
}

#[test]
fn letters_carry_the_address_current_on_the_day() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let mut moved = contact();
    moved.address.line1 = personal("9 Elm Court");
    let change = CaseAction::ContactChanged(Box::new(ContactChanged { contact: moved }));
    let changed = desk.act(case(2), "2026-03-12", change)[0].reference();
    let enrolled = desk.log.iter().find(|r| r.event.type_name() == "enrolled").unwrap().reference();
    for (on, expected) in [("2026-03-11", &enrolled), ("2026-03-12", &changed)] {
        let sent = desk.act(case(2), on, CaseAction::SendRound(round(NORTH, &["a"])));
        let Event::Case(CaseEvent::RoundSent(sent)) = &sent[0].event else { panic!() };
        assert_eq!(&sent.contact, expected, "{on}");
    }
}

/// What happened is recorded, and what it breaks beside it: 15 USC 1679d(a)(2).
#[test]
fn a_round_that_went_out_too_early_is_recorded_as_an_exposure() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    let events = desk.act(case(2), "2026-03-03", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(names(&events), ["round_sent", "exposure_found"]);
    let found = &desk.state(case(2)).exposures[0].found;
    assert_eq!(
        (found.kind, found.cites.as_str()),
        (ExposureKind::EarlyService, "15 USC 1679d(a)(2)")
    );
}

#[test]
fn a_round_without_anything_breaks_every_rule() {
    let mut desk = Desk::open();
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    desk.act(case(2), "2026-03-02", CaseAction::ImportReport(report(NORTH, "2026-03-02", &["a"])));
    desk.act(case(2), "2026-03-03", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    let kinds: Vec<ExposureKind> =
        desk.state(case(2)).exposures.iter().map(|e| e.found.kind).collect();
    let all =
        [ExposureKind::NoAgreement, ExposureKind::PapersMissing, ExposureKind::DisputeWithoutBasis];
    assert_eq!(kinds, all);
}

/// A cancellation counts from when it was sent (15 USC 1679e(b)'s form: "mail or deliver").
#[test]
fn a_cancellation_in_its_days_undoes_the_agreement_by_its_postmark() {
    for (sent_on, received_on, expected) in [
        ("2026-03-05", "2026-03-09", CaseStatus::Cancelled),
        ("2026-03-06", "2026-03-09", CaseStatus::Ended),
    ] {
        let mut desk = Desk::open();
        desk.signed(case(2), "2026-03-02");
        let cancel = CaseAction::Cancel(Cancel { reason: None, sent_on: day(sent_on) });
        assert_eq!(names(&desk.act(case(2), received_on, cancel)), ["consent_cancelled"]);
        assert_eq!(desk.state(case(2)).status(), expected, "sent {sent_on}");
    }
}

#[test]
fn a_rejected_paper_is_asked_for_again() {
    let mut desk = Desk::open();
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    let paper = || PaperCode::parse("photo").unwrap();
    let received =
        || IdentityPaperReceived { document: None, kind: PaperKind::PhotoId, paper: paper() };
    let accept = || CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper: paper() });
    is(&desk.refusal(case(2), "2026-03-02", accept()), Reason::ReferenceUnknown);
    desk.act(case(2), "2026-03-02", CaseAction::IdentityPaperReceived(received()));
    let reject = IdentityPaperRejected {
        paper: paper(),
        reason: personal("photographed inside its envelope"),
    };
    desk.act(case(2), "2026-03-03", CaseAction::IdentityPaperRejected(reject));
    is(&desk.refusal(case(2), "2026-03-03", accept()), Reason::StateRefuses);
    desk.act(case(2), "2026-03-04", CaseAction::IdentityPaperReceived(received()));
    desk.act(case(2), "2026-03-04", accept());
    assert!(desk.state(case(2)).has_paper(PaperKind::PhotoId));
}

#[test]
fn each_bureau_decides_its_own_listing() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let both = SendRound {
        completes_before: None,
        letters: [round(NORTH, &["a"]).letters, round(SOUTH, &["a"]).letters].concat(),
    };
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(both));
    desk.act(case(2), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Deleted)]));
    desk.act(case(2), "2026-04-02", response(SOUTH, 1, &[("a", Outcome::Verified)]));
    let status = |code| desk.state(case(2)).listings[&(item("a"), bureau(code))].status;
    assert_eq!((status(NORTH), status(SOUTH)), (ListingStatus::Deleted, ListingStatus::Verified));
}

#[test]
fn an_answer_is_recorded_once_and_only_for_what_was_asked() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"])));
    desk.act(case(2), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Verified)]));
    for (refused, reason) in [
        (response(NORTH, 1, &[("a", Outcome::Deleted)]), Reason::AlreadyRecorded),
        (response(NORTH, 1, &[("b", Outcome::Deleted)]), Reason::ReferenceUnknown),
        (response(SOUTH, 1, &[("a", Outcome::Deleted)]), Reason::ReferenceUnknown),
        (response(NORTH, 2, &[("a", Outcome::Deleted)]), Reason::ReferenceUnknown),
        (response(NORTH, 1, &[]), Reason::ValueRefused),
    ] {
        is(&desk.refusal(case(2), "2026-04-01", refused), reason);
    }
    // A second letter of the bureau is a fact of its own: "refused only if it cannot be true".
    desk.act(case(2), "2026-04-02", response(NORTH, 1, &[("a", Outcome::Deleted)]));
    let status = desk.state(case(2)).listings[&(item("a"), bureau(NORTH))].status;
    assert_eq!(status, ListingStatus::Deleted);
}

/// A listing gone without a letter is a deletion all the same; one that comes back is a reinsertion
/// with a clock of its own (15 USC 1681i(a)(5)(B)).
#[test]
fn imports_show_deletions_and_reinsertions() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let gone = desk.act(
        case(2),
        "2026-04-01",
        CaseAction::ImportReport(report(NORTH, "2026-04-01", &["b"])),
    );
    assert_eq!(names(&gone), ["report_imported", "item_deleted"]);
    let back = desk.act(
        case(2),
        "2026-05-01",
        CaseAction::ImportReport(report(NORTH, "2026-05-01", &["a", "b"])),
    );
    assert_eq!(names(&back), ["report_imported", "item_reinserted"]);
    let clocks = desk.state(case(2)).clocks(3);
    let notice = clocks.iter().find(|c| c.clock == calendar::Clock::ReinsertionNotice).unwrap();
    // Friday 2026-05-01 and five business days: Friday the 8th.
    assert_eq!((notice.due_on, notice.done_on), (day("2026-05-08"), None));
}

#[test]
fn an_import_of_an_older_report_changes_no_listing() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let older =
        desk.act(case(2), "2026-04-01", CaseAction::ImportReport(report(NORTH, "2026-02-01", &[])));
    assert_eq!(names(&older), ["report_imported"]);
}

/// 15 USC 1681i(a)(1)(A): 30 days from receipt; the delivery scan wins over the estimate.
#[test]
fn the_reinvestigation_runs_from_the_delivery_scan() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"])));
    let due = |desk: &Desk| {
        let clock = desk.state(case(2)).clocks(3).remove(0);
        (clock.due_on, clock.estimated)
    };
    // Mailed the 9th, assumed received the 12th, 30 days after it: April 11th.
    assert_eq!(due(&desk), (day("2026-04-11"), true));
    let delivered = LetterDelivered { bureau: bureau(NORTH), round: 1 };
    desk.act(case(2), "2026-03-11", CaseAction::LetterDelivered(delivered));
    assert_eq!(due(&desk), (day("2026-04-10"), false));
    // (a)(1)(B): relevant information inside the 30 days, 15 more.
    let sent = ClientInformationSent { bureau: bureau(NORTH), document: None, round: 1 };
    desk.act(case(2), "2026-03-20", CaseAction::ClientInformationSent(sent));
    assert_eq!(due(&desk), (day("2026-04-25"), false));
    let early =
        desk.refusal(case(2), "2026-04-25", response(NORTH, 1, &[("a", Outcome::NoAnswer)]));
    is(&early, Reason::DateImpossible);
    desk.act(case(2), "2026-04-26", response(NORTH, 1, &[("a", Outcome::NoAnswer)]));
    let status = desk.state(case(2)).listings[&(item("a"), bureau(NORTH))].status;
    assert_eq!(status, ListingStatus::Unanswered);
}

#[test]
fn facts_told_late_are_marked_and_future_ones_refused() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    desk.today("2026-04-20");
    let told = desk.act(case(2), "2026-03-20", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(told[0].late_days, Some(31));
    let in_time = desk.act(case(2), "2026-04-13", CaseAction::NoteRoundSent(round(NORTH, &["a"])));
    assert_eq!(in_time[0].late_days, None);
    let actions = vec![Dated {
        occurred_at: None,
        occurred_on: day("2026-04-21"),
        action: CaseAction::OpenWork,
    }];
    let future = Command::Case { case: case(2), expected_version: None, actions };
    let refusal = desk.command(&future).unwrap_err();
    is(&refusal, Reason::DateImpossible);
    assert_eq!(refusal.violations[0].subject, "occurred_on");
}

#[test]
fn a_request_is_all_or_nothing() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    let before = (desk.world.position(), desk.state(case(2)).clone());
    let good = progress();
    let actions = [good, CaseAction::OpenWork]
        .map(|action| Dated { occurred_at: None, occurred_on: day("2026-03-02"), action })
        .to_vec();
    let refusal = desk
        .command(&Command::Case { case: case(2), expected_version: None, actions })
        .unwrap_err();
    assert_eq!(refusal.action, 1, "the second action is named");
    assert_eq!((desk.world.position(), desk.state(case(2)).clone()), before);
}

#[test]
fn an_expected_version_that_differs_refuses() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    let actions = vec![Dated {
        occurred_at: None,
        occurred_on: day("2026-03-02"),
        action: CaseAction::OpenWork,
    }];
    let stale = Command::Case { case: case(2), expected_version: Some(1), actions };
    let refusal = desk.command(&stale).unwrap_err();
    is(&refusal, Reason::VersionMismatch);
    let actual = desk.state(case(2)).version;
    assert_eq!(refusal.versions, Some(Versions { actual, expected: NamedVersion(1) }));
}

#[test]
fn a_complaint_waits_until_a_message_answers_it() {
    let mut desk = Desk::open();
    desk.signed(case(2), "2026-03-02");
    let said = |direction, complaint| {
        let text = personal("words");
        CaseAction::MessageLogged(MessageLogged { complaint, direction, text })
    };
    desk.act(case(2), "2026-03-03", said(Direction::Incoming, true));
    desk.act(case(2), "2026-03-04", said(Direction::Incoming, true));
    // A message about anything else is no answer.
    desk.act(case(2), "2026-03-05", said(Direction::Outgoing, false));
    let waiting: Vec<_> = desk.state(case(2)).open_complaints().map(|mark| mark.on).collect();
    assert_eq!(waiting, [day("2026-03-03"), day("2026-03-04")]);
    desk.act(case(2), "2026-03-06", said(Direction::Outgoing, true));
    assert_eq!(desk.state(case(2)).open_complaints().count(), 0);
}

#[test]
fn an_exposure_stands_until_something_puts_it_right() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let standing = |desk: &Desk| -> Vec<ExposureKind> {
        desk.state(case(2)).standing_exposures().map(|seen| seen.found.kind).collect()
    };
    let asked =
        NoteExposure { amount: None, kind: ExposureKind::FeeAskedUnearned, period: Some(1) };
    desk.act(case(2), "2026-03-09", CaseAction::NoteExposure(asked));
    let early = NoteExposure { amount: None, kind: ExposureKind::EarlyService, period: None };
    desk.act(case(2), "2026-03-04", CaseAction::NoteExposure(early));
    assert_eq!(standing(&desk), [ExposureKind::FeeAskedUnearned, ExposureKind::EarlyService]);
    let reason = personal("not ours to ask");
    let given_up = PeriodClosedWithoutFee { end: None, period: 1, reason, start: None };
    desk.act(case(2), "2026-03-10", CaseAction::ClosePeriod(given_up));
    // Work in the cancellation days stays early (15 USC 1679d(a)(2)).
    assert_eq!(standing(&desk), [ExposureKind::EarlyService]);
    assert_eq!(desk.state(case(2)).exposures.len(), 2, "all stay on record");
}

#[test]
fn a_listing_says_how_its_last_change_came_to_be_known() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let seen =
        |desk: &Desk, name| desk.state(case(2)).listings[&(item(name), bureau(NORTH))].seen_by;
    assert_eq!(seen(&desk, "a"), Some(SeenBy::Import));
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"])));
    assert_eq!(seen(&desk, "a"), None, "the firm's own letter did it");
    desk.act(case(2), "2026-04-01", response(NORTH, 1, &[("a", Outcome::Frivolous)]));
    assert_eq!(seen(&desk, "a"), Some(SeenBy::Response));
}

#[test]
fn a_pause_moves_the_open_period_and_an_end_stops_the_service() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    let end = |desk: &Desk| desk.judged(case(2), |judge| judge.period(1).unwrap().end);
    assert_eq!(end(&desk), day("2026-04-01"));
    let pause = CaseAction::PauseService(ServicePaused { reason: personal("away") });
    desk.act(case(2), "2026-03-10", pause);
    is(
        &desk.refusal(case(2), "2026-03-11", CaseAction::SendRound(round(NORTH, &["a"]))),
        Reason::NotAllowedYet,
    );
    desk.act(case(2), "2026-03-20", CaseAction::ResumeService);
    assert_eq!(end(&desk), day("2026-04-11"));
    let stop = || CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None });
    desk.act(case(2), "2026-03-25", stop());
    is(&desk.refusal(case(2), "2026-03-25", stop()), Reason::AlreadyRecorded);
    is(
        &desk.refusal(case(2), "2026-03-26", CaseAction::SendRound(round(NORTH, &["a"]))),
        Reason::NotAllowedYet,
    );
}

#[test]
fn work_counts_for_the_period_of_its_day_unless_it_completes_the_one_before() {
    let mut desk = Desk::open();
    desk.opened(case(2), "2026-03-02", "2026-03-06");
    // Period 1 runs to March 31st, period 2 to April 30th. Two rounds, no report in the first.
    desk.act(case(2), "2026-03-09", CaseAction::SendRound(round(NORTH, &["a"])));
    desk.act(
        case(2),
        "2026-03-09",
        CaseAction::ImportReport(report(SOUTH, "2026-03-09", &["a", "b"])),
    );
    desk.act(case(2), "2026-03-10", CaseAction::SendRound(round(NORTH, &["b"])));
    let done = |desk: &Desk, period| -> Vec<(Work, bool)> {
        let explained = desk.explain(case(2), period, "2026-06-01");
        explained.work.iter().map(|w| (w.work, w.done.is_some())).collect()
    };
    desk.act(case(2), "2026-04-05", progress());
    desk.today("2026-06-01");
    let without_report =
        [(Work::ReportImport, true), (Work::DisputeRound, true), (Work::ProgressReport, false)];
    assert_eq!(done(&desk, 1), without_report);
    // The second round of the first period pays for nothing; the report is the second's own.
    assert_eq!(done(&desk, 2), [(Work::DisputeRound, false), (Work::ProgressReport, true)]);
    let completing = ProgressReportSent { completes_before: Some(true), document: None };
    desk.act(case(2), "2026-04-10", CaseAction::ProgressReportSent(completing));
    assert!(done(&desk, 1).iter().all(|(_, done)| *done), "in the ten days of grace");
}

#[test]
fn state_rules_are_those_of_the_day_of_signing() {
    let mut desk = Desk::open();
    let mut california = enrol();
    california.contact.address.state = StateCode::parse("CA").unwrap();
    desk.signed_as(case(2), "2026-03-02", california);
    let agreement = desk.state(case(2)).agreement().unwrap();
    let packs: Vec<&str> = agreement.rules.packs.iter().map(|p| p.code.as_str()).collect();
    assert_eq!(packs, ["us-federal", "us-ca"]);
    // Cal. Civ. Code 1789.16, five days: Monday the 9th; service from the 10th.
    assert_eq!(agreement.service_from, day("2026-03-10"));
}
