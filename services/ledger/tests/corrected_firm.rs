//! What a firm told wrongly of itself, over the wire.

use crate::common;

use api::v1;
use api::v1::administration_client::AdministrationClient;
use common::{Service, date, id, reason, usd};
use tonic::Code;
use v1::correct_firm_request::Becomes;

fn bond(last_day: i32) -> v1::Standing {
    v1::Standing {
        kind: v1::StandingKind::Bond.into(),
        state_code: "CA".into(),
        valid_from: date(2026, 1, 1),
        valid_through: date(2026, 12, last_day),
        amount: usd(100_000),
        ..v1::Standing::default()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bond_is_shown_as_it_would_be_and_told_anew() {
    let service = Service::start().await;
    let parent = service.firm().await;
    let request = v1::RecordStandingRequest {
        parent: parent.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        standing: Some(bond(30)),
    };
    let receipt = service.administration().record_standing(request).await.unwrap().into_inner();
    let position = receipt.receipt.unwrap().position;
    let anew = v1::StandingAnew { occurred_on: date(2026, 3, 2), standing: Some(bond(31)) };
    let asked = |becomes: Becomes, validate_only: bool| v1::CorrectFirmRequest {
        parent: parent.clone(),
        request_id: id(),
        position,
        becomes: Some(becomes),
        reason: "the last day was mistyped".into(),
        said_by: "the office".into(),
        validate_only,
    };
    for scope in [v1::Scope::Record, v1::Scope::Bill, v1::Scope::Administer, v1::Scope::Read] {
        let token = service.token(&parent, &[scope]).await;
        let mut client = AdministrationClient::new(service.wire(Some(&token)).await);
        let gone = asked(Becomes::TakenBack(v1::NeverHappened {}), true);
        let refused = client.correct_firm(gone).await.unwrap_err();
        assert_eq!(refused.code(), Code::PermissionDenied, "{scope:?}");
    }
    let token = service.token(&parent, &[v1::Scope::Correct]).await;
    let mut client = AdministrationClient::new(service.wire(Some(&token)).await);
    let shown = client.correct_firm(asked(Becomes::Standing(anew.clone()), true)).await.unwrap();
    let fact = shown.into_inner().fact.unwrap();
    assert!(fact.before_json.contains("2026-12-30"), "{}", fact.before_json);
    assert!(fact.after_json.contains("2026-12-31"), "{}", fact.after_json);
    let done = client.correct_firm(asked(Becomes::Standing(anew.clone()), false)).await.unwrap();
    let receipt = done.into_inner().receipt.unwrap();
    assert_eq!(receipt.event_count, 2);
    let firm = v1::GetFirmRequest { name: parent.clone(), at_least_position: receipt.position };
    let firm = service.administration().get_firm(firm).await.unwrap().into_inner().firm.unwrap();
    assert_eq!(firm.standings.len(), 1);
    assert_eq!(firm.standings[0].valid_through, date(2026, 12, 31));
    let again = client.correct_firm(asked(Becomes::Standing(anew), false)).await.unwrap_err();
    assert_eq!(reason(&again), "STATE_REFUSES");
    let mut unknown = asked(Becomes::TakenBack(v1::NeverHappened {}), false);
    unknown.position = 1_000_000;
    let unknown = client.correct_firm(unknown).await.unwrap_err();
    assert_eq!(reason(&unknown), "REFERENCE_UNKNOWN");
}
