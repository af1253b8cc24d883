//! Scans and letters: kept sealed, given out as they came or not at all, found when they are lost, and gone
//! with the client.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::path::PathBuf;
use std::time::Duration;

use api::v1::audit_client::AuditClient;
use api::v1::download_response::Part as Received;
use api::v1::evidence_client::EvidenceClient;
use api::v1::export_bundle_response::Message as BundleMessage;
use api::v1::privacy_client::PrivacyClient;
use api::v1::upload_request::Part;
use api::{DOCUMENT_BYTES_MAX, name, v1};
use common::erasing::{LATER, end_service, erasure, files};
use common::{Service, action, date, enrol, first_month, new_case, reason};
use counterfoil_ledger::{Ledger, Limits, ServerConfig, Share, Swept};
use sha2::{Digest as _, Sha256};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Channel;
use tonic::{Code, Status};
use vault::{BlobStore, CHUNK_BYTES};

/// Nothing else in the world holds it.
const WORDS: &str = "Quercus Pemberley swears that the quince jelly account is none of his.";

pub(crate) fn sha256(content: &[u8]) -> String {
    hex::encode(Sha256::digest(content))
}

/// A letter of so many bytes.
pub(crate) fn letter(bytes: usize) -> Vec<u8> {
    WORDS.bytes().cycle().take(bytes).collect()
}

fn start(case: &str, size: usize, sha256: &str) -> Part {
    let size_bytes = i64::try_from(size).unwrap();
    Part::Start(v1::UploadStart { name: case.into(), size_bytes, sha256: sha256.into() })
}

/// An upload in messages of at most `message` bytes.
async fn sent(
    client: &mut EvidenceClient<Channel>,
    first: Part,
    content: &[u8],
    message: usize,
) -> Result<v1::UploadResponse, Status> {
    let data = content.chunks(message).map(|data| Part::Data(data.to_vec()));
    let parts: Vec<_> = std::iter::once(first)
        .chain(data)
        .map(|part| v1::UploadRequest { part: Some(part) })
        .collect();
    Ok(client.upload(futures::stream::iter(parts)).await?.into_inner())
}

pub(crate) async fn upload(
    service: &Desk,
    case: &str,
    content: &[u8],
) -> Result<v1::UploadResponse, Status> {
    upload_to(&service.service, case, content).await
}

pub(crate) async fn upload_to(
    service: &Service,
    case: &str,
    content: &[u8],
) -> Result<v1::UploadResponse, Status> {
    let mut client = EvidenceClient::new(service.local.clone());
    sent(&mut client, start(case, content.len(), ""), content, 100_000).await
}

pub(crate) async fn download(
    service: &Desk,
    case: &str,
    sha256: &str,
) -> Result<(v1::Document, Vec<u8>), Status> {
    let request = v1::DownloadRequest { name: case.into(), sha256: sha256.into() };
    let mut stream = service.evidence().download(request).await?.into_inner();
    let Some(Received::Document(document)) = stream.message().await?.unwrap().part else {
        panic!("the first message says what it is")
    };
    let mut content = Vec::new();
    while let Some(message) = stream.message().await? {
        let Some(Received::Data(data)) = message.part else { panic!("then comes the content") };
        content.extend_from_slice(&data);
    }
    Ok((document, content))
}

pub(crate) async fn check(
    service: &Desk,
    firm: &str,
) -> (v1::EvidenceReport, Vec<v1::EvidenceFinding>) {
    use v1::check_evidence_response::Message;
    let request = v1::CheckEvidenceRequest { parent: firm.into() };
    let mut stream = service.evidence().check_evidence(request).await.unwrap().into_inner();
    let (mut report, mut findings) = (None, Vec::new());
    while let Some(message) = stream.message().await.unwrap() {
        assert!(report.is_none(), "the report is the last message");
        match message.message.unwrap() {
            Message::Progress(progress) => assert!(progress.checked_cases <= progress.cases),
            Message::Finding(finding) => findings.push(finding),
            Message::Report(told) => report = Some(told),
        }
    }
    (report.unwrap(), findings)
}

/// A service that keeps evidence in a folder.
pub(crate) struct Desk {
    pub(crate) service: Service,
    pub(crate) firm: String,
    folder: PathBuf,
}

impl Desk {
    pub(crate) async fn open() -> Self {
        let service = Service::start().await;
        let folder = service.place.folder().join("evidence");
        service.ledger.keep_evidence_in(BlobStore::in_folder(&folder));
        let firm = service.firm().await;
        Self { service, firm, folder }
    }

    fn evidence(&self) -> EvidenceClient<Channel> {
        EvidenceClient::new(self.service.local.clone())
    }

    /// A client who has only enrolled.
    pub(crate) async fn client(&self, phone: &str) -> String {
        let case = new_case(&self.firm);
        let card = format!("tok_{}", phone.split_at(8).1);
        self.service.record(&case, vec![enrol(v1::Seat::Individual, phone, &card)]).await;
        case
    }

    /// Every file of the folder, unfinished ones too.
    fn files(&self) -> Vec<PathBuf> {
        let mut found = files(&self.folder);
        found.sort();
        found
    }

    /// The one file of a case.
    pub(crate) fn file_of(&self, case: &str) -> PathBuf {
        let case = case.rsplit('/').next().unwrap();
        let mut of = self.files().into_iter().filter(|file| file.to_str().unwrap().contains(case));
        let file = of.next().unwrap();
        assert!(of.next().is_none());
        file
    }
}

fn refused(status: &Status) -> (Code, String) {
    (status.code(), reason(status))
}

/// The field that a refusal names.
fn field(status: &Status) -> (String, String) {
    use tonic_types::StatusExt as _;
    let details = status.get_error_details();
    let violation = details.bad_request().unwrap().field_violations[0].clone();
    (violation.field, violation.description)
}

#[tokio::test(flavor = "multi_thread")]
async fn every_length_comes_back_as_it_was_sent() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    for bytes in [1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 3 * CHUNK_BYTES, 1_000_003] {
        let content = letter(bytes);
        let kept = upload(&desk, &case, &content).await.unwrap();
        let document = kept.document.unwrap();
        assert_eq!(document.sha256, sha256(&content));
        assert_eq!(usize::try_from(document.size_bytes).unwrap(), bytes);
        assert_eq!((document.media_type.as_str(), kept.existed), ("text/plain", false));
        let (told, received) = download(&desk, &case, &document.sha256).await.unwrap();
        assert!(received == content, "{bytes}");
        assert_eq!(told, document);
    }
    assert_eq!(desk.files().len(), 6);
}

#[tokio::test(flavor = "multi_thread")]
async fn scans_are_told_by_their_first_bytes_and_everything_else_is_refused() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    for (content, media_type) in [
        (&b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"[..], "application/pdf"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "image/png"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF", "image/jpeg"),
        (b"II\x2a\0\x08\0\0\0", "image/tiff"),
        (b"MM\0\x2a\0\0\0\x08", "image/tiff"),
    ] {
        let kept = upload(&desk, &case, content).await.unwrap().document.unwrap();
        assert_eq!(kept.media_type, media_type);
    }
    let before = desk.files();
    for content in [&b"PK\x03\x04\x14\0\0\0"[..], b"\x7fELF\x02\x01\x01", b"caf\xe9"] {
        let status = upload(&desk, &case, content).await.unwrap_err();
        assert_eq!(refused(&status), (Code::InvalidArgument, "FIELD_INVALID".into()));
        let (field, rule) = field(&status);
        assert_eq!(field, "data");
        assert!(rule.contains("PDF, PNG, JPEG or TIFF"), "{rule}");
    }
    assert_eq!(desk.files(), before, "nothing of what was refused is kept");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_empty_too_large_or_not_what_was_announced_leaves_nothing() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    let mut client = desk.evidence();
    let most = "must be 1 to 26214400";
    let empty = upload(&desk, &case, b"").await.unwrap_err();
    assert_eq!(field(&empty), ("start.size_bytes".into(), most.into()));
    let too_large = letter(DOCUMENT_BYTES_MAX + 1);
    let status = upload(&desk, &case, &too_large).await.unwrap_err();
    assert_eq!(field(&status), ("start.size_bytes".into(), most.into()));
    for (said, comes) in [(DOCUMENT_BYTES_MAX, too_large.len()), (9, 8), (8, 9), (1, 0)] {
        let first = start(&case, said, "");
        let status = sent(&mut client, first, &too_large[..comes], 3 << 20).await.unwrap_err();
        let rule = "must have as many bytes in all as start.size_bytes says";
        assert_eq!(field(&status), ("data".into(), rule.into()), "{said}, {comes}");
    }
    let other = sha256(b"something else");
    let status = sent(&mut client, start(&case, 8, &other), b"a letter", 100).await.unwrap_err();
    assert_eq!(field(&status).0, "start.sha256");
    let nothing = sent(&mut client, Part::Data(vec![1]), b"x", 100).await.unwrap_err();
    assert_eq!(field(&nothing).0, "start");
    let twice = [start(&case, 1, ""), start(&case, 1, "")];
    let twice = twice.map(|part| v1::UploadRequest { part: Some(part) });
    let twice = client.upload(futures::stream::iter(twice)).await.unwrap_err();
    assert_eq!(field(&twice).0, "data");
    assert!(desk.files().is_empty());

    let largest = &too_large[..DOCUMENT_BYTES_MAX];
    let hash = sha256(largest);
    sent(&mut client, start(&case, largest.len(), &hash), largest, 3 << 20).await.unwrap();
    assert!(download(&desk, &case, &hash).await.unwrap().1 == largest);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_upload_that_is_broken_off_leaves_nothing_and_gives_its_place_back() {
    let mut limits = Limits::default();
    limits.quotas.documents = Share { per_token: 1, per_firm: 1 };
    let service = Service::with(limits).await;
    let folder = service.place.folder().join("evidence");
    service.ledger.keep_evidence_in(BlobStore::in_folder(&folder));
    let firm = service.firm().await;
    let token = service.token(&firm, &[v1::Scope::Record]).await;
    let desk = Desk { service, firm, folder };
    let case = desk.client("+12015550123").await;
    let wire = desk.service.wire(Some(&token)).await;
    let (sender, messages) = mpsc::channel(1);
    let mut client = EvidenceClient::new(wire.clone());
    let broken = tokio::spawn(async move { client.upload(ReceiverStream::new(messages)).await });
    let part = |part| v1::UploadRequest { part: Some(part) };
    sender.send(part(start(&case, 5 << 20, ""))).await.unwrap();
    for _ in 0..4 {
        sender.send(part(Part::Data(letter(1 << 20)))).await.unwrap();
    }
    let another = async || {
        let parts = [start(&case, 7, ""), Part::Data(b"another".to_vec())].map(part);
        EvidenceClient::new(wire.clone()).upload(futures::stream::iter(parts)).await
    };
    // The service is in the middle of it: there is room for no other.
    let busy = another().await.unwrap_err();
    assert_eq!(refused(&busy), (Code::ResourceExhausted, "QUOTA_EXCEEDED".into()));
    // As when its sender dies: the stream is reset.
    broken.abort();
    assert!(broken.await.is_err());
    let free_again = async {
        while another().await.is_err() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), free_again).await.unwrap();
    assert_eq!(desk.files().len(), 1, "only what came whole is there");
    drop(sender);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_content_is_one_object_of_a_client_and_two_of_two() {
    let desk = Desk::open().await;
    let (one, other) = (desk.client("+12015550123").await, desk.client("+12015550124").await);
    let content = letter(1_000);
    assert!(!upload(&desk, &one, &content).await.unwrap().existed);
    let before = std::fs::read(desk.file_of(&one)).unwrap();
    assert!(upload(&desk, &one, &content).await.unwrap().existed);
    assert_eq!(std::fs::read(desk.file_of(&one)).unwrap(), before);
    let hash = sha256(&content);
    let nobodys = download(&desk, &other, &hash).await.unwrap_err();
    assert_eq!(refused(&nobodys), (Code::NotFound, "RESOURCE_NOT_FOUND".into()));
    assert!(!upload(&desk, &other, &content).await.unwrap().existed);
    let files = desk.files();
    assert_eq!(files.len(), 2);
    let names: Vec<_> = files.iter().map(|file| file.file_name().unwrap()).collect();
    assert_ne!(names[0], names[1], "nothing tells that two clients have the same document");
    assert_ne!(std::fs::read(&files[0]).unwrap(), std::fs::read(&files[1]).unwrap());
    // One client's file in another's place opens for neither.
    std::fs::copy(desk.file_of(&one), desk.file_of(&other)).unwrap();
    let status = download(&desk, &other, &hash).await.unwrap_err();
    assert_eq!(refused(&status), (Code::DataLoss, "EVIDENCE_ALTERED".into()));
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_of_a_document_nor_its_hash_lies_in_the_folder() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    let content = letter(3 * CHUNK_BYTES);
    upload(&desk, &case, &content).await.unwrap();
    let hash: [u8; 32] = Sha256::digest(&content).into();
    let file = desk.file_of(&case);
    let bytes = std::fs::read(&file).unwrap();
    assert!(bytes.len() > content.len());
    // Any piece of the text, wherever its chunk begins.
    for piece in WORDS.as_bytes().windows(8).chain([&hash[..], &hex::encode(hash).into_bytes()]) {
        assert!(!bytes.windows(piece.len()).any(|window| window == piece), "{piece:?}");
    }
    assert!(!file.to_str().unwrap().contains(&hex::encode(hash)));
}

/// Something that befalls a stored file.
type Damage = fn(&mut Vec<u8>);

#[tokio::test(flavor = "multi_thread")]
async fn what_is_altered_or_missing_is_found_and_uploading_it_again_makes_it_whole() {
    let desk = Desk::open().await;
    let whole = desk.client("+12015550123").await;
    let case = new_case(&desk.firm);
    desk.service.record(&case, first_month(v1::Seat::Individual, "+12015550125", "tok")).await;
    let (named, other) = (letter(70_000), letter(300));
    let paper = v1::action::Action::IdentityPaperReceived(v1::IdentityPaperReceived {
        paper: "id-2".into(),
        kind: v1::PaperKind::PhotoId.into(),
        document_sha256: sha256(&named),
    });
    let recorded = desk.service.record(&case, vec![action(date(2026, 2, 2), paper)]).await;
    // Named by events: the paper; what shows either sale (0xab); what was signed (0xcd).
    let (report, findings) = check(&desk, &desk.firm).await;
    assert!(report.sound && findings.is_empty());
    assert_eq!((report.named_count, report.absent_count), (4, 4), "{report:?}");

    upload(&desk, &case, &named).await.unwrap();
    upload(&desk, &whole, &other).await.unwrap();
    let (report, findings) = check(&desk, &desk.firm).await;
    assert!(report.sound && findings.is_empty());
    let counts = (report.whole_count, report.absent_count, report.unnamed_count);
    assert_eq!(counts, (1, 3, 1), "{report:?}");

    let damages: [(&str, Damage); 4] = [
        ("a byte is changed", |bytes| bytes[66_000] ^= 1),
        ("it is cut short", |bytes| bytes.truncate(4 + CHUNK_BYTES + 16)),
        ("it is empty", Vec::clear),
        ("it is much too long", |bytes| bytes.resize(DOCUMENT_BYTES_MAX + 100_000, 0)),
    ];
    for (name, damage) in damages {
        let file = desk.file_of(&case);
        let mut bytes = std::fs::read(&file).unwrap();
        damage(&mut bytes);
        std::fs::write(&file, bytes).unwrap();
        let status = download(&desk, &case, &sha256(&named)).await.unwrap_err();
        assert_eq!(refused(&status), (Code::DataLoss, "EVIDENCE_ALTERED".into()), "{name}");
        let (report, findings) = check(&desk, &desk.firm).await;
        assert_eq!((report.sound, report.altered_count), (false, 1), "{name}");
        let finding = &findings[0];
        assert_eq!(finding.fault(), v1::EvidenceFault::Altered);
        assert_eq!((&finding.name, &finding.sha256), (&case, &sha256(&named)));
        assert_eq!(finding.position, recorded.position);
        assert!(upload(&desk, &case, &named).await.unwrap().existed);
        assert!(download(&desk, &case, &sha256(&named)).await.unwrap().1 == named, "{name}");
    }
    std::fs::remove_file(desk.file_of(&case)).unwrap();
    // Named by no event.
    std::fs::write(desk.file_of(&whole), b"CFB1").unwrap();
    let status = download(&desk, &case, &sha256(&named)).await.unwrap_err();
    assert_eq!(refused(&status), (Code::DataLoss, "EVIDENCE_MISSING".into()));
    let (report, mut findings) = check(&desk, &desk.firm).await;
    assert_eq!((report.sound, report.missing_count, report.altered_count), (false, 1, 1));
    findings.sort_by_key(|finding| finding.fault);
    let of: Vec<_> = findings.iter().map(|f| (f.fault(), &f.name, f.position)).collect();
    assert_eq!(
        of,
        [
            (v1::EvidenceFault::Missing, &case, recorded.position),
            (v1::EvidenceFault::Altered, &whole, 0)
        ]
    );
    std::fs::remove_file(desk.file_of(&whole)).unwrap();
    let (report, _) = check(&desk, &desk.firm).await;
    assert_eq!((report.missing_count, report.unnamed_count), (2, 0), "{report:?}");

    // A bundle that would take it along says which kind of loss it is, and makes nothing.
    let firm = name::parse_firm(&desk.firm).unwrap();
    desk.service.ledger.create_signing_key(firm, None).await.unwrap();
    let cases = v1::CaseSelection { names: vec![case] };
    let request = v1::ExportBundleRequest {
        parent: desk.firm.clone(),
        scope: Some(v1::export_bundle_request::Scope::Cases(cases)),
        documents: true,
        ..v1::ExportBundleRequest::default()
    };
    let mut audit = AuditClient::new(desk.service.local.clone());
    let mut stream = audit.export_bundle(request).await.unwrap().into_inner();
    let status = loop {
        match stream.message().await {
            Ok(message) => assert!(
                matches!(message.unwrap().message.unwrap(), BundleMessage::Progress(_)),
                "no part of it is sent"
            ),
            Err(status) => break status,
        }
    };
    assert_eq!(refused(&status), (Code::DataLoss, "EVIDENCE_MISSING".into()));
}

/// A client with documents whose service ended, erased years later.
async fn erased(desk: &Desk, content: &[u8]) -> String {
    let case = new_case(&desk.firm);
    desk.service.record(&case, first_month(v1::Seat::Individual, "+12015550177", "tok_q")).await;
    desk.service.record(&case, vec![action(date(2026, 3, 2), end_service())]).await;
    upload(desk, &case, content).await.unwrap();
    upload(desk, &case, b"a second one").await.unwrap();
    desk.service.clock.set(LATER);
    case
}

#[tokio::test(flavor = "multi_thread")]
async fn an_erased_clients_documents_are_gone_and_unreadable() {
    let desk = Desk::open().await;
    let other = desk.client("+12015550124").await;
    let content = letter(CHUNK_BYTES + 7);
    upload(&desk, &other, &content).await.unwrap();
    let case = erased(&desk, &content).await;
    let (firm_id, case_id) = name::parse_case(&case).unwrap();
    assert_eq!(desk.files().len(), 3);
    let is_of_case = |file: &PathBuf| file.to_str().unwrap().contains(&case_id.to_string());
    let kept = desk.files().into_iter().find(is_of_case).unwrap();
    let backup = std::fs::read(&kept).unwrap();
    let keys = desk.service.ledger.engine().blob_keys(firm_id, &[case_id]).await.unwrap();
    let hash: [u8; 32] = Sha256::digest(&content).into();
    assert!(keys.contains_key(&case_id));
    drop(keys);

    let mut privacy = PrivacyClient::new(desk.service.local.clone());
    privacy.erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap();
    assert_eq!(desk.files(), [desk.file_of(&other)], "only the other client's is left");
    let rows = desk.service.store.evidence_after(firm_id, case_id, None, 10).await.unwrap();
    assert_eq!(rows, []);
    let people = desk.service.store.people(firm_id, &[case_id.0]).await.unwrap();
    assert!(people.is_empty(), "no key is left");
    // Nor does a copy of a file help that somebody has kept.
    std::fs::create_dir_all(kept.parent().unwrap()).unwrap();
    std::fs::write(&kept, &backup).unwrap();
    let gone = download(&desk, &case, &hex::encode(hash)).await.unwrap_err();
    assert_eq!(refused(&gone), (Code::FailedPrecondition, "STATE_REFUSES".into()));
    let gone = upload(&desk, &case, &content).await.unwrap_err();
    assert_eq!(refused(&gone), (Code::FailedPrecondition, "STATE_REFUSES".into()));
    let (report, findings) = check(&desk, &desk.firm).await;
    assert!(report.sound && findings.is_empty());
    assert_eq!((report.keyless_count, report.erased_count), (1, 2), "{report:?}");

    // What lies there although its client is erased is swept away, and nobody else's.
    let stranger = desk.folder.join(firm_id.to_string()).join(uuid::Uuid::now_v7().to_string());
    std::fs::create_dir_all(&stranger).unwrap();
    std::fs::write(stranger.join("ab".repeat(32)), "of another database").unwrap();
    let swept = desk.service.ledger.sweep_evidence(firm_id).await.unwrap();
    assert_eq!(swept, Swept { clients: 1, unfinished: 0 });
    assert_eq!(desk.files().len(), 2, "the other client's, and the other database's");
    assert!(download(&desk, &other, &hex::encode(hash)).await.unwrap().1 == content);
    assert_eq!(desk.service.ledger.sweep_evidence(firm_id).await.unwrap(), Swept::default());
}

/// A process that keeps no evidence erases; one that does sweeps.
#[tokio::test(flavor = "multi_thread")]
async fn documents_go_with_the_next_sweep_if_their_client_was_erased_elsewhere() {
    let desk = Desk::open().await;
    let case = erased(&desk, b"a letter").await;
    let (firm_id, case_id) = name::parse_case(&case).unwrap();
    let beside: Ledger = desk.service.beside(Limits::default()).await;
    let mut privacy = PrivacyClient::new(beside.connect_in_process().await.unwrap());
    privacy.erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap();
    let mut without = EvidenceClient::new(beside.connect_in_process().await.unwrap());
    let request = v1::CheckEvidenceRequest { parent: desk.firm.clone() };
    let unready = without.check_evidence(request).await.unwrap_err();
    assert_eq!(refused(&unready), (Code::FailedPrecondition, "NO_EVIDENCE_STORE".into()));
    beside.shutdown().await;
    assert_eq!(desk.files().len(), 2);
    // And what a process left that died in the middle of writing, as it was long ago.
    let half = desk.files()[0].with_file_name(format!("{}#1", "ab".repeat(32)));
    std::fs::write(half, "half").unwrap();
    // Another client's folder, which is not swept away whole.
    let other = desk.client("+12015550124").await;
    upload(&desk, &other, b"whole").await.unwrap();
    let half = desk.file_of(&other).with_file_name(format!("{}#1", "cd".repeat(32)));
    std::fs::write(&half, "half").unwrap();
    let swept = desk.service.ledger.sweep_evidence(firm_id).await.unwrap();
    assert_eq!(swept.clients, 1);
    assert!(!half.exists());
    assert!(download(&desk, &other, &sha256(b"whole")).await.is_ok());
    let rows = desk.service.store.evidence_after(firm_id, case_id, None, 10).await.unwrap();
    assert_eq!(rows, []);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_sweeps_while_it_serves() {
    let desk = Desk::open().await;
    let case = erased(&desk, b"a letter").await;
    let limits = Limits { evidence_sweep: Duration::from_millis(20), ..Limits::default() };
    let sweeping = desk.service.beside(limits).await;
    sweeping.keep_evidence_in(BlobStore::in_folder(&desk.folder));
    let listening = sweeping.serve(&ServerConfig::loopback(0)).await.unwrap();
    assert_eq!(desk.files().len(), 2);
    let elsewhere = desk.service.beside(Limits::default()).await;
    let mut privacy = PrivacyClient::new(elsewhere.connect_in_process().await.unwrap());
    privacy.erase_person(erasure(&case, date(2032, 2, 2))).await.unwrap();
    let swept = async {
        while !desk.files().is_empty() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), swept).await.unwrap();
    assert!(sweeping.shutdown().await && elsewhere.shutdown().await);
    listening.ended().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_has_documents_who_never_enrolled_and_the_firm_is_nobody() {
    let desk = Desk::open().await;
    let firm_id = desk.firm.rsplit('/').next().unwrap().to_owned();
    for case in [new_case(&desk.firm), format!("{}/cases/{firm_id}", desk.firm)] {
        let status = upload(&desk, &case, b"a letter").await.unwrap_err();
        assert_eq!(refused(&status), (Code::NotFound, "RESOURCE_NOT_FOUND".into()));
        let status = download(&desk, &case, &sha256(b"a letter")).await.unwrap_err();
        assert_eq!(refused(&status), (Code::NotFound, "RESOURCE_NOT_FOUND".into()));
    }
    assert!(desk.files().is_empty());
}

/// The library's own store of objects in memory stands for a bucket: what is asked of either is the same.
#[tokio::test(flavor = "multi_thread")]
async fn a_store_of_objects_does_what_a_folder_does() {
    let service = Service::start().await;
    service.ledger.keep_evidence_in(BlobStore::in_memory());
    let firm = service.firm().await;
    let folder = service.place.folder().join("evidence");
    let desk = Desk { service, firm, folder };
    let content = letter(3 * CHUNK_BYTES + 1);
    let case = erased(&desk, &content).await;
    let firm_id = name::parse_case(&case).unwrap().0;
    assert!(upload(&desk, &case, &content).await.unwrap().existed);
    assert!(download(&desk, &case, &sha256(&content)).await.unwrap().1 == content);
    let (report, _) = check(&desk, &desk.firm).await;
    assert_eq!((report.sound, report.unnamed_count), (true, 2));
    PrivacyClient::new(desk.service.local.clone())
        .erase_person(erasure(&case, date(2032, 2, 2)))
        .await
        .unwrap();
    let (report, _) = check(&desk, &desk.firm).await;
    assert_eq!((report.unnamed_count, report.keyless_count, report.erased_count), (0, 0, 2));
    assert_eq!(desk.service.ledger.sweep_evidence(firm_id).await.unwrap(), Swept::default());
    assert!(desk.files().is_empty(), "nothing is written beside the store");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_store_that_fails_is_told_as_unavailable_and_nothing_is_acknowledged() {
    let desk = Desk::open().await;
    let case = desk.client("+12015550123").await;
    // A file where the folder should be.
    std::fs::write(&desk.folder, "in the way").unwrap();
    let status = upload(&desk, &case, b"a letter").await.unwrap_err();
    assert_eq!(refused(&status), (Code::Unavailable, "EVIDENCE_UNAVAILABLE".into()));
    assert!(!status.message().contains("in the way"));
    let (firm_id, case_id) = name::parse_case(&case).unwrap();
    let rows = desk.service.store.evidence_after(firm_id, case_id, None, 10).await.unwrap();
    assert_eq!(rows, []);
    std::fs::remove_file(&desk.folder).unwrap();
    upload(&desk, &case, b"a letter").await.unwrap();
}
