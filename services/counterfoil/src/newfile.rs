//! A new file, written beside its place under a temporary name and moved there when it is whole: what is
//! cut short leaves nothing under the name asked for.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context;
use tempfile::NamedTempFile;

use crate::exit::Stop;

/// The folder that a file is in.
pub(crate) fn folder_of(file: &Path) -> &Path {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    folder.unwrap_or(Path::new("."))
}

/// Refuses a file that is there: none is written over.
pub(crate) fn must_be_new(file: &Path) -> anyhow::Result<()> {
    if file.exists() {
        return Err(Stop::usage(format!("{} is there already", file.display())));
    }
    Ok(())
}

/// A file that has no name yet.
pub(crate) struct NewFile {
    to: PathBuf,
    file: NamedTempFile,
}

impl NewFile {
    /// Begins one beside the place that it is to have.
    pub(crate) fn beside(to: &Path) -> anyhow::Result<Self> {
        must_be_new(to)?;
        let file = NamedTempFile::new_in(folder_of(to)).with_context(|| cannot_write(to))?;
        Ok(Self { to: to.to_owned(), file })
    }

    /// Writes on.
    pub(crate) fn write(&mut self, bytes: &[u8]) -> anyhow::Result<()> {
        self.file.write_all(bytes).with_context(|| cannot_write(&self.to))
    }

    /// Brings it to disk and gives it its name, unless something else has taken that meanwhile.
    pub(crate) fn keep(self) -> anyhow::Result<()> {
        let Self { to, file } = self;
        let cannot_write = || cannot_write(&to);
        file.as_file().sync_all().with_context(cannot_write)?;
        file.persist_noclobber(&to).with_context(cannot_write)?;
        File::open(folder_of(&to)).and_then(|folder| folder.sync_all()).with_context(cannot_write)
    }
}

fn cannot_write(to: &Path) -> String {
    format!("cannot write {}", to.display())
}
