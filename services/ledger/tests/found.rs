//! What a person finds of the results that a sale by telephone promised (16 CFR 310.4(a)(2)), over the wire.

use crate::common;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::{Service, action, date, first_month, id, new_case, reason};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;

/// A client of a year ago, sold to by telephone: one listing deleted, and a report of seven months later.
struct Office {
    service: Service,
    case: String,
    firm: String,
}

impl Office {
    async fn open() -> Self {
        use v1::action::Action as A;
        let service = Service::start().await;
        let firm = service.firm().await;
        let case = new_case(&firm);
        let mut actions = first_month(v1::Seat::Individual, "+12015550123", "tok_1");
        for told in &mut actions {
            told.occurred_on.as_mut().unwrap().year = 2025;
            match &mut told.action {
                Some(A::Enrol(enrol)) => {
                    let sale = enrol.sale.as_mut().unwrap();
                    (sale.channel, sale.promised_days) = (v1::Channel::Telephone.into(), 30);
                }
                Some(A::ImportReport(report)) => report.issued_on.as_mut().unwrap().year = 2025,
                _ => {}
            }
        }
        let outcomes =
            vec![v1::ItemOutcome { item: "item-1".into(), outcome: v1::Outcome::Deleted.into() }];
        let answer = v1::ReceiveResponse {
            round: 1,
            bureau: "northern".into(),
            outcomes,
            ..v1::ReceiveResponse::default()
        };
        let report = v1::ImportReport {
            bureau: "northern".into(),
            issued_on: date(2025, 9, 1),
            ..v1::ImportReport::default()
        };
        let sent = v1::ProgressReportSent::default();
        actions.push(action(date(2025, 2, 10), A::ReceiveResponse(answer)));
        actions.push(action(date(2025, 9, 1), A::ImportReport(report)));
        actions.push(action(date(2025, 9, 2), A::ProgressReportSent(sent)));
        service.record(&case, actions).await;
        Self { service, case, firm }
    }

    fn asked(&self, item: &str) -> v1::RecordFindingRequest {
        let found = v1::FoundResult {
            bureau: "northern".into(),
            item: item.into(),
            report_date: date(2025, 9, 1),
            promise: None,
        };
        v1::RecordFindingRequest {
            name: self.case.clone(),
            request_id: id(),
            expected_version: None,
            occurred_on: date(2026, 3, 2),
            agreement_position: None,
            found: vec![found],
            found_by: "Counsel".into(),
            reason: "the advertisement promised this deletion".into(),
            document_sha256: String::new(),
        }
    }

    async fn find(
        &self,
        scope: v1::Scope,
        asked: v1::RecordFindingRequest,
    ) -> Result<v1::RecordFindingResponse, Status> {
        let token = self.service.token(&self.firm, &[scope]).await;
        let wire = self.service.wire(Some(&token)).await;
        Ok(CaseLedgerClient::new(wire).record_finding(asked).await?.into_inner())
    }

    async fn g6(&self) -> (bool, String) {
        let request = v1::ExplainFeeRequest {
            name: self.case.clone(),
            period: 1,
            ..v1::ExplainFeeRequest::default()
        };
        let explained = self.service.billing().explain_fee(request).await.unwrap().into_inner();
        let found = &explained.explanation.unwrap().findings[5];
        (found.holds, found.because.clone())
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_finding_opens_the_gate_of_a_sale_that_has_no_list_of_promises() {
    let office = Office::open().await;
    let (holds, because) = office.g6().await;
    assert!(!holds && because.contains("a person's finding is needed"), "{because}");
    let unknown = office.find(v1::Scope::Accept, office.asked("item-9")).await.unwrap_err();
    assert_eq!(reason(&unknown), "REFERENCE_UNKNOWN");
    let asked = office.asked("item-1");
    let first = office.find(v1::Scope::Accept, asked.clone()).await.unwrap();
    assert!(office.g6().await.0);
    let again = office.find(v1::Scope::Accept, asked).await.unwrap();
    assert_eq!((again.position, again.replayed), (first.position, true));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_records_or_bills_finds_nothing() {
    let office = Office::open().await;
    for scope in [v1::Scope::Record, v1::Scope::Bill, v1::Scope::Administer, v1::Scope::Correct] {
        let refused = office.find(scope, office.asked("item-1")).await.unwrap_err();
        assert_eq!(refused.code(), Code::PermissionDenied, "{scope:?}");
    }
    for other in [v1::Scope::Record, v1::Scope::Bill] {
        let token = Some(v1::Token {
            label: "both".into(),
            scopes: vec![v1::Scope::Accept.into(), other.into()],
            ..v1::Token::default()
        });
        let request = v1::CreateTokenRequest {
            parent: office.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            token,
        };
        let refused = office.service.administration().create_token(request).await.unwrap_err();
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "token.scopes");
    }
}
