//! Tables: columns with types and units, and rows of cells, independent of the output format.
//!
//! `shape` makes rows, `csv`, `jsonl` and `parquet` write them, `describe` describes their columns.
//! No I/O.

use std::borrow::Cow;

/// The type of a column's cells.
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
    /// Its heading, unique in the table.
    pub name: Cow<'static, str>,
    pub kind: ColumnKind,
    /// UCUM code of its numbers, if all have the same.
    pub unit: Option<Cow<'static, str>>,
    /// What it is, for a person.
    pub about: Cow<'static, str>,
    /// Whether every row has a value.
    pub is_required: bool,
}

impl Column {
    /// A column whose cells may be empty.
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

    /// Marks a column that has a value in every row.
    pub fn required(self) -> Self {
        Self { is_required: true, ..self }
    }
}

/// A name that two columns would share, ignoring case, because databases ignore it.
pub fn double(columns: &[Column]) -> Option<String> {
    let mut seen = std::collections::BTreeSet::new();
    let mut twice = columns.iter().filter(|column| !seen.insert(column.name.to_lowercase()));
    twice.next().map(|column| column.name.clone().into_owned())
}

/// A cell. It has the type of its column, or is empty, or a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell<'a> {
    /// Not measured, or does not exist.
    Empty,
    Int(i64),
    /// For [`ColumnKind::Int`]: a fault code instead of a count. CSV writes `!` and the code; typed formats leave it
    /// empty.
    Fault(i32),
    Hundredths(i64),
    /// For [`ColumnKind::Real`]; rounded to this many places in text.
    Real(f64, Option<u8>),
    Time(i64),
    Text(&'a str),
    Bool(bool),
}

/// Writes rows in a format. Each row has one cell for each column.
pub trait Sink {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()>;
    /// Finishes. After this, everything has been passed to the writer below.
    fn finish(&mut self) -> std::io::Result<()>;
}
