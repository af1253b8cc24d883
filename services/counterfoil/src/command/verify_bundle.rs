//! `verify BUNDLE`: an exported bundle, checked without a server, a database or the firm's goodwill.

use std::path::Path;

use anyhow::Context;
use bundle::{Consistency, GivenKey, Request, Trust, Verified, plain};
use proof::note::VerifierKey;
use serde_json::json;

use super::log_care::{VerifyArgs, bar};
use crate::exit::{Exit, Stop};
use crate::out::Out;

/// Most bytes of a key's or checkpoint's file.
const NOTE_BYTES_MAX: u64 = 1 << 20;

/// Checks a bundle.
pub(crate) fn run(args: &VerifyArgs, out: &mut Out) -> anyhow::Result<Exit> {
    let path = args.bundle.as_deref().context("no bundle is named")?;
    let trust = Trust {
        public_keys: args.public_key.as_deref().map(public_keys).transpose()?.unwrap_or_default(),
        not_before: args.not_before,
        earlier: args
            .checkpoint
            .as_deref()
            .map(|file| {
                let wrong = || Stop::usage("--checkpoint: the file of a signed checkpoint");
                read(Path::new(file))?.parse().map_err(|_| wrong())
            })
            .transpose()?,
    };
    // What is not there, or not to be read, is no finding about a bundle.
    std::fs::File::open(path).map_err(|error| unreadable(path, &error))?;
    let bar = bar(out, "verifying")?;
    let verified = bundle::verify(path, &trust, |done, of| {
        bar.set_length(of);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    let verified = match verified {
        Ok(verified) => verified,
        Err(error) => {
            let error = anyhow::Error::new(error);
            let causes: Vec<String> = error.chain().map(ToString::to_string).collect();
            let text = format!("{}: {}", path.display(), causes.join(": "));
            return Err(anyhow::Error::new(Stop { exit: Exit::Unsound, text }));
        }
    };
    if out.is_json() {
        out.value(&as_json(&verified))?;
    } else {
        show(&verified, out)?;
    }
    Ok(if verified.is_sound() { Exit::Done } else { Exit::Unsound })
}

fn read(path: &Path) -> anyhow::Result<String> {
    let cannot = |error: std::io::Error| unreadable(path, &error);
    let length = std::fs::metadata(path).map_err(cannot)?.len();
    if length > NOTE_BYTES_MAX {
        return Err(Stop::usage(format!("{} is no key or note: it is too long", path.display())));
    }
    std::fs::read_to_string(path).map_err(cannot)
}

fn unreadable(path: &Path, error: &std::io::Error) -> anyhow::Error {
    Stop::usage(format!("cannot read {}: {error}", path.display()))
}

/// One key a line, as `keys export-public` prints them.
fn public_keys(path: &Path) -> anyhow::Result<Vec<GivenKey>> {
    let wrong = || {
        Stop::usage(
            "--public-key: the file has keys, one a line, oldest first: FIRST LAST name+id+key, or the key alone",
        )
    };
    let text = read(path)?;
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    let keys: Vec<GivenKey> =
        lines.map(str::parse).collect::<Result<_, _>>().map_err(|_| wrong())?;
    if keys.is_empty() { Err(wrong()) } else { Ok(keys) }
}

fn show(verified: &Verified, out: &mut Out) -> std::io::Result<()> {
    for finding in &verified.findings {
        out.line(finding)?;
    }
    let number = u64::try_from(verified.findings.len()).unwrap_or(u64::MAX);
    let number = number.saturating_add(verified.findings_left_out);
    if !verified.is_sound() {
        out.line(format!("NOT SOUND: {number} findings."))?;
        return out.note("Keep the bundle as it is, and ask for the firm's key and log elsewhere.");
    }
    for remark in &verified.remarks {
        out.line(format!("REMARK: {remark}"))?;
    }
    out.line("The bundle is sound: every event, table and report of it agrees.")?;
    if let Some(format) = verified.format {
        out.field("format", format.name())?;
    }
    if let Some(firm) = verified.firm {
        out.field("firm", firm)?;
    }
    out.field("events", verified.events)?;
    out.field("clients", verified.cases)?;
    out.field("log's size", verified.size)?;
    out.field("log's root", verified.root)?;
    for key in &verified.signers {
        out.field("signed by", plain(&key.to_string()))?;
    }
    if let Some(key) = list_signer(verified) {
        out.field("files listed by", plain(&key.to_string()))?;
    }
    if verified.opened > 0 {
        out.field("opened values", verified.opened)?;
    }
    out.field(
        "checkpoint",
        match verified.consistency {
            Consistency::Proved => "the log begins with what it held at the earlier checkpoint",
            Consistency::CannotSay => "a part of a log cannot show that it extends the earlier one",
            Consistency::NotAsked | Consistency::Refuted => "",
        },
    )?;
    out.line("")?;
    out.line("That does not prove:")?;
    for line in unproved(verified) {
        out.line(format!("  {line}"))?;
    }
    if let Some(caution) = caution(verified) {
        out.line("")?;
        out.line(caution)?;
    }
    Ok(())
}

/// The key that signed the list of files, where it did not sign the checkpoint.
fn list_signer(verified: &Verified) -> Option<&VerifierKey> {
    verified.key.as_ref().filter(|key| !verified.signers.contains(key))
}

/// What the keys that were given leave open.
fn caution(verified: &Verified) -> Option<&'static str> {
    if !verified.key_is_given {
        return Some(
            "CAUTION: the key came with the bundle. Compare it with one got elsewhere, and give that \
             with --public-key.",
        );
    }
    verified.key_is_unsized.then_some(
        "CAUTION: a key was given without the sizes of the log that it signed. One that was retired before, \
         and stolen, would not be told from the one in force: give what `keys export-public` prints.",
    )
}

/// What a sound bundle leaves open, and what would show it.
fn unproved(verified: &Verified) -> Vec<&'static str> {
    let mut lines = Vec::new();
    if verified.request != Some(Request::All) {
        lines.push(
            "that each stream ends where it does: the whole log, or another part, shows that",
        );
        lines.push(
            "that a stream has no other event under a version that is here, that what is stated as \
             left out tells of others, and that nobody looked at a client where it is stated: the \
             whole log shows that",
        );
    }
    if matches!(verified.request, Some(Request::Days { .. })) {
        lines.push("that no case with an event in these days is missing: the whole log shows that");
    }
    lines.push(if verified.consistency == Consistency::Proved {
        "that the firm signed no other log: a checkpoint that somebody else was given may show one"
    } else {
        "that the firm signed no other log: a checkpoint that somebody was given, held against a whole log, \
         may show one"
    });
    lines.push("that what was recorded is true: papers from elsewhere show that");
    lines
}

fn as_json(verified: &Verified) -> serde_json::Value {
    let findings: Vec<_> = verified
        .findings
        .iter()
        .map(|finding| {
            json!({
                "file": finding.file,
                "row": finding.row,
                "position": finding.position,
                "what": finding.what,
            })
        })
        .collect();
    let consistency = match verified.consistency {
        Consistency::NotAsked => "not_asked",
        Consistency::Proved => "proved",
        Consistency::CannotSay => "cannot_say",
        Consistency::Refuted => "refuted",
    };
    let remarks: Vec<_> = verified.remarks.iter().map(ToString::to_string).collect();
    json!({
        "sound": verified.is_sound(),
        "format": verified.format.map(bundle::Format::name),
        "findings": findings,
        "remarks": remarks,
        "doesNotProve": unproved(verified),
        "findingsLeftOut": verified.findings_left_out.to_string(),
        "firm": verified.firm.map(|firm| firm.to_string()),
        "events": verified.events.to_string(),
        "clients": verified.cases,
        "treeSize": verified.size.to_string(),
        "root": verified.root.hex(),
        "verifierKey": verified.key.as_ref().map(ToString::to_string),
        "signedBy": verified.signers.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "caution": caution(verified),
        "keyIsGiven": verified.key_is_given,
        "opened": verified.opened,
        "consistency": consistency,
    })
}
