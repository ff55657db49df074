//! What the file does not show, and held readings do: the offset of its clock, the order of day and month, the unit of a
//! column and its channel, whether it cuts seconds off, whether its record numbers are sequences.
//!
//! Input: rows of the file, and what is held of the logger that it is from. Output: [`Found`]: only what nearly all rows
//! agree with, and what no other reading of the file agrees with. What this is not: it decides no row. An import compares
//! every row again.

use super::columns::{Seen, is_numeric, value};
use super::found::Found;
use super::look::Description;
use super::roles::Role;
use super::times::Reading;
use crate::config::layout::{Piece, unit};
use crate::record::download::{HeldKind, HeldLedger};
use crate::record::roster::{Logger, Roster};
use crate::time::LoggerTime;
use crate::wire::record::{RawUnit, Reading as HeldReading};
use crate::wire::seq::{Address, Identity};
use std::collections::BTreeSet;

/// How many held readings are compared.
const HELD_MAX: usize = 20_000;
/// How many rows are compared.
const SAMPLE: usize = 240;
/// The fewest rows that agree.
const ROWS_MIN: usize = 12;
/// The fewest different values among them.
const VALUES_MIN: usize = 4;
/// Offsets of clocks differ by a quarter of an hour, and are at most this many of those.
const QUARTERS_MAX: i64 = 14 * 4;
const QUARTER_S: i64 = 900;
/// Percent of compared rows that must agree, and that may agree by another reading of the file.
const AGREE_MIN: usize = 95;
const OTHERS_MAX: usize = 70;
/// Held readings around the times of a file: its largest offset, and an hour.
const AROUND_S: i64 = QUARTERS_MAX * QUARTER_S + 3_600;

/// What is held of a logger.
pub struct HeldReadings {
    pub address: Address,
    raw_units: Vec<Option<RawUnit>>,
    /// By time.
    readings: Vec<(Identity, HeldReading)>,
}

impl HeldReadings {
    /// Reads them from a ledger: those around the times of a file.
    pub fn of<E>(
        ledger: &mut dyn HeldLedger<Error = E>,
        logger: &Logger,
        (from, to): (i64, i64),
    ) -> Result<Self, E> {
        let span = (LoggerTime(from.saturating_sub(AROUND_S)), LoggerTime(to.saturating_add(AROUND_S)));
        let mut found: Vec<(u32, Identity)> = Vec::new();
        ledger.held_of(logger.address, span, &mut |item| {
            if matches!(item.kind, HeldKind::Reading) {
                found.push((item.time, item.identity));
            }
        })?;
        found.sort_unstable();
        found.truncate(HELD_MAX);
        let mut readings = Vec::with_capacity(found.len());
        ledger.judge(&mut |held| {
            for (_, identity) in &found {
                // A row of another file proves nothing.
                if let Some(reading) = held.reading(*identity)? {
                    readings.push((*identity, reading));
                }
            }
            Ok(())
        })?;
        let raw_units = logger.channels.iter().map(|channel| Some(channel.raw_unit)).collect();
        Ok(Self { address: logger.address, raw_units, readings })
    }

    fn channels(&self) -> usize {
        match self.raw_units.len() {
            0 => self.readings.first().map_or(0, |(_, reading)| reading.counts().len()),
            channels => channels,
        }
    }

    /// The readings within a span of time, ends included.
    fn within(&self, from: i64, to: i64) -> &[(Identity, HeldReading)] {
        let place = |at: i64| self.readings.partition_point(|(_, reading)| i64::from(reading.time) < at);
        self.readings.get(place(from)..place(to + 1)).unwrap_or(&[])
    }
}

/// The units in which files show a raw unit, with the counts in one; then bare counts, also ten of them, and so on.
fn units_of(raw: Option<RawUnit>) -> Vec<(&'static str, i128)> {
    const UNITS: [&str; 18] = [
        "Hz", "mHz", "kHz", "ohm", "mohm", "kohm", "V/V", "mV/V", "uV/V", "A", "mA", "uA", "nA", "V", "mV",
        "uV", "sine", "pulse",
    ];
    let mut all: Vec<(&'static str, i128)> = UNITS
        .iter()
        .filter_map(|name| {
            let (of, counts) = unit(name)?;
            (of == raw && raw.is_some()).then_some((*name, counts.parse().ok()?))
        })
        .collect();
    let by_ten = (0..=9).map(|zeros| (COUNT, 10_i128.pow(zeros)));
    let more: Vec<_> = by_ten.filter(|(_, counts)| !all.iter().any(|(_, of)| of == counts)).collect();
    all.extend(more);
    all
}

/// The unit of bare counts.
const COUNT: &str = "count";

/// One row of the sample: its place among the kept rows, and the number in each column, in 1e-9.
struct Sampled {
    row: usize,
    numbers: Vec<Option<i128>>,
}

/// How rows agree in one column.
#[derive(Clone, Debug, Default)]
struct Tally {
    compared: usize,
    agreed: usize,
    values: BTreeSet<i64>,
}

impl Tally {
    fn note(&mut self, agrees: bool, held: i64) {
        self.compared += 1;
        if agrees {
            self.agreed += 1;
            self.values.insert(held);
        }
    }

    fn percent(&self) -> usize {
        if self.compared < ROWS_MIN { 0 } else { self.agreed * 100 / self.compared }
    }

    fn is_telling(&self, values: usize) -> bool {
        self.percent() >= AGREE_MIN && self.values.len() >= values
    }
}

/// The column that agrees best with a channel, its unit, and the counts in one number.
struct Best {
    column: usize,
    unit: &'static str,
    counts: i128,
    tally: Tally,
    /// Whether the file names this unit.
    is_named: bool,
}

/// How the file agrees, read in one way.
struct Agreement {
    reading: usize,
    offset_s: i64,
    rows: usize,
    /// For each channel the column and the unit that agree best.
    channels: Vec<Best>,
}

impl Agreement {
    fn percent(&self) -> usize {
        self.channels.iter().map(|best| best.tally.percent()).min().unwrap_or(0)
    }

    /// How many channels agree in the unit that the file names.
    fn named(&self) -> usize {
        self.channels.iter().filter(|best| best.is_named).count()
    }

    fn is_telling(&self) -> bool {
        let any = self.channels.iter().any(|best| best.tally.values.len() >= VALUES_MIN);
        any && self.percent() >= AGREE_MIN
    }
}

impl Description {
    /// The logger that the file is from: by its column, or by the only number of its name that is an address on the
    /// roster.
    pub fn logger(&self, roster: &Roster) -> Option<Address> {
        let known = |number: u16| Address::new(number).filter(|&address| roster.contains(address));
        if let Some(at) = self.roles.iter().position(|role| *role == Role::Logger) {
            let cells: BTreeSet<String> = self.cells_of(&[at]).into_iter().flatten().collect();
            let mut cells = cells.iter();
            let (only, None) = (cells.next()?, cells.next()) else { return None };
            let by_name =
                || roster.loggers().find(|logger| logger.name == *only).map(|logger| logger.address);
            return only.parse().ok().and_then(known).or_else(by_name);
        }
        let name = self.name.rsplit('/').next().unwrap_or(&self.name);
        let numbers = name.split(|c: char| !c.is_ascii_digit()).filter_map(|digits| digits.parse().ok());
        let found: BTreeSet<Address> = numbers.filter_map(known).collect();
        found.first().copied().filter(|_| found.len() == 1)
    }

    /// The first and the last time of its rows, in any of the possible readings.
    pub fn span(&self) -> Option<(i64, i64)> {
        let all = || self.times.readings.iter().flat_map(|reading| reading.at.iter().flatten().copied());
        Some((all().min()?, all().max()?))
    }

    /// Adds a line to what was found.
    pub fn note(&mut self, text: String) {
        self.found.get_or_insert_default().notes.push(text);
    }

    /// Compares the rows with what is held, and keeps what that shows.
    pub fn compare(&mut self, held: &HeldReadings) {
        let mut found = Found::default();
        let name = held.address;
        if held.readings.is_empty() {
            found.notes.push(format!("Nothing is held of logger {name} around these times to compare with."));
            self.found = Some(found);
            return;
        }
        let marks = match self.decimal_mark {
            Some(mark) => vec![mark],
            None => vec![b'.', b','],
        };
        let mut all: Vec<(u8, Agreement)> = Vec::new();
        for &mark in &marks {
            let sample = self.sample(mark);
            all.extend(self.agreements(held, &sample, mark).into_iter().map(|of| (mark, of)));
        }
        all.sort_by_key(|(_, of)| (of.percent(), of.named(), of.rows));
        let best = all.pop();
        // By another decimal mark the same numbers may agree as others: that is no other time.
        let is_other = |of: &Agreement| {
            best.as_ref().is_some_and(|(_, best)| (of.reading, of.offset_s) != (best.reading, best.offset_s))
        };
        let others = all.iter().filter(|(_, of)| is_other(of)).map(|(_, of)| of.percent()).max().unwrap_or(0);
        let Some((mark, best)) = best.filter(|(_, best)| best.is_telling() && others <= OTHERS_MAX) else {
            found.notes.push(format!(
                "Compared with what is held of logger {name}: the rows agree at no offset, or at several. What is left \
                 to choose is yours."
            ));
            self.found = Some(found);
            return;
        };
        self.decimal_mark = Some(mark);
        let reading = self.times.readings[best.reading].clone();
        self.times.readings = vec![reading.clone()];
        let sample = self.sample(mark);
        self.keep_found(held, &best, &reading, &sample, mark, &mut found);
        self.found = Some(found);
    }

    /// Rows from all parts of the file.
    fn sample(&self, mark: u8) -> Vec<Sampled> {
        let all: Vec<usize> = (0..self.width).collect();
        let rows = self.kept.len();
        let stride = rows.div_ceil(SAMPLE).max(1);
        let cells = self.cells_of(&all);
        (0..rows)
            .step_by(stride)
            .filter_map(|row| {
                let cells = cells.get(row)?;
                let numbers = self.columns.iter().zip(cells).map(|(column, cell)| number(column, cell, mark));
                Some(Sampled { row, numbers: numbers.collect() })
            })
            .collect()
    }

    /// How many seconds apart a row and its reading may be.
    fn tolerance_s(&self, reading: &Reading) -> i64 {
        let has_seconds = reading.at.iter().flatten().any(|at| at % 60 != 0);
        if has_seconds { 1 } else { 59 }
    }

    /// How the file agrees, by each of its possible formats and offsets.
    fn agreements(&self, held: &HeldReadings, sample: &[Sampled], mark: u8) -> Vec<Agreement> {
        let mut all = Vec::new();
        for (nth, reading) in self.times.readings.iter().enumerate() {
            let quarters = if self.is_absolute(reading) { 0..=0 } else { -QUARTERS_MAX..=QUARTERS_MAX };
            let tolerance_s = self.tolerance_s(reading);
            for offset_s in quarters.map(|quarter| quarter * QUARTER_S) {
                let pairs = pairs(held, reading, sample, offset_s, tolerance_s);
                if pairs.len() < ROWS_MIN {
                    continue;
                }
                let channels = (0..held.channels()).map(|channel| self.best_of(held, channel, &pairs, mark));
                let channels: Vec<_> = channels.map_while(|of| of).collect();
                if channels.len() == held.channels() && !channels.is_empty() {
                    all.push(Agreement { reading: nth, offset_s, rows: pairs.len(), channels });
                }
            }
        }
        all
    }

    /// Whether the file gives instants.
    pub(super) fn is_absolute(&self, reading: &Reading) -> bool {
        reading.has(Piece::Offset) || reading.has(Piece::Unix) || reading.has(Piece::UnixMillis)
    }

    /// The column and the unit that agree best with a channel.
    fn best_of(
        &self,
        held: &HeldReadings,
        channel: usize,
        pairs: &[(&Sampled, &(Identity, HeldReading))],
        mark: u8,
    ) -> Option<Best> {
        let raw = held.raw_units.get(channel).copied().flatten();
        let mut best: Option<Best> = None;
        for at in self.number_columns() {
            let named = match self.roles[at] {
                Role::Channel(unit) => Some(unit),
                _ => None,
            };
            let step = step(&self.columns[at], mark);
            for (name, counts) in units_of(raw) {
                // A step must be a whole number of counts; one that no unit names must show every count.
                let is_scaled = name == COUNT && counts > 1;
                if (step * counts) % NANO != 0 || (is_scaled && step * counts != NANO) {
                    continue;
                }
                let mut tally = Tally::default();
                for (row, (_, reading)) in pairs {
                    let count = reading.counts().get(channel).copied().unwrap_or(0);
                    if reading.faults() >> channel & 1 == 1 {
                        continue;
                    }
                    if let Some(number) = row.numbers.get(at).copied().flatten() {
                        tally.note(is_near(number, count.into(), counts, step), count.into());
                    }
                }
                let is_named = named == Some(name);
                let merit = (tally.percent(), is_named);
                if best.as_ref().is_none_or(|of| merit > (of.tally.percent(), of.is_named)) {
                    best = Some(Best { column: at, unit: name, counts, tally, is_named });
                }
            }
        }
        best
    }

    /// Columns of numbers that are no times.
    fn number_columns(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.width).filter(|&at| {
            let role = &self.roles[at];
            self.columns[at].numbers > 0 && !role.is_time() && !matches!(role, Role::Logger | Role::Epoch)
        })
    }

    fn keep_found(
        &self,
        held: &HeldReadings,
        best: &Agreement,
        reading: &Reading,
        sample: &[Sampled],
        mark: u8,
        found: &mut Found,
    ) {
        let tolerance_s = self.tolerance_s(reading);
        let pairs = pairs(held, reading, sample, best.offset_s, tolerance_s);
        let offset = crate::text::offset_label(best.offset_s as i32);
        let only = if self.is_absolute(reading) { "" } else { ", and at no other offset" };
        found.notes.push(format!(
            "Compared with what is held of logger {}: {} % of {} rows agree, read as {offset}{only}.",
            held.address,
            best.percent(),
            best.rows
        ));
        found.offset_s = Some(best.offset_s as i32);
        for (channel, of) in best.channels.iter().enumerate() {
            let scale = Some(of.counts).filter(|counts| of.unit == COUNT && *counts > 1);
            found.channels.insert(of.column, (channel, of.unit, scale));
        }
        if found.channels.len() < best.channels.len() {
            // One column cannot be two channels.
            found.channels.clear();
        }
        // By how much held times are later than those of the file.
        let apart: Vec<i64> =
            pairs.iter().map(|(row, (_, held))| apart_s(reading, row, held, best.offset_s)).collect();
        if tolerance_s > 1 {
            let all = |is: fn(i64) -> bool| apart.iter().all(|&by| is(by));
            found.is_exact = all(|by| by == 0);
            if all(|by| (0..60).contains(&by)) && !all(|by| by <= 30) {
                found.cut = Some(true);
            } else if all(|by| (-30..=30).contains(&by)) {
                found.cut = Some(false);
            }
        }
        let tally = |at: usize, counts: i128, of: &dyn Fn(&HeldReading) -> Option<i64>| {
            let step = step(&self.columns[at], mark);
            let mut tally = Tally::default();
            for (row, (_, held)) in &pairs {
                if let (Some(number), Some(held)) = (row.numbers.get(at).copied().flatten(), of(held)) {
                    tally.note(is_near(number, held, counts, step), held);
                }
            }
            if (step * counts) % NANO == 0 { tally } else { Tally::default() }
        };
        let free: Vec<usize> = self.number_columns().filter(|at| !found.channels.contains_key(at)).collect();
        let battery = |held: &HeldReading| Some(i64::from(held.battery_mv));
        found.battery = [1000, 1]
            .iter()
            .flat_map(|&scale| free.iter().map(move |&at| (at, scale)))
            .find(|&(at, scale)| tally(at, i128::from(scale), &battery).is_telling(1));
        let board = |held: &HeldReading| held.board_centi_c.map(i64::from);
        found.board = [100, 1]
            .iter()
            .flat_map(|&scale| free.iter().map(move |&at| (at, scale)))
            .find(|&(at, scale)| tally(at, i128::from(scale), &board).is_telling(VALUES_MIN));
        self.find_sequence(&pairs, &free, found);
        self.find_odd(held, best, reading, found);
    }

    /// A column that counts as the logger does.
    fn find_sequence(
        &self,
        pairs: &[(&Sampled, &(Identity, HeldReading))],
        free: &[usize],
        found: &mut Found,
    ) {
        let is_record = |at: &&usize| matches!(self.roles[**at], Role::Record | Role::Sequence);
        for &at in free.iter().filter(is_record) {
            let mut epochs = BTreeSet::new();
            let (mut compared, mut agreed) = (0, 0);
            for (row, (identity, _)) in pairs {
                let Some(number) = row.numbers.get(at).copied().flatten() else { continue };
                compared += 1;
                agreed += usize::from(number == i128::from(identity.sequence.number()) * NANO);
                epochs.insert(identity.epoch.number());
            }
            let name = &self.columns[at].name;
            let shown: String =
                name.chars().map(|c| if crate::text::is_obeyed(c) { '?' } else { c }).collect();
            if compared >= ROWS_MIN && agreed == compared && epochs.len() == 1 {
                let epoch = epochs.first().copied().unwrap_or(1);
                found.notes.push(format!(
                    "Column {shown:?} has the logger's sequences: all of {compared} rows agree, in epoch {epoch}."
                ));
                found.sequence = Some((at, epoch));
                return;
            }
            if compared >= ROWS_MIN {
                found.notes.push(format!(
                    "Column {shown:?} counts the rows, and is not the logger's sequence: {agreed} of {compared} rows \
                     agree."
                ));
            }
        }
    }

    /// Whether numbers such as -9999 mean that there is no value: by what is held where they are.
    fn find_odd(&self, held: &HeldReadings, best: &Agreement, reading: &Reading, found: &mut Found) {
        let tolerance_s = self.tolerance_s(reading);
        for (at, column) in self.columns.iter().enumerate() {
            let Some(&(channel, name, scale)) = found.channels.get(&at) else { continue };
            let counts =
                scale.or_else(|| unit(name).and_then(|(_, counts)| counts.parse().ok())).unwrap_or(1);
            let cells = if column.odd.is_empty() { Vec::new() } else { self.cells_of(&[at]) };
            for text in column.odd.keys() {
                let number = value(text.as_bytes(), self.decimal_mark.unwrap_or(b'.')).0;
                if number.abs() >= NUMBER_MAX {
                    continue;
                }
                let (mut same, mut other) = (0, 0);
                for (row, _) in cells.iter().enumerate().filter(|(_, cell)| cell[0] == *text) {
                    let Some(Some(local)) = reading.at.get(row) else { continue };
                    let time = local - best.offset_s;
                    for (_, of) in held.within(time - tolerance_s, time + tolerance_s) {
                        let count = of.counts().get(channel).copied().unwrap_or(0);
                        if number * counts == i128::from(count) * NANO {
                            same += 1;
                        } else {
                            other += 1;
                        }
                    }
                }
                if same + other > 0 && (same == 0 || other == 0) {
                    found.odd.insert((at, text.clone()), same == 0);
                }
            }
        }
    }
}

const NANO: i128 = 1_000_000_000;
/// Numbers that are compared are smaller, in 1e-9.
const NUMBER_MAX: i128 = 1_000_000_000 * NANO * 1_000_000;

/// A number of a cell in 1e-9; `None` if there is none, or one that may mean "no value".
fn number(column: &Seen, cell: &str, mark: u8) -> Option<i128> {
    if column.odd.contains_key(cell) {
        return None;
    }
    let bare = match column.suffix() {
        Some(suffix) => cell.strip_suffix(suffix)?.trim_end(),
        None => cell,
    };
    let digits: String = bare
        .chars()
        .filter(|c| !matches!(c, '\'' | '’' | ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}'))
        .collect();
    let is_number = is_numeric(digits.as_bytes()) && !digits.contains(['e', 'E']);
    is_number.then(|| value(digits.as_bytes(), mark).0).filter(|number| number.abs() < NUMBER_MAX)
}

/// The step of a column, in 1e-9.
fn step(column: &Seen, mark: u8) -> i128 {
    value(column.numbers_by(mark).resolution().as_bytes(), b'.').0.max(1)
}

/// Whether a number of the file can be a number of counts, at the file's step.
fn is_near(number: i128, held: i64, counts: i128, step: i128) -> bool {
    let apart = (number * counts - i128::from(held) * NANO).abs();
    2 * apart <= if step * counts > NANO { step * counts } else { 0 }
}

fn apart_s(reading: &Reading, row: &Sampled, held: &HeldReading, offset_s: i64) -> i64 {
    let local = reading.at.get(row.row).copied().flatten().unwrap_or(0);
    i64::from(held.time) - (local - offset_s)
}

/// Rows with the held reading of their time, where there is exactly one.
fn pairs<'a>(
    held: &'a HeldReadings,
    reading: &Reading,
    sample: &'a [Sampled],
    offset_s: i64,
    tolerance_s: i64,
) -> Vec<(&'a Sampled, &'a (Identity, HeldReading))> {
    let of = |row: &'a Sampled| {
        let time = reading.at.get(row.row).copied().flatten()? - offset_s;
        match held.within(time - tolerance_s, time + tolerance_s) {
            [one] => Some((row, one)),
            _ => None,
        }
    };
    sample.iter().filter_map(of).collect()
}
