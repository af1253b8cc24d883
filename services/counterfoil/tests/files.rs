//! What is written for whom, and what is never touched: files that leave the program, and secrets that
//! come in.

#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use common::served::Served;
use common::{Desk, Ran, data};

fn mode(path: &Path) -> u32 {
    path.symlink_metadata().unwrap().permissions().mode() & 0o777
}

/// Everything below a folder.
fn all(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.symlink_metadata().unwrap().is_dir() {
            found.extend(all(&path));
        }
        found.push(path);
    }
    found.sort();
    found
}

/// A command under a umask of its own.
fn under(umask: &str, desk: &Desk, arguments: &[&str]) -> Command {
    let own = desk.command(arguments);
    let mut command = Command::new("sh");
    command.arg("-c").arg(format!("umask {umask}; exec \"$@\"")).arg("sh");
    command.arg(own.get_program()).args(own.get_args()).current_dir(desk.folder.path());
    for (name, value) in own.get_envs() {
        match value {
            Some(value) => command.env(name, value),
            None => command.env_remove(name),
        };
    }
    command
}

fn paid() -> Desk {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk
}

#[test]
fn what_leaves_is_its_owners_alone_under_any_umask() {
    for umask in ["000", "022", "077"] {
        let desk = paid();
        desk.done(&["keys", "new", "--origin", "ledger.example/lane"]);
        let letter = desk.file("letter.txt", "abc");
        // A folder that is there already, as an administrator made it, does not make its files anybody's.
        let evidence = desk.folder.path().join("evidence");
        fs::create_dir(&evidence).unwrap();
        fs::set_permissions(&evidence, fs::Permissions::from_mode(0o755)).unwrap();
        let hash = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let add = ["evidence", "add", "Ada Lark", &letter];
        assert_eq!(Ran::of(under(umask, &desk, &add).output().unwrap()).code, 0);
        fs::create_dir(desk.folder.path().join("out")).unwrap();
        for arguments in [
            &["books", "package", "2025-04", "--to", "out/march"][..],
            &["backup", "out/copy.db"],
            &["export", "--all", "--output", "out/all.zip"],
            &["evidence", "get", "Ada Lark", hash, "--to", "out/letter.txt"],
            &["invoice", "1", "--html", "out/1.html", "--pdf", "out/1.pdf"],
            &["charges", "--outbox", "out/deep/outbox"],
            &["--key-file", "out/firm.keys", "firm-keys", "add"],
        ] {
            let ran = Ran::of(under(umask, &desk, arguments).output().unwrap());
            assert_eq!(ran.code, 0, "{umask} {arguments:?}: {ran:?}");
        }
        let mut written = all(&desk.folder.path().join("out"));
        assert!(written.len() > 15, "{written:?}");
        let kept = all(&evidence);
        assert!(kept.len() >= 3, "{kept:?}");
        written.extend(kept);
        for path in &written {
            let wanted = if path.is_dir() { 0o700 } else { 0o600 };
            assert_eq!(mode(path), wanted, "{umask}: {}", path.display());
        }
        assert!(
            !written.iter().any(|path| path.to_string_lossy().contains(".counterfoil-")),
            "{written:?}"
        );
    }
}

#[test]
fn a_package_takes_nothing_away_and_takes_nobodys_place() {
    let desk = paid();
    let at = |name: &str| desk.folder.path().join(name);
    let package = |to: &str| desk.run(&["books", "package", "2025-04", "--to", to]);
    // A folder that is called as a part of ours might be is somebody's.
    fs::create_dir(at("march.part")).unwrap();
    fs::write(at("march.part/taxes"), "mine").unwrap();
    assert_eq!(package("march").code, 0);
    assert_eq!(fs::read_to_string(at("march.part/taxes")).unwrap(), "mine");
    assert!(at("march/Package.xlsx").is_file());
    // Whatever is there already stays as it is: a package, a file, an empty folder, links.
    let before = fs::read(at("march/GL_Detail.csv")).unwrap();
    fs::write(at("file"), "mine").unwrap();
    fs::create_dir(at("empty")).unwrap();
    symlink(at("empty"), at("link")).unwrap();
    symlink(at("nowhere"), at("dangling")).unwrap();
    for taken in ["march", "file", "empty", "link", "dangling"] {
        let ran = package(taken);
        assert_eq!(ran.code, 2, "{taken}: {ran:?}");
        assert!(ran.err.contains("is there already"), "{ran:?}");
    }
    assert_eq!(fs::read(at("march/GL_Detail.csv")).unwrap(), before);
    assert_eq!(fs::read_to_string(at("file")).unwrap(), "mine");
    assert_eq!(fs::read_dir(at("empty")).unwrap().count(), 0);
    assert!(!at("nowhere").exists());
    // One that fails half-way leaves nothing: the month is no month of this firm's books.
    let left = all(desk.folder.path());
    assert_ne!(desk.run(&["books", "package", "2025-04", "--to", "no/where"]).code, 0);
    assert_eq!(all(desk.folder.path()), left);
}

#[test]
fn a_link_in_a_files_place_is_neither_followed_nor_replaced() {
    let desk = paid();
    desk.done(&["keys", "new", "--origin", "ledger.example/lane"]);
    let at = |name: &str| desk.folder.path().join(name);
    for arguments in [
        &["backup", "dangling"][..],
        &["export", "--all", "--output", "dangling"],
        &["invoice", "1", "--html", "dangling"],
    ] {
        symlink(at("elsewhere"), at("dangling")).unwrap();
        let ran = desk.run(arguments);
        assert_eq!(ran.code, 2, "{arguments:?}: {ran:?}");
        assert!(!at("elsewhere").exists(), "{arguments:?}");
        fs::remove_file(at("dangling")).unwrap();
    }
}

fn copied(desk: &Desk, name: &str, mode: u32) -> String {
    let ledger = Path::new(env!("CARGO_MANIFEST_DIR")).join("../ledger/tests/data");
    let copy = desk.folder.path().join(name);
    fs::copy(ledger.join(name), &copy).unwrap();
    fs::set_permissions(&copy, fs::Permissions::from_mode(mode)).unwrap();
    copy.to_str().unwrap().to_owned()
}

#[test]
fn secrets_that_others_may_read_are_refused() {
    let desk = Desk::with_cases();
    let certificate = copied(&desk, "server.pem", 0o644);
    let key = copied(&desk, "server.key", 0o644);
    let serve = ["serve", "--listen", "127.0.0.1:0", "--tls-cert", &certificate, "--tls-key", &key];
    let ran = desk.run(&serve);
    assert!(ran.code != 0 && ran.err.contains("others may read this private key"), "{ran:?}");

    let served = Served::start(&desk);
    let token = desk.file("token", &format!("{}\n", desk.token("read")));
    let ask = ["clients", "--server", &served.url, "--token-file", &token];
    fs::set_permissions(&token, fs::Permissions::from_mode(0o644)).unwrap();
    let ran = desk.run(&ask);
    assert!(ran.code == 2 && ran.err.contains("chmod 600"), "{ran:?}");
    fs::set_permissions(&token, fs::Permissions::from_mode(0o600)).unwrap();
    assert!(desk.done(&ask).contains("Ada Lark"));

    let keys = desk.file("firm.keys", &"07".repeat(32));
    fs::set_permissions(&keys, fs::Permissions::from_mode(0o604)).unwrap();
    let ran = desk.run(&["--key-file", &keys, "clients"]);
    assert!(ran.code == 5 && ran.err.contains("may be read by others"), "{ran:?}");
}

#[test]
fn no_secret_needs_an_argument() {
    let desk = Desk::with_cases();
    let served = Served::start(&desk);
    let token = desk.token("read");
    let ask = ["clients", "--server", &served.url];
    // From standard input.
    let mut command = desk.command(&[&ask[..], &["--token-file", "-"]].concat());
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    child.stdin.take().unwrap().write_all(token.as_bytes()).unwrap();
    let ran = Ran::of(child.wait_with_output().unwrap());
    assert!(ran.code == 0 && ran.out.contains("Ada Lark"), "{ran:?}");
    assert_eq!(ran.err, "");
    // As an argument it still works, with a warning that does not repeat it.
    let ran = desk.run(&[&ask[..], &["--token", &token]].concat());
    assert_eq!(ran.code, 0, "{ran:?}");
    assert!(ran.err.starts_with("warning: ") && !ran.err.contains(&token), "{ran:?}");
    let ran = desk.run(&["clients", "--firm-keys", &"07".repeat(32)]);
    assert!(ran.code == 2 && ran.err.contains("COUNTERFOIL_KEYS"), "{ran:?}");
}

#[test]
fn a_name_that_hides_something_is_refused_by_field() {
    let desk = Desk::with_firm();
    let plan = fs::read_to_string(data("plan.json")).unwrap();
    let mut plan: serde_json::Value = serde_json::from_str(&plan).unwrap();
    for (hidden, rule) in [
        ("Steady\u{202e}ydaetS", "not seen or turn the direction"),
        ("Stea\u{200b}dy", "not seen or turn the direction"),
        ("Steady\nRead", "one line"),
        ("Steady\u{1b}[2J", "control characters"),
    ] {
        plan["displayName"] = hidden.into();
        let file = desk.file("hidden.json", &plan.to_string());
        let ran = desk.run(&["firm", "plan", &file]);
        assert_eq!(ran.code, 3, "{hidden:?}: {ran:?}");
        assert!(ran.err.contains("display_name") && ran.err.contains(rule), "{hidden:?}: {ran:?}");
        assert!(!ran.err.contains('\u{202e}') && !ran.err.contains('\u{1b}'), "{ran:?}");
    }
}

#[test]
fn what_a_killed_run_left_goes_with_the_next_and_nothing_else_does() {
    let desk = paid();
    let at = |name: &str| desk.folder.path().join(name);
    for ours in [".counterfoil-half", ".counterfoil-folder/backup.db"] {
        fs::create_dir_all(at(ours).parent().unwrap()).unwrap();
        fs::write(at(ours), "Ada Lark").unwrap();
    }
    fs::write(at(".counterfeit"), "mine").unwrap();
    symlink(at(".counterfeit"), at(".counterfoil-link")).unwrap();
    let ran = desk.run(&["backup", "copy.db"]);
    assert_eq!(ran.code, 0, "{ran:?}");
    assert_eq!(ran.err.matches("removed what a run left").count(), 2, "{ran:?}");
    assert!(!at(".counterfoil-half").exists() && !at(".counterfoil-folder").exists());
    assert!(at(".counterfoil-link").exists() && at("copy.db").exists());
}

#[test]
fn a_pipe_is_no_statement_and_firm_keys_are_not_a_servers() {
    let desk = Desk::with_firm();
    let pipe = desk.folder.path().join("pipe");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    for file in [pipe.to_str().unwrap(), "/dev/zero"] {
        let ran = desk.run(&["books", "import-bank", file, "--bank", "operating"]);
        assert!(ran.code == 3 && ran.err.contains("must be a file"), "{ran:?}");
    }
    // Standard input is read if it is asked for, and no further than a file may reach.
    let endless = "yes | head -c 80000000 | \"$@\"";
    let import = desk.command(&["books", "import-bank", "-", "--bank", "operating"]);
    let mut command = Command::new("sh");
    command.arg("-c").arg(endless).arg("sh").arg(import.get_program()).args(import.get_args());
    command
        .current_dir(desk.folder.path())
        .envs(import.get_envs().filter_map(|(n, v)| Some((n, v?))));
    let ran = Ran::of(command.output().unwrap());
    assert!(ran.code == 3 && ran.err.contains("at most 64 MiB"), "{ran:?}");

    let keys = ["--key-file", "new.keys", "--server", "http://127.0.0.1:1", "firm-keys", "add"];
    let ran = desk.run(&keys);
    assert!(ran.code == 2 && ran.err.contains("leave --server out"), "{ran:?}");
    assert!(!desk.folder.path().join("new.keys").exists());
}

#[test]
fn what_is_no_database_is_said_to_be_none() {
    let desk = Desk::empty();
    let notes = desk.file("notes.txt", "root:x:0:0\n");
    let run = |desk: &Desk| {
        let mut command = desk.command(&["--database", &format!("sqlite:{notes}"), "clients"]);
        command.env_remove("COUNTERFOIL_KEYS");
        Ran::of(command.output().unwrap())
    };
    let ran = run(&desk);
    assert!(ran.code == 5 && ran.err.contains("is no SQLite database"), "{ran:?}");
    // A key file that others may read is what stands in the way then, and nothing else.
    let keys = desk.file("notes.txt.keys", &"07".repeat(32));
    fs::set_permissions(&keys, fs::Permissions::from_mode(0o644)).unwrap();
    let ran = run(&desk);
    assert!(ran.err.starts_with("counterfoil: the key file"), "{ran:?}");
    assert!(ran.err.contains("may be read by others"), "{ran:?}");
}
