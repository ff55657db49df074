//! Rows as Parquet: one file, row groups of limited size, Snappy, dictionaries for text and delta coding for numbers.
//!
//! Instants are TIMESTAMP in milliseconds, adjusted to UTC: the format has no other offset. A count whose channel had a
//! fault is null; `faults` has the codes. One row group is held in memory.

use super::table::{Cell, Column, ColumnKind, Sink};
use parquet::basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{ColumnPath, Type};
use std::collections::HashMap;
use std::io::Write;
use std::sync::Arc;

/// Cells of a row group: 1 to 20 MiB of buffers. Our choice.
const GROUP_CELLS: usize = 1 << 20;
/// The most rows of a row group.
const GROUP_ROWS: usize = 1 << 17;

/// The values of a column that wait for their row group.
enum Buffer {
    Int(Vec<i64>),
    Real(Vec<f64>),
    Bool(Vec<bool>),
    /// Text columns have few distinct values, so they are dictionary-encoded: each distinct text once, and an index for
    /// each row.
    Text {
        words: Vec<ByteArray>,
        at: HashMap<Box<str>, u32>,
        last: Option<u32>,
        rows: Vec<u32>,
    },
}

/// Writes Parquet.
pub struct Parquet<W: Write + Send> {
    writer: Option<SerializedFileWriter<W>>,
    columns: Vec<(Buffer, Vec<i16>, bool)>,
    rows: usize,
    group_rows: usize,
}

/// The library's error as an I/O error: a full disk may be its cause.
fn io(error: parquet::errors::ParquetError) -> std::io::Error {
    match error {
        parquet::errors::ParquetError::External(inner) => match inner.downcast::<std::io::Error>() {
            Ok(inner) => *inner,
            Err(other) => std::io::Error::other(other),
        },
        other => std::io::Error::other(other),
    }
}

impl<W: Write + Send> Parquet<W> {
    /// Starts a file; `about` is text about the whole file, stored in its footer.
    pub fn new(to: W, columns: &[Column], about: Vec<(String, String)>) -> std::io::Result<Self> {
        let mut fields = Vec::new();
        let mut properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(concat!("stonechat ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_statistics_enabled(parquet::file::properties::EnabledStatistics::Chunk)
            .set_key_value_metadata(Some(
                about.into_iter().map(|(key, value)| KeyValue::new(key, value)).collect(),
            ));
        for column in columns {
            let (physical, logical) = match column.kind {
                ColumnKind::Int => (Physical::INT64, None),
                ColumnKind::Hundredths | ColumnKind::Real => (Physical::DOUBLE, None),
                ColumnKind::Time => {
                    let unit = TimeUnit::MILLIS;
                    let utc = LogicalType::timestamp(true, unit);
                    (Physical::INT64, Some(utc))
                }
                ColumnKind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
                ColumnKind::Bool => (Physical::BOOLEAN, None),
            };
            let repetition = if column.is_required { Repetition::REQUIRED } else { Repetition::OPTIONAL };
            let field = Type::primitive_type_builder(&column.name, physical)
                .with_repetition(repetition)
                .with_logical_type(logical)
                .build()
                .map_err(io)?;
            fields.push(Arc::new(field));
            let path = ColumnPath::from(column.name.as_ref());
            if physical == Physical::INT64 {
                properties = properties
                    .set_column_dictionary_enabled(path.clone(), false)
                    .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED);
            }
        }
        let schema = Type::group_type_builder("reading").with_fields(fields).build().map_err(io)?;
        let writer =
            SerializedFileWriter::new(to, Arc::new(schema), Arc::new(properties.build())).map_err(io)?;
        let columns: Vec<_> = columns
            .iter()
            .map(|column| {
                let buffer = match column.kind {
                    ColumnKind::Int | ColumnKind::Time => Buffer::Int(Vec::new()),
                    ColumnKind::Hundredths | ColumnKind::Real => Buffer::Real(Vec::new()),
                    ColumnKind::Bool => Buffer::Bool(Vec::new()),
                    ColumnKind::Text => {
                        Buffer::Text { words: Vec::new(), at: HashMap::new(), last: None, rows: Vec::new() }
                    }
                };
                (buffer, Vec::new(), column.is_required)
            })
            .collect();
        let group_rows = (GROUP_CELLS / columns.len().max(1)).clamp(1, GROUP_ROWS);
        Ok(Self { writer: Some(writer), columns, rows: 0, group_rows })
    }

    fn group(&mut self) -> std::io::Result<()> {
        let Some(writer) = self.writer.as_mut().filter(|_| self.rows > 0) else { return Ok(()) };
        let mut group = writer.next_row_group().map_err(io)?;
        for (buffer, defined, is_required) in &mut self.columns {
            let Some(mut column) = group.next_column().map_err(io)? else { break };
            let levels = (!*is_required).then_some(defined.as_slice());
            write_column(&mut column, buffer, levels)?;
            column.close().map_err(io)?;
            defined.clear();
        }
        group.close().map_err(io)?;
        self.rows = 0;
        Ok(())
    }
}

fn write_column(
    column: &mut SerializedColumnWriter<'_>,
    buffer: &mut Buffer,
    levels: Option<&[i16]>,
) -> std::io::Result<()> {
    match buffer {
        Buffer::Int(values) => {
            column.typed::<Int64Type>().write_batch(values, levels, None).map_err(io)?;
            values.clear();
        }
        Buffer::Real(values) => {
            column.typed::<DoubleType>().write_batch(values, levels, None).map_err(io)?;
            values.clear();
        }
        Buffer::Bool(values) => {
            column.typed::<BoolType>().write_batch(values, levels, None).map_err(io)?;
            values.clear();
        }
        Buffer::Text { words, at, last, rows } => {
            let texts: Vec<ByteArray> =
                rows.iter().filter_map(|&at| words.get(at as usize).cloned()).collect();
            column.typed::<ByteArrayType>().write_batch(&texts, levels, None).map_err(io)?;
            words.clear();
            at.clear();
            rows.clear();
            *last = None;
        }
    }
    Ok(())
}

impl<W: Write + Send> Sink for Parquet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        for ((buffer, defined, is_required), cell) in self.columns.iter_mut().zip(cells) {
            let is_there = match (&mut *buffer, *cell) {
                (Buffer::Int(values), Cell::Int(value)) => {
                    values.push(value);
                    true
                }
                (Buffer::Int(values), Cell::Time(unix_s)) => {
                    values.push(unix_s.saturating_mul(1000));
                    true
                }
                (Buffer::Real(values), Cell::Hundredths(value)) => {
                    values.push(value as f64 / 100.0);
                    true
                }
                (Buffer::Real(values), Cell::Real(value, _)) => {
                    values.push(value);
                    true
                }
                (Buffer::Bool(values), Cell::Bool(yes)) => {
                    values.push(yes);
                    true
                }
                (Buffer::Text { words, at, last, rows }, Cell::Text(text)) => {
                    let known = last.filter(|&last| {
                        words.get(last as usize).is_some_and(|word| word.data() == text.as_bytes())
                    });
                    let place = match known.or_else(|| at.get(text).copied()) {
                        Some(place) => place,
                        None => {
                            let place = words.len() as u32;
                            words.push(ByteArray::from(text));
                            at.insert(text.into(), place);
                            place
                        }
                    };
                    *last = Some(place);
                    rows.push(place);
                    true
                }
                _ => false,
            };
            if !*is_required {
                defined.push(i16::from(is_there));
            } else if !is_there {
                return Err(std::io::Error::other("a column that every row must fill has an empty cell"));
            }
        }
        self.rows += 1;
        if self.rows >= self.group_rows {
            self.group()?;
        }
        Ok(())
    }

    fn finish(&mut self) -> std::io::Result<()> {
        self.group()?;
        if let Some(writer) = self.writer.take() {
            writer.into_inner().map_err(io)?.flush()?;
        }
        Ok(())
    }
}
