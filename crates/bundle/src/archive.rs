//! The archive: a zip file with one spelling.
//!
//! Fixed times, fixed order, fixed level, no extra fields that vary: the same files make the same
//! bytes. This is the only place that knows the library.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead as _, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::thread::ScopedJoinHandle;

use flate2::{Crc, Decompress, FlushDecompress, Status};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipArchive, ZipWriter};

use crate::attach::{Fate, Gapped, Leaving};
use crate::layout::{self, Entry, Fault};

/// The level of deflate: the fastest, since the rate is what people wait for.
const LEVEL: i64 = 1;
/// From here on an entry needs the sizes of zip64.
const LARGE_FROM_BYTES: u64 = 0xFFFF_FFFF;
/// Permissions of an unpacked file.
const MODE: u32 = 0o644;
/// Bytes of an archive that are read at once.
const READ_BYTES: usize = 64 << 10;

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
        if let zip::result::ZipError::Io(error) = error {
            Self::Io(error)
        } else {
            Self::Zip(error)
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
    // Dropped before the library's writer, which ends the archive when it is dropped.
    _unless_finished: GivenUp,
    zip: ZipWriter<Gapped<W>>,
    leaving: Leaving,
}

impl<W: Write + Seek> ArchiveWriter<W> {
    pub(crate) fn new(to: W) -> Self {
        let leaving = Leaving::default();
        let zip = ZipWriter::new(Gapped::new(to, leaving.clone()));
        Self { _unless_finished: GivenUp(leaving.clone()), zip, leaving }
    }

    /// Adds a file as it is and leaves its bytes out: only their length and checksum are written.
    pub(crate) fn add_gap(&mut self, name: &str, bytes: &[u8]) -> Result<(), ArchiveError> {
        let length = u64::try_from(bytes.len()).unwrap_or(u64::MAX);
        let as_it_is = CompressionMethod::Stored;
        let options = options(length).compression_method(as_it_is).compression_level(None);
        self.zip.start_file(name, options)?;
        self.leaving.set(Fate::LeftOut);
        let written = self.zip.write_all(bytes);
        self.leaving.set(Fate::Kept);
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
        let written = self.zip.finish()?;
        if self.leaving.is_dropped() {
            return Err(io::Error::other("not all of the archive was written").into());
        }
        Ok(written)
    }
}

/// Keeps an archive that nobody finished from being written to any more.
struct GivenUp(Leaving);

impl Drop for GivenUp {
    fn drop(&mut self) {
        self.0.set(Fate::Dropped);
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

/// Reads an archive. Each file that is read is opened by itself, so that threads need not share a place.
pub(crate) struct ArchiveReader {
    path: PathBuf,
    listed: Listing,
}

/// The files of an archive.
struct Listing {
    entries: Vec<Entry>,
    /// By name, places in `entries`.
    places: BTreeMap<String, usize>,
    /// What is not as the format lays it out, if anything is.
    fault: Option<Fault>,
    /// Files of a name that another one has too.
    repeated: u64,
}

impl Listing {
    fn of(entries: Vec<Entry>, fault: Option<Fault>, repeated: u64) -> Self {
        let places = entries.iter().enumerate().map(|(place, entry)| (entry.name.clone(), place));
        Self { places: places.collect(), entries, fault, repeated }
    }
}

/// The files of an archive that is not laid out as the format has it, as the library sees them: bundles
/// of the first version may be.
fn loosely(path: &Path) -> Result<(Vec<Entry>, u64), ArchiveError> {
    let mut zip = ZipArchive::new(BufReader::new(File::open(path)?))?;
    let repeated = u64::from(zip.has_duplicate_names());
    let mut entries = Vec::with_capacity(zip.len());
    for place in 0..zip.len() {
        let file = zip.by_index_raw(place)?;
        let is_packed = file.compression() == CompressionMethod::Deflated;
        if !is_packed && file.compression() != CompressionMethod::Stored {
            return Err(invalid("a file of it is packed in a way that the format does not have"));
        }
        if file.encrypted() {
            return Err(invalid("a file of it is encrypted"));
        }
        let data = file.data_start();
        entries.push(Entry {
            name: file.name()?.into_owned(),
            is_packed,
            crc32: file.crc32(),
            packed: file.compressed_size(),
            bytes: file.size(),
            data: data.ok_or_else(|| invalid("a file of it has no place"))?,
        });
    }
    Ok((entries, repeated))
}

fn invalid(what: impl Into<String>) -> ArchiveError {
    ArchiveError::Io(io::Error::new(io::ErrorKind::InvalidData, what.into()))
}

impl ArchiveReader {
    pub(crate) fn open(path: &Path) -> Result<Self, ArchiveError> {
        let listed = match layout::read(&File::open(path)?)? {
            Ok(entries) => Listing::of(entries, None, 0),
            Err(fault) => {
                let (entries, repeated) = loosely(path)?;
                Listing::of(entries, Some(fault), repeated)
            }
        };
        Ok(Self { path: path.to_owned(), listed })
    }

    /// What is not as the format lays it out, if anything is.
    pub(crate) fn fault(&self) -> Option<&str> {
        self.listed.fault.as_deref()
    }

    /// The names of its files, in order.
    pub(crate) fn names(&self) -> impl Iterator<Item = &str> {
        self.listed.entries.iter().map(|entry| entry.name.as_str())
    }

    /// Whether it has a file of this name.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.listed.places.contains_key(name)
    }

    /// Whether two of its files have one name.
    pub(crate) fn repeats_names(&self) -> bool {
        self.listed.repeated > 0 || self.listed.places.len() != self.listed.entries.len()
    }

    /// A file, from its start.
    pub(crate) fn file(&self, name: &str) -> Result<Unpacked, ArchiveError> {
        let place = self.listed.places.get(name).ok_or_else(|| invalid("it is not there"))?;
        Ok(Unpacked::of(File::open(&self.path)?, &self.listed.entries[*place])?)
    }

    /// A small file, whole.
    pub(crate) fn read(&self, name: &str, bytes_max: u64) -> Result<Vec<u8>, ArchiveError> {
        let mut bytes = Vec::new();
        self.file(name)?.take(bytes_max + 1).read_to_end(&mut bytes)?;
        if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > bytes_max {
            return Err(ArchiveError::TooLarge { name: name.to_owned(), bytes_max });
        }
        Ok(bytes)
    }
}

/// The bytes of a file: exactly as many as are listed, of the checksum that is listed, from exactly as many
/// packed bytes as are listed.
pub(crate) struct Unpacked {
    from: io::Take<BufReader<File>>,
    /// Nothing for a file that is stored as it is.
    inflate: Option<Decompress>,
    is_over: bool,
    left: u64,
    crc: Crc,
    crc32: u32,
}

impl Unpacked {
    fn of(mut file: File, entry: &Entry) -> io::Result<Self> {
        file.seek(SeekFrom::Start(entry.data))?;
        let raw = entry.is_packed.then(|| Decompress::new(false));
        Ok(Self {
            from: BufReader::with_capacity(READ_BYTES, file).take(entry.packed),
            inflate: raw,
            is_over: false,
            left: entry.bytes,
            crc: Crc::new(),
            crc32: entry.crc32,
        })
    }

    fn wrong(what: &str) -> io::Error {
        io::Error::new(io::ErrorKind::InvalidData, what)
    }

    /// The next bytes; none at the end.
    fn some(&mut self, to: &mut [u8]) -> io::Result<usize> {
        let Some(inflate) = &mut self.inflate else { return self.from.read(to) };
        while !self.is_over {
            let packed = self.from.fill_buf()?;
            let (read, made) = (inflate.total_in(), inflate.total_out());
            let status = inflate.decompress(packed, to, FlushDecompress::None);
            let status = status.map_err(|_| Self::wrong("its packed bytes are not deflated"))?;
            let (read, made) = (inflate.total_in() - read, inflate.total_out() - made);
            let (read, made) = (usize::try_from(read).ok(), usize::try_from(made).ok());
            let (Some(read), Some(made)) = (read, made) else {
                return Err(Self::wrong("more was unpacked than there is memory"));
            };
            self.from.consume(read);
            self.is_over = status == Status::StreamEnd;
            if made > 0 {
                return Ok(made);
            }
            if read == 0 && !self.is_over {
                return Err(Self::wrong("its packed bytes end too early"));
            }
        }
        Ok(0)
    }
}

impl Read for Unpacked {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        if to.is_empty() {
            return Ok(0);
        }
        let made = self.some(to)?;
        let bytes = u64::try_from(made).unwrap_or(u64::MAX);
        let Some(left) = self.left.checked_sub(bytes) else {
            return Err(Self::wrong("it unpacks to more bytes than are listed"));
        };
        self.left = left;
        self.crc.update(&to[..made]);
        if made == 0 {
            if self.left > 0 {
                return Err(Self::wrong("it unpacks to fewer bytes than are listed"));
            }
            if self.from.limit() > 0 {
                return Err(Self::wrong("bytes stand behind its packed bytes"));
            }
            if self.crc.sum() != self.crc32 {
                return Err(Self::wrong("its checksum is not the one that is listed"));
            }
        }
        Ok(made)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;
    use std::io::Cursor;
    use std::rc::Rc;

    /// A file that is full from some byte on, and counts how often it is written to.
    struct Full {
        file: Cursor<Vec<u8>>,
        bytes_max: usize,
        tries: Rc<Cell<u32>>,
    }

    impl Write for Full {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.tries.set(self.tries.get() + 1);
            if self.file.get_ref().len() + bytes.len() > self.bytes_max {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.file.write(bytes)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for Full {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            self.file.seek(to)
        }
    }

    #[test]
    fn an_archive_that_was_given_up_is_not_written_to_any_more() {
        for (bytes_max, fits) in [(200, false), (1 << 20, true)] {
            let tries = Rc::new(Cell::new(0));
            let file = Cursor::new(Vec::new());
            let mut archive =
                ArchiveWriter::new(Full { file, bytes_max, tries: Rc::clone(&tries) });
            // What does not pack: digests.
            let bytes: Vec<u8> =
                (0..100_u8).flat_map(|n| crate::spool::Digest::of(&[n]).sha256).collect();
            let added = archive
                .add("a", 3_200, &mut bytes.as_slice())
                .and_then(|()| archive.add("b", 3_200, &mut bytes.as_slice()));
            assert_eq!(added.is_ok(), fits, "{added:?}");
            let before = tries.get();
            drop(archive);
            assert_eq!(tries.get(), before, "nobody waits for its end");
        }
    }
}
