//! A look at an unknown CSV file: what is in it, and a layout to start from.
//!
//! Input: a file's bytes, once from front to back. Output: a [`Description`], whose text is itself a layout: what was
//! seen stands in comments, and what the file cannot say is left as a choice, which the reader of layouts refuses
//! until a person has made it.
//!
//! What this is not: it never chooses between day and month where no day exceeds 12, nor a time zone, nor what an
//! unnamed number is. It changes nothing and asks the ledger nothing.

use super::layout::{Decoded, Fields, Moment, each_line};
use super::lines::{Line, Lines};
use super::plan::{Listener, NotPlanned, pieces};
use crate::config::Problems;
use crate::config::layout::{Encoding, Format, Layout, Style, unit};
use crate::when::civil::CivilTime;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Read;
use std::path::Path;

/// Lines by which the style is told.
const HEAD_LINES: usize = 400;
/// And bytes, where lines are long.
const HEAD_BYTES: usize = 256 * 1024;
/// The most columns that are looked at.
const COLUMNS_MAX: usize = 200;
/// Different texts that are kept of a column.
const TEXTS_MAX: usize = 12;
/// Changes of a value before a coarser step than its decimals is believed: by chance, all are even once in a
/// million.
const CHANGES_MIN: u64 = 20;
/// Different steps in time that are counted.
const TIME_STEPS_MAX: usize = 1000;
/// Decimal places that are looked at.
const PLACES_MAX: usize = 9;
/// What a choice looks like in the layout: no reader takes it.
const CHOOSE: &str = "?";

/// What was seen. See the module's page.
#[derive(Debug)]
pub struct Description {
    name: String,
    style: Style,
    width: usize,
    uneven: u64,
    rows: u64,
    columns: Vec<Seen>,
    span: Option<(CivilTime, CivilTime)>,
    steps: BTreeMap<i64, u64>,
    comma: Marks,
    dot: Marks,
    has_end: bool,
    nul_lines: u64,
    /// What stands before the header, for signs of a zone.
    preamble: String,
}

/// How often a mark stood in a number so that it can only be one thing.
#[derive(Debug, Default)]
struct Marks {
    decimal: u64,
    grouping: u64,
    either: u64,
}

/// What was seen of a column.
#[derive(Debug)]
struct Seen {
    name: String,
    unit: String,
    numbers: u64,
    empty: u64,
    texts: BTreeMap<String, u64>,
    more_texts: bool,
    exponents: u64,
    places: usize,
    /// Greatest common divisor of the values in 1e-9.
    divisor: u128,
    last: i128,
    changes: u64,
    by_one: u64,
    least: i128,
    most: i128,
    formats: Option<Vec<Format>>,
    times: u64,
    seconds: bool,
}

/// Why a file cannot be described.
#[derive(Debug)]
pub enum NotDescribed {
    /// It could not be read.
    Read(NotPlanned),
    /// There are no rows of several columns in it.
    NoColumns,
}

impl std::fmt::Display for NotDescribed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Read(why) => why.fmt(f),
            Self::NoColumns => f.write_str(
                "has no rows with a time and a number in columns; if it is a sealed dump, import it as it is",
            ),
        }
    }
}

fn parsed(layout: &str) -> Result<Layout, Problems> {
    crate::config::layout::parse(Path::new("layout"), layout)
}

/// Looks at a file.
pub fn describe(
    name: &str,
    input: &mut dyn Read,
    expected: Option<u64>,
    listener: &mut dyn Listener,
) -> Result<Description, NotDescribed> {
    let mut looking = Looking {
        name,
        head: Vec::new(),
        state: None,
        decoded: None,
        lines: Lines::default(),
        failed: false,
    };
    pieces(input, expected, listener, |piece, _| {
        looking.feed(piece);
        Ok(())
    })
    .map_err(NotDescribed::Read)?;
    looking.finish().ok_or(NotDescribed::NoColumns)
}

struct Looking<'n> {
    name: &'n str,
    /// The first bytes, until the style is told from them.
    head: Vec<u8>,
    state: Option<(Description, Fields, Vec<Format>)>,
    decoded: Option<Decoded>,
    lines: Lines,
    failed: bool,
}

impl Looking<'_> {
    fn feed(&mut self, piece: &[u8]) {
        if self.state.is_some() {
            self.rows(piece, false);
        } else if !self.failed {
            self.head.extend_from_slice(piece);
            if self.head.len() >= HEAD_BYTES {
                self.begin(false);
            }
        }
    }

    fn begin(&mut self, is_all: bool) {
        let head = std::mem::take(&mut self.head);
        let encoding = encoding(&head, is_all);
        match style(self.name, &head, encoding, is_all) {
            Some(description) => {
                let fields = Fields::new(description.style.delimiter, description.style.quote);
                self.state = Some((description, fields, candidates()));
                self.decoded = Some(Decoded::new(encoding));
                self.rows(&head, false);
            }
            None => self.failed = true,
        }
    }

    fn rows(&mut self, piece: &[u8], is_last: bool) {
        let (Some((description, fields, formats)), Some(decoded)) = (&mut self.state, &mut self.decoded)
        else {
            return;
        };
        let done: Result<(), ()> = each_line(decoded, &mut self.lines, piece, is_last, |line| {
            description.row(&line, fields, formats);
            Ok(())
        });
        debug_assert!(done.is_ok());
    }

    fn finish(mut self) -> Option<Description> {
        if self.state.is_none() && !self.failed {
            self.begin(true);
        }
        self.rows(b"", true);
        self.state.map(|(description, _, _)| description).filter(|description| description.rows > 0)
    }
}

fn encoding(head: &[u8], is_all: bool) -> Encoding {
    if head.starts_with(b"\xFF\xFE") || head.starts_with(b"\xFE\xFF") {
        return Encoding::Utf16;
    }
    match std::str::from_utf8(head) {
        Ok(_) => Encoding::Utf8,
        // Cut within a character.
        Err(error) if !is_all && error.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Windows1252,
    }
}

/// Every way to write a time that is looked for.
fn candidates() -> Vec<Format> {
    let mut days = Vec::new();
    for mark in ["-", "/", "."] {
        for order in [
            ["%Y", "%m", "%d"],
            ["%d", "%m", "%Y"],
            ["%m", "%d", "%Y"],
            ["%d", "%m", "%y"],
            ["%m", "%d", "%y"],
            ["%y", "%m", "%d"],
        ] {
            days.push(order.join(mark));
        }
    }
    days.extend(["%d-%b-%Y", "%d %b %Y", "%b %d %Y", "%d-%b-%y", "%Y%m%d"].map(str::to_owned));
    let clocks = [
        "%H:%M:%S",
        "%H:%M",
        "%I:%M:%S %p",
        "%I:%M %p",
        "%H:%M:%S.%f",
        "%H:%M:%S%z",
        "%H:%M%z",
        "%H.%M.%S",
        "%H.%M",
    ];
    let mut all: Vec<String> = Vec::new();
    for day in &days {
        for clock in clocks {
            for between in [" ", "T"] {
                all.push(format!("{day}{between}{clock}"));
            }
        }
    }
    all.extend(days);
    all.extend(clocks.map(str::to_owned));
    all.iter().filter_map(|text| Format::parse(text).ok()).collect()
}

fn reads(format: &Format, cell: &[u8]) -> Option<(CivilTime, bool)> {
    let mut moment = Moment::default();
    moment.read(format, cell)?;
    let local = moment.local()?;
    Some((local, local.as_utc_s() % 60 != 0))
}

/// Whether a cell is a number, however its marks are.
fn is_numeric(cell: &[u8]) -> bool {
    let digits = cell.strip_prefix(b"-").or_else(|| cell.strip_prefix(b"+")).unwrap_or(cell);
    digits.first().is_some_and(|byte| byte.is_ascii_digit() || b".,".contains(byte))
        && digits.iter().any(u8::is_ascii_digit)
        && digits.iter().all(|byte| byte.is_ascii_digit() || b".,eE+-".contains(byte))
}

/// Text that says in what a column is.
fn is_unit(cell: &str) -> bool {
    let bare = cell.trim_matches(|c| "[]()".contains(c)).trim();
    const OTHERS: [&str; 22] = [
        "°C", "degC", "C", "°F", "kPa", "Pa", "MPa", "bar", "mbar", "hPa", "psi", "m", "mm", "cm", "mH2O",
        "%", "kN", "deg", "°", "s", "-", "UTC",
    ];
    bare.is_empty()
        || unit(bare).is_some()
        || OTHERS.contains(&bare)
        || bare.to_ascii_lowercase().contains("yy")
        || bare.to_ascii_lowercase().contains("hh:mm")
}

/// The style, by the first lines.
fn style(name: &str, head: &[u8], encoding: Encoding, is_all: bool) -> Option<Description> {
    let mut texts: Vec<Vec<u8>> = Vec::new();
    let (mut decoded, mut lines) = (Decoded::new(encoding), Lines::default());
    let _: Result<(), ()> = each_line(&mut decoded, &mut lines, head, is_all, |line| {
        if texts.len() < HEAD_LINES && !line.is_too_long() {
            texts.push(line.bytes.to_vec());
        }
        Ok(())
    });
    if let Some(first) = texts.first_mut()
        && first.starts_with(b"\xEF\xBB\xBF")
    {
        first.drain(..3);
    }
    let formats = candidates();
    let mut best: Option<(usize, u8, usize)> = None;
    for delimiter in [b'\t', b';', b'|', b','] {
        let mut fields = Fields::new(delimiter, Some(b'"'));
        let mut counts = BTreeMap::<usize, usize>::new();
        for text in &texts {
            let count = fields.cut(text);
            if (2..=COLUMNS_MAX).contains(&count) {
                *counts.entry(count).or_default() += 1;
            }
        }
        let most = counts.into_iter().max_by_key(|&(width, lines)| (lines, width));
        if let Some((width, lines)) = most.filter(|(_, lines)| best.is_none_or(|best| *lines > best.2)) {
            best = Some((width, delimiter, lines));
        }
    }
    let (width, delimiter, _) = best?;
    let mut fields = Fields::new(delimiter, Some(b'"'));
    let mut is_row = |text: &[u8]| {
        let count = fields.cut(text);
        let cells: Vec<&[u8]> = (0..count).map(|at| fields.get(text, at).trim_ascii()).collect();
        let is_time =
            |cell: &[u8]| formats.iter().any(|format| reads(format, cell).is_some()) || is_unix(cell);
        count == width && cells.iter().copied().any(is_time) && cells.iter().any(|cell| is_numeric(cell))
    };
    let first_row = texts.iter().position(|text| is_row(text))?;
    let cells = |text: &[u8]| -> Vec<String> {
        let mut fields = Fields::new(delimiter, Some(b'"'));
        let count = fields.cut(text);
        (0..count).map(|at| String::from_utf8_lossy(fields.get(text, at)).trim().to_owned()).collect()
    };
    let mut header = None;
    for at in (0..first_row).rev() {
        let found = cells(&texts[at]);
        if found.len() == width && !found.iter().all(|cell| is_unit(cell)) {
            header = Some(at);
            break;
        }
    }
    let names = header.map_or(Vec::new(), |at| cells(&texts[at]));
    let units_line = match header {
        Some(at) if at + 1 < first_row => (at + 1..first_row)
            .map(|at| cells(&texts[at]))
            .find(|found| found.len() == width)
            .unwrap_or_default(),
        _ => Vec::new(),
    };
    let columns = (0..width)
        .map(|at| {
            Seen::new(
                names.get(at).cloned().unwrap_or_default(),
                units_line.get(at).cloned().unwrap_or_default(),
            )
        })
        .collect();
    let preamble = texts[..header.unwrap_or(first_row)]
        .iter()
        .map(|text| String::from_utf8_lossy(text).into_owned())
        .collect::<Vec<_>>()
        .join("\n");
    let style = Style {
        encoding,
        delimiter,
        decimal_mark: b'.',
        quote: Some(b'"'),
        skip_before: header.unwrap_or(first_row) as u32,
        header: header.is_some(),
        skip_after: header.map_or(0, |at| (first_row - at - 1) as u32),
    };
    Some(Description {
        name: name.to_owned(),
        style,
        width,
        uneven: 0,
        rows: 0,
        columns,
        span: None,
        steps: BTreeMap::new(),
        comma: Marks::default(),
        dot: Marks::default(),
        has_end: true,
        nul_lines: 0,
        preamble,
    })
}

/// Seconds since 1970 between 2001 and 2106.
fn is_unix(cell: &[u8]) -> bool {
    cell.len() == 10
        && cell.iter().all(u8::is_ascii_digit)
        && cell >= b"1000000000".as_slice()
        && cell <= b"4294967295".as_slice()
}

impl Seen {
    fn new(name: String, unit: String) -> Self {
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

    fn text(&mut self, cell: &[u8]) {
        let text = String::from_utf8_lossy(cell).into_owned();
        if self.texts.contains_key(&text) || self.texts.len() < TEXTS_MAX {
            *self.texts.entry(text).or_default() += 1;
        } else {
            self.more_texts = true;
        }
    }

    /// `mark`: where the decimal mark stands in the cell.
    fn number(&mut self, cell: &[u8], mark: Option<usize>) {
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

    /// The step: what the decimals say, or a coarser one that every value keeps to.
    fn resolution(&self) -> String {
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

    /// The unit that its name or its units line gives.
    fn unit_text(&self) -> &str {
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

    fn only_times(&self) -> bool {
        self.times > 0 && self.formats.as_ref().is_some_and(|formats| !formats.is_empty())
    }

    fn has_word(&self, words: &[&str]) -> bool {
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

impl Description {
    fn row(&mut self, line: &Line<'_>, fields: &mut Fields, all: &[Format]) {
        let before = u64::from(self.style.skip_before + u32::from(self.style.header) + self.style.skip_after);
        if line.number <= before || line.bytes.trim_ascii().is_empty() {
            return;
        }
        self.has_end = line.is_ended;
        if line.bytes.contains(&0) {
            self.nul_lines += 1;
            return;
        }
        if line.is_too_long() || fields.cut(line.bytes) != self.width {
            self.uneven += 1;
            return;
        }
        self.rows += 1;
        let (mut day, mut clock) = (None, None);
        for (at, column) in self.columns.iter_mut().enumerate() {
            let cell = fields.get(line.bytes, at).trim_ascii();
            if cell.is_empty() {
                column.empty += 1;
                continue;
            }
            let is_first = column.formats.is_none();
            if is_first {
                column.formats =
                    Some(all.iter().filter(|format| reads(format, cell).is_some()).cloned().collect());
            }
            if let Some(formats) = column.formats.as_mut().filter(|formats| !formats.is_empty()) {
                if formats.iter().any(|format| reads(format, cell).is_some()) {
                    if !is_first {
                        formats.retain(|format| reads(format, cell).is_some());
                    }
                    column.times += 1;
                    if let Some((local, seconds)) = formats.first().and_then(|format| reads(format, cell)) {
                        column.seconds |= seconds;
                        let has_day = formats[0].has(crate::config::layout::Piece::Day);
                        let has_clock = formats[0].has(crate::config::layout::Piece::Minute);
                        if has_day && day.is_none() {
                            day = Some((local, formats.len(), has_clock));
                        } else if has_clock && clock.is_none() {
                            clock = Some(local);
                        }
                    }
                    continue;
                }
                // Not all of it is a time. Rows before this one counted as none.
                if column.times * 20 < self.rows * 19 {
                    formats.clear();
                }
            }
            if is_numeric(cell) {
                let exponent = cell.iter().any(|byte| b"eE".contains(byte));
                if exponent {
                    column.exponents += 1;
                    column.numbers += 1;
                    continue;
                }
                let mark = marks(cell, &mut self.comma, &mut self.dot);
                if is_unix(cell) && day.is_none() && column.name.to_lowercase().contains("time") {
                    day = std::str::from_utf8(cell)
                        .ok()
                        .and_then(|text| text.parse().ok())
                        .and_then(|unix| CivilTime::of_unix(unix, 0))
                        .map(|at| (at, 1, true));
                }
                column.number(cell, mark);
            } else {
                column.text(cell);
            }
        }
        let local = match (day, clock) {
            (Some((day, _, true)), _) => Some(day),
            (Some((day, _, false)), Some(clock)) => Some(day.with_clock_of(clock)),
            _ => None,
        };
        if let Some(local) = local {
            if let Some((first, last)) = &mut self.span {
                let step = local.since(*last);
                if self.steps.len() < TIME_STEPS_MAX || self.steps.contains_key(&step) {
                    *self.steps.entry(step).or_default() += 1;
                }
                *last = local;
                let _ = first;
            } else {
                self.span = Some((local, local));
            }
        }
    }

    /// The decimal mark; `None`: not to be told.
    fn decimal_mark(&self) -> Option<u8> {
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

    /// Whether the layout is complete as it is printed; if not, it says where somebody must choose.
    pub fn is_complete(&self) -> bool {
        parsed(&self.layout()).is_ok()
    }

    /// How many rows.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// The whole: what was seen, as comments, and the layout.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for line in self.seen() {
            let _ = writeln!(text, "# {line}");
        }
        text.push('\n');
        let layout = self.layout();
        text.push_str(&layout);
        // What the file does not tell, and no mark in the layout stands for.
        if let (false, Err(problems)) = (layout.contains(&format!("\"{CHOOSE}\"")), parsed(&layout)) {
            text.push_str("\n# It is no layout yet; to choose:\n");
            for problem in problems.iter() {
                let _ = writeln!(text, "# - {}", crate::text::shown(&problem.text));
            }
        }
        text
    }

    /// What was seen, line by line.
    pub fn seen(&self) -> Vec<String> {
        let style = &self.style;
        let mut all = vec![format!("{}: what was seen, and a layout to start from.", clean(&self.name))];
        let delimiter = match style.delimiter {
            b'\t' => "a tab".to_owned(),
            other => format!("`{}`", char::from(other)),
        };
        let encoding = match style.encoding {
            Encoding::Utf8 => "UTF-8",
            Encoding::Windows1252 => "not UTF-8, taken for Windows-1252",
            Encoding::Utf16 => "UTF-16",
        };
        let decimal = match self.decimal_mark() {
            Some(mark) => format!("decimal mark `{}`", char::from(mark)),
            None => "decimal mark not to be told: each mark has three digits behind it, as groups of thousands have".to_owned(),
        };
        all.push(format!("{encoding}; {} columns with {delimiter} between them; {decimal}.", self.width));
        all.push(format!(
            "{} before the header{}, {} between it and the rows; {} rows.",
            style.skip_before,
            if style.header { "" } else { ", which is missing" },
            style.skip_after,
            self.rows
        ));
        let is_absolute = self
            .columns
            .iter()
            .any(|column| column.only_times() && column.formats.iter().flatten().any(Format::is_absolute));
        if let Some((first, last)) = self.span {
            let label = if is_absolute { "as written" } else { "local, as written" };
            let sure = self.columns.iter().all(|column| self.day_orders(column).len() < 2);
            let label = if sure {
                label.to_owned()
            } else {
                format!("{label}, if the first of its formats is the right one")
            };
            all.push(format!("From {first} to {last} ({label})."));
        }
        if let Some((step, times)) = self.steps.iter().max_by_key(|(_, times)| **times) {
            let rest = self.steps.values().sum::<u64>() - times;
            all.push(match rest {
                0 => format!("From row to row always {step} s."),
                _ => format!("From row to row mostly {step} s; otherwise: {rest} of the rows."),
            });
        }
        if self.uneven > 0 {
            all.push(format!(
                "{} lines have another number of columns: perhaps several styles in one file.",
                self.uneven
            ));
        }
        if self.nul_lines > 0 {
            all.push(format!("{} lines hold NUL bytes: the file is damaged.", self.nul_lines));
        }
        if !self.has_end {
            all.push("The last line has no end: the file may be cut off within it.".to_owned());
        }
        for column in &self.columns {
            if column.exponents > 0 {
                all.push(format!(
                    "Column {} has {} numbers with exponents: a spreadsheet has saved this file again, and their digits \
                     are lost. Take the file from the reader once more.",
                    shown(&column.name),
                    column.exponents
                ));
            }
        }
        if self.comma.grouping + self.dot.grouping > 0 {
            all.push(format!(
                "{} numbers have marks between thousands: a spreadsheet may have saved this file again.",
                self.comma.grouping + self.dot.grouping
            ));
        }
        let clocks: Vec<&Seen> = self.columns.iter().filter(|column| column.only_times()).collect();
        let shows = |piece| {
            clocks.iter().any(|column| column.formats.iter().flatten().any(|format| format.has(piece)))
        };
        use crate::config::layout::Piece;
        if shows(Piece::Minute) && !shows(Piece::Second) {
            all.push(
                "Times show no seconds: the reader leaves them out, or a spreadsheet has lost them. Where they were \
                 just left out, write rounding = \"cut\"."
                    .to_owned(),
            );
        } else if shows(Piece::Second) && !clocks.iter().any(|column| column.seconds) {
            all.push(
                "Every second is 0: the logger keeps to whole minutes, or its seconds are lost. If it keeps to them, \
                 write resolution_s = 1."
                    .to_owned(),
            );
        }
        all
    }

    /// Orders of day and month that a column may be in, where there is more than one.
    fn day_orders(&self, column: &Seen) -> Vec<String> {
        if !column.only_times() {
            return Vec::new();
        }
        column.formats.iter().flatten().map(|format| format.text.clone()).collect()
    }

    /// The layout.
    fn layout(&self) -> String {
        let style = &self.style;
        let mut text = String::new();
        let title = self.name.rsplit('/').next().unwrap_or(&self.name);
        let title: String = clean(title).chars().take(80).collect();
        let _ = writeln!(text, "[layout]\ntitle = {}\n", toml_text(&format!("like {title}")));
        let encoding = match style.encoding {
            Encoding::Utf8 => "utf-8",
            Encoding::Windows1252 => "windows-1252",
            Encoding::Utf16 => "utf-16",
        };
        let delimiter = match style.delimiter {
            b'\t' => "tab".to_owned(),
            other => char::from(other).to_string(),
        };
        let _ = writeln!(text, "[file]\nencoding = \"{encoding}\"\ndelimiter = \"{delimiter}\"");
        match self.decimal_mark() {
            Some(mark) => {
                let _ = writeln!(text, "decimal_mark = \"{}\"", char::from(mark));
            }
            None => {
                let _ = writeln!(text, "decimal_mark = \"{CHOOSE}\"  # choose: \".\" or \",\"");
            }
        }
        let _ = writeln!(
            text,
            "skip_before = {}\nheader = {}\nskip_after = {}\n",
            style.skip_before, style.header, style.skip_after
        );
        let roles = self.roles();
        text.push_str(&self.time(&roles));
        let has = |role: &Role| roles.contains(role);
        if !has(&Role::Logger) {
            text.push_str("# No column says which logger it is: import with --logger N, or\n# [logger]\n# file_name = \"P-{logger}_*.csv\"\n\n");
        }
        if !has(&Role::Sequence) {
            text.push_str("# No column has sequence numbers: rows are matched to missing ones by time.\n\n");
        }
        let mut channel = 0;
        let any_channel = roles.iter().any(|role| matches!(role, Role::Channel(_)));
        for (at, (column, role)) in self.columns.iter().zip(&roles).enumerate() {
            let is_unique = self.columns.iter().filter(|other| other.name == column.name).count() == 1;
            let place = if style.header
                && is_unique
                && !column.name.is_empty()
                && column.name.chars().count() <= 100
                && !column.name.chars().any(crate::text::is_obeyed)
            {
                format!("name = {}", toml_text(&column.name))
            } else {
                format!("number = {}", at + 1)
            };
            let resolution = format!("resolution = \"{}\"", column.resolution());
            let lines: Vec<String> = match role {
                Role::Logger => vec!["is = \"logger\"".to_owned()],
                Role::Epoch => vec!["is = \"epoch\"".to_owned()],
                Role::Sequence => vec!["is = \"sequence\"".to_owned()],
                Role::Time | Role::Date | Role::Clock => {
                    let is = match role {
                        Role::Time => "time",
                        Role::Date => "date",
                        _ => "clock",
                    };
                    vec![format!("is = \"{is}\""), self.format_line(column)]
                }
                Role::Battery(scale) => {
                    let mut lines = vec!["is = \"battery_mv\"".to_owned()];
                    if *scale != 1 {
                        lines.push(format!("scale = {scale}  # millivolts in one of the file's"));
                    }
                    lines.push(resolution);
                    lines
                }
                Role::Board => vec!["is = \"board_c\"".to_owned(), resolution],
                Role::Channel(unit) => {
                    let number = channel;
                    channel += 1;
                    vec![
                        "is = \"channel\"".to_owned(),
                        format!("channel = {number}  # in the file's order: check"),
                        format!("unit = \"{unit}\""),
                        resolution,
                    ]
                }
                Role::Unnamed if !any_channel => {
                    let number = channel;
                    channel += 1;
                    vec![
                        "is = \"channel\"".to_owned(),
                        format!("channel = {number}  # in the file's order: check"),
                        format!(
                            "unit = \"{CHOOSE}\"  # choose: count, Hz, ohm, mV/V, mA, V, sine or pulse; an engineering value is left out"
                        ),
                        resolution,
                    ]
                }
                Role::Unnamed | Role::Unused => {
                    let what = if column.numbers > 0 {
                        "numbers in no unit that is known here, or engineering values"
                    } else {
                        "no numbers"
                    };
                    let _ = writeln!(text, "# Column {} is left out: {what}.\n", shown(&column.name));
                    continue;
                }
            };
            let _ = writeln!(text, "[[column]]\n{place}\n{}\n", lines.join("\n"));
        }
        text.push_str(&self.faults(&roles, any_channel));
        text
    }

    fn time(&self, roles: &[Role]) -> String {
        use crate::config::layout::Piece;
        let times: Vec<&Seen> = self
            .columns
            .iter()
            .zip(roles)
            .filter(|(_, role)| matches!(role, Role::Time | Role::Date | Role::Clock))
            .map(|(column, _)| column)
            .collect();
        let any = |piece| {
            times.iter().any(|column| column.formats.iter().flatten().any(|format| format.has(piece)))
        };
        let is_unix = times.iter().any(|column| !column.only_times());
        let has_seconds = is_unix || times.iter().any(|column| column.seconds);
        let mut text = format!("[time]\nresolution_s = {}\n", if has_seconds { 1 } else { 60 });
        if !any(Piece::Second) && !is_unix {
            text.push_str("# rounding = \"cut\"  # where seconds are just left out\n");
        }
        if !any(Piece::Offset) && !is_unix {
            let said: Vec<&str> =
                times.iter().map(|column| column.name.as_str()).chain([self.preamble.as_str()]).collect();
            let units: Vec<&str> = times.iter().map(|column| column.unit.as_str()).collect();
            match said.iter().chain(&units).find_map(|text| offset_said(text)) {
                Some(offset) => {
                    let _ = writeln!(text, "utc_offset = \"{offset}\"  # as the file says: check");
                }
                None => {
                    let _ = writeln!(
                        text,
                        "utc_offset = \"{CHOOSE}\"  # choose, as \"-07:00\"; or a zone instead, as zone = \"America/Denver\""
                    );
                }
            }
        }
        text.push('\n');
        text
    }

    fn format_line(&self, column: &Seen) -> String {
        let formats = self.day_orders(column);
        match formats.as_slice() {
            [] => "format = \"%s\"  # seconds since 1970, UTC".to_owned(),
            [one] => format!("format = {}", toml_text(one)),
            several => {
                let shown: Vec<String> = several.iter().map(|format| toml_text(format)).collect();
                format!(
                    "format = \"{CHOOSE}\"  # choose: {}; the file does not tell day and month apart",
                    shown.join(" or ")
                )
            }
        }
    }

    fn faults(&self, roles: &[Role], any_channel: bool) -> String {
        let mut markers = BTreeMap::<&str, u64>::new();
        for (column, role) in self.columns.iter().zip(roles) {
            if matches!(role, Role::Channel(_)) || (*role == Role::Unnamed && !any_channel) {
                for (marker, times) in &column.texts {
                    *markers.entry(marker).or_default() += times;
                }
            }
        }
        let mut text = String::new();
        for (marker, times) in markers {
            let lower = marker.to_lowercase();
            let code = [
                ("open", 1),
                ("short", 2),
                ("no signal", 3),
                ("range", 4),
                ("over", 4),
                ("unstable", 5),
                ("low supply", 6),
            ]
            .iter()
            .find(|(word, _)| lower.contains(word))
            .map(|&(_, code)| code);
            let code = match code {
                Some(code) => {
                    format!("code = {code}  # by its name: check with docs/wire-format.md, section 8")
                }
                None => format!("code = \"{CHOOSE}\"  # choose from docs/wire-format.md, section 8"),
            };
            let _ = writeln!(text, "# {times} times\n[[fault]]\nmarker = {}\n{code}\n", toml_text(marker));
        }
        text
    }

    /// What each column is, as far as it says.
    fn roles(&self) -> Vec<Role> {
        use crate::config::layout::Piece;
        let mut roles: Vec<Role> = Vec::new();
        let taken = |role: Role, roles: &[Role]| if roles.contains(&role) { Role::Unused } else { role };
        for column in &self.columns {
            let role = if column.only_times() {
                let format = column.formats.iter().flatten().next();
                let has = |piece| format.is_some_and(|format| format.has(piece));
                taken(
                    match (has(Piece::Day), has(Piece::Minute)) {
                        (true, true) => Role::Time,
                        (true, false) => Role::Date,
                        _ => Role::Clock,
                    },
                    &roles,
                )
            } else if column.has_word(&["epoch"]) && column.numbers > 0 {
                taken(Role::Epoch, &roles)
            } else if column.has_word(&["sequence", "seq"]) && column.numbers > 0 {
                taken(Role::Sequence, &roles)
            } else if column.has_word(&["logger", "station", "node"]) {
                taken(Role::Logger, &roles)
            } else if column.numbers == 0 {
                Role::Unused
            } else if column.least >= 1_000_000_000 * 1_000_000_000
                && column.places == 0
                && column.has_word(&["time", "unix", "timestamp"])
            {
                taken(Role::Time, &roles)
            } else if column.has_word(&["battery", "batt", "bat", "vbat"]) {
                let volts = match column.unit_text() {
                    "mV" => false,
                    "V" => true,
                    _ => column.most < 100 * 1_000_000_000,
                };
                taken(Role::Battery(if volts { 1000 } else { 1 }), &roles)
            } else if column.has_word(&["board", "internal", "housing"]) {
                taken(Role::Board, &roles)
            } else if column.has_word(&["record", "rec", "no", "nr", "number", "line"])
                && column.by_one * 2 > column.changes
            {
                Role::Unused
            } else if column.has_word(&["count", "counts", "raw", "digit"]) || is_own_channel(&column.name) {
                Role::Channel("count")
            } else if let Some(unit) = measured_unit(column.unit_text()) {
                Role::Channel(unit)
            } else {
                Role::Unnamed
            };
            roles.push(role);
        }
        // A sequence without an epoch says nothing, and the other way round.
        if roles.contains(&Role::Sequence) != roles.contains(&Role::Epoch) {
            for role in &mut roles {
                if matches!(role, Role::Sequence | Role::Epoch) {
                    *role = Role::Unused;
                }
            }
        }
        if roles.contains(&Role::Time) {
            for role in &mut roles {
                if matches!(role, Role::Date | Role::Clock) {
                    *role = Role::Unused;
                }
            }
        }
        roles
    }
}

#[derive(Clone, Debug, PartialEq)]
enum Role {
    Logger,
    Epoch,
    Sequence,
    Time,
    Date,
    Clock,
    Battery(u32),
    Board,
    /// In this unit.
    Channel(&'static str),
    /// Numbers that nothing names.
    Unnamed,
    Unused,
}

/// `c0`, `ch1`.
fn is_own_channel(name: &str) -> bool {
    let lower = name.to_lowercase();
    let rest = lower.strip_prefix("ch").or_else(|| lower.strip_prefix('c')).unwrap_or("x");
    !rest.is_empty() && rest.len() <= 2 && rest.bytes().all(|byte| byte.is_ascii_digit())
}

/// A unit as a layout names it, from the ways in which files do.
fn measured_unit(text: &str) -> Option<&'static str> {
    const UNITS: [(&str, &str); 20] = [
        ("Hz", "Hz"),
        ("hz", "Hz"),
        ("kHz", "kHz"),
        ("mHz", "mHz"),
        ("ohm", "ohm"),
        ("Ohm", "ohm"),
        ("ohms", "ohm"),
        ("Ω", "ohm"),
        ("kohm", "kohm"),
        ("kOhm", "kohm"),
        ("kΩ", "kohm"),
        ("mV/V", "mV/V"),
        ("V/V", "V/V"),
        ("mA", "mA"),
        ("µA", "uA"),
        ("uA", "uA"),
        ("mV", "mV"),
        ("V", "V"),
        ("pulses", "pulse"),
        ("pulse", "pulse"),
    ];
    UNITS.iter().find(|(written, _)| *written == text).map(|&(_, unit)| unit)
}

/// The offset from UTC that a text names: `UTC`, `GMT`, `UTC+2`, `UTC-07:00`.
fn offset_said(text: &str) -> Option<String> {
    let at = ["UTC", "GMT"].iter().find_map(|word| text.find(word).map(|at| at + word.len()))?;
    let rest = &text[at..];
    let rest = rest.strip_prefix(' ').filter(|rest| rest.starts_with(['+', '-'])).unwrap_or(rest);
    let Some(sign) = rest.chars().next().filter(|c| "+-".contains(*c)) else {
        // A plain word; not the beginning of a longer one, nor "not UTC".
        let ends = rest.chars().next().is_none_or(|c| !c.is_alphanumeric());
        return ends.then(|| "+00:00".to_owned());
    };
    let digits: String = rest[1..].chars().take_while(|c| c.is_ascii_digit() || *c == ':').collect();
    let (hours, minutes) = match digits.split_once(':') {
        Some((hours, minutes)) => (hours, minutes),
        None if digits.len() == 4 => digits.split_at(2),
        None => (digits.as_str(), "00"),
    };
    let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
    (hours <= 14 && minutes < 60).then(|| format!("{sign}{hours:02}:{minutes:02}"))
}

/// Counts what a number's marks can be; returns where its decimal mark stands, as far as that is to be told.
fn marks(cell: &[u8], comma: &mut Marks, dot: &mut Marks) -> Option<usize> {
    let digits_from = cell.iter().position(u8::is_ascii_digit).unwrap_or(0);
    let all: Vec<usize> = (0..cell.len()).filter(|&at| b",.".contains(&cell[at])).collect();
    match all.as_slice() {
        [] => None,
        [one] => {
            let (before, after) = (one - digits_from.min(*one), cell.len() - one - 1);
            let zero_first = cell.get(digits_from) == Some(&b'0');
            if after == 3 && (1..=3).contains(&before) && !zero_first {
                marks_of(cell[*one], comma, dot).either += 1;
            } else {
                marks_of(cell[*one], comma, dot).decimal += 1;
            }
            Some(*one)
        }
        [.., last] if all[..all.len() - 1].iter().all(|&at| cell[at] != cell[*last]) => {
            marks_of(cell[*last], comma, dot).decimal += 1;
            marks_of(cell[all[0]], comma, dot).grouping += 1;
            Some(*last)
        }
        [first, ..] => {
            marks_of(cell[*first], comma, dot).grouping += 1;
            None
        }
    }
}

fn marks_of<'m>(mark: u8, comma: &'m mut Marks, dot: &'m mut Marks) -> &'m mut Marks {
    if mark == b',' { comma } else { dot }
}

fn clean(text: &str) -> String {
    text.chars().map(|c| if crate::text::is_obeyed(c) { '?' } else { c }).collect()
}

fn shown(text: &str) -> String {
    let short: String = clean(text).chars().take(40).collect();
    format!("{short:?}")
}

fn toml_text(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
