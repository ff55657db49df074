//! What retention gave up to backups, for reports and the judge.
//!
//! Input: `retired_row` and `retired_block`, which only `retire` writes. Output: whether a reading was given
//! up, which stretches were, and which backups must be kept because of it.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, FromRow};
use crate::ledger::read::snapshot::Reader;
use crate::record::backups::BackupToKeep;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Whether the authentic reading of an identity was given up to a backup; with `is_row`, whether CSV rows of
/// imports that are not withdrawn were.
pub(in crate::ledger) fn is_given_up(db: &Connection, id: Identity, is_row: bool) -> Result<bool, Error> {
    let key = params![id.address.number(), id.epoch.number(), id.sequence.number(), is_row];
    query::value(
        db,
        "SELECT EXISTS (SELECT 1 FROM retired_row r WHERE logger = ? AND epoch = ? AND sequence = ?
             AND (rank > 0) = ? AND (rank = 0 OR NOT EXISTS (SELECT 1 FROM import i
                 WHERE i.id = r.import AND i.withdrawn_at IS NOT NULL)))",
        key,
    )
}

/// Stretches of sequences with readings that were given up: (logger, epoch, first, last).
pub(in crate::ledger) fn given_up(db: &Connection) -> Result<Vec<(u16, u32, u32, u32)>, Error> {
    query::all(db, "SELECT DISTINCT logger, epoch, first, last FROM retired_block ORDER BY 1, 2, 3", [])
}

/// The backups that must be kept because readings were given up to them, the oldest first. If several hold the
/// same readings, it is the one that was last seen whole.
pub fn backups_to_keep(reader: &Reader) -> Result<Vec<BackupToKeep>, Error> {
    to_keep(reader.connection())
}

pub(in crate::ledger) fn to_keep(db: &Connection) -> Result<Vec<BackupToKeep>, Error> {
    let mut statement = db.prepare(
        "WITH given(settled_row, backup, readings) AS (
             SELECT settled_row, backup, sum(readings) FROM retired_block GROUP BY settled_row, backup
         ), holder(settled_row, backup, readings, id, place, holders) AS (
             SELECT g.settled_row, g.backup, g.readings, b.id,
                 row_number() OVER (PARTITION BY g.settled_row, g.backup
                     ORDER BY coalesce(b.seen_at, b.made_at) DESC, b.id DESC),
                 count(*) OVER (PARTITION BY g.settled_row, g.backup)
             FROM given g JOIN backup_made b ON b.id <= g.backup AND b.settled_through >= g.settled_row
         )
         SELECT coalesce(b.seen_as, b.file), b.sha256, b.made_at, coalesce(b.seen_at, b.made_at), sum(h.readings),
             sum(iif(h.holders = 1, h.readings, 0))
         FROM holder h JOIN backup_made b ON b.id = h.id WHERE h.place = 1 GROUP BY b.id ORDER BY b.id",
    )?;
    let mut rows = statement.query([])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let (file, sha256, made_at, seen_at, readings, alone) = FromRow::from_row(row)?;
        let (readings, alone) = (i64::unsigned_abs(readings), i64::unsigned_abs(alone));
        all.push(BackupToKeep { file, sha256, made_at, seen_at, readings, alone });
    }
    Ok(all)
}
