//! Turns a file's bytes into lines and cells, by the style that its layout gives.
//!
//! Input: pieces of bytes. Output: lines in UTF-8, cells without their quotes. It knows no columns.

use crate::config::layout::{Delimiter, Encoding};
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
            // A byte order mark decides, if there is one.
            Encoding::Utf16 | Encoding::Utf16Le => Some(encoding_rs::UTF_16LE.new_decoder()),
            Encoding::Utf16Be => Some(encoding_rs::UTF_16BE.new_decoder()),
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

/// Cells of a line as ranges of it; unquoted copies if something is quoted between delimiters.
pub(crate) struct Fields {
    delimiter: Delimiter,
    quote: Option<u8>,
    /// Start and end of each cell.
    spans: Vec<(usize, usize)>,
    cells: Cells,
    is_copied: bool,
}

impl Fields {
    pub(crate) fn new(delimiter: Delimiter, quote: Option<u8>) -> Self {
        let byte = match delimiter {
            Delimiter::Byte(byte) => byte,
            Delimiter::Spaces | Delimiter::Fixed(_) => b',',
        };
        Self { delimiter, quote, spans: Vec::new(), cells: Cells::new(byte, quote), is_copied: false }
    }

    /// Splits a line; returns the number of its cells. A line that widths would cut through has none.
    pub(crate) fn cut(&mut self, line: &[u8]) -> usize {
        self.spans.clear();
        self.is_copied = false;
        match &self.delimiter {
            Delimiter::Byte(_) if self.quote.is_some_and(|quote| memchr::memchr(quote, line).is_some()) => {
                self.is_copied = true;
                return self.cells.cut(line);
            }
            Delimiter::Byte(delimiter) => {
                let mut from = 0;
                for at in memchr::memchr_iter(*delimiter, line) {
                    self.spans.push((from, at));
                    from = at + 1;
                }
                self.spans.push((from, line.len()));
            }
            Delimiter::Spaces => cut_at_spaces(line, self.quote, &mut self.spans),
            Delimiter::Fixed(widths) => cut_by_width(line, widths, &mut self.spans),
        }
        self.spans.len()
    }

    pub(crate) fn get<'a>(&'a self, line: &'a [u8], at: usize) -> &'a [u8] {
        if self.is_copied {
            return self.cells.get(at);
        }
        self.spans.get(at).and_then(|&(from, to)| line.get(from..to)).unwrap_or(&[])
    }
}

fn is_blank(byte: u8) -> bool {
    byte == b' ' || byte == b'\t'
}

/// Words with spaces between them; a quoted one may contain spaces.
fn cut_at_spaces(line: &[u8], quote: Option<u8>, spans: &mut Vec<(usize, usize)>) {
    let mut at = 0;
    while let Some(from) = line[at..].iter().position(|&byte| !is_blank(byte)).map(|by| at + by) {
        let close = quote
            .filter(|quote| line[from] == *quote)
            .and_then(|quote| memchr::memchr(quote, &line[from + 1..]).map(|by| from + 1 + by));
        if let Some(close) = close {
            spans.push((from + 1, close));
            at = close + 1;
        } else {
            let to = line[from..].iter().position(|&byte| is_blank(byte)).map_or(line.len(), |by| from + by);
            spans.push((from, to));
            at = to;
        }
    }
}

/// Cells of fixed widths, counted in characters. The last one takes the rest of the line; a line that ends early has
/// empty cells. Where two cells meet, one of them must have a blank: otherwise the widths cut through a number, and
/// there is no cell.
fn cut_by_width(line: &[u8], widths: &[usize], spans: &mut Vec<(usize, usize)>) {
    let is_start = |byte: u8| byte & 0xc0 != 0x80;
    let mut from = 0;
    for (nth, &width) in widths.iter().enumerate() {
        let mut to = from;
        let mut chars = 0;
        while to < line.len() && (nth + 1 == widths.len() || chars < width) {
            to += 1;
            while line.get(to).is_some_and(|&byte| !is_start(byte)) {
                to += 1;
            }
            chars += 1;
        }
        if from > 0 && from < line.len() && !is_blank(line[from - 1]) && !is_blank(line[from]) {
            spans.clear();
            return;
        }
        spans.push((from, to));
        from = to;
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

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(delimiter: Delimiter, line: &str) -> Vec<String> {
        let mut fields = Fields::new(delimiter, Some(b'"'));
        let count = fields.cut(line.as_bytes());
        (0..count).map(|at| String::from_utf8_lossy(fields.get(line.as_bytes(), at)).into_owned()).collect()
    }

    #[test]
    fn words_are_cut_at_runs_of_spaces_and_quotes_keep_them_together() {
        assert_eq!(
            cells(Delimiter::Spaces, "  1 \"2026-05-04 08:15\"\t3.5   x "),
            ["1", "2026-05-04 08:15", "3.5", "x"]
        );
        assert_eq!(cells(Delimiter::Spaces, "a \"b c"), ["a", "\"b", "c"]);
    }

    #[test]
    fn widths_count_characters_and_never_cut_through_a_number() {
        let widths = || Delimiter::Fixed(vec![3, 5, 4]);
        assert_eq!(cells(widths(), " 12  3.5   7"), [" 12", "  3.5", "   7"]);
        assert_eq!(cells(widths(), "µ12  3.5"), ["µ12", "  3.5", ""]);
        assert_eq!(
            cells(widths(), " 12  3.5   7 and more").last().map(String::as_str),
            Some("   7 and more")
        );
        assert_eq!(cells(widths(), " 12 103.54  7"), Vec::<String>::new(), "103.54 is one number");
    }
}
