//! `contract`.

use crate::exit::Exit;
use crate::out::Out;

/// Prints the calls that a server answers in JSON.
pub(crate) fn run(out: &mut Out) -> anyhow::Result<Exit> {
    let mut document =
        serde_json::to_vec_pretty(&api::openapi::document(env!("CARGO_PKG_VERSION")))?;
    document.push(b'\n');
    out.raw(&document)?;
    Ok(Exit::Done)
}
