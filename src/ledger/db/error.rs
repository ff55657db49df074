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
    /// Operator: there is no ledger at this path.
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
    /// Operator: the file is not a ledger.
    NotALedger {
        /// The file.
        path: PathBuf,
    },
    /// Operator: written by a newer release. The file is not changed.
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
    /// Operator: data that must survive the ledger could not be written next to it.
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
    /// Operator: the files at the ledger's paths are not the ones that were written to. The previous commit is
    /// in a file that no path leads to any more.
    Vanished {
        /// The ledger.
        path: PathBuf,
        /// What changed.
        what: String,
    },
    /// Operator: the contents of a vanished ledger could not be copied out.
    Rescue {
        /// The copy.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Operator: the schema of a file from elsewhere is not the one that this program makes. No row of it was
    /// read.
    NotAsMade {
        /// The file.
        path: PathBuf,
        /// What is different.
        what: Vec<String>,
    },
    /// Operator: the radios' numbers are used up.
    TooManyRadios,
    /// A fault of this program: it passed the ledger invalid input. The ledger is unchanged.
    Unexpected(String),
    /// Operator: the ledger is damaged once more, and the limit of damaged ledgers to keep is reached.
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
        /// The other process, if it wrote who it is.
        holder: Option<String>,
    },
    /// Operator: a process that is not a daemon holds the lock file. The lock is tried again.
    LockHeld {
        /// The lock file.
        path: PathBuf,
        holder: String,
    },
    /// Operator: this user may not use the ledger or a file next to it.
    Closed {
        /// The ledger.
        path: PathBuf,
        /// What is closed to which user, and the remedy.
        what: String,
    },
    /// Operator: the file is in use under another name.
    OtherName {
        /// The path that was given.
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
    /// The disk is full: as much as fits is kept in memory, and the write is tried again.
    Full(rusqlite::Error),
    /// Another process holds the ledger's write lock. The write is tried again.
    Busy(rusqlite::Error),
    /// A sync failed: the kernel may have dropped what was not yet on the disk, so nothing may be reported as
    /// committed any more.
    Sync(rusqlite::Error),
    /// A sync of the ledger's folder failed; same consequence as [`Error::Sync`].
    SyncFolder {
        /// The folder.
        path: PathBuf,
        source: std::io::Error,
    },
    /// Any other error of SQLite.
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

    /// The error for a user who may not use a ledger or a file that SQLite keeps next to it; `None` if modes
    /// and owners allow it.
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

    /// The cause without the remedy, for messages that have a remedy of their own.
    pub fn cause(&self) -> String {
        match self {
            Self::Corrupt(what) | Self::Closed { what, .. } => what.clone(),
            Self::NotAsMade { what, .. } => not_as_made(what),
            Self::Sql(source) | Self::Open { source, .. } => source.to_string(),
            other => other.to_string(),
        }
    }

    /// Whether the error is about one value that this program never writes, in a file that can be read.
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
            // The last case: a process that is not a reader holds locks on every byte of the readers.
            (
                Some(
                    ErrorCode::DatabaseBusy
                    | ErrorCode::DatabaseLocked
                    | ErrorCode::FileLockingProtocolFailed,
                ),
                _,
            ) => Self::Busy(error),
            (_, Some(ffi::SQLITE_IOERR_FSYNC | ffi::SQLITE_IOERR_DIR_FSYNC)) => Self::Sync(error),
            // Only reading files from elsewhere has such a limit.
            (Some(ErrorCode::OperationInterrupted), _) => {
                Self::Corrupt("it takes more work to read than a file of its size can need".to_owned())
            }
            _ => Self::Sql(error),
        }
    }
}

/// The first difference from what this program made, and how many more there are.
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
    // Long on purpose: one arm per variant, so that all messages are in one place. Written by hand, because a
    // derived implementation would also return each cause as a source, and printing the chain would then repeat
    // it.
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
                "ledger {}: this file is not a stonechat ledger; it is not changed: name another path in \
                 `ledger.path`, or move it away",
                path.display()
            ),
            Self::SchemaTooNew { path, found, supported } => write!(
                f,
                "ledger {}: schema version {found} is newer than this program, which knows up to \
                 {supported}; it is not changed: install the newer stonechat",
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
                "ledger {}: {what}: it was removed, renamed, cut or covered while it was open; the last data written \
                 is not in the ledger at this path: read the daemon's notices, then repeat this command",
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
                "{}: {}; it is damaged or another program changed it; no row of it was read: `stonechat \
                 salvage` copies the records that it can prove",
                path.display(),
                not_as_made(what)
            ),
            Self::TooManyRadios => f.write_str(
                "more than 255 radios have served this ledger; give a radio the name of one that is gone",
            ),
            Self::Unexpected(what) => write!(f, "a fault of this program: {what}; the ledger is unchanged"),
            Self::TooManyAside { path, kept, reason } => write!(
                f,
                "ledger {}: is damaged ({reason}), and {kept} damaged ledgers are kept next to it already: the disk or \
                 the memory is at fault; replace it, move those files away, and start again",
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
                "ledger lock {}: {holder}, holds it and is not a daemon; end that process",
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
                "the ledger is damaged: {source}; the daemon sets it aside and continues with a new one (`stonechat \
                 run`; restart it if it runs), then `stonechat salvage` copies what can be read"
            ),
            Self::Sql(source) => write!(f, "the ledger cannot be used: {source}"),
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
    fn trouble_with_the_disk_a_lock_or_memory_is_not_damage_of_the_ledger() {
        // Result codes of SQLite, from its documentation.
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
        // Only the limit on work for a file from elsewhere interrupts a statement. An intact file stays far
        // below it.
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
