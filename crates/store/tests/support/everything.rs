//! The whole read model of a firm, as the queries say it.

use std::fmt::Debug;

use counterfoil_store::*;

use super::{FIRM, day};

/// Everything the queries say of a firm.
pub(crate) async fn everything(store: &Store) -> Vec<String> {
    fn add<T: Debug>(all: &mut Vec<String>, rows: impl IntoIterator<Item = T>) {
        all.extend(rows.into_iter().map(|row| format!("{row:?}")));
    }
    let (far, mut all) = (day("2026-12-31"), Vec::new());
    add(&mut all, store.get_firm(FIRM).await.unwrap());
    let cases = store.list_cases(FIRM, CaseFilter::default(), None, 100).await.unwrap();
    for case in &cases {
        add(&mut all, store.readiness_steps(FIRM, case.case_id).await.unwrap());
        add(&mut all, store.listings(FIRM, case.case_id).await.unwrap());
        add(&mut all, store.round_letters(FIRM, case.case_id).await.unwrap());
        add(&mut all, store.clocks(FIRM, case.case_id).await.unwrap());
        add(&mut all, store.scores(FIRM, case.case_id).await.unwrap());
        add(&mut all, store.account_of(FIRM, case.case_id).await.unwrap());
    }
    add(&mut all, cases);
    let with = CaseFilter { with_exception: true, ..CaseFilter::default() };
    add(&mut all, store.list_cases(FIRM, with, None, 100).await.unwrap());
    add(&mut all, store.rounds_possible(FIRM, far, None, 100).await.unwrap());
    let overdue = store.overdue_clocks(FIRM, far, None, 100).await.unwrap();
    let counted = store.count_overdue_clocks(FIRM, far).await.unwrap();
    assert_eq!(usize::try_from(counted).unwrap(), overdue.len());
    add(&mut all, overdue);
    add(&mut all, store.cases_with_period_ended(FIRM, far, None, 100).await.unwrap());
    add(&mut all, store.list_held_fees(FIRM, None, 100).await.unwrap());
    add(&mut all, store.couple_candidates(FIRM, None, 100).await.unwrap());
    add(&mut all, store.list_suggested_links(FIRM, None, 100).await.unwrap());
    let accounts = store.list_accounts(FIRM, AccountFilter::default(), None, 100).await.unwrap();
    add(&mut all, accounts);
    add(&mut all, store.accounts_to_bill(FIRM, far, None, 100).await.unwrap());
    let invoices = store.list_invoices(FIRM, InvoiceFilter::default(), 0, 100).await.unwrap();
    for invoice in invoices {
        all.push(format!("{:?}", store.get_invoice(FIRM, invoice.number).await.unwrap().unwrap()));
    }
    add(&mut all, store.charges_due(FIRM, far, 0, 100).await.unwrap());
    add(&mut all, store.list_payments(FIRM, None, 0, 100).await.unwrap());
    add(&mut all, store.list_money_back(FIRM, None, 0, 100).await.unwrap());
    add(&mut all, store.list_exposures(FIRM, None, 0, 100).await.unwrap());
    add(&mut all, store.list_exceptions(FIRM, None, None, None, 100).await.unwrap());
    let counts = store.firm_counts(FIRM, day("2026-01-01"), far).await.unwrap();
    all.push(format!("{counts:?}"));
    all
}
