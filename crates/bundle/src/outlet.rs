//! Where derived tables and reports go: into spools to be written, or into digests to be compared.

use std::collections::BTreeMap;
use std::io;

use domain::ids::CaseId;

use crate::derive::Rows;
use crate::names;
use crate::spool::{Digest, Digester, Spool, Spooled};
use crate::tables::TABLES;

/// Takes tables and reports as they are derived.
pub(crate) trait Outlet {
    /// More of a table, by its place in [`TABLES`].
    fn table(&mut self, place: usize, rows: &str) -> io::Result<()>;
    /// A report.
    fn report(&mut self, case: CaseId, page: &str) -> io::Result<()>;

    /// Everything of some clients.
    fn rows(&mut self, rows: &Rows) -> io::Result<()> {
        for (place, rows) in rows.tables.iter().enumerate() {
            if !rows.is_empty() {
                self.table(place, rows)?;
            }
        }
        rows.reports.iter().try_for_each(|(case, page)| self.report(*case, page))
    }
}

/// Keeps everything in temporary files: one for each table, one for all reports.
pub(crate) struct Spools {
    tables: Vec<Spool>,
    reports: Spool,
    pages: BTreeMap<String, (u64, Digest)>,
}

/// What [`Spools`] kept.
pub(crate) struct Kept {
    pub(crate) tables: Vec<Spooled>,
    pub(crate) reports: Spooled,
    /// The offset of each report.
    pub(crate) pages: BTreeMap<String, (u64, Digest)>,
}

impl Spools {
    /// Begins, with the header of each table.
    pub(crate) fn new() -> io::Result<Self> {
        let begin = |table: &crate::tables::Table| -> io::Result<Spool> {
            let mut spool = Spool::new()?;
            spool.add(table.header().as_bytes())?;
            Ok(spool)
        };
        let tables = TABLES.iter().map(begin).collect::<io::Result<_>>()?;
        Ok(Self { tables, reports: Spool::new()?, pages: BTreeMap::new() })
    }

    pub(crate) fn finish(self) -> io::Result<Kept> {
        let tables = self.tables.into_iter().map(Spool::finish).collect::<io::Result<_>>()?;
        Ok(Kept { tables, reports: self.reports.finish()?, pages: self.pages })
    }
}

impl Outlet for Spools {
    fn table(&mut self, place: usize, rows: &str) -> io::Result<()> {
        self.tables[place].add(rows.as_bytes())
    }

    fn report(&mut self, case: CaseId, page: &str) -> io::Result<()> {
        let place = (self.reports.length(), Digest::of(page.as_bytes()));
        self.pages.insert(names::report(case), place);
        self.reports.add(page.as_bytes())
    }
}

/// Keeps digests alone.
pub(crate) struct Digests {
    tables: Vec<Digester>,
    reports: BTreeMap<String, Digest>,
}

impl Digests {
    /// Begins, with the header of each table.
    pub(crate) fn new() -> Self {
        let begin = |table: &crate::tables::Table| {
            let mut digester = Digester::default();
            digester.take(table.header().as_bytes());
            digester
        };
        Self { tables: TABLES.iter().map(begin).collect(), reports: BTreeMap::new() }
    }

    /// The digest of each table and report by the name of its file.
    pub(crate) fn finish(self) -> BTreeMap<String, Digest> {
        let mut files = self.reports;
        let tables = TABLES.iter().zip(self.tables);
        files.extend(tables.map(|(table, digester)| (table.file(), digester.finish())));
        files
    }
}

impl Outlet for Digests {
    fn table(&mut self, place: usize, rows: &str) -> io::Result<()> {
        self.tables[place].take(rows.as_bytes());
        Ok(())
    }

    fn report(&mut self, case: CaseId, page: &str) -> io::Result<()> {
        self.reports.insert(names::report(case), Digest::of(page.as_bytes()));
        Ok(())
    }
}
