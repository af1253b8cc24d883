//! Checkpoints of a log, C2SP tlog-checkpoint (c2sp.org/tlog-checkpoint): what a note about a log
//! says.

use std::fmt::Write as _;
use std::str::FromStr;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use crate::frontier::FRONTIER_SIZE_MAX;
use crate::hash::Hash;
use crate::note::{KeyName, NoteError};

/// Most extension lines that are read; C2SP advises against any.
pub const EXTENSION_LINES_MAX: usize = 16;

/// So many entries of the log of that origin hash to this root.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// Which log: a name without a scheme, the same for as long as the log lives.
    pub origin: KeyName,
    /// How many entries.
    pub size: u64,
    /// The root of the tree over them, RFC 9162 section 2.1.1.
    pub root: Hash,
    /// Lines that others add; not empty, one each.
    pub extensions: Vec<String>,
}

/// A text that is no checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CheckpointError {
    /// The first line is no origin.
    #[error("the first line is no origin")]
    Origin(#[source] NoteError),
    /// The second line is no count in decimal without leading zeros.
    #[error("the second line is no size of a log")]
    Size,
    /// The third line is not 32 bytes in base64.
    #[error("the third line is no root")]
    Root,
    /// There are too few lines, an empty one, or too many.
    #[error("a checkpoint has three lines and perhaps some more, none of them empty")]
    Lines,
}

impl Checkpoint {
    /// A checkpoint without extension lines.
    pub const fn new(origin: KeyName, size: u64, root: Hash) -> Self {
        Self { origin, size, root, extensions: Vec::new() }
    }

    /// The text to sign.
    pub fn body(&self) -> String {
        let Self { origin, size, root, extensions } = self;
        let mut body = format!("{origin}\n{size}\n{}\n", STANDARD.encode(root.as_bytes()));
        for line in extensions {
            writeln!(body, "{line}").expect("a string takes any text");
        }
        body
    }
}

impl FromStr for Checkpoint {
    type Err = CheckpointError;

    fn from_str(body: &str) -> Result<Self, CheckpointError> {
        let lines = body.strip_suffix('\n').ok_or(CheckpointError::Lines)?;
        let mut lines = lines.split('\n');
        let mut line = || lines.next().ok_or(CheckpointError::Lines);
        let origin = KeyName::parse(line()?).map_err(CheckpointError::Origin)?;
        let written = line()?;
        let size: u64 = written.parse().map_err(|_| CheckpointError::Size)?;
        if size.to_string() != written || size > FRONTIER_SIZE_MAX {
            return Err(CheckpointError::Size);
        }
        let root = STANDARD.decode(line()?).map_err(|_| CheckpointError::Root)?;
        let root: [u8; 32] = root.try_into().map_err(|_| CheckpointError::Root)?;
        let extensions: Vec<String> = lines.map(str::to_owned).collect();
        if extensions.len() > EXTENSION_LINES_MAX || extensions.iter().any(String::is_empty) {
            return Err(CheckpointError::Lines);
        }
        Ok(Self { origin, size, root: root.into(), extensions })
    }
}
