//! Facts that were told wrongly, over the wire: shown first, then recorded, by somebody who neither records nor
//! bills.

use crate::common;

use api::v1;
use api::v1::case_ledger_client::CaseLedgerClient;
use common::{Service, date, first_month, id, new_case, reason};
use tonic::Code;
use tonic_types::StatusExt as _;
use v1::fact_correction::Becomes;

/// A client with a fee that was claimed, and the position of one fact.
struct Office {
    service: Service,
    case: String,
    firm: String,
    token: String,
}

impl Office {
    async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let case = new_case(&firm);
        service.record(&case, first_month(v1::Seat::Individual, "+12015550123", "tok_1")).await;
        let run = v1::RunBillingRequest {
            parent: firm.clone(),
            request_id: id(),
            as_of: date(2026, 3, 2),
        };
        let billed = service.billing().run_billing(run).await.unwrap().into_inner();
        assert_eq!(billed.invoices.len(), 1);
        let token = service.token(&firm, &[v1::Scope::Correct, v1::Scope::Read]).await;
        Self { service, case, firm, token }
    }

    async fn events(&self) -> Vec<v1::Event> {
        let request = v1::ReadEventsRequest {
            parent: self.firm.clone(),
            page_size: 500,
            ..v1::ReadEventsRequest::default()
        };
        self.service.cases().read_events(request).await.unwrap().into_inner().events
    }

    async fn last(&self, kind: &str) -> i64 {
        let events = self.events().await;
        events.iter().rev().find(|event| event.r#type == kind).unwrap().position
    }

    fn asked(
        &self,
        position: i64,
        becomes: Becomes,
        validate_only: bool,
    ) -> v1::CorrectFactsRequest {
        let correction = v1::FactCorrection {
            position,
            becomes: Some(becomes),
            reason: "it was typed from another file".into(),
            said_by: "the front desk".into(),
        };
        v1::CorrectFactsRequest {
            name: self.case.clone(),
            request_id: id(),
            expected_version: None,
            corrections: vec![correction],
            validate_only,
        }
    }

    async fn correct(
        &self,
        request: v1::CorrectFactsRequest,
    ) -> Result<v1::CorrectFactsResponse, tonic::Status> {
        let wire = self.service.wire(Some(&self.token)).await;
        let answer = CaseLedgerClient::new(wire).correct_facts(request).await?;
        Ok(answer.into_inner())
    }

    async fn standing(&self) -> v1::FeeStanding {
        let request = v1::ExplainFeeRequest {
            name: self.case.clone(),
            period: 1,
            ..v1::ExplainFeeRequest::default()
        };
        let explained = self.service.billing().explain_fee(request).await.unwrap().into_inner();
        explained.explanation.unwrap().standing()
    }
}

const GONE: Becomes = Becomes::TakenBack(v1::TakenBack { about_another: false });

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_correction_is_shown_before_it_is_recorded_and_is_what_was_shown() {
    let office = Office::open().await;
    let round = office.last("round_sent").await;
    let before = office.events().await.len();
    let shown = office.correct(office.asked(round, GONE, true)).await.unwrap();
    let changes: Vec<String> = shown
        .effects
        .iter()
        .map(|effect| format!("{}: {} -> {}", effect.subject, effect.before, effect.after))
        .collect();
    // 15 USC 1679b(b): the fee rested on the round.
    assert!(
        changes.iter().any(|change| {
            change.starts_with("fee of 2026-01-05, claimed") && change.contains("allowed -> ")
        }),
        "{changes:#?}"
    );
    assert!(changes.iter().any(|change| change.starts_with("listing of item-1")), "{changes:#?}");
    assert!(
        changes.iter().any(|change| change.starts_with("clock reinvestigation")),
        "{changes:#?}"
    );
    let fact = &shown.facts[0];
    assert_eq!((fact.fact_position, fact.r#type.as_str()), (round, "round_sent"));
    assert!(fact.before_json.contains("item-1") && fact.after_json.is_empty());
    assert_eq!(fact.before_date, date(2026, 1, 13));
    // Nothing of it was recorded but that somebody looked.
    let after = office.events().await;
    assert_eq!(after.len(), before + 1);
    assert_eq!(after.last().unwrap().r#type, "client_looked_at");

    let mut request = office.asked(round, GONE, false);
    request.expected_version = Some(shown.version);
    let done = office.correct(request.clone()).await.unwrap();
    assert_eq!(done.event_count, shown.event_count);
    assert_eq!(office.standing().await, v1::FeeStanding::Exposed);
    // Whoever follows the log is told what it changed.
    let events = office.events().await;
    let followed = events.iter().find(|event| event.position == done.first_position).unwrap();
    assert_eq!(followed.changed, shown.effects);
    let others = events.iter().filter(|event| event.r#type != "fact_corrected");
    assert!(others.into_iter().all(|event| event.changed.is_empty()));
    let told = office.correct(request).await.unwrap();
    assert!(told.replayed && told.position == done.position);
    // What was shown is not what it would be now.
    let mut late = office.asked(done.first_position, Becomes::OccurredOn(day(14)), false);
    late.expected_version = Some(shown.version);
    assert_eq!(office.correct(late).await.unwrap_err().code(), Code::Aborted);

    // Told anew it heals; the personal reason is sealed in what is kept.
    let again = Becomes::OccurredOn(day(14));
    let refused = office.correct(office.asked(done.first_position, again, false)).await;
    assert_eq!(
        reason(&refused.unwrap_err()),
        "STATE_REFUSES",
        "what it told is gone: tell it anew"
    );
    let letter = v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::Certified.into(),
        ..v1::Letter::default()
    };
    let round = v1::SendRound { completes_before: false, letters: vec![letter] };
    let anew = common::action(date(2026, 1, 14), v1::action::Action::NoteRoundSent(round));
    office.correct(office.asked(done.first_position, Becomes::Action(anew), false)).await.unwrap();
    assert_eq!(office.standing().await, v1::FeeStanding::Allowed);
    let kept = office.events().await;
    let corrected: Vec<_> = kept.iter().filter(|e| e.r#type == "fact_corrected").collect();
    assert_eq!(corrected.len(), 2);
    assert!(corrected.iter().all(|event| !event.canonical_json.contains("typed from another")));
}

fn day(day: i32) -> api::google::r#type::Date {
    date(2026, 1, day).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_records_or_bills_corrects_nothing() {
    let office = Office::open().await;
    let round = office.last("round_sent").await;
    for scope in [v1::Scope::Bill, v1::Scope::Administer, v1::Scope::Read] {
        let token = office.service.token(&office.firm, &[scope]).await;
        let wire = office.service.wire(Some(&token)).await;
        let asked = office.asked(round, GONE, true);
        let refused = CaseLedgerClient::new(wire).correct_facts(asked).await.unwrap_err();
        assert_eq!(refused.code(), Code::PermissionDenied, "{scope:?}");
    }
    for other in [v1::Scope::Record, v1::Scope::Bill] {
        let token = Some(v1::Token {
            label: "both".into(),
            scopes: vec![v1::Scope::Correct.into(), other.into()],
            ..v1::Token::default()
        });
        let request = v1::CreateTokenRequest {
            parent: office.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            token,
        };
        let refused = office.service.administration().create_token(request).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
        let violations = refused.get_details_bad_request().unwrap().field_violations;
        assert_eq!(violations[0].field, "token.scopes");
    }
}

/// A slip is taken back by the token that made it on that day; what opens a gate, or is another's, is not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_records_takes_back_its_own_slip_of_the_day() {
    let office = Office::open().await;
    let recorder = office.service.token(&office.firm, &[v1::Scope::Record]).await;
    let wire = office.service.wire(Some(&recorder)).await;
    let mut recorder = CaseLedgerClient::new(wire);
    let logged = v1::MessageLogged {
        direction: v1::Direction::Incoming.into(),
        text: "called for somebody else".into(),
        complaint: false,
    };
    let said = common::action(date(2026, 3, 1), v1::action::Action::MessageLogged(logged));
    let told = recorder.record(common::record(&office.case, vec![said])).await.unwrap();
    let told = told.into_inner().first_position;
    let round = office.last("round_sent").await;
    let refused = recorder.correct_facts(office.asked(round, GONE, true)).await.unwrap_err();
    assert_eq!(reason(&refused), "STATE_REFUSES", "another recorded it: {refused:?}");
    let other_day = office.asked(told, Becomes::OccurredOn(day(14)), true);
    assert_eq!(reason(&recorder.correct_facts(other_day).await.unwrap_err()), "STATE_REFUSES");
    let done = recorder.correct_facts(office.asked(told, GONE, false)).await.unwrap();
    assert_eq!(office.last("fact_corrected").await, done.into_inner().first_position);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_fact_of_the_case_is_not_corrected() {
    let office = Office::open().await;
    let other = new_case(&office.firm);
    let theirs = first_month(v1::Seat::Individual, "+12015550124", "tok_2");
    office.service.record(&other, theirs).await;
    let of_another = office.last("round_sent").await;
    let code = async |position: i64| {
        let refused = office.correct(office.asked(position, GONE, true)).await.unwrap_err();
        (refused.code(), reason(&refused))
    };
    let unknown = (Code::NotFound, "REFERENCE_UNKNOWN".to_owned());
    assert_eq!(code(of_another).await, unknown);
    assert_eq!(code(1_000_000).await, unknown);
    assert_eq!(code(1).await, unknown);
    let fee = office.last("fee_earned").await;
    assert_eq!(code(fee).await.1, "STATE_REFUSES");
    let refused = office.correct(office.asked(0, GONE, true)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
}

/// What was taken back as another person's is opened to nobody again, also after it was told anew.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_another_persons_is_opened_to_nobody() {
    let office = Office::open().await;
    let logged = v1::MessageLogged {
        direction: v1::Direction::Incoming.into(),
        text: "my file says Hillcrest".into(),
        complaint: true,
    };
    let said = common::action(date(2026, 3, 1), v1::action::Action::MessageLogged(logged));
    office.service.record(&office.case, vec![said]).await;
    let told = office.last("message_logged").await;
    let shown = async || {
        let events = office.events().await;
        events.iter().any(|event| event.opened_payload_json.contains("Hillcrest"))
    };
    assert!(shown().await);
    let gone = Becomes::TakenBack(v1::TakenBack { about_another: true });
    office.correct(office.asked(told, gone, false)).await.unwrap();
    assert!(!shown().await);
    let anew = v1::MessageLogged {
        direction: v1::Direction::Incoming.into(),
        text: "mine says Elm".into(),
        complaint: true,
    };
    let anew = common::action(date(2026, 3, 1), v1::action::Action::MessageLogged(anew));
    let last = office.last("fact_corrected").await;
    office.correct(office.asked(last, Becomes::Action(anew), false)).await.unwrap();
    assert!(!shown().await);
    let events = office.events().await;
    assert!(events.iter().any(|event| event.opened_payload_json.contains("mine says Elm")));
}
