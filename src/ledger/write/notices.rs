//! Notices: what a person should know and act on. A notice is raised once, cleared when its cause is over, and
//! kept.

use super::open::Ledger;
use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::digest::table;
use crate::time::Stamp;
use rusqlite::{Connection, TransactionBehavior};

/// A cleared notice that is raised again within this time counts as the same notice.
const NOTICE_AGAIN_S: i64 = 3600;

/// How many notices are kept. Beyond this the oldest cleared ones are deleted; a notice that is up stays.
pub const NOTICES_MAX: i64 = 2000;

impl Ledger {
    /// Raises a notice unless the same one is up; `text` states what a person should do. A notice that was
    /// cleared within the last hour is reopened with the new text: intermittent trouble is one notice.
    pub fn raise_notice(&mut self, kind: &str, subject: &str, text: &str, at: Stamp) -> Result<(), Error> {
        if self.is_notice_up(kind, subject)? {
            return Ok(());
        }
        self.change_notice(kind, subject, |db| {
            let came_back = db
                .prepare_cached(
                    "UPDATE notice SET cleared_at = NULL, text = ?3, returned = returned + 1
                     WHERE kind = ?1 AND subject = ?2 AND cleared_at > ?4
                         AND id = (SELECT max(id) FROM notice WHERE kind = ?1 AND subject = ?2)",
                )?
                .execute(rusqlite::params![kind, subject, text, at.unix_s.saturating_sub(NOTICE_AGAIN_S)])?;
            if came_back > 0 {
                return Ok(came_back);
            }
            db.prepare_cached(
                "INSERT INTO notice (kind, subject, text, raised_at) SELECT ?1, ?2, ?3, ?4 WHERE NOT EXISTS
                     (SELECT 1 FROM notice WHERE kind = ?1 AND subject = ?2 AND cleared_at IS NULL)",
            )?
            .execute(rusqlite::params![kind, subject, text, at.unix_s])
        })
    }

    /// The subjects of the notices of a kind that are up.
    pub fn notices_up(&self, kind: &str) -> Result<Vec<String>, Error> {
        query::values(&self.db, "SELECT subject FROM notice WHERE kind = ? AND cleared_at IS NULL", [kind])
    }

    pub fn clear_notice(&mut self, kind: &str, subject: &str, at: Stamp) -> Result<(), Error> {
        if !self.is_notice_up(kind, subject)? {
            return Ok(());
        }
        self.change_notice(kind, subject, |db| {
            db.execute(
                "UPDATE notice SET cleared_at = ?3 WHERE kind = ?1 AND subject = ?2 AND cleared_at IS NULL",
                rusqlite::params![kind, subject, at.unix_s],
            )
        })
    }

    /// Read first: only a change needs the write lock, which another process may hold for a long time.
    fn is_notice_up(&self, kind: &str, subject: &str) -> Result<bool, Error> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM notice WHERE kind = ? AND subject = ? AND cleared_at IS NULL)";
        query::value(&self.db, sql, [kind, subject])
    }

    fn change_notice(
        &mut self,
        kind: &str,
        subject: &str,
        write: impl FnOnce(&Connection) -> rusqlite::Result<usize>,
    ) -> Result<(), Error> {
        let transaction = rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let key = (kind, subject);
        let changed =
            table::change(&transaction, "notice", "kind = ? AND subject = ?", key, |db| Ok(write(db)?))?;
        if changed > 0 {
            drop_old_notices(&transaction)?;
        }
        Ok(transaction.commit()?)
    }
}

/// Deletes the oldest cleared notices if there are more than [`NOTICES_MAX`], and counts them.
fn drop_old_notices(db: &Connection) -> Result<(), Error> {
    let held: i64 = query::value(db, "SELECT count(*) FROM notice", [])?;
    let over = held - NOTICES_MAX;
    if over <= 0 {
        return Ok(());
    }
    let oldest = "SELECT id FROM notice WHERE cleared_at IS NOT NULL ORDER BY id LIMIT ?";
    let old: Vec<i64> = query::values(db, oldest, [over])?;
    for id in &old {
        table::change(db, "notice", "id = ?", [id], |db| {
            Ok(db.prepare_cached("DELETE FROM notice WHERE id = ?")?.execute([id])?)
        })?;
    }
    let dropped = crate::ledger::db::meta::meta(db, "notices_dropped")?.saturating_add(old.len() as i64);
    table::set_meta(db, "notices_dropped", dropped)
}
