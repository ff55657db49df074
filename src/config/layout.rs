//! A layout: how one kind of reader writes its CSV files, as a person has described it in TOML.
//!
//! Input: the file. Output: a checked [`Layout`], for `hand::layout`, which reads rows by it. All arithmetic that a
//! row will need is prepared in whole numbers: a number of the file is a whole multiple of its column's resolution,
//! and each such step is a whole number of raw counts.
//!
//! What this is not: it opens no CSV file, and it turns no engineering value back into counts. A layout that asks
//! for that is refused.
//!
//! Time zones: the IANA database, as the `chrono-tz` crate carries it.

use super::file::{self, Readers};
use super::problem::{Problem, Problems};
use super::read::{Field, NAME_LEN_MAX_CHARS, Notes, Table};
use crate::record::judge::Steps;
use crate::when;
use crate::wire::record::{CHANNELS_MAX, RawUnit};
use std::path::Path;

/// The most columns that a layout names: every channel, and what stands before them.
const COLUMNS_MAX: usize = CHANNELS_MAX + 12;
/// The most fault markers.
const FAULTS_MAX: usize = 100;
/// The most lines before the header, or between it and the rows.
const SKIP_MAX: u32 = 1000;
/// The largest step in time.
const TIME_STEP_MAX_S: u32 = 86_400;
/// The most decimal places of a resolution.
const PLACES_MAX: usize = 9;

const LAYOUT: Field = Field::required("layout", "the layout's `title` under it");
const FILE: Field = Field::optional("file", "how the file is written under it");
const TIME: Field = Field::required("time", "`resolution_s`, and `utc_offset` or `zone` under it");
const LOGGER: Field = Field::optional("logger", "where the logger's number stands under it");
const COLUMN: Field = Field::required("column", "one table for each column that is used").many();
const FAULT: Field = Field::optional("fault", "one table for each text that stands for a fault").many();

const TITLE: Field = Field::required("title", "which reader writes such files");
const ENCODING: Field = Field::optional("encoding", "\"utf-8\", \"windows-1252\", \"latin-1\" or \"utf-16\"");
const DELIMITER: Field = Field::optional("delimiter", "\",\", \";\", \"|\" or \"tab\"");
const DECIMAL: Field = Field::optional("decimal_mark", "\".\" or \",\"");
const QUOTE: Field = Field::optional("quote", "\"double\", \"single\" or \"none\"");
const SKIP_BEFORE: Field = Field::optional("skip_before", "how many lines stand before the header");
const HEADER: Field = Field::optional("header", "whether a line names the columns");
const SKIP_AFTER: Field =
    Field::optional("skip_after", "how many lines stand between the header and the rows");

const RESOLUTION_S: Field = Field::required(
    "resolution_s",
    "the seconds from one time that the file can show to the next; 60: whole minutes",
);
const ROUNDING: Field =
    Field::optional("rounding", "\"nearest\", or \"cut\" where seconds are just left out");
const UTC_OFFSET: Field =
    Field::optional("utc_offset", "the file's hours and minutes from UTC, as in \"-07:00\"");
const ZONE: Field = Field::optional(
    "zone",
    "a time zone of the IANA database, as in \"America/Denver\", or `utc_offset` instead",
);

const FILE_NAME: Field = Field::required("file_name", "a name as in \"P-{logger}_*.csv\"");

const NAME: Field = Field::optional("name", "what the header calls the column");
const NUMBER: Field = Field::optional("number", "which column it is, counted from 1");
const IS: Field =
    Field::required("is", "logger, epoch, sequence, time, date, clock, battery_mv, board_c or channel");
const CHANNEL: Field = Field::required("channel", "the number of the channel, counted from 0");
const UNIT: Field = Field::required(
    "unit",
    "what the file's number is, as the instrument measures it: count, Hz, ohm, mV/V, mA, V, sine or pulse",
);
const SCALE: Field =
    Field::optional("scale", "how many raw counts one of the file's number is, as 1000 or \"1000/3\"");
const RESOLUTION: Field = Field::required(
    "resolution",
    "the step from one number that the column can show to the next, as in \"0.1\"",
);
const FORMAT: Field = Field::required("format", "how it is written, as in \"%d.%m.%Y %H:%M\"");

const MARKER: Field = Field::required("marker", "the text that the file has instead of a number");
const CODE: Field = Field::required("code", "the fault code of docs/wire-format.md, section 8");

/// How a kind of reader writes. See the module's page.
#[derive(Clone, Debug)]
pub struct Layout {
    /// Which reader, in a person's words.
    pub title: String,
    /// How its files are written.
    pub style: Style,
    /// How its times are meant.
    pub time: TimeRule,
    /// The name of a file, with `{logger}` where the number stands, and `*` for anything.
    pub file_name: Option<String>,
    /// The columns that are used, in the layout's order.
    pub columns: Vec<Column>,
    /// Texts that stand for faults, and their codes.
    pub faults: Vec<(String, i32)>,
}

/// How a file is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Style {
    /// Bytes to characters.
    pub encoding: Encoding,
    /// Between cells.
    pub delimiter: u8,
    /// `.` or `,`.
    pub decimal_mark: u8,
    /// Around cells, where any are quoted.
    pub quote: Option<u8>,
    /// Lines before the header.
    pub skip_before: u32,
    /// Whether there is a header.
    pub header: bool,
    /// Lines between the header and the rows.
    pub skip_after: u32,
}

impl Default for Style {
    fn default() -> Self {
        Self {
            encoding: Encoding::Utf8,
            delimiter: b',',
            decimal_mark: b'.',
            quote: Some(b'"'),
            skip_before: 0,
            header: true,
            skip_after: 0,
        }
    }
}

/// Bytes to characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// With or without a byte order mark.
    Utf8,
    /// And Latin-1, whose printable characters it contains.
    Windows1252,
    /// The byte order mark says which.
    Utf16,
}

/// How a file's times are meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeRule {
    /// From local to UTC.
    pub zone: Zone,
    /// From one time that it can show to the next, in seconds.
    pub step_s: u32,
    /// Whether it leaves out what it does not show; else it rounds to the nearest.
    pub cut: bool,
}

/// From local to UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zone {
    /// Always so many seconds east of UTC.
    Offset(i32),
    /// A civil time zone, with daylight saving where it has it.
    Civil(chrono_tz::Tz),
}

/// A column that is used.
#[derive(Clone, Debug)]
pub struct Column {
    /// Where it stands.
    pub place: Place,
    /// What it is.
    pub is: Is,
}

/// Where a column stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// Where the header has this.
    Name(String),
    /// Counted from 1.
    Number(usize),
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Name(name) => write!(f, "`{}`", name.escape_debug()),
            Self::Number(number) => write!(f, "{number}"),
        }
    }
}

/// What a column is.
#[derive(Clone, Debug, PartialEq)]
pub enum Is {
    /// The logger's address, or its name on the roster.
    Logger,
    /// The record's epoch.
    Epoch,
    /// The record's sequence.
    Sequence,
    /// Day and time of day.
    Time(Format),
    /// The day.
    Date(Format),
    /// The time of day.
    Clock(Format),
    /// The cell, in millivolts.
    BatteryMv(Grid),
    /// On the board, in hundredths of a degree.
    BoardCentiC(Grid),
    /// A channel, in raw counts.
    Channel {
        /// Which, from 0.
        channel: usize,
        /// How its numbers become counts.
        grid: Grid,
        /// What the roster must say that the channel's raw unit is; `None`: anything.
        raw_unit: Option<RawUnit>,
    },
}

impl Is {
    fn name(&self) -> &'static str {
        match self {
            Self::Logger => "logger",
            Self::Epoch => "epoch",
            Self::Sequence => "sequence",
            Self::Time(_) => "time",
            Self::Date(_) => "date",
            Self::Clock(_) => "clock",
            Self::BatteryMv(_) => "battery_mv",
            Self::BoardCentiC(_) => "board_c",
            Self::Channel { .. } => "channel",
        }
    }
}

/// The numbers that a column can show, and what each is: `multiple` × 10^-`places` is one step, and a step is
/// `counts` counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Decimal places that matter.
    pub places: u8,
    /// A step, in the last of these places.
    pub multiple: i64,
    /// The same in counts (or millivolts, or hundredths of a degree).
    pub counts: u32,
}

/// How a time is written, piece by piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Format {
    /// As it was given.
    pub text: String,
    /// Its pieces.
    pub pieces: Vec<Piece>,
}

/// A piece of a format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece {
    /// This very byte.
    Literal(u8),
    /// `%Y`, four digits.
    Year,
    /// `%y`, two digits of this century.
    ShortYear,
    /// `%m`, one or two digits.
    Month,
    /// `%b`, three English letters.
    MonthName,
    /// `%d`, one or two digits.
    Day,
    /// `%H`, 0 to 23.
    Hour,
    /// `%I`, 1 to 12.
    HalfHour,
    /// `%p`, AM or PM.
    Half,
    /// `%M`, two digits.
    Minute,
    /// `%S`, two digits.
    Second,
    /// `%f`, a fraction of a second, which must be zero.
    Fraction,
    /// `%z`, `+hh:mm`, `+hhmm` or `Z`.
    Offset,
    /// `%s`, seconds since 1970 in UTC.
    Unix,
}

impl Format {
    /// By a subset of `strftime`.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut pieces = Vec::new();
        let mut bytes = text.bytes();
        while let Some(byte) = bytes.next() {
            if byte != b'%' {
                pieces.push(Piece::Literal(byte));
                continue;
            }
            let code = bytes.next();
            pieces.push(match code {
                Some(b'%') => Piece::Literal(b'%'),
                Some(b'Y') => Piece::Year,
                Some(b'y') => Piece::ShortYear,
                Some(b'm') => Piece::Month,
                Some(b'b') => Piece::MonthName,
                Some(b'd') => Piece::Day,
                Some(b'H') => Piece::Hour,
                Some(b'I') => Piece::HalfHour,
                Some(b'p') => Piece::Half,
                Some(b'M') => Piece::Minute,
                Some(b'S') => Piece::Second,
                Some(b'f') => Piece::Fraction,
                Some(b'z') => Piece::Offset,
                Some(b's') => Piece::Unix,
                _ => {
                    return Err(
                        "has a `%` that is none of %Y %y %m %b %d %H %I %p %M %S %f %z %s %%".to_owned()
                    );
                }
            });
        }
        let format = Self { text: text.to_owned(), pieces };
        for (at, piece) in format.pieces.iter().enumerate() {
            if !matches!(piece, Piece::Literal(_)) && format.pieces[..at].contains(piece) {
                return Err("has one part twice".to_owned());
            }
        }
        Ok(format)
    }

    /// Whether it has a piece.
    pub fn has(&self, piece: Piece) -> bool {
        self.pieces.contains(&piece)
    }

    /// Whether it says which instant it is without a zone.
    pub fn is_absolute(&self) -> bool {
        self.has(Piece::Offset) || self.has(Piece::Unix)
    }

    /// What is wrong with it as a day, a time of day, or both.
    fn lacks(&self, day: bool, clock: bool) -> Option<&'static str> {
        if self.has(Piece::Unix) {
            let alone = self.pieces.len() == 1 && day && clock;
            return (!alone).then_some("has %s, which stands alone, in a column that is `time`");
        }
        let count = |pieces: &[Piece]| pieces.iter().filter(|&&piece| self.has(piece)).count();
        let years = count(&[Piece::Year, Piece::ShortYear]);
        let months = count(&[Piece::Month, Piece::MonthName]);
        let days = count(&[Piece::Day]);
        let hours = count(&[Piece::Hour, Piece::HalfHour]);
        if day && (years, months, days) != (1, 1, 1) {
            return Some(
                "needs one year (%Y or %y), one month (%m or %b) and the day (%d), in the file's order",
            );
        }
        if !day && years + months + days > 0 {
            return Some("has parts of a day, which belong into the column that is `date`");
        }
        if clock && (hours != 1 || count(&[Piece::Minute]) != 1) {
            return Some("needs one hour (%H, or %I with %p) and the minute (%M)");
        }
        if clock && self.has(Piece::HalfHour) != self.has(Piece::Half) {
            return Some("needs %I and %p together, or %H alone");
        }
        let clock_parts = [Piece::Minute, Piece::Second, Piece::Fraction, Piece::Half, Piece::Offset];
        if !clock && hours + count(&clock_parts) > 0 {
            return Some("has parts of a time of day, which belong into the column that is `clock`");
        }
        None
    }
}

/// A number without loss: `over` is positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Ratio {
    number: i128,
    over: i128,
}

impl Ratio {
    /// A positive decimal number of at most nine digits on either side of its point.
    fn decimal(text: &str) -> Option<Self> {
        let (before, after) = text.split_once('.').unwrap_or((text, ""));
        let digits = |part: &str| part.len() <= PLACES_MAX && part.bytes().all(|byte| byte.is_ascii_digit());
        if before.is_empty() || !digits(before) || !digits(after) {
            return None;
        }
        let number = format!("{before}{after}").parse().ok()?;
        (number > 0).then_some(Self { number, over: 10_i128.pow(after.len() as u32) })
    }

    /// A decimal number, or two with `/` between them.
    fn parse(text: &str) -> Option<Self> {
        match text.split_once('/') {
            None => Self::decimal(text),
            Some((above, below)) => {
                let (above, below) = (Self::decimal(above.trim())?, Self::decimal(below.trim())?);
                Some(Self { number: above.number * below.over, over: above.over * below.number })
            }
        }
    }

    fn times(self, other: Self) -> Self {
        Self { number: self.number * other.number, over: self.over * other.over }
    }

    fn equals(self, other: Self) -> bool {
        self.number * other.over == other.number * self.over
    }
}

/// What an instrument measures, as files name it: the raw unit that it is, and counts in one of it.
const UNITS: [(&str, Option<RawUnit>, &str); 22] = [
    ("count", None, "1"),
    ("Hz", Some(RawUnit::MilliHertz), "1000"),
    ("mHz", Some(RawUnit::MilliHertz), "1"),
    ("kHz", Some(RawUnit::MilliHertz), "1000000"),
    ("ohm", Some(RawUnit::MilliOhm), "1000"),
    ("mohm", Some(RawUnit::MilliOhm), "1"),
    ("kohm", Some(RawUnit::MilliOhm), "1000000"),
    ("V/V", Some(RawUnit::NanoRatio), "1000000000"),
    ("mV/V", Some(RawUnit::NanoRatio), "1000000"),
    ("uV/V", Some(RawUnit::NanoRatio), "1000"),
    ("A", Some(RawUnit::NanoAmp), "1000000000"),
    ("mA", Some(RawUnit::NanoAmp), "1000000"),
    ("uA", Some(RawUnit::NanoAmp), "1000"),
    ("nA", Some(RawUnit::NanoAmp), "1"),
    ("V", Some(RawUnit::TenNanoVolt), "100000000"),
    ("mV", Some(RawUnit::TenNanoVolt), "100000"),
    ("uV", Some(RawUnit::TenNanoVolt), "100"),
    ("sine", Some(RawUnit::NanoSine), "1000000000"),
    ("pulse", Some(RawUnit::Pulse), "1"),
    ("pulses", Some(RawUnit::Pulse), "1"),
    ("digit", None, "1"),
    ("counts", None, "1"),
];

/// The raw unit of a unit that a layout may name, and how many counts one is; `None`: it is not measured as such.
pub fn unit(name: &str) -> Option<(Option<RawUnit>, &'static str)> {
    UNITS.iter().find(|unit| unit.0 == name).map(|unit| (unit.1, unit.2))
}

impl Layout {
    /// How far such a file rounds.
    pub fn steps(&self) -> Steps {
        let mut steps = Steps { time_s: self.time.step_s, ..Steps::default() };
        for column in &self.columns {
            match column.is {
                Is::BatteryMv(grid) => steps.battery_mv = grid.counts,
                Is::BoardCentiC(grid) => steps.board_centi_c = grid.counts,
                Is::Channel { channel, grid, .. } => {
                    if steps.counts.len() <= channel {
                        steps.counts.resize(channel + 1, 0);
                    }
                    steps.counts[channel] = grid.counts;
                }
                _ => {}
            }
        }
        steps
    }

    /// How many channels a row has.
    pub fn channels(&self) -> usize {
        self.columns.iter().filter(|column| matches!(column.is, Is::Channel { .. })).count()
    }

    /// Whether a column is there; by its kind, whatever its fields.
    pub fn has(&self, is: impl Fn(&Is) -> bool) -> bool {
        self.columns.iter().any(|column| is(&column.is))
    }
}

/// Reads a layout's file. Errors: every mistake in it, by line.
pub fn load(path: &Path) -> Result<Layout, Problems> {
    let mut problems = Vec::new();
    let remedy = "name a file, or put it as NAME.toml into the folder `layouts` beside site.toml";
    let layout = file::read(path, Readers::Anyone, remedy, &mut problems)
        .and_then(|text| read(path, &text, &mut problems));
    finish(layout, problems)
}

/// The same from a text; `path` is for messages.
pub fn parse(path: &Path, text: &str) -> Result<Layout, Problems> {
    let mut problems = Vec::new();
    let layout = read(path, text, &mut problems);
    finish(layout, problems)
}

fn finish(layout: Option<Layout>, problems: Vec<Problem>) -> Result<Layout, Problems> {
    match layout {
        Some(layout) if problems.is_empty() => Ok(layout),
        _ => {
            let mut all = Problems::default();
            all.add(problems);
            Err(all)
        }
    }
}

fn read(path: &Path, text: &str, problems: &mut Vec<Problem>) -> Option<Layout> {
    let notes = Notes::new(path, text);
    let (tree, clean) = notes.parse(text);
    let mut layout = None;
    if clean {
        layout = read_file(&Table::file(&notes, tree.get_ref()));
    }
    problems.extend(notes.into_problems());
    layout
}

fn read_file(file: &Table<'_, '_>) -> Option<Layout> {
    file.refuse_unknown(&[&LAYOUT, &FILE, &TIME, &LOGGER, &COLUMN, &FAULT]);
    let title = file.section(&LAYOUT).and_then(|table| {
        table.refuse_unknown(&[&TITLE]);
        table.text(&TITLE, NAME_LEN_MAX_CHARS).map(|title| title.value.to_owned())
    });
    let style = match file.section(&FILE) {
        Some(table) => style(&table),
        None => Some(Style::default()),
    };
    let file_name = file.section(&LOGGER).and_then(|table| {
        table.refuse_unknown(&[&FILE_NAME]);
        let name = table.text(&FILE_NAME, NAME_LEN_MAX_CHARS)?.value;
        if name.matches("{logger}").count() != 1 || name.matches('*').count() > 8 {
            table.note_value(&FILE_NAME, name, "has not `{logger}` once, and `*` eight times at most");
            return None;
        }
        Some(name.to_owned())
    });
    let mut columns = Vec::new();
    let mut formats = Vec::new();
    let has_header = style.as_ref().is_none_or(|style| style.header);
    for table in file.tables(&COLUMN, 1..=COLUMNS_MAX, |i| format!("column entry {}", i + 1)) {
        column(table, has_header, &mut columns, &mut formats);
    }
    let is_absolute = columns.iter().any(|column: &Column| match &column.is {
        Is::Time(format) | Is::Clock(format) => format.is_absolute(),
        _ => false,
    });
    let has_seconds = formats.iter().any(|format| format.has(Piece::Second) || format.has(Piece::Unix));
    let has_clock = columns.iter().any(|column| matches!(column.is, Is::Time(_) | Is::Clock(_)));
    let time = file.section(&TIME).and_then(|table| time(&table, is_absolute, has_seconds || !has_clock));
    let faults = faults(file);
    complete(file, &columns);
    if file.has(&LOGGER) && columns.iter().any(|column| column.is == Is::Logger) {
        file.note(&LOGGER, "a column is `logger` as well; keep one of the two");
    }
    Some(Layout { title: title?, style: style?, time: time?, file_name, columns, faults })
}

/// What columns there must be, taken together.
fn complete(file: &Table<'_, '_>, columns: &[Column]) {
    let has = |name: &str| columns.iter().any(|column| column.is.name() == name);
    match (has("time"), has("date"), has("clock")) {
        (true, false, false) | (false, true, true) => {}
        (true, _, _) => file.note(
            &COLUMN,
            "a column is `time`, and another `date` or `clock`; keep `time` alone, or the other two",
        ),
        _ => file.note(
            &COLUMN,
            "no column says when; write one that is `time`, or one that is `date` and one that is `clock`",
        ),
    }
    if has("sequence") != has("epoch") {
        let (there, not) = if has("epoch") { ("epoch", "sequence") } else { ("sequence", "epoch") };
        file.note(&COLUMN, &format!(
            "a column is `{there}`, and none is `{not}`: only both together say which record a row is; add the other, \
             or leave this one out and let rows be matched by time"
        ));
    }
    let channels: Vec<usize> = columns
        .iter()
        .filter_map(|column| match column.is {
            Is::Channel { channel, .. } => Some(channel),
            _ => None,
        })
        .collect();
    if channels.is_empty() {
        file.note(&COLUMN, "none is a `channel`; a row needs at least channel 0");
    } else if let Some(missing) = (0..channels.len()).find(|channel| !channels.contains(channel)) {
        file.note(&COLUMN, &format!(
            "channel {missing} is missing, and a higher one is there; a row has every channel of its reading"
        ));
    }
}

fn style(table: &Table<'_, '_>) -> Option<Style> {
    table.refuse_unknown(&[&ENCODING, &DELIMITER, &DECIMAL, &QUOTE, &SKIP_BEFORE, &HEADER, &SKIP_AFTER]);
    let usual = Style::default();
    /// One of several words; `None`: a mistake is written down.
    fn word<T: Copy>(table: &Table<'_, '_>, field: &Field, usual: T, words: &[(&str, T)]) -> Option<T> {
        if !table.has(field) {
            return Some(usual);
        }
        let written = table.text(field, NAME_LEN_MAX_CHARS)?.value;
        let found = words.iter().find(|(word, _)| *word == written.to_ascii_lowercase());
        if found.is_none() {
            table.note_value(field, written, "is none of these");
        }
        found.map(|&(_, value)| value)
    }
    let encoding = word(
        table,
        &ENCODING,
        usual.encoding,
        &[
            ("utf-8", Encoding::Utf8),
            ("windows-1252", Encoding::Windows1252),
            ("latin-1", Encoding::Windows1252),
            ("utf-16", Encoding::Utf16),
        ],
    );
    let delimiters = [(",", b','), (";", b';'), ("|", b'|'), ("tab", b'\t')];
    let delimiter = word(table, &DELIMITER, usual.delimiter, &delimiters);
    let decimal_mark = word(table, &DECIMAL, usual.decimal_mark, &[(".", b'.'), (",", b',')]);
    let quotes = [("double", Some(b'"')), ("single", Some(b'\'')), ("none", None)];
    let quote = word(table, &QUOTE, usual.quote, &quotes);
    let count = |field: &Field| {
        if table.has(field) { table.integer(field, 0..=SKIP_MAX).map(|n| n.value) } else { Some(0) }
    };
    let (skip_before, skip_after) = (count(&SKIP_BEFORE), count(&SKIP_AFTER));
    let header = if table.has(&HEADER) { table.boolean(&HEADER) } else { Some(true) };
    if delimiter.is_some() && delimiter == decimal_mark && quote == Some(None) {
        table.note(&DECIMAL, "is the delimiter as well, and nothing is quoted; write which of the two it is");
    }
    Some(Style {
        encoding: encoding?,
        delimiter: delimiter?,
        decimal_mark: decimal_mark?,
        quote: quote?,
        skip_before: skip_before?,
        header: header?,
        skip_after: skip_after?,
    })
}

fn time(table: &Table<'_, '_>, is_absolute: bool, has_seconds: bool) -> Option<TimeRule> {
    table.refuse_unknown(&[&RESOLUTION_S, &ROUNDING, &UTC_OFFSET, &ZONE]);
    let step_s = table.integer(&RESOLUTION_S, 1..=TIME_STEP_MAX_S).map(|n| n.value);
    if !has_seconds && let Some(step_s) = step_s.filter(|step_s| step_s % 60 != 0) {
        table.note(
            &RESOLUTION_S,
            &format!("{step_s}, and no format shows seconds (%S); write 60, or a multiple of it"),
        );
    }
    let cut = if table.has(&ROUNDING) {
        match table.text(&ROUNDING, NAME_LEN_MAX_CHARS).map(|text| text.value) {
            Some("nearest") => Some(false),
            Some("cut") => Some(true),
            Some(other) => {
                table.note_value(&ROUNDING, other, "is none of these");
                None
            }
            None => None,
        }
    } else {
        Some(false)
    };
    let zone = match (table.has(&UTC_OFFSET), table.has(&ZONE)) {
        (true, true) => {
            table.note(&ZONE, "`utc_offset` is there as well; keep one of the two");
            None
        }
        (false, false) if is_absolute => Some(Zone::Offset(0)),
        (false, false) => {
            table.note(&ZONE, &format!("missing; write {}", ZONE.what()));
            None
        }
        (is_offset, _) if is_absolute => {
            let field = if is_offset { &UTC_OFFSET } else { &ZONE };
            table.note(field, "the format has an offset of its own (%z, %s); remove it here");
            None
        }
        (true, false) => {
            let text = table.text(&UTC_OFFSET, NAME_LEN_MAX_CHARS)?.value;
            let offset = when::offset_s(text);
            if let Err(why) = offset {
                table.note_value(&UTC_OFFSET, text, why);
            }
            offset.ok().map(Zone::Offset)
        }
        (false, true) => {
            let text = table.text(&ZONE, NAME_LEN_MAX_CHARS)?.value;
            let zone = text.parse::<chrono_tz::Tz>();
            if zone.is_err() {
                table.note_value(&ZONE, text, "is no zone of the IANA database");
            }
            zone.ok().map(Zone::Civil)
        }
    };
    Some(TimeRule { zone: zone?, step_s: step_s?, cut: cut? })
}

fn column(table: Table<'_, '_>, has_header: bool, columns: &mut Vec<Column>, formats: &mut Vec<Format>) {
    let place = match (table.has(&NAME), table.has(&NUMBER)) {
        (true, true) => {
            table.note(&NUMBER, "`name` is there as well; keep one of the two");
            None
        }
        (false, false) => {
            table.note(
                &NAME,
                &format!("missing, and `number` too; write {}, or {}", NAME.what(), NUMBER.what()),
            );
            None
        }
        (true, false) => {
            if !has_header {
                table.note(
                    &NAME,
                    "`[file] header` says that nothing names the columns; write `number` instead",
                );
            }
            table.text(&NAME, NAME_LEN_MAX_CHARS).map(|name| Place::Name(name.value.trim().to_owned()))
        }
        (false, true) => table.integer(&NUMBER, 1..=1000_u32).map(|n| Place::Number(n.value as usize)),
    };
    let table = match &place {
        Some(place) => table.called(format!("column {place}")),
        None => table,
    };
    let Some(is) = table.text(&IS, NAME_LEN_MAX_CHARS).map(|is| is.value) else { return };
    let common = [&NAME, &NUMBER, &IS];
    let with =
        |more: &[&'static Field]| common.iter().copied().chain(more.iter().copied()).collect::<Vec<_>>();
    let format = |table: &Table<'_, '_>, day: bool, clock: bool| {
        table.refuse_unknown(&with(&[&FORMAT]));
        let text = table.text(&FORMAT, NAME_LEN_MAX_CHARS)?.value;
        let format = Format::parse(text).and_then(|format| match format.lacks(day, clock) {
            Some(why) => Err(why.to_owned()),
            None => Ok(format),
        });
        match format {
            Ok(format) => Some(format),
            Err(why) => {
                table.note_value(&FORMAT, text, &why);
                None
            }
        }
    };
    let is = match is {
        "logger" | "epoch" | "sequence" => {
            table.refuse_unknown(&common);
            Some(match is {
                "logger" => Is::Logger,
                "epoch" => Is::Epoch,
                _ => Is::Sequence,
            })
        }
        "time" => format(&table, true, true).map(Is::Time),
        "date" => format(&table, true, false).map(Is::Date),
        "clock" => format(&table, false, true).map(Is::Clock),
        "battery_mv" => {
            table.refuse_unknown(&with(&[&SCALE, &RESOLUTION]));
            grid(&table, "1", "millivolts", false).map(Is::BatteryMv)
        }
        "board_c" => {
            table.refuse_unknown(&with(&[&SCALE, &RESOLUTION]));
            grid(&table, "1", "hundredths of a degree", true).map(Is::BoardCentiC)
        }
        "channel" => {
            table.refuse_unknown(&with(&[&CHANNEL, &UNIT, &SCALE, &RESOLUTION]));
            let channel = table.integer(&CHANNEL, 0..=CHANNELS_MAX as u32 - 1).map(|n| n.value as usize);
            let unit = channel_unit(&table);
            unit.and_then(|(raw_unit, counts)| {
                let grid = grid(&table, counts, "raw counts", false)?;
                Some(Is::Channel { channel: channel?, grid, raw_unit })
            })
        }
        other => {
            table.note_value(&IS, other, "is none of these");
            None
        }
    };
    let (Some(place), Some(is)) = (place, is) else { return };
    if let Some(other) = columns.iter().find(|other| other.place == place) {
        table.note(&IS, &format!("this column is `{}` already; name each column once", other.is.name()));
    }
    let same = |other: &&Column| match (&other.is, &is) {
        (Is::Channel { channel: a, .. }, Is::Channel { channel: b, .. }) => a == b,
        (a, b) => a.name() == b.name(),
    };
    if let Some(other) = columns.iter().find(same) {
        let what = match is {
            Is::Channel { channel, .. } => format!("channel {channel}"),
            _ => format!("`{}`", is.name()),
        };
        table.note(&IS, &format!("column {} is {what} as well; keep one of the two", other.place));
    }
    if let Is::Time(format) | Is::Clock(format) = &is {
        formats.push(format.clone());
    }
    columns.push(Column { place, is });
}

/// The raw unit, and the counts in one.
fn channel_unit(table: &Table<'_, '_>) -> Option<(Option<RawUnit>, &'static str)> {
    let name = table.text(&UNIT, NAME_LEN_MAX_CHARS)?.value;
    let found = unit(name);
    if found.is_none() {
        let text = format!(
            "\"{}\" is not what an instrument measures, and an engineering value is never turned back into raw \
             counts; leave the column out, and enter such readings with `stonechat manual`; allowed here: {}",
            name.escape_debug(),
            UNITS.iter().map(|unit| unit.0).collect::<Vec<_>>().join(", "),
        );
        table.note(&UNIT, &text);
    }
    found
}

/// `usual`: counts in one, where the layout does not say.
fn grid(table: &Table<'_, '_>, usual: &str, counts: &str, in_hundredths: bool) -> Option<Grid> {
    let usual = Ratio::parse(usual)?;
    let scale = if table.has(&SCALE) {
        let text = table.decimal(&SCALE)?.value;
        let Some(scale) = Ratio::parse(&text) else {
            table.note_value(
                &SCALE,
                &text,
                "is no positive number of at most nine digits before and after its point",
            );
            return None;
        };
        // The unit of a channel says what one is; only a bare count leaves it open.
        if !usual.equals(scale) && usual.number != usual.over {
            table.note(&SCALE, &format!(
                "{text} raw counts are not what `unit` says: there one is {}; leave `scale` out, or name the right unit",
                usual.number / usual.over
            ));
            return None;
        }
        scale
    } else {
        usual
    };
    let text = table.decimal(&RESOLUTION)?.value;
    let Some(resolution) = Ratio::decimal(&text) else {
        table.note_value(
            &RESOLUTION,
            &text,
            "is no positive number of at most nine digits before and after its point",
        );
        return None;
    };
    let hundredths = Ratio { number: if in_hundredths { 100 } else { 1 }, over: 1 };
    let step = resolution.times(scale).times(hundredths);
    let whole = u32::try_from(step.number / step.over)
        .ok()
        .filter(|&whole| whole > 0 && step.number % step.over == 0);
    let Some(whole) = whole else {
        table.note(&RESOLUTION, &format!(
            "a step of {text} is not a whole number of {counts}; write the step that one of them makes, or a multiple"
        ));
        return None;
    };
    // Trailing zeros of a resolution mean nothing: "0.10" is a step of 0.1.
    let (mut multiple, mut over) = (resolution.number, resolution.over);
    while over > 1 && multiple % 10 == 0 {
        (multiple, over) = (multiple / 10, over / 10);
    }
    Some(Grid { places: over.ilog10() as u8, multiple: i64::try_from(multiple).ok()?, counts: whole })
}

fn faults(file: &Table<'_, '_>) -> Vec<(String, i32)> {
    let mut faults: Vec<(String, i32)> = Vec::new();
    if !file.has(&FAULT) {
        return faults;
    }
    for table in file.tables(&FAULT, 1..=FAULTS_MAX, |i| format!("fault entry {}", i + 1)) {
        table.refuse_unknown(&[&MARKER, &CODE]);
        let marker = table.text(&MARKER, NAME_LEN_MAX_CHARS).map(|marker| marker.value.trim().to_owned());
        let code = table.integer(&CODE, 1..=0x7fff_ffff_u32).map(|n| n.value);
        let (Some(marker), Some(code)) = (marker, code) else { continue };
        if faults.iter().any(|(other, _)| *other == marker) {
            table.note_value(&MARKER, &marker, "stands there twice");
        }
        faults.push((marker, code as i32));
    }
    faults
}
