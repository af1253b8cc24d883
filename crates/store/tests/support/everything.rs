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
    let listed = (CaseFilter::default(), CaseOrder::default());
    add(&mut all, store.list_cases(FIRM, listed, None, 100).await.unwrap());
    let with = CaseFilter { has_exception: Some(true), ..CaseFilter::default() };
    add(&mut all, store.list_cases(FIRM, (with, CaseOrder::NextDue), None, 100).await.unwrap());
    add(&mut all, store.count_due(FIRM, far).await.unwrap());
    add(&mut all, store.rounds_possible(FIRM, far, None, 100).await.unwrap().rows);
    let overdue = store.overdue_clocks(FIRM, far, None, 100).await.unwrap();
    let counted = store.count_overdue_clocks(FIRM, far).await.unwrap();
    assert_eq!(usize::try_from(counted).unwrap(), overdue.len());
    add(&mut all, overdue);
    add(&mut all, store.cases_with_period_ended(FIRM, far, None, 100).await.unwrap().rows);
    add(&mut all, store.list_held_fees(FIRM, None, 100).await.unwrap());
    add(&mut all, store.couple_candidates(FIRM, None, 100).await.unwrap());
    add(&mut all, store.list_suggested_links(FIRM, None, 100).await.unwrap());
    add(&mut all, store.list_accounts(FIRM, false, None, 100).await.unwrap().rows);
    add(&mut all, store.accounts_to_bill(FIRM, far, None, 100).await.unwrap());
    let invoices = store.list_invoices(FIRM, InvoiceFilter::default(), 0, 100).await.unwrap().rows;
    add(&mut all, invoices);
    add(&mut all, store.charges_due(FIRM, far, 0, 100).await.unwrap());
    add(&mut all, store.list_payments(FIRM, None, 0, 100).await.unwrap().rows);
    add(&mut all, store.list_exposures(FIRM, (None, None), None, 100).await.unwrap().rows);
    for kind in ExceptionKind::ALL {
        add(&mut all, store.list_exceptions(FIRM, far, kind, None, 100).await.unwrap().rows);
    }
    all
}
