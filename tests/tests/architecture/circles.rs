//! Modules that use each other.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::{Member, members};

/// Modules that use each other, directly or over others, and why they still do. A circle is one thing in several files: nobody can
/// read, test or change a part of it alone.
const CIRCLES: &[(&str, &[(&str, &str)])] = &[
    (
        "counterfoil-domain",
        &[
            ("codec ids value", "a value is written by the codec, which writes values"),
            (
                "account actor case command couple decide deposit event firm gates judge named sealing world",
                "facts, what follows from them, and what is decided on that",
            ),
            (
                "judge::because judge::gates judge::promised judge::state",
                "a gate and the facts that it names",
            ),
            (
                "case::next case::story",
                "the shorter way through a story, held equal to the whole by a property",
            ),
            (
                "case::announce case::circumstance case::decide case::fact case::finding case::retention",
                "what a fact asks and what it changes are decided in one go",
            ),
            (
                "account::decide account::refund",
                "refunds are decided by the rules of the other facts about money",
            ),
            ("deposit::decide deposit::told", "the same of what a bank tells"),
            ("firm::decide firm::security", "the same of what a firm tells"),
        ],
    ),
    (
        "counterfoil-bundle",
        &[
            ("derive recordable", "what may be recorded is found by what follows"),
            (
                "csv manifest names scope tables",
                "the manifest names the tables, which are in its words",
            ),
        ],
    ),
    (
        "counterfoil-api",
        &[("case_action promise", "a promise is a part of an action, read in its words")],
    ),
    ("counterfoil-paper", &[("pdf typeface", "the page is set in the typeface that measures it")]),
    (
        "counterfoil-ledger",
        &[
            (
                "access accounts administration answers audit billing books case_ledger couples door evidence front ledger \
                 metrics names openings paging privacy quota reading server telemetry trial",
                "the ledger is the handle of everything that hangs on it, and the handlers share what they read",
            ),
            (
                "door::call door::watch",
                "a call is ended by who watches it, who is told of it by the call",
            ),
        ],
    ),
    (
        "counterfoil",
        &[
            (
                "cli command connect demo evidence find keys secrets",
                "the command line names the commands, whose arguments it shares",
            ),
            (
                "command::evidence command::log_care",
                "checks of evidence and of the log share their report",
            ),
            ("command::payment command::refund", "both are asked for in the words of a payment"),
            (
                "command::books::month command::books::package",
                "a month's package is written at its close",
            ),
        ],
    ),
];

/// The modules of a crate by their paths, each with its code.
fn modules(member: &Member) -> BTreeMap<Vec<String>, String> {
    let source = member.folder.join("src");
    let of = |(path, text): (PathBuf, String)| {
        let path = path.strip_prefix(&source).unwrap().with_extension("");
        let mut parts: Vec<String> =
            path.iter().map(|part| part.to_str().unwrap().to_owned()).collect();
        if parts.last().is_some_and(|last| ["lib", "main", "mod"].contains(&last.as_str())) {
            parts.pop();
        }
        (parts, uses(&text))
    };
    let all = member.sources().into_iter().map(of);
    all.filter(|(path, _)| !path.iter().any(|part| part == "tests")).collect()
}

/// What is before the tests of a file without its comments, and its lists without spaces.
fn uses(text: &str) -> String {
    let code = text.split("#[cfg(test)]\nmod tests").next().unwrap();
    let lines = code.lines().filter(|line| !line.trim_start().starts_with("//"));
    let words: Vec<&str> = lines.flat_map(str::split_whitespace).collect();
    words.join(" ").replace("{ ", "{").replace(", ", ",").replace(" }", "}")
}

/// Every path that a module's code names, from the crate's root on.
fn named(module: &[String], code: &str) -> Vec<Vec<String>> {
    let mut paths = Vec::new();
    for root in ["crate", "super", "self"] {
        for (at, _) in code.match_indices(&format!("{root}::")) {
            let before = code[..at].chars().next_back();
            if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
                continue;
            }
            let mut base = if root == "crate" { Vec::new() } else { module.to_vec() };
            if root == "super" {
                base.pop();
            }
            let mut rest = &code[at + root.len() + 2..];
            while let Some(after) = rest.strip_prefix("super::") {
                base.pop();
                rest = after;
            }
            leaves(&base, rest, &mut paths);
        }
    }
    paths
}

/// The paths of a use, or of the beginning of one: `a::{b, c::D}` are two.
fn leaves(base: &[String], rest: &str, paths: &mut Vec<Vec<String>>) {
    if let Some(list) = rest.strip_prefix('{') {
        let (mut depth, mut start) = (0, 0);
        for (at, c) in list.char_indices() {
            match c {
                '{' => depth += 1,
                '}' if depth > 0 => depth -= 1,
                ',' | '}' if depth == 0 => {
                    leaves(base, &list[start..at], paths);
                    start = at + 1;
                    if c == '}' {
                        return;
                    }
                }
                _ => {}
            }
        }
        return;
    }
    let name = word(rest);
    if name.is_empty() {
        return;
    }
    let mut path = base.to_vec();
    path.push(name.clone());
    if let Some(after) = rest[name.len()..].strip_prefix("::") {
        leaves(&path, after, paths);
    }
    paths.push(path);
}

pub(crate) fn word(text: &str) -> String {
    text.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect()
}

/// Everything that a module comes to over what it names.
fn reached<'m>(modules: &'m BTreeMap<String, BTreeSet<String>>, from: &str) -> BTreeSet<&'m str> {
    let (mut reached, mut next) = (BTreeSet::new(), vec![from]);
    while let Some(name) = next.pop() {
        for other in modules.get(name).into_iter().flatten() {
            if reached.insert(other.as_str()) {
                next.push(other);
            }
        }
    }
    reached
}

/// The circles of modules that stand beside each other, at whatever depth.
fn circles(modules: &BTreeMap<Vec<String>, String>) -> BTreeSet<String> {
    let mut beside: BTreeMap<Vec<String>, BTreeMap<String, BTreeSet<String>>> = BTreeMap::new();
    for (module, code) in modules {
        for path in named(module, code) {
            let same = module.iter().zip(&path).take_while(|(one, other)| one == other).count();
            let is_module =
                (same < path.len()) && modules.keys().any(|of| of.starts_with(&path[..=same]));
            if same < module.len() && is_module {
                let of = beside.entry(module[..same].to_vec()).or_default();
                of.entry(module[same].clone()).or_default().insert(path[same].clone());
            }
        }
    }
    let mut circles = BTreeSet::new();
    for (parent, modules) in &beside {
        for name in modules.keys() {
            let of = reached(modules, name);
            let back = of.iter().filter(|other| reached(modules, other).contains(name.as_str()));
            let circle: BTreeSet<&str> = back.copied().collect();
            if circle.len() > 1 {
                let full =
                    |name: &&str| [parent.as_slice(), &[(*name).to_owned()]].concat().join("::");
                circles.insert(circle.iter().map(full).collect::<Vec<_>>().join(" "));
            }
        }
    }
    circles
}

#[test]
fn modules_go_in_no_circle_that_is_not_named() {
    for member in members().iter().filter(|member| member.name != "counterfoil-fuzz") {
        let known = CIRCLES.iter().filter(|(name, _)| *name == member.name);
        let known: BTreeSet<String> = known
            .flat_map(|(_, circles)| *circles)
            .map(|(circle, _)| (*circle).to_owned())
            .collect();
        assert_eq!(circles(&modules(member)), known, "{}", member.name);
    }
}

#[test]
fn a_circle_is_seen_wherever_it_is_closed() {
    let of = |files: &[(&str, &str)]| {
        let module = |(path, code): &(&str, &str)| {
            (path.split("::").map(str::to_owned).collect(), (*code).to_owned())
        };
        circles(&files.iter().map(module).collect()).into_iter().collect::<Vec<_>>()
    };
    assert_eq!(of(&[("a", "use crate::b::B;"), ("b", "use crate::c::C;")]), [""; 0]);
    assert_eq!(of(&[("a", "use crate::{c,b::{self,B}};"), ("b", "let x=super::a::A;")]), ["a b"]);
    assert_eq!(
        of(&[("m::a", "super::b::f()"), ("m::b::c", "use super::super::a::A;")]),
        ["m::a m::b"]
    );
    assert_eq!(
        of(&[("m", "use self::a::A;"), ("m::a", "use super::M;")]),
        [""; 0],
        "a part and its whole"
    );
}
