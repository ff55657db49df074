//! How the program responds to each fault of the ledger: the one table that commits, settles, imports and
//! notices use.
//!
//! Input: an [`Error`]. Output: a [`Response`]. What this is not: it makes no message (the error does), and it
//! takes no action (the caller does).

use super::error::Error;
use rusqlite::ErrorCode;

/// The response that a fault needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Response {
    /// Another process has the lock. Wait for it: nothing is lost in the meantime.
    Locked,
    /// The disk is full. Hold as much as fits, and try again: nothing is lost in the meantime.
    Full,
    /// The disk failed to read or write. A large transaction waits; intake does not continue.
    Disk,
    /// A sync failed. The kernel may have dropped what was not yet on the disk, so the process ends: after the
    /// failure, only what was committed before may be called committed.
    Unsynced,
    /// The files are not the ones that were written to. Whatever the open connection can still read is copied
    /// out.
    Vanished,
    /// The file is damaged. It is read again, and set aside if it is still damaged.
    Damage,
    /// This program does not write one of the values, but the file can be read. Work that does not need such a
    /// value continues; a commit treats it as damage.
    Value,
    /// The operator can fix it: a path, permissions, a version, another process.
    Operator,
    /// A fault of this program. The ledger is unchanged.
    Bug,
}

impl Response {
    pub const ALL: [Self; 9] = [
        Self::Locked,
        Self::Full,
        Self::Disk,
        Self::Unsynced,
        Self::Vanished,
        Self::Damage,
        Self::Value,
        Self::Operator,
        Self::Bug,
    ];
}

impl Error {
    /// The response that this fault needs.
    pub fn response(&self) -> Response {
        match self {
            Self::Busy(_) | Self::LockHeld { .. } => Response::Locked,
            Self::Full(_) => Response::Full,
            Self::Sync(_) | Self::SyncFolder { .. } => Response::Unsynced,
            Self::Vanished { .. } => Response::Vanished,
            Self::NotAsMade { .. } => Response::Damage,
            Self::Corrupt(_) => Response::Value,
            Self::Sql(source) => of_sqlite(source.sqlite_error_code()),
            Self::Open { source, .. } => match of_sqlite(source.sqlite_error_code()) {
                Response::Damage => Response::Damage,
                _ => Response::Operator,
            },
            Self::Create { .. }
            | Self::Absent { .. }
            | Self::NoFile { .. }
            | Self::NotALedger { .. }
            | Self::SchemaTooNew { .. }
            | Self::SchemaTooOld { .. }
            | Self::LibraryTooOld { .. }
            | Self::NoWal { .. }
            | Self::Sidecar { .. }
            | Self::SetAside { .. }
            | Self::Rescue { .. }
            | Self::TooManyRadios
            | Self::TooManyAside { .. }
            | Self::Locked { .. }
            | Self::Closed { .. }
            | Self::OtherName { .. }
            | Self::LockFile { .. } => Response::Operator,
            Self::Unexpected(_) => Response::Bug,
        }
    }

    /// Whether the file itself is damaged: SQLite cannot read it, or it holds what this program never writes.
    pub fn is_damage(&self) -> bool {
        matches!(self.response(), Response::Damage | Response::Value)
    }

    /// Whether trying again later can help, with nothing lost in the meantime.
    pub fn is_passing(&self) -> bool {
        matches!(self.response(), Response::Locked | Response::Full)
    }
}

/// Errors that only SQLite's codes describe. Passing trouble and failed syncs have their own variants.
fn of_sqlite(code: Option<ErrorCode>) -> Response {
    match code {
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Response::Damage,
        Some(ErrorCode::SystemIoFailure) => Response::Disk,
        Some(
            ErrorCode::ReadOnly
            | ErrorCode::CannotOpen
            | ErrorCode::PermissionDenied
            | ErrorCode::AuthorizationForStatementDenied
            | ErrorCode::OutOfMemory,
        ) => Response::Operator,
        _ => Response::Bug,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rusqlite::ffi;
    use std::collections::BTreeSet;
    use std::path::PathBuf;

    fn failure(code: i32) -> rusqlite::Error {
        rusqlite::Error::SqliteFailure(ffi::Error::new(code), None)
    }

    /// One of each variant with its response, and several of those that depend on SQLite's code.
    fn all() -> Vec<(Error, Response)> {
        let path = || PathBuf::from("ledger.db");
        let source = || std::io::Error::other("x");
        let text = || "x".to_owned();
        let operator = vec![
            Error::Create { path: path(), source: source() },
            Error::Absent { path: path() },
            Error::NoFile { path: path(), source: source() },
            Error::NotALedger { path: path() },
            Error::SchemaTooNew { path: path(), found: 9, supported: 1 },
            Error::SchemaTooOld { path: path(), found: 1, supported: 9 },
            Error::LibraryTooOld { found: 1, least: 2 },
            Error::NoWal { path: path(), mode: text() },
            Error::Sidecar { path: path(), source: source() },
            Error::SetAside { path: path(), source: source() },
            Error::Rescue { path: path(), source: source() },
            Error::TooManyRadios,
            Error::TooManyAside { path: path(), kept: 9, reason: text() },
            Error::Locked { path: path(), holder: None },
            Error::Closed { path: path(), what: text() },
            Error::OtherName { path: path(), other: path(), why: text() },
            Error::LockFile { path: path(), source: source() },
            Error::Open { path: path(), source: failure(ffi::SQLITE_IOERR) },
            Error::from(failure(ffi::SQLITE_READONLY)),
            Error::from(failure(ffi::SQLITE_CANTOPEN)),
            Error::from(failure(ffi::SQLITE_NOMEM)),
        ];
        let mut all: Vec<_> = operator.into_iter().map(|error| (error, Response::Operator)).collect();
        all.extend([
            (Error::Full(failure(ffi::SQLITE_FULL)), Response::Full),
            (Error::Busy(failure(ffi::SQLITE_BUSY)), Response::Locked),
            (Error::LockHeld { path: path(), holder: text() }, Response::Locked),
            (Error::Sync(failure(ffi::SQLITE_IOERR_FSYNC)), Response::Unsynced),
            (Error::SyncFolder { path: path(), source: source() }, Response::Unsynced),
            (Error::Vanished { path: path(), what: text() }, Response::Vanished),
            (Error::NotAsMade { path: path(), what: vec![text()] }, Response::Damage),
            (Error::Open { path: path(), source: failure(ffi::SQLITE_CORRUPT) }, Response::Damage),
            (Error::from(failure(ffi::SQLITE_NOTADB)), Response::Damage),
            (Error::Corrupt(text()), Response::Value),
            (Error::from(failure(ffi::SQLITE_IOERR_READ)), Response::Disk),
            (Error::from(failure(ffi::SQLITE_CONSTRAINT)), Response::Bug),
            (Error::Unexpected(text()), Response::Bug),
        ]);
        all
    }

    /// The number of a variant. With a new variant this does not compile until the variant is added here, and
    /// the test below fails until it is in [`all`].
    fn number(error: &Error) -> u32 {
        match error {
            Error::Create { .. } => 0,
            Error::Absent { .. } => 1,
            Error::Open { .. } => 2,
            Error::NoFile { .. } => 3,
            Error::NotALedger { .. } => 4,
            Error::SchemaTooNew { .. } => 5,
            Error::SchemaTooOld { .. } => 6,
            Error::LibraryTooOld { .. } => 7,
            Error::NoWal { .. } => 8,
            Error::Sidecar { .. } => 9,
            Error::SetAside { .. } => 10,
            Error::Vanished { .. } => 11,
            Error::Rescue { .. } => 12,
            Error::NotAsMade { .. } => 13,
            Error::TooManyRadios => 14,
            Error::Unexpected(_) => 15,
            Error::TooManyAside { .. } => 16,
            Error::Locked { .. } => 17,
            Error::LockHeld { .. } => 18,
            Error::Closed { .. } => 19,
            Error::OtherName { .. } => 20,
            Error::LockFile { .. } => 21,
            Error::Full(_) => 22,
            Error::Busy(_) => 23,
            Error::Sync(_) => 24,
            Error::SyncFolder { .. } => 25,
            Error::Sql(_) => 26,
            Error::Corrupt(_) => 27,
        }
    }

    #[test]
    fn each_fault_has_its_response_and_each_response_its_fault() {
        let all = all();
        for (error, response) in &all {
            assert_eq!(error.response(), *response, "{error:?}");
        }
        let seen: BTreeSet<u32> = all.iter().map(|(error, _)| number(error)).collect();
        assert_eq!(seen, (0..28).collect(), "a variant is not in the list");
        let responses: BTreeSet<Response> = all.iter().map(|&(_, response)| response).collect();
        assert_eq!(responses, Response::ALL.into());
    }
}
