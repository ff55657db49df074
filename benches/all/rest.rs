//! Rest: the bytes of a settled reading, after a simulated year of 20 loggers.
//!
//! The whole file counts: readings, a daily profile of each logger, ranges, daily counts. The obvious schema
//! gets the same rows in the same order.

use super::Flags;
use super::feed::{self, CHANNELS, DAY_S, INTERVAL_S, stamp};
use super::obvious::{Obvious, pragma};
use super::table::{Table, number};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::Ledger;

const LOGGERS: u16 = 20;

/// A ledger and the obvious schema with the same rows, and how many readings they hold.
pub struct Year {
    pub ledger: PathBuf,
    pub obvious: PathBuf,
    pub readings: u64,
}

impl Year {
    pub fn of(flags: &Flags) -> Self {
        let data = flags.data();
        let days = flags.pick(flags.rest_days, 60, 180, 365);
        let ledger = data.join(format!("year-{days}-{}.db", super::large::fingerprint(&data)));
        let obvious = data.join(format!("year-{days}-obvious.db"));
        let a_day = (DAY_S / INTERVAL_S) as u32;
        if !ledger.exists() {
            eprintln!("   filling {days} days");
            super::large::build(&ledger, |path| fill(path, days, a_day));
        }
        if !obvious.exists() {
            super::large::build(&obvious, |path| {
                let store = Obvious::create(path);
                for day in 0..days {
                    store.begin();
                    each(day, a_day, |logger, sequence, time| store.insert(logger, sequence, time));
                    store.commit();
                }
                pragma(&store.db, "wal_checkpoint(TRUNCATE)");
            });
        }
        Self { ledger, obvious, readings: u64::from(days * a_day) * u64::from(LOGGERS) }
    }
}

/// The day's readings in the order in which they come; each logger's daily profile takes a sequence.
fn each(day: u32, a_day: u32, mut take: impl FnMut(u16, u32, i64)) {
    for at in 0..a_day {
        let time = feed::FROM + i64::from(day * a_day + at) * INTERVAL_S;
        for logger in 1..=LOGGERS {
            take(logger, day * (a_day + 1) + 2 + at, time + i64::from(logger) * 14);
        }
    }
}

fn fill(path: &Path, days: u32, a_day: u32) {
    let mut ledger = Ledger::open(path).expect("a ledger");
    let radio = ledger.radios(&["mast"]).expect("a radio")[0];
    let roster = feed::roster(INTERVAL_S as u32, 8_000);
    let mut intake = Intake::new(&[radio]);
    intake.up(0, stamp(feed::FROM));
    for day in 0..days {
        let begin = feed::FROM + i64::from(day) * DAY_S;
        for logger in 1..=LOGGERS {
            let sequence = day * (a_day + 1) + 1;
            let oldest = sequence.saturating_sub(8_000).max(1);
            let profile = feed::profile(logger, begin, INTERVAL_S as u32, 8_000, oldest);
            feed::push_record(&mut intake.batch, radio, logger, sequence, begin, &profile);
        }
        each(day, a_day, |logger, sequence, time| {
            feed::push(&mut intake.batch, radio, logger, sequence, time, CHANNELS);
        });
        let now = stamp(begin + DAY_S);
        intake.close_windows(now);
        ledger.append(&intake.batch, &roster, now).expect("a commit");
        intake.batch.clear();
        while ledger.settle(100_000, i64::from(day)).expect("a settle").left > 0 {}
    }
    ledger.truncate_wal().expect("nobody else is there");
}

pub fn run(flags: &Flags, table: &mut Table) {
    let year = Year::of(flags);
    let bytes = |path: &Path| {
        let size = std::fs::metadata(path).map(|meta| meta.len()).unwrap_or(0);
        size as f64 / year.readings as f64
    };
    let what = format!("{} readings of 8 channels", year.readings);
    let (ours, obvious) = (bytes(&year.ledger), bytes(&year.obvious));
    let aim = "ours ≤ 80";
    table.row("rest", what, "bytes/reading", &[ours], "obvious schema", &[obvious], aim, breakdown(&year));
}

/// Where the bytes of the clustered table are.
fn breakdown(year: &Year) -> String {
    let db = Connection::open(&year.ledger).expect("a ledger");
    let found = db.query_row(
        "SELECT sum(payload), sum(unused), sum(pgsize), sum(ncell) FROM dbstat WHERE name = 'settled'",
        [],
        |row| Ok([row.get::<_, i64>(0)?, row.get(1)?, row.get(2)?, row.get(3)?]),
    );
    let Ok([payload, unused, size, _]) = found else { return String::new() };
    let each = |bytes: i64| number(bytes as f64 / year.readings as f64);
    let rest = std::fs::metadata(&year.ledger).map(|meta| meta.len() as i64 - size).unwrap_or(0);
    format!(
        "in the clustered table {} payload, {} unused, {} of pages' and cells' own; {} outside it",
        each(payload),
        each(unused),
        each(size - payload - unused),
        each(rest)
    )
}
