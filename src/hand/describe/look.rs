//! Reads the file once, and keeps what it finds.

use super::columns::{NumberMarks, RowMoment, Seen};
use super::style::{Beginning, beginning, candidates, encoding};
use crate::config::layout::{Format, Style};
use crate::hand::layout::{Decoded, Fields, each_line};
use crate::hand::lines::{Line, Lines};
use crate::hand::plan::{Listener, PlanError, pieces};
use crate::when::civil::CivilTime;
use std::collections::BTreeMap;
use std::io::Read;

/// How many bytes are used to detect the style, if lines are long.
const HEAD_BYTES: usize = 256 * 1024;
/// Different steps in time that are counted.
const TIME_STEPS_MAX: usize = 1000;

/// What was found in a file, from which a layout is printed.
#[derive(Debug)]
pub struct Description {
    pub(super) name: String,
    pub(super) style: Style,
    pub(super) width: usize,
    pub(super) uneven: u64,
    pub(super) rows: u64,
    pub(super) columns: Vec<Seen>,
    pub(super) span: Option<(CivilTime, CivilTime)>,
    pub(super) steps: BTreeMap<i64, u64>,
    pub(super) marks: NumberMarks,
    pub(super) has_end: bool,
    pub(super) nul_lines: u64,
    /// The text before the header, which may show a time zone.
    pub(super) preamble: String,
}

/// Why a file cannot be described.
#[derive(Debug, thiserror::Error)]
pub enum DescribeError {
    #[error("{0}")]
    Read(PlanError),
    /// It has no rows with several columns.
    #[error("has no rows with columns for a time and a number; if it is a sealed dump, import it unchanged")]
    NoColumns,
}

/// Reads and describes a file.
pub fn describe(
    name: &str,
    input: &mut dyn Read,
    expected: Option<u64>,
    listener: &mut dyn Listener,
) -> Result<Description, DescribeError> {
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
    .map_err(DescribeError::Read)?;
    looking.finish().ok_or(DescribeError::NoColumns)
}

struct Looking<'n> {
    name: &'n str,
    /// The first bytes, until the style is known from them.
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
        match beginning(&head, encoding, is_all) {
            Some(beginning) => {
                let description = Description::new(self.name, beginning);
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

impl Description {
    fn new(name: &str, beginning: Beginning) -> Self {
        let Beginning { style, columns, preamble } = beginning;
        Self {
            name: name.to_owned(),
            style,
            width: columns.len(),
            uneven: 0,
            rows: 0,
            columns: columns.into_iter().map(|(name, unit)| Seen::new(name, unit)).collect(),
            span: None,
            steps: BTreeMap::new(),
            marks: NumberMarks::default(),
            has_end: true,
            nul_lines: 0,
            preamble,
        }
    }

    pub fn rows(&self) -> u64 {
        self.rows
    }

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
        let mut moment = RowMoment::default();
        for (at, column) in self.columns.iter_mut().enumerate() {
            let cell = fields.get(line.bytes, at).trim_ascii();
            if cell.is_empty() {
                column.empty += 1;
            } else if !column.time(cell, all, self.rows, &mut moment) {
                column.value(cell, &mut self.marks, &mut moment);
            }
        }
        if let Some(local) = moment.local() {
            self.made_at(local);
        }
    }

    /// Counts the time at which a row was made.
    fn made_at(&mut self, local: CivilTime) {
        let Some((_, last)) = &mut self.span else {
            self.span = Some((local, local));
            return;
        };
        let step = local.since(*last);
        if self.steps.len() < TIME_STEPS_MAX || self.steps.contains_key(&step) {
            *self.steps.entry(step).or_default() += 1;
        }
        *last = local;
    }
}
