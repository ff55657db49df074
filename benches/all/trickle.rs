//! Trickle: bytes that reach the device for each stored reading, at a realistic pace but in simulated time.
//!
//! Each of 255 loggers makes one 8-channel reading every five minutes, at different seconds. The ledger commits in
//! windows and settles at the day's end; a preallocated raw log writes the same windows; the obvious schema commits
//! each frame. If only part of the day is simulated, the rest of it is put into the journal beforehand, so that the
//! settle covers a whole day.

use super::Flags;
use super::feed::{self, CHANNELS, DAY_S, INTERVAL_S, LOGGERS, stamp};
use super::meter::Meter;
use super::obvious::{Obvious, remove};
use super::table::{Table, median, number};
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::{Ledger, RadioId};
use stonechat::record::roster::Roster;

/// Readings of a day.
pub const DAY_ROWS: u32 = LOGGERS as u32 * (DAY_S / INTERVAL_S) as u32;
/// Rows of a commit where time plays no part.
const BULK: usize = 5_000;

/// What is written to.
pub trait Store {
    fn frame(&mut self, logger: u16, sequence: u32, time: i64);
    /// Makes it durable.
    fn commit(&mut self, now: i64);
    fn settle(&mut self) {}
}

/// What a stretch of life cost, in bytes a reading.
#[derive(Clone, Copy)]
pub struct Cost {
    pub commits: f64,
    pub settles: f64,
    /// Of both, what the process itself dirtied.
    pub dirtied: f64,
}

impl Cost {
    pub fn total(self) -> f64 {
        self.commits + self.settles
    }
}

/// Lets `store` live through `part` of each of the day's `settles` stretches, with a commit each `window_s`
/// (0: each frame).
pub fn live(
    meter: &Meter,
    store: &mut dyn Store,
    first: u32,
    window_s: i64,
    part: f64,
    settles: u32,
) -> Cost {
    let stretch_s = DAY_S / i64::from(settles);
    let begin = feed::FROM + i64::from(first - 1) * INTERVAL_S;
    let (mut commits, mut settled, mut rows, mut dirtied) = (0, 0, 0_u64, 0);
    for stretch in 0..settles {
        let from = begin + i64::from(stretch) * stretch_s;
        let measured_from = from + ((1.0 - part) * stretch_s as f64) as i64;
        let mut waiting = 0;
        for now in from..measured_from {
            waiting += frames_of(now, begin, first, store);
            if waiting >= BULK {
                store.commit(now);
                waiting = 0;
            }
        }
        if waiting > 0 {
            store.commit(measured_from);
        }
        let (before, own) = (meter.written(), Meter::dirtied());
        waiting = 0;
        for now in measured_from..from + stretch_s {
            let came = frames_of(now, begin, first, store);
            waiting += came;
            rows += came as u64;
            let due = window_s == 0 || (now + 1) % window_s == 0;
            if waiting > 0 && due {
                store.commit(now);
                waiting = 0;
                Meter::tick();
            }
        }
        if waiting > 0 {
            store.commit(from + stretch_s);
        }
        let between = (meter.written(), Meter::dirtied());
        store.settle();
        commits += between.0 - before;
        settled += meter.written() - between.0;
        // A settle's share is that of the whole stretch, as it is for the device.
        dirtied += ((between.1 - own) as f64 / part + (Meter::dirtied() - between.1) as f64) as u64;
    }
    Cost {
        commits: commits as f64 / rows as f64,
        settles: settled as f64 / f64::from(DAY_ROWS),
        dirtied: dirtied as f64 / f64::from(DAY_ROWS),
    }
}

/// Hands over what comes in this second.
fn frames_of(now: i64, begin: i64, first: u32, store: &mut dyn Store) -> usize {
    let (round, second) = ((now - begin) / INTERVAL_S, (now - begin) % INTERVAL_S);
    let mut came = 0;
    // Logger l speaks at second 300 · l / 255 of each round.
    let from = (second * i64::from(LOGGERS)).div_euclid(INTERVAL_S);
    for logger in from..=from + 1 {
        if logger < i64::from(LOGGERS) && logger * INTERVAL_S / i64::from(LOGGERS) == second {
            store.frame(logger as u16 + 1, first + round as u32, now);
            came += 1;
        }
    }
    came
}

/// The real thing.
pub struct Ours {
    ledger: Ledger,
    radio: RadioId,
    intake: Intake,
    roster: Roster,
}

impl Ours {
    pub fn open(path: &Path) -> Self {
        let mut ledger = Ledger::open(path).expect("a ledger");
        let radio = ledger.radios(&["mast"]).expect("a radio")[0];
        let mut intake = Intake::new(&[radio]);
        intake.up(0, stamp(feed::FROM));
        Self { ledger, radio, intake, roster: feed::roster(INTERVAL_S as u32, 8_000) }
    }
}

impl Store for Ours {
    fn frame(&mut self, logger: u16, sequence: u32, time: i64) {
        feed::push(&mut self.intake.batch, self.radio, logger, sequence, time, CHANNELS);
    }

    fn commit(&mut self, now: i64) {
        self.intake.close_windows(stamp(now));
        self.ledger.append(&self.intake.batch, &self.roster, stamp(now)).expect("a commit");
        self.intake.batch.clear();
    }

    /// As the daemon does it.
    fn settle(&mut self) {
        while self.ledger.settle(100_000, 0).expect("a settle").left > 0 {}
        let _ = self.ledger.checkpoint();
    }
}

/// The limit: records one after the other in a file that is there already.
struct RawLog {
    file: File,
    at: u64,
    waiting: Vec<u8>,
}

impl RawLog {
    fn create(path: &Path) -> Self {
        let file = File::create(path).expect("a file");
        file.write_all_at(&vec![0; 32 << 20], 0).expect("room");
        file.sync_all().expect("a sync");
        Self { file, at: 0, waiting: Vec::new() }
    }
}

impl Store for RawLog {
    fn frame(&mut self, logger: u16, sequence: u32, time: i64) {
        // Identity, reception and the record itself.
        self.waiting.extend(logger.to_be_bytes());
        self.waiting.extend(1_u32.to_be_bytes());
        self.waiting.extend(sequence.to_be_bytes());
        self.waiting.extend((time + 2).to_be_bytes());
        let record =
            stonechat::wire::record::Record::Reading(feed::reading(logger, sequence, time, CHANNELS));
        record.encode(&mut self.waiting);
    }

    fn commit(&mut self, _now: i64) {
        self.file.write_all_at(&self.waiting, self.at).expect("a write");
        self.file.sync_data().expect("a sync");
        self.at += self.waiting.len() as u64;
        self.waiting.clear();
    }
}

impl Store for Obvious {
    fn frame(&mut self, logger: u16, sequence: u32, time: i64) {
        if self.db.is_autocommit() {
            self.begin();
        }
        self.insert(logger, sequence, time);
    }

    fn commit(&mut self, _now: i64) {
        Obvious::commit(self);
    }
}

/// A ledger that holds so many days, kept for the next run; and the obvious schema with the same.
pub struct History {
    pub ledger: PathBuf,
    pub obvious: PathBuf,
    /// The first sequence of the day after.
    pub next: u32,
}

/// Readings of a logger in a day.
const ROUNDS: u32 = (DAY_S / INTERVAL_S) as u32;

/// Lets a day go by in bulk, with its settle: what is measured after it begins as every day does, with the -wal
/// as the settle left it. Returns the next day's first sequence.
pub fn warm(store: &mut dyn Store, first: u32) -> u32 {
    fill_day(store, (first - 1) / ROUNDS);
    store.settle();
    first + ROUNDS
}

impl History {
    pub fn of(data: &Path, days: u32) -> Self {
        let next = days * (DAY_S / INTERVAL_S) as u32 + 1;
        let print = super::large::fingerprint(data);
        let ledger = data.join(format!("history-{days}-{print}.db"));
        let obvious = data.join(format!("history-{days}-obvious.db"));
        if !ledger.exists() {
            eprintln!("   filling {days} days");
            super::large::build(&ledger, |path| {
                let mut store = Ours::open(path);
                for day in 0..days {
                    fill_day(&mut store, day);
                    Store::settle(&mut store);
                }
            });
        }
        if !obvious.exists() {
            super::large::build(&obvious, |path| {
                let mut store = Obvious::create(path);
                for day in 0..days {
                    fill_day(&mut store, day);
                }
                super::obvious::pragma(&store.db, "wal_checkpoint(TRUNCATE)");
            });
        }
        Self { ledger, obvious, next }
    }
}

fn fill_day(store: &mut dyn Store, day: u32) {
    let first = day * (DAY_S / INTERVAL_S) as u32 + 1;
    let begin = feed::FROM + i64::from(first - 1) * INTERVAL_S;
    let mut waiting = 0;
    for now in begin..begin + DAY_S {
        waiting += frames_of(now, begin, first, store);
        if waiting >= BULK {
            store.commit(now);
            waiting = 0;
        }
    }
    store.commit(begin + DAY_S);
}

pub fn run(flags: &Flags, table: &mut Table) {
    let part = flags.pick(flags.day, 0.04, 0.1, 1.0);
    let data = flags.data();
    let history = History::of(&data, flags.pick(flags.history_days, 5, 10, 55));
    let meter = Meter::new(&data);
    let (ledger, log) = (meter.dir().join("ledger.db"), meter.dir().join("raw.log"));
    let obvious = meter.dir().join("obvious.db");
    let windows = [1_i64, 10, 60];
    // Steady from commit to commit, so that a part of a day says as much.
    let frame_part = part.min(0.05);
    let (mut each, mut ours, mut raw) = (vec![], vec![vec![]; 3], vec![vec![]; 3]);
    for _ in 0..flags.repeats {
        for (at, &window) in windows.iter().enumerate() {
            let part = if window == 1 { part.min(0.12) } else { part };
            remove(&ledger);
            std::fs::copy(&history.ledger, &ledger).expect("room on the card");
            let mut store = Ours::open(&ledger);
            let first = warm(&mut store, history.next);
            ours[at].push(live(&meter, &mut store, first, window, part, 1));
            drop(store);
            remove(&ledger);
            raw[at].push(live(&meter, &mut RawLog::create(&log), 1, window, part, 1));
            let _ = std::fs::remove_file(&log);
        }
        remove(&obvious);
        std::fs::copy(&history.obvious, &obvious).expect("room on the card");
        let db = rusqlite::Connection::open(&obvious).expect("a database");
        super::obvious::pragma(&db, "synchronous = FULL");
        let mut store = Obvious { db };
        // The part of the day that is not measured would take as long: it is left out.
        each.push(live_frames(&meter, &mut store, history.next, frame_part));
        drop(store);
        remove(&obvious);
    }
    let totals = |costs: &[Cost]| costs.iter().map(|cost| cost.total()).collect::<Vec<f64>>();
    let each = totals(&each);
    let aims = [("", ""), ("≤ 0.1", "≤ 3"), ("≤ 0.05", "")];
    for (at, &window) in windows.iter().enumerate() {
        let of = |field: fn(&Cost) -> f64| median(&ours[at].iter().map(field).collect::<Vec<f64>>());
        let note = format!(
            "{} by commits, {} by the day's settle; {} of it dirtied by the process; {}",
            number(of(|cost| cost.commits)),
            number(of(|cost| cost.settles)),
            number(of(|cost| cost.dirtied)),
            meter.name()
        );
        let what = format!("commits each {window} s");
        let mine = totals(&ours[at]);
        let schema = "obvious schema, a commit a frame";
        table.row("trickle", &what, "bytes/reading", &mine, schema, &each, aims[at].0, note);
        let log = format!("raw log, each {window} s");
        table.row("trickle", &what, "bytes/reading", &mine, log, &totals(&raw[at]), aims[at].1, "");
    }
}

fn live_frames(meter: &Meter, store: &mut Obvious, first: u32, part: f64) -> Cost {
    let begin = feed::FROM + i64::from(first - 1) * INTERVAL_S;
    let (before, own) = (meter.written(), Meter::dirtied());
    let mut rows = 0;
    for now in begin..begin + (DAY_S as f64 * part) as i64 {
        let came = frames_of(now, begin, first, store);
        if came > 0 {
            Store::commit(store, now);
            Meter::tick();
            rows += came;
        }
    }
    // What waits in the -wal belongs to it.
    super::obvious::pragma(&store.db, "wal_checkpoint(PASSIVE)");
    let each = |bytes: u64| bytes as f64 / rows as f64;
    Cost { commits: each(meter.written() - before), settles: 0.0, dirtied: each(Meter::dirtied() - own) }
}
