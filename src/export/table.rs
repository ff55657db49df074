//! Tables: columns with types and units, and rows of cells, whatever the format that takes them.
//!
//! `shape` makes rows, `csv`, `jsonl` and `parquet` write them, `describe` tells of their columns. What this is not:
//! no I/O.

use std::borrow::Cow;

/// What cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnKind {
    /// A whole number.
    Int,
    /// Hundredths, shown as a decimal number.
    Hundredths,
    Real,
    /// An instant, seconds since 1970.
    Time,
    Text,
    Bool,
}

/// A column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its heading; no two of a table are alike.
    pub name: Cow<'static, str>,
    pub kind: ColumnKind,
    /// UCUM code of its numbers, where all have the same.
    pub unit: Option<Cow<'static, str>>,
    /// What it is, for a person.
    pub about: Cow<'static, str>,
    /// Whether every row has a value.
    pub is_required: bool,
}

impl Column {
    /// A column of which cells may be empty.
    pub fn new(
        name: impl Into<Cow<'static, str>>,
        kind: ColumnKind,
        about: impl Into<Cow<'static, str>>,
    ) -> Self {
        Self { name: name.into(), kind, unit: None, about: about.into(), is_required: false }
    }

    pub fn unit(self, unit: impl Into<Cow<'static, str>>) -> Self {
        Self { unit: Some(unit.into()), ..self }
    }

    /// With a value in every row.
    pub fn required(self) -> Self {
        Self { is_required: true, ..self }
    }
}

/// A name that two columns would have, capitals apart: databases do not tell them apart.
pub fn double(columns: &[Column]) -> Option<String> {
    let mut seen = std::collections::BTreeSet::new();
    let mut twice = columns.iter().filter(|column| !seen.insert(column.name.to_lowercase()));
    twice.next().map(|column| column.name.clone().into_owned())
}

/// A cell. Its kind is its column's, or it is empty, or a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell<'a> {
    /// Not measured, or does not exist.
    Empty,
    Int(i64),
    /// Of [`ColumnKind::Int`]: a fault code instead of a count. CSV writes `!` and the code; typed formats leave it empty.
    Fault(i32),
    Hundredths(i64),
    /// Of [`ColumnKind::Real`]; rounded to so many places in text.
    Real(f64, Option<u8>),
    Time(i64),
    Text(&'a str),
    Bool(bool),
}

/// Takes rows down in a format. Each row has a cell a column.
pub trait Sink {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()>;
    /// The end. All that was taken is with the writer below after it.
    fn finish(&mut self) -> std::io::Result<()>;
}
