//! The read model: what people ask of it every day, and that a rebuild gives the same rows.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use counterfoil_store::*;
use domain::case::CaseStatus;
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
use log::{DerivedFault, ProjectionStep, RebuildError, StoreError};
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
    rows_that_were_emptied_are_filled_anew_from_the_log,
);

async fn a_case_shows_where_it_stands_from_signing_to_open_work(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.case(1_000, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    bench.case(1_001, 1, "2026-01-05", papers()).await;
    bench.case(1_002, 1, "2026-01-06", vec![import_issued("2026-01-06", &["loan", "store"])]).await;
    bench.caught_up().await;
    let case = case_row(&bench, 1).await.case;
    assert_eq!((case.state, case.steps_done), (CaseStatus::Signed, 6));
    let from = case.service_from.unwrap();
    assert_eq!((case.percent_ready(day("2026-01-06")), case.percent_ready(from)), (85, 100));
    let ready = async |on| bench.store.ready_to_open(FIRM, on, None, 10).await.unwrap().len();
    assert_eq!((ready(from.pred_opt().unwrap()).await, ready(from).await), (0, 1));
    bench.case(1_003, 1, "2026-01-12", vec![basis("loan"), CaseAction::OpenWork]).await;
    bench.caught_up().await;
    assert_eq!(ready(from).await, 0);
    let rounds = bench.store.rounds_possible(FIRM, day("2026-01-12"), None, 10).await.unwrap().rows;
    assert_eq!((rounds.len(), rounds[0].disputable), (1, 1));
    assert_eq!(rounds[0].round_from, Some(day("2026-01-12")));
    let cursor = rounds[0].round_cursor();
    let rest = bench.store.rounds_possible(FIRM, day("2026-01-12"), Some(&cursor), 10).await;
    assert_eq!(rest.unwrap().rows, []);
}

async fn a_letter_unanswered_past_its_last_day_is_overdue_and_frees_the_next_round(
    place: &Place<'_>,
) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.case(5, 1, "2026-02-03", vec![basis("store")]).await;
    bench.caught_up().await;
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
    let possible =
        async |on| bench.store.rounds_possible(FIRM, on, None, 10).await.unwrap().rows.len();
    assert_eq!((possible(due).await, possible(due.succ_opt().unwrap()).await), (0, 1));
    let case = case_row(&bench, 1).await.case;
    assert_eq!(case.round_from, due.succ_opt(), "the day after the bureau's last one");
    assert_eq!((case.next_due_on, case.listed, case.deleted), (Some(due), 2, 0));
    // What is counted is what is listed, of one moment.
    let later = day("2026-02-18");
    let counts = bench.store.count_due(FIRM, later).await.unwrap();
    let counted = |what: &str| counts.iter().find(|of| of.what == what).map_or(0, |of| of.count);
    let listed = overdue(later).await.len();
    assert_eq!(counted(CLOCKS), u64::try_from(listed).unwrap());
    assert_eq!((counted(ROUNDS), counted(READY), counted(CHARGES)), (1, 0, 0));
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
    let ended =
        store.cases_with_period_ended(FIRM, day("2026-02-04"), None, 10).await.unwrap().rows;
    assert_eq!((ended.len(), ended[0].period, ended[0].case_id), (1, 1, case_id(1)));

    bench.bill(11, 1, "2026-02-04").await;
    bench.caught_up().await;
    assert_eq!(to_bill("2026-02-04").await, []);
    let all = InvoiceFilter::default();
    let invoice = async || store.list_invoices(FIRM, all, 0, 10).await.unwrap().rows.remove(0);
    let issued = invoice().await;
    assert_eq!((issued.open_minor, issued.due_on), (9_900, day("2026-02-14")));
    assert_eq!(store.account_of_invoice(FIRM, 1).await.unwrap(), Some(account_id(1)));
    let due = async |on| store.charges_due(FIRM, day(on), 0, 10).await.unwrap().len();
    assert_eq!((due("2026-02-13").await, due("2026-02-14").await), (0, 1));

    bench.account(12, 1, "2026-02-14", AccountAction::RequestCharge { invoice: 1 }).await;
    bench.caught_up().await;
    assert_eq!(due("2026-02-14").await, 0, "a charge waits for its answer");
    let failed = ChargeFailed { invoice: 1, reason: FailureReason::InsufficientFunds };
    bench.account(13, 1, "2026-02-14", AccountAction::ChargeFailed(failed)).await;
    bench.caught_up().await;
    let next = invoice().await.charge_on.unwrap();
    assert!(next > day("2026-02-14"));
    assert_eq!(store.charges_due(FIRM, next, 0, 10).await.unwrap().len(), 1);

    bench.pay(14, 1, "2026-02-20", 9_900, Some(1)).await;
    bench.pay(15, 2, "2026-02-20", 5_000, None).await;
    bench.caught_up().await;
    assert_eq!(store.charges_due(FIRM, day("2026-12-31"), 0, 10).await.unwrap(), []);
    for (state, invoices) in
        [(InvoiceState::Open, 0), (InvoiceState::Paid, 1), (InvoiceState::Closed, 0)]
    {
        for account in [None, Some(account_id(1))] {
            let filter = InvoiceFilter { state: Some(state), account, ..InvoiceFilter::default() };
            let found = store.list_invoices(FIRM, filter, 0, 10).await.unwrap().rows;
            assert_eq!(found.len(), invoices, "{filter:?}");
        }
    }
    for (due_by, invoices) in [("2026-02-13", 0), ("2026-02-14", 1)] {
        let filter = InvoiceFilter { due_by: Some(day(due_by)), ..InvoiceFilter::default() };
        assert_eq!(store.list_invoices(FIRM, filter, 0, 10).await.unwrap().rows.len(), invoices);
    }
    let of_other = InvoiceFilter { account: Some(account_id(2)), ..InvoiceFilter::default() };
    assert_eq!(store.list_invoices(FIRM, of_other, 0, 10).await.unwrap().rows, []);
    let payments = store.list_payments(FIRM, None, 0, 10).await.unwrap().rows;
    assert_eq!(
        payments.iter().map(|payment| payment.account_id).collect::<Vec<_>>(),
        [account_id(1), account_id(2)]
    );

    let exposures = store.list_exposures(FIRM, (None, None), None, 10).await.unwrap().rows;
    assert_eq!(exposures.len(), 1);
    for (kind, found) in [(ExposureKind::PaymentUnearned, 1), (ExposureKind::EarlyService, 0)] {
        let of_kind = store.list_exposures(FIRM, (None, Some(kind)), None, 10).await.unwrap().rows;
        assert_eq!(of_kind.len(), found);
    }
    assert_eq!(exposures[0].kind, ExposureKind::PaymentUnearned);
    assert_eq!(store.list_accounts(FIRM, false, None, 10).await.unwrap().rows.len(), 2);
    assert_eq!(store.list_accounts(FIRM, true, None, 10).await.unwrap().rows, []);
}

async fn case_row(bench: &Bench, case: u128) -> ListedCase {
    bench.store.cases_of(FIRM, &[case_id(case)]).await.unwrap().remove(0)
}

async fn a_month_without_its_work_is_held_by_its_gates(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.case(1_000, 1, "2026-01-05", vec![enrol(1, Seat::Individual)]).await;
    bench.case(1_001, 1, "2026-01-05", papers()).await;
    bench.bill(11, 1, "2026-02-10").await;
    bench.caught_up().await;
    let held = bench.store.list_held_fees(FIRM, None, 10).await.unwrap();
    assert_eq!(held.len(), 1);
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
        .list_exceptions(FIRM, day("2026-02-04"), ExceptionKind::LinkSuggested, None, 10)
        .await
        .unwrap()
        .rows;
    assert_eq!((exceptions.len(), exceptions[0].other), (1, Some(case_id(2))));
    assert_eq!(
        (case_row(&bench, 1).await.exceptions, case_row(&bench, 2).await.exceptions),
        (1, 0)
    );

    bench.submit(12, couple(CoupleAction::Confirm)).await.unwrap();
    bench.caught_up().await;
    assert_eq!(case_row(&bench, 2).await.account, account_id(1));
    assert_eq!(store.list_suggested_links(FIRM, None, 10).await.unwrap(), []);
    for kind in ExceptionKind::ALL {
        let found = store.list_exceptions(FIRM, day("2026-02-04"), kind, None, 10).await.unwrap();
        assert_eq!(found.rows, []);
    }
    let to_bill = store.accounts_to_bill(FIRM, day("2026-02-04"), None, 10).await.unwrap();
    assert_eq!(to_bill, [account_id(1), account_id(3)]);
    bench.bill(13, 1, "2026-02-04").await;
    bench.caught_up().await;
    let invoices = store.list_invoices(FIRM, InvoiceFilter::default(), 0, 10).await.unwrap().rows;
    assert_eq!(invoices.iter().map(|invoice| invoice.open_minor).collect::<Vec<_>>(), [14_999]);
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
    assert_eq!(case_row(&bench, 2).await.account, account_id(1));
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
    let queue = async |kind, after: Option<String>| {
        let store = &bench.store;
        let found = store.list_exceptions(FIRM, day("2026-02-04"), kind, after.as_deref(), 10);
        found.await.unwrap().rows
    };
    for kind in [ExceptionKind::PaperWaiting, ExceptionKind::IdentityFailed] {
        let all = queue(kind, None).await;
        assert_eq!((all.len(), all[0].kind), (1, kind));
        assert_eq!(queue(kind, Some(all[0].cursor())).await, []);
    }
    let order = CaseOrder::default();
    for (has_exception, cases) in [(None, 1), (Some(true), 1), (Some(false), 0)] {
        let filter = CaseFilter { has_exception, ..CaseFilter::default() };
        let found = bench.store.list_cases(FIRM, (filter, order), None, 10).await.unwrap();
        assert_eq!(found.len(), cases, "{has_exception:?}");
        assert!(found.iter().all(|case| case.exceptions == 2));
    }
    let counts = bench.store.count_due(FIRM, day("2026-01-07")).await.unwrap();
    let waiting: Vec<_> =
        counts.iter().filter(|of| of.count > 0).map(|of| (of.what.as_str(), of.count)).collect();
    assert!(waiting.len() == 2 && waiting.contains(&("paper_waiting", 1)), "{waiting:?}");
    bench.case(1_003, 1, "2026-01-07", papers().into_iter().skip(3).collect()).await;
    bench.caught_up().await;
    assert_eq!(queue(ExceptionKind::PaperWaiting, None).await.len(), 1);
    assert_eq!(queue(ExceptionKind::IdentityFailed, None).await, [], "the source is connected now");
}

async fn pages_of_cases_go_on_after_the_last_one(place: &Place<'_>) {
    let bench = bench(place).await;
    // Enrolled in another order than that of their ids, two on each day; letters run for some.
    for case in 1..=7 {
        let on = format!("2026-01-{:02}", 20 - (case * 3) % 8);
        bench.case(case * 1_000, case, &on, vec![enrol(case, Seat::Individual)]).await;
    }
    bench.first_month(8, Seat::Individual).await;
    bench.caught_up().await;
    let all: Vec<_> = (1..=8).map(case_id).collect();
    for order in [CaseOrder::Id, CaseOrder::Enrolled, CaseOrder::NextDue] {
        let mut seen: Vec<CaseStatusRow> = Vec::new();
        loop {
            let after = seen.last().map(|row| (order.day(row), row.case_id));
            let page = bench.store.list_cases(FIRM, (CaseFilter::default(), order), after, 3);
            let page = page.await.unwrap();
            let is_last = page.len() < 3;
            seen.extend(page.into_iter().map(|row| row.case));
            if is_last {
                break;
            }
        }
        assert!(seen.is_sorted_by_key(|row| (order.day(row), row.case_id)), "{order:?}");
        let mut ids: Vec<_> = seen.iter().map(|row| row.case_id).collect();
        assert_eq!(ids == all, order == CaseOrder::Id, "{order:?} is an order of its own");
        ids.sort_unstable();
        assert_eq!(ids, all, "{order:?}");
    }
    let ids = bench.store.case_ids(FIRM, case_id(3), case_id(5), 10).await.unwrap().rows;
    assert_eq!(ids, [3, 4, 5].map(case_id));
    let named = bench.store.names_of(FIRM, &[case_id(9), case_id(2)]).await.unwrap();
    assert!(named.len() == 1 && named[0].name_sealed.is_some(), "sealed, and no other");
    assert_eq!(bench.store.cases_with_fees(FIRM, None, 10).await.unwrap().rows, []);
    bench.bill(11, 8, "2026-02-04").await;
    bench.caught_up().await;
    let fees = async |after| bench.store.cases_with_fees(FIRM, after, 10).await.unwrap().rows;
    assert_eq!((fees(None).await, fees(Some(case_id(8))).await), (vec![case_id(8)], vec![]));
    let other = domain::ids::FirmId(uuid::Uuid::from_u128(0xf2));
    assert_eq!(bench.store.cases_of(other, &all).await.unwrap(), []);
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
    assert_eq!(tables.len(), 17);
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
    for table in ["exception: ", "exposure: ", "held_fee: ", "invoice: ", "payment: ", "clock: "] {
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
    assert_eq!(bench.store.cases_of(FIRM, &[case_id(4)]).await.unwrap().len(), 1);
}

async fn a_pack_adopted_later_makes_no_kept_row_differ_from_one_made_anew(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.first_month(1, Seat::Individual).await;
    bench.bill(20, 1, "2026-02-10").await;
    let renewal = CaseAction::SignConsent(SignConsent {
        activity: [].into(),
        copies_given: true,
        document: None,
        e_sign_consent: true,
        items: None,
        languages: None,
        plan: None,
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
        ("invoice", "UPDATE invoice SET open_minor = open_minor + 1 WHERE number = 1", 1),
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

/// As the migration does that changes what rows say.
async fn rows_that_were_emptied_are_filled_anew_from_the_log(place: &Place<'_>) {
    let bench = bench(place).await;
    bench.two_months_of_three().await;
    let position = bench.caught_up().await;
    let before = rows(place, 1).await;
    bench.engine.shutdown(std::time::Duration::from_secs(10)).await;
    bench.store.close().await;
    let mut raw = place.raw().await;
    for table in ["case_status", "invoice", "clock", "exposure", "journal_entry", "journal_line"] {
        raw.run(&format!("DELETE FROM {table}")).await.unwrap();
    }
    raw.run("UPDATE projection SET position = 0").await.unwrap();
    let again = over(place.open().await, 500);
    again.engine.start().await.unwrap();
    assert_eq!(again.caught_up().await, position);
    assert_eq!(rows(place, 1).await, before);
}
