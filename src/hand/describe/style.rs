//! Detects how a file is written, from its first lines.

use crate::config::layout::{Encoding, Format, Style, unit};
use crate::hand::layout::{Decoded, Fields, Moment, each_line};
use crate::hand::lines::Lines;
use crate::when::civil::CivilTime;
use std::collections::BTreeMap;

/// How many lines are used to detect the style.
const HEAD_LINES: usize = 400;
/// The maximum number of columns that are examined.
const COLUMNS_MAX: usize = 200;

/// The style, and what comes before the rows.
pub(super) struct Beginning {
    pub(super) style: Style,
    /// Name and unit of each column; empty where the file has none.
    pub(super) columns: Vec<(String, String)>,
    /// The text before the header, which may show a time zone.
    pub(super) preamble: String,
}

/// Detects the style from the first lines. `is_all`: they are the whole file.
pub(super) fn beginning(head: &[u8], encoding: Encoding, is_all: bool) -> Option<Beginning> {
    let texts = lines(head, encoding, is_all);
    let cut = Cut::of(&texts)?;
    let formats = candidates();
    let first_row = texts.iter().position(|text| cut.is_row(text, &formats))?;
    let header = (0..first_row).rev().find(|&at| {
        let found = cut.cells(&texts[at]);
        found.len() == cut.width && !found.iter().all(|cell| is_unit(cell))
    });
    let names = header.map_or(Vec::new(), |at| cut.cells(&texts[at]));
    let units = match header {
        Some(at) if at + 1 < first_row => (at + 1..first_row)
            .map(|at| cut.cells(&texts[at]))
            .find(|found| found.len() == cut.width)
            .unwrap_or_default(),
        _ => Vec::new(),
    };
    let of = |all: &[String], at: usize| all.get(at).cloned().unwrap_or_default();
    let preamble = texts[..header.unwrap_or(first_row)]
        .iter()
        .map(|text| String::from_utf8_lossy(text).into_owned())
        .collect::<Vec<_>>()
        .join("\n");
    let style = Style {
        encoding,
        delimiter: cut.delimiter,
        decimal_mark: b'.',
        quote: Some(b'"'),
        skip_before: header.unwrap_or(first_row) as u32,
        header: header.is_some(),
        skip_after: header.map_or(0, |at| (first_row - at - 1) as u32),
    };
    let columns = (0..cut.width).map(|at| (of(&names, at), of(&units, at))).collect();
    Some(Beginning { style, columns, preamble })
}

/// The first lines, without a byte order mark.
fn lines(head: &[u8], encoding: Encoding, is_all: bool) -> Vec<Vec<u8>> {
    let mut texts: Vec<Vec<u8>> = Vec::new();
    let (mut decoded, mut lines) = (Decoded::new(encoding), Lines::default());
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
    delimiter: u8,
}

impl Cut {
    /// The delimiter for which most lines have the same number of columns.
    fn of(texts: &[Vec<u8>]) -> Option<Self> {
        let mut best: Option<(Self, usize)> = None;
        for delimiter in [b'\t', b';', b'|', b','] {
            let mut fields = Fields::new(delimiter, Some(b'"'));
            let mut counts = BTreeMap::<usize, usize>::new();
            for text in texts {
                let count = fields.cut(text);
                if (2..=COLUMNS_MAX).contains(&count) {
                    *counts.entry(count).or_default() += 1;
                }
            }
            let most = counts.into_iter().max_by_key(|&(width, lines)| (lines, width));
            if let Some((width, lines)) =
                most.filter(|(_, lines)| best.as_ref().is_none_or(|best| *lines > best.1))
            {
                best = Some((Self { width, delimiter }, lines));
            }
        }
        best.map(|(cut, _)| cut)
    }

    fn cells(&self, text: &[u8]) -> Vec<String> {
        let mut fields = Fields::new(self.delimiter, Some(b'"'));
        let count = fields.cut(text);
        (0..count).map(|at| String::from_utf8_lossy(fields.get(text, at)).trim().to_owned()).collect()
    }

    /// Whether a line contains a time and a number.
    fn is_row(&self, text: &[u8], formats: &[Format]) -> bool {
        let mut fields = Fields::new(self.delimiter, Some(b'"'));
        let count = fields.cut(text);
        let cells: Vec<&[u8]> = (0..count).map(|at| fields.get(text, at).trim_ascii()).collect();
        let is_time =
            |cell: &[u8]| formats.iter().any(|format| reads(format, cell).is_some()) || is_unix(cell);
        count == self.width && cells.iter().copied().any(is_time) && cells.iter().any(|cell| is_numeric(cell))
    }
}

/// The encoding of the characters, from the first bytes.
pub(super) fn encoding(head: &[u8], is_all: bool) -> Encoding {
    if head.starts_with(b"\xFF\xFE") || head.starts_with(b"\xFE\xFF") {
        return Encoding::Utf16;
    }
    match std::str::from_utf8(head) {
        Ok(_) => Encoding::Utf8,
        // The bytes end within a character.
        Err(error) if !is_all && error.error_len().is_none() => Encoding::Utf8,
        Err(_) => Encoding::Windows1252,
    }
}

/// All known ways to write a time.
pub(super) fn candidates() -> Vec<Format> {
    let mut days = Vec::new();
    for mark in ["-", "/", "."] {
        for order in [
            ["%Y", "%m", "%d"],
            ["%d", "%m", "%Y"],
            ["%m", "%d", "%Y"],
            ["%d", "%m", "%y"],
            ["%m", "%d", "%y"],
            ["%y", "%m", "%d"],
        ] {
            days.push(order.join(mark));
        }
    }
    days.extend(["%d-%b-%Y", "%d %b %Y", "%b %d %Y", "%d-%b-%y", "%Y%m%d"].map(str::to_owned));
    let clocks = [
        "%H:%M:%S",
        "%H:%M",
        "%I:%M:%S %p",
        "%I:%M %p",
        "%H:%M:%S.%f",
        "%H:%M:%S%z",
        "%H:%M%z",
        "%H.%M.%S",
        "%H.%M",
    ];
    let mut all: Vec<String> = Vec::new();
    for day in &days {
        for clock in clocks {
            for between in [" ", "T"] {
                all.push(format!("{day}{between}{clock}"));
            }
        }
    }
    all.extend(days);
    all.extend(clocks.map(str::to_owned));
    all.iter().filter_map(|text| Format::parse(text).ok()).collect()
}

/// The local time of a cell, and whether its seconds are not 0.
pub(super) fn reads(format: &Format, cell: &[u8]) -> Option<(CivilTime, bool)> {
    let mut moment = Moment::default();
    moment.read(format, cell)?;
    let local = moment.local()?;
    Some((local, local.as_utc_s() % 60 != 0))
}

/// Whether a cell is a number, with any marks.
pub(super) fn is_numeric(cell: &[u8]) -> bool {
    let digits = cell.strip_prefix(b"-").or_else(|| cell.strip_prefix(b"+")).unwrap_or(cell);
    digits.first().is_some_and(|byte| byte.is_ascii_digit() || b".,".contains(byte))
        && digits.iter().any(u8::is_ascii_digit)
        && digits.iter().all(|byte| byte.is_ascii_digit() || b".,eE+-".contains(byte))
}

/// Whether a text is the unit of a column.
fn is_unit(cell: &str) -> bool {
    let bare = cell.trim_matches(|c| "[]()".contains(c)).trim();
    const OTHERS: [&str; 22] = [
        "°C", "degC", "C", "°F", "kPa", "Pa", "MPa", "bar", "mbar", "hPa", "psi", "m", "mm", "cm", "mH2O",
        "%", "kN", "deg", "°", "s", "-", "UTC",
    ];
    bare.is_empty()
        || unit(bare).is_some()
        || OTHERS.contains(&bare)
        || bare.to_ascii_lowercase().contains("yy")
        || bare.to_ascii_lowercase().contains("hh:mm")
}

/// Seconds since 1970 between 2001 and 2106.
pub(super) fn is_unix(cell: &[u8]) -> bool {
    cell.len() == 10
        && cell.iter().all(u8::is_ascii_digit)
        && cell >= b"1000000000".as_slice()
        && cell <= b"4294967295".as_slice()
}
