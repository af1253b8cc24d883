//! What is said of the law of clients' states: before anything is billed, of signings, of money, of letters and of erasures.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::action::Action as A;
use api::v1::privacy_client::PrivacyClient;
use common::erasing::{end_service, erasure};
use common::{Service, action, contact, date, first_month, id, new_case, reason, usd};
use v1::DueKind as Kind;
use v1::record_payment_request::Event;

const PHONE: &str = "+12015550123";

/// An invented reading of a state's law, in every dimension. What it asks comes in the place of the last line.
fn pack(state: &str, asks: &str) -> String {
    let read: Vec<String> =
        domain::rules::Dimension::ALL.iter().map(|one| format!("\"{one}\"")).collect();
    format!(
        r#"{{ "code": "us-{}", "version": 1, "state": "{state}", "in_force_from": "2020-01-01",
            "confirmed_by_counsel": false, "note": "Invented for tests.", "read": [{}]{asks} }}"#,
        state.to_lowercase(),
        read.join(", ")
    )
}

struct Office {
    service: Service,
    firm: String,
}

impl Office {
    async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        Self { service, firm }
    }

    /// A pack that invented counsel stands for.
    async fn confirmed(&self, state: &str, asks: &str) {
        let pack = self.service.adopt(&self.firm, &pack(state, asks)).await;
        let confirm = v1::ConfirmPackRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 1, 2),
            code: pack.code,
            version: pack.version,
            sha256: pack.sha256,
            counsel: "C. Ounsel".into(),
            document_sha256: String::new(),
        };
        self.service.administration().confirm_pack(confirm).await.unwrap();
    }

    async fn at_own_risk(&self, state: &str) {
        let pack = self.service.adopt(&self.firm, &pack(state, "")).await;
        let used = v1::UsePackAtOwnRiskRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: date(2026, 1, 2),
            code: pack.code,
            version: pack.version,
            reason: "counsel is asked".into(),
        };
        self.service.administration().use_pack_at_own_risk(used).await.unwrap();
    }

    /// The first actions of a client of a state; a letter is the last of thirteen.
    async fn client(&self, state: &str, actions: usize) -> String {
        let case = new_case(&self.firm);
        let mut month = first_month(v1::Seat::Individual, PHONE, "tok_1");
        if let Some(A::Enrol(enrol)) = &mut month[0].action {
            let mut lives = contact(PHONE);
            lives.address.as_mut().unwrap().state_code = state.into();
            enrol.contact = Some(lives);
        }
        month.truncate(actions);
        self.service.record(&case, month).await;
        case
    }

    async fn head(&self) -> i64 {
        let request = v1::GetHeadRequest { parent: self.firm.clone() };
        self.service.administration().get_head(request).await.unwrap().into_inner().position
    }

    async fn due(&self, kind: Kind) -> Vec<v1::DueItem> {
        let request = v1::ListDueRequest {
            parent: self.firm.clone(),
            kind: kind.into(),
            at_least_position: self.head().await,
            ..v1::ListDueRequest::default()
        };
        self.service.administration().list_due(request).await.unwrap().into_inner().due
    }

    async fn case(&self, name: &str) -> v1::Case {
        let get = v1::GetCaseRequest { name: name.into(), ..v1::GetCaseRequest::default() };
        self.service.cases().get_case(get).await.unwrap().into_inner().case.unwrap()
    }

    async fn exposures(&self) -> Vec<v1::Exposure> {
        let request = v1::ListExposuresRequest {
            parent: self.firm.clone(),
            at_least_position: self.head().await,
            ..Default::default()
        };
        self.service.accounts().list_exposures(request).await.unwrap().into_inner().exposures
    }

    async fn review(&self, record: bool) -> v1::ReviewFeesResponse {
        let request = v1::ReviewFeesRequest { parent: self.firm.clone(), request_id: id(), record };
        self.service.billing().review_fees(request).await.unwrap().into_inner()
    }
}

fn privacy(office: &Office) -> PrivacyClient<tonic::transport::Channel> {
    PrivacyClient::new(office.service.local.clone())
}

/// The actions up to the signing, and up to the opening of work.
const SIGNED: usize = 4;
const OPENED: usize = 12;

/// A firm all of whose clients live in states without packs, and who bills nobody, is told before it does: of a client who has
/// signed, and of one who only enrolled. Whose service is over waits for nothing.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_review_names_the_states_of_clients_of_whom_nothing_was_claimed() {
    let office = Office::open().await;
    office.client("MT", SIGNED).await;
    office.client("SD", 1).await;
    let over = office.client("AL", SIGNED).await;
    office.service.record(&over, vec![action(date(2026, 3, 2), end_service())]).await;
    let review = office.review(false).await;
    assert_eq!(review.fees_changed, 0);
    let told: Vec<_> =
        review.unknown_states.iter().map(|of| (of.state_code.as_str(), of.clients)).collect();
    assert_eq!(told, [("MT", 1), ("SD", 1)]);
    for state in &review.unknown_states {
        assert_eq!(state.reasons, [format!("no rule pack of {} was adopted", state.state_code)]);
        let [way] = state.ways_out.as_slice() else { panic!("{:?}", state.ways_out) };
        for part in ["adopt a pack of the state", "counsel confirm", "own risk"] {
            assert!(way.contains(part), "{way}");
        }
    }
    // What is known is named no more.
    office.confirmed("MT", "").await;
    office.at_own_risk("SD").await;
    assert_eq!(office.review(false).await.unknown_states, []);
}

/// 15 USC 1679j: a signing that the law of a state bars is due with what it breaks; of a law that was learnt later from the review
/// on, and billing does not wait for that.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_signing_against_the_law_of_a_state_is_shown_with_what_it_breaks() {
    let office = Office::open().await;
    let registration = r#", "registration": { "cites": "invented for tests" }"#;
    let prohibited = r#", "prohibited": { "cites": "invented for tests" }"#;
    office.confirmed("MT", registration).await;
    let known = office.client("MT", SIGNED).await;
    let later = office.client("SD", SIGNED).await;
    let first = office.due(Kind::Exposure).await;
    assert_eq!(first.len(), 1, "{first:?}");
    assert_eq!((&first[0].case, first[0].since), (&known, date(2026, 1, 5)));
    let missing = "no registration valid on 2026-01-05 is on file for MT (invented for tests)";
    assert!(first[0].detail.starts_with(missing), "{}", first[0].detail);
    assert_eq!(first[0].citation, "15 USC 1679j");

    office.confirmed("SD", prohibited).await;
    let shown = office.case(&later).await;
    let [exposure] = shown.exposures.as_slice() else { panic!("{:?}", shown.exposures) };
    assert_eq!(exposure.kind(), v1::ExposureKind::SignedAgainstLaw);
    assert_eq!(exposure.details, ["the trade is not allowed in SD (invented for tests)"]);
    assert_eq!(office.review(false).await.signings_against_law, 1);
    assert_eq!(office.due(Kind::Exposure).await.len(), 1, "a look records nothing");
    let run = v1::RunBillingRequest {
        parent: office.firm.clone(),
        request_id: id(),
        as_of: date(2026, 3, 2),
    };
    office.service.billing().run_billing(run).await.unwrap();
    assert_eq!(office.review(true).await.signings_against_law, 1);
    assert_eq!(office.due(Kind::Exposure).await.len(), 2);
    assert_eq!(office.review(true).await.signings_against_law, 0);
    assert_eq!(office.exposures().await.len(), 2);

    // It was registered that day after all, as is told late.
    let standing = v1::Standing {
        kind: v1::StandingKind::Registration.into(),
        state_code: "MT".into(),
        valid_from: date(2026, 1, 1),
        valid_through: date(2026, 12, 31),
        ..v1::Standing::default()
    };
    let record = v1::RecordStandingRequest {
        parent: office.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        standing: Some(standing),
    };
    office.service.administration().record_standing(record).await.unwrap();
    let shown = office.case(&known).await;
    assert!(shown.exposures[0].put_right && shown.exceptions.is_empty(), "{shown:?}");
    let told = office.exposures().await;
    assert_eq!(told.iter().filter(|one| one.put_right).count(), 1);
    let due = office.due(Kind::Exposure).await;
    let of_known = due.iter().find(|item| item.case == known).unwrap();
    assert!(of_known.detail.contains("nothing stood against it"), "{}", of_known.detail);
}

/// Cal. Civ. Code 1789.16(b) names fifteen days from the receipt of a cancellation, others more or fewer: until then money is to go
/// back, and after it it is late.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn money_of_a_cancelled_agreement_is_due_by_the_day_of_the_state() {
    for (state, days, by, late) in
        [("MT", 15, date(2026, 1, 22), true), ("SD", 60, date(2026, 3, 8), false)]
    {
        let office = Office::open().await;
        let within =
            format!(r#", "refund_within": {{ "days": {days}, "cites": "invented for tests" }}"#);
        office.confirmed(state, &within).await;
        let case = office.client(state, SIGNED).await;
        let settled =
            v1::PaymentSettled { payment: "pay-1".into(), amount: usd(99), invoice: String::new() };
        let payment = v1::RecordPaymentRequest {
            name: case.replace("/cases/", "/accounts/"),
            request_id: id(),
            occurred_on: date(2026, 1, 6),
            event: Some(Event::Settled(settled)),
        };
        office.service.accounts().record_payment(payment).await.unwrap();
        assert_eq!(office.due(Kind::UnearnedMoney).await[0].due_on, None);
        let cancel = v1::Cancel { sent_on: date(2026, 1, 6), reason: String::new() };
        office.service.record(&case, vec![action(date(2026, 1, 7), A::Cancel(cancel))]).await;
        let due = office.due(Kind::UnearnedMoney).await;
        assert_eq!(due[0].due_on, by, "{due:?}");
        assert_eq!(due[0].detail.contains("; late: it was to be given back by"), late, "{due:?}");
        assert!(due[0].detail.contains("invented for tests"), "{due:?}");
        let exposed = office.exposures().await;
        let owed = exposed.iter().find(|one| one.owed == usd(99)).unwrap();
        assert_eq!((owed.return_by, owed.return_citation.as_str()), (by, "invented for tests"));
    }
}

/// A fee that rests on a pack that counsel did not confirm says so where it may be claimed (common practice, no source).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_claimable_fee_names_the_pack_that_is_used_at_own_risk() {
    let office = Office::open().await;
    office.at_own_risk("MT").await;
    office.confirmed("SD", "").await;
    let risky = office.client("MT", usize::MAX).await;
    let sure = office.client("SD", usize::MAX).await;
    let request = v1::ListClaimableRequest {
        parent: office.firm.clone(),
        as_of: date(2026, 3, 2),
        at_least_position: office.head().await,
        claimable: Some(true),
        ..Default::default()
    };
    let fees = office.service.billing().list_claimable(request).await.unwrap().into_inner().fees;
    let of = |case: &String| fees.iter().find(|fee| fee.case == *case).unwrap().at_own_risk.clone();
    assert_eq!(of(&risky), [v1::RulesVersion { pack: "us-mt".into(), version: 1 }]);
    assert_eq!(of(&sure), []);
}

/// RCW 19.134.020, Cal. Civ. Code 1789.135: what a clerk sees to before a letter leaves is told with the round, and what holds it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_round_that_may_go_out_says_what_its_state_asks_of_letters() {
    let consent = r#", "dispute_consent": { "rule": "item_basis", "identifiers_cut": true,
        "cites": "invented for tests" }"#;
    for (state, asks, said) in [
        ("MT", Some(consent), "before it leaves, cut identifiers to their last four digits"),
        ("SD", None, "it is held: whether a state asks for more before anything is disputed"),
    ] {
        let office = Office::open().await;
        if let Some(asks) = asks {
            office.confirmed(state, asks).await;
        }
        let case = office.client(state, OPENED).await;
        let due = office.due(Kind::RoundPossible).await;
        assert!(due[0].detail.contains(said), "{due:?}");
        let shown = office.case(&case).await.before_letters;
        assert_eq!(shown.len(), 1, "{shown:?}");
        assert_eq!(shown[0].starts_with("held: "), asks.is_none(), "{shown:?}");
    }
}

/// Nobody knows how long a record is kept where nobody has read the law: the list says so, and nobody is erased.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_list_of_what_is_kept_says_where_that_is_not_known() {
    let office = Office::open().await;
    let case = office.client("MT", SIGNED).await;
    office.service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;
    let kept = async || {
        let request = v1::ListRetentionRequest {
            parent: office.firm.clone(),
            at_least_position: office.head().await,
            ..v1::ListRetentionRequest::default()
        };
        privacy(&office).list_retention(request).await.unwrap().into_inner().cases.remove(0)
    };
    let unknown = kept().await;
    assert_eq!(unknown.erasable_from, None);
    assert!(unknown.unknown[0].starts_with("no rule pack of MT was adopted: adopt a pack"));
    let erase = erasure(&case, date(2026, 3, 2));
    let refused = privacy(&office).erase_person(erase).await.unwrap_err();
    assert_eq!(reason(&refused), "NOT_ALLOWED_YET");
    office.confirmed("MT", "").await;
    let known = kept().await;
    assert_eq!((known.erasable_from, known.unknown.len()), (date(2031, 3, 3), 0));
}

/// 15 USC 1679j: work on a day on which the bond of its state had ended is a breach, named wherever exposures are; of a lapse that
/// is told later from the review on, shown from the telling; and what stood after all puts it right.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn work_on_a_day_without_security_is_shown_with_what_did_not_stand() {
    let office = Office::open().await;
    let bond = r#", "bond": { "amount": { "currency": "USD", "minor": "1000000" },
        "cites": "invented for tests", "when": "always" }"#;
    office.confirmed("MT", bond).await;
    let stands = |from, through| v1::RecordStandingRequest {
        parent: office.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        standing: Some(v1::Standing {
            kind: v1::StandingKind::Bond.into(),
            state_code: "MT".into(),
            amount: usd(10_000),
            valid_from: from,
            valid_through: through,
            ..v1::Standing::default()
        }),
    };
    let file = async |from, through| {
        office.service.administration().record_standing(stands(from, through)).await.unwrap();
    };
    file(date(2026, 1, 1), date(2026, 1, 5)).await;
    let case = office.client("MT", 99).await;
    let of_work = |exposures: &[v1::Exposure]| -> Vec<v1::Exposure> {
        let is_it = |of: &&v1::Exposure| of.kind() == v1::ExposureKind::WorkUnsecured;
        exposures.iter().filter(is_it).cloned().collect()
    };
    let told = of_work(&office.exposures().await);
    assert!(!told.is_empty());
    for exposure in &told {
        assert_eq!((exposure.put_right, exposure.citation.as_str()), (false, "15 USC 1679j"));
        let [detail] = exposure.details.as_slice() else { panic!("{exposure:?}") };
        assert!(detail.starts_with("no bond of USD 10000.00 valid on 2026-01-"), "{detail}");
        assert!(detail.ends_with("is on file for MT (invented for tests)"), "{detail}");
    }
    let shown = office.case(&case).await;
    let said = |exposures: &[v1::Exposure]| -> Vec<_> {
        exposures.iter().map(|of| (of.event.clone(), of.found_on, of.details.clone())).collect()
    };
    assert_eq!(said(&of_work(&shown.exposures)), said(&told));
    let due = office.due(Kind::Exposure).await;
    let due: Vec<_> = due.iter().filter(|item| item.detail.contains("no bond of")).collect();
    assert_eq!((due.len(), due[0].citation.as_str()), (1, "15 USC 1679j"));
    assert_eq!(office.review(false).await.work_unsecured, 0, "all of it was told");

    // It stood after all, as is told late; then that it had ended after all, which a review carries to the client.
    file(date(2026, 1, 6), date(2026, 12, 31)).await;
    let shown = of_work(&office.case(&case).await.exposures);
    assert!(shown.len() == told.len() && shown.iter().all(|of| of.put_right), "{shown:?}");
    assert!(of_work(&office.exposures().await).iter().all(|of| of.put_right));
    let other = office.client("MT", 99).await;
    assert_eq!(of_work(&office.case(&other).await.exposures), []);
    let ended = v1::EndStandingRequest {
        parent: office.firm.clone(),
        request_id: id(),
        occurred_on: date(2026, 3, 2),
        kind: v1::StandingKind::Bond.into(),
        state_code: "MT".into(),
        valid_from: date(2026, 1, 6),
        last_day: date(2026, 1, 7),
        reason: v1::StandingEndReason::SuretyCancelled.into(),
        ..v1::EndStandingRequest::default()
    };
    office.service.administration().end_standing(ended).await.unwrap();
    let untold = of_work(&office.case(&other).await.exposures);
    assert_eq!(untold.len(), told.len());
    let review = office.review(false).await;
    assert_eq!(usize::try_from(review.work_unsecured).unwrap(), told.len());
    office.review(true).await;
    assert_eq!(office.review(false).await.work_unsecured, 0);
    assert_eq!(of_work(&office.exposures().await).len(), 2 * told.len());
}
