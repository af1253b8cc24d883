//! What one firm may hold, and that none holds what is another's.

#![allow(clippy::wildcard_imports, reason = "a part of the tests above, which lay out the place")]

use super::*;

/// Two firms with a token each, one of which keeps evidence and signs.
pub(super) struct Firms {
    pub(super) service: Service,
    pub(super) ours: (String, String),
    pub(super) others: (String, String),
}

impl Firms {
    pub(super) async fn with(limits: Limits) -> Self {
        let service = Service::with(limits).await;
        let folder = service.place.folder().join("evidence");
        service.ledger.keep_evidence_in(BlobStore::in_folder(&folder));
        let (one, other) = (service.firm().await, service.firm().await);
        let scopes = [v1::Scope::Record, v1::Scope::Administer, v1::Scope::Read];
        let mut both = Vec::new();
        for firm in [one, other] {
            let id = api::name::parse_firm(&firm).unwrap();
            service.ledger.create_signing_key(id, None).await.unwrap();
            let token = service.token(&firm, &scopes).await;
            both.push((firm, token));
        }
        let others = both.pop().unwrap();
        Self { service, ours: both.pop().unwrap(), others }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn idle_uploads_of_one_firm_are_bounded_and_touch_no_other() {
    let mut limits = Limits { evidence_at_once: 8, ..Limits::default() };
    limits.door.body_idle_max = Duration::from_secs(3);
    let Firms { service, ours, others } = Firms::with(limits).await;
    let case_of = async |firm: &str, phone: &str| {
        let case = new_case(firm);
        service.record(&case, vec![enrol(v1::Seat::Individual, phone, "tok_1")]).await;
        case
    };
    let (idle, busy) =
        (case_of(&ours.0, "+12015550123").await, case_of(&others.0, "+12015550124").await);
    let content = b"A letter that the bureau wrote.".to_vec();
    let parts = |case: &str| {
        let size_bytes = i64::try_from(content.len()).unwrap();
        let start = v1::UploadStart { name: case.into(), size_bytes, sha256: String::new() };
        [Part::Start(start), Part::Data(content.clone())]
            .map(|part| v1::UploadRequest { part: Some(part) })
    };
    let mut caller = stranger(&service, 2).await;
    caller.greet().await.unwrap();
    for stream in 0..8 {
        let stream = 2 * stream + 1;
        caller.send(&call(stream, UPLOAD, Some(&ours.1), 0)).await.unwrap();
        caller.send(&message(stream, &parts(&idle)[0].encode_to_vec(), 0)).await.unwrap();
    }
    // Four of them are told at once that it is too much, which is how it is known that four are held.
    let mut told = 0;
    let refused = async {
        while told < 4 {
            let frame = caller.next().await.unwrap();
            told += u8::from(frame.kind == kind::HEADERS && frame.flags & END_STREAM != 0);
        }
    };
    timeout(SOON, refused).await.unwrap();
    let upload = async |token: &str, case: &str| {
        let mut client = EvidenceClient::new(service.wire(Some(token)).await);
        client.upload(futures::stream::iter(parts(case))).await
    };
    upload(&others.1, &busy).await.expect("another firm uploads");
    let status = upload(&ours.1, &idle).await.unwrap_err();
    assert_eq!(quota(&status).1, "4 uploads and downloads at once");
    granted(async || upload(&ours.1, &idle).await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn unread_exports_of_one_firm_touch_no_other_and_end() {
    let mut limits = Limits::default();
    limits.door.write_stall_max = Duration::from_secs(3);
    let Firms { service, ours, others } = Firms::with(limits).await;
    let request = |firm: &str| v1::ExportBundleRequest {
        parent: firm.into(),
        scope: Some(v1::export_bundle_request::Scope::WholeLog(v1::WholeLog {})),
        ..v1::ExportBundleRequest::default()
    };
    let export = async |(firm, token): &(String, String)| {
        let mut client = AuditClient::new(service.wire(Some(token)).await);
        let mut answers = client.export_bundle(request(firm)).await?.into_inner();
        let mut bytes = 0;
        while let Some(answer) = answers.message().await? {
            if let Some(v1::export_bundle_response::Message::Chunk(chunk)) = answer.message {
                bytes += chunk.len();
            }
        }
        Ok(bytes)
    };
    let mut caller = stranger(&service, 2).await;
    caller.greet_with_window(1).await.unwrap();
    for stream in [1, 3] {
        caller.send(&call(stream, EXPORT, Some(&ours.1), 0)).await.unwrap();
        let request = request(&ours.0).encode_to_vec();
        caller.send(&message(stream, &request, END_STREAM)).await.unwrap();
    }
    let mut begun = 0;
    let both = async {
        while begun < 2 {
            begun += u8::from(caller.next().await.unwrap().kind == kind::HEADERS);
        }
    };
    timeout(SOON, both).await.unwrap();
    let status = export(&ours).await.unwrap_err();
    let (subject, limit) = quota(&status);
    assert!(subject.starts_with("token "), "{subject}");
    assert_eq!(limit, "2 exports at once");
    let bytes = timeout(SOON, export(&others)).await.expect("another firm exports").unwrap();
    assert!(bytes > 0);
    granted(async || export(&ours).await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tokens_of_one_firm_share_what_the_firm_may_have() {
    let mut limits = Limits::default();
    limits.quotas.follow_streams = Share { per_token: 1, per_firm: 2 };
    let service = Service::with(limits).await;
    let firm = service.firm().await;
    let follow = v1::FollowRequest { parent: firm.clone(), ..v1::FollowRequest::default() };
    let mut open = Vec::new();
    for at in 0..3 {
        let token = service.token(&firm, &[v1::Scope::Read]).await;
        let mut client = CaseLedgerClient::new(service.wire(Some(&token)).await);
        match client.follow(follow.clone()).await {
            Ok(stream) => open.push(stream),
            Err(status) => {
                assert_eq!(at, 2);
                assert_eq!(quota(&status), (firm.clone(), "2 open Follow streams".into()));
            }
        }
    }
    assert_eq!(open.len(), 2);
}
