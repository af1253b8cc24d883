//! What the program tells about itself, on standard error and, if asked, to a collector of traces. No
//! personal value is ever in it.

use std::io;
use std::panic::{self, PanicHookInfo};

use anyhow::Context;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, Registry, fmt};

use crate::cli::{Cli, Command};
use crate::command::serve::LogFormat;
use crate::traces::Traces;

/// The filter's variable: `COUNTERFOIL_LOG=debug`, or `counterfoil_ledger=debug,warn`.
const FILTER: &str = "COUNTERFOIL_LOG";
/// Whose spans are exported: those of our crates, which all begin so, and none of a library.
const TRACED: &str = "counterfoil";

/// Starts logging: warnings for a command, and what happens for a service. A runtime has to be
/// entered.
pub(crate) fn start(cli: &Cli) -> anyhow::Result<Option<Traces>> {
    let Command::Serve(args) = &cli.command else {
        with(text(), filter("warn")?, None)?;
        return Ok(None);
    };
    let traces = args.traces()?;
    let lines = match args.log_format {
        LogFormat::Text => text(),
        LogFormat::Json => json(),
    };
    with(lines, filter("info")?, traces.as_ref())?;
    panic::set_hook(Box::new(tell_panic));
    Ok(traces)
}

fn filter(default: &str) -> anyhow::Result<EnvFilter> {
    match std::env::var(FILTER) {
        Ok(filter) => EnvFilter::try_new(filter).context("COUNTERFOIL_LOG is no filter"),
        Err(_) => Ok(EnvFilter::new(default)),
    }
}

type Lines = Box<dyn Layer<Registry> + Send + Sync>;

fn text() -> Lines {
    let in_colour = io::IsTerminal::is_terminal(&io::stderr());
    fmt::layer().with_writer(io::stderr).with_ansi(in_colour).boxed()
}

fn json() -> Lines {
    fmt::layer().json().with_writer(io::stderr).boxed()
}

/// Starts telling. A filter of the whole, where there is one listener only, costs a disabled span or
/// event nothing; with two listeners each has its own.
fn with(lines: Lines, filter: EnvFilter, traces: Option<&Traces>) -> anyhow::Result<()> {
    let started = match traces {
        None => tracing_subscriber::registry().with(lines).with(filter).try_init(),
        Some(traces) => {
            let spans = tracing_opentelemetry::layer()
                .with_tracer(traces.tracer())
                .with_location(false)
                .with_threads(false)
                .with_filter(Targets::new().with_target(TRACED, LevelFilter::DEBUG));
            let lines = lines.with_filter(filter);
            tracing_subscriber::registry().with(lines).with(spans).try_init()
        }
    };
    started.context("logging cannot be started")
}

/// Tells where a task panicked and nothing of why: the words of a panic may quote a value.
fn tell_panic(panic: &PanicHookInfo<'_>) {
    let location = panic.location().map(ToString::to_string);
    tracing::error!(location, "a task panicked");
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use tracing_subscriber::fmt::MakeWriter;

    use super::*;

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl io::Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl<'a> MakeWriter<'a> for Kept {
        type Writer = Self;
        fn make_writer(&'a self) -> Self {
            self.clone()
        }
    }

    #[test]
    fn a_panic_is_told_by_its_place_and_never_by_its_words() {
        let kept = Kept::default();
        let lines = fmt::layer().json().with_writer(kept.clone());
        let told = tracing_subscriber::registry().with(lines);
        let before = panic::take_hook();
        panic::set_hook(Box::new(tell_panic));
        tracing::subscriber::with_default(told, || {
            let panicking = || panic!("the client is Zebulon Quillfeather");
            panic::catch_unwind(panicking).unwrap_err();
        });
        panic::set_hook(before);
        let line = String::from_utf8(kept.0.lock().unwrap().clone()).unwrap();
        let line: serde_json::Value = serde_json::from_str(&line).unwrap();
        assert_eq!(line["fields"]["message"], "a task panicked");
        assert!(line["fields"]["location"].as_str().unwrap().contains("logging.rs"), "{line}");
        assert!(!line.to_string().contains("Zebulon"), "{line}");
    }
}
