//! What people wrote down, in files next to the readings: remarks and manual readings as CSV files of their own.
//!
//! Input: the ledger's public views `remark` and `manual_reading`, if it has them. Output: `…-remarks.csv` and
//! `…-manual.csv`. What a person wrote is never mixed with the rows of readings.

use super::csv;
use super::error::ExportError;
use super::file::{Synced, Target};
use super::table::{Column, ColumnKind};
use crate::ledger::read::extract::{self, NoteRows};
use crate::ledger::read::snapshot::Reader;
use crate::wire::seq::Address;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A view, the ending of its file's name, and its columns that are times.
const VIEWS: [(&str, &str, &[&str]); 2] = [
    ("remark", "remarks", &["from_at", "to_at", "written_at"]),
    ("manual_reading", "manual", &["at", "written_at"]),
];

/// Columns that are numbers; all others are text.
const NUMBERS: [&str; 6] = ["id", "logger", "channel", "line", "corrects", "corrected_by"];

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
    (force, leave_formulas): (bool, bool),
) -> Result<Vec<Ready>, (PathBuf, ExportError)> {
    let mut ready = Vec::new();
    for (view, ending, times) in VIEWS {
        let path = name(data, ending);
        let at = |error: ExportError| (path.clone(), error);
        let found: NoteRows =
            extract::notes(reader, view, loggers, times).map_err(|error| at(error.into()))?;
        let Some((names, rows)) = found.filter(|(_, rows)| !rows.is_empty()) else { continue };
        let columns = columns(&names, times);
        let file = file(&path, &columns, &rows, (force, leave_formulas)).map_err(|error| at(error.into()))?;
        ready.push(Ready { path, columns, file });
    }
    Ok(ready)
}

/// The names of all files that may be next to a data file.
pub fn names(data: &Path) -> Vec<PathBuf> {
    VIEWS.iter().map(|(_, ending, _)| name(data, ending)).collect()
}

/// `readings.csv` → `readings-remarks.csv`.
pub fn name(data: &Path, ending: &str) -> PathBuf {
    let stem = data.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    data.with_file_name(format!("{stem}-{ending}.csv"))
}

fn columns(names: &[String], times: &[&str]) -> Vec<Column> {
    names
        .iter()
        .map(|name| {
            let kind = if times.contains(&name.as_str()) {
                ColumnKind::Time
            } else if NUMBERS.contains(&name.as_str()) {
                ColumnKind::Int
            } else {
                ColumnKind::Text
            };
            Column::new(name.clone(), kind, "as a person wrote it; see docs/ledger.md")
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
