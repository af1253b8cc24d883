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
    let mut limits = Limits::default();
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

/// Begins an upload that does not go on.
async fn begin_upload(caller: &mut Stranger, stream: u32, token: &str, case: &str) {
    let start = v1::UploadStart { name: case.into(), size_bytes: 9, sha256: String::new() };
    let start = v1::UploadRequest { part: Some(Part::Start(start)) };
    caller.send(&call(stream, UPLOAD, Some(token), 0)).await.unwrap();
    caller.send(&message(stream, &start.encode_to_vec(), 0)).await.unwrap();
}

/// Until the service has refused one of some calls.
async fn refused(caller: &mut Stranger, streams: &[u32]) {
    let refused = async {
        loop {
            let frame = caller.next().await.expect("the connection goes on");
            if streams.contains(&frame.stream) && frame.kind == kind::HEADERS {
                assert_ne!(frame.flags & END_STREAM, 0, "the call is let in");
                return;
            }
        }
    };
    timeout(SOON, refused).await.expect("the call is refused at once");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn uploads_of_many_firms_leave_another_its_own() {
    let mut limits = Limits::default();
    // None of them ends by itself.
    limits.door.body_idle_max = Duration::from_hours(1);
    let Firms { service, ours, others } = Firms::with(limits).await;
    let mut crowd = vec![ours];
    for _ in 0..3 {
        let firm = service.firm().await;
        let token = service.token(&firm, &[v1::Scope::Record]).await;
        crowd.push((firm, token));
    }
    let mut open = Vec::new();
    for (firm, token) in &crowd {
        let mut caller = stranger(&service, 2).await;
        caller.greet().await.unwrap();
        let case = new_case(firm);
        service.record(&case, vec![enrol(v1::Seat::Individual, "+12015550123", "tok_1")]).await;
        for stream in [1, 3, 5, 7, 9] {
            begin_upload(&mut caller, stream, token, &case).await;
        }
        // One of five is refused, which is how it is known that four are held.
        refused(&mut caller, &[1, 3, 5, 7, 9]).await;
        open.push(caller);
    }
    let case = new_case(&others.0);
    service.record(&case, vec![enrol(v1::Seat::Individual, "+12015550124", "tok_2")]).await;
    let content = b"A letter that the bureau wrote.".to_vec();
    let size_bytes = i64::try_from(content.len()).unwrap();
    let start = v1::UploadStart { name: case, size_bytes, sha256: String::new() };
    let parts = [Part::Start(start), Part::Data(content)];
    let parts = parts.map(|part| v1::UploadRequest { part: Some(part) });
    let mut client = EvidenceClient::new(service.wire(Some(&others.1)).await);
    client.upload(futures::stream::iter(parts)).await.expect("another firm uploads");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_firm_sends_so_many_bytes_at_once_and_no_other_notices() {
    let mut limits = Limits::default();
    let most = 2 * limits.message_bytes_max;
    limits.quotas.request_bytes = Share { per_token: most, per_firm: most };
    // Nothing ends for any other reason.
    limits.door.body_idle_max = Duration::from_hours(1);
    limits.request_timeout = Duration::from_hours(1);
    let Firms { service, ours, others } = Firms::with(limits).await;
    let mut caller = stranger(&service, 2).await;
    caller.greet().await.unwrap();
    // Messages of which no more than the length and a byte come, of the largest size that is taken: for each,
    // whoever decodes it sets its room aside.
    let begun = [&[0, 0, 0x40, 0, 0], &[0x0a][..]].concat();
    for (stream, path) in [(1, RECORD_STREAM), (3, GET_HEAD), (5, RECORD_STREAM), (7, GET_HEAD)] {
        caller.send(&call(stream, path, Some(&ours.1), 0)).await.unwrap();
        // Each is taken before the next comes.
        is_served(&service, &others.0, &others.1).await;
        caller.send(&frame(kind::DATA, 0, stream, &begun)).await.unwrap();
    }
    let mut over = Vec::new();
    let both = async {
        while over.len() < 2 {
            let frame = caller.next().await.expect("the connection goes on");
            if frame.kind == kind::HEADERS && frame.flags & END_STREAM != 0 {
                over.push(frame.stream);
            }
        }
    };
    timeout(SOON, both).await.expect("what is too much is refused at once");
    // Whichever two of the four: what came first is counted first, and calls are taken side by side.
    over.sort_unstable();
    over.dedup();
    assert_eq!(over.len(), 2);
    let mut client = AdministrationClient::new(service.wire(Some(&ours.1)).await);
    let get = v1::GetHeadRequest { parent: ours.0.clone() };
    let status = client.get_head(get.clone()).await.unwrap_err();
    assert_eq!(quota(&status).1, format!("{most} bytes of requests at once"));
    is_served(&service, &others.0, &others.1).await;
    drop(caller);
    granted(async || client.get_head(get.clone()).await).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn watches_of_strangers_and_of_other_firms_end_no_watch_of_a_token() {
    const WATCH: &str = "/grpc.health.v1.Health/Watch";
    let mut limits = Limits::default();
    limits.door.health_watches_at_once = 2;
    limits.quotas.open_calls = Share { per_token: 2, per_firm: 2 };
    let Firms { service, ours, others } = Firms::with(limits).await;
    // All from one address, as behind one proxy.
    let watch = async |caller: &mut Stranger, stream: u32| {
        caller.send(&call(stream, WATCH, None, 0)).await.unwrap();
        caller.send(&message(stream, &[], END_STREAM)).await.unwrap();
        let begun = async { while caller.next().await.unwrap().stream != stream {} };
        timeout(SOON, begun).await.expect("a watch begins");
    };
    let known = async |caller: &mut Stranger, stream: u32, (firm, token): &(String, String)| {
        let get = v1::GetHeadRequest { parent: firm.clone() }.encode_to_vec();
        caller.send(&call(stream, GET_HEAD, Some(token), 0)).await.unwrap();
        caller.send(&message(stream, &get, END_STREAM)).await.unwrap();
        let ended = async {
            loop {
                let frame = caller.next().await.unwrap();
                if frame.stream == stream && frame.flags & END_STREAM != 0 {
                    return;
                }
            }
        };
        timeout(SOON, ended).await.unwrap();
    };
    let mut victim = stranger(&service, 2).await;
    victim.greet().await.unwrap();
    // As clients do it: health is watched before anything is asked.
    watch(&mut victim, 1).await;
    known(&mut victim, 3, &others).await;
    watch(&mut victim, 5).await;
    let mut firm = stranger(&service, 2).await;
    firm.greet().await.unwrap();
    known(&mut firm, 1, &ours).await;
    for stream in [3, 5] {
        watch(&mut firm, stream).await;
    }
    firm.send(&call(7, WATCH, None, 0)).await.unwrap();
    refused(&mut firm, &[7]).await;
    let mut crowd = stranger(&service, 2).await;
    crowd.greet().await.unwrap();
    for stream in [1, 3, 5] {
        watch(&mut crowd, stream).await;
    }
    // The crowd has crowded itself alone.
    for caller in [&mut victim, &mut firm] {
        caller.send(&frame(kind::PING, 0, 0, &[7; 8])).await.unwrap();
        let ponged = async {
            loop {
                let frame = caller.next().await.unwrap();
                // What was refused is broken off as well, since it was not read.
                let ended = frame.kind == kind::RST_STREAM && frame.stream != 7;
                assert!(!ended, "a watch was ended for another");
                if frame.kind == kind::PING {
                    return;
                }
            }
        };
        timeout(SOON, ponged).await.unwrap();
    }
    service.ledger.shutdown().await;
}
