//! The key that seals secrets in the database: from a file or the environment, never from the command
//! line, where a list of processes would show it.

use std::sync::Arc;

use anyhow::Context;
use ledger::audit::{MasterKey, SealedAtRest};

use crate::cli::Global;
use crate::exit::Stop;

/// Holds the key itself.
const VARIABLE: &str = "COUNTERFOIL_KEY";

/// The key, if one is given.
pub(crate) fn key(global: &Global) -> anyhow::Result<Option<Arc<dyn SealedAtRest>>> {
    let (text, place) = match (&global.key_file, std::env::var(VARIABLE)) {
        (Some(file), _) => {
            let text = std::fs::read_to_string(file);
            let text = text.with_context(|| format!("cannot read {}", file.display()))?;
            (text, file.display().to_string())
        }
        (None, Ok(text)) if !text.is_empty() => (text, VARIABLE.to_owned()),
        (None, _) => return Ok(None),
    };
    // The parser's own words never hold the key.
    let key = MasterKey::from_hex(&text);
    let key = key.map_err(|error| Stop::usage(format!("{place}: {error}")))?;
    Ok(Some(Arc::new(key)))
}
