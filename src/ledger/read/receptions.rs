//! When settled records came by radio, from the records themselves: what the counters by day must agree with.
//!
//! Input: the tables of records. Output: records by quarter of an hour. Reports read the counters instead: this reads every
//! record of a logger.

use crate::ledger::db::error::Error;
use crate::ledger::db::quarters::Quarters;
use crate::ledger::db::query;
use crate::ledger::db::rare::{self, RECEIVED_AT};
use crate::ledger::db::row::kind;
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};

/// When the settled records of a logger came by radio, by day of UTC.
pub(in crate::ledger) fn receptions(db: &Connection, logger: u16) -> Result<BTreeMap<i64, Quarters>, Error> {
    let mut days = BTreeMap::<i64, Quarters>::new();
    let mut count = |received_at: i64| {
        let (day, quarter) = Quarters::place_of(received_at);
        days.entry(day).or_default().add(quarter, 1);
    };
    // A rare record is in its table before its journal row is settled; one that was opaque first is in two tables.
    let unsettled = format!(
        "SELECT epoch, sequence FROM journal WHERE logger = ? AND kind > {} AND rank = 0",
        kind::READING
    );
    let unsettled: BTreeSet<(u32, u32)> = query::all(db, &unsettled, [logger])?.into_iter().collect();
    let mut rare_ones = BTreeSet::new();
    for table in &rare::ALL {
        let sql = format!(
            "SELECT epoch, sequence, {RECEIVED_AT} FROM {} WHERE logger = ? AND rank = 0",
            table.name
        );
        query::each(db, &sql, [logger], |(epoch, sequence, received_at): (u32, u32, Option<i64>)| {
            let id = (epoch, sequence);
            if rare_ones.insert(id) && !unsettled.contains(&id) {
                received_at.into_iter().for_each(&mut count);
            }
            Ok(())
        })?;
    }
    for table in ["settled", "retired_row"] {
        let sql = format!(
            "SELECT epoch, sequence, time + lag FROM {table} WHERE logger = ? AND rank = 0 AND lag IS NOT NULL"
        );
        query::each(db, &sql, [logger], |(epoch, sequence, received_at): (u32, u32, i64)| {
            if !rare_ones.contains(&(epoch, sequence)) {
                count(received_at);
            }
            Ok(())
        })?;
    }
    Ok(days)
}
