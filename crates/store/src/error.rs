//! Why a store could not be opened.

use std::path::PathBuf;

/// Why a store could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The folder of the file is not there; it is never made by guess.
    #[error("the folder {} does not exist", .folder.display())]
    NoFolder {
        /// The folder.
        folder: PathBuf,
    },
    /// The path is a folder.
    #[error("{} is a folder, not a database file", .path.display())]
    IsFolder {
        /// The path.
        path: PathBuf,
    },
    /// The file cannot be made, read or written.
    #[error("{} cannot be opened", .path.display())]
    Unreadable {
        /// The path.
        path: PathBuf,
        /// What the system met.
        #[source]
        source: std::io::Error,
    },
    /// The file is another program's, is damaged, or stays locked.
    #[error("{} is no database that can be opened", .path.display())]
    Database {
        /// The path.
        path: PathBuf,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// A copy of the database cannot be written.
    #[error("{} cannot be written", .path.display())]
    Copy {
        /// The path of the copy.
        path: PathBuf,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// The tables cannot be brought to what this program knows; a newer program may have been here.
    #[error("{} cannot be brought up to date", .path.display())]
    Migration {
        /// The path.
        path: PathBuf,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// The name of a database is of no engine there is.
    #[error("a database is named sqlite:PATH or postgres://USER@HOST/DATABASE")]
    Scheme,
    /// The URL of a PostgreSQL database does not read.
    #[error("the URL of the database does not read")]
    Url {
        /// What is wrong with it.
        #[source]
        source: log::Cause,
    },
    /// The PostgreSQL server does not answer, or lets this program not in.
    #[error("{place} cannot be opened")]
    Server {
        /// Which database, without a password.
        place: String,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// Its tables cannot be brought to what this program knows: whoever logs in may not, or a newer
    /// program has been here.
    #[error(
        "{place} cannot be brought up to date by this login; let the one that owns the tables do it: \
         counterfoil migrate"
    )]
    MigrationOf {
        /// Which database, without a password.
        place: String,
        /// What the engine met.
        #[source]
        source: log::Cause,
    },
    /// A login is not fit to serve.
    #[error("{what}: {place} is not to be served by it")]
    UnfitLogin {
        /// Which database, without a password.
        place: String,
        /// What the login is or may do.
        what: String,
    },
    /// A database that is only read is not one of this program's, or of another version of it.
    #[error(
        "{place} does not have the tables that this program knows; if it is of an earlier version, let \
         this one bring it up to date first: counterfoil migrate --database …"
    )]
    OtherTables {
        /// Which database, without a password.
        place: String,
    },
    /// A file has no replica.
    #[error("a read replica is a standby of a PostgreSQL server: postgres://USER@HOST/DATABASE")]
    NoReplica,
    /// Only a database in a file can be copied into another.
    #[error("{place} is no file to copy; the server's own tools make its backups")]
    NoFile {
        /// Which database, without a password.
        place: String,
    },
}
