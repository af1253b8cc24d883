//! The end of an event's bytes, and the names of streams where they are looked up.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use counterfoil_domain::event::{StreamId, Tail, UtcMicros};
use counterfoil_domain::ids::{AccountId, CaseId, DepositId, RequestId};
use uuid::Uuid;

const EVENT: &str = r#"{"actor":"a","payload":{"of":{"id":"x","position":3},"said":"x\",\"position\":9"},"position":7,"recorded_at":5,"request_id":"00000000-0000-0000-0000-000000000001","stream":"firm","stream_version":2}"#;

#[test]
fn the_envelope_s_own_end_is_read_whatever_the_payload_says() {
    let tail = Tail {
        position: 7,
        recorded_at: UtcMicros(5),
        request_id: RequestId(Uuid::from_u128(1)),
        stream: StreamId::Firm,
        stream_version: 2,
    };
    assert_eq!(Tail::of(EVENT.as_bytes()), Some(tail));
    for length in 0..EVENT.len() {
        assert_eq!(Tail::of(&EVENT.as_bytes()[..length]), None, "{length}");
    }
    let more = EVENT.replace(":2}", ":2,\"x\":1}");
    assert_eq!(Tail::of(more.as_bytes()), None);
}

#[test]
fn a_stream_is_found_again_by_its_key_and_a_client_s_lie_side_by_side() {
    let id = Uuid::from_u128(7);
    let streams = [
        StreamId::Case(CaseId(id)),
        StreamId::Account(AccountId(id)),
        StreamId::Deposit(DepositId(id)),
        StreamId::Looks(CaseId(id)),
    ];
    let mut keys: Vec<_> = streams.map(StreamId::key).to_vec();
    for (stream, key) in streams.iter().zip(&keys) {
        assert_eq!(StreamId::from_key(key), Some(*stream));
        assert_eq!(key[..16], *id.as_bytes());
    }
    assert_eq!(StreamId::from_key(&StreamId::Firm.key()), Some(StreamId::Firm));
    keys.dedup();
    assert_eq!(keys.len(), 4);
    let mut wrong = keys[0];
    wrong[16] = 9;
    assert_eq!(StreamId::from_key(&wrong), None);
    assert_eq!(StreamId::from_key(&keys[0][1..]), None);
    wrong[16] = 0;
    assert_eq!(StreamId::from_key(&wrong), None, "only the firm has no id");
}
