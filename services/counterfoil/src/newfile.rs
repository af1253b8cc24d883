//! A new file or folder, written beside its place under a temporary name of its own and moved there when
//! it is whole: what is cut short leaves nothing under the name asked for.
//!
//! What these hold is a firm's or its clients': they are made for their owner alone, whatever the umask
//! is. Nothing that was there is written over, followed or taken away, but for what a run of this program
//! left that was killed while it wrote.

use std::fs::{File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use anyhow::Context;
use domain::text::shown;
use ledger::leftover;
use tempfile::{NamedTempFile, TempDir};

use crate::exit::Stop;

/// How what has no name yet is called.
const UNNAMED: &str = ".counterfoil-";
/// Tries to make something that nobody clears away before it is held.
const TRIES_MAX: u32 = 3;

/// The folder that a file is in.
pub(crate) fn folder_of(file: &Path) -> &Path {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    folder.unwrap_or(Path::new("."))
}

/// Refuses a file that is there: none is written over.
pub(crate) fn must_be_new(file: &Path) -> anyhow::Result<()> {
    // A link counts as well, wherever it leads.
    if file.symlink_metadata().is_ok() {
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
        let folder = folder_of(to);
        clear(folder);
        let mut file = tempfile::Builder::new();
        file.prefix(UNNAMED);
        let made = held(|| {
            let file = file.tempfile_in(folder)?;
            let held = leftover::hold(file.as_file(), file.path())?;
            Ok(held.then_some(file))
        });
        Ok(Self { to: to.to_owned(), file: made.with_context(|| cannot_write(to))? })
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

/// A folder that has no name yet.
pub(crate) struct NewFolder {
    to: PathBuf,
    folder: PrivateFolder,
}

impl NewFolder {
    /// Begins one beside the place that it is to have.
    pub(crate) fn beside(to: &Path) -> anyhow::Result<Self> {
        must_be_new(to)?;
        anyhow::ensure!(to.file_name().is_some(), "{} names no folder", to.display());
        let folder = private_folder(folder_of(to)).with_context(|| cannot_write(to))?;
        Ok(Self { to: to.to_owned(), folder })
    }

    /// Where it is meanwhile.
    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Gives it its name, unless something else has taken that meanwhile.
    pub(crate) fn keep(self) -> anyhow::Result<()> {
        let Self { to, folder } = self;
        let cannot_write = || cannot_write(&to);
        // A folder takes the place of an empty one, and of nothing else: one of ours is put there first,
        // which fails if anything is there.
        std::fs::create_dir(&to).with_context(cannot_write)?;
        let moved = std::fs::rename(folder.path(), &to);
        if moved.is_err() {
            // Ours, and only while it is empty.
            let _ = std::fs::remove_dir(&to);
        }
        moved.with_context(cannot_write)?;
        // There is nothing left to tidy under the name it had.
        let _ = folder.folder.keep();
        File::open(folder_of(&to)).and_then(|folder| folder.sync_all()).with_context(cannot_write)
    }
}

/// A temporary folder that only its owner sees into; it goes with this value.
pub(crate) struct PrivateFolder {
    folder: TempDir,
    /// Held for as long as the folder is written to.
    _held: File,
}

impl PrivateFolder {
    /// Where it is.
    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }
}

/// Makes a temporary folder in another.
pub(crate) fn private_folder(inside: &Path) -> io::Result<PrivateFolder> {
    clear(inside);
    let mut folder = tempfile::Builder::new();
    folder.prefix(UNNAMED);
    #[cfg(unix)]
    folder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o700));
    held(|| {
        let folder = folder.tempdir_in(inside)?;
        let file = File::open(folder.path())?;
        let held = leftover::hold(&file, folder.path())?;
        Ok(held.then_some(PrivateFolder { folder, _held: file }))
    })
}

/// Makes something until it is held.
fn held<T>(mut make: impl FnMut() -> io::Result<Option<T>>) -> io::Result<T> {
    for _ in 0..TRIES_MAX {
        if let Some(made) = make()? {
            return Ok(made);
        }
    }
    Err(io::Error::other("somebody takes away what is written there"))
}

/// Clears away what a run left that was killed, and says so. What cannot be cleared away keeps nobody from
/// writing beside it.
fn clear(folder: &Path) {
    match leftover::clear(folder, UNNAMED) {
        Ok(removed) => {
            for path in removed {
                let path = path.display().to_string();
                eprintln!(
                    "removed what a run left that was ended while it wrote: {}",
                    shown(&path)
                );
            }
        }
        Err(error) => tracing::debug!(%error, "what runs left was not looked for"),
    }
}

/// A file that was not there, for its owner alone.
pub(crate) fn create(path: &Path) -> anyhow::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).with_context(|| cannot_write(path))
}

fn cannot_write(to: &Path) -> String {
    format!("cannot write {}", to.display())
}
