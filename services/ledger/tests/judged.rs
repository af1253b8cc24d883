//! Fees judged on what is known today: what holds them, and what became of those that were claimed.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use common::{Service, action, date, first_month, id, new_case, usd};

const PHONE: &str = "+12015550123";

fn run(firm: &str) -> v1::RunBillingRequest {
    v1::RunBillingRequest { parent: firm.into(), request_id: id(), as_of: date(2026, 3, 2) }
}

/// A round that left in the cancellation days.
fn early_round() -> v1::Action {
    let letters = vec![v1::Letter {
        bureau: "northern".into(),
        items: vec!["item-1".into()],
        mail_class: v1::MailClass::FirstClass.into(),
        ..v1::Letter::default()
    }];
    let early =
        v1::action::Action::NoteRoundSent(v1::SendRound { completes_before: false, letters });
    action(date(2026, 1, 6), early)
}

async fn explained(service: &Service, case: &str, period: i32) -> v1::FeeExplanation {
    let explain =
        v1::ExplainFeeRequest { name: case.into(), period, ..v1::ExplainFeeRequest::default() };
    service.billing().explain_fee(explain).await.unwrap().into_inner().explanation.unwrap()
}

fn charges(firm: &str) -> v1::RequestChargesRequest {
    v1::RequestChargesRequest {
        parent: firm.into(),
        request_id: id(),
        as_of: date(2026, 3, 2),
        charges_max: 0,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_claimed_fee_is_judged_again_on_what_is_told_later_and_not_asked_for_once_more() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    service.record(&case, first_month(v1::Seat::Individual, PHONE, "tok_1")).await;
    let before = explained(&service, &case, 1).await;
    assert!(before.claimable && before.claimed_on.is_none() && before.invoice.is_empty());
    assert_eq!(before.standing(), v1::FeeStanding::Unspecified);
    service.billing().run_billing(run(&firm)).await.unwrap();
    let claimed = explained(&service, &case, 1).await;
    assert_eq!((&claimed.amount, &claimed.work), (&before.amount, &before.work));
    assert_eq!(claimed.standing(), v1::FeeStanding::Allowed);
    assert!(claimed.findings.iter().all(|finding| finding.holds), "{:?}", claimed.findings);

    // A round in the cancellation days comes to light: nothing allowed the fee (15 USC 1679d(a)(2)).
    service.record(&case, vec![early_round()]).await;
    let exposed = explained(&service, &case, 1).await;
    assert_eq!(exposed.standing(), v1::FeeStanding::Exposed);
    assert_eq!((exposed.owed.clone(), exposed.exposed_open.clone()), (usd(0), usd(99)));
    assert_eq!((&exposed.amount, &exposed.work), (&claimed.amount, &claimed.work));
    assert_eq!((exposed.claimed_on, exposed.as_of), (date(2026, 3, 2), date(2026, 3, 2)));
    let closed: Vec<_> = exposed.findings.iter().filter(|finding| !finding.holds).collect();
    assert_eq!(closed.len(), 1, "{closed:?}");
    assert_eq!(
        (closed[0].gate(), closed[0].answer()),
        (v1::Gate::WaitingDays, v1::GateAnswer::Fails)
    );
    assert_eq!(closed[0].opening(), v1::GateOpening::Never);
    assert_eq!(
        closed[0].because,
        "service was performed on 2026-01-06; service may begin on 2026-01-09"
    );
    let asked = service.accounts().request_charges(charges(&firm)).await.unwrap().into_inner();
    assert_eq!((asked.charges.len(), asked.skipped.len()), (0, 1));
    assert_eq!(asked.skipped[0].reason, "GATES_CLOSED");
    let get = v1::GetCaseRequest { name: case.clone(), ..v1::GetCaseRequest::default() };
    let fees = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap().fees;
    let shown: Vec<_> = fees.iter().map(|fee| (fee.period, fee.state(), fee.standing())).collect();
    assert_eq!(
        shown,
        [
            (1, v1::FeeState::Earned, v1::FeeStanding::Exposed),
            (2, v1::FeeState::Open, v1::FeeStanding::Unspecified)
        ]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_fee_is_held_until_somebody_stands_for_the_law_of_its_state() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, PHONE, "tok_1");
    let Some(v1::action::Action::Enrol(enrol)) = &mut month[0].action else { unreachable!() };
    let contact = enrol.contact.as_mut().unwrap();
    contact.address.as_mut().unwrap().state_code = "OH".into();
    // The service writes no letter there, and what left is a fact all the same.
    for action in &mut month {
        action.action = action.action.take().map(|told| match told {
            v1::action::Action::SendRound(round) => v1::action::Action::NoteRoundSent(round),
            told => told,
        });
    }
    let end = v1::EndService { ended_by: v1::EndedBy::Client.into(), reason: String::new() };
    month.push(action(date(2026, 2, 20), v1::action::Action::EndService(end)));
    let position = service.record(&case, month).await.position;
    let get = |position| v1::GetCaseRequest {
        name: case.clone(),
        as_of_position: position,
        ..v1::GetCaseRequest::default()
    };
    let shown = async |position| {
        let case =
            service.cases().get_case(get(position)).await.unwrap().into_inner().case.unwrap();
        assert_eq!(case.current_period, None, "an ended service has no running period");
        case.fees.into_iter().map(|fee| (fee.state(), fee.held_gates)).collect::<Vec<_>>()
    };
    // The second period was cut short by the end: it earns nothing, and no run will say so.
    let (state, performed) = (v1::Gate::State.into(), v1::Gate::FullyPerformed.into());
    let held = [(v1::FeeState::Held, vec![state]), (v1::FeeState::Held, vec![performed, state])];
    assert_eq!(shown(None).await, held);
    let finding = explained(&service, &case, 1).await.findings.remove(6);
    assert_eq!(
        (finding.gate(), finding.answer(), finding.opening()),
        (v1::Gate::State, v1::GateAnswer::Unknown, v1::GateOpening::PutRight)
    );
    assert_eq!(finding.because, "no rule pack of OH was adopted");
    assert!(!finding.holds);

    let of_ohio = r#"{
        "code": "us-oh", "version": 1, "state": "OH", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "note": "Invented for tests.",
        "read": ["cancellation", "monthly_statement", "perform_within", "performance",
            "prohibited", "registration", "security", "telemarketing",
                 "contract_items", "estimate_cap", "fee_cap", "statement"]
    }"#;
    service.adopt(&firm, of_ohio).await;
    let finding = explained(&service, &case, 1).await.findings.remove(6);
    assert_eq!(
        finding.because,
        "pack us-oh version 1 is neither confirmed by counsel nor used at own risk"
    );
    let risk = v1::UsePackAtOwnRiskRequest {
        parent: firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        code: "us-oh".into(),
        version: 1,
        reason: "Counsel reads it next month.".into(),
    };
    service.administration().use_pack_at_own_risk(risk).await.unwrap();
    let explained = explained(&service, &case, 1).await;
    assert!(explained.claimable, "{:?}", explained.findings);
    assert_eq!(
        explained.findings[6].because,
        "nothing in us-federal version 1 and us-oh version 1 stands against it in OH; us-oh version 1 \
         used at the firm's own risk"
    );
    let open = [(v1::FeeState::Open, vec![]), (v1::FeeState::Held, vec![performed])];
    assert_eq!(shown(None).await, open);
    // What was known before is shown as it was judged then.
    assert_eq!(shown(Some(position)).await, held);
    let ran = service.billing().run_billing(run(&firm)).await.unwrap().into_inner();
    assert_eq!((ran.fees_earned, ran.fees_held), (1, 0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_claimed_fee_is_shown_under_the_period_whose_days_it_has_whatever_its_number_was() {
    use v1::action::Action as A;
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = new_case(&firm);
    let mut month = first_month(v1::Seat::Individual, PHONE, "tok_1");
    month[0].occurred_on = date(2025, 12, 6);
    service.record(&case, month).await;
    service.billing().run_billing(run(&firm)).await.unwrap();
    assert_eq!(explained(&service, &case, 1).await.amount, usd(99));
    // Told late: an agreement thirty days earlier. What was claimed as the first month was the second.
    let signed = v1::SignConsent {
        total_of_payments: usd(2_000),
        copies_given: true,
        e_sign_consent: true,
        document_sha256: String::new(),
        promised_results: Vec::new(),
        ..v1::SignConsent::default()
    };
    let earlier =
        [A::DisclosureAcknowledged(v1::DisclosureAcknowledged::default()), A::SignConsent(signed)];
    service.record(&case, earlier.map(|a| action(date(2025, 12, 6), a)).into()).await;
    let first = explained(&service, &case, 1).await;
    assert_eq!((first.start_date, first.claimed_on), (date(2025, 12, 6), None));
    assert_eq!((first.amount.clone(), first.claimable), (usd(99), false));
    let second = explained(&service, &case, 2).await;
    assert_eq!((second.period, second.start_date), (2, date(2026, 1, 5)));
    assert_eq!(second.claimed_on, date(2026, 3, 2));
    // Of 99.00 the price of a later month is 79.00: the rest was allowed by nothing.
    assert_eq!(second.standing(), v1::FeeStanding::Exposed);
    assert_eq!((second.amount, second.exposed_open), (usd(99), usd(20)));
    let closed: Vec<_> = second.findings.iter().filter(|finding| !finding.holds).collect();
    assert_eq!(closed.len(), 1, "{closed:?}");
    assert_eq!(closed[0].because, "USD 99.00 is above the price of the period, USD 79.00");
    let asked = service.accounts().request_charges(charges(&firm)).await.unwrap().into_inner();
    assert_eq!(asked.charges[0].amount, usd(79));
    let get = v1::GetCaseRequest { name: case, ..v1::GetCaseRequest::default() };
    let fees = service.cases().get_case(get).await.unwrap().into_inner().case.unwrap().fees;
    let shown: Vec<_> = fees.iter().map(|fee| (fee.state(), fee.standing())).collect();
    assert_eq!(
        shown,
        [
            (v1::FeeState::Held, v1::FeeStanding::Unspecified),
            (v1::FeeState::Earned, v1::FeeStanding::Exposed),
            (v1::FeeState::Open, v1::FeeStanding::Unspecified)
        ]
    );
}
