//! `pack`: what engineers read of each state's law, one page for counsel to sign. No server or database is asked.

use calendar::CivilDate;
use clap::{Args, Subcommand};
use domain::rules::{Bears, Dimension, EXAMPLE_PACKS, RulePack, STATE_PACKS};
use paper::sheet::{Cell, Column, Sheet};
use serde_json::json;

use super::firm::{own_name, pack_text, read_pack};
use crate::exit::Exit;
use crate::out::Out;
use crate::sheet::SheetFiles;
use crate::table::Table;
use crate::words;

/// What to do with the packs that come along.
#[derive(Subcommand)]
pub(crate) enum PackCommand {
    /// List the packs that come with the software, and what is unread of each state's law
    List,
    /// Show a pack whole: each rule with statute, source and edition, what was not read, and what counsel has to answer
    Show(ShowArgs),
}

/// Which pack.
#[derive(Args)]
pub(crate) struct ShowArgs {
    /// The pack: a file, or the name of one that comes with the software, such as us-nc-1
    pack: String,
    #[command(flatten)]
    files: SheetFiles,
}

/// What stands on every page.
const ENGINEERING: &str = "Engineering input for counsel, not legal advice";

const CAUTIONS: &[&str] = &[
    "Engineering input for counsel, not legal advice: licensed counsel decides.",
    "What was not read is not known: it closes the gates that it bears on.",
    "Counsel confirms this text by its SHA-256, and no other: firm confirm.",
    "Confirmed by counsel:  name ______________________________  day ______________  signature ______________________________",
];

/// Runs one.
pub(crate) fn run(command: &PackCommand, out: &mut Out) -> anyhow::Result<Exit> {
    match command {
        PackCommand::List => list(out),
        PackCommand::Show(args) => show(args, out),
    }
}

/// The dimensions that a gate waits for.
fn unread(pack: &RulePack) -> Vec<&'static str> {
    let gates = |dimension: &&Dimension| dimension.bears() != Bears::Nothing;
    let unread = Dimension::ALL.iter().filter(gates).filter(|d| !pack.is_read(**d));
    unread.map(|dimension| dimension.code()).collect()
}

fn list(out: &mut Out) -> anyhow::Result<Exit> {
    let mut table = Table::new(&["pack", "state", "~stands", "~not read"]);
    let mut packs = Vec::new();
    for text in EXAMPLE_PACKS.iter().chain(STATE_PACKS) {
        let pack = read_pack(text)?;
        let name = own_name(text).unwrap_or_default();
        let state = pack.state.map_or_else(|| "federal".to_owned(), |state| state.to_string());
        let unread = unread(&pack);
        let stands = match (unread.is_empty(), pack.adds_nothing()) {
            _ if pack.prohibited.is_some() => "the trade is not allowed",
            (_, true) => "nothing is added, if counsel says so",
            (true, false) => "read in all that gates wait for",
            (false, false) => "closed until the rest is read",
        };
        packs.push(json!({ "pack": name, "state": state, "stands": stands, "unread": unread }));
        table.row([name, state, stands.to_owned(), unread.join(", ")]);
    }
    if out.is_json() {
        out.value(&json!({ "packs": packs }))?;
        return Ok(Exit::Done);
    }
    out.table(&table, "No pack comes along.")?;
    out.note(words::CAUTION)?;
    Ok(Exit::Done)
}

fn show(args: &ShowArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let text = pack_text(&args.pack)?;
    let pack = read_pack(&text)?;
    if !args.files.is_empty() {
        args.files.write(&sheet(&pack), out)?;
        return Ok(Exit::Done);
    }
    if out.is_json() {
        let mut whole: serde_json::Value = serde_json::from_str(&text)?;
        whole["sha256"] = pack.hash().to_string().into();
        out.value(&whole)?;
        return Ok(Exit::Done);
    }
    out.line(format!("{} version {}", pack.code, pack.version))?;
    for line in about(&pack) {
        out.line(line)?;
    }
    let mut table = Table::new(&["about", "~asks", "~statute", "~read in"]);
    for row in rows(&pack) {
        table.row(row);
    }
    out.section("What it says", &table)?;
    out.heading("For counsel to answer")?;
    for question in pack.questions.iter().flatten() {
        out.line(question.as_str())?;
    }
    out.note(words::CAUTION)?;
    Ok(Exit::Done)
}

fn about(pack: &RulePack) -> Vec<String> {
    let through = pack.in_force_through.map_or_else(
        || "without a last day".to_owned(),
        |last| format!("through {last}; what the law is afterwards is not known"),
    );
    let read = pack.text_read_on.map_or_else(String::new, |on| format!(", the law read on {on}"));
    vec![
        pack.note.to_string(),
        format!("In force from {} {through}{read}.", pack.in_force_from),
        format!("SHA-256 {}", pack.hash()),
    ]
}

/// A row for each rule, then one for each dimension in which there is none, or that nobody read.
fn rows(pack: &RulePack) -> Vec<[String; 4]> {
    let source = |dimension| {
        let read = pack.read_in(dimension);
        read.map_or_else(String::new, |(source, edition)| format!("{source}; {edition}"))
    };
    let rules = pack.rules();
    let mut rows: Vec<[String; 4]> = rules
        .iter()
        .map(|rule| {
            let about = rule.member.replace('_', " ");
            [about, rule.requirement.clone(), rule.cites.to_string(), source(rule.dimension)]
        })
        .collect();
    let silent = |d: &&Dimension| !rules.iter().any(|rule| rule.dimension == **d);
    for dimension in Dimension::ALL.iter().filter(silent) {
        let says = match (pack.is_read(*dimension), dimension.bears()) {
            (true, _) => "read: there is none",
            (false, Bears::Nothing) => "not read",
            (false, Bears::Signing | Bears::Fee) => "NOT READ: it closes the gate",
        };
        let about = dimension.code().replace('_', " ");
        rows.push([about, says.to_owned(), String::new(), source(*dimension)]);
    }
    rows
}

/// The page that counsel reads and signs.
fn sheet(pack: &RulePack) -> Sheet {
    let name = format!("Rule pack {} version {}", pack.code, pack.version);
    let mut rows: Vec<Vec<Cell>> =
        rows(pack).into_iter().map(|row| row.into_iter().map(Cell::line).collect()).collect();
    let asked = pack.questions.iter().flatten().map(ToString::to_string).collect();
    let questions = Cell { lines: Vec::new(), points: asked };
    rows.push(vec![
        Cell::line("For counsel to answer"),
        questions,
        Cell::default(),
        Cell::default(),
    ]);
    Sheet {
        title: format!("{name}. {ENGINEERING}"),
        firm: name,
        lead: ENGINEERING.to_owned(),
        to: about(pack),
        columns: vec![
            Column::text("About", 16),
            Column::text("Asks", 42),
            Column::text("Statute", 21),
            Column::text("Read in", 21),
        ],
        rows,
        sums: Vec::new(),
        remark: None,
        cautions: CAUTIONS,
        made_on: pack.text_read_on.unwrap_or(CivilDate::MIN).max(pack.in_force_from),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each pack that comes along is a page in both forms, which says of every dimension what was read.
    #[test]
    fn every_pack_is_a_page_that_says_what_was_read_and_what_was_not() {
        for text in STATE_PACKS {
            let pack = read_pack(text).unwrap();
            let page = sheet(&pack);
            let html = page.to_html();
            assert!(html.contains(ENGINEERING) && html.contains("signature"), "{}", pack.code);
            assert!(html.contains(&pack.hash().to_string()), "{}", pack.code);
            for dimension in Dimension::ALL {
                let said = rows(&pack).iter().any(|[about, ..]| {
                    let of_it =
                        pack.rules().into_iter().filter(|rule| rule.dimension == *dimension);
                    *about == dimension.code().replace('_', " ")
                        || of_it.into_iter().any(|rule| *about == rule.member.replace('_', " "))
                });
                assert!(said, "{} {dimension}", pack.code);
            }
            assert!(page.to_pdf().unwrap().starts_with(b"%PDF"), "{}", pack.code);
        }
        let read = |name: &str| read_pack(&pack_text(name).unwrap()).unwrap();
        assert!(sheet(&read("us-pa-1")).to_html().contains("NOT READ: it closes the gate"));
        assert!(!sheet(&read("us-nc-1")).to_html().contains("NOT READ"));
    }
}
