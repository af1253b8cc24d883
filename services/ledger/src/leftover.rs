//! What a process leaves behind that is killed while it writes: temporary files and folders under names that
//! only this program gives, each locked for as long as somebody writes it.

use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

/// Locks a temporary file or folder for as long as the file is open. Whoever clears up leaves it alone.
/// It says whether it is still there: somebody may have cleared it away before it was locked.
///
/// # Errors
/// If it cannot be locked.
pub fn hold(file: &File, path: &Path) -> io::Result<bool> {
    file.lock()?;
    Ok(path.symlink_metadata().is_ok())
}

/// Removes what a process that was killed left in a folder under names with a prefix, and says what that
/// was. Only what this login owns, is no link, and nobody writes to is removed.
///
/// # Errors
/// If the folder cannot be read, or something of it not removed.
pub fn clear(folder: &Path, prefix: &str) -> io::Result<Vec<PathBuf>> {
    let mut removed = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let named = path.file_name().and_then(|name| name.to_str());
        if named.is_some_and(|name| name.starts_with(prefix)) && remove_if_left(&path)? {
            removed.push(path);
        }
    }
    removed.sort();
    Ok(removed)
}

fn remove_if_left(path: &Path) -> io::Result<bool> {
    let gone = |error: io::Error| {
        if error.kind() == io::ErrorKind::NotFound { Ok(false) } else { Err(error) }
    };
    let metadata = match path.symlink_metadata() {
        Ok(metadata) if metadata.is_file() || metadata.is_dir() => metadata,
        Ok(_) => return Ok(false),
        Err(error) => return gone(error),
    };
    if !vault::owner::is_own(&metadata) {
        return Ok(false);
    }
    let file = match File::open(path) {
        Ok(file) => file,
        Err(error) => return gone(error),
    };
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => return Ok(false),
        Err(TryLockError::Error(error)) => return Err(error),
    }
    let removed =
        if metadata.is_dir() { std::fs::remove_dir_all(path) } else { std::fs::remove_file(path) };
    removed.map(|()| true).or_else(gone)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_removed_and_what_is_written_or_strange_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let make = |name: &str| {
            let path = folder.path().join(name);
            (File::create(&path).unwrap(), path)
        };
        let (held, held_path) = make(".ours-1");
        assert!(hold(&held, &held_path).unwrap());
        let (_, left) = make(".ours-2");
        let (_, other) = make("ours-3");
        let inside = folder.path().join(".ours-4");
        std::fs::create_dir(&inside).unwrap();
        std::fs::write(inside.join("half"), "half").unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink(&other, folder.path().join(".ours-5")).unwrap();
        assert_eq!(clear(folder.path(), ".ours-").unwrap(), [left.clone(), inside]);
        assert!(held_path.exists() && other.exists() && !left.exists());
        drop(held);
        assert_eq!(clear(folder.path(), ".ours-").unwrap(), [held_path]);
    }
}
