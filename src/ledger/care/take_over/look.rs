//! The check of a ledger when it is opened: signs of damage, found in time that does not grow with the years.

use crate::files::{self, with_tail};
use crate::ledger::care::sidecar::{self, Sidecar};
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::{schema, tx};
use crate::ledger::digest::table;
use crate::ledger::write::open::Ledger;
use std::io::Read;
use std::path::Path;

/// The reason for taking over from a ledger that has no file any more.
const GONE: &str = "the file is gone";

/// Why the sidecar is not of this ledger, if so: a folder that was copied from another gateway may hold both.
pub(super) fn of_another(
    ledger: &Ledger,
    known: Option<&Sidecar>,
    path: &Path,
) -> Result<Option<String>, Error> {
    let Some(known) = known else { return Ok(None) };
    // An empty ledger is not another one that was put there: it is the known one, which has lost all it had.
    if ledger.state.seen_row == 0 && ledger.state.coverage.epochs().next().is_none() {
        return Ok(None);
    }
    match meta(&ledger.db, "ledger_id") {
        Ok(id) if id != known.ledger_id => Ok(Some(format!(
            "{}: is of another ledger; it is not used, and is written again",
            sidecar::path_of(path).display()
        ))),
        Ok(_) => Ok(None),
        // The checks for damage find the damage.
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}

/// Signs of damage in the file itself, before SQLite reads it. Call it only while no connection to it is open.
pub(super) fn file_looks(path: &Path, is_known: bool) -> Option<String> {
    let length = match files::stat(path) {
        // Opening it reports what it is.
        Ok(found) if !found.is_file => return None,
        Ok(found) => found.length,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound && is_known => {
            return Some(GONE.to_owned());
        }
        // Opening it reports why it cannot be reached.
        Err(_) => return None,
    };
    if length == 0 {
        return is_known.then(|| "the file is empty".to_owned());
    }
    // The -wal may contain what the file lacks.
    if files::length(&with_tail(path, "-wal")).is_some_and(|bytes| bytes > 0) {
        return None;
    }
    let mut head = [0; 100];
    let read = files::open(path).and_then(|mut file| file.read_exact(&mut head));
    // SQLite's file format, section 1.3: page size at 16, pages at 28, valid if 24 and 92 agree; this program's
    // mark at 68.
    let number = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    if read.is_err() || !head.starts_with(b"SQLite format 3\0") || number(68) != schema::APPLICATION_ID as u32
    {
        return None;
    }
    let page = u64::from(u16::from_be_bytes([head[16], head[17]]));
    let page = if page == 1 { 65_536 } else { page };
    let whole = u64::from(number(28)) * page;
    (number(24) == number(92) && length < whole)
        .then(|| format!("the file is cut off: {length} bytes of {whole}"))
}

/// Signs of damage in an open ledger, with limited work. Only data that intake and coverage depend on is
/// checked; `verify` checks the rest.
pub(super) fn differs(ledger: &Ledger, known: Option<&Sidecar>) -> Result<Option<String>, Error> {
    let looked = tx::snapshot(&ledger.db, |db| {
        if let Some(lost) = schema::lost(db)? {
            return Ok(Some(lost));
        }
        for table in ["meta", "held_range", "named_epoch", "elsewhere", "aside_ledger"] {
            if table::table_sum(db, table, "true", ())? != table::kept(db, table)?.unwrap_or_default() {
                return Ok(Some(format!("table {table} does not fit its digest")));
            }
        }
        Ok(None)
    });
    match looked {
        Ok(None) => {}
        Err(error) if error.is_damage() => return Ok(Some(error.cause())),
        other => return other,
    }
    Ok(known.and_then(|known| {
        let (settled, seen) = (ledger.state.settled_through, ledger.state.seen_row);
        (settled < known.settled_through || seen < known.seen_row).then(|| {
            format!(
                "it ends at journal row {seen}, but was known to reach row {}: its -wal was lost, or it is an older \
                 copy",
                known.seen_row
            )
        })
    }))
}
