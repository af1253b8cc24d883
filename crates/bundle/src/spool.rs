//! Temporary files: what is too large to be kept in memory until it is written or compared.

use std::fs::File;
use std::io::{self, BufWriter, Write};

use sha2::{Digest as _, Sha256};
use tempfile::NamedTempFile;

/// Bytes gathered before a file is written to.
const BUFFER_BYTES: usize = 256 << 10;

/// The length and the SHA-256 of some bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Digest {
    /// How many bytes.
    pub(crate) bytes: u64,
    /// SHA-256 (FIPS 180-4).
    pub(crate) sha256: [u8; 32],
}

impl Digest {
    /// Of bytes at hand.
    pub(crate) fn of(bytes: &[u8]) -> Self {
        let mut digester = Digester::default();
        digester.take(bytes);
        digester.finish()
    }
}

/// Makes a [`Digest`] of bytes that come in parts.
#[derive(Clone, Default)]
pub(crate) struct Digester {
    bytes: u64,
    hasher: Sha256,
}

impl Digester {
    pub(crate) fn take(&mut self, bytes: &[u8]) {
        // A length always fits.
        self.bytes += u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        self.hasher.update(bytes);
    }

    pub(crate) fn finish(self) -> Digest {
        Digest { bytes: self.bytes, sha256: self.hasher.finalize().into() }
    }
}

/// A temporary file that is being written.
pub(crate) struct Spool {
    file: BufWriter<NamedTempFile>,
    length: u64,
    /// Nothing where nobody asks for the digest.
    digester: Option<Digester>,
}

/// A temporary file that is written.
pub(crate) struct Spooled {
    file: NamedTempFile,
    pub(crate) digest: Digest,
}

impl Spool {
    pub(crate) fn new() -> io::Result<Self> {
        Ok(Self { digester: Some(Digester::default()), ..Self::without_digest()? })
    }

    /// One whose digest is that of nothing.
    pub(crate) fn without_digest() -> io::Result<Self> {
        let file = BufWriter::with_capacity(BUFFER_BYTES, NamedTempFile::new()?);
        Ok(Self { file, length: 0, digester: None })
    }

    /// Adds bytes.
    pub(crate) fn add(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.length += u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        if let Some(digester) = &mut self.digester {
            digester.take(bytes);
        }
        self.file.write_all(bytes)
    }

    /// Bytes so far.
    pub(crate) const fn length(&self) -> u64 {
        self.length
    }

    pub(crate) fn finish(self) -> io::Result<Spooled> {
        let file = self.file.into_inner().map_err(io::IntoInnerError::into_error)?;
        Ok(Spooled { file, digest: self.digester.unwrap_or_default().finish() })
    }
}

impl Spooled {
    /// A handle of its own on the file, at its start.
    pub(crate) fn open(&self) -> io::Result<File> {
        self.file.reopen()
    }
}

/// Reads pieces of a file by their place.
pub(crate) struct Pieces {
    file: File,
}

impl Pieces {
    pub(crate) const fn new(file: File) -> Self {
        Self { file }
    }

    /// Fills `piece` from an offset: one call of the system where it has one for that.
    #[cfg(unix)]
    pub(crate) fn read(&mut self, offset: u64, piece: &mut [u8]) -> io::Result<()> {
        std::os::unix::fs::FileExt::read_exact_at(&self.file, piece, offset)
    }

    /// Fills `piece` from an offset.
    #[cfg(not(unix))]
    pub(crate) fn read(&mut self, offset: u64, piece: &mut [u8]) -> io::Result<()> {
        use std::io::{Read as _, Seek as _, SeekFrom};
        self.file.seek(SeekFrom::Start(offset))?;
        self.file.read_exact(piece)
    }
}
