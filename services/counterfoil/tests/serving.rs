//! `serve`, and commands that ask it.
#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use common::served::Served;
use common::{Desk, Ran, data};

fn ask(desk: &Desk, served: &Served, token: Option<&str>, arguments: &[&str]) -> Ran {
    let mut command = desk.command(arguments);
    command.env("COUNTERFOIL_SERVER", &served.url);
    if let Some(token) = token {
        command.env("COUNTERFOIL_TOKEN", token);
    }
    Ran::of(command.output().unwrap())
}

#[test]
fn a_server_answers_whoever_has_a_token_and_drains_at_the_end() {
    let desk = Desk::with_firm();
    let (clerk, reader) = (desk.token("record,read"), desk.token("read"));
    let served = Served::start(&desk);
    let file = data("cases.jsonl").to_str().unwrap().to_owned();

    let ran = ask(&desk, &served, Some(&clerk), &["import", &file, "--dry-run"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.out.contains("only the form of each line was checked"), "{ran:?}");
    let ran = ask(&desk, &served, Some(&clerk), &["import", &file]);
    assert_eq!(ran.code, 0, "{ran:?}");
    let ran = ask(&desk, &served, Some(&reader), &["clients"]);
    assert!(ran.out.contains("Ada Lark"), "{ran:?}");

    assert_eq!(ask(&desk, &served, Some(&reader), &["import", &file]).code, 6);
    assert_eq!(ask(&desk, &served, Some(&clerk), &["bill", "--as-of", "2025-05-01"]).code, 6);
    let firm = desk.firm().trim_start_matches("firms/").to_owned();
    let ran = ask(&desk, &served, None, &["clients", "--firm", &firm]);
    assert_eq!(ran.code, 6, "{ran:?}");
    assert!(ran.err.contains("COUNTERFOIL_TOKEN"), "{ran:?}");
    let other = "00000000-0000-7000-8000-000000000009";
    assert_eq!(ask(&desk, &served, Some(&reader), &["clients", "--firm", other]).code, 6);

    // A command that opens the same database beside the server sees what the server recorded.
    assert!(desk.done(&["clients"]).contains("Ben Finch"));
    assert_eq!(served.end(), Some(0));
    desk.log();
}

#[test]
fn metrics_have_a_port_of_their_own_that_strangers_do_not_reach_by_default() {
    let desk = Desk::with_firm();
    let elsewhere = ["serve", "--listen", "127.0.0.1:0", "--metrics", "0.0.0.0:0"];
    let ran = desk.run(&elsewhere);
    assert_eq!(ran.code, 2, "{ran:?}");
    assert!(ran.err.contains("metrics are shown to whoever asks"), "{ran:?}");
}

#[test]
fn a_probe_needs_no_token_and_finds_a_server_that_is_gone() {
    let desk = Desk::with_firm();
    let served = Served::start(&desk);
    assert_eq!(ask(&desk, &served, None, &["health"]).code, 0);
    let url = served.url.clone();
    assert_eq!(served.end(), Some(0));
    let gone = desk.run(&["health", "--server", &url]);
    assert_eq!(gone.code, 5, "{gone:?}");
}
