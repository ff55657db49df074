//! Alternatives of the layout: page size, size of the -wal at a checkpoint, how often a day is settled.
//!
//! Uses the ledger's own tables on a connection of this bench, with the ledger's settings except the one that is
//! varied. The writing statements are the ledger's: rows appended with one tally for each commit, and the day moved
//! into the clustered table. The ratio is to the settings in force.

use super::Flags;
use super::feed::{self, CHANNELS};
use super::meter::Meter;
use super::obvious::{pragma, remove};
use super::table::{Table, number};
use super::trickle::{Cost, History, Store, live, warm};
use rusqlite::{Connection, params};
use std::path::Path;

/// What is varied.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Choice {
    page: i64,
    checkpoint_mib: i64,
    settles: u32,
    /// Empties the -wal after a settle.
    truncates: bool,
    window_s: i64,
}

const NOW: Choice = Choice { page: 1024, checkpoint_mib: 4, settles: 1, truncates: true, window_s: 10 };

fn choices() -> Vec<Choice> {
    let mut all = vec![NOW];
    all.extend([2048, 4096].map(|page| Choice { page, ..NOW }));
    all.extend([1, 8, 16].map(|checkpoint_mib| Choice { checkpoint_mib, ..NOW }));
    all.push(Choice { settles: 4, ..NOW });
    all.push(Choice { truncates: false, ..NOW });
    all.push(Choice { page: 4096, truncates: false, ..NOW });
    all.push(Choice { checkpoint_mib: 1, truncates: false, ..NOW });
    all.push(Choice { checkpoint_mib: 8, truncates: false, ..NOW });
    let slow: Vec<Choice> = all
        .iter()
        .filter(|choice| choice.settles == 1 && choice.checkpoint_mib == 4)
        .map(|&choice| Choice { window_s: 60, ..choice })
        .collect();
    all.extend(slow);
    all
}

pub fn run(flags: &Flags, table: &mut Table) {
    let part = flags.pick(flags.day, 0.04, 0.1, 1.0);
    let data = flags.data();
    let history = History::of(&data, flags.pick(flags.history_days, 5, 10, 55));
    for page in [2048, 4096] {
        with_page(&history.ledger, page);
    }
    let meter = Meter::new(&data);
    let path = meter.dir().join("layout.db");
    let wanted = |at: usize| flags.choices.is_empty() || flags.choices.contains(&at);
    let choices: Vec<Choice> =
        choices().into_iter().enumerate().filter(|&(at, _)| wanted(at)).map(|(_, choice)| choice).collect();
    let mut costs: Vec<Vec<Cost>> = vec![Vec::new(); choices.len()];
    for _ in 0..flags.repeats {
        for (choice, costs) in choices.iter().zip(&mut costs) {
            remove(&path);
            std::fs::copy(with_page(&history.ledger, choice.page), &path).expect("room on the card");
            let mut replica = Replica::open(&path, *choice);
            let first = warm(&mut replica, history.next);
            costs.push(live(&meter, &mut replica, first, choice.window_s, part, choice.settles));
            drop(replica);
            remove(&path);
        }
    }
    let totals = |costs: &[Cost]| costs.iter().map(|cost| cost.total()).collect::<Vec<f64>>();
    for (choice, of) in choices.iter().zip(&costs) {
        let base = Choice { window_s: choice.window_s, ..NOW };
        let Some(at) = choices.iter().position(|choice| *choice == base) else { continue };
        let what = format!(
            "page {}, checkpoint {} MiB, settle {} a day{}, each {} s",
            choice.page,
            choice.checkpoint_mib,
            choice.settles,
            if choice.truncates { "" } else { ", -wal kept" },
            choice.window_s
        );
        let note = of.first().map_or(String::new(), |cost| {
            format!(
                "{} by commits, {} by settles; {} of it dirtied by the process",
                number(cost.commits),
                number(cost.settles),
                number(cost.dirtied)
            )
        });
        let now = "page 1024, 4 MiB, once a day";
        table.row("layout", what, "bytes/reading", &totals(of), now, &totals(&costs[at]), "", note);
    }
}

/// The same ledger with another page size; made once.
fn with_page(ledger: &Path, page: i64) -> std::path::PathBuf {
    let own: i64 = Connection::open(ledger)
        .and_then(|db| db.query_row("PRAGMA page_size", [], |row| row.get(0)))
        .expect("a ledger");
    if own == page {
        return ledger.to_owned();
    }
    let path = ledger.with_extension(format!("page{page}.db"));
    if !path.exists() {
        super::large::build(&path, |path| {
            std::fs::copy(ledger, path).expect("room");
            let db = Connection::open(path).expect("a ledger");
            pragma(&db, "journal_mode = DELETE");
            pragma(&db, &format!("page_size = {page}"));
            db.execute_batch("VACUUM").expect("a vacuum");
            pragma(&db, "journal_mode = WAL");
        });
    }
    path
}

struct Replica {
    db: Connection,
    row: i64,
    insert: String,
    settle: String,
    window_from: i64,
    truncates: bool,
}

impl Replica {
    fn open(path: &Path, choice: Choice) -> Self {
        let db = Connection::open(path).expect("a ledger");
        pragma(&db, "journal_mode = WAL");
        pragma(&db, "synchronous = FULL");
        pragma(&db, "temp_store = MEMORY");
        pragma(&db, "cache_size = -2048");
        pragma(&db, &format!("wal_autocheckpoint = {}", (choice.checkpoint_mib << 20) / choice.page));
        pragma(&db, &format!("journal_size_limit = {}", choice.checkpoint_mib << 21));
        let counts: Vec<String> = (0..CHANNELS).map(|channel| format!("c{channel}")).collect();
        let marks = vec!["?"; 17 + CHANNELS].join(", ");
        let insert = format!(
            "INSERT INTO journal (row, kind, logger, epoch, sequence, rank, time, lag, battery_mv, board_centi_c,
                 n, faults, slot, radio, synchronised, rssi_dbm, snr_quarter_db, {}) VALUES ({marks})",
            counts.join(", ")
        );
        let columns: Vec<String> = db
            .prepare("SELECT name FROM pragma_table_info('settled')")
            .and_then(|mut names| names.query_map([], |row| row.get(0))?.collect())
            .expect("a table");
        let columns = columns.join(", ");
        let settle = format!(
            "INSERT INTO settled ({columns}) SELECT {columns} FROM journal WHERE kind = 1 AND row <= ?
                 ORDER BY logger, epoch, sequence, rank"
        );
        let row = db
            .query_row("SELECT value FROM meta WHERE key = 'settled_through'", [], |row| row.get(0))
            .expect("a fact");
        Self { db, row, insert, settle, window_from: feed::FROM, truncates: choice.truncates }
    }

    fn begin(&self) {
        if self.db.is_autocommit() {
            self.db.execute_batch("BEGIN IMMEDIATE").expect("a transaction");
        }
    }
}

impl Store for Replica {
    fn frame(&mut self, logger: u16, sequence: u32, time: i64) {
        self.begin();
        self.row += 1;
        let reading = feed::reading(logger, sequence, time, CHANNELS);
        let signal = feed::signal(logger, sequence);
        let fixed = [
            self.row,
            1,
            i64::from(logger),
            1,
            i64::from(sequence),
            0,
            time,
            2,
            i64::from(reading.battery_mv),
            i64::from(reading.board_centi_c.unwrap_or(0)),
            CHANNELS as i64,
            0,
            0,
            1,
            1,
            i64::from(signal.rssi_dbm),
            i64::from(signal.snr_quarter_db),
        ];
        let values = fixed.into_iter().chain(reading.counts().iter().map(|&count| i64::from(count)));
        let mut insert = self.db.prepare_cached(&self.insert).expect("a statement");
        insert.execute(rusqlite::params_from_iter(values)).expect("an insert");
    }

    fn commit(&mut self, now: i64) {
        self.begin();
        self.row += 1;
        self.db
            .prepare_cached(
                "INSERT INTO journal (row, kind, logger, epoch, sequence, rank, time, lag, radio, c7, c9)
                 VALUES (?, 0, 0, 0, 0, 0, ?, ?, 1, 9, 900)",
            )
            .and_then(|mut tally| tally.execute(params![self.row, self.window_from, now - self.window_from]))
            .expect("an insert");
        self.window_from = now;
        self.db.execute_batch("COMMIT").expect("a commit");
    }

    fn settle(&mut self) {
        self.begin();
        self.db.execute(&self.settle, [self.row]).expect("a settle");
        self.db.execute("DELETE FROM journal WHERE row <= ?", [self.row]).expect("a settle");
        self.db
            .execute("UPDATE meta SET value = ? WHERE key = 'settled_through'", [self.row])
            .expect("a settle");
        self.db.execute_batch("COMMIT").expect("a commit");
        if self.truncates {
            pragma(&self.db, "wal_checkpoint(TRUNCATE)");
        }
    }
}
