//! The read model: what people ask of it every day, and that a rebuild gives the same rows.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use counterfoil_store::*;
use domain::account::InvoiceStatus;
use domain::case::{CaseStatus, ListingStatus};
use domain::command::{
    AccountAction, Cancel, CaseAction, ChargeFailed, Command, CoupleAction, Dated, FirmAction,
    SignConsent,
};
use domain::event::{
    ExposureKind, FailureReason, IdentityPaperReceived, PackUsedAtOwnRisk, PaperKind,
    ReportIdentityFailed,
};
use domain::ids::PaperCode;
use domain::rules::RulePack;
use domain::terms::Seat;
use log::{DerivedFault, ProjectionStep, ProjectionStore as _, RebuildError, StoreError};
use support::*;

on_both_engines!(
    a_case_shows_where_it_stands_from_signing_to_open_work,
    a_letter_unanswered_past_its_last_day_is_overdue_and_frees_the_next_round,
    a_finished_month_is_billed_charged_and_paid,
    a_month_without_its_work_is_held_by_its_gates,
    a_couple_is_found_suggested_linked_and_billed_as_one,
    a_card_that_matches_as_well_makes_the_pair_a_candidate_again,
    what_needs_a_person_is_queued_and_leaves_the_queue,
    pages_of_cases_go_on_after_the_last_one,
    a_rebuild_gives_the_same_rows_as_the_events_one_by_one,
    a_pack_adopted_later_makes_no_kept_row_differ_from_one_made_anew,
    what_does_not_follow_from_the_log_is_found_table_by_table,
    a_step_from_another_checkpoint_conflicts_and_writes_nothing,
    of_two_rebuilds_the_last_goes_on_and_the_first_is_told,
);

async fn a_case_shows_where_it_stands_from_signing_to_open_work(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.case(1_000, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    bench.case(1_001, 1, "2026-01-05", papers()).await;
    bench.case(1_002, 1, "2026-01-06", vec![import_issued("2026-01-06", &["loan", "store"])]).await;
    bench.caught_up().await;
    let case = bench.store.get_case(FIRM, case_id(1)).await.unwrap().unwrap();
    assert_eq!((case.state, case.steps_done), (CaseStatus::Signed, 6));
    let from = case.service_from.unwrap();
    assert_eq!((case.percent_ready(day("2026-01-06")), case.percent_ready(from)), (85, 100));
    let ready = async |on| bench.store.ready_to_open(FIRM, on, None, 10).await.unwrap().len();
    assert_eq!((ready(from.pred_opt().unwrap()).await, ready(from).await), (0, 1));
    bench.case(1_003, 1, "2026-01-12", vec![basis("loan"), CaseAction::OpenWork]).await;
    bench.caught_up().await;
    assert_eq!(ready(from).await, 0);
    let steps = bench.store.readiness_steps(FIRM, case_id(1)).await.unwrap();
    assert!(steps.len() == 7 && steps.iter().all(|step| step.done_since.is_some()));
    let rounds = bench.store.rounds_possible(FIRM, day("2026-01-12"), None, 10).await.unwrap();
    assert_eq!((rounds.len(), rounds[0].disputable), (1, 1));
    assert_eq!(rounds[0].round_from, Some(day("2026-01-12")));
    let cursor = rounds[0].round_cursor();
    let rest = bench.store.rounds_possible(FIRM, day("2026-01-12"), Some(&cursor), 10).await;
    assert_eq!(rest.unwrap(), []);
    let scores = bench.store.scores(FIRM, case_id(1)).await.unwrap();
    assert_eq!((scores[0].latest_value, scores[0].card_limit_minor), (Some(611), Some(900_000)));
}

async fn a_letter_unanswered_past_its_last_day_is_overdue_and_frees_the_next_round(
    place: &Place<'_>,
) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.case(5, 1, "2026-02-03", vec![basis("store")]).await;
    bench.caught_up().await;
    let letters = bench.store.round_letters(FIRM, case_id(1)).await.unwrap();
    assert_eq!((letters.len(), letters[0].items, letters[0].outcomes), (1, 1, 0));
    // Sent on 13 January, 5 assumed days in the mail, then 30 days (15 USC 1681i(a)(1)(A)).
    let due = day("2026-02-17");
    let overdue = async |on| bench.store.overdue_clocks(FIRM, on, None, 10).await.unwrap();
    assert_eq!(overdue(due).await, []);
    let late = overdue(due.succ_opt().unwrap()).await;
    assert_eq!((late.len(), late[0].due_on, late[0].estimated), (1, due, true));
    let all = overdue(day("2026-12-31")).await;
    assert_eq!(all.len(), 2, "the results notice is late as well");
    let first = bench.store.overdue_clocks(FIRM, day("2026-12-31"), None, 1).await.unwrap();
    let second = bench
        .store
        .overdue_clocks(FIRM, day("2026-12-31"), Some(&first[0].cursor()), 10)
        .await
        .unwrap();
    assert_eq!([first, second].concat(), all);
    let possible = async |on| bench.store.rounds_possible(FIRM, on, None, 10).await.unwrap().len();
    assert_eq!((possible(due).await, possible(due.succ_opt().unwrap()).await), (0, 1));
    let case = bench.store.get_case(FIRM, case_id(1)).await.unwrap().unwrap();
    assert_eq!(case.round_from, due.succ_opt(), "the day after the bureau's last one");
    let listings = bench.store.listings(FIRM, case_id(1)).await.unwrap();
    let status: Vec<_> = listings.iter().map(|l| (l.item.as_str(), l.status)).collect();
    assert_eq!(status, [("loan", ListingStatus::InDispute), ("store", ListingStatus::Listed)]);
}

async fn a_finished_month_is_billed_charged_and_paid(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.case(2_000, 2, "2026-02-03", vec![enrol(2, Seat::Individual)]).await;
    bench.caught_up().await;
    let store = &bench.store;
    let to_bill = async |on| store.accounts_to_bill(FIRM, day(on), None, 10).await.unwrap();
    assert_eq!(to_bill("2026-02-03").await, []);
    assert_eq!(to_bill("2026-02-04").await, [account_id(1)]);
    let ended = store.cases_with_period_ended(FIRM, day("2026-02-04"), None, 10).await.unwrap();
    assert_eq!((ended.len(), ended[0].period, ended[0].case_id), (1, 1, case_id(1)));

    bench.bill(11, 1, "2026-02-04").await;
    bench.caught_up().await;
    assert_eq!(to_bill("2026-02-04").await, []);
    let (invoice, lines) = store.get_invoice(FIRM, 1).await.unwrap().unwrap();
    assert_eq!(
        (invoice.total_minor, invoice.open_minor, invoice.due_on),
        (9_900, 9_900, day("2026-02-14"))
    );
    assert_eq!((lines.len(), lines[0].case_id, lines[0].amount_minor), (1, case_id(1), 9_900));
    let due = async |on| store.charges_due(FIRM, day(on), 0, 10).await.unwrap().len();
    assert_eq!((due("2026-02-13").await, due("2026-02-14").await), (0, 1));

    bench.account(12, 1, "2026-02-14", AccountAction::RequestCharge { invoice: 1 }).await;
    bench.caught_up().await;
    assert_eq!(due("2026-02-14").await, 0, "a charge waits for its answer");
    let failed = ChargeFailed { invoice: 1, reason: FailureReason::InsufficientFunds };
    bench.account(13, 1, "2026-02-14", AccountAction::ChargeFailed(failed)).await;
    bench.caught_up().await;
    let next = store.get_invoice(FIRM, 1).await.unwrap().unwrap().0.charge_on.unwrap();
    assert!(next > day("2026-02-14"));
    assert_eq!(store.charges_due(FIRM, next, 0, 10).await.unwrap().len(), 1);

    bench.pay(14, 1, "2026-02-20", 9_900, Some(1)).await;
    bench.pay(15, 2, "2026-02-20", 5_000, None).await;
    bench.caught_up().await;
    assert_eq!(store.charges_due(FIRM, day("2026-12-31"), 0, 10).await.unwrap(), []);
    let paid = InvoiceFilter { status: Some(InvoiceStatus::Paid), ..InvoiceFilter::default() };
    assert_eq!(store.list_invoices(FIRM, paid, 0, 10).await.unwrap().len(), 1);
    let of_other = InvoiceFilter { account: Some(account_id(2)), ..InvoiceFilter::default() };
    assert_eq!(store.list_invoices(FIRM, of_other, 0, 10).await.unwrap(), []);
    let payments = store.list_payments(FIRM, None, 0, 10).await.unwrap();
    assert_eq!(
        payments.iter().map(|p| (p.amount_minor, p.unearned_minor)).collect::<Vec<_>>(),
        [(9_900, 0), (5_000, 5_000)]
    );

    let exposures = store.list_exposures(FIRM, None, 0, 10).await.unwrap();
    assert_eq!(exposures.len(), 1);
    assert_eq!(
        (exposures[0].kind, exposures[0].amount_minor),
        (ExposureKind::PaymentUnearned, Some(5_000))
    );
    let owed = AccountFilter { unearned: true, ..AccountFilter::default() };
    let owed = store.list_accounts(FIRM, owed, None, 10).await.unwrap();
    assert_eq!((owed.len(), owed[0].account_id, owed[0].unearned_minor), (1, account_id(2), 5_000));
    let counts = store.firm_counts(FIRM, day("2026-02-01"), day("2026-02-28")).await.unwrap();
    assert_eq!((counts.cases, counts.enrolled, counts.open), (2, 1, 1));
    assert_eq!(
        (counts.earned_minor, counts.collected_minor, counts.unearned_minor),
        (9_900, 14_900, 5_000)
    );
    assert_eq!((counts.exposures, counts.exceptions), (1, 1));
}

async fn a_month_without_its_work_is_held_by_its_gates(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.case(1_000, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    bench.case(1_001, 1, "2026-01-05", papers()).await;
    bench.bill(11, 1, "2026-02-10").await;
    bench.caught_up().await;
    let held = bench.store.list_held_fees(FIRM, None, 10).await.unwrap();
    assert_eq!(held.len(), 1);
    assert_eq!(held[0].closed_gates().collect::<Vec<_>>(), [domain::gates::Gate::FullyPerformed]);
    assert_eq!((held[0].period, held[0].end_on), (1, Some(day("2026-02-04"))));
}

async fn a_couple_is_found_suggested_linked_and_billed_as_one(place: &Place<'_>) {
    let bench = bench(place).await;
    let store = &bench.store;
    for case in [1, 2] {
        bench.first_month(case, Seat::Couple).await;
    }
    bench.first_month(3, Seat::Individual).await;
    bench.caught_up().await;
    let pairs = async |of| store.couple_candidates(FIRM, of, 10).await.unwrap();
    let pair = CoupleCandidate { first: case_id(1), second: case_id(2) };
    for of in [None, Some(case_id(1)), Some(case_id(2))] {
        assert_eq!(pairs(of).await, std::slice::from_ref(&pair));
    }
    assert_eq!(pairs(Some(case_id(3))).await, []);

    let couple = |action| Command::Couple { first: case_id(1), second: case_id(2), action };
    bench.submit(11, couple(CoupleAction::Compare)).await.unwrap();
    bench.caught_up().await;
    assert_eq!(pairs(None).await, [], "suggested for what matches");
    let suggested = store.list_suggested_links(FIRM, None, 10).await.unwrap();
    assert_eq!(suggested.len(), 1);
    assert_eq!((suggested[0].phone, suggested[0].address, suggested[0].card), (true, true, false));
    let exceptions = store
        .list_exceptions(FIRM, Some(ExceptionKind::LinkSuggested), None, None, 10)
        .await
        .unwrap();
    assert_eq!((exceptions.len(), exceptions[0].other), (1, Some(case_id(2))));

    bench.submit(12, couple(CoupleAction::Confirm)).await.unwrap();
    bench.caught_up().await;
    assert_eq!(store.account_of(FIRM, case_id(2)).await.unwrap(), Some(account_id(1)));
    assert_eq!(store.list_suggested_links(FIRM, None, 10).await.unwrap(), []);
    assert_eq!(store.list_exceptions(FIRM, None, None, None, 10).await.unwrap(), []);
    let to_bill = store.accounts_to_bill(FIRM, day("2026-02-04"), None, 10).await.unwrap();
    assert_eq!(to_bill, [account_id(1), account_id(3)]);
    bench.bill(13, 1, "2026-02-04").await;
    bench.caught_up().await;
    let (invoice, lines) = store.get_invoice(FIRM, 1).await.unwrap().unwrap();
    assert_eq!(invoice.total_minor, 14_999);
    assert_eq!(lines.iter().map(|line| line.amount_minor).collect::<Vec<_>>(), [7_500, 7_499]);
}

async fn a_card_that_matches_as_well_makes_the_pair_a_candidate_again(place: &Place<'_>) {
    let bench = bench(place).await;
    for case in [1, 2] {
        bench.case(case * 1_000, case, "2026-01-05", vec![enrol(case, Seat::Couple)]).await;
    }
    let couple =
        Command::Couple { first: case_id(1), second: case_id(2), action: CoupleAction::Compare };
    bench.submit(11, couple.clone()).await.unwrap();
    bench.account(12, 2, "2026-01-05", AccountAction::ChangeCard(card("card-1"))).await;
    bench.caught_up().await;
    assert_eq!(bench.store.couple_candidates(FIRM, None, 10).await.unwrap().len(), 1);
    bench.submit(13, couple).await.unwrap();
    bench.caught_up().await;
    assert_eq!(bench.store.couple_candidates(FIRM, None, 10).await.unwrap(), []);
    assert_eq!(bench.store.account_of(FIRM, case_id(2)).await.unwrap(), Some(account_id(1)));
}

async fn what_needs_a_person_is_queued_and_leaves_the_queue(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.case(1_000, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    let paper = IdentityPaperReceived {
        document: None,
        kind: PaperKind::PhotoId,
        paper: PaperCode::parse("passport").unwrap(),
    };
    bench.case(1_001, 1, "2026-01-05", vec![CaseAction::IdentityPaperReceived(paper)]).await;
    let failed = ReportIdentityFailed { source: text("Report Source") };
    bench.case(1_002, 1, "2026-01-06", vec![CaseAction::ReportIdentityFailed(failed)]).await;
    bench.caught_up().await;
    let queue = async |after: Option<String>, rows| {
        bench.store.list_exceptions(FIRM, None, None, after.as_deref(), rows).await.unwrap()
    };
    let all = queue(None, 10).await;
    let kinds: Vec<_> = all.iter().map(|e| e.kind).collect();
    assert_eq!(kinds, [ExceptionKind::PaperWaiting, ExceptionKind::IdentityFailed]);
    assert_eq!(queue(Some(all[0].cursor()), 10).await, all[1..]);
    let with = CaseFilter { with_exception: true, ..CaseFilter::default() };
    assert_eq!(bench.store.list_cases(FIRM, with, None, 10).await.unwrap().len(), 1);
    bench.case(1_003, 1, "2026-01-07", papers().into_iter().skip(3).collect()).await;
    bench.caught_up().await;
    let kinds: Vec<_> = queue(None, 10).await.iter().map(|e| e.kind).collect();
    assert_eq!(kinds, [ExceptionKind::PaperWaiting], "the source is connected now");
}

async fn pages_of_cases_go_on_after_the_last_one(place: &Place<'_>) {
    let bench = bench(place).await;
    for case in 1..=7 {
        bench.case(case * 1_000, case, "2026-01-05", vec![enrol(case, Seat::Individual)]).await;
    }
    bench.caught_up().await;
    let mut seen = Vec::new();
    loop {
        let page = bench
            .store
            .list_cases(FIRM, CaseFilter::default(), seen.last().copied(), 3)
            .await
            .unwrap();
        seen.extend(page.iter().map(|case| case.case_id));
        if page.len() < 3 {
            break;
        }
    }
    assert_eq!(seen, (1..=7).map(case_id).collect::<Vec<_>>());
    let other = domain::ids::FirmId(uuid::Uuid::from_u128(0xf2));
    assert_eq!(bench.store.list_cases(other, CaseFilter::default(), None, 10).await.unwrap(), []);
}

/// Every row of every table of one generation, as SQL literals, without the generation itself.
async fn rows(place: &Place<'_>, generation: i64) -> Vec<String> {
    let mut raw = place.raw().await;
    let tables = place.either(
        "SELECT m.name FROM sqlite_schema m WHERE m.type = 'table' AND m.name <> 'projection' AND \
         EXISTS (SELECT 1 FROM pragma_table_info(m.name) c WHERE c.name = 'generation') ORDER BY 1",
        "SELECT table_name::text FROM information_schema.columns WHERE table_schema = 'counterfoil' \
         AND table_name <> 'projection' AND column_name = 'generation' ORDER BY 1",
    );
    let tables = raw.texts(tables).await;
    assert_eq!(tables.len(), 23);
    let mut all = Vec::new();
    for table in tables {
        let columns = match place {
            Place::File(_) => format!(
                "SELECT 'quote(' || name || ')' FROM pragma_table_info('{table}') \
                 WHERE name <> 'generation' ORDER BY cid"
            ),
            Place::Server(_) => format!(
                "SELECT 'quote_nullable(' || column_name || ')' FROM information_schema.columns \
                 WHERE table_name = '{table}' AND column_name <> 'generation' \
                 ORDER BY ordinal_position"
            ),
        };
        let literals = raw.texts(&columns).await.join(" || ', ' || ");
        let select = format!(
            "SELECT '{table}: ' || {literals} FROM {table} WHERE generation = {generation} ORDER BY 1"
        );
        all.extend(raw.texts(&select).await);
    }
    all
}

async fn a_rebuild_gives_the_same_rows_as_the_events_one_by_one(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.two_months_of_three().await;
    let before = rows(place, 1).await;
    for table in
        ["exception: ", "exposure: ", "held_fee: ", "invoice_line: ", "payment: ", "clock: "]
    {
        assert!(before.iter().any(|row| row.starts_with(table)), "no {table}");
    }
    let report = bench.engine.rebuild(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(report.generation, 2);
    let after = rows(place, 2).await;
    assert_eq!(before, after);
    assert_eq!(rows(place, 1).await, Vec::<String>::new());
    // The live projection goes on in the new generation.
    bench.case(30, 4, "2026-03-12", vec![enrol(4, Seat::Individual)]).await;
    bench.caught_up().await;
    assert!(bench.store.get_case(FIRM, case_id(4)).await.unwrap().is_some());
}

async fn a_pack_adopted_later_makes_no_kept_row_differ_from_one_made_anew(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.bill(20, 1, "2026-02-10").await;
    let renewal = CaseAction::SignConsent(SignConsent {
        copies_given: true,
        document: None,
        e_sign_consent: true,
        promised: Vec::new(),
        total_of_payments: usd(100_000),
    });
    bench.case(21, 1, "2026-02-20", vec![renewal]).await;
    // After the days of the renewal as they were told: it ends the service.
    let cancel = CaseAction::Cancel(Cancel { reason: None, sent_on: day("2026-03-02") });
    bench.case(22, 1, "2026-03-02", vec![cancel]).await;
    bench.caught_up().await;
    // In its days by a law that the firm learns of later: the first agreement goes on.
    let pack = RulePack::from_json(&OF_STATE.replace("\"version\": 1", "\"version\": 2").replace(
        "\"note\"",
        "\"cancellation\": {\"days\": 10, \"calendar\": \"every_day\", \"cites\": \"Invented\"}, \
             \"note\"",
    ))
    .unwrap();
    let (code, version, reason) = (pack.code.clone(), pack.version, text("The firm takes it."));
    let actions = [
        FirmAction::AdoptPack(Box::new(pack)),
        FirmAction::UsePackAtOwnRisk(PackUsedAtOwnRisk { code, reason, version }),
    ];
    for (id, action) in (23..).zip(actions) {
        let action = Dated { occurred_at: None, occurred_on: day("2026-03-02"), action };
        bench.submit(id, Command::Firm { action }).await.unwrap();
    }
    bench.caught_up().await;
    let report = bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap();
    assert_eq!(report.faults, []);
}

async fn what_does_not_follow_from_the_log_is_found_table_by_table(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.two_months_of_three().await;
    let faults = async || bench.engine.check_derived(FIRM, |_, _| {}).await.unwrap().faults;
    assert_eq!(faults().await, []);
    let before = rows(place, 1).await;
    let mut raw = place.raw().await;
    // A value of each kind of column, a row that is gone, one too many, and one whose optional value
    // is none any more.
    for (table, change, wrong) in [
        ("invoice", "UPDATE invoice SET total_minor = total_minor + 1 WHERE number = 1", 1),
        ("clock", "UPDATE clock SET due_on = '2031-01-01'", 3),
        ("exposure", "DELETE FROM exposure", 1),
        ("held_fee", "UPDATE held_fee SET period = period + 40", 2),
        ("case_status", "UPDATE case_status SET service_from = NULL", 3),
    ] {
        raw.run(change).await.unwrap();
        let found = faults().await;
        let rows = match &found[..] {
            [DerivedFault::Rows { table: named, rows }] if *named == table => *rows,
            _ => panic!("{change}: {found:?}"),
        };
        assert!(rows >= wrong, "{change}: {rows}");
        bench.engine.rebuild(FIRM, |_, _| {}).await.unwrap();
        assert_eq!(faults().await, [], "{change}");
    }
    let generation = raw.number("SELECT generation FROM projection WHERE active").await;
    assert_eq!(rows(place, generation).await, before, "and nothing is left of what was compared");
}

async fn a_step_from_another_checkpoint_conflicts_and_writes_nothing(place: &Place<'_>) {
    let bench = bench(place).await;
    let position = bench.caught_up().await;
    let nobody = domain::firm::Firm::default();
    let step = |generation, from| ProjectionStep {
        firm: FIRM,
        generation,
        from,
        to: from + 1,
        touched: &[],
        firm_state: &nobody,
        events: &[],
        snapshots: &[],
        tiles: &[],
    };
    let stale = bench.store.project(step(1, position - 1)).await.unwrap_err();
    assert!(matches!(stale, StoreError::Conflict { actual } if actual == position), "{stale}");
    let gone = bench.store.project(step(7, position)).await.unwrap_err();
    assert!(matches!(gone, StoreError::Conflict { actual: 0 }), "{gone}");
    assert_eq!(bench.store.checkpoint(FIRM).await.unwrap().position, position);
    assert!(bench.store.drop_generation(FIRM, 1).await.is_err(), "the active generation stays");
    assert!(bench.store.switch(FIRM, 7).await.is_err());
    assert_eq!(bench.store.checkpoint(FIRM).await.unwrap().position, position);
}

async fn of_two_rebuilds_the_last_goes_on_and_the_first_is_told(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.two_months_of_three().await;
    let position = bench.caught_up().await;
    let store = &bench.store;
    let first = store.begin_rebuild(FIRM).await.unwrap();
    let unfinished = store.compare(FIRM, first, position).await.unwrap_err();
    assert!(matches!(unfinished, StoreError::Conflict { actual: 0 }), "{unfinished}");
    let last = store.begin_rebuild(FIRM).await.unwrap();
    let gone = store.compare(FIRM, first, position).await.unwrap_err();
    assert!(matches!(gone, StoreError::Conflict { actual: 0 }), "{gone}");
    let gone = store.switch(FIRM, first).await.unwrap_err();
    assert!(matches!(gone, StoreError::Conflict { actual: 0 }), "{gone}");
    // The first gives up, and takes nothing from the last.
    store.drop_generation(FIRM, first).await.unwrap();
    store.drop_generation(FIRM, last).await.unwrap();
    let next = store.begin_rebuild(FIRM).await.unwrap();
    assert!(next > last && last > first, "{first}, {last}, {next}: no number is given twice");
    let checked = || bench.engine.check_derived(FIRM, |_, _| {});
    let (one, other) = tokio::join!(checked(), checked());
    let mut done = 0;
    for checked in [one, other] {
        match checked {
            Ok(report) => {
                assert_eq!(report.faults, []);
                done += 1;
            }
            Err(RebuildError::Superseded) => {}
            Err(error) => panic!("{error:?}"),
        }
    }
    assert!(done > 0, "the last one begun goes on");
    assert_eq!(store.checkpoint(FIRM).await.unwrap().position, position);
}
