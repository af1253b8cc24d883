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
    assert_eq!((federal.read_dimensions.len(), federal.unread_dimensions.len()), (8, 0));
    let california = office.pack("us-ca").await;
    assert_eq!(california.unread_dimensions, ["performance", "telemarketing"]);
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
