//! A claimed fee keeps its whole life in view: also once its money went back, and once its period's days moved.

use api::v1;
use api::v1::billing_client::BillingClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use v1::fact_correction::Becomes;
use v1::record_payment_request::Event;

use crate::common::{Service, action, date, first_month, id, new_case, reason, usd};

struct Office {
    service: Service,
    firm: String,
    case: String,
}

impl Office {
    /// A client who paid the first fee, of 99.
    async fn paid() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let case = new_case(&firm);
        let month = first_month(v1::Seat::Individual, "+12015550123", "tok_1");
        service.record(&case, month).await;
        let (parent, request_id, as_of) = (firm.clone(), id(), date(2026, 3, 2));
        let run = v1::RunBillingRequest { parent, request_id, as_of };
        let billed = service.billing().run_billing(run).await.unwrap().into_inner();
        let office = Self { service, firm, case };
        let settled = v1::PaymentSettled {
            payment: "pay-1".into(),
            amount: usd(99),
            invoice: billed.invoices[0].name.clone(),
        };
        office.money(Event::Settled(settled)).await;
        office
    }

    async fn money(&self, event: Event) {
        let payment = v1::RecordPaymentRequest {
            name: self.case.replace("/cases/", "/accounts/"),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            event: Some(event),
        };
        self.service.accounts().record_payment(payment).await.unwrap();
    }

    async fn give_back(&self, refund: &str, units: i64) {
        let back = v1::PaymentRefunded {
            refund: refund.into(),
            payment: "pay-1".into(),
            amount: usd(units),
            ..v1::PaymentRefunded::default()
        };
        self.money(Event::Refunded(back)).await;
    }

    /// A round in the cancellation days comes to light: nothing allowed the fee (15 USC 1679d(a)(2)).
    async fn expose(&self) {
        let letters = vec![v1::Letter {
            bureau: "northern".into(),
            items: vec!["item-1".into()],
            mail_class: v1::MailClass::FirstClass.into(),
            ..v1::Letter::default()
        }];
        let early = v1::SendRound { completes_before: false, letters };
        let early = v1::action::Action::NoteRoundSent(early);
        self.service.record(&self.case, vec![action(date(2026, 1, 6), early)]).await;
    }

    async fn keep(&self, units: i64) {
        let token = self.service.token(&self.firm, &[v1::Scope::Accept]).await;
        let request = v1::KeepFeeRequest {
            name: self.case.clone(),
            request_id: id(),
            occurred_on: date(2026, 3, 2),
            fee: Some(v1::keep_fee_request::Fee::Period(1)),
            amount: usd(units),
            counsel: "C. Ounsel".into(),
            reason: "the letter asked for a copy alone".into(),
            ..v1::KeepFeeRequest::default()
        };
        let wire = self.service.wire(Some(&token)).await;
        BillingClient::new(wire).keep_fee(request).await.unwrap();
    }

    async fn explain(&self, request: v1::ExplainFeeRequest) -> v1::FeeExplanation {
        let request = v1::ExplainFeeRequest { name: self.case.clone(), ..request };
        let answer = self.service.billing().explain_fee(request).await.unwrap().into_inner();
        answer.explanation.unwrap()
    }

    async fn first(&self) -> v1::FeeExplanation {
        self.explain(v1::ExplainFeeRequest { period: 1, ..Default::default() }).await
    }

    async fn fees(&self) -> Vec<v1::Fee> {
        let request = v1::GetCaseRequest { name: self.case.clone(), ..Default::default() };
        self.service.cases().get_case(request).await.unwrap().into_inner().case.unwrap().fees
    }
}

fn life(claim: &v1::FeeClaim) -> Vec<(&str, Option<i64>)> {
    let steps = claim.steps.iter();
    steps.map(|step| (step.r#type.as_str(), step.amount.as_ref().map(|of| of.units))).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fee_that_was_kept_and_given_back_is_explained_with_its_whole_life() {
    let office = Office::paid().await;
    office.expose().await;
    office.keep(40).await;
    office.give_back("back-1", 59).await;
    let kept = office.first().await;
    assert_eq!((kept.standing(), &kept.kept), (v1::FeeStanding::Exposed, &usd(40)));
    assert_eq!((&kept.claims[0].given_back, &kept.claims[0].owed), (&usd(59), &usd(0)));
    office.keep(0).await;
    office.give_back("back-2", 40).await;

    // The period is free again, and what was asked for it once is still told.
    let freed = office.first().await;
    assert_eq!((freed.claimed_on, freed.standing()), (None, v1::FeeStanding::Unspecified));
    let [claim] = freed.claims.as_slice() else { panic!("{:?}", freed.claims) };
    assert_eq!((claim.standing(), &claim.exposed), (v1::FeeStanding::Exposed, &usd(99)));
    assert_eq!((&claim.given_back, &claim.owed, &claim.kept), (&usd(99), &usd(0), &usd(0)));
    assert_eq!(
        life(claim),
        [
            ("fee_earned", Some(99)),
            ("invoice_issued", Some(99)),
            ("payment_settled", Some(99)),
            ("fee_marked", Some(99)),
            ("fee_kept", Some(40)),
            ("fee_marked", Some(99)),
            ("refund_issued", Some(59)),
            ("fee_marked", Some(99)),
            ("fee_kept", Some(0)),
            ("fee_marked", Some(99)),
            ("refund_issued", Some(40)),
            ("fee_marked", Some(99)),
        ]
    );
    assert_eq!(claim.steps[4].counsel, "C. Ounsel");
    assert_eq!(claim.steps[3].gates, [i32::from(v1::Gate::WaitingDays)]);
    let fees = office.fees().await;
    let claimed: Vec<&v1::Fee> = fees.iter().filter(|fee| fee.claimed_on.is_some()).collect();
    let [fee] = claimed.as_slice() else { panic!("{fees:?}") };
    assert_eq!((fee.state(), &fee.given_back), (v1::FeeState::Earned, &usd(99)));
    assert_eq!((fee.period, fee.standing()), (1, v1::FeeStanding::Exposed));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_exposed_fee_is_found_by_the_days_it_was_claimed_for() {
    let office = Office::paid().await;
    let token = office.service.token(&office.firm, &[v1::Scope::Correct, v1::Scope::Read]).await;
    let mut cases = CaseLedgerClient::new(office.service.wire(Some(&token)).await);
    let request =
        v1::ReadEventsRequest { parent: office.firm.clone(), page_size: 500, ..Default::default() };
    let events = office.service.cases().read_events(request).await.unwrap().into_inner().events;
    let at = |kind: &str| events.iter().find(|event| event.r#type == kind).unwrap().position;
    let correction = v1::FactCorrection {
        position: at("consent_signed"),
        becomes: Some(Becomes::OccurredOn(date(2026, 2, 20).unwrap())),
        reason: "it was typed from another file".into(),
        said_by: "the front desk".into(),
    };
    let request = v1::CorrectFactsRequest {
        name: office.case.clone(),
        request_id: id(),
        corrections: vec![correction],
        ..Default::default()
    };
    cases.correct_facts(request).await.unwrap();
    // The first period begins on another day now, and no fee stands for it.
    let found = office.first().await;
    assert_eq!((found.start_date, found.claimed_on), (date(2026, 1, 5), date(2026, 3, 2)));
    assert_eq!((found.standing(), &found.owed), (v1::FeeStanding::Exposed, &usd(99)));
    let named = v1::ExplainFeeRequest {
        period: 1,
        claim_position: Some(at("fee_earned")),
        ..Default::default()
    };
    assert_eq!(office.explain(named).await.start_date, date(2026, 1, 5));
    let request = v1::ExplainFeeRequest {
        name: office.case.clone(),
        period: 1,
        claim_position: Some(at("consent_signed")),
        ..Default::default()
    };
    let refused = office.service.billing().explain_fee(request).await.unwrap_err();
    assert_eq!(reason(&refused), "REFERENCE_UNKNOWN");
    let fees = office.fees().await;
    let days: Vec<_> = fees.iter().map(|fee| (fee.start_date, fee.claimed_on.is_some())).collect();
    assert_eq!(days, [(date(2026, 2, 20), false), (date(2026, 1, 5), true)]);
}
