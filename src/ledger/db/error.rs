//! Why the ledger could not serve, sorted by who must act.

use crate::files::{self, Wanted};
use std::fmt;
use std::path::PathBuf;

/// Why the ledger could not serve.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// Operator: the file could not be created.
    Create {
        /// The ledger.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Operator: there is no ledger there.
    Absent { path: PathBuf },
    /// Operator: path, permissions or disk.
    Open {
        /// The ledger.
        path: PathBuf,
        source: rusqlite::Error,
    },
    /// Operator: the ledger's name, or one next to it, leads to a FIFO, a device or a folder.
    NoFile {
        /// The name.
        path: PathBuf,
        /// What it is, and the remedy.
        source: std::io::Error,
    },
    /// Operator: a file of something else.
    NotALedger {
        /// The file.
        path: PathBuf,
    },
    /// Operator: written by a newer release; it is not touched.
    SchemaTooNew {
        /// The ledger.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest that this program knows.
        supported: u32,
    },
    /// Operator: written by an older release; only the daemon and commands that write migrate it.
    SchemaTooOld {
        /// The ledger.
        path: PathBuf,
        /// Its version.
        found: u32,
        /// What this program reads.
        supported: u32,
    },
    /// Packager: the SQLite library is too old.
    LibraryTooOld {
        /// Its version number as SQLite gives it (3051003 is 3.51.3).
        found: i32,
        least: i32,
    },
    /// Operator: the file system cannot do write-ahead logging (a network share?).
    NoWal {
        /// The ledger.
        path: PathBuf,
        /// The journal mode that SQLite fell back to.
        mode: String,
    },
    /// Operator: what must outlive the ledger could not be written beside it.
    Sidecar {
        /// The file.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Operator: a damaged ledger could not be renamed.
    SetAside {
        /// The ledger.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Operator: the files under the ledger's names are not the ones that were written to. The commit before this
    /// is in a file that cannot be found by its name any more.
    Vanished {
        /// The ledger.
        path: PathBuf,
        /// What is not as it was.
        what: String,
    },
    /// Operator: what a vanished ledger held could not be copied out.
    Rescue {
        /// The copy.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Operator: a file from elsewhere whose schema is not what this program makes. No row of it was read.
    NotAsMade {
        /// The file.
        path: PathBuf,
        /// What is not.
        what: Vec<String>,
    },
    /// Operator: the radios' numbers are used up.
    TooManyRadios,
    /// Ours: this program handed the ledger what it must not. The ledger is as it was.
    Unexpected(String),
    /// Operator: the ledger is damaged once more, and enough damaged ones are kept.
    TooManyAside {
        /// The ledger.
        path: PathBuf,
        kept: usize,
        /// What is wrong with this one.
        reason: String,
    },
    /// Operator: another daemon writes this ledger.
    Locked {
        /// The lock file.
        path: PathBuf,
        /// The other process, where it said who it is.
        holder: Option<String>,
    },
    /// Operator: another process, which is no daemon, holds the lock file: tried again.
    LockHeld {
        /// The lock file.
        path: PathBuf,
        holder: String,
    },
    /// Operator: this user may not use the ledger or what lies next to it.
    Closed {
        /// The ledger.
        path: PathBuf,
        /// What is closed to whom, and what to do.
        what: String,
    },
    /// Operator: the file is in use under another name.
    OtherName {
        /// The name that was given.
        path: PathBuf,
        other: PathBuf,
        why: String,
    },
    /// Operator: the lock file cannot be used.
    LockFile {
        /// The lock file.
        path: PathBuf,
        source: std::io::Error,
    },
    /// The disk is full: what fits is held, and tried again.
    Full(rusqlite::Error),
    /// Another process holds the ledger's write lock: tried again.
    Busy(rusqlite::Error),
    /// A sync failed: the kernel may have dropped what was not yet on the disk, so nothing may be told
    /// committed any more.
    Sync(rusqlite::Error),
    /// The same of the ledger's folder.
    SyncFolder {
        /// The folder.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Anything else that SQLite says.
    Sql(rusqlite::Error),
    /// A value in the ledger that this program never writes.
    Corrupt(String),
}

impl Error {
    pub(in crate::ledger) fn at_open(path: &std::path::Path, source: rusqlite::Error) -> Self {
        match Self::from(source) {
            Self::Sql(source) if source.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) => {
                Self::NotALedger { path: path.to_owned() }
            }
            Self::Sql(source) => {
                let wanted = match source.sqlite_error_code() {
                    Some(rusqlite::ErrorCode::ReadOnly) => Some(Wanted::Write),
                    Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::PermissionDenied) => {
                        Some(Wanted::Read)
                    }
                    _ => None,
                };
                let closed = wanted.and_then(|wanted| Self::closed(path, wanted));
                closed.unwrap_or_else(|| Self::Open { path: path.to_owned(), source })
            }
            other => other,
        }
    }

    /// That this user may not use a ledger or what SQLite has next to it, where modes and owners say so.
    pub(in crate::ledger) fn closed(path: &std::path::Path, wanted: Wanted) -> Option<Self> {
        let what = ["", "-wal", "-shm"].into_iter().find_map(|tail| {
            let file = files::with_tail(path, tail);
            if !files::is_absent(&file) {
                return files::closed(&file, wanted);
            }
            let made_by = "; or start the daemon, which makes that file";
            files::closed(&file, Wanted::Make).filter(|_| !tail.is_empty()).map(|text| text + made_by)
        })?;
        Some(Self::Closed { path: path.to_owned(), what })
    }

    /// What is wrong, without a remedy: for messages that have their own.
    pub fn cause(&self) -> String {
        match self {
            Self::Corrupt(what) | Self::Closed { what, .. } => what.clone(),
            Self::NotAsMade { what, .. } => not_as_made(what),
            Self::Sql(source) | Self::Open { source, .. } => source.to_string(),
            other => other.to_string(),
        }
    }

    /// Whether it is about one value that this program never writes, in a file that can be read.
    pub(in crate::ledger) fn is_of_a_value(&self) -> bool {
        matches!(
            self,
            Self::Corrupt(_)
                | Self::Sql(
                    rusqlite::Error::IntegralValueOutOfRange(..)
                        | rusqlite::Error::InvalidColumnType(..)
                        | rusqlite::Error::FromSqlConversionFailure(..)
                        | rusqlite::Error::Utf8Error(..)
                )
        )
    }
}

impl From<rusqlite::Error> for Error {
    fn from(error: rusqlite::Error) -> Self {
        use rusqlite::{ErrorCode, ffi};
        let extended = error.sqlite_error().map(|error| error.extended_code);
        match (error.sqlite_error_code(), extended) {
            // The index of the -wal cannot grow on a full disk either.
            (Some(ErrorCode::DiskFull), _) | (_, Some(ffi::SQLITE_IOERR_SHMSIZE)) => Self::Full(error),
            // The last one: locks on every byte of readers, by a process that is no reader.
            (
                Some(
                    ErrorCode::DatabaseBusy
                    | ErrorCode::DatabaseLocked
                    | ErrorCode::FileLockingProtocolFailed,
                ),
                _,
            ) => Self::Busy(error),
            (_, Some(ffi::SQLITE_IOERR_FSYNC | ffi::SQLITE_IOERR_DIR_FSYNC)) => Self::Sync(error),
            // Only files from elsewhere are read with such a bound.
            (Some(ErrorCode::OperationInterrupted), _) => {
                Self::Corrupt("it takes more work to read than a file of its size can need".to_owned())
            }
            _ => Self::Sql(error),
        }
    }
}

/// The first of what is not as this program made it, and how many more there are.
fn not_as_made(what: &[String]) -> String {
    match what {
        [] => String::new(),
        [one] => one.clone(),
        [first, more @ ..] => format!("{first}, and {} more", more.len()),
    }
}

fn library(version: i32) -> String {
    format!("{}.{}.{}", version / 1_000_000, version / 1000 % 1000, version % 1000)
}

impl fmt::Display for Error {
    // Long on purpose: one arm a variant, so that all messages stand in one place. By hand, since a derived one would give each
    // cause as a source too, and whoever prints the chain would say it twice.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Create { path, source } => {
                write!(f, "ledger {}: cannot be created: {source}; ", path.display())?;
                f.write_str("its folder must exist and be writable by the user that runs the daemon")
            }
            Self::Absent { path } => write!(
                f,
                "ledger {}: there is none; `stonechat run` makes it, or name the right one in `ledger.path`",
                path.display()
            ),
            Self::Open { path, source } => write!(f, "ledger {}: cannot be opened: {source}", path.display()),
            Self::NoFile { path, source } => write!(f, "ledger {}: {source}", path.display()),
            Self::NotALedger { path } => write!(
                f,
                "ledger {}: this file is no stonechat ledger; it is left as it is: name another path in \
                 `ledger.path`, or move it away",
                path.display()
            ),
            Self::SchemaTooNew { path, found, supported } => write!(
                f,
                "ledger {}: schema version {found} is newer than this program, which knows up to \
                 {supported}; it is left as it is: install the newer stonechat",
                path.display()
            ),
            Self::SchemaTooOld { path, found, supported } => write!(
                f,
                "ledger {}: schema version {found} is older than this program's {supported}; \
                 `stonechat run` brings it up to date",
                path.display()
            ),
            Self::LibraryTooOld { found, least } => write!(
                f,
                "SQLite {} is too old: its checkpoints can lose a commit; {} or newer is needed",
                library(*found),
                library(*least)
            ),
            Self::NoWal { path, mode } => write!(
                f,
                "ledger {}: its file system offers journal mode {mode} only, write-ahead logging is needed; \
                 put the ledger on a local disk",
                path.display()
            ),
            Self::Sidecar { path, source } => write!(
                f,
                "{}: cannot be written: {source}; without it a new ledger would not know what a damaged one held",
                path.display()
            ),
            Self::SetAside { path, source } => write!(
                f,
                "ledger {}: is damaged, and cannot be set aside: {source}; move it away with its -wal, and start again",
                path.display()
            ),
            Self::Vanished { path, what } => write!(
                f,
                "ledger {}: {what}: it was removed, renamed, cut or covered while it was open; what was written last \
                 is not in the ledger at this path: look at the daemon's notices, and do this once more",
                path.display()
            ),
            Self::Rescue { path, source } => write!(
                f,
                "{}: what the vanished ledger held cannot be copied there: {source}; make room, or bring the ledger's \
                 folder back",
                path.display()
            ),
            Self::NotAsMade { path, what } => write!(
                f,
                "{}: {}; it is damaged, or another program changed it, and no row of it was read: `stonechat \
                 salvage` brings over what it proves",
                path.display(),
                not_as_made(what)
            ),
            Self::TooManyRadios => f.write_str(
                "more than 255 radios have served this ledger; give a radio the name of one that is gone",
            ),
            Self::Unexpected(what) => write!(f, "a fault of this program: {what}; the ledger is as it was"),
            Self::TooManyAside { path, kept, reason } => write!(
                f,
                "ledger {}: is damaged ({reason}), and {kept} damaged ones are kept beside it already: the disk or the \
                 memory is at fault; replace it, take those files away, and start again",
                path.display()
            ),
            Self::Locked { path, holder } => {
                write!(f, "ledger lock {}: another daemon holds it", path.display())?;
                match holder {
                    Some(holder) => write!(f, " ({holder}); stop that one first"),
                    None => f.write_str("; stop that one first"),
                }
            }
            Self::LockHeld { path, holder } => write!(
                f,
                "ledger lock {}: {holder}, holds it, and is no daemon; end that process",
                path.display()
            ),
            Self::Closed { path, what } => write!(f, "ledger {}: {what}", path.display()),
            Self::OtherName { path, other, why } => write!(
                f,
                "ledger {}: is another name (a hard link) of {}, {why}; commits under two names destroy each other: name \
                 {} in `ledger.path`, and remove this name",
                path.display(),
                other.display(),
                other.display()
            ),
            Self::LockFile { path, source } => {
                write!(f, "ledger lock {}: cannot be used: {source}", path.display())
            }
            Self::Full(_) => f.write_str("the disk is full; make room on the ledger's disk"),
            Self::Busy(_) => f.write_str("another process holds the ledger's write lock"),
            Self::Sync(source) => write!(f, "a sync to the disk failed: {source}; check the disk"),
            Self::SyncFolder { path, source } => {
                write!(f, "the ledger's folder {} cannot be synced: {source}; check the disk", path.display())
            }
            Self::Sql(source) if self.is_damage() => write!(
                f,
                "the ledger is damaged: {source}; the daemon sets it aside and goes on with a new one (`stonechat run`; \
                 restart it if it runs), then `stonechat salvage` brings over what can be read"
            ),
            Self::Sql(source) => write!(f, "the ledger cannot serve: {source}"),
            Self::Corrupt(what) => write!(f, "the ledger is damaged: {what}; run `stonechat verify`"),
        }
    }
}

impl std::error::Error for Error {}

#[cfg(test)]
mod tests {
    use super::*;
    use rusqlite::ffi;

    fn sql(code: i32) -> Error {
        Error::from(rusqlite::Error::SqliteFailure(ffi::Error::new(code), None))
    }

    #[test]
    fn trouble_with_the_disk_a_lock_or_memory_is_no_damage_of_the_ledger() {
        // Result codes of SQLite, by its documentation.
        for code in [
            ffi::SQLITE_IOERR,
            ffi::SQLITE_IOERR_READ,
            ffi::SQLITE_IOERR_SHORT_READ,
            ffi::SQLITE_IOERR_WRITE,
            ffi::SQLITE_IOERR_FSYNC,
            ffi::SQLITE_IOERR_SHMMAP,
            ffi::SQLITE_FULL,
            ffi::SQLITE_BUSY,
            ffi::SQLITE_BUSY_RECOVERY,
            ffi::SQLITE_BUSY_SNAPSHOT,
            ffi::SQLITE_LOCKED,
            ffi::SQLITE_NOMEM,
            ffi::SQLITE_READONLY,
            ffi::SQLITE_CANTOPEN,
            ffi::SQLITE_PROTOCOL,
            ffi::SQLITE_PERM,
            ffi::SQLITE_CONSTRAINT,
        ] {
            assert!(!sql(code).is_damage(), "{code}");
            let source = rusqlite::Error::SqliteFailure(ffi::Error::new(code), None);
            assert!(!Error::at_open(std::path::Path::new("ledger.db"), source).is_damage(), "{code}");
        }
        // Only the bound on the work in a file from elsewhere interrupts anything: a sound one stays far below it.
        for code in
            [ffi::SQLITE_CORRUPT, ffi::SQLITE_CORRUPT_INDEX, ffi::SQLITE_NOTADB, ffi::SQLITE_INTERRUPT]
        {
            assert!(sql(code).is_damage(), "{code}");
        }
        for error in [Error::TooManyRadios, Error::Unexpected(String::new())] {
            assert!(!error.is_damage() && !error.is_passing());
        }
    }
}
