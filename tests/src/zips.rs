//! A zip file taken apart to its headers, so that a test can write one that says what it should not.

use std::ops::Range;

/// A file: its two headers, with names and extra fields, and its packed bytes.
#[derive(Clone, Debug)]
pub struct ZipEntry {
    /// The 30 bytes before the name.
    pub local: Vec<u8>,
    /// The name there.
    pub local_name: Vec<u8>,
    /// The extra field there.
    pub local_extra: Vec<u8>,
    /// The packed bytes.
    pub data: Vec<u8>,
    /// What stands behind them.
    pub gap: Vec<u8>,
    /// The 46 bytes before the name in the list.
    pub central: Vec<u8>,
    /// The name there.
    pub central_name: Vec<u8>,
    /// The extra field there.
    pub central_extra: Vec<u8>,
    /// The comment there.
    pub comment: Vec<u8>,
}

impl ZipEntry {
    /// Puts a number into both headers, at the place it has in the local one. (APPNOTE.TXT 6.3.10, sections 4.3.7 and
    /// 4.3.12: the central header has two bytes more before the fields that both have.)
    pub fn put_both(&mut self, at: usize, number: &[u8]) {
        self.local[at..at + number.len()].copy_from_slice(number);
        self.central[at + 2..at + 2 + number.len()].copy_from_slice(number);
    }

    /// Other packed bytes, with their length in both headers.
    pub fn set_data(&mut self, data: Vec<u8>) {
        let length = u32::try_from(data.len()).expect("a small file").to_le_bytes();
        self.put_both(18, &length);
        self.data = data;
    }

    /// Another name in both headers.
    pub fn rename(&mut self, name: &[u8]) {
        self.local_name = name.to_vec();
        self.central_name = name.to_vec();
    }
}

/// A zip file without zip64.
#[derive(Clone, Debug)]
pub struct Zip {
    /// What stands before the first file.
    pub prefix: Vec<u8>,
    /// The files, in order.
    pub entries: Vec<ZipEntry>,
    /// What stands between the files and the list.
    pub before_list: Vec<u8>,
    /// What stands between the list and the last record.
    pub after_list: Vec<u8>,
    /// The comment of the archive.
    pub comment: Vec<u8>,
    /// What stands behind it.
    pub suffix: Vec<u8>,
}

fn number(bytes: &[u8], at: Range<usize>) -> usize {
    bytes[at].iter().rev().fold(0, |number, byte| number << 8 | usize::from(*byte))
}

fn put(to: &mut [u8], at: usize, length: usize, number: usize) {
    let bytes = number.to_le_bytes();
    to[at..at + length].copy_from_slice(&bytes[..length]);
}

impl Zip {
    /// Takes one apart that is laid out as the format has it.
    pub fn of(bytes: &[u8]) -> Self {
        let end = &bytes[bytes.len() - 22..];
        let mut at = number(end, 16..20);
        let mut entries = Vec::new();
        for _ in 0..number(end, 10..12) {
            let central = bytes[at..at + 46].to_vec();
            let [name, extra, comment] = [28..30, 30..32, 32..34].map(|r| number(&central, r));
            let from = at + 46;
            let start = number(&central, 42..46);
            let local = bytes[start..start + 30].to_vec();
            let names = start + 30 + number(&local, 26..28);
            let data = names + number(&local, 28..30);
            entries.push(ZipEntry {
                local_name: bytes[start + 30..names].to_vec(),
                local_extra: bytes[names..data].to_vec(),
                data: bytes[data..data + number(&central, 20..24)].to_vec(),
                local,
                gap: Vec::new(),
                central_name: bytes[from..from + name].to_vec(),
                central_extra: bytes[from + name..from + name + extra].to_vec(),
                comment: Vec::new(),
                central,
            });
            at = from + name + extra + comment;
        }
        let none = Vec::new;
        Self {
            prefix: none(),
            entries,
            before_list: none(),
            after_list: none(),
            comment: none(),
            suffix: none(),
        }
    }

    /// The place of a file.
    pub fn place(&self, name: &str) -> usize {
        let found = self.entries.iter().position(|entry| entry.central_name == name.as_bytes());
        found.expect("it has the file")
    }

    /// Puts it together: lengths of names, fields and comments, and offsets, are made to fit.
    pub fn write(&self) -> Vec<u8> {
        let mut out = self.prefix.clone();
        let mut list = Vec::new();
        for entry in &self.entries {
            let ZipEntry { local_name, local_extra, central_name, central_extra, comment, .. } =
                entry;
            let (mut local, mut central) = (entry.local.clone(), entry.central.clone());
            put(&mut local, 26, 2, local_name.len());
            put(&mut local, 28, 2, local_extra.len());
            put(&mut central, 28, 2, central_name.len());
            put(&mut central, 30, 2, central_extra.len());
            put(&mut central, 32, 2, comment.len());
            put(&mut central, 42, 4, out.len());
            out.extend([local, local_name.clone(), local_extra.clone()].concat());
            out.extend([&entry.data[..], &entry.gap[..]].concat());
            list.extend(
                [central, central_name.clone(), central_extra.clone(), comment.clone()].concat(),
            );
        }
        out.extend(&self.before_list);
        let offset = out.len();
        out.extend(&list);
        out.extend(&self.after_list);
        let mut end = b"PK\x05\x06".to_vec();
        end.resize(22, 0);
        put(&mut end, 8, 2, self.entries.len());
        put(&mut end, 10, 2, self.entries.len());
        put(&mut end, 12, 4, list.len());
        put(&mut end, 16, 4, offset);
        put(&mut end, 20, 2, self.comment.len());
        out.extend(end);
        out.extend(&self.comment);
        out.extend(&self.suffix);
        out
    }
}

/// One way of writing another zip file of the same files, which readers of zip files take for the same or for another.
pub type ZipForgery = (&'static str, fn(&mut Zip));

/// Every way of them. `EVENTS` is the file that most of them change.
pub const ZIP_FORGERIES: &[ZipForgery] = &[
    ("bytes before the first file", |zip| zip.prefix = b"#!/bin/sh\n".to_vec()),
    ("bytes between two files", |zip| zip.entries[3].gap = b"between".to_vec()),
    ("bytes before the list", |zip| zip.before_list = b"between".to_vec()),
    ("bytes behind the list", |zip| zip.after_list = b"between".to_vec()),
    ("a comment", |zip| zip.comment = b"All is well.".to_vec()),
    ("bytes behind the end", |zip| zip.suffix = b"behind".to_vec()),
    ("a file's comment", |zip| events(zip).comment = b"checked".to_vec()),
    ("an extra field in the list", |zip| events(zip).central_extra = UNKNOWN_FIELD.to_vec()),
    ("an extra field before the file", |zip| events(zip).local_extra = UNKNOWN_FIELD.to_vec()),
    // Info-ZIP's Unicode path: some readers take the name from it.
    ("another name in an extra field", |zip| {
        events(zip).central_extra =
            [&b"\x75\x70\x0a\x00\x01\x00\x00\x00\x00"[..], &b"other"[..]].concat();
    }),
    ("another name before the file", |zip| events(zip).local_name = b"events.jsonm".to_vec()),
    ("another checksum before the file", |zip| events(zip).local[14] ^= 1),
    ("another length before the file", |zip| events(zip).local[22] ^= 1),
    ("another packed length before the file", |zip| events(zip).local[18] ^= 1),
    ("another method before the file", |zip| events(zip).local[8] = 0),
    ("no lengths before the file", |zip| {
        let events = events(zip);
        events.local[6] = 8;
        events.central[8] = 8;
        events.local[14..26].fill(0);
        let numbers = [&events.central[16..28]].concat();
        events.gap = [&b"PK\x07\x08"[..], &numbers].concat();
    }),
    ("marked as encrypted", |zip| events(zip).put_both(6, &[1, 0])),
    ("marked as UTF-8", |zip| events(zip).put_both(6, &[0, 8])),
    ("another method", |zip| events(zip).put_both(8, &[9, 0])),
    ("another time", |zip| events(zip).put_both(10, &[1, 0])),
    ("another date", |zip| events(zip).put_both(12, &[0x22, 0])),
    ("another version", |zip| events(zip).put_both(4, &[45, 0])),
    ("made by another system", |zip| events(zip).central[5] = 0),
    ("a symbolic link", |zip| {
        events(zip).central[38..42].copy_from_slice(&(0o120_777_u32 << 16).to_le_bytes());
    }),
    ("a program", |zip| {
        events(zip).central[38..42].copy_from_slice(&(0o100_755_u32 << 16).to_le_bytes());
    }),
    ("inner attributes", |zip| events(zip).central[36] = 1),
    ("another disk", |zip| events(zip).central[34] = 1),
    ("bytes behind the packed ones", |zip| {
        let data = [&events(zip).data[..], b"hidden"].concat();
        events(zip).set_data(data);
    }),
    ("a packed stream without its end", |zip| {
        // A stored block that is not the last (RFC 1951 section 3.2.4), so that nothing follows.
        let place = zip.place("public-key.txt");
        let entry = &mut zip.entries[place];
        let length = number(&entry.central, 24..28);
        let text = key_text();
        assert_eq!(text.len(), length, "the key of the tests");
        let length = u16::try_from(length).expect("a short text");
        let block = [&[0][..], &length.to_le_bytes(), &(!length).to_le_bytes(), &text].concat();
        entry.set_data(block);
    }),
    ("a file that is stored and not packed", |zip| {
        let place = zip.place("public-key.txt");
        let entry = &mut zip.entries[place];
        entry.put_both(8, &[0, 0]);
        entry.put_both(4, &[10, 0]);
        entry.set_data(key_text());
    }),
    ("two files in other places", |zip| {
        let last = zip.entries.len() - 1;
        zip.entries.swap(last - 1, last);
    }),
    ("what a person reads not first", |zip| zip.entries.swap(0, 1)),
    ("a file twice", |zip| {
        let events = events(zip).clone();
        let place = zip.place("events.jsonl");
        zip.entries.insert(place, events);
    }),
    ("a name with a zero byte", |zip| events(zip).rename(b"events.jsonl\0.txt")),
    ("a name with a backslash", |zip| events(zip).rename(b"proofs\\events.jsonl")),
    ("a name that leads up", |zip| events(zip).rename(b"../events.jsonl")),
    ("a name in capitals", |zip| events(zip).rename(b"EVENTS.JSONL")),
    ("a folder", |zip| {
        let mut folder = events(zip).clone();
        folder.rename(b"report/");
        folder.set_data(Vec::new());
        folder.put_both(14, &[0; 4]);
        folder.put_both(22, &[0; 4]);
        zip.entries.push(folder);
    }),
];

/// A field of an id that nobody has given out, with one byte.
const UNKNOWN_FIELD: &[u8] = b"\xfe\xca\x01\x00x";

/// The text of `public-key.txt` in the bundles of the tests.
fn key_text() -> Vec<u8> {
    format!("{}\n", crate::bundles::key().verifier()).into_bytes()
}

fn events(zip: &mut Zip) -> &mut ZipEntry {
    let place = zip.place("events.jsonl");
    &mut zip.entries[place]
}
