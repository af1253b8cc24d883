//! The manifest: what a bundle is, and every file of it.

use std::collections::BTreeMap;

use domain::ids::FirmId;
use proof::Hash;
use serde_json::{Value, json};

use crate::scope::Request;
use crate::spool::Digest;

/// A version of the format. What is written is the last; both are read, each under its own rules.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Format {
    /// The first: any layout of the archive, one key.
    V1,
    /// Keys by the sizes that they signed, one layout of the archive.
    V2,
    /// Tables and reports whose text hides nothing and is calculated by no spreadsheet.
    V3,
    /// Fees judged on the story of their facts, and claimed ones again, by gates of three answers.
    V4,
}

/// The name of the format that is written.
pub const FORMAT: &str = Format::LAST.name();

impl Format {
    /// The one that is written.
    pub const LAST: Self = Self::V4;

    /// Its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::V1 => "counterfoil.example/bundle/1",
            Self::V2 => "counterfoil.example/bundle/2",
            Self::V3 => "counterfoil.example/bundle/3",
            Self::V4 => "counterfoil.example/bundle/4",
        }
    }

    /// Whether text in tables and reports is written so that it deceives nobody who opens them.
    pub(crate) fn guards_text(self) -> bool {
        self >= Self::V3
    }

    /// Whether fees are judged by the rules of this edition. What an earlier one says of them is not made again.
    pub(crate) fn judges_fees(self) -> bool {
        self >= Self::V4
    }

    fn of_name(name: &str) -> Option<Self> {
        [Self::V1, Self::V2, Self::V3, Self::V4].into_iter().find(|format| format.name() == name)
    }
}

/// What the manifest states.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Manifest {
    pub(crate) format: Format,
    pub(crate) firm: FirmId,
    pub(crate) request: Request,
    pub(crate) tree_size: u64,
    pub(crate) root: Hash,
    /// Events of the bundle.
    pub(crate) events: u64,
    /// Every other file but the manifest's own note.
    pub(crate) files: BTreeMap<String, Digest>,
}

impl Manifest {
    /// The canonical bytes (RFC 8785).
    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let files: Vec<Value> = self
            .files
            .iter()
            .map(|(name, digest)| {
                json!({
                    "bytes": digest.bytes,
                    "name": name,
                    "sha256": hex::encode(digest.sha256),
                })
            })
            .collect();
        // serde_json keeps members in the order of their names; names and values are ASCII and
        // integers below 2^53, so this is the canonical form.
        json!({
            "data_dictionary": crate::names::DATA_DICTIONARY,
            "events": self.events,
            "files": files,
            "firm": self.firm.to_string(),
            "format": self.format.name(),
            "request": self.request.to_json(),
            "root": self.root.hex(),
            "tree_size": self.tree_size,
        })
        .to_string()
        .into_bytes()
    }

    /// Reads the canonical bytes; nothing if they are not.
    pub(crate) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let value: Value = serde_json::from_slice(bytes).ok()?;
        let file = |file: &Value| {
            let mut sha256 = [0; 32];
            hex::decode_to_slice(file.get("sha256")?.as_str()?, &mut sha256).ok()?;
            let digest = Digest { bytes: file.get("bytes")?.as_u64()?, sha256 };
            Some((file.get("name")?.as_str()?.to_owned(), digest))
        };
        let files = value.get("files")?.as_array()?.iter().map(file);
        let manifest = Self {
            format: Format::of_name(value.get("format")?.as_str()?)?,
            firm: FirmId::parse(value.get("firm")?.as_str()?).ok()?,
            request: Request::from_json(value.get("request")?)?,
            tree_size: value.get("tree_size")?.as_u64()?,
            root: Hash::from_hex(value.get("root")?.as_str()?).ok()?,
            events: value.get("events")?.as_u64()?,
            files: files.collect::<Option<_>>()?,
        };
        (manifest.to_bytes() == bytes).then_some(manifest)
    }
}

/// The text that the firm signs to vouch for a manifest. Its first line is the format's name and its
/// second is not a number, so that no reader takes it for a checkpoint of the same key.
pub(crate) fn note_text(format: Format, origin: &str, manifest: &[u8]) -> String {
    let hash = hex::encode(Digest::of(manifest).sha256);
    format!("{}\nlog {origin}\nmanifest {hash}\n", format.name())
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    #[test]
    fn a_manifest_has_one_spelling() {
        let manifest = Manifest {
            format: Format::LAST,
            firm: FirmId(Uuid::from_u128(0xf1)),
            request: Request::All,
            tree_size: 7,
            root: proof::empty_root(),
            events: 7,
            files: BTreeMap::from([("events.jsonl".into(), Digest::of(b"x"))]),
        };
        let bytes = manifest.to_bytes();
        assert!(proof::canonical::is_canonical(&bytes));
        assert_eq!(Manifest::from_bytes(&bytes), Some(manifest));
        let loose = String::from_utf8(bytes).unwrap().replacen(',', ", ", 1);
        assert_eq!(Manifest::from_bytes(loose.as_bytes()), None);
    }
}
