//! Rows as CSV according to RFC 4180: a header, commas, quotes where a cell needs them.
//!
//! A line feed within a cell is quoted too, as in the RFC. Lines end with a line feed alone, which every reader
//! accepts and Unix tools expect: this is the only difference from the RFC.
//!
//! A text that a spreadsheet would run as a formula gets an apostrophe in front (CWE-1236), unless formulas are to be
//! kept.

use super::table::{Cell, Column, Sink};
use super::text::{Times, push_hundredths, push_int, push_real};
use std::io::Write;

/// How many bytes are collected before they are passed on. Our choice.
const GATHER_BYTES: usize = 256 << 10;

/// Writes CSV.
pub struct Csv<W> {
    to: W,
    out: Vec<u8>,
    times: Times,
    leave_formulas: bool,
}

impl<W: Write> Csv<W> {
    /// Starts with the header.
    pub fn new(to: W, columns: &[Column], offset_s: i32, leave_formulas: bool) -> Self {
        let mut out = Vec::with_capacity(GATHER_BYTES + 8192);
        for (at, column) in columns.iter().enumerate() {
            if at > 0 {
                out.push(b',');
            }
            push_cell(&mut out, &column.name, leave_formulas);
        }
        out.push(b'\n');
        Self { to, out, times: Times::new(offset_s), leave_formulas }
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
                Cell::Text(text) => push_cell(out, text, self.leave_formulas),
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

/// Appends a text that a person typed, made harmless for a spreadsheet unless formulas are to be kept.
pub fn push_cell(out: &mut Vec<u8>, text: &str, leave_formulas: bool) {
    if !leave_formulas && is_formula(text) {
        push_text(out, &format!("'{text}"));
    } else {
        push_text(out, text);
    }
}

/// Whether a spreadsheet may take a text as a formula: it begins, after blanks, with one of these characters (CWE-1236,
/// *Improper Neutralization of Formula Elements in a CSV File*), or with its full-width form; or with a tab or an end
/// of line, which some programs remove. A plain number is not a formula.
fn is_formula(text: &str) -> bool {
    let is_number = text.bytes().all(|byte| byte.is_ascii_digit() || b".eE+-".contains(&byte))
        && text.parse::<f64>().is_ok_and(f64::is_finite);
    !is_number && has_formula_start(text)
}

fn has_formula_start(text: &str) -> bool {
    text.starts_with(['\t', '\r', '\n'])
        || text.trim_start().starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠'])
}

/// Appends a text, in quotes if it has a comma, a quote, or an end of line.
pub fn push_text(out: &mut Vec<u8>, text: &str) {
    let is_plain = !text.bytes().any(|byte| matches!(byte, b',' | b'"' | b'\r' | b'\n'))
        // Readers that trim unquoted cells would lose a blank at an end.
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
    use crate::export::table::ColumnKind;

    #[test]
    fn cells_are_quoted_where_rfc_4180_asks_for_it() {
        let mut out = Vec::new();
        let columns = [Column::new("a,b", ColumnKind::Text, ""), Column::new("c", ColumnKind::Int, "")];
        {
            let mut csv = Csv::new(&mut out, &columns, 0, false);
            csv.row(&[Cell::Text("say \"P-17\",\nnow"), Cell::Fault(4)]).unwrap();
            csv.row(&[Cell::Empty, Cell::Int(-5)]).unwrap();
            csv.finish().unwrap();
        }
        assert_eq!(String::from_utf8(out).unwrap(), "\"a,b\",c\n\"say \"\"P-17\"\",\nnow\",!4\n,-5\n");
    }

    #[test]
    fn a_text_that_a_spreadsheet_would_run_gets_an_apostrophe_unless_it_is_to_be_left() {
        let cell = |text: &str, leave| {
            let mut out = Vec::new();
            push_cell(&mut out, text, leave);
            String::from_utf8(out).unwrap()
        };
        for text in ["=1+1", "+A1", "-1+1", "@SUM(A1)", " =1", "＝1"] {
            let quote = if text.starts_with(' ') { "" } else { "'" };
            assert!(cell(text, false).starts_with(quote) && cell(text, false).contains('\''), "{text}");
            assert!(!cell(text, true).contains('\''), "{text}");
        }
        assert_eq!(
            cell("=HYPERLINK(\"http://x\",\"y\")", false),
            "\"'=HYPERLINK(\"\"http://x\"\",\"\"y\"\")\""
        );
        assert_eq!(cell("\t=1", false), "'\t=1");
        for text in ["P-17 pore pressure", "10*-6", "", "[psi]", "1-2", "-3.25", "+1"] {
            assert_eq!(cell(text, false), text);
        }
    }

    #[test]
    fn numbers_are_numbers_also_where_they_are_negative() {
        let mut out = Vec::new();
        let columns = [Column::new("a", ColumnKind::Int, ""), Column::new("b", ColumnKind::Real, "")];
        let mut csv = Csv::new(&mut out, &columns, 0, false);
        csv.row(&[Cell::Int(-5), Cell::Real(-0.25, Some(1))]).unwrap();
        csv.finish().unwrap();
        assert_eq!(String::from_utf8(out).unwrap(), "a,b\n-5,-0.2\n");
    }
}
