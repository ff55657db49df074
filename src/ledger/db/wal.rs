//! How long the -wal is, and whether a reader keeps it from being folded into the ledger. Asked by `stat`, and of SQLite
//! without moving anything.
//!
//! While a reading transaction is open, SQLite folds in only what came before it, and cannot begin the -wal anew. What
//! this is not: it ends no reader, and no commit waits for one.

use crate::files;
use rusqlite::Connection;
use std::path::Path;

/// Bytes of the -wal from which on somebody is to look. Without a reader in the way it has a tenth of it, but for a moment
/// after a large import.
pub const LONG_BYTES: u64 = 64 << 20;

/// The -wal at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wal {
    pub bytes: u64,
    /// Whether more pages of it are not folded in than a checkpoint leaves without a reader in the way.
    pub is_hindered: bool,
}

/// How long it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// As it should be, or as long as a large transaction made it a moment ago.
    Usual,
    /// Longer, since something keeps it from being folded in.
    Long,
    /// So long that nothing more is settled.
    TooLong,
}

impl Wal {
    /// As it is right after a commit, which folds in what it can once there are `pages`.
    pub fn of(ledger: &Path, db: &Connection, pages: u32) -> Self {
        let waiting = || -> rusqlite::Result<i64> {
            let mut statement = db.prepare_cached("PRAGMA wal_checkpoint(NOOP)")?;
            statement.query_row([], |row| Ok(row.get::<_, i64>(1)? - row.get::<_, i64>(2)?))
        };
        Self { bytes: bytes(ledger), is_hindered: waiting().is_ok_and(|waiting| waiting >= i64::from(pages)) }
    }

    /// How long that is. The file keeps its size until it is begun anew, so the size alone says nothing of the present.
    pub fn length(self, too_long_bytes: u64) -> Length {
        match self.bytes {
            bytes if self.is_hindered && bytes > too_long_bytes => Length::TooLong,
            bytes if self.is_hindered && bytes > LONG_BYTES => Length::Long,
            _ => Length::Usual,
        }
    }
}

/// Its size; 0: there is none.
pub fn bytes(ledger: &Path) -> u64 {
    files::length(&files::with_tail(ledger, "-wal")).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_long_and_waits_is_long() {
        let of = |mib: u64, is_hindered, max: u64| Wal { bytes: mib << 20, is_hindered }.length(max << 20);
        assert_eq!(of(65, true, 256), Length::Long);
        assert_eq!(of(257, true, 256), Length::TooLong);
        assert_eq!(of(64, true, 256), Length::Usual);
        // A large import a moment ago.
        assert_eq!(of(900, false, 256), Length::Usual);
        // Where the operator wants it small, that counts for the notice too.
        assert_eq!(of(5, true, 4), Length::TooLong);
        assert_eq!(of(4, true, 4), Length::Usual);
    }
}
