//! Where firm keys come from.
//!
//! A key-management service is one more [`KeySource`]: it hands out the firm keys once, when the
//! process starts, and is not asked for each person.

use std::fs::{File, OpenOptions};
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use zeroize::Zeroizing;

use crate::firm::{FirmKey, FirmKeys};
use crate::owner::{is_exposed, is_of_another, who_replaces_in};

/// Most keys of one source: one in use and those before it whose work is not wrapped anew yet.
pub const KEYS_MAX: usize = 64;

/// Why keys could not be had. No key is ever part of the text.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// The file cannot be read or made.
    #[error("the key file {} cannot be used", .path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system met.
        #[source]
        source: std::io::Error,
    },
    /// Others may read the file.
    #[error("the key file {} may be read by others; chmod 600 it", .path.display())]
    Exposed {
        /// Which.
        path: PathBuf,
    },
    /// Somebody else owns the file.
    #[error("the key file {} belongs to somebody else, who knows its keys", .path.display())]
    Strange {
        /// Which.
        path: PathBuf,
    },
    /// Somebody else may put another file in its place.
    #[error("the folder of the key file {} {why}", .path.display())]
    Folder {
        /// Which.
        path: PathBuf,
        /// Who, and what to do.
        why: &'static str,
    },
    /// A line is no key.
    #[error("line {line} of {origin} is no key: 64 hexadecimal digits")]
    Line {
        /// Where the keys come from.
        origin: String,
        /// Counted from one.
        line: usize,
    },
    /// There is no key, or there are too many.
    #[error("{origin} must hold 1 to {KEYS_MAX} keys, one on each line, the one in use last")]
    Count {
        /// Where the keys come from.
        origin: String,
    },
    /// The service that keeps them does not give them.
    #[error("the key service does not answer")]
    Service(#[source] Box<dyn std::error::Error + Send + Sync>),
}

/// Something that hands out the firm keys when the process starts.
pub trait KeySource: Send + Sync {
    /// The keys, the one in use last.
    fn keys(&self) -> Result<FirmKeys, SourceError>;
}

/// A file of 64 hexadecimal digits on each line, the key in use last. `#` begins a line for people.
#[derive(Clone, Debug)]
pub struct KeyFile(pub PathBuf);

/// The same text, from the environment or from wherever the caller got it.
#[derive(Clone)]
pub struct KeyText {
    /// What to call it in an error.
    pub origin: String,
    /// The text.
    pub text: Zeroizing<String>,
}

impl KeySource for KeyText {
    fn keys(&self) -> Result<FirmKeys, SourceError> {
        parse(&self.origin, &self.text)
    }
}

impl KeySource for KeyFile {
    fn keys(&self) -> Result<FirmKeys, SourceError> {
        let failed = |source| SourceError::File { path: self.0.clone(), source };
        let mut file = File::open(&self.0).map_err(failed)?;
        self.check(&file)?;
        let mut text = Zeroizing::new(String::new());
        file.read_to_string(&mut text).map_err(failed)?;
        parse(&self.0.display().to_string(), &text)
    }
}

impl KeyFile {
    /// Adds a key to the end of the file, which is made if it is not there. It is on disk when this
    /// returns: what it wraps could not be read without it.
    pub fn add(&self, key: [u8; 32]) -> Result<(), SourceError> {
        let failed = |source| SourceError::File { path: self.0.clone(), source };
        self.check_folder()?;
        let line = Zeroizing::new(format!("{}\n", &*Zeroizing::new(hex::encode(key))));
        let mut file = match OpenOptions::new().append(true).open(&self.0) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                new_secret(&self.0).map_err(failed)?
            }
            Err(error) => return Err(failed(error)),
        };
        self.check(&file)?;
        let written = file.write_all(line.as_bytes()).and_then(|()| file.sync_all());
        // A new file is there for good once its folder says so.
        let told = || File::open(self.folder())?.sync_all();
        written.and_then(|()| told()).map_err(failed)
    }

    fn check(&self, file: &File) -> Result<(), SourceError> {
        let failed = |source| SourceError::File { path: self.0.clone(), source };
        if is_of_another(file).map_err(failed)? {
            return Err(SourceError::Strange { path: self.0.clone() });
        }
        if is_exposed(file).map_err(failed)? {
            return Err(SourceError::Exposed { path: self.0.clone() });
        }
        self.check_folder()
    }

    fn check_folder(&self) -> Result<(), SourceError> {
        match who_replaces_in(self.folder()) {
            Ok(None) => Ok(()),
            Ok(Some(why)) => Err(SourceError::Folder { path: self.0.clone(), why }),
            Err(source) => Err(SourceError::File { path: self.0.clone(), source }),
        }
    }

    fn folder(&self) -> &Path {
        let folder = self.0.parent().filter(|folder| !folder.as_os_str().is_empty());
        folder.unwrap_or(Path::new("."))
    }
}

/// A file for its owner alone. What is there, a link that leads nowhere among it, is not written to.
fn new_secret(path: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.append(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

fn parse(origin: &str, text: &str) -> Result<FirmKeys, SourceError> {
    let mut keys = Vec::new();
    for (line, text) in (1..).zip(text.lines()) {
        let text = text.trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        let mut key = Zeroizing::new([0; 32]);
        hex::decode_to_slice(text, key.as_mut_slice())
            .map_err(|_| SourceError::Line { origin: origin.to_owned(), line })?;
        keys.push(FirmKey::from_bytes(*key));
    }
    let count = || SourceError::Count { origin: origin.to_owned() };
    if keys.len() > KEYS_MAX {
        return Err(count());
    }
    FirmKeys::from_oldest(keys).ok_or_else(count)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str) -> KeyText {
        KeyText { origin: "the test".into(), text: Zeroizing::new(text.into()) }
    }

    #[test]
    fn the_last_line_is_in_use() {
        let (one, two) = ("01".repeat(32), "02".repeat(32));
        let keys = text(&format!("# since spring\n{one}\n\n{two}\n")).keys().unwrap();
        assert_eq!(keys.current().id(), FirmKey::from_bytes([2; 32]).id());
        assert_eq!(keys.count(), 2);
    }

    #[test]
    fn what_is_no_key_is_named_and_not_shown() {
        let error = text("aa\n").keys().unwrap_err().to_string();
        assert_eq!(error, "line 1 of the test is no key: 64 hexadecimal digits");
        assert!(matches!(text("# none\n").keys(), Err(SourceError::Count { .. })));
        let many = format!("{}\n", "01".repeat(32)).repeat(KEYS_MAX + 1);
        assert!(matches!(text(&many).keys(), Err(SourceError::Count { .. })));
    }

    #[test]
    fn a_file_is_made_for_its_owner_alone_and_grows_by_keys() {
        let folder = tempfile::tempdir().unwrap();
        let file = KeyFile(folder.path().join("firm.keys"));
        assert!(matches!(file.keys(), Err(SourceError::File { .. })));
        file.add([1; 32]).unwrap();
        file.add([2; 32]).unwrap();
        let keys = file.keys().unwrap();
        assert_eq!((keys.count(), keys.current().id()), (2, FirmKey::from_bytes([2; 32]).id()));
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_read_is_refused() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let file = KeyFile(folder.path().join("firm.keys"));
        file.add([1; 32]).unwrap();
        for mode in [0o604, 0o644, 0o620] {
            std::fs::set_permissions(&file.0, std::fs::Permissions::from_mode(mode)).unwrap();
            assert!(matches!(file.keys(), Err(SourceError::Exposed { .. })), "{mode:o}");
            assert!(matches!(file.add([2; 32]), Err(SourceError::Exposed { .. })), "{mode:o}");
        }
        std::fs::set_permissions(&file.0, std::fs::Permissions::from_mode(0o400)).unwrap();
        assert_eq!(file.keys().unwrap().count(), 1, "nothing was added");
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_put_there_or_may_replace_is_refused() {
        use std::os::unix::fs::{PermissionsExt as _, chown};
        let folder = tempfile::tempdir().unwrap();
        let mode = |mode| {
            std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(mode)).unwrap();
        };
        let file = KeyFile(folder.path().join("firm.keys"));
        for shared in [0o777, 0o770] {
            mode(shared);
            assert!(matches!(file.add([1; 32]), Err(SourceError::Folder { .. })), "{shared:o}");
            assert!(!file.0.exists());
        }
        mode(0o1777);
        file.add([1; 32]).unwrap();
        assert_eq!(file.keys().unwrap().count(), 1, "nobody else can take it away");
        mode(0o775);
        assert!(matches!(file.keys(), Err(SourceError::Folder { .. })));
        mode(0o1777);
        // Only root can give a file to somebody else.
        if rustix::process::geteuid().is_root() {
            chown(&file.0, Some(65_534), None).unwrap();
            assert!(matches!(file.keys(), Err(SourceError::Strange { .. })));
            assert!(matches!(file.add([2; 32]), Err(SourceError::Strange { .. })));
            chown(&file.0, Some(0), None).unwrap();
            mode(0o755);
            chown(folder.path(), Some(65_534), None).unwrap();
            assert!(matches!(file.keys(), Err(SourceError::Folder { .. })));
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_key_goes_through_no_link_that_leads_nowhere() {
        let folder = tempfile::tempdir().unwrap();
        let (file, elsewhere) = (KeyFile(folder.path().join("firm.keys")), folder.path().join("x"));
        std::os::unix::fs::symlink(&elsewhere, &file.0).unwrap();
        assert!(matches!(file.add([1; 32]), Err(SourceError::File { .. })));
        assert!(!elsewhere.exists());
    }
}
