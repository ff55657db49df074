//! Splits text into lines of bounded length, numbered from 1, from bytes that come in pieces.
//!
//! A line without an end (a file of 2 GiB with no line feed) costs no memory: bytes beyond [`LINE_MAX`] are
//! counted and dropped. There is no decoding: a line is bytes.
//!
//! A line ends with a line feed, perhaps after a carriage return. In text of other programs ([`Lines::of_text`]) it may
//! also end with a carriage return alone.

/// The longest line that is read, in bytes: 40 channels of eleven digits take 500.
pub const LINE_MAX: usize = 64 * 1024;

/// A line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line<'a> {
    /// Its number, from 1.
    pub number: u64,
    /// Its bytes without the line's end; cut at [`LINE_MAX`].
    pub bytes: &'a [u8],
    /// Its length in the file, without its end.
    pub len: u64,
    /// Whether a line feed ended it; the last line of a file that was cut off has none.
    pub is_ended: bool,
}

impl Line<'_> {
    /// Whether it is longer than the maximum.
    pub fn is_too_long(&self) -> bool {
        self.len > LINE_MAX as u64
    }
}

/// Splits pieces into lines.
#[derive(Debug, Default)]
pub struct Lines {
    held: Vec<u8>,
    len: u64,
    number: u64,
    /// Whether a carriage return ends a line as well.
    returns: bool,
    /// Whether the last line ended with a carriage return: a line feed after it belongs to it.
    after_return: bool,
}

impl Lines {
    /// For text in which a carriage return alone may end a line.
    pub fn of_text() -> Self {
        Self { returns: true, ..Self::default() }
    }

    /// Takes a piece, and passes on every line that ends in it.
    pub fn feed<E>(
        &mut self,
        mut piece: &[u8],
        mut each: impl FnMut(Line<'_>) -> Result<(), E>,
    ) -> Result<(), E> {
        while let Some(end) = self.end(&mut piece) {
            let (line, rest) = (&piece[..end], &piece[end + 1..]);
            self.after_return = piece[end] == b'\r';
            piece = rest;
            if self.len == 0 && line.len() <= LINE_MAX {
                self.number += 1;
                let bytes = without_return(line);
                each(Line { number: self.number, bytes, len: bytes.len() as u64, is_ended: true })?;
                continue;
            }
            self.hold(line);
            self.give(true, &mut each)?;
        }
        self.hold(piece);
        Ok(())
    }

    /// Where the next line ends in a piece.
    fn end(&mut self, piece: &mut &[u8]) -> Option<usize> {
        if !self.returns {
            return memchr::memchr(b'\n', piece);
        }
        if self.after_return && !piece.is_empty() {
            self.after_return = false;
            *piece = piece.strip_prefix(b"\n").unwrap_or(piece);
        }
        memchr::memchr2(b'\n', b'\r', piece)
    }

    /// The last line, if no line feed ended it.
    pub fn finish<E>(&mut self, mut each: impl FnMut(Line<'_>) -> Result<(), E>) -> Result<(), E> {
        if self.len == 0 { Ok(()) } else { self.give(false, &mut each) }
    }

    fn hold(&mut self, piece: &[u8]) {
        let room = LINE_MAX - self.held.len();
        self.held.extend_from_slice(&piece[..piece.len().min(room)]);
        self.len += piece.len() as u64;
    }

    fn give<E>(&mut self, is_ended: bool, each: &mut impl FnMut(Line<'_>) -> Result<(), E>) -> Result<(), E> {
        self.number += 1;
        let len = std::mem::take(&mut self.len);
        let bytes = if len <= LINE_MAX as u64 { without_return(&self.held) } else { &self.held };
        let len = if len <= LINE_MAX as u64 { bytes.len() as u64 } else { len };
        let done = each(Line { number: self.number, bytes, len, is_ended });
        self.held.clear();
        done
    }
}

fn without_return(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all(pieces: &[&[u8]]) -> Vec<(u64, Vec<u8>, u64, bool)> {
        let mut lines = Lines::default();
        let mut found = Vec::new();
        let mut take = |line: Line<'_>| -> Result<(), ()> {
            found.push((line.number, line.bytes.to_vec(), line.len, line.is_ended));
            Ok(())
        };
        for piece in pieces {
            lines.feed(piece, &mut take).unwrap();
        }
        lines.finish(&mut take).unwrap();
        found
    }

    #[test]
    fn an_endless_line_is_cut_and_counted() {
        let long = vec![b'x'; LINE_MAX];
        let found = all(&[&long, &long, &long, b"\nnext\r\nlast"]);
        assert_eq!(found[0], (1, long.clone(), 3 * LINE_MAX as u64, true));
        assert_eq!(found[1], (2, b"next".to_vec(), 4, true));
        assert_eq!(found[2], (3, b"last".to_vec(), 4, false));
    }

    #[test]
    fn in_text_a_carriage_return_alone_ends_a_line_too() {
        for pieces in [vec![&b"a\rb\r\nc\n\rd\r"[..]], vec![&b"a\rb\r"[..], b"\nc\n", b"\rd\r"]] {
            let mut lines = Lines::of_text();
            let mut found = Vec::new();
            let mut take = |line: Line<'_>| -> Result<(), ()> {
                found.push((line.number, line.bytes.to_vec(), line.is_ended));
                Ok(())
            };
            for piece in pieces {
                lines.feed(piece, &mut take).unwrap();
            }
            lines.finish(&mut take).unwrap();
            let expected: [(u64, &[u8], bool); 5] =
                [(1, b"a", true), (2, b"b", true), (3, b"c", true), (4, b"", true), (5, b"d", true)];
            assert_eq!(found, expected.map(|(number, line, ended)| (number, line.to_vec(), ended)));
        }
    }

    proptest! {
        #[test]
        fn lines_do_not_depend_on_how_the_bytes_come(
            text in "[ab\r\n]{0,60}",
            cuts in prop::collection::vec(0_usize..60, 0..6),
        ) {
            let bytes = text.as_bytes();
            let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
            cuts.sort_unstable();
            let mut pieces = Vec::new();
            let mut from = 0;
            for cut in cuts {
                pieces.push(&bytes[from..cut]);
                from = cut;
            }
            pieces.push(&bytes[from..]);
            let found: Vec<Vec<u8>> = all(&pieces).into_iter().map(|line| line.1).collect();
            let mut expected: Vec<Vec<u8>> = bytes
                .split(|&byte| byte == b'\n')
                .map(|line| line.strip_suffix(b"\r").unwrap_or(line).to_vec())
                .collect();
            if bytes.is_empty() || bytes.ends_with(b"\n") {
                expected.pop();
            }
            prop_assert_eq!(found, expected);
        }
    }
}
