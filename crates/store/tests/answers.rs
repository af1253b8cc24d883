//! Remembered answers that a writer of another version kept, or that somebody changed.

#![allow(clippy::unwrap_used, reason = "a test that cannot look fails")]

use crate::support;

use domain::command::{CaseAction, Command};
use domain::event::{Direction, MessageLogged};
use domain::ids::RequestId;
use domain::refusal::{NamedVersion, Reason, Refusal, Versions};
use domain::terms::Seat;
use domain::value::Personal;
use log::{SubmitError, VerifyError, move_log};
use support::*;
use uuid::Uuid;

/// No reader of JSON has to keep this number exactly, and older readers of answers refused it.
const FAR_AHEAD: u64 = 1 << 60;
const ASKED: u128 = 0xa5;

/// A decision on a version that no case gets to.
fn far_ahead() -> Command {
    let message = MessageLogged {
        complaint: false,
        direction: Direction::Incoming,
        text: Personal::parse("hello").unwrap(),
    };
    match on_case(3, "2026-01-05", vec![CaseAction::MessageLogged(message)]) {
        Command::Case { case, actions, .. } => {
            Command::Case { case, expected_version: Some(FAR_AHEAD), actions }
        }
        _ => unreachable!("it is a command of a case"),
    }
}

async fn refused(bench: &Bench) -> Box<Refusal> {
    match bench.submit(ASKED, far_ahead()).await.unwrap_err() {
        SubmitError::Refused(refusal) | SubmitError::RefusedBefore { refusal, .. } => refusal,
        other => panic!("{other}"),
    }
}

/// Puts other bytes in the place of an answer, as its owner could.
async fn replace(place: &Place<'_>, bytes: &[u8]) {
    let mut raw = place.raw().await;
    let (id, text) = (Uuid::from_u128(ASKED).simple(), std::str::from_utf8(bytes).unwrap());
    let update = match place {
        Place::File(_) => {
            format!("UPDATE request SET answer = CAST('{text}' AS BLOB) WHERE request_id = X'{id}'")
        }
        Place::Server(_) => format!(
            "UPDATE request SET answer = convert_to('{text}', 'UTF8') WHERE request_id = '{id}'"
        ),
    };
    raw.unguarded(&update).await.unwrap();
}

async fn answer(bench: &Bench) -> Vec<u8> {
    let request = RequestId(Uuid::from_u128(ASKED));
    bench.store.answers(FIRM, &[request]).await.unwrap().remove(&request).unwrap().to_bytes()
}

async fn asked(place: &Place<'_>) -> (Bench, Box<Refusal>) {
    let bench = bench(place).await;
    bench.submit(0x33, on_case(3, "2026-01-05", vec![enrol(3, Seat::Individual)])).await.unwrap();
    let first = refused(&bench).await;
    (bench, first)
}

async fn a_number_that_nobody_could_read_again_is_refused_the_same_way_again(place: &Place<'_>) {
    let (bench, first) = asked(place).await;
    assert_eq!(first.reason, Reason::VersionMismatch);
    let versions = Versions { actual: 1, expected: NamedVersion(FAR_AHEAD) };
    assert_eq!(first.versions, Some(versions));
    assert_eq!(refused(&bench).await, first);

    // As older versions kept it.
    let text = String::from_utf8(answer(&bench).await).unwrap();
    let poisoned = text.replace(&format!("\"{FAR_AHEAD}\""), &FAR_AHEAD.to_string());
    assert_ne!(poisoned, text);
    replace(place, poisoned.as_bytes()).await;
    let later = over(place.open().await, 1_000);
    assert_eq!(refused(&later).await, first);
    later.engine.verify(FIRM, |_, _| {}).await.unwrap();

    let elsewhere = Place::File(tempfile::tempdir().unwrap());
    let there = over(elsewhere.open().await, 2_000);
    let report = move_log(&**bench.store, &**there.store, FIRM, |_| {}).await.unwrap();
    assert_eq!(report.source_root, report.target_root);
    assert_eq!(refused(&there).await, first);
    there.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

async fn an_answer_that_does_not_read_is_found_and_named(place: &Place<'_>) {
    let (bench, _) = asked(place).await;
    let kept = answer(&bench).await;
    let cut = &kept[..kept.len() - 1];
    let text = std::str::from_utf8(&kept).unwrap();
    let (beside, _) = text[1..].split_once(",\"refused\"").unwrap();
    let claims = format!("{{\"accepted\":{{\"count\":7,\"first\":1,\"streams\":[]}},{beside}}}");
    let beyond = claims.replace("\"first\":1", "\"first\":900");
    let request = Uuid::from_u128(ASKED).to_string();
    for (bytes, said) in [
        (cut, &*request),
        (b"", &request),
        (b"null", &request),
        (claims.as_bytes(), &request),
        (beyond.as_bytes(), &request),
    ] {
        replace(place, bytes).await;
        match bench.engine.verify(FIRM, |_, _| {}).await.unwrap_err() {
            VerifyError::Finding { what, .. } => assert!(what.contains(said), "{what}"),
            VerifyError::Store(error) => panic!("{error}"),
        }
    }
    // Nobody but who asks that request again meets it.
    replace(place, cut).await;
    let later = over(place.open().await, 1_000);
    let internal = later.submit(ASKED, far_ahead()).await.unwrap_err();
    assert!(matches!(internal, SubmitError::Internal(_)), "{internal}");
    later.submit(0x34, on_case(4, "2026-01-05", vec![enrol(4, Seat::Individual)])).await.unwrap();
    replace(place, &kept).await;
    later.engine.verify(FIRM, |_, _| {}).await.unwrap();
}

on_both_engines!(
    a_number_that_nobody_could_read_again_is_refused_the_same_way_again,
    an_answer_that_does_not_read_is_found_and_named,
);
