//! What counts as held in a ledger that was set aside, and how the present ledger stops counting on it.
//!
//! Input: the present ledger and the file's name in it; after a salvage, the records that could not be brought
//! over. Output: ranges, and a present ledger in which records that no longer exist anywhere are missing.

use super::outcome::Salvaged;
use crate::files;
use crate::ledger::db::error::Error;
use crate::ledger::db::{query, ranges, rare};
use crate::ledger::digest::table;
use crate::ledger::read::elsewhere::elsewhere;
use crate::ledger::write::import::next_generation;
use crate::ledger::write::once_held::keep_once_held;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::settle;
use crate::ledger::write::state::State;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::time::Stamp;
use crate::wire::seq::{Address, Epoch};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};

/// The names of the ledgers that were set aside and are not salvaged, the oldest first.
pub(super) fn not_salvaged(db: &Connection) -> Result<Vec<String>, Error> {
    query::values(db, "SELECT file FROM ledger_set_aside WHERE salvaged_at IS NULL ORDER BY id", [])
}

/// What the present ledger counts as held there; `None` if it does not know that ledger, or has salvaged it
/// already.
pub(super) fn counted_there(db: &Connection, name: &str) -> Result<Option<Coverage>, Error> {
    let known = "SELECT EXISTS (SELECT 1 FROM aside_ledger WHERE file = ? AND salvaged_at IS NULL)";
    let is_known: bool = query::value(db, known, [name])?;
    let select = "SELECT e.logger, e.epoch, e.basis, e.first, e.last FROM aside_ledger a JOIN elsewhere e
         ON e.ledger = a.id WHERE a.file = ?";
    is_known.then(|| ranges::ranges(db, select, [name])).transpose()
}

impl Ledger {
    /// From now on, a ledger that was set aside holds nothing that is not here: records that could not be
    /// brought over count as missing, so that reports ask for them.
    pub(super) fn forget_elsewhere(
        &mut self,
        file: &str,
        salvaged: &Salvaged,
        now: Stamp,
    ) -> Result<(), Error> {
        self.state.valid = false;
        let db = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let csv = counted_there(&db, file)?.unwrap_or_default();
        table::change(&db, "elsewhere", "true", (), |db| {
            Ok(db.execute(
                "DELETE FROM elsewhere WHERE ledger IN (SELECT id FROM aside_ledger WHERE file = ?)",
                [file],
            )?)
        })?;
        table::change(&db, "aside_ledger", "file = ?", [file], |db| {
            Ok(db.execute(
                "UPDATE aside_ledger SET salvaged_at = ? WHERE file = ?",
                params![now.unix_s, file],
            )?)
        })?;
        let left = elsewhere(&db)?;
        let coverage = State::load(&db)?.coverage;
        for (address, epoch, held) in coverage.epochs() {
            let of = |coverage: &Coverage| coverage.epoch(address, epoch).cloned().unwrap_or_default();
            let gone = of(&salvaged.unproven).authentic.union(&of(&salvaged.unreadable).authentic);
            // The daemon may have received some of them since the search.
            let came = came_since(&db, address, epoch, &gone)?;
            let lost = gone.without(&came).without(&of(&left).authentic);
            keep_once_held(&db, address, epoch, &lost)?;
            let now = without(&held.authentic, &gone.without(&came), &of(&left).authentic);
            settle::write_ranges(&db, address.number(), epoch.number(), Basis::Authentic as i64, &now)?;
            if !of(&csv).csv.is_empty() {
                // Only CSV rows that are in the present ledger count from now on; a salvage adds further ones later.
                let here = rows_here(&db, address, epoch)?;
                let now = here.union(&of(&left).csv);
                settle::write_ranges(&db, address.number(), epoch.number(), Basis::Csv as i64, &now)?;
            }
        }
        next_generation(&db)?;
        let left = "SELECT NOT EXISTS (SELECT 1 FROM aside_ledger WHERE salvaged_at IS NULL)";
        let is_last: bool = query::value(&db, left, [])?;
        db.commit()?;
        if is_last { self.clear_notice("ledger", "damaged", now) } else { Ok(()) }
    }

    /// Ledgers that were set aside and whose file is gone: what counted as held there is missing from now on.
    /// Returns their names, and how many records are missing because of this.
    pub fn forget_gone(&mut self, now: Stamp) -> Result<Vec<(String, u64)>, Error> {
        let mut gone = Vec::new();
        for name in not_salvaged(&self.db)? {
            if !files::is_absent(&self.path.with_file_name(&name)) {
                continue;
            }
            let held = counted_there(&self.db, &name)?.unwrap_or_default();
            let records = held.epochs().map(|(_, _, held)| held.authentic.count()).sum();
            self.forget_elsewhere(&name, &Salvaged { unreadable: held, ..Salvaged::default() }, now)?;
            gone.push((name, records));
        }
        Ok(gone)
    }
}

/// `held` without `gone`, except for what is `left` elsewhere.
fn without(held: &RangeSet, gone: &RangeSet, left: &RangeSet) -> RangeSet {
    held.without(gone).union(&left.intersection(held))
}

/// Which of these records are in the ledger now, or were until retention gave them up.
fn came_since(db: &Connection, address: Address, epoch: Epoch, gone: &RangeSet) -> Result<RangeSet, Error> {
    let mut came = RangeSet::default();
    for &(first, last) in gone.ranges() {
        let rare = rare::ALL.iter().map(|table| table.name);
        for table in ["settled_or_retired"].into_iter().chain(rare) {
            let sql = format!(
                "SELECT sequence FROM {table}
                 WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0"
            );
            let key = params![address.number(), epoch.number(), first, last];
            query::each(db, &sql, key, |(sequence,): (u32,)| {
                came.insert(sequence);
                Ok(())
            })?;
        }
    }
    Ok(came)
}

/// The sequences of CSV rows of imports that are not withdrawn.
fn rows_here(db: &Connection, address: Address, epoch: Epoch) -> Result<RangeSet, Error> {
    let mut here = RangeSet::default();
    query::each(
        db,
        "SELECT sequence FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND rank > 0 AND NOT EXISTS
             (SELECT 1 FROM import i WHERE i.id = s.import AND i.withdrawn_at IS NOT NULL)",
        params![address.number(), epoch.number()],
        |(sequence,): (u32,)| {
            here.insert(sequence);
            Ok(())
        },
    )?;
    Ok(here)
}
