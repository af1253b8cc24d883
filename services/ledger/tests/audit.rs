//! Proof of the log over the wire, checked as a stranger would: with the text of a verifier key, C2SP
//! notes and checkpoints, and the verifiers of RFC 9162.

#![allow(clippy::unwrap_used, reason = "a test fails where it has to")]

use crate::common;

use std::time::Duration;

use api::v1;
use api::v1::audit_client::AuditClient;
use common::{Service, action, date, enrol, id, new_case, reason};
use counterfoil_ledger::Limits;
use counterfoil_ledger::audit::KeyError;
use domain::ids::FirmId;
use proof::note::{KeyName, Note, NoteError, SignerKey, VerifierKey};
use proof::{Checkpoint, Hash, leaf_hash, tree};
use tonic::transport::Channel;
use tonic::{Code, Status};
use vault::{FirmKey, FirmKeys};

fn firm_id(firm: &str) -> FirmId {
    api::name::parse_firm(firm).unwrap()
}

fn number(value: i64) -> u64 {
    u64::try_from(value).unwrap()
}

fn hash(bytes: &[u8]) -> Hash {
    <[u8; 32]>::try_from(bytes).unwrap().into()
}

fn hashes(all: &[Vec<u8>]) -> Vec<Hash> {
    all.iter().map(|bytes| hash(bytes)).collect()
}

/// What a note says, if the key signed it.
fn said(kept: &v1::Checkpoint, key: &VerifierKey) -> Checkpoint {
    let note: Note = kept.note.parse().unwrap();
    note.verify(std::slice::from_ref(key)).unwrap();
    let checkpoint: Checkpoint = note.text().parse().unwrap();
    assert_eq!((checkpoint.size, checkpoint.root.hex()), (number(kept.size), kept.root.clone()));
    checkpoint
}

/// A service with a firm that signs, and the text of its key.
struct Signing {
    service: Service,
    firm: String,
    key: VerifierKey,
}

/// A proof from whichever server the client talks to.
async fn inclusion_from(
    mut audit: AuditClient<Channel>,
    firm: &str,
    position: i64,
    tree_size: i64,
) -> Result<v1::GetInclusionProofResponse, Status> {
    let request = v1::GetInclusionProofRequest { parent: firm.into(), position, tree_size };
    Ok(audit.get_inclusion_proof(request).await?.into_inner())
}

impl Signing {
    async fn start() -> Self {
        let service = Service::start().await;
        let firm = service.firm().await;
        let key = service.ledger.create_signing_key(firm_id(&firm), None).await.unwrap();
        Self { service, firm, key: key.to_string().parse().unwrap() }
    }

    fn audit(&self) -> AuditClient<Channel> {
        AuditClient::new(self.service.local.clone())
    }

    async fn make(&self) -> Result<v1::Checkpoint, Status> {
        let request = v1::MakeCheckpointRequest { parent: self.firm.clone() };
        Ok(self.audit().make_checkpoint(request).await?.into_inner().checkpoint.unwrap())
    }

    async fn get(&self, size: &str) -> Result<v1::Checkpoint, Status> {
        let request =
            v1::GetCheckpointRequest { name: format!("{}/checkpoints/{size}", self.firm) };
        Ok(self.audit().get_checkpoint(request).await?.into_inner().checkpoint.unwrap())
    }

    async fn inclusion(
        &self,
        position: i64,
        tree_size: i64,
    ) -> Result<v1::GetInclusionProofResponse, Status> {
        inclusion_from(self.audit(), &self.firm, position, tree_size).await
    }

    async fn consistency(
        &self,
        old_size: i64,
        new_size: i64,
    ) -> Result<v1::GetConsistencyProofResponse, Status> {
        let parent = self.firm.clone();
        let request = v1::GetConsistencyProofRequest { parent, old_size, new_size };
        Ok(self.audit().get_consistency_proof(request).await?.into_inner())
    }

    /// So many events more.
    async fn grow(&self, events: usize) {
        let case = new_case(&self.firm);
        self.service
            .record(&case, vec![enrol(v1::Seat::Individual, "+12015550123", "tok_1")])
            .await;
        let text = |at: usize| {
            let text = format!("message {at}");
            let direction = v1::Direction::Outgoing.into();
            let message = v1::MessageLogged { direction, text, complaint: false };
            action(date(2026, 1, 20), v1::action::Action::MessageLogged(message))
        };
        let messages: Vec<v1::Action> = (0..events).map(text).collect();
        for some in messages.chunks(100) {
            self.service.record(&case, some.to_vec()).await;
        }
    }

    async fn events(&self) -> Vec<v1::Event> {
        let mut cases = self.service.cases();
        let (mut events, mut page_token) = (Vec::new(), String::new());
        loop {
            let request = v1::ReadEventsRequest {
                parent: self.firm.clone(),
                page_size: 1_000,
                page_token,
                ..v1::ReadEventsRequest::default()
            };
            let page = cases.read_events(request).await.unwrap().into_inner();
            events.extend(page.events);
            page_token = page.next_page_token;
            if page_token.is_empty() {
                return events;
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_event_is_proved_in_a_checkpoint_with_the_text_of_the_key_alone() {
    let signing = Signing::start().await;
    // Past the first full tile of 256 hashes.
    signing.grow(300).await;
    let made = signing.make().await.unwrap();
    assert_eq!(signing.get("latest").await.unwrap(), made);
    let checkpoint = said(&made, &signing.key);
    let events = signing.events().await;
    assert_eq!(events.len(), usize::try_from(made.size).unwrap());
    assert!(events.len() > 300);
    for event in &events {
        let proof = signing.inclusion(event.position, 0).await.unwrap();
        let leaf = leaf_hash(event.canonical_json.as_bytes());
        assert_eq!(hash(&proof.leaf_hash), leaf);
        assert_eq!(proof.checkpoint.as_ref(), Some(&made));
        tree::verify_inclusion(
            &leaf,
            number(proof.leaf_index),
            checkpoint.size,
            &hashes(&proof.hashes),
            &checkpoint.root,
        )
        .unwrap();
        assert_eq!((proof.leaf_index, proof.tree_size), (event.position - 1, made.size));
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn all_checkpoints_are_consistent_with_each_other() {
    let signing = Signing::start().await;
    let mut made = vec![signing.make().await.unwrap()];
    for events in [1, 20, 240, 10, 300] {
        signing.grow(events).await;
        made.push(signing.make().await.unwrap());
    }
    for (new_at, new) in made.iter().enumerate() {
        for old in &made[..=new_at] {
            let proof = signing.consistency(old.size, new.size).await.unwrap();
            let (old, new) = (said(old, &signing.key), said(new, &signing.key));
            tree::verify_consistency(
                old.size,
                &old.root,
                new.size,
                &new.root,
                &hashes(&proof.hashes),
            )
            .unwrap();
            assert_eq!((hash(&proof.old_root), hash(&proof.new_root)), (old.root, new.root));
        }
    }
    // Each names the one before it, and of a log that has not grown nothing is signed anew.
    let chain: Vec<i64> = made.iter().map(|kept| kept.previous_size).collect();
    let sizes: Vec<i64> = made.iter().map(|kept| kept.size).collect();
    assert_eq!((chain[0], &chain[1..]), (0, &sizes[..5]));
    assert_eq!(signing.make().await.unwrap(), made[5]);
    let mut listed = Vec::new();
    let mut request = v1::ListCheckpointsRequest {
        parent: signing.firm.clone(),
        page_size: 4,
        ..v1::ListCheckpointsRequest::default()
    };
    loop {
        let page = signing.audit().list_checkpoints(request.clone()).await.unwrap().into_inner();
        assert_eq!(page.position, sizes[5]);
        listed.extend(page.checkpoints);
        request.page_token = page.next_page_token;
        if request.page_token.is_empty() {
            break;
        }
    }
    listed.reverse();
    assert_eq!(listed, made);
    // A size that nobody signed is proved from the head all the same.
    let unsigned = signing.consistency(sizes[1] + 5, sizes[5]).await.unwrap();
    assert_eq!(unsigned.old_checkpoint, None);
    let events = signing.events().await;
    let leaves: Vec<Hash> =
        events.iter().map(|event| leaf_hash(event.canonical_json.as_bytes())).collect();
    let old = usize::try_from(sizes[1] + 5).unwrap();
    assert_eq!(hash(&unsigned.old_root), tree::root_of(&leaves[..old]));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn old_checkpoints_stay_checkable_when_the_key_is_rotated_and_a_revoked_one_signs_no_more() {
    let signing = Signing::start().await;
    let firm = firm_id(&signing.firm);
    let ledger = &signing.service.ledger;
    let first = signing.make().await.unwrap();
    assert!(matches!(ledger.create_signing_key(firm, None).await, Err(KeyError::InForce { .. })));
    let second_key = ledger.rotate_signing_key(firm).await.unwrap();
    assert_eq!(second_key.name(), signing.key.name(), "a log keeps its origin");
    assert_ne!(second_key, signing.key);
    signing.grow(3).await;
    let second = signing.make().await.unwrap();
    said(&first, &signing.key);
    said(&second, &second_key);
    assert_eq!(signing.get(&first.size.to_string()).await.unwrap(), first);
    let proof = signing.consistency(first.size, second.size).await.unwrap();
    assert_eq!((proof.old_checkpoint, proof.new_checkpoint), (Some(first), Some(second.clone())));
    ledger.revoke_signing_key(firm, &second_key.id().to_string()).await.unwrap();
    let again = ledger.revoke_signing_key(firm, &second_key.id().to_string()).await;
    assert!(matches!(again, Err(KeyError::Unknown)));
    // What is signed stays, and nothing new is.
    assert_eq!(signing.make().await.unwrap(), second);
    signing.grow(3).await;
    let refused = signing.make().await.unwrap_err();
    assert_eq!(
        (refused.code(), reason(&refused)),
        (Code::FailedPrecondition, "NO_SIGNING_KEY".into())
    );
    let other = KeyName::parse("ledger.example/other").unwrap();
    let renamed = ledger.create_signing_key(firm, Some(other)).await;
    assert!(matches!(renamed, Err(KeyError::Origin { .. })));
    let third_key = ledger.create_signing_key(firm, None).await.unwrap();
    said(&signing.make().await.unwrap(), &third_key);
    let list = v1::ListSigningKeysRequest {
        parent: signing.firm.clone(),
        ..v1::ListSigningKeysRequest::default()
    };
    let keys = signing.audit().list_signing_keys(list).await.unwrap().into_inner().keys;
    let shown: Vec<_> = keys.iter().map(|key| (key.verifier_key.clone(), key.state())).collect();
    assert_eq!(
        shown,
        [
            (signing.key.to_string(), v1::SigningKeyState::Retired),
            (second_key.to_string(), v1::SigningKeyState::Revoked),
            (third_key.to_string(), v1::SigningKeyState::Active),
        ]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_seed_is_kept_in_the_clear_nor_after_its_key_is_retired() {
    let signing = Signing::start().await;
    let firm = firm_id(&signing.firm);
    let row = signing.service.store.signing_keys(firm).await.unwrap().remove(0);
    assert!(row.sealed_private.len() > 32);
    // Another process with other firm keys signs nothing.
    let other = FirmKeys::new(FirmKey::from_bytes([0x5b; 32]));
    let beside = signing.service.beside_with(other, Limits::default()).await;
    let mut audit = AuditClient::new(beside.connect_in_process().await.unwrap());
    let request = v1::MakeCheckpointRequest { parent: signing.firm.clone() };
    let refused = audit.make_checkpoint(request).await.unwrap_err();
    assert_eq!(reason(&refused), "INTERNAL");
    beside.shutdown().await;
    // The seed moves under another firm key, and signs on.
    let both =
        FirmKeys::from_oldest(vec![FirmKey::from_bytes([7; 32]), FirmKey::from_bytes([8; 32])]);
    let beside = signing.service.beside_with(both.unwrap(), Limits::default()).await;
    assert!(beside.rewrap_signing_key(firm).await.unwrap());
    assert!(!beside.rewrap_signing_key(firm).await.unwrap(), "it is done");
    let mut audit = AuditClient::new(beside.connect_in_process().await.unwrap());
    audit
        .make_checkpoint(v1::MakeCheckpointRequest { parent: signing.firm.clone() })
        .await
        .unwrap();
    beside.shutdown().await;
    signing.service.ledger.rotate_signing_key(firm).await.unwrap();
    let rows = signing.service.store.signing_keys(firm).await.unwrap();
    assert_eq!((rows.len(), rows[0].sealed_private.len()), (2, 0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_changed_event_tile_or_note_is_found_and_not_proved() {
    let signing = Signing::start().await;
    signing.grow(300).await;
    let made = signing.make().await.unwrap();
    let found = |error: Status| {
        assert_eq!((error.code(), reason(&error)), (Code::DataLoss, "LOG_CORRUPT".into()));
    };
    // The body of one event in the first tile: its own proof fails, that of the next one holds.
    signing
        .service
        .tamper(
            "UPDATE event SET body = replace(body, 'message', 'massage') WHERE position = 100",
            "UPDATE event SET body = convert_to(replace(convert_from(body, 'UTF8'), 'message', \
             'massage'), 'UTF8') WHERE position = 100",
        )
        .await;
    found(signing.inclusion(100, 0).await.unwrap_err());
    signing.inclusion(101, 0).await.unwrap();
    // A leaf beyond the full tile: every path that passes it fails, and nothing more is signed.
    let last = made.size;
    signing
        .service
        .tamper(
            &format!("UPDATE event SET leaf = zeroblob(32) WHERE position = {last}"),
            &format!(
                "UPDATE event SET leaf = decode(repeat('00', 32), 'hex') WHERE position = {last}"
            ),
        )
        .await;
    // The server that has proved something in this tree remembers the leaf as it was, and proves what is
    // true; another one reads it as it is.
    signing.inclusion(last - 1, 0).await.unwrap();
    let beside = signing.service.beside(Limits::default()).await;
    let audit = AuditClient::new(beside.connect_in_process().await.unwrap());
    found(inclusion_from(audit, &signing.firm, last - 1, 0).await.unwrap_err());
    beside.shutdown().await;
    signing.grow(1).await;
    found(signing.make().await.unwrap_err());
    found(signing.consistency(made.size, made.size + 1).await.unwrap_err());
    // The full tile itself.
    signing
        .service
        .tamper(
            "UPDATE tile SET hashes = zeroblob(8192)",
            "UPDATE tile SET hashes = decode(repeat('00', 8192), 'hex')",
        )
        .await;
    found(signing.inclusion(101, 0).await.unwrap_err());
    signing
        .service
        .tamper(
            "UPDATE checkpoint SET note_text = replace(note_text, 'firms', 'farms')",
            "UPDATE checkpoint SET note_text = replace(note_text, 'firms', 'farms')",
        )
        .await;
    found(signing.get("latest").await.unwrap_err());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_log_that_was_cut_off_is_not_signed() {
    let signing = Signing::start().await;
    signing.grow(5).await;
    let made = signing.make().await.unwrap();
    let head = signing.service.store.head(firm_id(&signing.firm)).await.unwrap();
    signing.grow(5).await;
    let later = signing.make().await.unwrap();
    assert!(later.size > made.size);
    // As after a restore from an older backup that kept the newer checkpoints.
    let (position, frontier, root) =
        (head.position, hex::encode(head.frontier.to_bytes()), head.root().hex());
    signing
        .service
        .tamper(
            &format!(
                "UPDATE log_head SET position = {position}, frontier = X'{frontier}', \
                 root = X'{root}'"
            ),
            &format!(
                "UPDATE log_head SET position = {position}, frontier = '\\x{frontier}', \
                 root = '\\x{root}'"
            ),
        )
        .await;
    let refused = signing.make().await.unwrap_err();
    assert_eq!(reason(&refused), "LOG_CORRUPT");
    let refused = signing.inclusion(1, 0).await.unwrap_err();
    assert_eq!(reason(&refused), "LOG_CORRUPT");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_registered_witness_adds_its_signature_and_nobody_else_does() {
    let signing = Signing::start().await;
    let made = signing.make().await.unwrap();
    let note: Note = made.note.parse().unwrap();
    let witness = SignerKey::from_seed(KeyName::parse("witness.example/w").unwrap(), &[3; 32]);
    let add = async |note: String| {
        let request = v1::AddCosignatureRequest { parent: signing.firm.clone(), note };
        let answer = signing.audit().add_cosignature(request).await;
        answer.map(|answer| answer.into_inner().checkpoint.unwrap())
    };
    let cosigned = Note::signed(note.text().to_owned(), &[&witness]).unwrap();
    let refused = add(cosigned.to_string()).await.unwrap_err();
    assert_eq!(reason(&refused), "FIELD_INVALID", "not registered yet");
    let firm = firm_id(&signing.firm);
    let hidden = SignerKey::from_seed(KeyName::parse("witness\u{202e}").unwrap(), &[3; 32]);
    let refused = signing.service.ledger.register_witness(firm, hidden.verifier()).await;
    assert!(matches!(refused, Err(KeyError::Note(NoteError::NewName))), "{refused:?}");
    let namesake = SignerKey::from_seed(signing.key.name().clone(), &[4; 32]);
    let refused = signing.service.ledger.register_witness(firm, namesake.verifier()).await;
    assert!(matches!(refused, Err(KeyError::WitnessName)), "{refused:?}");
    for new in [true, false] {
        let registered = signing.service.ledger.register_witness(firm, witness.verifier()).await;
        assert_eq!(registered.unwrap(), new);
    }
    for _ in 0..2 {
        let shown = add(cosigned.to_string()).await.unwrap();
        let both: Note = shown.note.parse().unwrap();
        assert_eq!(both.signatures().len(), 2);
        both.verify(&[signing.key.clone(), witness.verifier().clone()]).unwrap();
        assert_eq!(signing.get("latest").await.unwrap(), shown);
    }
    // A signature of another text, and one of a checkpoint that is not kept.
    let forged = cosigned.to_string().replacen('\n', "x\n", 1);
    assert_eq!(reason(&add(forged).await.unwrap_err()), "FIELD_INVALID");
    let other = Checkpoint::new(KeyName::parse("o").unwrap(), 999_999, proof::empty_root());
    let other = Note::signed(other.body(), &[&witness]).unwrap();
    assert_eq!(reason(&add(other.to_string()).await.unwrap_err()), "RESOURCE_NOT_FOUND");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_proved_is_refused_with_its_reason() {
    let signing = Signing::start().await;
    for (asked, expected) in [
        (signing.inclusion(1, 0).await.unwrap_err(), "RESOURCE_NOT_FOUND"),
        (signing.get("latest").await.unwrap_err(), "RESOURCE_NOT_FOUND"),
        (signing.get("0").await.unwrap_err(), "FIELD_INVALID"),
        (signing.inclusion(3, 2).await.unwrap_err(), "FIELD_INVALID"),
        (signing.inclusion(1, 9_999).await.unwrap_err(), "FIELD_INVALID"),
        (signing.consistency(3, 2).await.unwrap_err(), "FIELD_INVALID"),
    ] {
        assert_eq!(reason(&asked), expected, "{asked:?}");
    }
    let made = signing.make().await.unwrap();
    signing.grow(1).await;
    let behind = signing.inclusion(made.size + 1, 0).await.unwrap_err();
    assert_eq!(reason(&behind), "FIELD_INVALID");
    // Without a checkpoint of its size it is proved against the head.
    let proof = signing.inclusion(made.size + 1, made.size + 1).await.unwrap();
    assert_eq!(proof.checkpoint, None);
    let nobody = v1::MakeCheckpointRequest { parent: format!("firms/{}", id()) };
    let refused = signing.audit().make_checkpoint(nobody).await.unwrap_err();
    assert_eq!(reason(&refused), "RESOURCE_NOT_FOUND");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn checkpoints_are_signed_by_the_clock_for_every_firm_with_a_key() {
    let signing = Signing::start().await;
    let without = signing.service.firm().await;
    signing.service.ledger.checkpoint_every(Duration::from_millis(20));
    let store = &signing.service.store;
    let signed_up_to = async |size: u64| {
        let reached = async {
            loop {
                let latest = store.latest_checkpoint(firm_id(&signing.firm)).await.unwrap();
                if latest.is_some_and(|latest| latest.size >= size) {
                    break;
                }
                tokio::task::yield_now().await;
            }
        };
        tokio::time::timeout(Duration::from_secs(30), reached).await.unwrap();
    };
    let head = async || store.head(firm_id(&signing.firm)).await.unwrap().position;
    signed_up_to(head().await).await;
    signing.grow(4).await;
    signed_up_to(head().await).await;
    assert_eq!(store.latest_checkpoint(firm_id(&without)).await.unwrap(), None);
}
