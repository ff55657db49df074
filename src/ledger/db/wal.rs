//! How long the -wal is, and whether a reader keeps it from being folded into the ledger. Both come from `stat`
//! and from SQLite, without a checkpoint.
//!
//! While a reading transaction is open, SQLite folds in only what came before it, and cannot restart the -wal
//! from its beginning. What this is not: it ends no reader, and no commit waits for a reader.

use crate::files;
use rusqlite::Connection;
use std::path::Path;

/// Length in bytes from which the operator should check the -wal. Without a reader in the way it is a tenth of
/// this, except for a moment after a large import.
pub const LONG_BYTES: u64 = 64 << 20;

/// The -wal at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wal {
    pub bytes: u64,
    /// Whether more of its pages are not folded in than a checkpoint leaves when no reader is in the way.
    pub is_hindered: bool,
}

/// How long it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// The normal length, or the length that a large transaction caused a moment ago.
    Usual,
    /// Longer, because something keeps it from being folded in.
    Long,
    /// So long that no more records are settled.
    TooLong,
}

impl Wal {
    /// Its state right after a commit, which folds in what it can once there are `pages`.
    pub fn of(ledger: &Path, db: &Connection, pages: u32) -> Self {
        let waiting = || -> rusqlite::Result<i64> {
            let mut statement = db.prepare_cached("PRAGMA wal_checkpoint(NOOP)")?;
            statement.query_row([], |row| Ok(row.get::<_, i64>(1)? - row.get::<_, i64>(2)?))
        };
        Self { bytes: bytes(ledger), is_hindered: waiting().is_ok_and(|waiting| waiting >= i64::from(pages)) }
    }

    /// Classifies the length. The file keeps its size until it is restarted, so the size alone does not
    /// describe the present state.
    pub fn length(self, too_long_bytes: u64) -> Length {
        match self.bytes {
            bytes if self.is_hindered && bytes > too_long_bytes => Length::TooLong,
            bytes if self.is_hindered && bytes > LONG_BYTES => Length::Long,
            _ => Length::Usual,
        }
    }
}

/// Its size in bytes; 0 if there is none.
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
        // If the operator sets a small limit, it applies to the notice too.
        assert_eq!(of(5, true, 4), Length::TooLong);
        assert_eq!(of(4, true, 4), Length::Usual);
    }
}
