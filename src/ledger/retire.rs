//! Retention: giving up old readings, where the operator asked for it, to a verified backup that holds them.
//!
//! The one code path that takes stored readings out, off unless configured. It takes whole blocks of settled
//! readings only: older than asked, unchanged since a backup was made and verified. Coverage remembers that they
//! were held, so no gap appears, and such a record that comes again is a duplicate (not compared any more).
//! Profiles, events, opaque records and whatever is set aside stay.

use super::{Error, Ledger, Stamp, chunk, guard};
use rusqlite::{Transaction, TransactionBehavior, params};

/// Blocks given up in one transaction: bounds how long the ledger's lock is held.
const BLOCKS: u32 = 400;

impl Ledger {
    /// Gives up readings with times before `before`, as far as a verified backup holds them. Returns how many
    /// rows went; call again while it is not 0.
    pub fn retire(&mut self, before: i64, now: Stamp) -> Result<u64, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let backed: Option<i64> =
            transaction.query_row("SELECT max(settled_through) FROM backup_made", [], |row| row.get(0))?;
        let Some(backed) = backed else { return Ok(0) };
        let places = {
            let mut statement = transaction.prepare_cached(
                "SELECT logger, epoch, block, first, last FROM chunk
                 WHERE retired_at IS NULL AND settled_row <= ? AND time_max < ?2 AND time_max >= time_min
                     AND settled_day < ?3 LIMIT ?4",
            )?;
            // Old by the logger's clock, which may be wrong, and by the gateway's when it was settled.
            let day = before.div_euclid(86_400) - 1;
            let rows = statement.query_map(params![backed, before, day, BLOCKS], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
            })?;
            rows.collect::<Result<Vec<(u16, u32, u32, u32, u32)>, _>>()?
        };
        let mut gone = 0;
        for (logger, epoch, block, first, last) in places {
            gone += transaction
                .prepare_cached(
                    "DELETE FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ?",
                )?
                .execute(params![logger, epoch, first, last])?;
            guard::change(&transaction, "chunk", chunk::PLACE, (logger, epoch, block), |db| {
                db.prepare_cached(&format!("UPDATE chunk SET retired_at = ? WHERE {}", chunk::PLACE))?
                    .execute(params![now.unix_s, logger, epoch, block])?;
                Ok(())
            })?;
        }
        transaction.commit()?;
        Ok(gone as u64)
    }
}
