//! Who may do what: every RPC of the contract, read from its descriptor.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

mod common;

use api::v1;
use common::rpc::{about, call, methods, path};
use common::{Service, date, reason};
use counterfoil_ledger::access::table::{self, Rpc};
use domain::event::Scope;
use prost_reflect::MethodDescriptor;
use tonic::{Code, Status};

/// What calling an RPC about a firm comes to.
async fn answer(
    service: &Service,
    token: Option<&str>,
    method: &MethodDescriptor,
    firm: &str,
) -> Result<(), Status> {
    call(service.wire(token).await, method, &about(&method.input(), firm)).await
}

async fn code(
    service: &Service,
    token: Option<&str>,
    method: &MethodDescriptor,
    firm: &str,
) -> Code {
    answer(service, token, method, firm).await.map_or_else(|status| status.code(), |()| Code::Ok)
}

#[test]
fn every_rpc_is_in_the_table_and_nothing_else() {
    let mut contract: Vec<String> = methods().iter().map(path).collect();
    let mut table: Vec<String> = table::paths().map(str::to_owned).collect();
    contract.sort();
    table.sort();
    assert_eq!(contract, table);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_rpc_asks_for_a_token_of_its_firm_with_a_scope() {
    let service = Service::start().await;
    let (ours, theirs) = (service.firm().await, service.firm().await);
    let all = [
        v1::Scope::Record,
        v1::Scope::Read,
        v1::Scope::Bill,
        v1::Scope::Examine,
        v1::Scope::Administer,
    ];
    let whole = service.token(&ours, &all).await;
    let mut single = Vec::new();
    // Whoever corrects neither records nor bills.
    for scope in all.into_iter().chain([v1::Scope::Correct, v1::Scope::Accept]) {
        single.push((scope, service.token(&ours, &[scope]).await));
    }
    let nowhere = "firms/0190a000-0000-7000-8000-00000000ffff";
    let forged =
        format!("{}{}", &whole[..whole.len() - 1], if whole.ends_with('0') { '1' } else { '0' });
    for method in methods() {
        let path = path(&method);
        assert_eq!(code(&service, None, &method, &ours).await, Code::Unauthenticated, "{path}");
        let forged = code(&service, Some(&forged), &method, &ours).await;
        assert_eq!(forged, Code::Unauthenticated, "{path}");
        // Another firm's, existing or not: the same to the last byte, so that nothing tells which.
        let denied = async |firm: &str| {
            let status = answer(&service, Some(&whole), &method, firm).await.unwrap_err();
            (status.code(), status.message().to_owned(), status.details().to_vec())
        };
        let (there, absent) = (denied(&theirs).await, denied(nowhere).await);
        assert_eq!(there.0, Code::PermissionDenied, "{path}");
        assert_eq!(there, absent, "{path}");
        let Rpc::Scoped(scopes) = table::rpc(&path) else { panic!("{path} has no scopes") };
        for (scope, token) in &single {
            let code = code(&service, Some(token), &method, &ours).await;
            let opens = scopes.contains(&domain_scope(*scope));
            let denied = matches!(code, Code::Unauthenticated | Code::PermissionDenied);
            assert_eq!(opens, !denied, "{path} with {scope:?} answered {code:?}");
        }
    }
}

/// A token that is not let in hears so as late for a firm that is there as for one that is not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn how_long_a_refusal_takes_tells_no_firm() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let good = service.token(&firm, &[v1::Scope::Read]).await;
    let parts: Vec<&str> = good.split('_').collect();
    let [prefix, firm_part, access, secret] = parts.as_slice() else { panic!("a token of ours") };
    let zeros = "0".repeat(32);
    let elsewhere = "0190a00000007000800000000000ffff";
    let wrong = [
        [prefix, firm_part, access, "0".repeat(64).as_str()].join("_"),
        [prefix, firm_part, zeros.as_str(), secret].join("_"),
        [prefix, elsewhere, access, secret].join("_"),
    ];
    let get = v1::GetHeadRequest { parent: firm.clone() };
    for token in &wrong {
        let mut client = common_client(service.wire(Some(token)).await);
        let begun = std::time::Instant::now();
        let refused = client.get_head(get.clone()).await.unwrap_err();
        assert_eq!(refused.code(), Code::Unauthenticated);
        assert!(begun.elapsed() >= std::time::Duration::from_millis(50), "{token}");
    }
    common_client(service.wire(Some(&good)).await).get_head(get).await.unwrap();
}

fn domain_scope(scope: v1::Scope) -> Scope {
    api::Paired::to_domain(scope).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_ends_when_it_is_revoked_or_its_last_day_is_over() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let lasting = service.create_token(&firm, &[v1::Scope::Read], None).await;
    let short = service.create_token(&firm, &[v1::Scope::Read], date(2026, 3, 2)).await;
    let get = || v1::GetHeadRequest { parent: firm.clone() };
    let head = async |token: &str| {
        let wire = service.wire(Some(token)).await;
        common_client(wire).get_head(get()).await.map(|_| ()).map_err(|status| status.code())
    };
    assert_eq!(head(&lasting.secret).await, Ok(()));
    assert_eq!(head(&short.secret).await, Ok(()));
    // The last day itself is good; the day after is not.
    service.clock.advance(24 * 3_600 * 1_000_000);
    assert_eq!(head(&short.secret).await, Err(Code::Unauthenticated));
    let revoke = v1::RevokeTokenRequest {
        parent: firm.clone(),
        request_id: common::id(),
        occurred_on: date(2026, 3, 3),
        token_id: lasting.token.unwrap().token_id,
    };
    service.administration().revoke_token(revoke).await.unwrap();
    assert_eq!(head(&lasting.secret).await, Err(Code::Unauthenticated));
}

fn common_client(
    wire: common::Wire,
) -> v1::administration_client::AdministrationClient<common::Wire> {
    v1::administration_client::AdministrationClient::new(wire)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_repeated_grant_does_not_show_a_token_again() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let request = v1::CreateTokenRequest {
        parent: firm,
        request_id: common::id(),
        occurred_on: date(2026, 3, 2),
        token: Some(v1::Token {
            label: "once".into(),
            scopes: vec![v1::Scope::Read.into()],
            ..v1::Token::default()
        }),
    };
    let mut client = service.administration();
    let first = client.create_token(request.clone()).await.unwrap().into_inner();
    let again = client.create_token(request).await.unwrap().into_inner();
    assert!(first.secret.starts_with("cf_"));
    assert_eq!(again.secret, "");
    assert_eq!(again.token.unwrap().token_id, first.token.unwrap().token_id);
    assert!(again.receipt.unwrap().replayed);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn clients_are_hidden_from_who_only_bills() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = common::new_case(&firm);
    service.record(&case, vec![common::enrol(v1::Seat::Individual, "+12015550123", "tok_1")]).await;
    let token = service.token(&firm, &[v1::Scope::Bill]).await;
    let wire = service.wire(Some(&token)).await;
    let mut client = v1::case_ledger_client::CaseLedgerClient::new(wire);
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    let seen = client.get_case(get.clone()).await.unwrap().into_inner().case.unwrap();
    assert!(seen.client.is_none());
    assert_eq!(seen.state(), v1::CaseState::Enrolled);
    let seen = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap();
    assert_eq!(seen.client.unwrap().display_name, "Ada Lark");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn health_and_reflection_are_open() {
    let service = Service::start().await;
    let mut health = tonic_health::pb::health_client::HealthClient::new(service.channel().await);
    let request = tonic_health::pb::HealthCheckRequest { service: "counterfoil.v1.Billing".into() };
    // The first reports are made by a task that may not have run yet.
    let mut watch = health.watch(request).await.unwrap().into_inner();
    while watch.message().await.unwrap().unwrap().status != 1 {}
    let unknown = service.cases().get_case(v1::GetCaseRequest::default()).await.unwrap_err();
    assert_eq!(reason(&unknown), "FIELD_INVALID");
}
