//! Who may read, change and replace files that hold secrets, or that something is done by.
//!
//! Root and this process's own login may: whoever is either can do anything here anyhow. A system without
//! owners and modes does not say, and nothing is refused there.

use std::fs::File;
use std::io;
use std::path::Path;

/// Whether somebody else than its owner may read or change an open file that holds a secret. A file of
/// root's may be read by its group: that is how an administrator hands a secret to a service that may not
/// change it (the rule of PostgreSQL for `ssl_key_file`).
#[cfg(unix)]
pub fn is_exposed(file: &File) -> io::Result<bool> {
    use std::os::unix::fs::MetadataExt as _;
    let metadata = file.metadata()?;
    let of_others = if metadata.uid() == 0 { 0o037 } else { 0o077 };
    Ok(metadata.mode() & of_others != 0)
}

/// Whether an open file is somebody else's.
#[cfg(unix)]
pub fn is_of_another(file: &File) -> io::Result<bool> {
    Ok(is_strange(&file.metadata()?))
}

/// Why somebody else may replace files of ours in a folder; nothing if nobody may. In a sticky folder
/// (`/tmp`) others may put files of their own beside ours, but not in their place.
#[cfg(unix)]
pub fn who_replaces_in(folder: &Path) -> io::Result<Option<&'static str>> {
    use std::os::unix::fs::MetadataExt as _;
    let metadata = folder.metadata()?;
    Ok(shared(&metadata).filter(|why| *why != WRITABLE || metadata.mode() & STICKY == 0))
}

/// Why somebody else may put files into a folder, or take them from it; nothing if nobody may.
#[cfg(unix)]
pub fn who_writes_to(folder: &Path) -> io::Result<Option<&'static str>> {
    Ok(shared(&folder.metadata()?))
}

#[cfg(unix)]
const STICKY: u32 = 0o1000;
#[cfg(unix)]
const WRITABLE: &str = "may be written to by others; chmod go-w it";

/// Whether this process's own login owns something.
#[cfg(unix)]
pub fn is_own(metadata: &std::fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    metadata.uid() == rustix::process::geteuid().as_raw()
}

#[cfg(unix)]
fn is_strange(metadata: &std::fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    metadata.uid() != 0 && !is_own(metadata)
}

#[cfg(unix)]
fn shared(metadata: &std::fs::Metadata) -> Option<&'static str> {
    use std::os::unix::fs::MetadataExt as _;
    if !metadata.is_dir() {
        Some("is no folder")
    } else if is_strange(metadata) {
        Some("belongs to somebody else")
    } else if metadata.mode() & 0o022 != 0 {
        Some(WRITABLE)
    } else {
        None
    }
}

/// Whether somebody else may read it.
#[cfg(not(unix))]
pub fn is_exposed(_: &File) -> io::Result<bool> {
    Ok(false)
}

/// Whether it is somebody else's.
#[cfg(not(unix))]
pub fn is_of_another(_: &File) -> io::Result<bool> {
    Ok(false)
}

/// Whether this process's own login owns it.
#[cfg(not(unix))]
pub fn is_own(_: &std::fs::Metadata) -> bool {
    true
}

/// Why somebody else may replace files in it.
#[cfg(not(unix))]
pub fn who_replaces_in(folder: &Path) -> io::Result<Option<&'static str>> {
    who_writes_to(folder)
}

/// Why somebody else may write to it.
#[cfg(not(unix))]
pub fn who_writes_to(folder: &Path) -> io::Result<Option<&'static str>> {
    Ok((!folder.metadata()?.is_dir()).then_some("is no folder"))
}
