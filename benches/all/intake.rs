//! Intake: frames a second from the bytes of the line to a durable commit.
//!
//! Baselines: a bare append of the same rows (same columns, page size and settings, one prepared statement, no index,
//! values ready in memory), and the script that a site would otherwise write.

use super::Flags;
use super::feed::{self, CHANNELS, LOGGERS, Sealed, stamp};
use super::obvious::{pragma, remove};
use super::table::{Table, seconds};
use rusqlite::Connection;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::Ledger;

/// Rows of a commit.
const BATCH: usize = 5_000;

struct Frame {
    logger: u16,
    sequence: u32,
    time: i64,
}

fn frames(count: usize) -> Vec<Frame> {
    (0..count)
        .map(|at| {
            let round = at / usize::from(LOGGERS);
            Frame {
                logger: (at % usize::from(LOGGERS)) as u16 + 1,
                sequence: round as u32 + 1,
                time: feed::FROM + round as i64 * feed::INTERVAL_S,
            }
        })
        .collect()
}

pub fn run(flags: &Flags, table: &mut Table) {
    let count = flags.pick(flags.frames, 100_000, 500_000, 1_000_000);
    let dir = flags.data();
    let frames = frames(count);
    let sealed = Sealed::new();
    let mut line = Vec::new();
    let mut ends = Vec::new();
    for batch in frames.chunks(BATCH) {
        for frame in batch {
            sealed.line(frame.logger, frame.sequence, frame.time, &mut line);
        }
        ends.push(line.len());
    }
    let path = dir.join("intake.db");
    let peer = Peer::prepare(flags, &dir, &line);
    let (mut ours, mut settling, mut bare, mut script) = (vec![], vec![], vec![], vec![]);
    for _ in 0..flags.repeats {
        ours.push(count as f64 / from_bytes(&path, &line, &ends, false));
        bare.push(count as f64 / append(&path, &frames));
        settling.push(count as f64 / from_bytes(&path, &line, &ends, true));
        script.extend(peer.as_ref().and_then(|peer| peer.run(&path)));
    }
    remove(&path);
    let what = format!("{count} frames in commits of {BATCH}");
    table.row("intake", &what, "frames/s", &ours, "bare append of the same rows", &bare, "≥ 0.4", "");
    let with = format!("{what}, settled each 100,000");
    table.row("intake", with, "frames/s", &settling, "bare append of the same rows", &bare, "", "");
    if script.is_empty() {
        eprintln!("   the script did not run: no Python with cobs, cryptography and crcmod");
    } else {
        table.row("intake", what, "frames/s", &ours, "script in Python", &script, "≥ 6", "");
    }
}

fn from_bytes(path: &Path, line: &[u8], ends: &[usize], settles: bool) -> f64 {
    remove(path);
    let mut ledger = Ledger::open(path).expect("a new ledger");
    let radio = ledger.radios(&["mast"]).expect("a radio")[0];
    let roster = feed::roster(300, 8_000);
    let mut keyring = Sealed::keyring();
    let mut intake = Intake::new(&[radio]);
    let (took, ()) = seconds(|| {
        intake.up(0, stamp(feed::FROM));
        let mut from = 0;
        for (at, &end) in ends.iter().enumerate() {
            let now = stamp(feed::FROM + at as i64 * 10);
            // As a port's reads would give them.
            for piece in line[from..end].chunks(4096) {
                intake.bytes(0, piece, &roster, &mut keyring, now);
            }
            from = end;
            intake.close_windows(now);
            ledger.append(&intake.batch, &roster, now).expect("a commit");
            intake.batch.clear();
            if settles && ledger.unsettled_rows() >= 100_000 {
                ledger.settle(100_000, at as i64).expect("a settle");
            }
        }
    });
    took
}

/// The bare append.
fn append(path: &Path, frames: &[Frame]) -> f64 {
    // The columns of the ledger's own journal, so that both always write the same.
    remove(path);
    drop(Ledger::open(path).expect("a new ledger"));
    let ledger = Connection::open(path).expect("a ledger");
    let page: i64 = ledger.query_row("PRAGMA page_size", [], |row| row.get(0)).expect("a page size");
    let journal: String = ledger
        .query_row("SELECT sql FROM sqlite_schema WHERE name = 'journal'", [], |row| row.get(0))
        .expect("a journal");
    drop(ledger);
    remove(path);
    let db = Connection::open(path).expect("a new database");
    pragma(&db, &format!("page_size = {page}"));
    pragma(&db, "journal_mode = WAL");
    pragma(&db, "synchronous = FULL");
    pragma(&db, &format!("wal_autocheckpoint = {}", (4 << 20) / page));
    pragma(&db, "cache_size = -2048");
    db.execute_batch(&journal).expect("a schema");
    let shared =
        "kind, logger, epoch, sequence, rank, time, lag, battery_mv, board_centi_c, n, faults, slot, radio,
        synchronised, rssi_dbm, snr_quarter_db";
    let rows: Vec<[i64; 16 + CHANNELS]> = frames
        .iter()
        .map(|frame| {
            let reading = feed::reading(frame.logger, frame.sequence, frame.time, CHANNELS);
            let signal = feed::signal(frame.logger, frame.sequence);
            let mut row = [0; 16 + CHANNELS];
            row[..16].copy_from_slice(&[
                1,
                i64::from(frame.logger),
                1,
                i64::from(frame.sequence),
                0,
                frame.time,
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
            ]);
            for (place, count) in row[16..].iter_mut().zip(reading.counts()) {
                *place = i64::from(*count);
            }
            row
        })
        .collect();
    let columns: Vec<String> = (0..CHANNELS).map(|channel| format!("c{channel}")).collect();
    let marks = vec!["?"; 16 + CHANNELS].join(", ");
    let sql = format!("INSERT INTO journal ({shared}, {}) VALUES ({marks})", columns.join(", "));
    let mut insert = db.prepare(&sql).expect("a statement");
    let (took, ()) = seconds(|| {
        for batch in rows.chunks(BATCH) {
            db.execute_batch("BEGIN IMMEDIATE").expect("a transaction");
            for row in batch {
                for (at, value) in row.iter().enumerate() {
                    insert.raw_bind_parameter(at + 1, value).expect("a parameter");
                }
                insert.raw_execute().expect("an insert");
            }
            db.execute_batch("COMMIT").expect("a commit");
        }
    });
    took
}

/// The script, its input and its Python.
struct Peer<'a> {
    flags: &'a Flags,
    line: std::path::PathBuf,
    keys: std::path::PathBuf,
}

impl<'a> Peer<'a> {
    fn prepare(flags: &'a Flags, dir: &Path, line: &[u8]) -> Option<Self> {
        let python = flags.peer_python.as_ref()?;
        let there = Command::new(python).args(["-c", "import cobs, cryptography, crcmod"]).status();
        there.ok().filter(std::process::ExitStatus::success)?;
        let peer = Self { flags, line: dir.join("line.bin"), keys: dir.join("line.keys") };
        std::fs::write(&peer.line, line).ok()?;
        let mut keys = std::fs::File::create(&peer.keys).ok()?;
        let keyring = Sealed::keyring();
        for logger in 1..=LOGGERS {
            use stonechat::seal::SlotKey;
            use stonechat::wire::seq::{Address, Slot};
            if let Some(SlotKey::Aes128(ref key)) = keyring.key(Address::new(logger)?, Slot(0)) {
                let hex: String = key.iter().map(|byte| format!("{byte:02x}")).collect();
                writeln!(keys, "{logger} {hex}").ok()?;
            }
        }
        Some(peer)
    }

    /// Frames a second.
    fn run(&self, path: &Path) -> Option<f64> {
        remove(path);
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peer/ingest.py");
        let output = Command::new(self.flags.peer_python.as_ref()?)
            .arg(script)
            .args([&self.keys, &self.line, &path.to_path_buf()])
            .arg(BATCH.to_string())
            .output()
            .ok()?;
        let text = String::from_utf8_lossy(&output.stdout);
        let (frames, took) = text.trim().split_once(' ')?;
        Some(frames.parse::<f64>().ok()? / took.parse::<f64>().ok()?)
    }
}
