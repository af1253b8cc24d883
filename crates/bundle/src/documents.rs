//! The documents that every bundle carries.

use domain::ids::FirmId;
use proof::Hash;
use sha2::{Digest as _, Sha256};

use crate::manifest::Format;
use crate::scope::Request;

/// The format, exactly.
pub const FORMAT_DOCUMENT: &str = include_str!("../documents/FORMAT.md");
/// The verifier in Python's standard library alone.
pub const PYTHON_VERIFIER: &str = include_str!("../documents/verify.py");
const README: &str = include_str!("../documents/README.txt");

/// What the front page states of one bundle.
pub(crate) struct Facts<'a> {
    pub(crate) firm: FirmId,
    pub(crate) request: &'a Request,
    pub(crate) events: u64,
    pub(crate) size: u64,
    pub(crate) root: Hash,
    pub(crate) public_key: &'a str,
}

/// The front page.
pub(crate) fn readme(facts: &Facts<'_>) -> String {
    README
        .replace("{firm}", &facts.firm.to_string())
        .replace("{request}", &facts.request.words())
        .replace("{events}", &facts.events.to_string())
        .replace("{size}", &facts.size.to_string())
        .replace("{root}", &facts.root.hex())
        .replace("{key}", facts.public_key)
}

/// Whether a document of a version of the format is one that some earlier software of it wrote: their hashes
/// are the last listing of the format.
pub(crate) fn is_of_version(format: Format, name: &str, bytes: &[u8]) -> bool {
    let line = format!("{} {name} {}", format.name(), hex::encode(Sha256::digest(bytes)));
    FORMAT_DOCUMENT.rsplit("```\n").nth(1).is_some_and(|known| known.lines().any(|it| it == line))
}
