//! The archive: a zip file with one spelling.
//!
//! Fixed times, fixed order, fixed level, no extra fields that vary: the same files make the same
//! bytes. This is the only place that knows the library.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::thread::ScopedJoinHandle;

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipArchive, ZipWriter};

use crate::attach::{Gapped, Leaving};

/// The level of deflate: the fastest, since the rate is what people wait for.
const LEVEL: i64 = 1;
/// From here on an entry may need the sizes of zip64.
const LARGE_FROM_BYTES: u64 = 1 << 31;
/// Permissions of an unpacked file.
const MODE: u32 = 0o644;
/// Most files of an archive.
pub(crate) const FILES_MAX: usize = 10_000_000;

/// A zip file that cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// Not a zip file of this format.
    #[error("the archive is not a zip file that can be read")]
    Zip(#[source] zip::result::ZipError),
    /// The file failed.
    #[error("the archive cannot be read or written")]
    Io(#[from] io::Error),
    /// A file is larger than the format allows.
    #[error("{name} has more than {bytes_max} bytes")]
    TooLarge {
        /// The file.
        name: String,
        /// The most it may have.
        bytes_max: u64,
    },
}

impl From<zip::result::ZipError> for ArchiveError {
    fn from(error: zip::result::ZipError) -> Self {
        match error {
            zip::result::ZipError::Io(error) => Self::Io(error),
            other => Self::Zip(other),
        }
    }
}

fn options(bytes: u64) -> SimpleFileOptions {
    SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .compression_level(Some(LEVEL))
        .last_modified_time(DateTime::default())
        .unix_permissions(MODE)
        .large_file(bytes >= LARGE_FROM_BYTES)
}

/// Writes an archive, file by file.
pub(crate) struct ArchiveWriter<W: Write + Seek> {
    zip: ZipWriter<Gapped<W>>,
    leaving: Leaving,
}

impl<W: Write + Seek> ArchiveWriter<W> {
    pub(crate) fn new(to: W) -> Self {
        let leaving = Leaving::default();
        Self { zip: ZipWriter::new(Gapped::new(to, leaving.clone())), leaving }
    }

    /// Adds a file as it is and leaves its bytes out: only their length and checksum are written.
    pub(crate) fn add_gap(&mut self, name: &str, bytes: &[u8]) -> Result<(), ArchiveError> {
        let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        let as_it_is = CompressionMethod::Stored;
        let options = options(length).compression_method(as_it_is).compression_level(None);
        self.zip.start_file(name, options)?;
        self.leaving.set(true);
        let written = self.zip.write_all(bytes);
        self.leaving.set(false);
        Ok(written?)
    }

    /// Adds a file of so many bytes.
    pub(crate) fn add(
        &mut self,
        name: &str,
        bytes: u64,
        from: &mut impl Read,
    ) -> Result<(), ArchiveError> {
        self.zip.start_file(name, options(bytes))?;
        io::copy(from, &mut self.zip)?;
        Ok(())
    }

    /// Adds the only file of another archive as it is packed there.
    pub(crate) fn add_packed(&mut self, packed: &File) -> Result<(), ArchiveError> {
        let mut archive = ZipArchive::new(BufReader::new(packed))?;
        let file = archive.by_index_raw(0)?;
        self.zip.raw_copy_file(file)?;
        Ok(())
    }

    pub(crate) fn finish(self) -> Result<Gapped<W>, ArchiveError> {
        Ok(self.zip.finish()?)
    }
}

/// What a thread that reads or writes an archive comes to.
pub(crate) fn joined<T>(
    thread: ScopedJoinHandle<'_, Result<T, ArchiveError>>,
    does: &str,
) -> Result<T, ArchiveError> {
    thread.join().unwrap_or_else(|_| {
        Err(ArchiveError::Io(io::Error::other(format!("the thread that {does} has failed"))))
    })
}

/// Reads an archive. Each thread opens its own.
pub(crate) struct ArchiveReader {
    zip: ZipArchive<BufReader<File>>,
    names: Vec<String>,
    path: PathBuf,
}

impl ArchiveReader {
    pub(crate) fn open(path: &Path) -> Result<Self, ArchiveError> {
        let zip = ZipArchive::new(BufReader::new(File::open(path)?))?;
        let names = zip.file_names().map(|name| Ok(name?.into_owned()));
        let names = names.collect::<Result<_, ArchiveError>>()?;
        Ok(Self { zip, names, path: path.to_owned() })
    }

    /// The same archive for another thread.
    pub(crate) fn again(&self) -> Result<Self, ArchiveError> {
        Self::open(&self.path)
    }

    /// The names of its files, in order.
    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.names.iter().map(String::as_str)
    }

    /// Whether it has a file of this name.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.names().any(|found| found == name)
    }

    /// Whether two of its files have one name.
    pub(crate) fn repeats_names(&self) -> bool {
        self.zip.has_duplicate_names()
    }

    /// A file, from its start.
    pub(crate) fn file(&mut self, name: &str) -> Result<impl Read, ArchiveError> {
        Ok(self.zip.by_name(name)?)
    }

    /// A small file, whole.
    pub(crate) fn read(&mut self, name: &str, bytes_max: u64) -> Result<Vec<u8>, ArchiveError> {
        let mut bytes = Vec::new();
        self.zip.by_name(name)?.take(bytes_max + 1).read_to_end(&mut bytes)?;
        if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > bytes_max {
            return Err(ArchiveError::TooLarge { name: name.to_owned(), bytes_max });
        }
        Ok(bytes)
    }
}
