//! Turns a file's bytes into lines and cells, by the style that its layout gives.
//!
//! Input: pieces of bytes. Output: lines in UTF-8, cells without their quotes. It knows no columns.

use crate::config::layout::Encoding;
use crate::hand::csv::Cells;
use crate::hand::lines::{Line, Lines};

/// Converts bytes of a file to UTF-8, piece by piece.
pub struct Decoded {
    decoder: Option<encoding_rs::Decoder>,
    buffer: Vec<u8>,
}

impl Decoded {
    /// For one file.
    pub fn new(encoding: Encoding) -> Self {
        let decoder = match encoding {
            // Unchanged: what is not UTF-8 shows up in its cell.
            Encoding::Utf8 => None,
            Encoding::Windows1252 => Some(encoding_rs::WINDOWS_1252.new_decoder()),
            // The byte order mark decides.
            Encoding::Utf16 => Some(encoding_rs::UTF_16LE.new_decoder()),
        };
        Self { decoder, buffer: Vec::new() }
    }

    /// Decodes a piece; `is_last` for the last one, which may be empty.
    pub fn feed<E>(
        &mut self,
        piece: &[u8],
        is_last: bool,
        mut each: impl FnMut(&[u8]) -> Result<(), E>,
    ) -> Result<(), E> {
        let Some(decoder) = &mut self.decoder else { return each(piece) };
        self.buffer.resize(decoder.max_utf8_buffer_length(piece.len()).unwrap_or(4 * piece.len() + 16), 0);
        let mut rest = piece;
        loop {
            let (result, read, written, _) = decoder.decode_to_utf8(rest, &mut self.buffer, is_last);
            each(&self.buffer[..written])?;
            rest = &rest[read..];
            if result == encoding_rs::CoderResult::InputEmpty {
                return Ok(());
            }
        }
    }
}

/// Cells of a line as ranges of it if nothing is quoted; otherwise unquoted copies.
pub(crate) struct Fields {
    delimiter: u8,
    quote: Option<u8>,
    ends: Vec<usize>,
    cells: Cells,
    is_quoted: bool,
}

impl Fields {
    pub(crate) fn new(delimiter: u8, quote: Option<u8>) -> Self {
        Self { delimiter, quote, ends: Vec::new(), cells: Cells::new(delimiter, quote), is_quoted: false }
    }

    pub(crate) fn cut(&mut self, line: &[u8]) -> usize {
        self.is_quoted = self.quote.is_some_and(|quote| memchr::memchr(quote, line).is_some());
        if self.is_quoted {
            return self.cells.cut(line);
        }
        self.ends.clear();
        self.ends.extend(memchr::memchr_iter(self.delimiter, line));
        self.ends.push(line.len());
        self.ends.len()
    }

    pub(crate) fn get<'a>(&'a self, line: &'a [u8], at: usize) -> &'a [u8] {
        if self.is_quoted {
            return self.cells.get(at);
        }
        let Some(&end) = self.ends.get(at) else { return &[] };
        let start = if at == 0 { 0 } else { self.ends[at - 1] + 1 };
        line.get(start..end).unwrap_or(&[])
    }
}

/// Reads every row of a file: [`crate::hand::foreign`] uses it to plan, and the benches measure it.
pub fn each_line<E>(
    decoded: &mut Decoded,
    lines: &mut Lines,
    piece: &[u8],
    is_last: bool,
    mut each: impl FnMut(Line<'_>) -> Result<(), E>,
) -> Result<(), E> {
    decoded.feed(piece, is_last, |text| lines.feed(text, &mut each))?;
    if is_last { lines.finish(each) } else { Ok(()) }
}
