//! Pages of the write-ahead log, by the table or index that each is of.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::{ByName, Counter, Written};

/// Bytes before the first frame, and before the page of each.
const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
const PAGE: usize = 4096;

/// The write-ahead log of a file, which a reader keeps from being written over.
pub(crate) struct Wal {
    path: PathBuf,
    reader: Option<Connection>,
    /// Frames that were counted.
    counted: usize,
}

impl Wal {
    pub(crate) fn hold(path: &Path) -> Self {
        let reader = Connection::open(path).unwrap();
        reader.execute_batch("BEGIN; SELECT COUNT(*) FROM event").unwrap();
        let mut wal = Self { path: path.to_owned(), reader: Some(reader), counted: 0 };
        wal.counted = wal.frames().len();
        wal
    }

    /// The page of each frame.
    fn frames(&self) -> Vec<u32> {
        let mut bytes = Vec::new();
        let wal = format!("{}-wal", self.path.display());
        File::open(wal).unwrap().read_to_end(&mut bytes).unwrap();
        let salt = bytes.get(16..24).map(<[u8]>::to_vec);
        let frames = bytes.get(HEADER..).unwrap_or_default().chunks(FRAME_HEADER + PAGE);
        let of_this_log = frames.take_while(|frame| frame.get(8..16) == salt.as_deref());
        of_this_log.map(|frame| u32::from_be_bytes(frame[..4].try_into().unwrap())).collect()
    }
}

/// What each page is of. Read beside the held snapshot, so it is of the present moment.
fn owners(path: &Path) -> BTreeMap<u32, String> {
    let connection = Connection::open(path).unwrap();
    let mut pages = connection.prepare("SELECT pageno, name FROM dbstat").unwrap();
    let pages = pages.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    pages.map(Result::unwrap).collect()
}

impl Counter for Wal {
    const PIECES: &'static str = "pages";

    async fn written(&mut self) -> ByName {
        let (frames, owners) = (self.frames(), owners(&self.path));
        let mut by_name = ByName::new();
        for page in &frames[self.counted..] {
            let name = owners.get(page).map_or("(free)", String::as_str);
            let Written { pieces, bytes } = by_name.entry(name.to_owned()).or_default();
            *pieces += 1;
            *bytes += (FRAME_HEADER + PAGE) as u64;
        }
        self.counted = frames.len();
        by_name
    }

    async fn at_rest(&mut self) -> BTreeMap<String, (Option<u64>, u64)> {
        self.reader = None;
        let connection = Connection::open(&self.path).unwrap();
        let mut sizes = connection
            .prepare("SELECT name, SUM(pgsize - unused) FROM dbstat GROUP BY name")
            .unwrap();
        let sizes = sizes.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        let sizes: Vec<(String, i64)> = sizes.map(Result::unwrap).collect();
        let rows = |name: &str| {
            let count = format!("SELECT COUNT(*) FROM {name}");
            let rows: Option<i64> = connection.query_row(&count, [], |row| row.get(0)).ok();
            rows.map(i64::unsigned_abs)
        };
        let of = |(name, bytes): (String, i64)| {
            let size = (rows(&name), bytes.unsigned_abs());
            (name, size)
        };
        sizes.into_iter().map(of).collect()
    }
}
