//! Rows as CSV after RFC 4180: a header, commas, quotes where a cell needs them.
//!
//! A line feed within a cell is quoted too, as the RFC has it. Lines end with a line feed alone, which every reader
//! takes and which Unix tools expect: the one point in which this is not the RFC to the letter.

use super::table::{Cell, Column, Sink};
use super::text::{Times, push_hundredths, push_int, push_real};
use std::io::Write;

/// Bytes that gather before they are handed on. Ours.
const GATHER_BYTES: usize = 256 << 10;

/// Writes CSV.
pub struct Csv<W> {
    to: W,
    out: Vec<u8>,
    times: Times,
}

impl<W: Write> Csv<W> {
    /// Begins with the header.
    pub fn new(to: W, columns: &[Column], offset_s: i32) -> Self {
        let mut out = Vec::with_capacity(GATHER_BYTES + 8192);
        for (at, column) in columns.iter().enumerate() {
            if at > 0 {
                out.push(b',');
            }
            push_text(&mut out, &column.name);
        }
        out.push(b'\n');
        Self { to, out, times: Times::new(offset_s) }
    }
}

impl<W: Write> Sink for Csv<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
        let out = &mut self.out;
        for (at, cell) in cells.iter().enumerate() {
            if at > 0 {
                out.push(b',');
            }
            match *cell {
                Cell::Empty => {}
                Cell::Int(value) => push_int(out, value),
                Cell::Fault(code) => {
                    out.push(b'!');
                    push_int(out, i64::from(code));
                }
                Cell::Hundredths(value) => push_hundredths(out, value),
                Cell::Real(value, decimals) => push_real(out, value, decimals),
                Cell::Time(unix_s) => self.times.push(out, unix_s),
                Cell::Text(text) => push_text(out, text),
                Cell::Bool(yes) => out.extend_from_slice(if yes { b"true" } else { b"false" }),
            }
        }
        out.push(b'\n');
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

/// A text, in quotes if it has a comma, a quote, or an end of line.
pub fn push_text(out: &mut Vec<u8>, text: &str) {
    let is_plain = !text.bytes().any(|byte| matches!(byte, b',' | b'"' | b'\r' | b'\n'))
        // A blank at an end is lost by readers that trim what is not quoted.
        && !text.starts_with(' ')
        && !text.ends_with(' ');
    if is_plain {
        out.extend_from_slice(text.as_bytes());
        return;
    }
    out.push(b'"');
    for byte in text.bytes() {
        if byte == b'"' {
            out.push(b'"');
        }
        out.push(byte);
    }
    out.push(b'"');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::table::Kind;

    #[test]
    fn cells_are_quoted_where_rfc_4180_asks_for_it() {
        let mut out = Vec::new();
        let columns = [Column::new("a,b", Kind::Text, ""), Column::new("c", Kind::Int, "")];
        {
            let mut csv = Csv::new(&mut out, &columns, 0);
            csv.row(&[Cell::Text("say \"P-17\",\nnow"), Cell::Fault(4)]).unwrap();
            csv.row(&[Cell::Empty, Cell::Int(-5)]).unwrap();
            csv.finish().unwrap();
        }
        assert_eq!(String::from_utf8(out).unwrap(), "\"a,b\",c\n\"say \"\"P-17\"\",\nnow\",!4\n,-5\n");
    }
}
