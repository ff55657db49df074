//! What was found in each column, cell by cell.

use super::forms::{forms, read};
use super::words::{self, Word};
use crate::config::layout::{Format, Piece};
use crate::hand::layout::plain;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

/// How many different texts of a column are kept.
const TEXTS_MAX: usize = 12;
/// How many changes of a value are needed before a step coarser than its decimals is accepted: at random, all of them
/// are even once in a million times.
const CHANGES_MIN: u64 = 20;
/// Decimal places that are examined.
const PLACES_MAX: usize = 9;
/// How many lines of a number that may mean "no value" are named.
const LINES_SHOWN: usize = 3;

/// How often a mark was in a number in a way that allows only one meaning.
#[derive(Debug, Default)]
pub(super) struct Marks {
    pub(super) decimal: u64,
    pub(super) grouping: u64,
    either: u64,
}

/// The possible meanings of the commas and dots of all numbers, and other marks between thousands.
#[derive(Debug, Default)]
pub(super) struct NumberMarks {
    comma: Marks,
    dot: Marks,
    apostrophes: u64,
    spaces: u64,
}

/// The bytes of a number that separates thousands with a mark: where an apostrophe or a space is.
fn bare(cell: &[u8], mark: u8) -> Option<Vec<u8>> {
    let text = std::str::from_utf8(cell).ok()?;
    let is_mark = |c: char| match mark {
        b'\'' => c == '\'' || c == '’',
        _ => c == ' ' || c == '\u{a0}' || c == '\u{202f}' || c == '\u{2009}',
    };
    let bare: String = text.chars().filter(|&c| !is_mark(c)).collect();
    (bare.len() < text.len() && is_numeric(bare.as_bytes())).then(|| bare.into_bytes())
}

impl NumberMarks {
    fn of(&mut self, mark: u8) -> &mut Marks {
        if mark == b',' { &mut self.comma } else { &mut self.dot }
    }

    /// How many numbers have separators between thousands.
    pub(super) fn grouping(&self) -> u64 {
        self.comma.grouping + self.dot.grouping + self.apostrophes + self.spaces
    }

    /// Counts the possible meanings of a number's marks.
    fn note(&mut self, cell: &[u8]) {
        let digits_from = cell.iter().position(u8::is_ascii_digit).unwrap_or(0);
        let all: Vec<usize> = (0..cell.len()).filter(|&at| b",.".contains(&cell[at])).collect();
        match all.as_slice() {
            [] => {}
            [one] => {
                let (before, after) = (one - digits_from.min(*one), cell.len() - one - 1);
                let zero_first = cell.get(digits_from) == Some(&b'0');
                if after == 3 && (1..=3).contains(&before) && !zero_first {
                    self.of(cell[*one]).either += 1;
                } else {
                    self.of(cell[*one]).decimal += 1;
                }
            }
            [.., last] if all[..all.len() - 1].iter().all(|&at| cell[at] != cell[*last]) => {
                self.of(cell[*last]).decimal += 1;
                self.of(cell[all[0]]).grouping += 1;
            }
            [first, ..] => self.of(cell[*first]).grouping += 1,
        }
    }

    /// The decimal mark; `None` if it is not known.
    pub(super) fn decimal_mark(&self) -> Option<u8> {
        let (comma, dot) = (&self.comma, &self.dot);
        match (comma.decimal > 0, dot.decimal > 0) {
            (true, false) => Some(b','),
            (false, true) => Some(b'.'),
            (true, true) => Some(if comma.decimal > dot.decimal { b',' } else { b'.' }),
            (false, false) if comma.grouping > 0 && dot.grouping == 0 => Some(b'.'),
            (false, false) if dot.grouping > 0 && comma.grouping == 0 => Some(b','),
            (false, false) if comma.either > 0 && dot.either == 0 => None,
            (false, false) if dot.either > 0 && comma.either == 0 => None,
            (false, false) => Some(b'.'),
        }
    }

    /// The mark between thousands, if numbers have one.
    pub(super) fn thousands_mark(&self) -> Option<u8> {
        let decimal = self.decimal_mark()?;
        let other = if decimal == b',' { b'.' } else { b',' };
        let of = if other == b',' { &self.comma } else { &self.dot };
        match () {
            () if of.grouping + of.either > 0 => Some(other),
            () if self.apostrophes > 0 => Some(b'\''),
            () if self.spaces > 0 => Some(b' '),
            () => None,
        }
    }
}

/// What the numbers of a column are, if one mark is the decimal mark.
#[derive(Clone, Debug)]
pub(super) struct Numbers {
    pub(super) places: usize,
    /// Greatest common divisor of the values in 1e-9.
    divisor: u128,
    last: i128,
    pub(super) changes: u64,
    pub(super) by_one: u64,
    pub(super) least: i128,
    pub(super) most: i128,
}

impl Default for Numbers {
    fn default() -> Self {
        Self {
            places: 0,
            divisor: 0,
            last: i128::MIN,
            changes: 0,
            by_one: 0,
            least: i128::MAX,
            most: i128::MIN,
        }
    }
}

/// A number in 1e-9 by its decimal mark, and its decimal places; every other mark separates thousands.
pub(super) fn value(cell: &[u8], decimal_mark: u8) -> (i128, usize) {
    let mark = cell.iter().position(|&byte| byte == decimal_mark);
    let negative = cell.first() == Some(&b'-') || cell.starts_with("−".as_bytes());
    let (mut value, mut places) = (0_i128, 0);
    for (at, &byte) in cell.iter().enumerate() {
        if byte.is_ascii_digit() {
            if mark.is_some_and(|mark| at > mark) {
                if places == PLACES_MAX {
                    break;
                }
                places += 1;
            }
            value = value.saturating_mul(10).saturating_add(i128::from(byte - b'0'));
        }
    }
    value = value.saturating_mul(10_i128.pow((PLACES_MAX - places) as u32));
    (if negative { -value } else { value }, places)
}

impl Numbers {
    fn note(&mut self, cell: &[u8], decimal_mark: u8) {
        let (value, places) = value(cell, decimal_mark);
        self.places = self.places.max(places);
        self.divisor = gcd(self.divisor, value.unsigned_abs());
        self.changes += u64::from(value != self.last);
        self.by_one += u64::from(self.last != i128::MIN && value.saturating_sub(self.last) == 1_000_000_000);
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
}

/// A number that often means "no value", such as -9999: how often, and on which lines first.
#[derive(Debug, Default)]
pub(super) struct Odd {
    pub(super) times: u64,
    pub(super) lines: Vec<u64>,
}

/// What was found in a column.
#[derive(Debug)]
pub(super) struct Seen {
    pub(super) name: String,
    /// The texts above and below its name.
    pub(super) more: String,
    pub(super) unit: String,
    pub(super) numbers: u64,
    pub(super) empty: u64,
    pub(super) texts: BTreeMap<String, u64>,
    pub(super) more_texts: bool,
    pub(super) exponents: u64,
    /// With `.` as the decimal mark, and with `,`.
    by_mark: [Numbers; 2],
    /// Texts after its numbers, and how often; and how many numbers have none.
    pub(super) suffixes: BTreeMap<String, u64>,
    pub(super) bare: u64,
    pub(super) odd: BTreeMap<String, Odd>,
    pub(super) formats: Option<Vec<Format>>,
    pub(super) times: u64,
    pub(super) seconds: bool,
    pub(super) zones: BTreeSet<String>,
}

impl Seen {
    pub(super) fn new(name: String, more: String, unit: String) -> Self {
        Self {
            name,
            more,
            unit,
            numbers: 0,
            empty: 0,
            texts: BTreeMap::new(),
            more_texts: false,
            exponents: 0,
            by_mark: Default::default(),
            suffixes: BTreeMap::new(),
            bare: 0,
            odd: BTreeMap::new(),
            formats: None,
            times: 0,
            seconds: false,
            zones: BTreeSet::new(),
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
    pub(super) fn time(&mut self, cell: &[u8], rows: u64) -> bool {
        let is_first = self.formats.is_none();
        if is_first && words::is_missing(&String::from_utf8_lossy(cell)) {
            return false;
        }
        let formats = self.formats.get_or_insert_with(|| forms(cell));
        if formats.is_empty() {
            return false;
        }
        let found = formats.iter().find_map(|format| read(format, cell));
        let Some(moment) = found else {
            // Not all cells are times. The rows before this one counted as not being times.
            if self.times * 20 < rows * 19 {
                formats.clear();
            }
            return false;
        };
        if !is_first {
            formats.retain(|format| read(format, cell).is_some());
        }
        self.times += 1;
        if let Some(zone) = moment.zone().filter(|_| self.zones.len() < TEXTS_MAX) {
            self.zones.insert(zone.to_owned());
        }
        self.seconds |= moment.local().is_some_and(|local| local.as_utc_s() % 60 != 0);
        true
    }

    /// Counts a cell as a number or a text.
    pub(super) fn value(&mut self, cell: &[u8], line: u64, marks: &mut NumberMarks) {
        if is_numeric(cell) {
            self.bare += 1;
            return self.numeric(cell, line, marks);
        }
        for mark in [b'\'', b' '] {
            let is_grouped =
                [b'.', b','].iter().any(|&decimal| matches!(plain(cell, decimal, Some(mark)), Cow::Owned(_)));
            if let Some(bare) = bare(cell, mark).filter(|_| is_grouped) {
                *(if mark == b' ' { &mut marks.spaces } else { &mut marks.apostrophes }) += 1;
                self.bare += 1;
                return self.numeric(&bare, line, marks);
            }
        }
        let Some((number, suffix)) = with_suffix(cell) else { return self.text(cell) };
        let known = self.suffixes.len() < TEXTS_MAX || self.suffixes.contains_key(suffix);
        if !known {
            return self.text(cell);
        }
        *self.suffixes.entry(suffix.to_owned()).or_default() += 1;
        self.numeric(number, line, marks);
    }

    fn numeric(&mut self, cell: &[u8], line: u64, marks: &mut NumberMarks) {
        self.numbers += 1;
        if cell.iter().any(|byte| b"eE".contains(byte)) {
            self.exponents += 1;
        } else if is_odd(cell) {
            let text = String::from_utf8_lossy(cell).into_owned();
            if self.odd.len() < TEXTS_MAX || self.odd.contains_key(&text) {
                let odd = self.odd.entry(text).or_default();
                odd.times += 1;
                if odd.lines.len() < LINES_SHOWN {
                    odd.lines.push(line);
                }
            } else {
                self.note(cell, marks);
            }
        } else {
            self.note(cell, marks);
        }
    }

    fn note(&mut self, cell: &[u8], marks: &mut NumberMarks) {
        marks.note(cell);
        for (numbers, mark) in self.by_mark.iter_mut().zip([b'.', b',']) {
            numbers.note(cell, mark);
        }
    }

    /// Numbers such as 9999 that lie among the others are values.
    pub(super) fn settle(&mut self, decimal_mark: u8) {
        let of = self.numbers_by(decimal_mark);
        let (least, most) = (of.least, of.most);
        let room = most.saturating_sub(least).max(0);
        let is_value = |text: &str| {
            let value = value(text.as_bytes(), decimal_mark).0;
            least > most || (value >= least.saturating_sub(room) && value <= most.saturating_add(room))
        };
        let values: Vec<String> = self.odd.keys().filter(|text| is_value(text)).cloned().collect();
        let mut marks = NumberMarks::default();
        for text in values {
            self.odd.remove(&text);
            self.note(text.as_bytes(), &mut marks);
        }
    }

    pub(super) fn numbers_by(&self, decimal_mark: u8) -> &Numbers {
        &self.by_mark[usize::from(decimal_mark == b',')]
    }

    /// The unit from its line of units, its name, or its cells.
    pub(super) fn unit_text(&self) -> &str {
        let in_brackets = |text: &'_ str| -> Option<(usize, usize)> {
            let open = text.rfind(['(', '['])?;
            let close = text[open..].rfind([')', ']'])? + open;
            (open < close).then_some((open + 1, close))
        };
        if !self.unit.is_empty() {
            return self.unit.trim_matches(|c| "[]()".contains(c)).trim();
        }
        if let Some((from, to)) = in_brackets(&self.name) {
            return self.name[from..to].trim();
        }
        if let Some(suffix) = self.suffix() {
            return suffix;
        }
        // `sin(α)` and `mV/V` hold marks that separate words elsewhere.
        let of_two = self.name.rsplit([' ', '_', ',']).next().unwrap_or_default();
        let last = if words::measured_unit(of_two).is_some() || words::is_celsius(of_two) {
            of_two
        } else {
            self.name.rsplit([' ', '_', '/', ',', '.', '-']).next().unwrap_or_default()
        };
        // One letter at the end of a name may number it: sensor A, sensor C.
        if matches!(last, "A" | "C") { "" } else { last }
    }

    /// The text after each of its numbers.
    pub(super) fn suffix(&self) -> Option<&str> {
        let mut all = self.suffixes.iter();
        match (all.next(), all.next()) {
            (Some((suffix, _)), None) if self.bare == 0 => Some(suffix),
            _ => None,
        }
    }

    /// Whether some of its numbers have another text after them than others.
    pub(super) fn has_mixed_suffixes(&self) -> bool {
        !self.suffixes.is_empty() && self.suffix().is_none()
    }

    pub(super) fn only_times(&self) -> bool {
        self.times > 0 && self.formats.as_ref().is_some_and(|formats| !formats.is_empty())
    }

    /// Its possible formats; one with a fraction only where some cell has one.
    pub(super) fn forms(&self) -> Vec<&Format> {
        let all: Vec<&Format> = self.formats.iter().flatten().collect();
        let without = |text: &str| text.replace(".%f", "").replace(",%f", "");
        let is_needed = |format: &&Format| {
            let plain = without(&format.text);
            plain == format.text || !all.iter().any(|other| other.text == plain)
        };
        let mut kept: Vec<&Format> = all.iter().copied().filter(is_needed).collect();
        // A whole second may be written without a fraction, whatever its mark.
        if kept.iter().all(|format| format.has(Piece::Fraction)) {
            kept.dedup_by_key(|format| without(&format.text));
        }
        kept
    }

    /// Whether its name, or the texts around that, have a word of this meaning.
    pub(super) fn says(&self, word: Word) -> bool {
        words::has(&self.name, word) || words::has(&self.more, word)
    }
}

/// Whether a cell is a number, with any marks.
pub(super) fn is_numeric(cell: &[u8]) -> bool {
    let minus = "−".as_bytes();
    let digits = cell
        .strip_prefix(b"-")
        .or_else(|| cell.strip_prefix(b"+"))
        .or_else(|| cell.strip_prefix(minus))
        .unwrap_or(cell);
    digits.first().is_some_and(|byte| byte.is_ascii_digit() || b".,".contains(byte))
        && digits.iter().any(u8::is_ascii_digit)
        && digits.iter().all(|byte| byte.is_ascii_digit() || b".,eE+-".contains(byte))
}

/// A number and the text after it, such as `12.5 Hz`.
fn with_suffix(cell: &[u8]) -> Option<(&[u8], &str)> {
    let last = cell.iter().rposition(u8::is_ascii_digit)? + 1;
    let (number, suffix) = cell.split_at(last);
    let suffix = std::str::from_utf8(suffix).ok()?.trim();
    let is_unit = suffix.chars().next().is_some_and(|c| c.is_alphabetic() || "°%Ω℃".contains(c));
    (is_unit && suffix.chars().count() <= 8 && is_numeric(number)).then_some((number, suffix))
}

/// Whether a number often means "no value": only nines, or another that readers use for it.
fn is_odd(cell: &[u8]) -> bool {
    let digits = cell.strip_prefix(b"-").unwrap_or(cell);
    let (whole, rest) = match digits.iter().position(|byte| b".,".contains(byte)) {
        Some(mark) => (&digits[..mark], &digits[mark + 1..]),
        None => (digits, &digits[..0]),
    };
    let all = |part: &[u8], digit: u8| part.iter().all(|&byte| byte == digit);
    let is_whole = all(rest, b'0');
    (whole.len() >= 3 && all(whole, b'9') && (is_whole || all(rest, b'9')))
        || (is_whole && [&b"6999"[..], b"7999", b"8888", b"32767", b"32768", b"65535"].contains(&whole))
}

fn gcd(a: u128, b: u128) -> u128 {
    let (mut a, mut b) = (a, b);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}
