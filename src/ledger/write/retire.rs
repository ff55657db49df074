//! Retention: gives up old readings, if the operator asked for it, when a backup that holds them was recently
//! seen whole.
//!
//! This is the only code that removes stored readings, and it is off unless configured. It takes only whole
//! blocks of settled readings that are older than requested, unchanged since a backup was made and verified,
//! and equal to their digest. Of each reading everything except its values stays (`retired_row`), so coverage,
//! gaps, write-offs and counts do not change. If such a record is received again, it is a duplicate (its
//! content is no longer compared). Profiles, events, opaque records, everything that is set aside and the
//! newest block of each logger stay.

use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::query;
use crate::ledger::digest::block::{self, Blocks};
use crate::ledger::digest::table;
use crate::ledger::read::given_up::to_keep;
use crate::ledger::write::open::Ledger;
use crate::record::clock;
use crate::record::coverage::{Basis, Coverage};
use crate::time::{GatewayTime, Stamp};
use crate::wire::seq::Identity;
use rusqlite::types::Value;
use rusqlite::{Connection, Transaction, TransactionBehavior, params, params_from_iter};

/// Number of blocks given up in one transaction: limits how long the ledger's lock is held.
const BLOCKS: u32 = 400;

/// The conditions for giving up readings.
#[derive(Clone, Copy, Debug)]
pub struct Bounds {
    /// Readings with times before it may go.
    pub before: GatewayTime,
    /// Only if their backup was seen whole at this time or later.
    pub seen_since: GatewayTime,
}

impl Ledger {
    /// Gives up readings that are in a backup which was recently seen whole. Returns how many rows were
    /// removed; call it again while it is not 0.
    pub fn retire(&mut self, bounds: Bounds, now: Stamp) -> Result<u64, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let seen_since = trusted_since(&transaction, bounds.seen_since)?;
        let (backed, newest): (Option<i64>, Option<i64>) = query::one(
            &transaction,
            "SELECT (SELECT max(settled_through) FROM backup_made WHERE coalesce(seen_at, made_at) >= ?),
                 (SELECT max(id) FROM backup_made)",
            [seen_since],
        )?;
        let (Some(backed), Some(newest)) = (backed, newest) else { return Ok(0) };
        // Old by the logger's clock, which may be wrong, and also by the gateway's clock at the time of the
        // settle.
        let day = bounds.before.unix_s().div_euclid(86_400) - 1;
        let places: Vec<(u16, u32, u32, i64)> = query::all(
            &transaction,
            "SELECT logger, epoch, block, settled_row FROM block c
             WHERE settled_row <= ?1 AND time_max < ?2 AND time_max >= time_min AND settled_day < ?3
                 AND EXISTS (SELECT 1 FROM block n WHERE n.logger = c.logger
                     AND (n.epoch, n.block) > (c.epoch, c.block) AND n.time_max >= n.time_min)
             LIMIT ?4",
            params![backed, clock::recorded_if_right(bounds.before), day, BLOCKS],
        )?;
        let mut gone = 0;
        let waiting = block::rare_in_journal(&transaction)?;
        for (logger, epoch, block, settled_row) in places {
            let place: block::BlockPlace = (logger, epoch, block);
            let Some(stored) = block::stored(&transaction, place)? else { continue };
            // A block that is damaged here is not the one that the backup holds.
            if Blocks::of_block(&transaction, place, &waiting)? == stored {
                let of = GivenUp { place, backup: newest, settled_row, at: now.time() };
                gone += give_up(&transaction, &of, &stored, &waiting)?;
            }
        }
        transaction.commit()?;
        Ok(gone)
    }
}

impl Ledger {
    /// Raises a notice while a backup that must be kept was not seen whole since a time; clears it otherwise.
    pub fn notice_backups(&mut self, seen_since: GatewayTime, now: Stamp) -> Result<(), Error> {
        let mut unseen = to_keep(&self.db)?;
        let seen_since = trusted_since(&self.db, seen_since)?;
        unseen.retain(|keep| keep.seen_at < seen_since);
        let Some(oldest) = unseen.iter().min_by_key(|keep| keep.seen_at) else {
            return self.clear_notice("ledger", "backups to keep", now);
        };
        let others = match unseen.len() {
            1 => String::new(),
            all => format!(" (and {} more: see `stonechat backup`)", all - 1),
        };
        let text = format!(
            "{} readings that the ledger no longer holds are in the backup {}, last seen whole {}{others}: \
             check it with `stonechat verify FILE`, and keep it",
            oldest.readings,
            oldest.file,
            crate::text::rfc3339(oldest.seen_at)
        );
        self.raise_notice("ledger", "backups to keep", &text, now)
    }
}

/// The time since when a backup must have been seen whole. A restored ledger knows other backups only as of its
/// own age: a younger ledger may have released them since.
fn trusted_since(db: &Connection, seen_since: GatewayTime) -> Result<GatewayTime, Error> {
    Ok(seen_since.max(GatewayTime(meta(db, "restored_at")?)))
}

/// Tables of what was given up and of the backups that hold it.
const CARRIED: [&str; 3] = ["retired_row", "retired_block", "backup_made"];

/// Copies what retention gave up, and which backups hold it, from a damaged ledger into a new one, but only if
/// all of it fits its digests. It also adds these records to those that the new ledger knows. `reach`: the new
/// ledger's first journal row comes after it; a backup counts as reaching no further, because row numbers start
/// again there.
pub(in crate::ledger) fn carry_over(
    db: &Connection,
    old: &Connection,
    reach: i64,
    here: &mut Coverage,
) -> Result<u64, Error> {
    let fits = |table: &str| {
        let sum = table::table_sum(old, table, "true", ()).ok()?;
        (table::kept(old, table).ok()? == Some(sum)).then_some(())
    };
    if CARRIED.iter().any(|table| fits(table).is_none()) {
        return Ok(0);
    }
    for table in CARRIED {
        let mut statement = old.prepare(&format!("SELECT * FROM {table}"))?;
        let count = statement.column_count();
        let marks = vec!["?"; count].join(", ");
        let mut insert = db.prepare(&format!("INSERT OR IGNORE INTO {table} VALUES ({marks})"))?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let values = (0..count).map(|at| row.get(at)).collect::<Result<Vec<Value>, _>>()?;
            insert.execute(params_from_iter(values))?;
        }
    }
    for (table, column) in [("backup_made", "settled_through"), ("retired_block", "settled_row")] {
        db.execute(&format!("UPDATE {table} SET {column} = min({column}, ?)"), [reach])?;
    }
    // The new ledger knows as little about other backups as the damaged one did.
    let restored_at = meta(old, "restored_at").unwrap_or(0).max(meta(db, "restored_at")?);
    table::set_meta(db, "restored_at", restored_at)?;
    for table in CARRIED {
        table::keep(db, table, table::table_sum(db, table, "true", ())?)?;
    }
    let mut carried = 0;
    query::each(
        db,
        "SELECT logger, epoch, sequence, rank > 0, rank > 0 AND EXISTS (SELECT 1 FROM import i
             WHERE i.id = r.import AND i.withdrawn_at IS NOT NULL) FROM retired_row r",
        [],
        |(logger, epoch, sequence, is_row, is_withdrawn): (u16, u32, u32, bool, bool)| {
            if let Some(id) = Identity::new(logger, epoch, sequence).filter(|_| !is_withdrawn) {
                here.insert(id, if is_row { Basis::Csv } else { Basis::Authentic });
                carried += u64::from(!is_row);
            }
            Ok(())
        },
    )?;
    Ok(carried)
}

struct GivenUp {
    place: block::BlockPlace,
    backup: i64,
    settled_row: i64,
    at: GatewayTime,
}

fn give_up(
    db: &Connection,
    of: &GivenUp,
    stored: &block::Block,
    waiting: &std::collections::BTreeSet<crate::wire::seq::Identity>,
) -> Result<u64, Error> {
    let (logger, epoch, block) = of.place;
    let span = params![logger, epoch, stored.first, stored.last];
    const WITHIN: &str = "logger = ? AND epoch = ? AND sequence BETWEEN ? AND ?";
    const KEPT: &str = "logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at";
    let ends = format!("SELECT min(sequence), max(sequence) FROM settled WHERE {WITHIN}");
    let (first, last): (Option<u32>, Option<u32>) = query::one(db, &ends, span)?;
    let (Some(first), Some(last)) = (first, last) else { return Ok(0) };
    table::change(db, "retired_row", WITHIN, span, |db| {
        let sql = format!("INSERT INTO retired_row ({KEPT}) SELECT {KEPT} FROM settled WHERE {WITHIN}");
        Ok(db.prepare_cached(&sql)?.execute(span)?)
    })?;
    let gone = db.prepare_cached(&format!("DELETE FROM settled WHERE {WITHIN}"))?.execute(span)? as u64;
    let left = Blocks::of_block(db, of.place, waiting)?;
    let mut content = stored.content;
    content.take(left.content);
    block::replace(db, of.place, &left)?;
    let key = (logger, epoch, block, of.backup);
    let condition = "logger = ? AND epoch = ? AND block = ? AND backup = ?";
    table::change(db, "retired_block", condition, key, |db| {
        let mut insert =
            db.prepare_cached("INSERT INTO retired_block VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")?;
        Ok(insert.execute(params![
            logger,
            epoch,
            block,
            of.backup,
            first,
            last,
            gone as i64,
            stored.records - left.records,
            stored.time_min,
            stored.time_max,
            content.bytes().as_slice(),
            of.settled_row,
            of.at,
        ])?)
    })?;
    Ok(gone)
}
