//! Opens a damaged ledger without changing it: as immutable, or as a copy next to the present ledger if it has
//! a `-wal`.

use super::outcome::SalvageError;
use crate::files::{self, with_tail};
use crate::ledger::care::stranger;
use crate::ledger::db::schema;
use rusqlite::{Connection, OpenFlags};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// A damaged ledger, open; its copy is removed on drop.
pub(super) struct Source {
    pub db: Connection,
    pub copy: Option<Copied>,
}

/// A copy, removed on drop.
pub(super) struct Copied(PathBuf);

impl Drop for Copied {
    fn drop(&mut self) {
        files::remove_own_database(&self.0);
    }
}

/// Opens it. `ledger`: the present one; a copy is made next to it if one is needed.
pub(super) fn open(from: &Path, ledger: &Path) -> Result<Source, SalvageError> {
    let not = |why: &dyn std::fmt::Display| SalvageError::From(from.to_owned(), why.to_string());
    schema::refuse_unless_a_file(from).map_err(|error| not(&error))?;
    let has_wal = files::length(&with_tail(from, "-wal")).is_some_and(|bytes| bytes > 0);
    let mut source = if has_wal {
        let copy = Copied(with_tail(ledger, &format!(".salvage-{}", std::process::id())));
        for end in ["", "-wal"] {
            files::copy(&with_tail(from, end), &with_tail(&copy.0, end))
                .map_err(|error| SalvageError::Copy(from.to_owned(), error))?;
        }
        let db = Connection::open_with_flags(&copy.0, OpenFlags::SQLITE_OPEN_READ_WRITE);
        Source { db: db.map_err(|error| not(&error))?, copy: Some(copy) }
    } else {
        files::stat(from).map_err(|error| not(&error))?;
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
        Source {
            db: Connection::open_with_flags(as_it_is(from), flags).map_err(|error| not(&error))?,
            copy: None,
        }
    };
    let size_of = source.copy.as_ref().map_or(from, |copy| copy.0.as_path());
    stranger::bound(&mut source.db, size_of).map_err(|error| not(&error))?;
    stranger::can_be_read(&source.db).map_err(|why| not(&why))?;
    Ok(source)
}

/// A file's URI that asks SQLite to take no lock, and to make no -wal and no -shm (`immutable`).
fn as_it_is(file: &Path) -> String {
    let mut uri = "file:".to_owned();
    for &byte in file.as_os_str().as_bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' => uri.push(char::from(byte)),
            _ => uri += &format!("%{byte:02X}"),
        }
    }
    uri + "?immutable=1"
}
