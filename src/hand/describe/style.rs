//! Detects how a file is written, from its first lines.

use super::columns::is_numeric;
use super::forms::forms;
use super::words;
use crate::config::layout::{Delimiter, Encoding, Style, unit};
use crate::hand::layout::{Decoded, Fields, each_line};
use crate::hand::lines::Lines;
use std::collections::BTreeMap;

/// How many lines are used to detect the style.
const HEAD_LINES: usize = 400;
/// The maximum number of columns that are examined.
const COLUMNS_MAX: usize = 200;
/// How many lines above the rows may belong to the header.
const HEADER_LINES: usize = 4;

/// The style, and what comes before the rows.
pub(super) struct Beginning {
    pub(super) style: Style,
    pub(super) columns: Vec<Heading>,
    /// The text before the header, which may show a time zone.
    pub(super) preamble: String,
}

/// What the lines above the rows say about a column; empty where they say nothing.
#[derive(Clone, Default)]
pub(super) struct Heading {
    pub(super) name: String,
    pub(super) more: String,
    pub(super) unit: String,
}

/// A line that has something of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NearRow {
    /// Its number, from 1.
    pub line: usize,
    pub columns: usize,
    /// Whether a column is a time; otherwise one is a number.
    pub has_time: bool,
}

/// Detects the style from the first lines. `is_all`: they are the whole file. The error: the line that is most like a
/// row.
pub(super) fn beginning(head: &[u8], encoding: Encoding, is_all: bool) -> Result<Beginning, Option<NearRow>> {
    let texts = lines(head, encoding, is_all);
    let near = || near_row(&texts);
    let cut = Cut::of(&texts).ok_or_else(near)?;
    let first_row = texts.iter().position(|text| cut.is_row(text)).ok_or_else(near)?;
    let header = cut.header(&texts, first_row);
    let before = header.as_ref().map_or(first_row, |header| header.at);
    let preamble: Vec<String> =
        texts[..before].iter().map(|text| String::from_utf8_lossy(text).into_owned()).collect();
    let style = Style {
        encoding,
        delimiter: cut.delimiter.clone(),
        quote: Some(cut.quote),
        skip_before: before as u32,
        header: header.is_some(),
        skip_after: header.as_ref().map_or(0, |header| (first_row - header.at - 1) as u32),
        row_names: header.as_ref().is_some_and(|header| header.row_names),
        ..Style::default()
    };
    let columns = match header {
        Some(header) => header.columns,
        None => cut.above(&texts, first_row),
    };
    Ok(Beginning { style, columns, preamble: preamble.join("\n") })
}

/// The first line with columns that has a time, or else a number.
fn near_row(texts: &[Vec<u8>]) -> Option<NearRow> {
    let of = |has_time: bool| {
        texts.iter().enumerate().find_map(|(at, text)| {
            [b'\t', b';', b'|', b','].into_iter().find_map(|delimiter| {
                let mut fields = Fields::new(Delimiter::Byte(delimiter), Some(b'"'));
                let columns = fields.cut(text);
                let fits = |cell: &[u8]| if has_time { is_time(cell) } else { is_numeric(cell) };
                let any = (0..columns).any(|at| fits(fields.get(text, at).trim_ascii()));
                (columns > 1 && any).then_some(NearRow { line: at + 1, columns, has_time })
            })
        })
    };
    of(true).or_else(|| of(false))
}

/// The first lines, without a byte order mark.
fn lines(head: &[u8], encoding: Encoding, is_all: bool) -> Vec<Vec<u8>> {
    let mut texts: Vec<Vec<u8>> = Vec::new();
    let (mut decoded, mut lines) = (Decoded::new(encoding), Lines::of_text());
    let _: Result<(), ()> = each_line(&mut decoded, &mut lines, head, is_all, |line| {
        if texts.len() < HEAD_LINES && !line.is_too_long() {
            texts.push(line.bytes.to_vec());
        }
        Ok(())
    });
    if let Some(first) = texts.first_mut()
        && first.starts_with(b"\xEF\xBB\xBF")
    {
        first.drain(..3);
    }
    texts
}

/// How lines are split into cells.
struct Cut {
    width: usize,
    delimiter: Delimiter,
    quote: u8,
}

struct Header {
    /// Its line, from 0.
    at: usize,
    row_names: bool,
    columns: Vec<Heading>,
}

impl Cut {
    /// The way to split for which most lines are rows with the same number of columns.
    fn of(texts: &[Vec<u8>]) -> Option<Self> {
        let mut delimiters = [b'\t', b';', b'|', b','].map(Delimiter::Byte).to_vec();
        delimiters.push(Delimiter::Spaces);
        delimiters.extend(widths(texts).map(Delimiter::Fixed));
        for is_strict in [true, false] {
            let mut found: Vec<(Self, usize)> = Vec::new();
            for delimiter in &delimiters {
                let of = |quote: u8| {
                    let (width, rows) = Self::rows(texts, delimiter, quote, is_strict)?;
                    Some((Self { width, delimiter: delimiter.clone(), quote }, rows))
                };
                let (double, single) = (of(b'"'), of(b'\''));
                let rows = |of: &Option<(Self, usize)>| of.as_ref().map_or(0, |(_, rows)| *rows);
                found.extend(if rows(&single) > rows(&double) { single } else { double });
            }
            let most = found.iter().map(|(_, rows)| *rows).max().unwrap_or(0);
            // Among those that fit nearly all rows: a mark before spaces, since a time may contain spaces; then more columns;
            // then the first of them.
            let merit = |(cut, rows): &(Self, usize)| {
                let is_mark = matches!(cut.delimiter, Delimiter::Byte(_));
                (is_mark && cut.width > 2, cut.width, is_mark, *rows)
            };
            let best = found.into_iter().filter(|(_, rows)| rows * 10 >= most * 9).rev().max_by_key(merit);
            if let Some((cut, _)) = best {
                return Some(cut);
            }
        }
        None
    }

    /// The most frequent number of columns of lines that are rows, and how many those are.
    fn rows(texts: &[Vec<u8>], delimiter: &Delimiter, quote: u8, is_strict: bool) -> Option<(usize, usize)> {
        let mut cut = Self { width: 0, delimiter: delimiter.clone(), quote };
        let mut counts = BTreeMap::<usize, usize>::new();
        for text in texts {
            cut.width = cut.fields().cut(text);
            if (2..=COLUMNS_MAX).contains(&cut.width) && cut.is_row_of(text, is_strict) {
                *counts.entry(cut.width).or_default() += 1;
            }
        }
        counts.into_iter().max_by_key(|&(width, lines)| (lines, width))
    }

    fn fields(&self) -> Fields {
        Fields::new(self.delimiter.clone(), Some(self.quote))
    }

    fn cells(&self, text: &[u8]) -> Vec<String> {
        let mut fields = self.fields();
        let count = fields.cut(text);
        (0..count).map(|at| String::from_utf8_lossy(fields.get(text, at)).trim().to_owned()).collect()
    }

    /// Whether a line is one of the rows.
    fn is_row(&self, text: &[u8]) -> bool {
        self.is_row_of(text, true) || self.is_row_of(text, false)
    }

    /// Whether a line contains a time and a number. Not strict: whether it contains nothing but numbers, as where year,
    /// day and hour have columns of their own.
    fn is_row_of(&self, text: &[u8], is_strict: bool) -> bool {
        let mut fields = self.fields();
        let count = fields.cut(text);
        if count != self.width {
            return false;
        }
        let cells = || (0..count).map(|at| fields.get(text, at).trim_ascii());
        let numbers = cells().filter(|cell| is_numeric(cell)).count();
        if !is_strict {
            return numbers >= 3 && cells().all(|cell| cell.is_empty() || is_numeric(cell));
        }
        let Some(time) = cells().position(is_time) else { return false };
        cells().enumerate().any(|(at, cell)| at != time && has_number(cell))
    }

    /// The line that names the columns, and what the lines around it say.
    fn header(&self, texts: &[Vec<u8>], first_row: usize) -> Option<Header> {
        let trimmed =
            |cells: &[String]| cells.iter().rposition(|cell| !cell.is_empty()).map_or(0, |at| at + 1);
        let row = trimmed(&self.cells(texts.get(first_row)?));
        let mut block: Vec<(usize, Vec<String>)> = Vec::new();
        for at in (0..first_row).rev() {
            let cells = self.cells(&texts[at]);
            if cells.iter().all(String::is_empty) {
                continue;
            }
            let count = trimmed(&cells);
            let is_wide = cells.len() == self.width || count == self.width || (count == row && count > 1);
            if !is_wide || block.len() == HEADER_LINES {
                break;
            }
            block.push((at, cells));
        }
        let mut row_names = false;
        if block.is_empty() && !matches!(self.delimiter, Delimiter::Fixed(_)) && self.width > 2 {
            // Some programs number the rows, and do not name that column.
            let at = first_row.checked_sub(1)?;
            let mut cells = self.cells(&texts[at]);
            if cells.len() + 1 == self.width && cells.iter().all(|cell| !is_numeric(cell.as_bytes())) {
                cells.insert(0, String::new());
                row_names = true;
                block.push((at, cells));
            }
        }
        block.reverse();
        let is_units = |cells: &[String]| cells.iter().all(|cell| is_unit(cell));
        // Words that are known, then different names, then the line nearest to the rows.
        let merit = |(at, cells): &&(usize, Vec<String>)| {
            let known: usize = cells.iter().map(|cell| words::known(cell).min(1)).sum();
            let mut names: Vec<&String> = cells.iter().filter(|cell| !cell.is_empty()).collect();
            names.sort_unstable();
            names.dedup();
            (known, names.len(), *at)
        };
        let (at, names) = block
            .iter()
            .filter(|(_, cells)| !is_units(cells) && !cells.iter().any(|cell| is_time(cell.as_bytes())))
            .max_by_key(merit)?;
        let others: Vec<&Vec<String>> =
            block.iter().filter(|(of, _)| of != at).map(|(_, cells)| cells).collect();
        let heading = |place: usize| {
            let of = |cells: &Vec<String>| cells.get(place).cloned().unwrap_or_default();
            let unit = others
                .iter()
                .map(|cells| of(cells))
                .find(|cell| {
                    let bare = cell.trim_matches(|c| "[]()".contains(c)).trim();
                    words::measured_unit(bare).is_some() || words::is_other_unit(bare)
                })
                .unwrap_or_default();
            let more: Vec<String> =
                others.iter().map(|cells| of(cells)).filter(|cell| *cell != unit).collect();
            Heading { name: of(names), more: more.join(" ").trim().to_owned(), unit }
        };
        Some(Header { at: *at, row_names, columns: (0..self.width).map(heading).collect() })
    }

    /// Where no line has a name for each column: the words above the cells of the first row.
    fn above(&self, texts: &[Vec<u8>], first_row: usize) -> Vec<Heading> {
        let mut columns = vec![Heading::default(); self.width];
        if !matches!(self.delimiter, Delimiter::Spaces | Delimiter::Fixed(_)) {
            return columns;
        }
        let row = String::from_utf8_lossy(&texts[first_row]).into_owned();
        let spans = match &self.delimiter {
            Delimiter::Fixed(widths) => {
                let ends = widths.iter().scan(0, |end, width| {
                    *end += width;
                    Some((*end - width, *end))
                });
                ends.collect()
            }
            _ => words_of(&row),
        };
        for text in texts[first_row.saturating_sub(HEADER_LINES)..first_row].iter() {
            let text = String::from_utf8_lossy(text).into_owned();
            let chars: Vec<char> = text.chars().collect();
            let found = words_of(&text);
            if found.len() < 2 || found.len() > 3 * self.width {
                continue;
            }
            for (from, to) in found {
                let word: String = chars[from..to].iter().collect();
                // How far the word is from each column; 0 if they overlap.
                let apart = |&(start, end): &(usize, usize)| {
                    start.saturating_sub(to - 1) + from.saturating_sub(end - 1)
                };
                let Some(at) = (0..spans.len()).min_by_key(|&at| apart(&spans[at])) else { continue };
                let bare = word.trim_matches(|c| "[]()".contains(c));
                let Some(column) = columns.get_mut(at) else { continue };
                if words::measured_unit(bare).is_some() || words::is_other_unit(bare) {
                    column.unit = bare.to_owned();
                } else {
                    column.name = format!("{} {word}", column.name).trim().to_owned();
                }
            }
        }
        columns
    }
}

/// Start and end of each word of a line, in characters.
fn words_of(text: &str) -> Vec<(usize, usize)> {
    let (mut all, mut from) = (Vec::new(), None);
    for (at, c) in text.chars().chain([' ']).enumerate() {
        match (c.is_whitespace(), from) {
            (false, None) => from = Some(at),
            (true, Some(start)) => {
                all.push((start, at));
                from = None;
            }
            _ => {}
        }
    }
    all
}

/// The widths of columns that are separated by blanks in every line that begins like a row; `None`: there are none.
fn widths(texts: &[Vec<u8>]) -> Option<Vec<usize>> {
    let is_row = |text: &&str| {
        let first = text.split_whitespace().next().unwrap_or_default();
        first.starts_with(|c: char| c.is_ascii_digit()) && text.split_whitespace().count() >= 3
    };
    let rows: Vec<Vec<char>> = texts
        .iter()
        .filter_map(|text| std::str::from_utf8(text).ok())
        .filter(is_row)
        .map(|text| text.chars().collect())
        .collect();
    let len = rows.iter().map(Vec::len).max().filter(|_| rows.len() >= 3)?;
    let is_blank = |at: usize| rows.iter().all(|row| row.get(at).is_none_or(|c| *c == ' '));
    let mut ends: Vec<usize> = (1..len).filter(|&at| is_blank(at) && !is_blank(at - 1)).collect();
    if is_blank(len - 1) || ends.is_empty() {
        return None;
    }
    ends.push(len);
    let starts = std::iter::once(0).chain(ends.iter().copied());
    Some(starts.zip(&ends).map(|(from, to)| to - from).collect())
}

/// The encoding of the characters, from the first bytes.
pub(super) fn encoding(head: &[u8], is_all: bool) -> Encoding {
    if head.starts_with(b"\xFF\xFE") || head.starts_with(b"\xFE\xFF") {
        return Encoding::Utf16;
    }
    // Without a mark, UTF-16 shows in the zeros of plain characters: they are in every other byte.
    let zeros = |from: usize| head.iter().skip(from).step_by(2).filter(|&&byte| byte == 0).count();
    let (high, low) = (zeros(0), zeros(1));
    if head.len() >= 8 && (high + low) * 10 >= head.len() * 4 {
        if low > 20 * high {
            return Encoding::Utf16Le;
        }
        if high > 20 * low {
            return Encoding::Utf16Be;
        }
    }
    match std::str::from_utf8(head) {
        Ok(_) => Encoding::Utf8,
        // The bytes end within a character.
        Err(error) if !is_all && error.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Windows1252,
    }
}

/// Whether a cell is a time, or a number that may be one.
fn is_time(cell: &[u8]) -> bool {
    is_unix(cell) || is_serial(cell) || !forms(cell).is_empty()
}

/// Whether a cell begins with a number.
fn has_number(cell: &[u8]) -> bool {
    let len = cell.iter().take_while(|byte| byte.is_ascii_digit() || b"-+.,' ".contains(byte)).count();
    cell[..len].iter().any(u8::is_ascii_digit)
}

/// Whether a text is the unit of a column.
fn is_unit(cell: &str) -> bool {
    let bare = cell.trim_matches(|c| "[]()".contains(c)).trim();
    bare.is_empty()
        || unit(bare).is_some()
        || words::measured_unit(bare).is_some()
        || words::is_other_unit(bare)
}

/// The digits before the decimal mark, and whether there are decimals.
fn whole(cell: &[u8]) -> Option<(&[u8], bool)> {
    let len = cell.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let rest = &cell[len..];
    let is_decimal = rest.first().is_some_and(|byte| b".,".contains(byte));
    let digits = rest.get(1..).is_none_or(|digits| digits.iter().all(u8::is_ascii_digit));
    (rest.is_empty() || (is_decimal && digits)).then_some((&cell[..len], is_decimal))
}

/// Seconds or milliseconds since 1970 between 2001 and 2106.
fn is_unix(cell: &[u8]) -> bool {
    let Some((digits, _)) = whole(cell) else { return false };
    let seconds = if digits.len() == 13 { &digits[..10] } else { digits };
    seconds.len() == 10 && seconds >= b"1000000000".as_slice() && seconds <= b"4294967295".as_slice()
}

/// A spreadsheet's day number between 2000 and 2100; midnight has no decimals.
fn is_serial(cell: &[u8]) -> bool {
    whole(cell).is_some_and(|(digits, _)| {
        digits.len() == 5 && digits >= b"36526".as_slice() && digits <= b"73051".as_slice()
    })
}
