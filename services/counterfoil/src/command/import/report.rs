//! What became of a file, told while it is played and at its end.

use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use super::Mode;
use crate::exit::Exit;
use crate::out::Out;
use domain::text::shown;

/// Counts and bad lines.
pub(super) struct Report<'a> {
    out: &'a mut Out,
    mode: Mode,
    bar: ProgressBar,
    lines: u64,
    recorded: u64,
    events: u64,
    replayed: u64,
    well_formed: u64,
    bad: u64,
    interrupted_at: Option<u64>,
}

impl<'a> Report<'a> {
    /// A report of a file of so many bytes.
    pub(super) fn new(mode: Mode, out: &'a mut Out, length: Option<u64>) -> anyhow::Result<Self> {
        let bar = match length {
            Some(length) if out.shows_progress() => {
                let style = ProgressStyle::with_template("{bar:40} {percent} % {msg} {eta}")
                    .context("the bar's template is wrong")?;
                ProgressBar::new(length).with_style(style)
            }
            Some(_) | None => ProgressBar::hidden(),
        };
        Ok(Self {
            out,
            mode,
            bar,
            lines: 0,
            recorded: 0,
            events: 0,
            replayed: 0,
            well_formed: 0,
            bad: 0,
            interrupted_at: None,
        })
    }

    /// The file is read so far, in bytes.
    pub(super) fn read(&mut self, end: u64) {
        self.bar.set_position(end);
    }

    /// A line is played.
    pub(super) fn line(&mut self) {
        self.lines += 1;
    }

    /// A line was recorded, now or before.
    pub(super) fn recorded(&mut self, events: i32, replayed: bool) {
        if replayed {
            self.replayed += 1;
        } else {
            self.recorded += 1;
            // Never negative.
            self.events += u64::try_from(events).unwrap_or(0);
        }
        self.bar.set_message(format!("{} lines", self.recorded + self.replayed));
    }

    /// A line is well formed, and nobody was asked more.
    pub(super) fn well_formed(&mut self) {
        self.well_formed += 1;
    }

    /// A line is bad.
    pub(super) fn bad(&mut self, line: u64, field: &str, reason: &str) -> anyhow::Result<()> {
        self.bad += 1;
        if self.out.is_json() {
            return self.out.value(&json!({ "line": line, "field": field, "reason": reason }));
        }
        self.bar.suspend(|| eprintln!("line {line}: {}: {}", shown(field), shown(reason)));
        Ok(())
    }

    /// A line that was recorded before told what was taken back since: it is not there, and not recorded anew.
    pub(super) fn taken_back(&mut self, line: u64, by: i64) -> anyhow::Result<()> {
        self.replayed -= 1;
        let reason = format!(
            "recorded before and taken back since at position {by}: tell it as a line of its own, with another \
             requestId"
        );
        self.bad(line, "requestId", &reason)
    }

    /// Nobody could look whether what is already there was taken back since.
    pub(super) fn unread(&mut self) -> anyhow::Result<()> {
        self.out.note(
            "Of what was recorded before it is not known whether it was taken back since: this token may not read \
             events.",
        )?;
        Ok(())
    }

    /// Ctrl-C came before this line.
    pub(super) fn interrupted_at(&mut self, line: u64) {
        self.interrupted_at = Some(line);
    }

    /// The counts, and how the command ends.
    pub(super) fn finish(self) -> anyhow::Result<Exit> {
        self.bar.finish_and_clear();
        let exit = match (self.interrupted_at, self.bad) {
            (Some(_), _) => Exit::Interrupted,
            (None, 0) => Exit::Done,
            (None, _) => Exit::Refused,
        };
        if self.out.is_json() {
            self.tell_json()?;
        } else {
            self.tell_text()?;
        }
        Ok(exit)
    }

    fn tell_json(self) -> anyhow::Result<()> {
        let dry_run = match self.mode {
            Mode::Record => None,
            Mode::Scratch => Some("scratch copy"),
            Mode::Check => Some("form only"),
        };
        self.out.value(&json!({ "summary": {
            "lines": self.lines,
            "recorded": self.recorded,
            "events": self.events,
            "alreadyRecorded": self.replayed,
            "wellFormed": self.well_formed,
            "bad": self.bad,
            "dryRun": dry_run,
            "interruptedAtLine": self.interrupted_at,
        }}))
    }

    fn tell_text(self) -> anyhow::Result<()> {
        let out = self.out;
        out.line(format!("{} lines played.", self.lines))?;
        match self.mode {
            Mode::Record => {
                out.field("recorded", format!("{}, {} events", self.recorded, self.events))?;
            }
            Mode::Scratch => {
                let would = format!("{}, {} events", self.recorded, self.events);
                out.field("would record", would)?;
            }
            Mode::Check => out.field("well formed", self.well_formed)?,
        }
        if self.replayed > 0 {
            out.field("already there", self.replayed)?;
        }
        out.field("bad", self.bad)?;
        match self.mode {
            Mode::Record => {}
            Mode::Scratch => out.line("Nothing was changed: the file was played into a copy.")?,
            Mode::Check => {
                out.line("Nothing was changed: only the form of each line was checked.")?;
            }
        }
        if let Some(line) = self.interrupted_at {
            out.line(format!(
                "Stopped before line {line}. Go on with --from-line {line}, or play the file again: \
                 nothing is recorded twice."
            ))?;
        }
        Ok(())
    }
}
