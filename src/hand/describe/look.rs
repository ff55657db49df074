//! Reads the file once, and keeps what it finds.

use super::columns::{NumberMarks, Seen};
use super::found::Found;
use super::roles::{Role, roles};
use super::style::{Beginning, Heading, NearRow, beginning, encoding};
use super::times::Times;
use crate::config::layout::{Delimiter, Format, Style};
use crate::hand::layout::{Decoded, Fields, each_line};
use crate::hand::lines::{Line, Lines};
use crate::hand::plan::{Listener, PlanError, pieces};
use std::io::Read;

/// How many bytes are used to detect the style, if lines are long.
const HEAD_BYTES: usize = 256 * 1024;
/// How many rows are kept, to examine them once the style is known; and how many bytes of them.
const KEPT_ROWS: usize = 50_000;
const KEPT_BYTES: usize = 8 * 1024 * 1024;
/// How many lines that are not rows are shown.
const LEFT_SHOWN: usize = 3;

/// What was found in a file, from which a layout is printed.
#[derive(Debug)]
pub struct Description {
    pub(super) name: String,
    pub(super) style: Style,
    pub(super) width: usize,
    pub(super) uneven: u64,
    pub(super) rows: u64,
    pub(super) columns: Vec<Seen>,
    pub(super) roles: Vec<Role>,
    pub(super) times: Times,
    pub(super) marks: NumberMarks,
    pub(super) decimal_mark: Option<u8>,
    pub(super) has_end: bool,
    pub(super) nul_lines: u64,
    /// Lines that begin with a word, such as totals, with their numbers; and how many.
    pub(super) remarks: Vec<(u64, String)>,
    pub(super) remark_count: u64,
    /// The text before the header, which may show a time zone.
    pub(super) preamble: String,
    /// The first rows, for what needs all columns.
    pub(super) kept: KeptRows,
    /// The present time, if it is known.
    pub(super) now: Option<i64>,
    /// What a comparison with held readings has shown.
    pub(super) found: Option<Found>,
}

/// Lines one after the other.
#[derive(Debug, Default)]
pub(super) struct KeptRows {
    bytes: Vec<u8>,
    ends: Vec<usize>,
}

impl KeptRows {
    fn push(&mut self, line: &[u8]) {
        if self.ends.len() < KEPT_ROWS && self.bytes.len() + line.len() <= KEPT_BYTES {
            self.bytes.extend_from_slice(line);
            self.ends.push(self.bytes.len());
        }
    }

    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    pub(super) fn line(&self, at: usize) -> &[u8] {
        let from = at.checked_sub(1).and_then(|before| self.ends.get(before)).copied().unwrap_or(0);
        self.ends.get(at).and_then(|&to| self.bytes.get(from..to)).unwrap_or(&[])
    }
}

/// Why a file cannot be described.
#[derive(Debug, thiserror::Error)]
pub enum DescribeError {
    #[error("{0}")]
    Read(PlanError),
    /// It has no rows with several columns.
    #[error(
        "has no rows: looked for lines with a time (such as 2026-05-28 20:26, 28.05.2026, seconds since 1970) and a \
         number, in columns with commas, semicolons, tabs, bars or spaces between them; {}; if it is a sealed dump, \
         import it unchanged", missing_part(.0)
    )]
    NoColumns(Option<NearRow>),
}

/// What the line that is most like a row has, and what it lacks. Its text is not repeated: it may be any file.
fn missing_part(line: &Option<NearRow>) -> String {
    match line {
        Some(NearRow { line, columns, has_time: true }) => {
            format!("line {line} has {columns} columns and a time, but no number")
        }
        Some(NearRow { line, columns, has_time: false }) => {
            format!("line {line} has {columns} columns and a number, but none is a time")
        }
        None => "no line has several columns and a number".to_owned(),
    }
}

/// Reads and describes a file. `now`: the present time, if times in the future are to be pointed out.
pub fn describe(
    name: &str,
    input: &mut dyn Read,
    expected: Option<u64>,
    now: Option<i64>,
    listener: &mut dyn Listener,
) -> Result<Description, DescribeError> {
    let mut looking =
        Looking { name, head: Vec::new(), state: None, decoded: None, lines: Lines::of_text(), failed: None };
    pieces(input, expected, listener, |piece, _| {
        looking.feed(piece);
        Ok(())
    })
    .map_err(DescribeError::Read)?;
    let mut description = looking.finish()?;
    description.now = now;
    description.settle();
    Ok(description)
}

struct Looking<'n> {
    name: &'n str,
    /// The first bytes, until the style is known from them.
    head: Vec<u8>,
    state: Option<(Description, Fields)>,
    decoded: Option<Decoded>,
    lines: Lines,
    failed: Option<Option<NearRow>>,
}

impl Looking<'_> {
    fn feed(&mut self, piece: &[u8]) {
        if self.state.is_some() {
            self.rows(piece, false);
        } else if self.failed.is_none() {
            self.head.extend_from_slice(piece);
            if self.head.len() >= HEAD_BYTES {
                self.begin(false);
            }
        }
    }

    fn begin(&mut self, is_all: bool) {
        let head = std::mem::take(&mut self.head);
        let encoding = encoding(&head, is_all);
        match beginning(&head, encoding, is_all) {
            Ok(beginning) => {
                let description = Description::new(self.name, beginning);
                let fields = Fields::new(description.style.delimiter.clone(), description.style.quote);
                self.state = Some((description, fields));
                self.decoded = Some(Decoded::new(encoding));
                self.rows(&head, false);
            }
            Err(line) => self.failed = Some(line),
        }
    }

    fn rows(&mut self, piece: &[u8], is_last: bool) {
        let (Some((description, fields)), Some(decoded)) = (&mut self.state, &mut self.decoded) else {
            return;
        };
        let done: Result<(), ()> = each_line(decoded, &mut self.lines, piece, is_last, |line| {
            description.row(&line, fields);
            Ok(())
        });
        debug_assert!(done.is_ok());
    }

    fn finish(mut self) -> Result<Description, DescribeError> {
        if self.state.is_none() && self.failed.is_none() {
            self.begin(true);
        }
        self.rows(b"", true);
        match self.state {
            Some((description, _)) if description.rows > 0 => Ok(description),
            _ => Err(DescribeError::NoColumns(self.failed.flatten())),
        }
    }
}

impl Description {
    fn new(name: &str, beginning: Beginning) -> Self {
        let Beginning { style, columns, preamble } = beginning;
        let seen = |Heading { name, more, unit }| Seen::new(name, more, unit);
        Self {
            name: name.to_owned(),
            style,
            width: columns.len(),
            uneven: 0,
            rows: 0,
            columns: columns.into_iter().map(seen).collect(),
            roles: Vec::new(),
            times: Times::default(),
            marks: NumberMarks::default(),
            decimal_mark: None,
            has_end: true,
            nul_lines: 0,
            remarks: Vec::new(),
            remark_count: 0,
            preamble,
            kept: KeptRows::default(),
            now: None,
            found: None,
        }
    }

    pub fn rows(&self) -> u64 {
        self.rows
    }

    fn row(&mut self, line: &Line<'_>, fields: &mut Fields) {
        let before = u64::from(self.style.skip_before + u32::from(self.style.header) + self.style.skip_after);
        if line.number <= before || line.bytes.trim_ascii().is_empty() {
            return;
        }
        self.has_end = line.is_ended;
        if line.bytes.contains(&0) {
            self.nul_lines += 1;
            return;
        }
        let count = fields.cut(line.bytes);
        let is_empty = |at: usize| fields.get(line.bytes, at).trim_ascii().is_empty();
        let is_even = count == self.width || (count > self.width && (self.width..count).all(is_empty));
        if line.is_too_long() || !is_even || self.is_remark(line.bytes, fields) {
            let text = String::from_utf8_lossy(line.bytes).trim().to_owned();
            let is_word = text.starts_with(|c: char| !c.is_ascii_digit());
            if is_word {
                self.remark_count += 1;
                if self.remarks.len() < LEFT_SHOWN {
                    self.remarks.push((line.number, text.chars().take(60).collect()));
                }
            } else {
                self.uneven += 1;
            }
            self.has_end |= is_word;
            return;
        }
        self.rows += 1;
        self.kept.push(line.bytes);
        for (at, column) in self.columns.iter_mut().enumerate() {
            let cell = fields.get(line.bytes, at).trim_ascii();
            if cell.is_empty() {
                column.empty += 1;
            } else if !column.time(cell, self.rows) {
                column.value(cell, line.number, &mut self.marks);
            }
        }
    }

    /// Whether a line has nothing where the rows before it had a time, such as a line of totals.
    fn is_remark(&self, line: &[u8], fields: &Fields) -> bool {
        let mut times =
            self.columns.iter().enumerate().filter(|(_, column)| column.times > 0 && column.only_times());
        self.rows > 0
            && times.clone().next().is_some()
            && times.all(|(at, column)| {
                let cell = fields.get(line, at).trim_ascii();
                let is_time = column.forms().iter().any(|format| super::forms::is_one(format, cell));
                !is_time && cell.first().is_none_or(|byte| !byte.is_ascii_digit())
            })
    }

    /// The cells of some columns in each kept row.
    pub(super) fn cells_of(&self, columns: &[usize]) -> Vec<Vec<String>> {
        let mut fields = Fields::new(self.style.delimiter.clone(), self.style.quote);
        let rows = (0..self.kept.len()).map(|at| {
            let line = self.kept.line(at);
            fields.cut(line);
            let cell = |&at: &usize| String::from_utf8_lossy(fields.get(line, at).trim_ascii()).into_owned();
            columns.iter().map(cell).collect()
        });
        rows.collect()
    }

    /// Everything is read: what follows from all of it.
    fn settle(&mut self) {
        self.decimal_mark = self.marks.decimal_mark();
        self.by_decimal_mark();
    }

    /// What follows from the decimal mark, or from the likelier one while it is not known.
    pub(super) fn by_decimal_mark(&mut self) {
        let mark = self.decimal_mark.unwrap_or(match self.style.delimiter {
            Delimiter::Byte(b',') => b'.',
            _ => b',',
        });
        for column in &mut self.columns {
            column.settle(mark);
        }
        self.roles = roles(&self.columns, mark);
        let columns: Vec<usize> = (0..self.roles.len()).filter(|&at| self.roles[at].is_time()).collect();
        let forms: Vec<Vec<Format>> = columns
            .iter()
            .map(|&at| match self.roles[at] {
                Role::Part(format) | Role::Counted(format) => Format::parse(format).into_iter().collect(),
                _ => self.columns[at].forms().into_iter().cloned().collect(),
            })
            .collect();
        let rows = self.cells_of(&columns);
        self.times = Times::new(columns, &forms, &rows, self.now);
    }
}
