//! The built program in a folder of its own, as a person at a terminal has it.

#![allow(dead_code, unreachable_pub, reason = "each test file uses its own part")]

#[cfg(unix)]
pub mod machine;
#[cfg(unix)]
pub mod served;
#[cfg(unix)]
pub mod standby;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};

use serde_json::Value;
use tempfile::TempDir;

/// What a command left: its exit code and what it wrote.
#[derive(Debug)]
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    pub fn of(output: Output) -> Self {
        let text = |bytes| String::from_utf8(bytes).unwrap();
        let code = output.status.code().expect("no signal ended it");
        Self { code, out: text(output.stdout), err: text(output.stderr) }
    }

    /// Everything it wrote was JSON: one value per line.
    pub fn json(&self) -> Vec<Value> {
        self.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

pub struct Desk {
    pub folder: TempDir,
    /// The database, if it is not the file that commands make by themselves.
    pub database: Option<String>,
}

/// A file of the test data.
pub fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

impl Desk {
    /// An empty folder.
    pub fn empty() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), database: None }
    }

    /// A registered firm with its plan, its federal pack and one bureau.
    pub fn with_firm() -> Self {
        Self::empty().founded()
    }

    /// The firm of [`Desk::with_firm`], on this desk.
    pub fn founded(self) -> Self {
        let desk = self;
        let on = ["--on", "2025-01-02"];
        for (command, what) in [
            ("register", data("firm.json")),
            ("plan", data("plan.json")),
            ("pack", PathBuf::from("us-federal-1")),
            ("pack", data("nothing-added.json")),
            ("bureau", data("bureau.json")),
        ] {
            desk.done(&["firm", command, what.to_str().unwrap(), on[0], on[1]]);
        }
        let pack = data("nothing-added.json");
        let confirm = ["firm", "confirm", pack.to_str().unwrap(), "--counsel", "C. Ounsel"];
        desk.done(&[&confirm[..], &on].concat());
        desk
    }

    /// A firm with one client whose first month is worked and one who has only enrolled.
    pub fn with_cases() -> Self {
        let desk = Self::with_firm();
        desk.done(&["import", data("cases.jsonl").to_str().unwrap()]);
        desk
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_counterfoil"));
        command.current_dir(self.folder.path()).args(arguments);
        for variable in [
            "DATABASE",
            "SERVER",
            "TOKEN",
            "TOKEN_FILE",
            "FIRM",
            "CA",
            "LOG",
            "KEYS",
            "KEY_FILE",
            "EVIDENCE",
        ] {
            command.env_remove(format!("COUNTERFOIL_{variable}"));
        }
        if let Some(database) = &self.database {
            command.env("COUNTERFOIL_DATABASE", database);
        }
        // Tests log in as the cluster's superuser.
        command.env("COUNTERFOIL_ALLOW_OWNER_LOGIN", "true");
        // Copies and moves of a database are opened by what sealed it.
        command.env("COUNTERFOIL_KEYS", "07".repeat(32));
        command
    }

    pub fn run(&self, arguments: &[&str]) -> Ran {
        Ran::of(self.command(arguments).output().unwrap())
    }

    /// A bearer token with scopes: `record,read`.
    pub fn token(&self, scopes: &str) -> String {
        static TOKENS: AtomicU32 = AtomicU32::new(0);
        // Labels tell the tokens of a firm apart.
        let label = format!("test {}", TOKENS.fetch_add(1, Ordering::Relaxed));
        self.done(&["tokens", "create", "--quiet", "--label", &label, "--scopes", scopes])
            .trim()
            .to_owned()
    }

    /// Runs a command that must succeed.
    pub fn done(&self, arguments: &[&str]) -> String {
        let ran = self.run(arguments);
        assert_eq!(ran.code, 0, "{arguments:?}: {ran:?}");
        ran.out
    }

    /// Writes a file into the folder and gives its name.
    pub fn file(&self, name: &str, text: &str) -> String {
        let path = self.folder.path().join(name);
        fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }

    /// The firm: `firms/{firm}`.
    pub fn firm(&self) -> String {
        let shown = self.run(&["firm", "show", "--json"]).json().remove(0);
        shown["firm"]["name"].as_str().unwrap().to_owned()
    }

    /// The request id of every event of the log, in order.
    pub fn request_ids(&self) -> Vec<String> {
        let followed = self.run(&["follow", "--once", "--json"]).json();
        let events = followed.iter().filter_map(|message| message.get("event"));
        events.map(|event| event["requestId"].as_str().unwrap().to_owned()).collect()
    }

    /// Position and root of the log, as verified.
    pub fn log(&self) -> (String, String) {
        let ran = self.run(&["verify", "--json"]);
        let report = ran.json().pop().unwrap()["report"].clone();
        assert_eq!(report["sound"], true, "{ran:?}");
        let text = |member: &str| report[member].as_str().unwrap().to_owned();
        (text("position"), text("root"))
    }
}
