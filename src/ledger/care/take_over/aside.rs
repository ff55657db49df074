//! The damaged ledger's file: set aside under a dated name, and opened there for reading.

use crate::files::{self, with_tail};
use crate::ledger::care::sidecar::Sidecar;
use crate::ledger::care::stranger;
use crate::ledger::db::error::Error;
use crate::ledger::db::{query, schema};
use crate::time::GatewayTime;
use rusqlite::Connection;
use serde_json::Value;
use std::path::{Path, PathBuf};

/// The most damaged ledgers that are kept next to the present one. With more of them, the disk or the memory is
/// at fault, and continuing would only fill the disk: the daemon ends with a message about what to do.
pub const ASIDE_MAX: usize = 8;

/// The tail of a damaged ledger's name, before the date.
const DAMAGED: &str = ".damaged-";

/// Damaged ledgers next to this one, the oldest first.
pub(super) fn kept_aside(path: &Path) -> Vec<PathBuf> {
    let mut all = files::names_with_tail(path, DAMAGED);
    all.retain(|file| {
        let name = files::name_of(file);
        ["-wal", "-shm", ".known"].iter().all(|end| !name.ends_with(end))
    });
    all
}

/// The damaged ledger of an interrupted take-over: there is no ledger, and no new one has recorded that it was
/// set aside.
pub(super) fn unfinished(path: &Path, known: Option<&Sidecar>) -> Option<PathBuf> {
    let newest = kept_aside(path).pop().filter(|_| files::is_absent(path))?;
    let name = files::name_of(&newest);
    let is_noted = known.is_some_and(|known| {
        let noted = known.rows.get("aside_ledger").map_or(&[][..], Vec::as_slice);
        let is_this =
            |row: &Vec<Value>| matches!(row.as_slice(), [_, Value::String(file), ..] if *file == name);
        noted.iter().any(is_this)
    });
    (!is_noted).then_some(newest)
}

/// Sets the ledger aside. The file goes first: if the process ends after that, the next start finds no ledger
/// and a damaged one that is not recorded, and continues from there.
pub(super) fn set_aside(path: &Path, aside: &Path) -> std::io::Result<()> {
    for end in ["", "-wal", "-shm"] {
        let (from, mut to) = (with_tail(path, end), with_tail(aside, end));
        if !end.is_empty() && to.symlink_metadata().is_ok() {
            to = with_tail(&files::free_name(aside, "-more"), end);
        }
        files::rename_if_there(&from, &to, true)?;
    }
    files::sync_folder(path)
}

/// The name for the damaged ledger: a new one, or that of an interrupted take-over.
pub(super) fn name_for(
    path: &Path,
    known: Option<&Sidecar>,
    reason: &str,
    now: GatewayTime,
) -> Result<PathBuf, Error> {
    if let Some(aside) = unfinished(path, known) {
        return Ok(aside);
    }
    let kept = kept_aside(path).len();
    if kept >= ASIDE_MAX {
        return Err(Error::TooManyAside { path: path.to_owned(), kept, reason: reason.to_owned() });
    }
    Ok(files::free_dated_name(path, DAMAGED, now))
}

/// Opens the ledger that was set aside, to see what can be read of it; `None` if nothing can, or it is of
/// another schema.
pub(super) fn open_damaged(aside: &Path) -> Option<Connection> {
    let db = stranger::open_damaged(aside)?;
    let version: u32 = query::value(&db, "PRAGMA user_version", []).ok()?;
    (version == schema::VERSION).then_some(db)
}
