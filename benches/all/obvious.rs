//! The obvious schema: one row for each reading in a table with a key on logger, epoch and sequence.

use super::feed::{CHANNELS, counts, reading};
use rusqlite::{Connection, params_from_iter};
use std::path::Path;

pub struct Obvious {
    pub db: Connection,
}

impl Obvious {
    /// With SQLite's own defaults but for the -wal, which is kinder to a card than its default journal.
    pub fn create(path: &Path) -> Self {
        remove(path);
        let db = Connection::open(path).expect("a new database");
        pragma(&db, "journal_mode = WAL");
        pragma(&db, "synchronous = FULL");
        let columns: Vec<String> = (0..CHANNELS).map(|channel| format!("c{channel} INTEGER")).collect();
        db.execute_batch(&format!(
            "CREATE TABLE reading (logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL,
                 time INTEGER NOT NULL, received_at INTEGER NOT NULL, battery_mv INTEGER, board_centi_c INTEGER,
                 rssi_dbm INTEGER, snr_quarter_db INTEGER, {}, PRIMARY KEY (logger, epoch, sequence))",
            columns.join(", ")
        ))
        .expect("a schema");
        db.set_prepared_statement_cache_capacity(8);
        Self { db }
    }

    pub fn insert(&self, logger: u16, sequence: u32, time: i64) {
        let reading = reading(logger, sequence, time, CHANNELS);
        let signal = super::feed::signal(logger, sequence);
        let fixed = [
            i64::from(logger),
            1,
            i64::from(sequence),
            time,
            time + 2,
            i64::from(reading.battery_mv),
            i64::from(reading.board_centi_c.unwrap_or(0)),
            i64::from(signal.rssi_dbm),
            i64::from(signal.snr_quarter_db),
        ];
        let values = fixed.into_iter().chain(counts(logger, sequence).map(i64::from));
        let marks = vec!["?"; 9 + CHANNELS].join(", ");
        self.db
            .prepare_cached(&format!("INSERT OR IGNORE INTO reading VALUES ({marks})"))
            .expect("a statement")
            .execute(params_from_iter(values))
            .expect("an insert");
    }

    pub fn begin(&self) {
        self.db.execute_batch("BEGIN IMMEDIATE").expect("a transaction");
    }

    pub fn commit(&self) {
        self.db.execute_batch("COMMIT").expect("a commit");
    }
}

pub fn pragma(db: &Connection, text: &str) {
    // Some answer with a row, some do not.
    let mut statement = db.prepare(&format!("PRAGMA {text}")).expect("a pragma");
    let mut rows = statement.query([]).expect("a pragma");
    while rows.next().expect("a pragma").is_some() {}
}

/// Removes a database with the files next to it.
pub fn remove(path: &Path) {
    for suffix in ["", "-wal", "-shm", "-journal", ".lock"] {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        let _ = std::fs::remove_file(name);
    }
}
