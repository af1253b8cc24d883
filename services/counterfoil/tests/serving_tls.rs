//! `serve` beyond loopback: with TLS, or with somebody's word for it.
//!
//! The certificates beside the ledger's tests are made for tests and protect nothing.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;

use common::served::Served;
use common::{Desk, Ran};

fn pem(name: &str) -> String {
    let ledger = Path::new(env!("CARGO_MANIFEST_DIR")).join("../ledger/tests/data");
    ledger.join(name).to_str().unwrap().to_owned()
}

fn key(desk: &Desk) -> String {
    let key = testbed::secret_copy(Path::new(&pem("server.key")), desk.folder.path());
    key.to_str().unwrap().to_owned()
}

fn serve(desk: &Desk, arguments: &[&str]) -> Served {
    let mut all = vec!["serve", "--listen", "0.0.0.0:0"];
    all.extend(arguments);
    Served::by(desk.command(&all))
}

/// A server that must not come up: if it does, it is stopped and that is said, not waited for.
fn refused(desk: &Desk, arguments: &[&str]) -> Ran {
    let mut command = desk.command(&["serve"]);
    command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    if !line.is_empty() {
        child.kill().unwrap();
    }
    let ended = child.wait_with_output().unwrap();
    assert_eq!(line, "", "{arguments:?}");
    Ran::of(ended)
}

fn ask(desk: &Desk, token: &str, arguments: &[&str]) -> Ran {
    let mut command = desk.command(&["clients"]);
    command.args(arguments).env("COUNTERFOIL_TOKEN", token);
    Ran::of(command.output().unwrap())
}

#[test]
fn elsewhere_without_tls_is_refused_until_it_is_said() {
    let desk = Desk::with_cases();
    for elsewhere in ["0.0.0.0:0", "[::]:0"] {
        let ran = refused(&desk, &["--listen", elsewhere]);
        assert_eq!(ran.code, 2, "{ran:?}");
        assert!(ran.err.contains("not a loopback address"), "{ran:?}");
    }
    // A certificate without its key, or the other way round, is no TLS.
    for half in [["--tls-cert", &pem("server.pem")], ["--tls-key", &key(&desk)]] {
        let ran = refused(&desk, &["--listen", "0.0.0.0:0", half[0], half[1]]);
        assert_eq!(ran.code, 2, "{ran:?}");
    }
    let token = desk.token("read");
    let served = serve(&desk, &["--allow-plaintext"]);
    assert!(served.url.starts_with("http://"), "{}", served.url);
    let plain = format!("http://127.0.0.1:{}", served.port());
    let ran = ask(&desk, &token, &["--server", &plain]);
    assert!(ran.code == 0 && ran.out.contains("Ada Lark"), "{ran:?}");
}

#[test]
fn who_trusts_the_certificate_is_served_and_nobody_else() {
    let desk = Desk::with_cases();
    let token = desk.token("read");
    let served = serve(&desk, &["--tls-cert", &pem("server.pem"), "--tls-key", &key(&desk)]);
    assert!(served.url.starts_with("https://"), "{}", served.url);
    let url = format!("https://localhost:{}", served.port());
    let ran = ask(&desk, &token, &["--server", &url, "--ca", &pem("ca.pem")]);
    assert!(ran.code == 0 && ran.out.contains("Ada Lark"), "{ran:?}");

    // Of another authority; under a name that the certificate does not have.
    let stranger = format!("https://127.0.0.2:{}", served.port());
    for (url, ca) in [(&url, "other-ca.pem"), (&stranger, "ca.pem")] {
        let ran = ask(&desk, &token, &["--server", url, "--ca", &pem(ca)]);
        assert!(ran.code == 5 && ran.out.is_empty(), "{url} by {ca}: {ran:?}");
    }
    // Without TLS nothing is understood: as no service, or as one that speaks nonsense, by whichever
    // of the two is noticed first. Neither is a fault of the service.
    let plain = format!("http://localhost:{}", served.port());
    let ran = ask(&desk, &token, &["--server", &plain]);
    assert!(ran.code == 5 && ran.out.is_empty(), "{ran:?}");
    assert!(!ran.err.contains("report it"), "{ran:?}");
    // Whom to trust has to be said; trusting nobody is no answer.
    let ran = ask(&desk, &token, &["--server", &url]);
    assert!(ran.code == 2 && ran.err.contains("--ca"), "{ran:?}");
    assert_eq!(served.end(), Some(0));
}

#[test]
fn a_certificate_that_is_none_is_said_at_the_start() {
    let desk = Desk::with_cases();
    let broken = desk.file("broken.pem", "no certificate");
    for (certificate, key) in [(&broken, &key(&desk)), (&pem("absent.pem"), &broken)] {
        let arguments = ["--listen", "127.0.0.1:0", "--tls-cert", certificate, "--tls-key", key];
        let ran = refused(&desk, &arguments);
        assert_ne!(ran.code, 0, "{ran:?}");
        assert!(!ran.err.is_empty(), "{ran:?}");
    }
}
