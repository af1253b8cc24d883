//! The list of what was uploaded, on both engines.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use counterfoil_store::*;
use domain::event::UtcMicros;
use domain::ids::{CaseId, FirmId};
use domain::media::MediaType;
use support::*;
use uuid::Uuid;

on_both_engines!(
    rows_are_kept_once_and_listed_in_order_of_their_keys,
    a_row_is_never_changed_and_only_deleted_with_its_client,
    every_row_is_copied_and_nothing_doubled,
);

fn row(person: u128, name: u8) -> EvidenceRow {
    EvidenceRow {
        person: case_id(person),
        name: [name; 32].into(),
        bytes: u64::from(name) + 1,
        media_type: MediaType::Tiff,
        uploaded_at: UtcMicros(1_700_000_000_123_456),
        sealed_hash: (name != 9).then(|| vec![name; 48]),
    }
}

async fn filled(store: &Store) {
    for (person, name) in [(2, 0), (1, 9), (1, 3), (1, 255)] {
        assert!(store.keep_evidence(FIRM, &row(person, name)).await.unwrap());
    }
}

async fn rows_are_kept_once_and_listed_in_order_of_their_keys(place: &Place<'_>) {
    let store = place.open().await;
    assert_eq!(store.evidence_owners(FIRM, None, 10).await.unwrap(), []);
    filled(&store).await;
    let again = EvidenceRow { uploaded_at: UtcMicros(1_800_000_000_000_000), ..row(1, 9) };
    assert!(!store.keep_evidence(FIRM, &again).await.unwrap());
    let found = store.evidence(FIRM, case_id(1), [9; 32].into()).await.unwrap();
    assert_eq!(found, Some(row(1, 9)), "the first stays");
    assert_eq!(store.evidence(FIRM, case_id(2), [9; 32].into()).await.unwrap(), None);
    let page = store.evidence_after(FIRM, case_id(1), None, 2).await.unwrap();
    assert_eq!(page, [row(1, 3), row(1, 9)]);
    let rest = store.evidence_after(FIRM, case_id(1), Some(page[1].name), 2).await.unwrap();
    assert_eq!(rest, [row(1, 255)]);
    let all = store.evidence_after(FIRM, case_id(2), None, 9).await.unwrap();
    assert_eq!(all, [row(2, 0)], "a name of zeros is after nothing");
    let mut owners = store.evidence_owners(FIRM, None, 1).await.unwrap();
    let more = store.evidence_owners(FIRM, owners.last().copied(), 9).await.unwrap();
    owners.extend(more);
    let mut expected = [case_id(1), case_id(2)];
    expected.sort_unstable();
    assert_eq!(owners, expected);
    let other = FirmId(Uuid::from_u128(0xf2));
    assert_eq!(store.evidence_owners(other, None, 9).await.unwrap(), Vec::<CaseId>::new());
    assert_eq!(store.evidence_after(other, case_id(1), None, 9).await.unwrap(), []);
}

async fn a_row_is_never_changed_and_only_deleted_with_its_client(place: &Place<'_>) {
    let store = place.open().await;
    filled(&store).await;
    let mut raw = place.raw().await;
    assert!(raw.run("UPDATE evidence SET bytes = 7").await.is_err());
    assert_eq!(store.forget_evidence(FIRM, case_id(1)).await.unwrap(), 3);
    assert_eq!(store.forget_evidence(FIRM, case_id(1)).await.unwrap(), 0);
    assert_eq!(store.evidence_owners(FIRM, None, 9).await.unwrap(), [case_id(2)]);
}

async fn every_row_is_copied_and_nothing_doubled(place: &Place<'_>) {
    let source = Store::open_temporary().await.unwrap();
    filled(&source).await;
    let target = place.open().await;
    for _ in 0..2 {
        source.copy_evidence_to(&target, FIRM).await.unwrap();
    }
    for person in [1, 2] {
        let of = async |store: &Store| {
            store.evidence_after(FIRM, case_id(person), None, 9).await.unwrap()
        };
        assert_eq!(of(&target).await, of(&source).await);
    }
}
