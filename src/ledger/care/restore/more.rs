//! What only the present ledger has, compared with a backup: records, CSV rows, and what people and the judge
//! stored next to them.
//!
//! Input: the present ledger, open, and the backup's file. Output: [`MoreThanBackup`].

use crate::ledger::care::compare::{self, ComparedSide, DifferenceKind, RecordsCompared};
use crate::ledger::care::stranger;
use crate::ledger::db::error::Error;
use crate::ledger::db::tx;
use crate::ledger::digest::table;
use crate::ledger::read::coverage::load_coverage;
use crate::record::coverage::{LoggerRange, RangeSet};
use rusqlite::Connection;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;

/// What people and the judge stored next to the records, with the columns that decide whether two rows are the
/// same.
const BESIDE: [(&str, &str, &str); 7] = [
    ("remark_row", "*", "remark"),
    ("manual_row", "*", "reading by hand"),
    ("write_off", "*", "write-off"),
    ("import", "*", "import, or its withdrawal"),
    ("conflict", "logger, epoch, sequence, content", "other side of a conflict"),
    ("unopened", "logger, slot, epoch, sequence, frame", "unopened frame"),
    (
        "aside_ledger WHERE salvaged_at IS NULL AND id IN (SELECT ledger FROM elsewhere)",
        "file",
        "damaged ledger that was set aside and is not salvaged",
    ),
];

/// What only the present ledger has.
#[derive(Clone, Debug, Default, Serialize)]
pub struct MoreThanBackup {
    /// Authentic records that the backup lacks or holds differently, by logger: A is the present ledger.
    #[serde(serialize_with = "differing")]
    pub records: RecordsCompared,
    /// Sequences that only CSV rows of the present ledger cover.
    #[serde(rename = "csv_rows")]
    pub rows: Vec<LoggerRange>,
    /// Rows of other tables, by what they are.
    pub other_rows: BTreeMap<&'static str, u64>,
}

impl MoreThanBackup {
    /// Whether nothing is lost if the backup replaces the present ledger.
    pub fn is_nothing(&self) -> bool {
        self.records.loggers.is_empty() && self.rows.is_empty() && self.other_rows.is_empty()
    }

    /// The stretches of records that the backup lacks or holds differently.
    pub fn records(&self) -> impl Iterator<Item = DifferingRecords> {
        in_stretches(&self.records)
    }

    /// Records that the backup lacks or holds differently.
    pub fn record_count(&self) -> u64 {
        self.records
            .loggers
            .values()
            .flat_map(|logger| &logger.differences)
            .map(compare::Difference::records)
            .sum()
    }
}

/// Records of a logger that the backup lacks or holds differently.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct DifferingRecords {
    #[serde(flatten)]
    pub range: LoggerRange,
    /// Whether the backup holds them with different content; otherwise it lacks them.
    pub differs: bool,
}

fn differing<S: Serializer>(records: &RecordsCompared, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(in_stretches(records))
}

fn in_stretches(records: &RecordsCompared) -> impl Iterator<Item = DifferingRecords> {
    records.loggers.iter().flat_map(|(address, logger)| {
        logger.differences.iter().map(move |difference| DifferingRecords {
            range: LoggerRange {
                logger: address.number(),
                epoch: difference.epoch.number(),
                first: difference.first,
                last: difference.last,
            },
            differs: difference.kind != DifferenceKind::LackedByB,
        })
    })
}

/// What `ledger` has that `backup` does not have, and how many records it has. A transaction is open in
/// `ledger`.
pub(super) fn more(ledger: &Rc<Connection>, backup: &Path) -> Result<(u64, MoreThanBackup), Error> {
    let (mine, theirs) = (
        ComparedSide::within(Rc::clone(ledger), false, |_| ())?,
        ComparedSide::ledger(backup, false, |_| ())?,
    );
    let mut more =
        MoreThanBackup { records: compare::compare(&mine, &theirs, |_| true)?, ..MoreThanBackup::default() };
    let records = mine.record_count();
    for logger in more.records.loggers.values_mut() {
        logger.differences.retain(|difference| difference.kind != DifferenceKind::LackedByA);
    }
    more.records.loggers.retain(|_, logger| !logger.differences.is_empty());
    drop((mine, theirs));
    let theirs = stranger::open_present(backup)?;
    let mine_covers = load_coverage(ledger)?;
    let theirs_covers = tx::snapshot(&theirs, load_coverage)?;
    for (address, epoch, held) in mine_covers.epochs() {
        let there = theirs_covers.epoch(address, epoch).map(|epoch| epoch.held()).unwrap_or_default();
        for &(first, last) in held.csv.ranges() {
            let missing: RangeSet = there.missing(first..=last);
            for &(first, last) in missing.ranges() {
                let (logger, epoch) = (address.number(), epoch.number());
                more.rows.push(LoggerRange { logger, epoch, first, last });
            }
        }
    }
    for (table, columns, what) in BESIDE {
        let count = rows_more(ledger, &theirs, table, columns)?;
        if count > 0 {
            more.other_rows.insert(what, count);
        }
    }
    Ok((records, more))
}

/// How many rows of a table one ledger has that the other does not have.
fn rows_more(mine: &Connection, theirs: &Connection, table: &str, columns: &str) -> Result<u64, Error> {
    let sums = |db: &Connection| -> Result<Vec<[u8; 16]>, Error> {
        let mut statement = db.prepare(&format!("SELECT {columns} FROM {table}"))?;
        let columns = statement.column_count();
        let (mut sums, mut scratch) = (Vec::new(), Vec::new());
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            sums.push(table::row_sum(row, columns, &mut scratch)?.bytes());
        }
        sums.sort_unstable();
        Ok(sums)
    };
    let (mine, theirs) = (sums(mine)?, sums(theirs)?);
    Ok(mine.iter().filter(|sum| theirs.binary_search(sum).is_err()).count() as u64)
}
