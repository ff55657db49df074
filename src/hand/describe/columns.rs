//! What was found in each column, cell by cell.

use super::style::{is_numeric, is_unix, reads};
use crate::config::layout::{Format, Piece};
use crate::when::civil::CivilTime;
use std::collections::BTreeMap;

/// How many different texts of a column are kept.
const TEXTS_MAX: usize = 12;
/// How many changes of a value are needed before a step coarser than its decimals is accepted: at random, all of them
/// are even once in a million times.
const CHANGES_MIN: u64 = 20;
/// Decimal places that are examined.
const PLACES_MAX: usize = 9;

/// How often a mark was in a number in a way that allows only one meaning.
#[derive(Debug, Default)]
pub(super) struct Marks {
    pub(super) decimal: u64,
    pub(super) grouping: u64,
    either: u64,
}

/// The possible meanings of the commas and dots of all numbers.
#[derive(Debug, Default)]
pub(super) struct NumberMarks {
    comma: Marks,
    dot: Marks,
}

impl NumberMarks {
    fn of(&mut self, mark: u8) -> &mut Marks {
        if mark == b',' { &mut self.comma } else { &mut self.dot }
    }

    /// How many numbers have separators between thousands.
    pub(super) fn grouping(&self) -> u64 {
        self.comma.grouping + self.dot.grouping
    }

    /// Counts the possible meanings of a number's marks; returns the place of its decimal mark, as far as that is
    /// known.
    pub(super) fn note(&mut self, cell: &[u8]) -> Option<usize> {
        let digits_from = cell.iter().position(u8::is_ascii_digit).unwrap_or(0);
        let all: Vec<usize> = (0..cell.len()).filter(|&at| b",.".contains(&cell[at])).collect();
        match all.as_slice() {
            [] => None,
            [one] => {
                let (before, after) = (one - digits_from.min(*one), cell.len() - one - 1);
                let zero_first = cell.get(digits_from) == Some(&b'0');
                if after == 3 && (1..=3).contains(&before) && !zero_first {
                    self.of(cell[*one]).either += 1;
                } else {
                    self.of(cell[*one]).decimal += 1;
                }
                Some(*one)
            }
            [.., last] if all[..all.len() - 1].iter().all(|&at| cell[at] != cell[*last]) => {
                self.of(cell[*last]).decimal += 1;
                self.of(cell[all[0]]).grouping += 1;
                Some(*last)
            }
            [first, ..] => {
                self.of(cell[*first]).grouping += 1;
                None
            }
        }
    }

    /// The decimal mark; `None` if it is not known.
    pub(super) fn decimal_mark(&self) -> Option<u8> {
        let (comma, dot) = (&self.comma, &self.dot);
        match (comma.decimal > 0, dot.decimal > 0) {
            (true, false) => Some(b','),
            (false, true) => Some(b'.'),
            (true, true) => Some(if comma.decimal > dot.decimal { b',' } else { b'.' }),
            (false, false) if comma.either > 0 && dot.either == 0 => None,
            (false, false) if dot.either > 0 && comma.either == 0 => None,
            (false, false) => Some(b'.'),
        }
    }
}

/// When a row was made, as far as the cells before this one show.
#[derive(Default)]
pub(super) struct RowMoment {
    /// A day, and whether its time of day is known with it.
    day: Option<(CivilTime, bool)>,
    clock: Option<CivilTime>,
}

impl RowMoment {
    /// Only the first day and the first time of day count.
    fn note(&mut self, local: CivilTime, format: &Format) {
        let has_clock = format.has(Piece::Minute);
        if format.has(Piece::Day) && self.day.is_none() {
            self.day = Some((local, has_clock));
        } else if has_clock && self.clock.is_none() {
            self.clock = Some(local);
        }
    }

    fn note_unix(&mut self, cell: &[u8]) {
        let unix = std::str::from_utf8(cell).ok().and_then(|text| text.parse().ok());
        if self.day.is_none() {
            self.day = unix.and_then(|unix| CivilTime::of_unix(unix, 0)).map(|at| (at, true));
        }
    }

    pub(super) fn local(&self) -> Option<CivilTime> {
        match (self.day, self.clock) {
            (Some((day, true)), _) => Some(day),
            (Some((day, false)), Some(clock)) => Some(day.with_clock_of(clock)),
            _ => None,
        }
    }
}

/// What was found in a column.
#[derive(Debug)]
pub(super) struct Seen {
    pub(super) name: String,
    pub(super) unit: String,
    pub(super) numbers: u64,
    pub(super) empty: u64,
    pub(super) texts: BTreeMap<String, u64>,
    pub(super) more_texts: bool,
    pub(super) exponents: u64,
    pub(super) places: usize,
    /// Greatest common divisor of the values in 1e-9.
    pub(super) divisor: u128,
    pub(super) last: i128,
    pub(super) changes: u64,
    pub(super) by_one: u64,
    pub(super) least: i128,
    pub(super) most: i128,
    pub(super) formats: Option<Vec<Format>>,
    pub(super) times: u64,
    pub(super) seconds: bool,
}

impl Seen {
    pub(super) fn new(name: String, unit: String) -> Self {
        Self {
            name,
            unit,
            numbers: 0,
            empty: 0,
            texts: BTreeMap::new(),
            more_texts: false,
            exponents: 0,
            places: 0,
            divisor: 0,
            last: i128::MIN,
            changes: 0,
            by_one: 0,
            least: i128::MAX,
            most: i128::MIN,
            formats: None,
            times: 0,
            seconds: false,
        }
    }

    pub(super) fn text(&mut self, cell: &[u8]) {
        let text = String::from_utf8_lossy(cell).into_owned();
        if self.texts.contains_key(&text) || self.texts.len() < TEXTS_MAX {
            *self.texts.entry(text).or_default() += 1;
        } else {
            self.more_texts = true;
        }
    }

    /// Counts a cell as a time, if it is one. `rows`: number of rows including this one.
    pub(super) fn time(&mut self, cell: &[u8], all: &[Format], rows: u64, moment: &mut RowMoment) -> bool {
        let is_first = self.formats.is_none();
        let fitting = || all.iter().filter(|format| reads(format, cell).is_some()).cloned().collect();
        let formats = self.formats.get_or_insert_with(fitting);
        if formats.is_empty() {
            return false;
        }
        if !formats.iter().any(|format| reads(format, cell).is_some()) {
            // Not all cells are times. The rows before this one counted as not being times.
            if self.times * 20 < rows * 19 {
                formats.clear();
            }
            return false;
        }
        if !is_first {
            formats.retain(|format| reads(format, cell).is_some());
        }
        self.times += 1;
        if let Some((local, seconds)) = formats.first().and_then(|format| reads(format, cell)) {
            self.seconds |= seconds;
            moment.note(local, &formats[0]);
        }
        true
    }

    /// Counts a cell as a number or a text.
    pub(super) fn value(&mut self, cell: &[u8], marks: &mut NumberMarks, moment: &mut RowMoment) {
        if !is_numeric(cell) {
            self.text(cell);
        } else if cell.iter().any(|byte| b"eE".contains(byte)) {
            self.exponents += 1;
            self.numbers += 1;
        } else {
            let mark = marks.note(cell);
            if is_unix(cell) && self.name.to_lowercase().contains("time") {
                moment.note_unix(cell);
            }
            self.number(cell, mark);
        }
    }

    /// `mark`: the place of the decimal mark in the cell.
    pub(super) fn number(&mut self, cell: &[u8], mark: Option<usize>) {
        self.numbers += 1;
        let negative = cell.first() == Some(&b'-');
        let (mut value, mut places) = (0_i128, 0);
        for (at, &byte) in cell.iter().enumerate() {
            if byte.is_ascii_digit() {
                if mark.is_some_and(|mark| at > mark) {
                    places += 1;
                    if places > PLACES_MAX {
                        break;
                    }
                }
                value = value.saturating_mul(10).saturating_add(i128::from(byte - b'0'));
            }
        }
        self.places = self.places.max(places.min(PLACES_MAX));
        value = value.saturating_mul(10_i128.pow((PLACES_MAX - places.min(PLACES_MAX)) as u32));
        self.divisor = gcd(self.divisor, value.unsigned_abs());
        let value = if negative { -value } else { value };
        self.changes += u64::from(value != self.last);
        self.by_one += u64::from(self.last != i128::MIN && value - self.last == 1_000_000_000);
        self.last = value;
        self.least = self.least.min(value);
        self.most = self.most.max(value);
    }

    /// The step: that of the decimals, or a coarser one if every value is a multiple of it.
    pub(super) fn resolution(&self) -> String {
        let unit = 10_u128.pow((PLACES_MAX - self.places) as u32);
        let mut step = unit;
        if self.changes >= CHANGES_MIN {
            let mut next = unit;
            for _ in 0..6 {
                for times in [1, 2, 5] {
                    let candidate = next * times;
                    if self.divisor > 0 && self.divisor.is_multiple_of(candidate) {
                        step = step.max(candidate);
                    }
                }
                next *= 10;
            }
        }
        let (whole, rest) = (step / 1_000_000_000, step % 1_000_000_000);
        if rest == 0 {
            whole.to_string()
        } else {
            format!("{whole}.{}", format!("{rest:09}").trim_end_matches('0'))
        }
    }

    /// The unit from its name or its line of units.
    pub(super) fn unit_text(&self) -> &str {
        let bare = |text: &'_ str| -> Option<(usize, usize)> {
            let open = text.rfind(['(', '['])?;
            let close = text[open..].find([')', ']'])? + open;
            Some((open + 1, close))
        };
        if !self.unit.is_empty() {
            return self.unit.trim_matches(|c| "[]()".contains(c)).trim();
        }
        if let Some((from, to)) = bare(&self.name) {
            return self.name[from..to].trim();
        }
        self.name.rsplit([' ', '_', '/']).next().unwrap_or_default()
    }

    pub(super) fn only_times(&self) -> bool {
        self.times > 0 && self.formats.as_ref().is_some_and(|formats| !formats.is_empty())
    }

    pub(super) fn has_word(&self, words: &[&str]) -> bool {
        let name = self.name.to_lowercase();
        name.split(|c: char| !c.is_alphanumeric()).any(|word| words.contains(&word))
    }
}

fn gcd(a: u128, b: u128) -> u128 {
    let (mut a, mut b) = (a, b);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}
