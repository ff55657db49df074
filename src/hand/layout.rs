//! Lines of a CSV in another style to rows, by its layout.
//!
//! Input: bytes in pieces, and a [`Layout`]. Output: of each line a [`Parsed`] row, or why it is none. Numbers are
//! taken exactly: whole multiples of the stated resolution, in whole numbers of any size; what does not fit is
//! refused. Which record a row is and whether it is welcome is said elsewhere.
//!
//! What this is not: it guesses no style. `describe` does that, for a person to check.

use super::csv::{Cells, shown};
use super::lines::{Line, Lines};
use super::local::{Instants, instants};
use crate::config::layout::{Encoding, Format, Grid, Is, Layout, Piece, Place};
use crate::record::judge::{Row, Steps};
use crate::record::roster::Roster;
use crate::wire::seq::Address;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use std::sync::Arc;

/// Bytes of a file to UTF-8, piece by piece.
pub struct Decoded {
    decoder: Option<encoding_rs::Decoder>,
    buffer: Vec<u8>,
}

impl Decoded {
    /// For one file.
    pub fn new(encoding: Encoding) -> Self {
        let decoder = match encoding {
            // As it is: what is not UTF-8 shows in the cell that holds it.
            Encoding::Utf8 => None,
            Encoding::Windows1252 => Some(encoding_rs::WINDOWS_1252.new_decoder()),
            // Goes by the byte order mark.
            Encoding::Utf16 => Some(encoding_rs::UTF_16LE.new_decoder()),
        };
        Self { decoder, buffer: Vec::new() }
    }

    /// Decodes a piece; `is_last` with the last one, which may be empty.
    pub fn feed<E>(
        &mut self,
        piece: &[u8],
        is_last: bool,
        mut each: impl FnMut(&[u8]) -> Result<(), E>,
    ) -> Result<(), E> {
        let Some(decoder) = &mut self.decoder else { return each(piece) };
        self.buffer.resize(decoder.max_utf8_buffer_length(piece.len()).unwrap_or(4 * piece.len() + 16), 0);
        let mut rest = piece;
        loop {
            let (result, read, written, _) = decoder.decode_to_utf8(rest, &mut self.buffer, is_last);
            each(&self.buffer[..written])?;
            rest = &rest[read..];
            if result == encoding_rs::CoderResult::InputEmpty {
                return Ok(());
            }
        }
    }
}

/// A row as its line gives it.
#[derive(Debug)]
pub struct Parsed {
    /// Its logger, where a column says.
    pub logger: Option<Address>,
    /// Its epoch and sequence, where columns say.
    pub record: Option<(u32, u32)>,
    /// When, as far as the line alone tells.
    pub instants: Instants,
    /// The rest; its time is 0 until it is settled.
    pub row: Row,
}

/// Why a line is no row: a kind to count it under, and the reason.
#[derive(Debug, PartialEq, Eq)]
pub struct NoRow(pub &'static str, pub String);

fn not_a_row(why: impl Into<String>) -> NoRow {
    NoRow("not a row", why.into())
}

/// Where a reader stands in its file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum At {
    Before(u32),
    Header,
    After(u32),
    Rows,
}

/// Reads one file's lines. Feed it with [`Lines`].
pub struct LayoutReader<'l> {
    layout: &'l Layout,
    roster: &'l Roster,
    steps: Option<Arc<Steps>>,
    at: At,
    fields: Fields,
    /// The place of each of the layout's columns.
    places: Vec<usize>,
    /// How many columns a row has; 0: not known yet.
    width: usize,
    header: Vec<u8>,
    day: DayCache,
}

/// The last day looked up: rows of one day stand together.
#[derive(Default)]
struct DayCache(Option<(i64, u32, u32, NaiveDate)>);

impl DayCache {
    fn get(&mut self, year: i64, month: u32, day: u32) -> Option<NaiveDate> {
        match self.0 {
            Some((y, m, d, date)) if (y, m, d) == (year, month, day) => Some(date),
            _ => {
                let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
                self.0 = Some((year, month, day, date));
                Some(date)
            }
        }
    }
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
            fields: Fields::new(style.delimiter, style.quote),
            places: Vec::new(),
            width: 0,
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

    /// Whether the header, if there should be one, was there.
    pub fn has_begun(&self) -> bool {
        matches!(self.at, At::After(_) | At::Rows)
    }

    /// Reads a line. `Ok(None)`: it is none of the rows. The outer error: the file does not fit the layout.
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
            At::Rows if line.is_too_long() => Ok(Err(not_a_row(format!(
                "{} bytes without a line's end; a row has a few hundred",
                line.len
            )))),
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
                "the header holds NUL bytes: the file is UTF-16 and the layout says otherwise (write \
                        `[file] encoding = \"utf-16\"`), or it is damaged"
                    .to_owned(),
            );
        }
        self.width = self.fields.cut(bytes);
        self.header = bytes.to_vec();
        let name = |at: usize| String::from_utf8_lossy(self.fields.get(bytes, at)).trim().to_owned();
        let names: Vec<String> = (0..self.width).map(name).collect();
        for column in &self.layout.columns {
            let place = match &column.place {
                Place::Number(number) => {
                    if *number > self.width {
                        return Err(format!(
                            "the layout names column {number}, and the header has {}; correct the layout, or \
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
                                "columns {} and {} are both called {}; name the one that is meant by its number",
                                a + 1,
                                b + 1,
                                shown(wanted.as_bytes())
                            ));
                        }
                        (None, _) => {
                            let there: Vec<String> =
                                names.iter().take(20).map(|name| shown(name.as_bytes())).collect();
                            return Err(format!(
                                "the layout names the column {}, and the header has {}; name the right layout, or \
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

    /// Without a header: by the first row.
    fn by_numbers(&mut self, bytes: &[u8]) -> Result<(), String> {
        self.width = self.fields.cut(bytes);
        for column in &self.layout.columns {
            let Place::Number(number) = column.place else {
                return Err("the layout names columns, and the file has no header".to_owned());
            };
            if number > self.width {
                return Err(format!(
                    "the layout names column {number}, and this line has {}; correct the layout",
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
            // A number that is cut short is still a number.
            Ok(_) if !is_ended => Err(NoRow(
                "cut off",
                "no line's end: the file may be cut off within this line; copy it from the reader again, or end the \
                 line if it is whole"
                    .to_owned(),
            )),
            Err(NoRow(kind, why)) if !is_ended => Err(NoRow(kind, format!("{why}; the file ends within this line"))),
            parsed => parsed,
        }
    }

    fn cells(&mut self, bytes: &[u8]) -> Result<Parsed, NoRow> {
        if memchr::memchr(0, bytes).is_some() {
            return Err(NoRow(
                "damaged",
                "holds a NUL byte: the file is damaged, or it is UTF-16 and the layout says otherwise"
                    .to_owned(),
            ));
        }
        let count = self.fields.cut(bytes);
        if count != self.width {
            let why = format!("columns: {count}; the rows of this layout have {} here", self.width);
            return Err(NoRow("another style", why));
        }
        if bytes == self.header {
            return Err(NoRow(
                "another style",
                "the header over again; the file may be several in one".to_owned(),
            ));
        }
        let (mut logger, mut epoch, mut sequence) = (None, None, None);
        let mut when = When::default();
        let channels = self.layout.channels();
        let mut row = Row {
            time: 0,
            counts: vec![0; channels],
            faults: 0,
            battery_mv: None,
            board_centi_c: None,
            steps: self.steps.clone(),
        };
        for (column, &place) in self.layout.columns.iter().zip(&self.places) {
            let cell = self.fields.get(bytes, place).trim_ascii();
            let number = |grid: &Grid| {
                on_grid(cell, grid, self.layout.style.decimal_mark)
                    .map_err(|why| not_a_row(format!("column {}: {} {why}", column.place, shown(cell))))
            };
            let fits = |what: &str| {
                not_a_row(format!(
                    "column {}: {} is beyond what a record can hold ({what})",
                    column.place,
                    shown(cell)
                ))
            };
            match &column.is {
                Is::Logger => logger = Some(self.logger(cell)?),
                Is::Epoch => epoch = Some(whole(cell, &column.place)?),
                Is::Sequence => sequence = Some(whole(cell, &column.place)?),
                Is::Time(format) | Is::Date(format) | Is::Clock(format) => {
                    when.read(format, cell).ok_or_else(|| {
                        not_a_row(format!(
                            "column {}: {} is not written as {}",
                            column.place,
                            shown(cell),
                            shown(format.text.as_bytes())
                        ))
                    })?;
                }
                Is::BatteryMv(_) | Is::BoardCentiC(_) if cell.is_empty() => {}
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
                        None => i32::try_from(number(grid)?).map_err(|_| fits("32 bits of raw counts"))?,
                    };
                }
            }
        }
        let instants = self.instants(&when)?;
        Ok(Parsed { logger, record: epoch.zip(sequence), instants, row })
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

    fn instants(&mut self, when: &When) -> Result<Instants, NoRow> {
        let bad = |what: &str| not_a_row(format!("its time is {what}"));
        let rule = &self.layout.time;
        let (seconds, found) = if let Some(unix) = when.unix {
            (unix, Instants::One(unix))
        } else {
            let date =
                self.day.get(when.year, when.month, when.day).ok_or_else(|| bad("no day of the calendar"))?;
            let clock = NaiveTime::from_hms_opt(when.hour()?, when.minute, when.second);
            let clock = clock.ok_or_else(|| bad("no time of day"))?;
            let local: NaiveDateTime = date.and_time(clock);
            let seconds = local.and_utc().timestamp();
            match when.offset_s {
                Some(offset_s) => (seconds, Instants::One(seconds - i64::from(offset_s))),
                None => (seconds, instants(rule.zone, local)),
            }
        };
        if rule.step_s > 1 && seconds % i64::from(rule.step_s) != 0 {
            return Err(NoRow(
                "finer than stated",
                format!(
                    "its time is no multiple of {} s, which the layout says that the file shows",
                    rule.step_s
                ),
            ));
        }
        // Of a time that was cut, the middle of its step: so half a step either way holds the true one.
        let middle = if rule.cut { i64::from(rule.step_s / 2) } else { 0 };
        Ok(match found {
            Instants::One(at) => Instants::One(at + middle),
            Instants::Twice(a, b) => Instants::Twice(a + middle, b + middle),
            Instants::Skipped(a, b) => Instants::Skipped(a + middle, b + middle),
        })
    }
}

/// Parts of a time.
#[derive(Default)]
pub(super) struct When {
    year: i64,
    month: u32,
    day: u32,
    hour: u32,
    half: Option<bool>,
    minute: u32,
    second: u32,
    offset_s: Option<i32>,
    unix: Option<i64>,
}

const MONTHS: [&[u8; 3]; 12] =
    [b"jan", b"feb", b"mar", b"apr", b"may", b"jun", b"jul", b"aug", b"sep", b"oct", b"nov", b"dec"];

impl When {
    /// The local day and time of day, where each part that was read makes sense; what was not read is the first of
    /// January 2000, midnight.
    pub(super) fn local(&self) -> Option<NaiveDateTime> {
        if let Some(unix) = self.unix {
            return chrono::DateTime::from_timestamp(unix, 0).map(|at| at.naive_utc());
        }
        let has_day = (self.year, self.month, self.day) != (0, 0, 0);
        let (year, month, day) = if has_day { (self.year, self.month, self.day) } else { (2000, 1, 1) };
        let date = NaiveDate::from_ymd_opt(i32::try_from(year).ok()?, month, day)?;
        date.and_hms_opt(self.hour().ok()?, self.minute, self.second)
    }

    fn hour(&self) -> Result<u32, NoRow> {
        match self.half {
            None => Ok(self.hour),
            Some(_) if self.hour == 0 || self.hour > 12 => {
                Err(not_a_row("its time has an hour that is not 1 to 12"))
            }
            Some(is_afternoon) => Ok(self.hour % 12 + if is_afternoon { 12 } else { 0 }),
        }
    }

    /// Takes the parts of a cell in; `None`: it is written otherwise.
    pub(super) fn read(&mut self, format: &Format, cell: &[u8]) -> Option<()> {
        let mut rest = cell;
        for piece in &format.pieces {
            match piece {
                Piece::Literal(byte) => rest = rest.strip_prefix(std::slice::from_ref(byte))?,
                Piece::Year => self.year = digits(&mut rest, 4, 4)?.into(),
                Piece::ShortYear => self.year = 2000 + i64::from(digits(&mut rest, 2, 2)?),
                Piece::Month => self.month = digits(&mut rest, 1, 2)?,
                Piece::Day => self.day = digits(&mut rest, 1, 2)?,
                Piece::Hour | Piece::HalfHour => self.hour = digits(&mut rest, 1, 2)?,
                Piece::Minute => self.minute = digits(&mut rest, 2, 2)?,
                Piece::Second => self.second = digits(&mut rest, 2, 2)?,
                Piece::MonthName => {
                    let name = rest.get(..3)?.to_ascii_lowercase();
                    self.month = MONTHS.iter().position(|month| name == month.as_slice())? as u32 + 1;
                    rest = &rest[3..];
                }
                Piece::Half => {
                    self.half = Some(match rest.get(..2)?.to_ascii_lowercase().as_slice() {
                        b"am" => false,
                        b"pm" => true,
                        _ => return None,
                    });
                    rest = &rest[2..];
                }
                Piece::Fraction => {
                    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
                    if len == 0 || rest[..len].iter().any(|&byte| byte != b'0') {
                        return None;
                    }
                    rest = &rest[len..];
                }
                Piece::Offset => {
                    if let Some(left) = rest.strip_prefix(b"Z") {
                        (self.offset_s, rest) = (Some(0), left);
                        continue;
                    }
                    let sign = match rest.first()? {
                        b'+' => 1,
                        b'-' => -1,
                        _ => return None,
                    };
                    rest = &rest[1..];
                    let hours = digits(&mut rest, 2, 2)?;
                    rest = rest.strip_prefix(b":").unwrap_or(rest);
                    let minutes = digits(&mut rest, 2, 2)?;
                    if hours > 14 || minutes > 59 {
                        return None;
                    }
                    self.offset_s = Some(sign * (hours * 3600 + minutes * 60) as i32);
                }
                Piece::Unix => {
                    let len = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
                    self.unix = Some(std::str::from_utf8(&rest[..len]).ok()?.parse().ok()?);
                    rest = &rest[len..];
                }
            }
        }
        rest.is_empty().then_some(())
    }
}

/// As many digits as there are, at least `least`, at most `most`.
fn digits(rest: &mut &[u8], least: usize, most: usize) -> Option<u32> {
    let (mut value, mut len) = (0_u32, 0);
    while let Some(digit) = rest.get(len).filter(|byte| len < most && byte.is_ascii_digit()) {
        value = value * 10 + u32::from(digit - b'0');
        len += 1;
    }
    *rest = &rest[len..];
    (len >= least).then_some(value)
}

fn whole(cell: &[u8], place: &Place) -> Result<u32, NoRow> {
    let mut rest = cell;
    let mut value = 0_u64;
    while let Some((digit, left)) = rest.split_first().filter(|(byte, _)| byte.is_ascii_digit()) {
        value = value.saturating_mul(10).saturating_add(u64::from(digit - b'0'));
        rest = left;
    }
    u32::try_from(value).ok().filter(|_| rest.is_empty() && !cell.is_empty()).ok_or_else(|| {
        not_a_row(format!("column {place}: {} is no whole number from 0 to 4294967295", shown(cell)))
    })
}

/// A number of the file in counts. Digits only, no floating point: 0.1 is 0.1.
fn on_grid(cell: &[u8], grid: &Grid, decimal_mark: u8) -> Result<i64, String> {
    let (negative, digits) = match cell.split_first() {
        Some((b'-', rest)) => (true, rest),
        Some((b'+', rest)) => (false, rest),
        _ => (false, cell),
    };
    let mut value = 0_i64;
    let mut places = None;
    let mut any = false;
    for &byte in digits {
        match byte {
            b'0'..=b'9' => {
                any = true;
                if places == Some(grid.places) {
                    // Beyond the last place that matters only zeros may stand.
                    if byte != b'0' {
                        return Err(finer(grid));
                    }
                    continue;
                }
                value = value
                    .checked_mul(10)
                    .and_then(|value| value.checked_add(i64::from(byte - b'0')))
                    .ok_or("has too many digits")?;
                places = places.map(|places| places + 1);
            }
            _ if byte == decimal_mark && places.is_none() => places = Some(0),
            b'e' | b'E' if any => {
                return Err(
                    "has an exponent: a spreadsheet has saved this file again, and digits are lost; take the file \
                     from the reader once more"
                        .to_owned(),
                );
            }
            b',' | b'.' | b'\'' | b' ' | 0xa0 | 0xc2 if any => {
                return Err(
                    "has a mark that is not the decimal mark: digits are grouped, or `decimal_mark` is the \
                            other one"
                        .to_owned(),
                );
            }
            _ => return Err(no_number(cell)),
        }
    }
    if !any {
        return Err(no_number(cell));
    }
    for _ in places.unwrap_or(0)..grid.places {
        value = value.checked_mul(10).ok_or("has too many digits")?;
    }
    if value % grid.multiple != 0 {
        return Err(finer(grid));
    }
    let counts = (value / grid.multiple).checked_mul(grid.counts.into()).ok_or("has too many digits")?;
    Ok(if negative { -counts } else { counts })
}

fn no_number(cell: &[u8]) -> String {
    if cell.is_empty() {
        "is empty; an empty cell is no value and no fault".to_owned()
    } else {
        "is no number, and no fault marker of the layout".to_owned()
    }
}

fn finer(grid: &Grid) -> String {
    let places = usize::from(grid.places);
    let step = if places == 0 {
        grid.multiple.to_string()
    } else {
        let digits = format!("{:0>width$}", grid.multiple, width = places + 1);
        format!("{}.{}", &digits[..digits.len() - places], &digits[digits.len() - places..])
    };
    format!("is no multiple of {step}, which the layout says that the column shows")
}

/// Cells of a line as ranges of it, where nothing is quoted; unquoted copies where something is.
pub(super) struct Fields {
    delimiter: u8,
    quote: Option<u8>,
    ends: Vec<usize>,
    cells: Cells,
    is_quoted: bool,
}

impl Fields {
    pub(super) fn new(delimiter: u8, quote: Option<u8>) -> Self {
        Self { delimiter, quote, ends: Vec::new(), cells: Cells::new(delimiter, quote), is_quoted: false }
    }

    pub(super) fn cut(&mut self, line: &[u8]) -> usize {
        self.is_quoted = self.quote.is_some_and(|quote| memchr::memchr(quote, line).is_some());
        if self.is_quoted {
            return self.cells.cut(line);
        }
        self.ends.clear();
        self.ends.extend(memchr::memchr_iter(self.delimiter, line));
        self.ends.push(line.len());
        self.ends.len()
    }

    pub(super) fn get<'a>(&'a self, line: &'a [u8], at: usize) -> &'a [u8] {
        if self.is_quoted {
            return self.cells.get(at);
        }
        let Some(&end) = self.ends.get(at) else { return &[] };
        let start = if at == 0 { 0 } else { self.ends[at - 1] + 1 };
        line.get(start..end).unwrap_or(&[])
    }
}

/// Reads every row of a file: what [`super::foreign`] plans with, and what the benches time.
pub fn each_line<E>(
    decoded: &mut Decoded,
    lines: &mut Lines,
    piece: &[u8],
    is_last: bool,
    mut each: impl FnMut(Line<'_>) -> Result<(), E>,
) -> Result<(), E> {
    decoded.feed(piece, is_last, |text| lines.feed(text, &mut each))?;
    if is_last { lines.finish(each) } else { Ok(()) }
}

/// The logger's address in a file's name, by a pattern with `{logger}` and `*`.
pub fn logger_of_name(pattern: &str, path: &str) -> Option<Address> {
    let name = path.rsplit('/').next().unwrap_or(path);
    let (before, after) = pattern.split_once("{logger}")?;
    let starts: Vec<usize> = name.char_indices().map(|(at, _)| at).collect();
    let mut found = None;
    for &start in &starts {
        let len = name[start..].bytes().take_while(u8::is_ascii_digit).count();
        let begins = start == 0 || !name.as_bytes()[start - 1].is_ascii_digit();
        if len > 0 && begins && fits(before, &name[..start]) && fits(after, &name[start + len..]) {
            let address = name[start..start + len].parse().ok().and_then(Address::new);
            // Two readings of one name are no reading.
            if found.is_some_and(|other| Some(other) != address) {
                return None;
            }
            found = address;
        }
    }
    found
}

/// Whether a text fits a pattern in which `*` is anything.
fn fits(pattern: &str, text: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == text,
        Some((start, rest)) => text.strip_prefix(start).is_some_and(|left| {
            (0..=left.len()).any(|at| left.is_char_boundary(at) && fits(rest, &left[at..]))
        }),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_loggers_number_is_read_out_of_a_name_only_where_it_is_plain() {
        let of = |pattern, name| logger_of_name(pattern, name).map(Address::number);
        assert_eq!(of("P-{logger}_*.csv", "/media/stick/P-17_2026-05.csv"), Some(17));
        assert_eq!(of("*_{logger}.csv", "a_b_17.csv"), Some(17));
        assert_eq!(of("P-{logger}_*.csv", "P-x_2026.csv"), None);
        assert_eq!(of("P-{logger}.csv", "P-70000.csv"), None);
        assert_eq!(of("*{logger}*", "P-17_2026.csv"), None, "17 or 2026");
    }

    proptest! {
        #[test]
        fn a_number_comes_out_exactly_or_not_at_all(
            steps in -2_000_000_i64..2_000_000,
            places in 0_u8..5,
            multiple in prop_oneof![Just(1_i64), Just(2), Just(5), Just(25)],
            counts in 1_u32..1000,
            off in 1_i64..25,
        ) {
            // The text is made by integer division, apart from the code that reads it.
            let write = |value: i64| {
                let unit = 10_i64.pow(places.into());
                let sign = if value < 0 { "-" } else { "" };
                let (whole, rest) = (value.abs() / unit, value.abs() % unit);
                if places == 0 {
                    format!("{sign}{whole}")
                } else {
                    format!("{sign}{whole},{rest:0width$}", width = places.into())
                }
            };
            let grid = Grid { places, multiple, counts };
            let text = write(steps * multiple);
            prop_assert_eq!(on_grid(text.as_bytes(), &grid, b','), Ok(steps * i64::from(counts)));
            let between = write(steps * multiple + off % multiple);
            prop_assert_eq!(on_grid(between.as_bytes(), &grid, b',').is_ok(), off % multiple == 0);
        }
    }
}
