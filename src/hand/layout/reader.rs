//! Turns lines of a CSV in another style into rows, by its layout.
//!
//! Input: bytes in pieces, and a [`Layout`]. Output: for each line a [`Parsed`] row, or why it is not one. Numbers are
//! read exactly: whole multiples of the stated resolution, as whole numbers of any size; what does not fit is
//! refused. A line that holds no time, or no value, is left out. Which record a row is, and whether it is accepted, is decided elsewhere.
//!
//! It does not guess a style. `describe` does that, for a person to check.

use super::moment::{DayCache, Mismatch, Moment};
use super::names;
use super::numbers::{counts_of, whole};
use super::row::{NO_TIME, NO_VALUE, NoRow, Parsed, not_a_row};
use super::text::Fields;
use crate::config::layout::{Column, Format, Grid, Is, Layout, Piece, Place};
use crate::hand::csv::shown;
use crate::hand::lines::Line;
use crate::record::judge::{Row, Steps};
use crate::record::roster::Roster;
use crate::wire::seq::Address;
use std::sync::Arc;

/// The part of its file that a reader has reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum At {
    Before(u32),
    Header,
    After(u32),
    Rows,
}

/// What the cells of a row have given so far.
struct Taken {
    logger: Option<Address>,
    epoch: Option<u32>,
    sequence: Option<u32>,
    moment: Moment,
    row: Row,
}

/// Reads one file's lines. Feed it with [`Lines`](crate::hand::lines::Lines).
pub struct LayoutReader<'l> {
    layout: &'l Layout,
    roster: &'l Roster,
    steps: Option<Arc<Steps>>,
    at: At,
    fields: Fields,
    /// The place of each of the layout's columns.
    places: Vec<usize>,
    /// How many columns a row has; 0 if not known yet.
    width: usize,
    /// How many of them a row must have: the last ones may have no name, and be left out.
    width_min: usize,
    header: Vec<u8>,
    day: DayCache,
}

impl<'l> LayoutReader<'l> {
    /// For one file.
    pub fn new(layout: &'l Layout, roster: &'l Roster) -> Self {
        let style = &layout.style;
        let steps = layout.steps();
        Self {
            layout,
            roster,
            steps: (!steps.is_exact()).then(|| Arc::new(steps)),
            at: if style.skip_before > 0 {
                At::Before(style.skip_before)
            } else {
                Self::header_or_after(layout)
            },
            fields: Fields::new(style.delimiter.clone(), style.quote),
            places: Vec::new(),
            width: 0,
            width_min: 0,
            header: Vec::new(),
            day: DayCache::default(),
        }
    }

    fn header_or_after(layout: &Layout) -> At {
        match (layout.style.header, layout.style.skip_after) {
            (true, _) => At::Header,
            (false, 0) => At::Rows,
            (false, lines) => At::After(lines),
        }
    }

    /// Whether the header was found, if there should be one.
    pub fn has_begun(&self) -> bool {
        matches!(self.at, At::After(_) | At::Rows)
    }

    /// Reads a line. `Ok(None)`: it is not one of the rows. The outer error: the file does not fit the layout.
    pub fn line(&mut self, line: &Line<'_>) -> Result<Result<Option<Parsed>, NoRow>, String> {
        let bytes = if line.number == 1 {
            line.bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line.bytes)
        } else {
            line.bytes
        };
        match self.at {
            At::Before(left) => {
                self.at = if left > 1 { At::Before(left - 1) } else { Self::header_or_after(self.layout) };
                Ok(Ok(None))
            }
            At::Header => {
                self.read_header(bytes)?;
                let after = self.layout.style.skip_after;
                self.at = if after > 0 { At::After(after) } else { At::Rows };
                Ok(Ok(None))
            }
            At::After(left) => {
                self.at = if left > 1 { At::After(left - 1) } else { At::Rows };
                Ok(Ok(None))
            }
            At::Rows if bytes.iter().all(|byte| b" \t\x0c".contains(byte)) => Ok(Ok(None)),
            At::Rows if line.is_too_long() => {
                Ok(Err(not_a_row(format!("{} bytes without a line end; a row has a few hundred", line.len))))
            }
            At::Rows => {
                if self.width == 0 {
                    self.by_numbers(bytes)?;
                }
                Ok(self.row(bytes, line.is_ended).map(Some))
            }
        }
    }

    fn read_header(&mut self, bytes: &[u8]) -> Result<(), String> {
        if memchr::memchr(0, bytes).is_some() {
            return Err(
                "the header contains NUL bytes: the file is UTF-16 but the layout says otherwise (write \
                        `[file] encoding = \"utf-16\"`), or it is damaged"
                    .to_owned(),
            );
        }
        let found = self.fields.cut(bytes);
        self.header = bytes.to_vec();
        let name = |at: usize| String::from_utf8_lossy(self.fields.get(bytes, at)).trim().to_owned();
        let mut names: Vec<String> = (0..found).map(name).collect();
        if self.layout.style.row_names {
            names.insert(0, String::new());
        }
        self.width = names.len();
        self.width_min = names.iter().rposition(|name| !name.is_empty()).map_or(self.width, |last| last + 1);
        for column in &self.layout.columns {
            let place = match &column.place {
                Place::Number(number) => {
                    if *number > self.width {
                        return Err(format!(
                            "the layout names column {number}, but the header has {}; correct the layout, or \
                             `[file] skip_before`",
                            self.width
                        ));
                    }
                    number - 1
                }
                Place::Name(wanted) => {
                    let mut found = names.iter().enumerate().filter(|(_, name)| *name == wanted);
                    match (found.next(), found.next()) {
                        (Some((at, _)), None) => at,
                        (Some((a, _)), Some((b, _))) => {
                            return Err(format!(
                                "columns {} and {} are both called {}; give the number of the right one",
                                a + 1,
                                b + 1,
                                shown(wanted.as_bytes())
                            ));
                        }
                        (None, _) => {
                            let there: Vec<String> =
                                names.iter().take(20).map(|name| shown(name.as_bytes())).collect();
                            return Err(format!(
                                "the layout names the column {}, but the header has {}; name the right layout, or \
                                 correct this one (its `[file] skip_before` and `delimiter` too)",
                                shown(wanted.as_bytes()),
                                there.join(", ")
                            ));
                        }
                    }
                }
            };
            self.places.push(place);
        }
        Ok(())
    }

    /// Without a header: from the first row.
    fn by_numbers(&mut self, bytes: &[u8]) -> Result<(), String> {
        self.width = self.fields.cut(bytes);
        self.width_min = self.width;
        for column in &self.layout.columns {
            let Place::Number(number) = column.place else {
                return Err("the layout names columns, but the file has no header".to_owned());
            };
            if number > self.width {
                return Err(format!(
                    "the layout names column {number}, but this line has {}; correct the layout",
                    self.width
                ));
            }
            self.places.push(number - 1);
        }
        Ok(())
    }

    fn row(&mut self, bytes: &[u8], is_ended: bool) -> Result<Parsed, NoRow> {
        let parsed = self.cells(bytes);
        match parsed {
            Err(no_row) if no_row.is_left_out() => Err(no_row),
            // A truncated number is still a number, so this line cannot be trusted.
            Ok(_) if !is_ended => Err(NoRow(
                "cut off",
                "no line end: the file may be cut off within this line; copy it from the reader again, or end the \
                 line if it is complete"
                    .to_owned(),
            )),
            Err(NoRow(kind, why)) if !is_ended => Err(NoRow(kind, format!("{why}; the file ends within this line"))),
            parsed => parsed,
        }
    }

    fn cells(&mut self, bytes: &[u8]) -> Result<Parsed, NoRow> {
        self.cut(bytes)?;
        let mut taken = Taken {
            logger: None,
            epoch: None,
            sequence: None,
            moment: Moment::default(),
            row: Row {
                time: 0,
                counts: vec![0; self.layout.channels()],
                faults: 0,
                missing: 0,
                battery_mv: None,
                board_centi_c: None,
                steps: self.steps.clone(),
            },
        };
        for (column, &place) in self.layout.columns.iter().zip(&self.places) {
            let cell = self.fields.get(bytes, place).trim_ascii();
            self.cell(column, cell, &mut taken)?;
        }
        let all = taken.row.counts.len();
        if all > 0 && taken.row.missing.count_ones() as usize == all {
            return Err(NoRow(NO_VALUE, "no value in any channel".to_owned()));
        }
        let instants = taken.moment.instants(&self.layout.time, &mut self.day)?;
        let record = taken.epoch.or(self.layout.epoch).zip(taken.sequence);
        Ok(Parsed { logger: taken.logger, record, instants, row: taken.row })
    }

    /// Splits a line into cells, if it is a row at all.
    fn cut(&mut self, bytes: &[u8]) -> Result<(), NoRow> {
        if memchr::memchr(0, bytes).is_some() {
            return Err(NoRow(
                "damaged",
                "contains a NUL byte: the file is damaged, or it is UTF-16 but the layout says otherwise"
                    .to_owned(),
            ));
        }
        let count = self.fields.cut(bytes);
        if bytes == self.header {
            return Err(NoRow(
                "another style",
                "the header again; the file may consist of several files".to_owned(),
            ));
        }
        if self.is_remark(bytes, count) {
            return Err(NoRow(NO_TIME, format!("no time: {}", shown(bytes))));
        }
        let is_empty = |at: usize| self.fields.get(bytes, at).trim_ascii().is_empty();
        if count < self.width_min || !(self.width..count).all(is_empty) {
            let why = format!("number of columns: {count}; rows of this layout have {} here", self.width);
            return Err(NoRow("another style", why));
        }
        Ok(())
    }

    /// Whether a line holds no time: its cells for times are empty or begin with a letter, or it has too few columns and
    /// begins with one.
    fn is_remark(&self, bytes: &[u8], count: usize) -> bool {
        let of = |at: usize| self.fields.get(bytes, at).trim_ascii();
        let mut any = false;
        for (column, &place) in self.layout.columns.iter().zip(&self.places) {
            let (Is::Time(format) | Is::Date(format) | Is::Clock(format)) = &column.is else { continue };
            any = true;
            if !is_no_time(of(place), format) && place < count {
                return false;
            }
        }
        let is_short = count < self.width_min;
        // A line with too few columns may be a row that was cut off: then it begins as a row does.
        let begins = || {
            let first = (0..count).map(of).find(|cell| !cell.is_empty()).unwrap_or_default();
            let is_logger = |column: &Column, &place: &usize| column.is == Is::Logger && place == 0;
            let names_logger =
                self.layout.columns.iter().zip(&self.places).any(|(column, place)| is_logger(column, place));
            is_wordy(first) && !(names_logger && count > 1)
        };
        any && (!is_short || begins())
    }

    /// Reads one cell.
    fn cell(&self, column: &Column, cell: &[u8], taken: &mut Taken) -> Result<(), NoRow> {
        let number = |grid: &Grid| {
            counts_of(cell, grid, &self.layout.style, column.suffix.as_deref())
                .map_err(|why| not_a_row(format!("column {}: {} {why}", column.place, shown(cell))))
        };
        let fits = |what: &str| {
            not_a_row(format!(
                "column {}: {} is beyond what a record can hold ({what})",
                column.place,
                shown(cell)
            ))
        };
        let row = &mut taken.row;
        match &column.is {
            Is::Logger => taken.logger = Some(self.logger(cell)?),
            Is::Epoch => taken.epoch = Some(whole(cell, &column.place)?),
            Is::Sequence => taken.sequence = Some(whole(cell, &column.place)?),
            Is::Time(format) | Is::Date(format) | Is::Clock(format) => {
                taken
                    .moment
                    .read(format, cell)
                    .map_err(|mismatch| no_format(column, cell, format, mismatch))?;
            }
            Is::Text(text) if cell.is_empty() || cell == text.as_bytes() => {}
            Is::Text(text) => {
                return Err(not_a_row(format!(
                    "column {}: {} is not the text {} that the layout gives",
                    column.place,
                    shown(cell),
                    shown(text.as_bytes())
                )));
            }
            Is::BatteryMv(_) | Is::BoardCentiC(_) if is_missing(self.layout, cell) => {}
            Is::BatteryMv(grid) => {
                let value = u16::try_from(number(grid)?).map_err(|_| fits("0 to 65535 mV"))?;
                row.battery_mv = Some(value);
            }
            Is::BoardCentiC(grid) => {
                let value = i16::try_from(number(grid)?).ok().filter(|&value| value != i16::MIN);
                row.board_centi_c = Some(value.ok_or_else(|| fits("-327.67 to 327.67 °C"))?);
            }
            Is::Channel { channel, grid, .. } => {
                let marker = self.layout.faults.iter().find(|(marker, _)| marker.as_bytes() == cell);
                row.counts[*channel] = match marker {
                    Some(&(_, code)) => {
                        row.faults |= 1 << channel;
                        code
                    }
                    None if is_missing(self.layout, cell) => {
                        row.missing |= 1 << channel;
                        0
                    }
                    None => i32::try_from(number(grid)?).map_err(|_| fits("32 bits of raw counts"))?,
                };
            }
        }
        Ok(())
    }

    fn logger(&self, cell: &[u8]) -> Result<Address, NoRow> {
        let text = std::str::from_utf8(cell).unwrap_or_default();
        let by_number = text.parse().ok().and_then(Address::new);
        let by_name =
            || self.roster.loggers().find(|logger| logger.name == text).map(|logger| logger.address);
        by_number.or_else(by_name).ok_or_else(|| {
            NoRow("foreign", format!("logger {} is neither an address nor a name on the roster", shown(cell)))
        })
    }
}

/// Whether a cell means that there is no value.
fn is_missing(layout: &Layout, cell: &[u8]) -> bool {
    cell.is_empty() || layout.missing.iter().any(|text| text.as_bytes() == cell)
}

/// Whether a text begins with a letter, or with a mark that no number begins with.
fn is_wordy(cell: &[u8]) -> bool {
    let cell = cell.trim_ascii_start();
    match cell.first() {
        None => true,
        Some(b'-' | b'+') => cell.iter().all(|byte| !byte.is_ascii_digit()),
        Some(byte) => !byte.is_ascii_digit() && !b".,".contains(byte),
    }
}

/// Whether a cell of a time holds none: it is empty, or it begins with a word that is not the beginning of a time.
fn is_no_time(cell: &[u8], format: &Format) -> bool {
    let is_name = || match format.pieces.first() {
        Some(Piece::MonthName) => names::month(cell).is_some(),
        Some(Piece::Weekday) => names::weekday(cell).is_some(),
        Some(Piece::Literal(byte)) => cell.first() == Some(byte),
        _ => false,
    };
    is_wordy(cell) && !(is_name() && cell.iter().any(u8::is_ascii_digit))
}

/// Why a cell does not have its format: which part of it does not fit.
fn no_format(column: &Column, cell: &[u8], format: &Format, mismatch: Mismatch) -> NoRow {
    let rest = cell.get(mismatch.at..).unwrap_or_default();
    let part = match mismatch.wanted {
        None => format!("it goes on with {}", shown(rest)),
        Some(wanted) if rest.is_empty() => format!("it ends before {}", wanted.what()),
        Some(wanted) => format!("{} should begin with {}", shown(rest), wanted.what()),
    };
    not_a_row(format!(
        "column {}: {} is not written as {}: {part}",
        column.place,
        shown(cell),
        shown(format.text.as_bytes())
    ))
}
