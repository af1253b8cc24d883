//! Who stands for a firm's rule packs, and how long what it has on file with a state lasts.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use api::v1;
use api::v1::administration_client::AdministrationClient;
use common::{Service, date, id, reason, usd};
use domain::rules::EXAMPLE_PACKS;
use tonic::Status;
use tonic::transport::Channel;

const TODAY: (i32, i32, i32) = (2026, 3, 2);

fn today() -> Option<api::google::r#type::Date> {
    date(TODAY.0, TODAY.1, TODAY.2)
}

/// A firm that adopted every pack that comes along.
struct Office {
    service: Service,
    firm: String,
}

impl Office {
    async fn open() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        for pack in &EXAMPLE_PACKS[1..] {
            let request = v1::AdoptPackRequest {
                parent: firm.clone(),
                request_id: id(),
                occurred_on: today(),
                pack_json: (*pack).to_owned(),
            };
            service.administration().adopt_pack(request).await.unwrap();
        }
        Self { service, firm }
    }

    fn client(&self) -> AdministrationClient<Channel> {
        self.service.administration()
    }

    async fn shown(&self) -> v1::Firm {
        let request = v1::GetFirmRequest { name: self.firm.clone(), at_least_position: 0 };
        self.client().get_firm(request).await.unwrap().into_inner().firm.unwrap()
    }

    async fn pack(&self, code: &str) -> v1::RulePack {
        self.shown().await.packs.into_iter().find(|pack| pack.code == code).unwrap()
    }

    async fn confirmed(&self, code: &str) -> v1::ConfirmPackRequest {
        let pack = self.pack(code).await;
        v1::ConfirmPackRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: today(),
            code: pack.code,
            version: pack.version,
            sha256: pack.sha256,
            counsel: "Robin Ashdown, counsel".into(),
            document_sha256: "ab".repeat(32),
        }
    }

    fn at_own_risk(&self, code: &str, version: i32) -> v1::UsePackAtOwnRiskRequest {
        v1::UsePackAtOwnRiskRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: today(),
            code: code.into(),
            version,
            reason: "Counsel reads it next month.".into(),
        }
    }

    async fn bond(&self) {
        let standing = Some(v1::Standing {
            kind: v1::StandingKind::Bond.into(),
            state_code: "TX".into(),
            valid_from: date(2026, 1, 1),
            valid_through: date(2026, 12, 31),
            amount: usd(10_000),
            ..v1::Standing::default()
        });
        let request = v1::RecordStandingRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: today(),
            standing,
        };
        self.client().record_standing(request).await.unwrap();
    }

    fn ended(&self) -> v1::EndStandingRequest {
        v1::EndStandingRequest {
            parent: self.firm.clone(),
            request_id: id(),
            occurred_on: today(),
            kind: v1::StandingKind::Bond.into(),
            state_code: "TX".into(),
            valid_from: date(2026, 1, 1),
            last_day: date(2026, 3, 31),
            reason: v1::StandingEndReason::SuretyCancelled.into(),
            document_sha256: "cd".repeat(32),
        }
    }
}

fn is_refused(refused: &Status, why: &str, detail: &str) {
    assert_eq!(reason(refused), why, "{refused:?}");
    assert!(format!("{refused:?}").contains(detail), "{refused:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pack_shows_what_was_read_and_who_stands_for_it() {
    let office = Office::open().await;
    let federal = office.pack("us-federal").await;
    let dimensions = domain::rules::Dimension::ALL.len();
    assert_eq!((federal.read_dimensions.len(), federal.unread_dimensions.len()), (dimensions, 0));
    let california = office.pack("us-ca").await;
    let unread = &california.unread_dimensions;
    for dimension in ["contract_items", "estimate_cap", "performance", "telemarketing"] {
        assert!(unread.iter().any(|unread| unread == dimension), "{dimension}: {unread:?}");
    }
    assert_eq!(california.read_dimensions.len() + unread.len(), dimensions);
    assert!(!california.confirmed_by_counsel && california.confirmations.is_empty());

    let wrong = v1::ConfirmPackRequest {
        sha256: federal.sha256.clone(),
        ..office.confirmed("us-ca").await
    };
    let refused = office.client().confirm_pack(wrong).await.unwrap_err();
    is_refused(&refused, "VALUE_REFUSED", "counsel read another one");
    let confirm = office.confirmed("us-ca").await;
    let first = office.client().confirm_pack(confirm.clone()).await.unwrap().into_inner();
    let again = office.client().confirm_pack(confirm).await.unwrap().into_inner();
    let (first, again) = (first.receipt.unwrap(), again.receipt.unwrap());
    assert_eq!((again.position, again.replayed), (first.position, true));
    let shown = office.pack("us-ca").await;
    assert!(shown.confirmed_by_counsel && shown.own_risk.is_none());
    let confirmation = &shown.confirmations[0];
    assert_eq!(confirmation.counsel, "Robin Ashdown, counsel");
    assert_eq!((confirmation.confirmed_on, confirmation.position), (today(), first.position));
    assert_eq!(confirmation.document_sha256, "ab".repeat(32));
    assert_eq!(shown.json, california.json, "what counsel confirmed is what was adopted");

    let use_it = office.at_own_risk("us-ca", 2);
    let refused = office.client().use_pack_at_own_risk(use_it).await.unwrap_err();
    is_refused(&refused, "ALREADY_RECORDED", "counsel confirmed this version");
    let use_it = office.at_own_risk("us-tx", 2);
    office.client().use_pack_at_own_risk(use_it).await.unwrap();
    let shown = office.pack("us-tx").await;
    let risk = shown.own_risk.unwrap();
    assert_eq!((risk.reason.as_str(), risk.since), ("Counsel reads it next month.", today()));
    assert!(!shown.confirmed_by_counsel);
    let unknown = office.at_own_risk("us-tx", 3);
    let refused = office.client().use_pack_at_own_risk(unknown).await.unwrap_err();
    is_refused(&refused, "REFERENCE_UNKNOWN", "pack us-tx version 3 was not adopted");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pack_is_not_adopted_with_counsels_word_in_it() {
    let office = Office::open().await;
    let said = EXAMPLE_PACKS[1]
        .replace("\"confirmed_by_counsel\": false", "\"confirmed_by_counsel\": true")
        .replace("\"version\": 2", "\"version\": 3");
    let request = v1::AdoptPackRequest {
        parent: office.firm.clone(),
        request_id: id(),
        occurred_on: today(),
        pack_json: said,
    };
    let refused = office.client().adopt_pack(request).await.unwrap_err();
    is_refused(&refused, "VALUE_REFUSED", "confirmed_by_counsel must be false");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bond_that_its_surety_cancels_shows_its_last_day() {
    let office = Office::open().await;
    let refused = office.client().end_standing(office.ended()).await.unwrap_err();
    is_refused(&refused, "REFERENCE_UNKNOWN", "no bond of TX from 2026-01-01 was recorded");
    office.bond().await;
    office.client().end_standing(office.ended()).await.unwrap();
    let standing = office.shown().await.standings.remove(0);
    assert_eq!(standing.valid_through, date(2026, 12, 31), "what was recorded stays");
    let end = standing.end.unwrap();
    assert_eq!((end.last_day, end.told_on), (date(2026, 3, 31), today()));
    assert_eq!(end.reason(), v1::StandingEndReason::SuretyCancelled);
    assert_eq!(end.document_sha256, "cd".repeat(32));
    let refused = office.client().end_standing(office.ended()).await.unwrap_err();
    is_refused(&refused, "VALUE_REFUSED", "must be before 2026-03-31");
}

/// A pack of a state, as it comes along, for which invented counsel stands.
fn of(state: &str) -> &'static str {
    let code = format!("\"state\": \"{state}\"");
    domain::rules::STATE_PACKS.iter().find(|pack| pack.contains(&code)).unwrap()
}

async fn confirmed_pack(service: &Service, firm: &str, json: &str) {
    // It was read before the days of these stories.
    let json = json.replace("\"text_read_on\": \"2026-11-29\"", "\"text_read_on\": \"2026-03-01\"");
    let pack = service.adopt(firm, &json).await;
    let confirm = v1::ConfirmPackRequest {
        parent: firm.to_owned(),
        request_id: id(),
        occurred_on: today(),
        code: pack.code,
        version: pack.version,
        sha256: pack.sha256,
        counsel: "Robin Ashdown, counsel".into(),
        document_sha256: String::new(),
    };
    service.administration().confirm_pack(confirm).await.unwrap();
}

/// N.C.G.S. 66-226: what was done of a contract in North Carolina brings its act along, whoever the client is.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_agreement_is_prepared_or_refused_with_everything_that_stands_against_it() {
    let service = Service::start().await;
    let firm = service.firm().await;
    let case = common::new_case(&firm);
    let enrolled = common::enrol(v1::Seat::Individual, "+12015550125", "tok_9");
    service.record(&case, vec![enrolled]).await;
    let ask = |activity: &[&str], items: &[&str]| v1::PrepareAgreementRequest {
        name: case.clone(),
        at_least_position: 0,
        signing_on: today(),
        contract_items: items.iter().map(|item| (*item).to_owned()).collect(),
        activity_state_codes: activity.iter().map(|state| (*state).to_owned()).collect(),
        ..v1::PrepareAgreementRequest::default()
    };
    let prepared = service.cases().prepare_agreement(ask(&[], &[])).await.unwrap().into_inner();
    assert_eq!(prepared.cancel_through, date(2026, 3, 5), "three business days");
    assert_eq!((prepared.service_from, prepared.estimated_days), (date(2026, 3, 6), 180));
    let packs: Vec<&str> = prepared.packs.iter().map(|pack| pack.code.as_str()).collect();
    assert_eq!(packs, ["us-federal", "us-il"]);

    let refused = service.cases().prepare_agreement(ask(&["NC"], &[])).await.unwrap_err();
    is_refused(&refused, "NOT_ALLOWED_YET", "no rule pack of NC was adopted");
    confirmed_pack(&service, &firm, of("NC")).await;
    let refused = service.cases().prepare_agreement(ask(&["NC"], &["agent"])).await.unwrap_err();
    for detail in [
        "no bond or trust account of USD 10000.00 valid on 2026-03-02 is on file for NC",
        "a fee for each of 6 periods is one before all agreed services are done, which NC bars",
        "the papers do not hold bond notice, items listed, results",
        "N.C.G.S. 66-222",
    ] {
        is_refused(&refused, "NOT_ALLOWED_YET", detail);
    }
    let refused = service.cases().prepare_agreement(ask(&[], &["agents"])).await.unwrap_err();
    assert!(format!("{refused:?}").contains("contract_items[0]"), "{refused:?}");

    // Another plan than that of the enrolment, if there is one; and languages are codes.
    let of_plan = v1::PrepareAgreementRequest { plan: "unheard-of".into(), ..ask(&[], &[]) };
    let refused = service.cases().prepare_agreement(of_plan).await.unwrap_err();
    is_refused(&refused, "STATE_REFUSES", "the plan unheard-of is not offered to this client");
    let agreement = "Spanish".to_owned();
    let languages = Some(v1::AgreementLanguages { agreement, ..Default::default() });
    let in_words = v1::PrepareAgreementRequest { languages, ..ask(&[], &[]) };
    let refused = service.cases().prepare_agreement(in_words).await.unwrap_err();
    assert!(format!("{refused:?}").contains("languages.agreement"), "{refused:?}");
}

/// Colo. Rev. Stat. 5-19-107: the notice of cancellation is in the language of the contract.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_agreement_is_refused_whose_notices_are_in_another_language() {
    let service = Service::start().await;
    let firm = service.firm().await;
    confirmed_pack(&service, &firm, of("CO")).await;
    let case = common::new_case(&firm);
    let mut enrolled = common::enrol(v1::Seat::Individual, "+12015550125", "tok_9");
    if let Some(v1::action::Action::Enrol(enrol)) = &mut enrolled.action {
        let lives = enrol.contact.as_mut().unwrap();
        lives.address.as_mut().unwrap().state_code = "CO".into();
    }
    service.record(&case, vec![enrolled]).await;
    let ask = |notice: &str| v1::PrepareAgreementRequest {
        name: case.clone(),
        signing_on: today(),
        languages: Some(v1::AgreementLanguages {
            agreement: "es".into(),
            negotiation: "es".into(),
            notice: notice.into(),
        }),
        ..v1::PrepareAgreementRequest::default()
    };
    let asked = "CO asks for notices of cancellation in the language of the agreement";
    for (notice, said) in [
        ("", format!("{asked}, and nobody has said in which they are")),
        ("en", format!("{asked}, and they are in others")),
    ] {
        let refused = service.cases().prepare_agreement(ask(notice)).await.unwrap_err();
        is_refused(&refused, "NOT_ALLOWED_YET", &said);
    }
    let refused = service.cases().prepare_agreement(ask("es")).await.unwrap_err();
    assert!(!format!("{refused:?}").contains("CO asks for notices"), "{refused:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_plan_is_published_and_told_where_it_does_not_fit() {
    let service = Service::start().await;
    let firm = service.firm().await;
    confirmed_pack(&service, &firm, of("MO")).await;
    let shown = v1::GetFirmRequest { name: firm.clone(), at_least_position: 0 };
    let shown = service.administration().get_firm(shown).await.unwrap().into_inner();
    let plan = v1::Plan { periods: 7, couple: None, ..shown.firm.unwrap().plans.remove(0) };
    let publish = v1::PublishPlanRequest {
        parent: firm,
        request_id: id(),
        occurred_on: today(),
        plan: Some(v1::Plan { version: 0, ..plan }),
    };
    let answer = service.administration().publish_plan(publish).await.unwrap().into_inner();
    assert!(answer.receipt.is_some(), "it may be sold elsewhere");
    let [misfit] = answer.misfits.as_slice() else { panic!("{:?}", answer.misfits) };
    assert_eq!((misfit.state_code.as_str(), misfit.citation.as_str()), ("MO", "RSMo 407.642.1(3)"));
    assert_eq!(misfit.reason, "7 periods are an estimate of 210 days, and MO allows 180");
}
