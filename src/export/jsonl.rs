//! Rows as JSON Lines: one object for each line, every column in each, UTF-8, lines ended by a line feed.
//!
//! An empty cell is `null`, and so is a count whose channel had a fault.

use super::table::{Cell, Column, Sink};
use super::text::{Times, push_hundredths, push_int, push_real};
use std::io::Write;

const GATHER_BYTES: usize = 256 << 10;

/// Writes JSON Lines.
pub struct JsonLines<W> {
    to: W,
    out: Vec<u8>,
    times: Times,
    /// `{"logger":`, `,"epoch":` …
    keys: Vec<Vec<u8>>,
}

impl<W: Write> JsonLines<W> {
    /// Uses these columns as keys.
    pub fn new(to: W, columns: &[Column], offset_s: i32) -> Self {
        let keys = columns.iter().enumerate().map(|(at, column)| {
            let mut key = vec![if at == 0 { b'{' } else { b',' }];
            push_string(&mut key, &column.name);
            key.push(b':');
            key
        });
        let keys = keys.collect();
        Self { to, out: Vec::with_capacity(GATHER_BYTES + 8192), times: Times::new(offset_s), keys }
    }
}

impl<W: Write> Sink for JsonLines<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        let out = &mut self.out;
        for (key, cell) in self.keys.iter().zip(cells) {
            out.extend_from_slice(key);
            match *cell {
                Cell::Int(value) => push_int(out, value),
                Cell::Hundredths(value) => push_hundredths(out, value),
                // JSON cannot write a number that is not finite.
                Cell::Real(value, decimals) if value.is_finite() => push_real(out, value, decimals),
                Cell::Empty | Cell::Fault(_) | Cell::Real(..) => out.extend_from_slice(b"null"),
                Cell::Time(unix_s) => {
                    out.push(b'"');
                    self.times.push(out, unix_s);
                    out.push(b'"');
                }
                Cell::Text(text) => push_string(out, text),
                Cell::Bool(yes) => out.extend_from_slice(if yes { b"true" } else { b"false" }),
            }
        }
        out.extend_from_slice(b"}\n");
        if out.len() >= GATHER_BYTES {
            self.to.write_all(out)?;
            out.clear();
        }
        Ok(())
    }

    fn finish(&mut self) -> std::io::Result<()> {
        self.to.write_all(&self.out)?;
        self.out.clear();
        self.to.flush()
    }
}

fn push_string(out: &mut Vec<u8>, text: &str) {
    // Writing into a Vec cannot fail.
    let _ = serde_json::to_writer(out, text);
}
