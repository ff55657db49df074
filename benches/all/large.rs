//! The large ledger: ten years of hourly readings of 255 loggers, with 5,000 gaps, filled through the ledger
//! itself, logger by logger, and kept for the next run.
//!
//! Readings have one channel, so that 20 million of them fit in about a gigabyte; each logger writes a daily profile.

use super::feed::{self, LOGGERS, stamp};
use super::obvious::remove;
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use stonechat::ledger::{Batch, Ledger};

pub const INTERVAL_S: i64 = 3_600;
pub const MEMORY_RECORDS: u32 = 8_000;
pub const GAPS: u32 = 5_000;

/// Changes with the schema and the page size, so that no ledger of another schema is taken from the shelf.
pub fn fingerprint(data: &Path) -> String {
    let path = data.join("fingerprint.db");
    remove(&path);
    drop(Ledger::open(&path).expect("a new ledger"));
    let db = Connection::open(&path).expect("a ledger");
    let mut hash = Sha256::new();
    let page: i64 = db.query_row("PRAGMA page_size", [], |row| row.get(0)).expect("a page size");
    hash.update(page.to_le_bytes());
    let mut statement =
        db.prepare("SELECT coalesce(sql, '') FROM sqlite_schema WHERE type <> 'view'").expect("SQL");
    let mut rows = statement.query([]).expect("rows");
    while let Some(row) = rows.next().expect("rows") {
        hash.update(row.get::<_, String>(0).expect("text"));
    }
    drop(rows);
    drop(statement);
    drop(db);
    remove(&path);
    hash.finalize()[..4].iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Makes a file under another name and gives it its own only when it is whole.
pub fn build(path: &Path, make: impl FnOnce(&Path)) {
    let half = path.with_extension("half");
    remove(&half);
    make(&half);
    std::fs::rename(&half, path).expect("a name");
    remove(&half);
}

/// A ledger with so many readings.
pub fn ledger(data: &Path, readings: u64) -> PathBuf {
    let path = data.join(format!("large-{readings}-{}.db", fingerprint(data)));
    if !path.exists() {
        eprintln!("   filling {readings} readings");
        build(&path, |path| fill(path, readings));
    }
    path
}

/// The present of that ledger: half an hour after its last reading.
pub fn now(readings: u64) -> i64 {
    let each = readings / u64::from(LOGGERS);
    let missing = (1..=GAPS / u32::from(LOGGERS)).map(gap_len).sum::<u32>();
    feed::FROM + (each as i64 + i64::from(missing)) * INTERVAL_S + 1_800
}

fn gap_len(number: u32) -> u32 {
    1 + (feed::mix(9, u64::from(number), 0) % 12) as u32
}

fn fill(path: &Path, readings: u64) {
    let mut ledger = Ledger::open(path).expect("a ledger");
    let radio = ledger.radios(&["mast"]).expect("a radio")[0];
    let roster = feed::roster(INTERVAL_S as u32, MEMORY_RECORDS);
    let mut batch = Batch::default();
    let each = (readings / u64::from(LOGGERS)) as u32;
    for logger in 1..=LOGGERS {
        let gaps = GAPS / u32::from(LOGGERS) + u32::from(u32::from(logger) <= GAPS % u32::from(LOGGERS));
        let every = (each / (gaps + 1)).max(1);
        let (mut sequence, mut time, mut gap) = (0_u32, feed::FROM + i64::from(logger) * 14, 0);
        for at in 0..each {
            if at % 24 == 0 {
                sequence += 1;
                let oldest = sequence.saturating_sub(MEMORY_RECORDS).max(1);
                let profile = feed::profile(logger, time - 60, INTERVAL_S as u32, MEMORY_RECORDS, oldest);
                feed::push_record(&mut batch, radio, logger, sequence, time - 60, &profile);
            } else if at % every == 1 && gap < gaps {
                gap += 1;
                sequence += gap_len(gap);
                time += i64::from(gap_len(gap)) * INTERVAL_S;
            }
            sequence += 1;
            feed::push(&mut batch, radio, logger, sequence, time, 1);
            time += INTERVAL_S;
            if batch.items.len() >= 10_000 {
                commit(&mut ledger, &mut batch, &roster, time);
            }
        }
    }
    commit(&mut ledger, &mut batch, &roster, now(readings));
    while ledger.settle(100_000, 0).expect("a settle").left > 0 {}
    ledger.truncate_wal().expect("nobody else is there");
}

fn commit(ledger: &mut Ledger, batch: &mut Batch, roster: &stonechat::record::roster::Roster, now: i64) {
    ledger.append(batch, roster, stamp(now)).expect("a commit");
    batch.clear();
    while ledger.unsettled_rows() >= 100_000 {
        ledger.settle(100_000, 0).expect("a settle");
    }
}
