//! What is kept beside the log, changed by another tool: checkpoints, keys and documents.

use crate::common;
use crate::evidence::{Desk, check, letter, sha256, upload};

use api::v1;
use api::v1::audit_client::AuditClient;
use common::{Service, action, date};
use proof::note::{KeyName, Note, SignerKey};

/// What `VerifyLog` finds; nothing if the log is sound.
async fn verified(service: &Service, firm: &str) -> Result<v1::VerifyReport, String> {
    use v1::verify_log_response::Message;
    let request = v1::VerifyLogRequest { parent: firm.into(), checkpoint: None };
    let mut stream = service.administration().verify_log(request).await.unwrap().into_inner();
    let mut report = None;
    while let Some(message) = stream.message().await.unwrap() {
        if let Some(Message::Report(found)) = message.message {
            report = Some(found);
        }
    }
    let report = report.unwrap();
    match &report.fault {
        Some(fault) => Err(fault.what.clone()),
        None => Ok(report),
    }
}

/// What `CheckDerived` finds.
async fn derived(service: &Service, firm: &str) -> Vec<String> {
    use v1::check_derived_response::Message;
    let request = v1::CheckDerivedRequest { parent: firm.into() };
    let mut stream = service.administration().check_derived(request).await.unwrap().into_inner();
    while let Some(message) = stream.message().await.unwrap() {
        if let Some(Message::Report(found)) = message.message {
            return found.faults;
        }
    }
    panic!("no report")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn checkpoints_and_keys_that_another_tool_changed_are_found_and_named() {
    let desk = Desk::open().await;
    let (service, firm) = (&desk.service, &desk.firm);
    let firm_id = api::name::parse_firm(firm).unwrap();
    let mut audit = AuditClient::new(service.local.clone());
    service.ledger.create_signing_key(firm_id, None).await.unwrap();
    let witness = SignerKey::from_seed(KeyName::parse("witness.example/w").unwrap(), &[3; 32]);
    service.ledger.register_witness(firm_id, witness.verifier()).await.unwrap();
    for at in 0..4 {
        desk.client(&format!("+1201555010{at}")).await;
        if at == 2 {
            service.ledger.rotate_signing_key(firm_id).await.unwrap();
        }
        let request = v1::MakeCheckpointRequest { parent: firm.clone() };
        let made = audit.make_checkpoint(request).await.unwrap().into_inner().checkpoint.unwrap();
        let note: Note = made.note.parse().unwrap();
        let note = Note::signed(note.text().to_owned(), &[&witness]).unwrap().to_string();
        let request = v1::AddCosignatureRequest { parent: firm.clone(), note };
        audit.add_cosignature(request).await.unwrap();
    }
    let report = verified(service, firm).await.unwrap();
    assert!(report.remarks.iter().any(|r| r.contains("4 signed checkpoints")), "{report:?}");
    assert!(report.remarks.iter().any(|r| r.contains("table signing_key alone")), "{report:?}");

    let tables = ["checkpoint", "signing_key", "witness_key", "cosignature"];
    let keep = tables.map(|t| format!("CREATE TABLE kept_{t} AS SELECT * FROM {t}")).join("; ");
    service.tamper(&keep, &keep).await;
    let back = tables
        .map(|t| format!("DELETE FROM {t}; INSERT INTO {t} SELECT * FROM kept_{t}"))
        .join("; ");
    let second = "(SELECT MIN(size) FROM kept_checkpoint WHERE previous_size > 0)";
    let first_key = "retired_at IS NOT NULL";
    let both = |text: String| (text.clone(), text);
    let changes = [
        both("UPDATE checkpoint SET note_text = replace(note_text, 'firms', 'farms')".into()),
        both(format!("UPDATE checkpoint SET note_text = 'x' WHERE size = {second}")),
        both(format!("UPDATE checkpoint SET size = size + 1 WHERE size = {second}")),
        both(format!("UPDATE checkpoint SET previous_size = previous_size - 1 WHERE size = {second}")),
        both(format!("DELETE FROM checkpoint WHERE size = {second}")),
        both("DELETE FROM checkpoint WHERE previous_size = 0".into()),
        both(format!("UPDATE signing_key SET key_id = 'deadbeef' WHERE {first_key}")),
        both(format!("UPDATE signing_key SET name = 'another.example/x' WHERE {first_key}")),
        both(format!("DELETE FROM signing_key WHERE {first_key}")),
        both("UPDATE signing_key SET retired_at = NULL, revoked_at = NULL WHERE retired_at IS NULL; \
              UPDATE signing_key SET sealed_private = (SELECT sealed_private FROM kept_signing_key \
              WHERE retired_at IS NULL) WHERE retired_at IS NOT NULL"
            .into()),
        (
            format!("UPDATE signing_key SET public_key = zeroblob(32) WHERE {first_key}"),
            format!(
                "UPDATE signing_key SET public_key = decode(repeat('00', 32), 'hex') WHERE {first_key}"
            ),
        ),
        both("UPDATE witness_key SET verifier_key = 'x'".into()),
        both("DELETE FROM witness_key".into()),
        both(format!("UPDATE cosignature SET size = 1 WHERE size = {second}")),
        both(format!(
            "UPDATE cosignature SET signature = (SELECT MAX(signature) FROM kept_cosignature \
             WHERE size <> {second}) WHERE size = {second}"
        )),
    ];
    for (sqlite, postgres) in changes {
        service.tamper(&sqlite, &postgres).await;
        let what = verified(service, firm).await.expect_err(&sqlite);
        let named = tables.iter().any(|table| what.starts_with(&format!("the table {table}: ")));
        assert!(named, "{sqlite}: {what}");
        service.tamper(&back, &back).await;
    }
    verified(service, firm).await.unwrap();
    // A seed opens under the firm keys, which verifying the log does without.
    assert_eq!(derived(service, firm).await, Vec::<String>::new());
    let zeroes =
        |of: &str| format!("UPDATE signing_key SET sealed_private = {of} WHERE retired_at IS NULL");
    service.tamper(&zeroes("zeroblob(80)"), &zeroes("decode(repeat('00', 80), 'hex')")).await;
    let faults = derived(service, firm).await;
    assert!(faults.len() == 1 && faults[0].contains("its seed does not open"), "{faults:?}");
    verified(service, firm).await.unwrap();
}

/// What `GetHead` tells of the last verification.
async fn last(service: &Service, firm: &str) -> (v1::GetHeadResponse, Option<v1::Verification>) {
    let request = v1::GetHeadRequest { parent: firm.into() };
    let head = service.administration().get_head(request).await.unwrap().into_inner();
    let last = head.last_verification.clone();
    (head, last)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_last_verification_found_is_told_with_the_end_of_the_log() {
    let desk = Desk::open().await;
    let (service, firm) = (&desk.service, &desk.firm);
    assert_eq!(last(service, firm).await.1, None, "nobody has verified it yet");
    verified(service, firm).await.unwrap();
    let (head, found) = last(service, firm).await;
    let found = found.unwrap();
    assert_eq!((found.position, &found.root, &found.fault), (head.position, &head.root, &None));
    assert!(found.end_time.is_some());
    desk.client("+12015550123").await;
    let (head, still) = last(service, firm).await;
    assert_eq!(still, Some(found), "it is about the log as it was");
    assert!(head.position > still.unwrap().position);

    let changed = "UPDATE request SET checked = checked + 1";
    service.tamper(changed, changed).await;
    let what = verified(service, firm).await.unwrap_err();
    let (_, found) = last(service, firm).await;
    let found = found.unwrap();
    assert_eq!((found.fault.unwrap().what, found.root), (what, String::new()));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn documents_and_rows_that_another_tool_changed_are_found_named_by_events_or_not() {
    let desk = Desk::open().await;
    let (service, firm) = (&desk.service, &desk.firm);
    let (one, other) = (desk.client("+12015550123").await, desk.client("+12015550124").await);
    let (named, unnamed) = (letter(700), letter(900));
    let paper = v1::action::Action::IdentityPaperReceived(v1::IdentityPaperReceived {
        paper: "id-2".into(),
        kind: v1::PaperKind::PhotoId.into(),
        document_sha256: sha256(&named),
    });
    service.record(&one, vec![action(date(2026, 2, 2), paper)]).await;
    upload(&desk, &one, &named).await.unwrap();
    upload(&desk, &other, &unnamed).await.unwrap();
    let (whole, findings) = check(&desk, firm).await;
    assert!(whole.sound && findings.is_empty(), "{whole:?}");
    assert_eq!((whole.unnamed_count, whole.unopened_count), (1, 0), "{whole:?}");
    assert_eq!(derived(service, firm).await, Vec::<String>::new());

    // One bit of what no event names.
    let file = desk.file_of(&other);
    let kept = std::fs::read(&file).unwrap();
    let mut changed = kept.clone();
    changed[600] ^= 1;
    std::fs::write(&file, changed).unwrap();
    let (report, findings) = check(&desk, firm).await;
    assert_eq!((report.sound, report.altered_count), (false, 1), "{report:?}");
    assert_eq!((&findings[0].name, findings[0].position), (&other, 0));
    std::fs::write(&file, kept).unwrap();

    let keep = "CREATE TABLE kept_evidence AS SELECT * FROM evidence";
    service.tamper(keep, keep).await;
    let back = "DELETE FROM evidence; INSERT INTO evidence SELECT * FROM kept_evidence";
    let both = |text: &'static str| (text, text);
    for (sqlite, postgres) in [
        both("UPDATE evidence SET media_type = 'image/png'"),
        both("UPDATE evidence SET bytes = bytes + 1"),
        (
            "UPDATE evidence SET uploaded_at = uploaded_at + 1",
            "UPDATE evidence SET uploaded_at = uploaded_at + interval '1 microsecond'",
        ),
        (
            "UPDATE evidence SET sealed_hash = zeroblob(48)",
            "UPDATE evidence SET sealed_hash = decode(repeat('00', 48), 'hex')",
        ),
    ] {
        service.tamper(sqlite, postgres).await;
        let (report, findings) = check(&desk, firm).await;
        assert_eq!((report.sound, report.row_count), (false, 2), "{sqlite}: {report:?}");
        assert!(findings.iter().all(|f| f.fault() == v1::EvidenceFault::Row), "{sqlite}");
        let faults = derived(service, firm).await;
        assert!(faults.len() == 2 && faults[0].starts_with("the row of evidence "), "{faults:?}");
        service.tamper(back, back).await;
    }
    // A row that is gone is missed where an event names its document, and else the document is not opened.
    let gone = "DELETE FROM evidence";
    service.tamper(gone, gone).await;
    let (report, _) = check(&desk, firm).await;
    assert_eq!(
        (report.sound, report.row_count, report.unopened_count),
        (false, 1, 1),
        "{report:?}"
    );
    // With its file it is told like one that was never here.
    std::fs::remove_file(desk.file_of(&one)).unwrap();
    let (report, _) = check(&desk, firm).await;
    assert_eq!((report.absent_count, report.row_count), (whole.absent_count + 1, 0), "{report:?}");
    service.tamper(back, back).await;
    let (report, _) = check(&desk, firm).await;
    assert_eq!((report.missing_count, report.sound), (1, false), "{report:?}");
}

/// A trigger keeps every other statement from it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_row_of_a_document_goes_with_its_client_alone() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    upload(&desk, &case, &letter(300)).await.unwrap();
    let (firm, case_id) = api::name::parse_case(&case).unwrap();
    desk.service.store.forget_evidence(firm, case_id).await.unwrap_err();
    let (report, _) = check(&desk, &desk.firm).await;
    assert!(report.sound && report.unopened_count == 0, "{report:?}");
}
