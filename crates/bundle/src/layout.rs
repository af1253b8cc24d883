//! The one layout of an archive: from a few facts of each file follows every byte of the zip file but the
//! packed bytes themselves.
//!
//! A zip file says most things twice, and readers differ in which they believe. So nothing of it is
//! believed here: what the list at the end says is written anew as the format has it, and held
//! against what is there, byte for byte. `FORMAT.md`, "The archive", says the same in words; the
//! numbers are those of APPNOTE.TXT 6.3.10, sections 4.3.7, 4.3.12, 4.3.14 to 4.3.16 and 4.5.3.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};

use crate::names;

/// Most files of an archive.
pub(crate) const FILES_MAX: u64 = 10_000_000;
/// Most bytes of a file's name.
const NAME_BYTES_MAX: usize = 200;
/// From here on a number does not fit its field: APPNOTE 4.4.1.4.
const WIDE: u64 = 0xFFFF_FFFF;
/// From here on the number of files does not fit its field.
const MANY: u64 = 0xFFFF;
/// Most bytes that one packed byte may stand for, beyond [`FREE_BYTES`]. Events and rows have hashes and
/// ids that cannot be packed; deflate itself goes to 1,032.
const UNPACKED_PER_BYTE: u64 = 200;
/// Bytes that a file may unpack to whatever it is packed in.
const FREE_BYTES: u64 = 1 << 20;

/// A file of the archive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Entry {
    pub(crate) name: String,
    /// Whether it is deflated, or else as it is.
    pub(crate) is_packed: bool,
    pub(crate) crc32: u32,
    /// Its bytes in the archive.
    pub(crate) packed: u64,
    /// Its bytes.
    pub(crate) bytes: u64,
    /// Where those in the archive begin.
    pub(crate) data: u64,
}

/// What is not as the format lays it out.
pub(crate) type Fault = String;

/// A failure of the file, or what is wrong with its layout.
type Checked<T> = io::Result<Result<T, Fault>>;

/// Goes on with what is right, and returns what is wrong.
macro_rules! right {
    ($checked:expr) => {
        match $checked {
            Ok(right) => right,
            Err(fault) => return Ok(Err(fault)),
        }
    };
}

fn put(to: &mut Vec<u8>, bytes: usize, number: u64) {
    to.extend_from_slice(&number.to_le_bytes()[..bytes]);
}

/// A number of some bytes at a place.
fn get(from: &[u8], at: usize, bytes: usize) -> u64 {
    let digits = from.get(at..at + bytes).unwrap_or_default();
    digits.iter().rev().fold(0, |number, byte| number << 8 | u64::from(*byte))
}

impl Entry {
    fn is_wide(&self) -> bool {
        self.bytes >= WIDE || self.packed >= WIDE
    }

    /// The fields that both headers share, from the version needed to the sizes.
    fn put_shared(&self, to: &mut Vec<u8>) {
        let deflated: u64 = if self.is_packed { 8 } else { 0 };
        put(to, 2, self.version());
        put(to, 2, 0);
        put(to, 2, deflated);
        // 1980-01-01 00:00.
        put(to, 2, 0);
        put(to, 2, 0x0021);
        put(to, 4, u64::from(self.crc32));
        let wide = |size| if self.is_wide() { WIDE } else { size };
        put(to, 4, wide(self.packed));
        put(to, 4, wide(self.bytes));
        put(to, 2, u64::try_from(self.name.len()).unwrap_or(u64::MAX));
    }

    fn version(&self) -> u64 {
        match (self.is_wide(), self.is_packed) {
            (true, _) => 45,
            (false, true) => 20,
            (false, false) => 10,
        }
    }

    /// The field of what does not fit.
    fn wide_field(&self, offset: Option<u64>) -> Vec<u8> {
        let mut numbers = Vec::new();
        if self.is_wide() {
            numbers.extend([self.bytes, self.packed]);
        }
        numbers.extend(offset.filter(|offset| *offset >= WIDE));
        let mut field = Vec::new();
        if let Ok(length @ 1..) = u64::try_from(numbers.len()) {
            put(&mut field, 2, 1);
            put(&mut field, 2, 8 * length);
            for number in numbers {
                put(&mut field, 8, number);
            }
        }
        field
    }

    /// The header before the packed bytes.
    fn local_header(&self) -> Vec<u8> {
        let mut header = b"PK\x03\x04".to_vec();
        self.put_shared(&mut header);
        let field = self.wide_field(None);
        put(&mut header, 2, u64::try_from(field.len()).unwrap_or(u64::MAX));
        header.extend_from_slice(self.name.as_bytes());
        header.extend(field);
        header
    }

    /// The header in the list at the end, of a file whose local header begins at an offset.
    fn listed_header(&self, offset: u64) -> Vec<u8> {
        let mut header = b"PK\x01\x02".to_vec();
        let unix = 3;
        put(&mut header, 2, unix << 8 | self.version());
        self.put_shared(&mut header);
        let field = self.wide_field(Some(offset));
        put(&mut header, 2, u64::try_from(field.len()).unwrap_or(u64::MAX));
        // No comment, the first disk, no inner attributes; a plain file that its owner may write.
        put(&mut header, 6, 0);
        put(&mut header, 4, 0o100_644 << 16);
        put(&mut header, 4, offset.min(WIDE));
        header.extend_from_slice(self.name.as_bytes());
        header.extend(field);
        header
    }
}

/// Where the list stands, and of how many files.
#[derive(Clone, Copy)]
struct Listed {
    files: u64,
    offset: u64,
    bytes: u64,
    /// The version that the wider record names: that of the file that needs the highest.
    version: u64,
}

impl Listed {
    /// The records behind the list.
    fn end(self) -> Vec<u8> {
        let Self { files, offset, bytes, version } = self;
        let mut end = Vec::new();
        let is_wide = files > MANY || offset.max(bytes) > WIDE;
        if is_wide {
            end.extend_from_slice(b"PK\x06\x06");
            put(&mut end, 8, 44);
            // The version that made it and the one that is needed; two numbers of disks.
            put(&mut end, 2, version);
            put(&mut end, 2, version);
            put(&mut end, 8, 0);
            for number in [files, files, bytes, offset] {
                put(&mut end, 8, number);
            }
            end.extend_from_slice(b"PK\x06\x07");
            put(&mut end, 4, 0);
            put(&mut end, 8, offset + bytes);
            put(&mut end, 4, 1);
        }
        end.extend_from_slice(b"PK\x05\x06");
        put(&mut end, 4, 0);
        put(&mut end, 2, files.min(MANY));
        put(&mut end, 2, files.min(MANY));
        put(&mut end, 4, if is_wide { WIDE } else { bytes });
        put(&mut end, 4, offset.min(WIDE));
        put(&mut end, 2, 0);
        end
    }
}

/// Where the list stands, as the last record says.
fn find_list(file: &mut BufReader<File>, length: u64) -> Checked<Listed> {
    const LAST: u64 = 22;
    const WIDER: u64 = 56 + 20;
    let read = |file: &mut BufReader<File>, before_end: u64, bytes: u64| -> io::Result<Vec<u8>> {
        let mut record = Vec::new();
        file.seek(SeekFrom::Start(length - before_end))?;
        file.take(bytes).read_to_end(&mut record)?;
        Ok(record)
    };
    if length < LAST {
        return Ok(Err("it is too short for a zip file".into()));
    }
    let last = read(file, LAST, LAST)?;
    let (files, bytes, offset) = (get(&last, 10, 2), get(&last, 12, 4), get(&last, 16, 4));
    let mut listed = Listed { files, offset, bytes, version: 0 };
    if bytes == WIDE && length >= LAST + WIDER {
        let wider = read(file, LAST + WIDER, WIDER)?;
        let (files, bytes, offset) = (get(&wider, 32, 8), get(&wider, 40, 8), get(&wider, 48, 8));
        listed = Listed { files, offset, bytes, version: get(&wider, 12, 2) };
    }
    let not_whole =
        "its parts do not make its length: something stands before, between or behind them";
    // What the record claims is held against the file before anything is added to it.
    let list_end = listed.offset.checked_add(listed.bytes);
    let Some(behind) = list_end.and_then(|at| length.checked_sub(at)) else {
        return Ok(Err(not_whole.into()));
    };
    let end = listed.end();
    if u64::try_from(end.len()) != Ok(behind) {
        return Ok(Err(not_whole.into()));
    }
    if listed.files > FILES_MAX {
        return Ok(Err(format!("it has more than {FILES_MAX} files")));
    }
    if read(file, behind, behind)? != end {
        return Ok(Err("its last record is not laid out as the format has it".into()));
    }
    Ok(Ok(listed))
}

/// The next header of the list, and the offset of the file it is of.
fn next_listed(list: &mut impl Read) -> Checked<(Entry, u64)> {
    const FIXED: usize = 46;
    let mut header = vec![0; FIXED];
    if list.read_exact(&mut header).is_err() {
        return Ok(Err("its list of files ends too early".into()));
    }
    let (name, field) = (get(&header, 28, 2), get(&header, 30, 2));
    let name = usize::try_from(name).unwrap_or(usize::MAX);
    if name > NAME_BYTES_MAX {
        return Ok(Err("a name in it is longer than the format has any".into()));
    }
    list.take(u64::try_from(name).unwrap_or(0) + field).read_to_end(&mut header)?;
    let text = header.get(FIXED..FIXED + name).and_then(|name| std::str::from_utf8(name).ok());
    let Some(name) = text.filter(|name| names::is_known(name)) else {
        return Ok(Err("it lists a file of a name that the format does not have".into()));
    };
    let name = name.to_owned();
    let (mut packed, mut bytes) = (get(&header, 20, 4), get(&header, 24, 4));
    let mut offset = get(&header, 42, 4);
    let mut wide = FIXED + name.len() + 4;
    if packed == WIDE && bytes == WIDE {
        (bytes, packed) = (get(&header, wide, 8), get(&header, wide + 8, 8));
        wide += 16;
    }
    if offset == WIDE {
        offset = get(&header, wide, 8);
    }
    let entry = Entry {
        is_packed: !names::is_document(&name),
        crc32: u32::try_from(get(&header, 16, 4)).unwrap_or(0),
        packed,
        bytes,
        data: 0,
        name,
    };
    if header != entry.listed_header(offset) {
        return Ok(Err(format!("{}: its entry is not laid out as the format has it", entry.name)));
    }
    Ok(Ok((entry, offset)))
}

/// Reads the list of an archive and holds every byte that is no packed byte against the format.
pub(crate) fn read(file: &File) -> Checked<Vec<Entry>> {
    let length = file.metadata()?.len();
    let mut list = BufReader::new(file.try_clone()?);
    let listed = right!(find_list(&mut list, length)?);
    // Both handles are of one file and share its place: the list is read whole before the headers.
    list.seek(SeekFrom::Start(listed.offset))?;
    let mut list = list.take(listed.bytes);
    let (mut entries, mut at) = (Vec::new(), 0_u64);
    for _ in 0..listed.files {
        let (mut entry, offset) = right!(next_listed(&mut list)?);
        let header = u64::try_from(entry.local_header().len()).unwrap_or(u64::MAX);
        if offset != at {
            let what = "it does not begin where the file before it ends";
            return Ok(Err(format!("{}: {what}", entry.name)));
        }
        if entry.bytes > entry.packed.saturating_mul(UNPACKED_PER_BYTE).saturating_add(FREE_BYTES) {
            let what = "it says to unpack to more than the format lets its packed bytes stand for";
            return Ok(Err(format!("{}: {what}", entry.name)));
        }
        if !entry.is_packed && entry.bytes != entry.packed {
            return Ok(Err(format!("{}: it is stored in another length", entry.name)));
        }
        entry.data = at + header;
        let Some(end) = entry.data.checked_add(entry.packed).filter(|end| *end <= length) else {
            return Ok(Err(format!("{}: it is longer than the archive", entry.name)));
        };
        at = end;
        entries.push(entry);
    }
    if list.limit() > 0 || at != listed.offset {
        return Ok(Err("its list of files is not of all that stands before it".into()));
    }
    let is_wide =
        listed.end().len() > Listed { files: 0, offset: 0, bytes: 0, version: 0 }.end().len();
    if is_wide && Some(listed.version) != entries.iter().map(Entry::version).max() {
        return Ok(Err("its last record names another version than its files need".into()));
    }
    right!(in_order(&entries));
    let mut headers = BufReader::new(file.try_clone()?);
    for entry in &entries {
        let expected = entry.local_header();
        let mut found = vec![0; expected.len()];
        let length = u64::try_from(expected.len()).unwrap_or(u64::MAX);
        headers.seek(SeekFrom::Start(entry.data - length))?;
        headers.read_exact(&mut found)?;
        if found != expected {
            let what = "its header is not laid out as the format has it, or says other things than \
                        the list";
            return Ok(Err(format!("{}: {what}", entry.name)));
        }
    }
    Ok(Ok(entries))
}

/// What a person reads first, then everything else in the order of the names, each once.
fn in_order(entries: &[Entry]) -> Result<(), Fault> {
    let place = |entry: &Entry| {
        let first = names::FIRST.iter().position(|name| *name == entry.name);
        first.unwrap_or(names::FIRST.len())
    };
    let before = |a: &Entry, b: &Entry| (place(a), &a.name) < (place(b), &b.name);
    match entries.windows(2).find(|pair| !before(&pair[0], &pair[1])) {
        Some(pair) => Err(format!("{}: it is not in its place in the archive", pair[1].name)),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use std::io::BufWriter;

    use super::*;
    use crate::archive::ArchiveWriter;

    fn written(reports: u128) -> File {
        let mut file = tempfile::tempfile().unwrap();
        let mut archive = ArchiveWriter::new(BufWriter::new(&mut file));
        let report = |id: u128| names::report(domain::ids::CaseId(uuid::Uuid::from_u128(id)));
        let first = names::FIRST.into_iter().map(str::to_owned);
        for name in first.chain((0..reports).map(report)) {
            archive.add(&name, 1, &mut &b"x"[..]).unwrap();
        }
        archive.finish().unwrap().into_inner().into_inner().unwrap();
        file
    }

    #[test]
    fn what_the_library_writes_is_the_one_layout() {
        let read = read(&written(3)).unwrap().unwrap();
        let names: Vec<&str> = read.iter().map(|entry| entry.name.as_str()).collect();
        assert_eq!(names[..4], names::FIRST);
        assert_eq!(names.len(), 7);
        assert!(read.iter().all(|entry| entry.is_packed && entry.bytes == 1));
    }

    #[test]
    fn places_that_no_file_has_are_refused() {
        let mut file = tempfile::tempfile().unwrap();
        io::Write::write_all(&mut file, &[0xff; 56 + 20 + 22]).unwrap();
        assert!(read(&file).unwrap().unwrap_err().contains("do not make its length"));
    }

    #[test]
    fn more_files_than_a_field_holds_have_the_wider_records() {
        let files = 65_536;
        let read = read(&written(files - 4)).unwrap().unwrap();
        assert_eq!(u128::try_from(read.len()), Ok(files));
    }

    #[test]
    fn a_wide_file_has_the_numbers_that_its_fields_do_not_hold() {
        // APPNOTE 4.5.3: the numbers whose fields hold 0xFFFFFFFF, in this order.
        let name = "events.jsonl".to_owned();
        let entry =
            Entry { name, is_packed: true, crc32: 7, packed: 1 << 32, bytes: 1 << 33, data: 0 };
        let local = entry.local_header();
        assert_eq!((get(&local, 4, 2), get(&local, 18, 4), get(&local, 22, 4)), (45, WIDE, WIDE));
        assert_eq!((get(&local, 30 + 12, 2), get(&local, 30 + 14, 2)), (1, 16));
        assert_eq!((get(&local, 30 + 16, 8), get(&local, 30 + 24, 8)), (1 << 33, 1 << 32));
        let listed = entry.listed_header(1 << 34);
        assert_eq!((get(&listed, 42, 4), get(&listed, 46 + 14, 2)), (WIDE, 24));
        assert_eq!(get(&listed, 46 + 32, 8), 1 << 34);
    }
}
