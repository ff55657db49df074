//! Rows without sequence numbers against the truth: no row ever gets a wrong sequence.
//!
//! The logger here is a separate simulation: it shares no code with the matcher or with `sim`. It knows which record
//! each row of a file was made from. `STONECHAT_TEST_FILES` sets the number of generated files; the counts by reason
//! are printed with `cargo test --test suite matching:: -- --nocapture`.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use stonechat::hand::matching::*;
use stonechat::record::coverage::RangeSet;
use stonechat::record::judge::{Row, Steps};
use stonechat::wire::record::Reading;
use stonechat::wire::seq::{Address, Epoch, Identity};

const ADDRESS: u16 = 17;
const NOW: i64 = 1_790_000_000;
const DAY: i64 = 86_400;
/// 2000-01-01T00:00:00Z.
const Y2000: i64 = 946_684_800;

/// splitmix64: S. Vigna's public-domain generator, from memory; only determinism matters.
#[derive(Clone)]
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: i64) -> i64 {
        (self.next() % n as u64) as i64
    }
    fn between(&mut self, a: i64, b: i64) -> i64 {
        a + self.below(b - a + 1)
    }
    fn percent(&mut self, p: i64) -> bool {
        self.below(100) < p
    }
    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len() as i64) as usize]
    }
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    }
}

#[derive(Clone, Debug)]
enum Made {
    Reading(Reading),
    Profile(u32),
    Set(i64),
    PowerUp,
    Event,
}

#[derive(Clone, Debug)]
struct Record {
    epoch: u32,
    sequence: u32,
    time: i64,
    made: Made,
}

/// How a channel behaves.
#[derive(Clone, Copy)]
enum Signal {
    Frozen,
    Slow,
    Daily,
    Noisy,
    Counter,
}

struct Channel {
    signal: Signal,
    value: f64,
}

impl Channel {
    fn at(&mut self, random: &mut Random, unix_s: f64, elapsed_s: f64) -> i32 {
        match self.signal {
            Signal::Frozen => {}
            Signal::Slow => self.value += random.unit() * 40.0 * (elapsed_s / 900.0).sqrt(),
            Signal::Noisy => self.value += random.unit() * 5_000.0,
            Signal::Counter => {
                if random.percent(6) {
                    self.value += random.between(1, 4) as f64;
                }
            }
            Signal::Daily => {
                let wave = (unix_s / DAY as f64 * std::f64::consts::TAU).sin();
                return (self.value + 1_500.0 * wave + random.unit() * 6.0) as i32;
            }
        }
        self.value as i32
    }
}

/// Everything that a logger made, and the intervals.
fn life(
    random: &mut Random,
    interval_s: i64,
    readings: usize,
    phase_s: i64,
    signals: &[Signal],
) -> Vec<Record> {
    let mut interval_s = interval_s;
    // 5 minutes in 30 days are 115.7 ppm.
    let rate = 1.0 + random.unit() * 2.0 * 116e-6;
    let mut unix_s = NOW as f64;
    // What the clock shows is `shown0 + (unix - since) * rate`.
    let mut since = unix_s;
    let mut shown0 = if random.percent(8) { Y2000 as f64 } else { unix_s + random.between(-400, 400) as f64 };
    let (mut epoch, mut sequence) = (random.between(1, 5) as u32, 0_u32);
    let mut records = Vec::new();
    let mut channels: Vec<Channel> = signals
        .iter()
        .map(|&signal| Channel {
            signal,
            value: if matches!(signal, Signal::Counter) {
                0.0
            } else {
                random.between(-1_000_000, 1_000_000) as f64
            },
        })
        .collect();
    let mut board = 1_000.0 + random.unit() * 500.0;
    let put = |records: &mut Vec<Record>, epoch: u32, sequence: &mut u32, time: f64, made: Made| {
        *sequence += 1;
        records.push(Record { epoch, sequence: *sequence, time: time.floor() as i64, made });
    };
    put(&mut records, epoch, &mut sequence, shown0, Made::Profile(interval_s as u32));
    let grid =
        |shown: f64, interval_s: i64| ((shown - phase_s as f64) / interval_s as f64).floor() as i64 + 1;
    let mut next = grid(shown0, interval_s) * interval_s + phase_s;
    let (mut last_profile, mut last_reading) = (shown0, unix_s);
    let busy = random.percent(50);
    let mut made = 0;
    while made < readings {
        unix_s = since + (next as f64 - shown0) / rate;
        let shown = next as f64;
        if shown - last_profile >= DAY as f64 {
            last_profile = shown;
            put(&mut records, epoch, &mut sequence, shown, Made::Profile(interval_s as u32));
        }
        let counts: Vec<i32> =
            channels.iter_mut().map(|channel| channel.at(random, unix_s, unix_s - last_reading)).collect();
        last_reading = unix_s;
        board += random.unit() * 6.0;
        let (mut counts, mut faults) = (counts, 0);
        if random.percent(2) {
            (counts[0], faults) = (11, 1);
        }
        let battery = 3_600 - (made / 50) as u16;
        let board = (!matches!(signals[0], Signal::Frozen)).then_some(board as i16);
        let reading = Reading::new(next as u32, battery, board, faults, &counts).unwrap();
        put(&mut records, epoch, &mut sequence, shown, Made::Reading(reading));
        made += 1;
        next += interval_s;
        if !busy || !random.percent(3) {
            continue;
        }
        let after = shown + random.between(1, interval_s - 1) as f64;
        match random.below(7) {
            0 | 1 => put(&mut records, epoch, &mut sequence, after, Made::Event),
            2 | 3 => {
                let added = match random.below(6) {
                    0 => 3_600,
                    1 => -3_600,
                    2 => interval_s * random.between(-3, 3),
                    3 if after < 1_000_000_000.0 => NOW - Y2000,
                    _ => random.between(-300, 300),
                };
                if added == 0 {
                    continue;
                }
                let now = since + (after - shown0) / rate;
                (since, shown0) = (now, after + added as f64);
                put(&mut records, epoch, &mut sequence, shown0, Made::Set(added));
                last_profile = last_profile.min(shown0);
                if random.percent(50) {
                    next = grid(shown0, interval_s) * interval_s + phase_s;
                } else {
                    next += added;
                }
            }
            4 => {
                // Power fails for a while; the clock may begin anew.
                let off_s =
                    if random.percent(50) { interval_s } else { random.between(1, 30) * interval_s / 2 };
                let now = since + (after - shown0) / rate + off_s as f64;
                let shows = if random.percent(60) { after + off_s as f64 } else { Y2000 as f64 };
                (since, shown0) = (now, shows);
                put(&mut records, epoch, &mut sequence, shows, Made::PowerUp);
                last_profile = last_profile.min(shows);
                next = grid(shows, interval_s) * interval_s + phase_s;
            }
            5 => {
                interval_s = random.of(&[interval_s, interval_s * 2, (interval_s / 2).max(30)]);
                put(&mut records, epoch, &mut sequence, after, Made::Profile(interval_s as u32));
                last_profile = after;
                next = grid(after, interval_s) * interval_s + phase_s;
            }
            _ => {
                epoch += random.between(1, 2) as u32;
                sequence = 0;
                let shows = if random.percent(50) { after } else { Y2000 as f64 };
                let now = since + (after - shown0) / rate;
                (since, shown0) = (now, shows);
                put(&mut records, epoch, &mut sequence, shows, Made::Profile(interval_s as u32));
                last_profile = shows;
                next = grid(shows, interval_s) * interval_s + phase_s;
            }
        }
    }
    records
}

/// What of it the ledger holds.
struct Ledger {
    history: History,
    readings: HashMap<Identity, Content>,
    asked: u64,
}

impl Contents for Ledger {
    type Error = std::convert::Infallible;
    fn content(&mut self, identity: Identity) -> Result<Option<Content>, Self::Error> {
        self.asked += 1;
        Ok(self.readings.get(&identity).cloned())
    }
}

fn identity(epoch: u32, sequence: u32) -> Identity {
    Identity::new(ADDRESS, epoch, sequence).unwrap()
}

fn held(records: &[Record], is_held: &[bool], interval_s: i64, rounded: Option<&Style>) -> Ledger {
    let mut by_epoch: BTreeMap<u32, Vec<(&Record, bool)>> = BTreeMap::new();
    for (record, &held) in records.iter().zip(is_held) {
        by_epoch.entry(record.epoch).or_default().push((record, held));
    }
    let mut readings = HashMap::new();
    let newest = by_epoch.keys().last().copied();
    let epochs = by_epoch
        .into_iter()
        .map(|(epoch, all)| {
            let mut records = Vec::new();
            for (record, _) in all.iter().filter(|(_, held)| *held) {
                let mut time = record.time as u32;
                let kind = match &record.made {
                    Made::Reading(reading) => {
                        // Some came from a rounded file before.
                        let content = match rounded.filter(|_| record.sequence % 7 < 2) {
                            Some(style) => Content::Row(style.row(reading)),
                            None => Content::Reading(*reading),
                        };
                        if let Content::Row(row) = &content {
                            time = row.time;
                        }
                        readings.insert(identity(epoch, record.sequence), content);
                        Kind::Reading
                    }
                    Made::Profile(interval_s) => Kind::Profile { interval_s: *interval_s },
                    Made::Set(added) => Kind::ClockSet { seconds_added: *added },
                    Made::PowerUp => Kind::PowerUp,
                    Made::Event => Kind::Event,
                };
                records.push(HeldRecord { sequence: record.sequence, time, kind });
            }
            let of_held: RangeSet = records.iter().map(|record| (record.sequence, record.sequence)).collect();
            // The newest epoch must exist up to what is held; an older one to its end, where a profile names it.
            let last = if Some(epoch) == newest || epoch % 2 == 0 {
                of_held.largest().unwrap_or(0)
            } else {
                all.last().map_or(0, |(record, _)| record.sequence)
            };
            let missing = if last == 0 { RangeSet::default() } else { of_held.missing(1..=last) };
            EpochHeld { epoch: Epoch::new(epoch).unwrap(), records, missing }
        })
        .collect();
    let address = Address::new(ADDRESS).unwrap();
    Ledger { history: History { address, interval_s: interval_s as u32, epochs }, readings, asked: 0 }
}

/// How a reader writes rows.
#[derive(Clone, Debug)]
struct Style {
    steps: Option<Arc<Steps>>,
    cut: bool,
    battery: bool,
    board: bool,
}

impl Style {
    fn row(&self, reading: &Reading) -> Row {
        let none = Steps::default();
        let steps = self.steps.as_deref().unwrap_or(&none);
        let round = |value: i64, step: u32| {
            let step = i64::from(step.max(1));
            (value + step / 2).div_euclid(step) * step
        };
        let time = i64::from(reading.time);
        let time = if self.cut && steps.time_s > 1 {
            time.div_euclid(i64::from(steps.time_s)) * i64::from(steps.time_s) + i64::from(steps.time_s / 2)
        } else {
            round(time, steps.time_s)
        };
        let counts = reading.counts().iter().enumerate().map(|(channel, &count)| {
            let step = if reading.faults() >> channel & 1 == 1 {
                1
            } else {
                steps.counts.get(channel).copied().unwrap_or(1)
            };
            round(count.into(), step) as i32
        });
        Row {
            time: time as u32,
            counts: counts.collect(),
            faults: reading.faults(),
            missing: 0,
            battery_mv: self.battery.then_some(reading.battery_mv),
            board_centi_c: reading
                .board_centi_c
                .filter(|_| self.board)
                .map(|b| round(b.into(), steps.board_centi_c) as i16),
            steps: self.steps.clone(),
        }
    }
}

/// A row of a file, and what it truly is.
#[derive(Clone, Debug)]
struct Known {
    row: Row,
    truth: Option<Identity>,
    after_refused: bool,
}

/// What was done to a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Spoilt {
    Clean,
    Doubled,
    DoubledDifferently,
    Dropped,
    DroppedBlock,
    HourOff,
    HourOffFrom,
    HourLost,
    OtherLogger,
    OtherLoggerBetween,
    OtherLoggerAppended,
    NewestFirst,
    TwoDownloads,
    Swapped,
}

const SPOILT: [Spoilt; 14] = [
    Spoilt::Clean,
    Spoilt::Doubled,
    Spoilt::DoubledDifferently,
    Spoilt::Dropped,
    Spoilt::DroppedBlock,
    Spoilt::HourOff,
    Spoilt::HourOffFrom,
    Spoilt::HourLost,
    Spoilt::OtherLogger,
    Spoilt::OtherLoggerBetween,
    Spoilt::OtherLoggerAppended,
    Spoilt::NewestFirst,
    Spoilt::TwoDownloads,
    Spoilt::Swapped,
];

fn rows_of(records: &[Record], style: &Style, is_ours: bool) -> Vec<Known> {
    let row = |record: &Record| match &record.made {
        Made::Reading(reading) => Some(Known {
            row: style.row(reading),
            truth: is_ours.then(|| identity(record.epoch, record.sequence)),
            after_refused: false,
        }),
        _ => None,
    };
    records.iter().filter_map(row).collect()
}

fn shifted(known: &mut Known, seconds: i64) {
    known.row.time = (i64::from(known.row.time) + seconds) as u32;
}

struct Case {
    ledger: Ledger,
    rows: Vec<Known>,
    spoilt: BTreeSet<Spoilt>,
    /// Missing readings that should be matched: their whole gap is readings, between held ones, and all are in the
    /// file.
    fillable: BTreeSet<Identity>,
    /// Whether values change much from one reading to the next, and the file's times distinguish readings.
    tells: bool,
}

fn case(seed: u64) -> Case {
    let mut random = Random(seed);
    let random = &mut random;
    let interval_s =
        random.of(&[60, 120, 300, 600, 900, 900, 900, 1_800, 3_600, 3_600, 7_200, 14_400, 86_400]);
    let readings = random.between(20, 260) as usize;
    let phase_s = if random.percent(70) { 0 } else { random.below(interval_s) };
    let kinds = [Signal::Frozen, Signal::Slow, Signal::Slow, Signal::Daily, Signal::Noisy, Signal::Counter];
    let first = random.of(&kinds);
    let channels = random.between(1, 4);
    let mut signals = vec![first];
    for _ in 1..channels {
        // If a logger's values stay the same, they do so in all channels.
        let next = if matches!(first, Signal::Frozen) { Signal::Frozen } else { random.of(&kinds) };
        signals.push(next);
    }
    let records = life(random, interval_s, readings, phase_s, &signals);

    // The records that the ledger lacks: outages and single losses.
    let mut is_held = vec![true; records.len()];
    for _ in 0..random.between(1, 5) {
        let from = random.below(records.len() as i64) as usize;
        let to = (from + random.between(1, 30) as usize).min(records.len());
        is_held[from..to].fill(false);
    }
    let loss = random.of(&[0, 0, 2, 10, 30]);
    let others_lost = random.percent(50);
    for (held, record) in is_held.iter_mut().zip(&records) {
        let is_reading = matches!(record.made, Made::Reading(_));
        if random.percent(loss) {
            *held = false;
        }
        // Profiles and events often came even during an outage.
        if !is_reading && !others_lost {
            *held = true;
        }
    }

    let step_s = random.of(&[0, 0, 0, 60, 60, 60, 300]);
    let value_step = random.of(&[1, 1, 10, 100]);
    let steps = Steps {
        time_s: step_s,
        counts: vec![value_step; signals.len()],
        battery_mv: 0,
        board_centi_c: random.of(&[1, 10, 100]),
    };
    let style = Style {
        steps: (!steps.is_exact()).then(|| Arc::new(steps)),
        cut: random.percent(30),
        battery: random.percent(30),
        board: random.percent(50),
    };
    let ledger = held(&records, &is_held, interval_s, random.percent(15).then_some(&style));

    // The file: all of it, or a part.
    let (mut from, mut to) = (0, records.len());
    if random.percent(60) {
        from = random.below(records.len() as i64 / 2) as usize;
        to = random.between(from as i64 + 2, records.len() as i64) as usize;
    }
    if random.percent(25) {
        // It was read out at the end of an outage.
        let ends: Vec<usize> = (1..records.len()).filter(|&at| is_held[at] && !is_held[at - 1]).collect();
        if !ends.is_empty() {
            to = random.of(&ends).max(from + 1);
        }
    }
    let mut rows = rows_of(&records[from..to], &style, true);
    let mut spoilt = BTreeSet::new();
    spoilt.insert(random.of(&SPOILT));
    if random.percent(20) {
        spoilt.insert(random.of(&SPOILT));
    }
    let half_blind = random.percent(50);
    let other = |random: &mut Random| {
        let phase_s = if random.percent(70) { phase_s } else { random.below(interval_s) };
        let other = life(random, interval_s, readings, phase_s, &signals);
        rows_of(&other, &style, false)
    };
    for what in &spoilt {
        let len = rows.len() as i64;
        if len < 3 {
            break;
        }
        match what {
            Spoilt::Clean => {}
            Spoilt::Doubled => {
                let p = random.of(&[1, 10, 100]);
                rows = rows
                    .into_iter()
                    .flat_map(|row| if random.percent(p) { vec![row.clone(), row] } else { vec![row] })
                    .collect();
            }
            Spoilt::DoubledDifferently => {
                let p = random.of(&[1, 5, 50]);
                rows = rows
                    .into_iter()
                    .flat_map(|row| {
                        if !random.percent(p) {
                            return vec![row];
                        }
                        let mut other = row.clone();
                        other.row.counts[0] += (value_step as i32) * random.of(&[-3, 1, 500]);
                        other.truth = None;
                        if random.percent(50) { vec![row, other] } else { vec![other, row] }
                    })
                    .collect();
            }
            Spoilt::Dropped => {
                let p = random.of(&[1, 5, 20]);
                let mut lost = false;
                rows.retain_mut(|row| {
                    let drop = random.percent(p);
                    row.after_refused = half_blind && std::mem::replace(&mut lost, drop);
                    !drop
                });
            }
            Spoilt::DroppedBlock => {
                let at = random.below(len) as usize;
                let end = (at + random.between(1, 40) as usize).min(rows.len());
                rows.drain(at..end);
            }
            Spoilt::HourOff => {
                let seconds = random.of(&[3_600, -3_600, 7_200, -7_200, 1_800, 900, -900, 19_800, DAY, -DAY]);
                rows.iter_mut().for_each(|row| shifted(row, seconds));
            }
            Spoilt::HourOffFrom => {
                let at = random.below(len) as usize;
                let seconds = random.of(&[3_600, -3_600, 1_800, -1_800]);
                let before = random.percent(50);
                let (left, right) = rows.split_at_mut(at);
                (if before { left } else { right }).iter_mut().for_each(|row| shifted(row, seconds));
            }
            Spoilt::HourLost => {
                // A reader that keeps one row for each local time, read as if local time had never changed: an hour's
                // rows are gone, and what is behind it (or before it) is an hour off, without a hole.
                let at = random.below(len) as usize;
                let hour_s = random.of(&[3_600, 3_600, 3_600, 1_800]);
                let begin = i64::from(rows[at].row.time);
                let end = rows[at..].iter().position(|row| i64::from(row.row.time) >= begin + hour_s);
                if let Some(end) = end {
                    rows.drain(at..at + end);
                    let (left, right) = rows.split_at_mut(at);
                    if random.percent(50) {
                        right.iter_mut().for_each(|row| shifted(row, -hour_s));
                    } else {
                        left.iter_mut().for_each(|row| shifted(row, hour_s));
                    }
                }
            }
            Spoilt::OtherLogger => rows = other(random),
            Spoilt::OtherLoggerBetween => {
                let mut all = other(random);
                all.append(&mut rows);
                all.sort_by_key(|known| known.row.time);
                rows = all;
            }
            Spoilt::OtherLoggerAppended => {
                let mut more = other(random);
                if random.percent(50) {
                    rows.append(&mut more);
                } else {
                    more.append(&mut rows);
                    rows = more;
                }
            }
            Spoilt::NewestFirst => rows.reverse(),
            Spoilt::TwoDownloads => {
                let at = random.below(len) as usize;
                let again = rows[at..].to_vec();
                let end = random.between(at as i64, len) as usize;
                rows.truncate(end);
                rows.extend(again);
            }
            Spoilt::Swapped => {
                let (a, b) = (random.below(len) as usize, random.below(len) as usize);
                rows.swap(a, b);
            }
        }
    }

    let in_file: BTreeSet<Identity> = rows.iter().filter_map(|known| known.truth).collect();
    let mut fillable = BTreeSet::new();
    let is_reading = |at: usize| matches!(records[at].made, Made::Reading(_));
    let mut at = 0;
    while at < records.len() {
        let end = (at..records.len()).find(|&end| is_held[end] || records[end].epoch != records[at].epoch);
        let end = end.unwrap_or(records.len());
        if end > at {
            let ok = at > 0
                && end < records.len()
                && is_held[at - 1]
                && is_held[end]
                && is_reading(at - 1)
                && is_reading(end)
                && records[at - 1].epoch == records[end].epoch
                && (at..end).all(&is_reading)
                && (at - 1..=end)
                    .all(|at| in_file.contains(&identity(records[at].epoch, records[at].sequence)));
            if ok {
                fillable.extend((at..end).map(|at| identity(records[at].epoch, records[at].sequence)));
            }
        }
        at = end.max(at + 1);
    }
    let tells =
        signals.iter().any(|signal| matches!(signal, Signal::Noisy)) && 2 * i64::from(step_s) <= interval_s;
    Case { ledger, rows, spoilt, fillable, tells }
}

fn file(rows: &[Known]) -> Vec<FileRow> {
    let file_row = |(at, known): (usize, &Known)| FileRow {
        line: at as u64 + 2,
        row: known.row.clone(),
        after_refused: known.after_refused,
    };
    rows.iter().enumerate().map(file_row).collect()
}

/// The name of a reason without its numbers.
fn reason(why: &Why) -> String {
    format!("{why:?}").split([' ', '{']).next().unwrap_or_default().to_owned()
}

#[test]
fn no_row_ever_gets_a_wrong_sequence() {
    let files: u64 = std::env::var("STONECHAT_TEST_FILES").map_or(2_000, |value| value.parse().unwrap());
    let mut total = 0_u64;
    let mut fates: BTreeMap<&str, u64> = BTreeMap::new();
    let mut reasons: BTreeMap<String, u64> = BTreeMap::new();
    let mut by_spoilt: BTreeMap<Spoilt, [u64; 4]> = BTreeMap::new();
    let (mut wrong_anchors, mut clean, mut telling) = (0_u64, [0_u64; 2], [0_u64; 2]);
    let mut wrong: Vec<String> = Vec::new();
    let mut not_filled: BTreeMap<String, u64> = BTreeMap::new();
    for seed in 0..files {
        let mut case = case(seed.wrapping_mul(0x1234_5678_9ABC_DEF1) + 1);
        let rows = file(&case.rows);
        let history = case.ledger.history.clone();
        let Ok(Some(matching)) = match_rows(&history, &mut case.ledger, &rows, &mut |_, _| true) else {
            unreachable!()
        };
        assert_eq!(matching.fates.len(), rows.len());
        let counted: u64 = matching.stretches.iter().map(|stretch| stretch.rows + stretch.repeated).sum();
        assert_eq!(counted, rows.len() as u64, "seed {seed}: every row is in one stretch");
        let mut filled = BTreeSet::new();
        for (at, fate) in matching.fates.iter().enumerate() {
            total += 1;
            let truth = case.rows[at].truth;
            let name = match fate {
                RowFate::Matched(identity) => {
                    if Some(*identity) != truth {
                        wrong.push(format!(
                            "file {seed} ({:?}), line {}: {identity}, and it is {truth:?}",
                            case.spoilt, rows[at].line
                        ));
                    }
                    assert!(filled.insert(*identity), "seed {seed}: two rows for {identity}");
                    "matched"
                }
                RowFate::Anchor(identity) => {
                    wrong_anchors += u64::from(Some(*identity) != truth);
                    "anchor"
                }
                RowFate::Repeated(_) => "repeated",
                RowFate::Unmatched => "unmatched",
                RowFate::Refused => "refused",
            };
            *fates.entry(name).or_default() += 1;
        }
        for stretch in &matching.stretches {
            if let StretchFate::Unmatched(why) | StretchFate::Refused(why) = stretch.what {
                *reasons.entry(reason(&why)).or_default() += stretch.rows;
            }
        }
        let could = case.fillable.len() as u64;
        let did = case.fillable.intersection(&filled).count() as u64;
        for spoilt in &case.spoilt {
            let of = by_spoilt.entry(*spoilt).or_default();
            of[0] += 1;
            of[1] += rows.len() as u64;
            of[2] += could;
            of[3] += did;
        }
        if case.spoilt.len() == 1 && case.spoilt.contains(&Spoilt::Clean) {
            clean[0] += could;
            clean[1] += did;
            if case.tells {
                telling[0] += could;
                telling[1] += did;
            }
            for (at, known) in case.rows.iter().enumerate() {
                if known.truth.is_some_and(|truth| case.fillable.contains(&truth) && !filled.contains(&truth))
                {
                    let line = rows[at].line;
                    let stretch = matching
                        .stretches
                        .iter()
                        .find(|of| (of.first_line..=of.last_line).contains(&line))
                        .unwrap();
                    let name = match stretch.what {
                        StretchFate::Unmatched(why) | StretchFate::Refused(why) => reason(&why),
                        other => format!("{other:?}"),
                    };
                    *not_filled.entry(name).or_default() += 1;
                }
            }
        }
    }
    println!(
        "{files} files, {total} rows: {fates:?}; anchors that agree with a held reading which is not theirs: {wrong_anchors}"
    );
    println!("rows not matched, by reason: {reasons:?}");
    println!(
        "by what was done to the file [files, rows, rows that could be matched, of which were]: {by_spoilt:?}"
    );
    println!(
        "clean files: {} of {} rows that could be matched were; the rest: {not_filled:?}",
        clean[1], clean[0]
    );
    assert!(
        wrong.is_empty(),
        "{} rows with a wrong sequence:\n{}",
        wrong.len(),
        wrong[..wrong.len().min(40)].join("\n")
    );
    println!("of these, where values change much: {} of {}", telling[1], telling[0]);
    // Otherwise a matcher that matches nothing would pass.
    assert!(telling[0] > files / 20 && 10 * telling[1] >= 6 * telling[0], "{telling:?}");
    assert!(clean[0] > files / 10 && 10 * clean[1] >= 4 * clean[0], "{clean:?}");
    for must in [Spoilt::Doubled, Spoilt::Dropped, Spoilt::NewestFirst, Spoilt::TwoDownloads] {
        assert!(by_spoilt[&must][3] > 0, "{must:?}: nothing at all was matched");
    }
}

proptest! {
    /// Arbitrary nonsense on both sides.
    #[test]
    fn matching_keeps_the_order_takes_a_sequence_once_and_only_missing_ones(seed in any::<u64>()) {
        let mut case = case(seed);
        let rows = file(&case.rows);
        let history = case.ledger.history.clone();
        let Ok(Some(matching)) = match_rows(&history, &mut case.ledger, &rows, &mut |_, _| true) else { unreachable!() };
        let mut taken = BTreeSet::new();
        for fate in &matching.fates {
            if let RowFate::Matched(identity) = fate {
                prop_assert!(taken.insert(*identity));
                let epoch = history.epochs.iter().find(|of| of.epoch == identity.epoch).unwrap();
                prop_assert!(epoch.missing.contains(identity.sequence.number()));
            }
        }
        for stretch in matching.stretches.iter().filter(|stretch| stretch.what == StretchFate::Matched) {
            let within = rows.iter().zip(&matching.fates).filter(|(row, _)| (stretch.first_line..=stretch.last_line).contains(&row.line));
            let of: Vec<Identity> = within.filter_map(|(_, fate)| if let RowFate::Matched(of) = fate { Some(*of) } else { None }).collect();
            prop_assert_eq!(of.len() as u64, stretch.rows);
            prop_assert!(of.is_sorted() || of.iter().rev().is_sorted());
        }
    }
}

// One rule each, on a logger that makes a reading every 15 minutes.

const QUARTER: i64 = 900;

/// What a logger made: readings every 15 minutes, unless an entry says otherwise of a sequence.
fn made(last: u32, other: &[(u32, Made)]) -> Vec<Record> {
    let mut time = NOW;
    let mut records = Vec::new();
    for sequence in 1..=last {
        let made = match other.iter().find(|(of, _)| *of == sequence) {
            Some((_, made)) => {
                if let Made::Set(added) = made {
                    time += added;
                }
                made.clone()
            }
            None => {
                time += QUARTER;
                let mut random = Random(u64::from(sequence));
                let counts = [random.between(-900_000, 900_000) as i32, random.between(-9_000, 9_000) as i32];
                Made::Reading(Reading::new(time as u32, 3_600, Some(812), 0, &counts).unwrap())
            }
        };
        records.push(Record { epoch: 3, sequence, time, made });
    }
    records
}

fn ledger_without(records: &[Record], missing: &[std::ops::RangeInclusive<u32>]) -> Ledger {
    let is_held: Vec<bool> =
        records.iter().map(|record| !missing.iter().any(|range| range.contains(&record.sequence))).collect();
    held(records, &is_held, QUARTER, None)
}

fn style(time_s: u32, count: u32) -> Style {
    let steps = Steps { time_s, counts: vec![count; 2], ..Steps::default() };
    let steps = (!steps.is_exact()).then(|| Arc::new(steps));
    Style { steps, cut: false, battery: true, board: true }
}

fn run(ledger: &mut Ledger, rows: &[Known]) -> Matching {
    let history = ledger.history.clone();
    let Ok(Some(matching)) = match_rows(&history, ledger, &file(rows), &mut |_, _| true) else {
        unreachable!()
    };
    for (fate, known) in matching.fates.iter().zip(rows) {
        if let RowFate::Matched(identity) = fate {
            assert_eq!(Some(*identity), known.truth);
        }
    }
    matching
}

fn matched(matching: &Matching) -> Vec<u32> {
    let sequence =
        |fate: &RowFate| if let RowFate::Matched(of) = fate { Some(of.sequence.number()) } else { None };
    matching.fates.iter().filter_map(sequence).collect()
}

/// The reasons for rows that were not matched, with their lines.
fn whys(matching: &Matching) -> Vec<(u64, u64, Why)> {
    let why = |of: &Stretch| match of.what {
        StretchFate::Unmatched(why) | StretchFate::Refused(why) => Some((of.first_line, of.last_line, why)),
        StretchFate::Anchored | StretchFate::Matched => None,
    };
    matching.stretches.iter().filter_map(why).collect()
}

#[test]
fn as_many_rows_as_missing_readings_between_anchors_are_matched_and_keep_the_files_time() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25, 40..=40]);
    for style in [style(0, 0), style(60, 100), style(60, 1)] {
        let rows = rows_of(&records, &style, true);
        let matching = run(&mut ledger, &rows);
        assert_eq!(matched(&matching), [21, 22, 23, 24, 25, 40]);
        let shape: Vec<_> =
            matching.stretches.iter().map(|of| (of.first_line, of.last_line, of.what)).collect();
        let expected = [
            (2, 21, StretchFate::Anchored),
            (22, 26, StretchFate::Matched),
            (27, 40, StretchFate::Anchored),
            (41, 41, StretchFate::Matched),
            (42, 61, StretchFate::Anchored),
        ];
        assert_eq!(shape, expected);
    }
    // The result is the same from the newest to the oldest.
    let mut rows = rows_of(&records, &style(60, 100), true);
    rows.reverse();
    let matching = run(&mut ledger, &rows);
    assert_eq!(matched(&matching), [40, 25, 24, 23, 22, 21]);
    assert_eq!(matching.stretches.first().map(|of| (of.first_line, of.last_line)), Some((2, 21)));
}

#[test]
fn a_stretch_whose_rows_do_not_fit_is_reported_whole() {
    // Sequence 23 is a profile that is missing too: four rows cannot show which of five it is.
    let records = made(60, &[(23, Made::Profile(900))]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    let rows = rows_of(&records, &style(60, 1), true);
    let count = |rows| Why::Count { rows, sequences: 5 };
    assert_eq!(whys(&run(&mut ledger, &rows)), [(22, 25, count(4))]);
    // Where the profile is held, its place is known.
    let mut ledger = ledger_without(&records, &[21..=22, 24..=25]);
    assert_eq!(matched(&run(&mut ledger, &rows)), [21, 22, 24, 25]);
    // A row is not in the file.
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    let mut rows = rows_of(&records, &style(60, 1), true);
    rows.remove(22);
    assert_eq!(whys(&run(&mut ledger, &rows)), [(22, 25, count(4))]);
    // Lines were refused.
    let mut rows = rows_of(&records, &style(60, 1), true);
    rows[22].after_refused = true;
    assert_eq!(whys(&run(&mut ledger, &rows)), [(22, 26, Why::AfterRefused)]);
}

#[test]
fn an_opaque_or_unexpected_record_between_leaves_the_stretch_alone() {
    let records = made(60, &[]);
    let rows = rows_of(&records, &style(60, 1), true);
    let mut ledger = ledger_without(&records, &[21..=25]);
    let at = ledger.history.epochs[0].records.partition_point(|record| record.sequence < 23);
    ledger.history.epochs[0].records.insert(at, HeldRecord { sequence: 23, time: 0, kind: Kind::Unknown });
    assert_eq!(whys(&run(&mut ledger, &rows)), [(22, 26, Why::Unreadable { sequence: 23 })]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    ledger.history.epochs[0].missing = [(22, 25)].into_iter().collect();
    assert_eq!(whys(&run(&mut ledger, &rows)), [(22, 26, Why::NotExpected { sequence: 21 })]);
}

#[test]
fn a_row_is_at_most_a_quarter_of_the_interval_off() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    for (off_s, fits) in [(225, true), (-225, true), (226, false), (-226, false)] {
        let mut rows = rows_of(&records, &style(0, 0), true);
        shifted(&mut rows[22], off_s);
        let matching = run(&mut ledger, &rows);
        if fits {
            assert_eq!(matched(&matching), [21, 22, 23, 24, 25]);
        } else {
            assert_eq!(whys(&matching), [(22, 26, Why::OffTime { line: 24, off_s, most_s: 225 })]);
        }
    }
}

#[test]
fn rows_doubled_count_once_and_rows_doubled_with_other_values_are_refused() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    let rows = rows_of(&records, &style(60, 1), true);
    let twice: Vec<Known> = rows.iter().flat_map(|row| [row.clone(), row.clone()]).collect();
    let matching = run(&mut ledger, &twice);
    assert_eq!(matched(&matching), [21, 22, 23, 24, 25]);
    assert_eq!(matching.fates.iter().filter(|fate| matches!(fate, RowFate::Repeated(_))).count(), 60);
    // Two downloads one after the other.
    let both: Vec<Known> = rows[..40].iter().chain(&rows[15..]).cloned().collect();
    assert_eq!(matched(&run(&mut ledger, &both)), [21, 22, 23, 24, 25]);
    let mut other = rows.clone();
    let mut double = rows[22].clone();
    (double.row.counts[0], double.truth) = (7, None);
    other.insert(23, double.clone());
    let matching = run(&mut ledger, &other);
    assert_eq!(whys(&matching), [(22, 27, Why::Doubled { line: 25 })]);
    assert!(matching.fates[20..26].iter().all(|fate| *fate == RowFate::Refused));
    // The other value comes with a second download of the same rows: neither is taken.
    let mut second = rows[15..].to_vec();
    for row in &mut second {
        row.row.battery_mv = None;
    }
    let both: Vec<Known> = rows.iter().chain(&second).cloned().collect();
    let matching = run(&mut ledger, &both);
    assert_eq!(matched(&matching), [0_u32; 0]);
    assert!(
        whys(&matching).iter().filter(|(_, _, why)| *why == Why::Twice).count() == 2,
        "{:?}",
        whys(&matching)
    );
}

#[test]
fn a_row_that_disagrees_with_a_held_reading_is_refused_and_nothing_near_it_is_matched() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    let mut rows = rows_of(&records, &style(60, 1), true);
    rows[29].row.counts[1] += 1;
    let expected =
        [(22, 26, Why::DisagreeNear), (31, 31, Why::Disagrees { line: 31, epoch: 3, sequence: 30 })];
    assert_eq!(whys(&run(&mut ledger, &rows)), expected);
    // Within half a step of the file's it agrees.
    let rows = rows_of(&records, &style(60, 1_000), true);
    assert_eq!(matched(&run(&mut ledger, &rows)), [21, 22, 23, 24, 25]);
}

#[test]
fn a_file_that_is_an_hour_off_or_of_another_logger_is_not_matched() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[21..=25]);
    for seconds in [3_600, -3_600, 900, 86_400] {
        let mut rows = rows_of(&records, &style(60, 1), true);
        rows.iter_mut().for_each(|row| shifted(row, seconds));
        assert_eq!(matched(&run(&mut ledger, &rows)), [0_u32; 0]);
    }
    // Values that stay the same also agree an hour off, and prove nothing.
    let still: Vec<Record> = made(60, &[])
        .into_iter()
        .map(|record| {
            let made = Made::Reading(Reading::new(record.time as u32, 3_600, Some(812), 0, &[5, 5]).unwrap());
            Record { made, ..record }
        })
        .collect();
    let mut ledger = ledger_without(&still, &[21..=25]);
    for seconds in [0, 3_600] {
        let mut rows = rows_of(&still, &style(60, 1), true);
        rows.iter_mut().for_each(|row| shifted(row, seconds));
        let matching = run(&mut ledger, &rows);
        assert!(whys(&matching).iter().any(|(_, _, why)| *why == Why::StandsStill), "{:?}", whys(&matching));
    }
}

#[test]
fn a_held_clock_setting_or_power_up_cuts_the_times_and_two_of_them_leave_the_stretch() {
    for added in [300, -300, 3_600, -3_600, 800_000_000, -800_000_000] {
        let records = made(90, &[(43, Made::Set(added))]);
        let rows = rows_of(&records, &style(0, 0), true);
        let mut ledger = ledger_without(&records, &[41..=42, 44..=46]);
        assert_eq!(matched(&run(&mut ledger, &rows)), [41, 42, 44, 45, 46], "{added}");
    }
    let records = made(90, &[(43, Made::Set(300)), (46, Made::PowerUp)]);
    let rows = rows_of(&records, &style(0, 0), true);
    let mut ledger = ledger_without(&records, &[41..=42, 44..=45, 47..=47]);
    assert_eq!(whys(&run(&mut ledger, &rows)), [(42, 46, Why::TwoChanges)]);
    // The setting itself is missing: one row too few.
    let records = made(90, &[(43, Made::Set(300))]);
    let mut ledger = ledger_without(&records, &[41..=46]);
    assert_eq!(
        whys(&run(&mut ledger, &rows_of(&records, &style(0, 0), true))),
        [(42, 46, Why::Count { rows: 5, sequences: 6 })]
    );
}

#[test]
fn what_has_no_reading_held_on_both_sides_is_not_matched() {
    let records = made(60, &[]);
    let mut ledger = ledger_without(&records, &[1..=5, 51..=60]);
    let rows = rows_of(&records, &style(60, 1), true);
    let matching = run(&mut ledger, &rows);
    assert_eq!(whys(&matching), [(2, 6, Why::NoNeighbour), (52, 61, Why::NoNeighbour)]);
    // The file ends with the gap, whose other side came by radio.
    let mut ledger = ledger_without(&records, &[31..=40]);
    assert_eq!(matched(&run(&mut ledger, &rows[..40])), (31..=40).collect::<Vec<_>>());
    assert_eq!(matched(&run(&mut ledger, &rows[30..])), (31..=40).collect::<Vec<_>>());
    // It ends within the gap.
    assert_eq!(whys(&run(&mut ledger, &rows[..39])), [(32, 40, Why::Count { rows: 9, sequences: 10 })]);
    // No row of it matches the ledger.
    assert_eq!(whys(&run(&mut ledger, &rows[30..40])), [(2, 11, Why::NoAnchor)]);
    assert_eq!(run(&mut ledger, &[]), Matching::default());
}

#[test]
fn the_work_grows_with_the_rows_and_not_faster() {
    // Every tenth reading is missing; 40 and 400 stretches.
    let mut asked = Vec::new();
    for last in [4_000, 40_000] {
        let records = made(last, &[]);
        let is_held: Vec<bool> = records.iter().map(|record| record.sequence % 10 != 5).collect();
        let mut ledger = held(&records, &is_held, QUARTER, None);
        let rows = rows_of(&records, &style(60, 1), true);
        let matching = run(&mut ledger, &rows);
        assert_eq!(matched(&matching).len() as u32, last / 10);
        asked.push(ledger.asked);
    }
    assert!(asked[0] <= 2 * 4_000 && asked[1] <= 2 * 40_000, "contents asked for: {asked:?}");
}
