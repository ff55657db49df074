//! What belongs next to the readings, as CSV files of their own: what people wrote down (remarks and manual readings), and the
//! loggers' other records (profiles, events and memory statements).
//!
//! Input: the ledger's public views, those that it has. Output: `…-remarks.csv`, `…-manual.csv`, `…-profiles.csv`,
//! `…-events.csv`, `…-statements.csv`. Nothing of it is ever mixed with the rows of readings.

use super::csv;
use super::error::ExportError;
use super::file::{Synced, Target};
use super::table::{Column, ColumnKind};
use crate::ledger::read::extract::{self, NoteRows};
use crate::ledger::read::snapshot::Reader;
use crate::wire::seq::Address;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Which files are wanted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Beside {
    /// Remarks and manual readings.
    pub remarks: bool,
    /// Profiles, events and memory statements.
    pub events: bool,
}

/// A public view that has a file of its own.
struct View {
    name: &'static str,
    /// Of its file's name.
    ending: &'static str,
    /// Its columns that are times.
    times: &'static [&'static str],
    order: &'static str,
    /// Whether people wrote it; otherwise loggers made it.
    is_written: bool,
}

impl View {
    const fn written(name: &'static str, ending: &'static str, times: &'static [&'static str]) -> Self {
        Self { name, ending, times, order: "id", is_written: true }
    }

    const fn made(name: &'static str, ending: &'static str, order: &'static str) -> Self {
        Self { name, ending, times: &["time", "received_at", "stored_at"], order, is_written: false }
    }

    fn is_wanted(&self, beside: Beside) -> bool {
        if self.is_written { beside.remarks } else { beside.events }
    }
}

const VIEWS: [View; 5] = [
    View::written("remark", "remarks", &["from_at", "to_at", "written_at"]),
    View::written("manual_reading", "manual", &["at", "written_at"]),
    View::made("profile", "profiles", "logger, epoch, sequence"),
    View::made("event", "events", "logger, epoch, sequence"),
    View::made("memory_statement", "statements", "logger, epoch, sequence, of_epoch DESC"),
];

/// Columns that are numbers; all others are text.
const NUMBERS: [&str; 22] = [
    "id",
    "logger",
    "channel",
    "line",
    "corrects",
    "corrected_by",
    "epoch",
    "sequence",
    "interval_s",
    "capacity",
    "oldest",
    "previous_epoch",
    "previous_last",
    "code",
    "value",
    "of_epoch",
    "first",
    "last",
    "slot",
    "rssi_dbm",
    "import",
    "clock_synchronised",
];

/// A file that is written and does not have its final name yet.
pub struct Ready {
    pub path: PathBuf,
    pub columns: Vec<Column>,
    pub file: Synced,
}

/// Writes them next to a data file; none if the ledger has no such view or if nothing was written down.
pub fn write(
    reader: &Reader,
    loggers: Option<&[Address]>,
    data: &Path,
    beside: Beside,
    (force, leave_formulas): (bool, bool),
) -> Result<Vec<Ready>, (PathBuf, ExportError)> {
    let mut ready = Vec::new();
    for view in VIEWS.iter().filter(|view| view.is_wanted(beside)) {
        let path = name(data, view.ending);
        let at = |error: ExportError| (path.clone(), error);
        let found: NoteRows = extract::notes(reader, (view.name, view.order), loggers, view.times)
            .map_err(|error| at(error.into()))?;
        let Some((names, rows)) = found.filter(|(_, rows)| !rows.is_empty()) else { continue };
        let columns = columns(&names, view);
        let file = file(&path, &columns, &rows, (force, leave_formulas)).map_err(|error| at(error.into()))?;
        ready.push(Ready { path, columns, file });
    }
    Ok(ready)
}

/// The names of all wanted files that may be next to a data file.
pub fn names(data: &Path, beside: Beside) -> Vec<PathBuf> {
    VIEWS.iter().filter(|view| view.is_wanted(beside)).map(|view| name(data, view.ending)).collect()
}

/// `readings.csv` → `readings-remarks.csv`.
pub fn name(data: &Path, ending: &str) -> PathBuf {
    let stem = data.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    data.with_file_name(format!("{stem}-{ending}.csv"))
}

fn columns(names: &[String], view: &View) -> Vec<Column> {
    let description = match view.is_written {
        true => "as a person wrote it; see docs/ledger.md",
        false => "as the logger made it; see docs/ledger.md",
    };
    names
        .iter()
        .map(|name| {
            let kind = if view.times.contains(&name.as_str()) {
                ColumnKind::Time
            } else if NUMBERS.contains(&name.as_str()) {
                ColumnKind::Int
            } else {
                ColumnKind::Text
            };
            Column::new(name.clone(), kind, description)
        })
        .collect()
}

fn file(
    path: &Path,
    columns: &[Column],
    rows: &[Vec<Option<String>>],
    (force, leave_formulas): (bool, bool),
) -> std::io::Result<Synced> {
    let mut target = Target::create(path, force)?;
    let mut out = Vec::new();
    let mut line = |cells: &mut dyn Iterator<Item = &str>| {
        out.clear();
        for (at, cell) in cells.enumerate() {
            if at > 0 {
                out.push(b',');
            }
            csv::push_cell(&mut out, cell, leave_formulas);
        }
        out.push(b'\n');
        target.write_all(&out)
    };
    line(&mut columns.iter().map(|column| column.name.as_ref()))?;
    for row in rows {
        line(&mut row.iter().map(|cell| cell.as_deref().unwrap_or("")))?;
    }
    target.sync()
}
