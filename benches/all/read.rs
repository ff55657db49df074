//! Read: one month of one logger from the large ledger, and every value through the public view.
//!
//! Baselines: the obvious schema for the month, and `sqlite3 -csv` on its plain rows for the scan.

use super::Flags;
use super::feed;
use super::large;
use super::obvious::pragma;
use super::rest::Year;
use super::table::{Table, seconds};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use stonechat::ledger::read::snapshot::Reader;

pub fn run(flags: &Flags, table: &mut Table) {
    month(flags, table);
    scan(flags, table);
}

fn month(flags: &Flags, table: &mut Table) {
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let data = flags.data();
    let ledger = large::ledger(&data, readings);
    let plain = plain(&ledger);
    let reader = Reader::open(&ledger).expect("a ledger");
    let db = Connection::open(&plain).expect("a database");
    let from = feed::FROM + (large::now(readings) - feed::FROM) / 2;
    let view =
        "SELECT time, channel, counts, fault FROM raw_value WHERE logger = ?1 AND time >= ?2 AND time < ?3";
    let rows = "SELECT time, 0, counts, 0 FROM reading WHERE logger = ?1 AND time >= ?2 AND time < ?3";
    let (mut ours, mut theirs, mut values) = (vec![], vec![], 0);
    for at in 0..flags.repeats.max(9) {
        let logger = 17 + at as i64 * 23;
        let (took, count) = seconds(|| query(reader.connection(), view, logger, from));
        values = count;
        ours.push(took * 1e3);
        theirs.push(seconds(|| query(&db, rows, logger, from)).0 * 1e3);
    }
    let what = format!("a logger's month ({values} values) of {readings}");
    table.row(
        "read",
        what,
        "ms",
        &ours,
        "obvious schema, the same rows",
        &theirs,
        "ours ≤ 20",
        "by time, view raw_value",
    );
}

fn query(db: &Connection, sql: &str, logger: i64, from: i64) -> i64 {
    let mut statement = db.prepare(sql).expect("a statement");
    let mut rows = statement.query([logger, from, from + 30 * feed::DAY_S]).expect("rows");
    let (mut values, mut sum) = (0, 0_i64);
    while let Some(row) = rows.next().expect("rows") {
        sum = sum.wrapping_add(row.get::<_, i64>(2).expect("a count"));
        values += 1;
    }
    std::hint::black_box(sum);
    values
}

/// The large ledger's readings in the obvious schema; made once.
fn plain(ledger: &Path) -> PathBuf {
    let path = ledger.with_extension("plain.db");
    if !path.exists() {
        large::build(&path, |path| {
            let db = Connection::open(path).expect("a new database");
            pragma(&db, "journal_mode = OFF");
            db.execute_batch(
                "CREATE TABLE reading (logger INTEGER, epoch INTEGER, sequence INTEGER, time INTEGER,
                     counts INTEGER, PRIMARY KEY (logger, epoch, sequence))",
            )
            .expect("a schema");
            db.execute("ATTACH ? AS ledger", [ledger.to_string_lossy()]).expect("a ledger");
            db.execute_batch(
                "INSERT INTO reading SELECT logger, epoch, sequence, time, c0 FROM ledger.settled ORDER BY time",
            )
            .expect("rows");
        });
    }
    path
}

fn scan(flags: &Flags, table: &mut Table) {
    let year = Year::of(flags);
    let values = (year.readings * feed::CHANNELS as u64) as f64;
    let reader = Reader::open(&year.ledger).expect("a ledger");
    let csv = |path: &Path, sql: &str| {
        let mut client = Command::new("sqlite3");
        let client = client.arg("-csv").arg(path).arg(sql).stdout(Stdio::null()).stderr(Stdio::null());
        let (took, status) = seconds(|| client.status());
        status.ok().filter(std::process::ExitStatus::success).map(|_| values / took / 1e6)
    };
    let (mut ours, mut by_client, mut plain) = (vec![], vec![], vec![]);
    for _ in 0..flags.repeats {
        ours.push(values / seconds(|| every_value(reader.connection())).0 / 1e6);
        plain.extend(csv(&year.obvious, "SELECT * FROM reading"));
        by_client.extend(csv(&year.ledger, "SELECT * FROM raw_value"));
    }
    let what = format!("view raw_value, {values:.0} values");
    let unit = "M values/s";
    if plain.is_empty() {
        eprintln!("   no sqlite3 client here: its rows are left out");
        table.row(
            "read",
            what,
            unit,
            &ours,
            "nothing: no sqlite3 client",
            &ours,
            "ours ≥ 5",
            "in the library",
        );
        return;
    }
    let against = "sqlite3 -csv on plain rows of 8 values";
    table.row("read", &what, unit, &ours, against, &plain, "ours ≥ 5", "in the library");
    table.row("read", &what, unit, &by_client, against, &plain, "", "by sqlite3 -csv too: a line a value");
}

fn every_value(db: &Connection) -> i64 {
    let mut statement = db
        .prepare("SELECT logger, epoch, sequence, time, received_at, source, channel, counts, fault FROM raw_value")
        .expect("a statement");
    let mut rows = statement.query([]).expect("rows");
    let mut sum = 0_i64;
    while let Some(row) = rows.next().expect("rows") {
        let counts: i64 = row.get(7).expect("a count");
        let channel: i64 = row.get(6).expect("a channel");
        sum = sum.wrapping_add(counts ^ channel);
    }
    std::hint::black_box(sum)
}
