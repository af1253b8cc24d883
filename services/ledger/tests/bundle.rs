//! Bundles over the wire: what an examiner's token may take along, and what is on record of it.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use crate::examiner::looks;
use api::v1;
use api::v1::audit_client::AuditClient;
use api::v1::export_bundle_request::Scope;
use api::v1::export_bundle_response::Message;
use bundle::{Request, Trust};
use common::office::Office;
use common::{Wire, date, new_case};
use sha2::{Digest as _, Sha256};
use tonic::{Code, Status};

/// An office whose log is signed.
async fn office() -> Office {
    let office = Office::open().await;
    let firm = api::name::parse_firm(&office.firm).unwrap();
    office.service.ledger.create_signing_key(firm, None).await.unwrap();
    office
}

async fn export(
    office: &Office,
    wire: &Wire,
    scope: Scope,
) -> Result<(Vec<u8>, v1::BundleReport), Status> {
    let request = v1::ExportBundleRequest {
        parent: office.firm.clone(),
        scope: Some(scope),
        ..v1::ExportBundleRequest::default()
    };
    let mut audit = AuditClient::new(wire.clone());
    let mut stream = audit.export_bundle(request).await?.into_inner();
    let (mut bytes, mut report) = (Vec::new(), None);
    while let Some(response) = stream.message().await? {
        assert!(report.is_none(), "the report is the last message");
        match response.message.unwrap() {
            Message::Progress(_) => {}
            Message::Chunk(chunk) => bytes.extend(chunk),
            Message::Report(made) => report = Some(made),
        }
    }
    Ok((bytes, report.unwrap()))
}

fn whole() -> Scope {
    Scope::WholeLog(v1::WholeLog {})
}

fn cases(names: &[&String]) -> Scope {
    Scope::Cases(v1::CaseSelection { names: names.iter().map(|name| (*name).clone()).collect() })
}

fn days(from: (i32, i32, i32), through: (i32, i32, i32)) -> Scope {
    let day = |(year, month, day)| date(year, month, day);
    Scope::Days(v1::DaySelection { from: day(from), through: day(through) })
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_sent_is_sound_and_on_record_as_taken() {
    let office = office().await;
    let wire = office.examiner(None).await;
    let (bytes, report) = export(&office, &wire, whole()).await.unwrap();
    assert_eq!(report.byte_count, i64::try_from(bytes.len()).unwrap());
    assert_eq!(report.sha256, hex::encode(Sha256::digest(&bytes)));
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), &bytes).unwrap();
    let trust =
        Trust { public_keys: vec![report.verifier_key.parse().unwrap()], ..Trust::default() };
    let verified = bundle::verify(file.path(), &trust, |_, _| {}).unwrap();
    assert!(verified.is_sound(), "{:?}", verified.findings);
    assert_eq!((verified.root.hex(), verified.cases), (report.root, 2));
    assert_eq!(verified.request, Some(Request::All));
    // The next bundle tells of this one.
    let (bytes, _) = export(&office, &wire, cases(&[&office.one])).await.unwrap();
    std::fs::write(file.path(), &bytes).unwrap();
    assert!(bundle::verify(file.path(), &trust, |_, _| {}).unwrap().is_sound());
    let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
    let table = std::io::read_to_string(archive.by_name("tables/access.csv").unwrap()).unwrap();
    let exports: Vec<&str> =
        table.lines().filter(|row| row.ends_with(",export ExportBundle")).collect();
    assert_eq!(exports.len(), 1, "{table}");
    assert!(exports[0].contains(",state examiner 1,"), "{table}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bound_token_takes_along_what_it_is_bound_to_and_nothing_else() {
    let office = office().await;
    let bounds = v1::TokenBounds { cases: vec![office.one.clone()], ..v1::TokenBounds::default() };
    let of_case = office.examiner(Some(bounds)).await;
    export(&office, &of_case, cases(&[&office.one])).await.unwrap();
    let bounds = v1::TokenBounds {
        from: date(2026, 1, 1),
        through: date(2026, 3, 31),
        ..v1::TokenBounds::default()
    };
    let of_days = office.examiner(Some(bounds)).await;
    for (wire, scope) in [
        (&of_case, whole()),
        (&of_case, cases(&[&office.one, &office.other])),
        (&of_case, days((2026, 1, 1), (2026, 1, 31))),
        (&of_days, whole()),
        (&of_days, cases(&[&office.one])),
        // A bundle holds whole streams: they would show other days too.
        (&of_days, days((2026, 1, 1), (2026, 1, 31))),
    ] {
        let denied = export(&office, wire, scope.clone()).await.unwrap_err();
        assert_eq!(denied.code(), Code::PermissionDenied, "{scope:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn keys_of_personal_values_are_the_administrators_to_give() {
    let office = office().await;
    let wire = office.examiner(None).await;
    let request = v1::ExportBundleRequest {
        parent: office.firm.clone(),
        scope: Some(whole()),
        open_personal: true,
        ..v1::ExportBundleRequest::default()
    };
    let denied = AuditClient::new(wire).export_bundle(request).await.unwrap_err();
    assert_eq!(denied.code(), Code::PermissionDenied);
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_takes_keys_of_all_or_of_days_along_has_looked_at_each_client_in_it() {
    let office = office().await;
    for scope in [whole(), days((2026, 1, 1), (2026, 1, 31))] {
        let before = looks(&office).await;
        let request = v1::ExportBundleRequest {
            parent: office.firm.clone(),
            scope: Some(scope.clone()),
            open_personal: true,
            ..v1::ExportBundleRequest::default()
        };
        let mut audit = AuditClient::new(office.service.local.clone());
        let mut stream = audit.export_bundle(request).await.unwrap().into_inner();
        // Before the first byte of the archive.
        while let Some(response) = stream.message().await.unwrap() {
            if matches!(response.message, Some(Message::Chunk(_))) {
                break;
            }
        }
        let after = looks(&office).await;
        let at = |looks: &[serde_json::Value], stream: &str| {
            looks.iter().filter(|look| look["stream"] == stream).count()
        };
        let of_clients = [&office.one, &office.other]
            .map(|case| format!("looks/{}", case.rsplit('/').next().unwrap()));
        for stream in of_clients.iter().map(String::as_str).chain(["firm"]) {
            assert_eq!(at(&after, stream), at(&before, stream) + 1, "{scope:?}: {after:?}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_case_that_is_not_there_is_named() {
    let office = office().await;
    let wire = office.examiner(None).await;
    let nobody = new_case(&office.firm);
    let unknown = export(&office, &wire, cases(&[&nobody])).await.unwrap_err();
    assert_eq!(unknown.code(), Code::NotFound, "{unknown:?}");
}
