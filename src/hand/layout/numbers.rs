//! Converts numbers of a file to counts, exactly or not at all. Uses digits only, no floating point: 0.1 is 0.1.

use super::row::{NoRow, not_a_row};
use crate::config::layout::{Grid, Place, Style};
use crate::hand::csv::shown;
use std::borrow::Cow;

/// A whole number in the range of an epoch or sequence.
pub(super) fn whole(cell: &[u8], place: &Place) -> Result<u32, NoRow> {
    let mut rest = cell;
    let mut value = 0_u64;
    while let Some((digit, left)) = rest.split_first().filter(|(byte, _)| byte.is_ascii_digit()) {
        value = value.saturating_mul(10).saturating_add(u64::from(digit - b'0'));
        rest = left;
    }
    u32::try_from(value).ok().filter(|_| rest.is_empty() && !cell.is_empty()).ok_or_else(|| {
        not_a_row(format!("column {place}: {} is not a whole number from 0 to 4294967295", shown(cell)))
    })
}

/// A minus sign as typesetters write it.
const MINUS: &[u8] = "−".as_bytes();
/// What may separate groups of thousands where a layout says so: spaces also as those that do not break lines.
const SPACES: [&[u8]; 4] = [b" ", "\u{a0}".as_bytes(), "\u{202f}".as_bytes(), "\u{2009}".as_bytes()];
const APOSTROPHES: [&[u8]; 2] = [b"'", "’".as_bytes()];

/// The length of a mark between thousands that a text begins with; 0 if there is none.
fn mark_len(text: &[u8], mark: u8) -> usize {
    let of = |all: &[&[u8]]| all.iter().find(|of| text.starts_with(of)).map_or(0, |of| of.len());
    match mark {
        b' ' => of(&SPACES),
        b'\'' => of(&APOSTROPHES),
        other => usize::from(text.first() == Some(&other)),
    }
}

/// A number without its marks between thousands. Groups after the first have three digits each; otherwise the number is
/// returned as it is, and the mark is a mistake in it.
pub(crate) fn plain(cell: &[u8], decimal_mark: u8, thousands_mark: Option<u8>) -> Cow<'_, [u8]> {
    let Some(mark) = thousands_mark else { return Cow::Borrowed(cell) };
    let whole = cell.iter().position(|&byte| byte == decimal_mark).unwrap_or(cell.len());
    let digits_from = cell.iter().position(u8::is_ascii_digit).unwrap_or(0).min(whole);
    let mut text = cell[..digits_from].to_vec();
    let (mut at, mut group, mut groups) = (digits_from, 0, 0);
    while at < whole {
        let len = mark_len(&cell[at..whole], mark);
        if len > 0 {
            if !(1..=3).contains(&group) || (groups > 0 && group != 3) {
                return Cow::Borrowed(cell);
            }
            (at, group, groups) = (at + len, 0, groups + 1);
        } else {
            text.push(cell[at]);
            (at, group) = (at + 1, group + 1);
        }
    }
    if groups == 0 || group != 3 {
        return Cow::Borrowed(cell);
    }
    text.extend_from_slice(&cell[whole..]);
    Cow::Owned(text)
}

/// A number in the style of its file as counts. `suffix`: the text that each number of the column ends with.
pub(super) fn counts_of(
    cell: &[u8],
    grid: &Grid,
    style: &Style,
    suffix: Option<&str>,
) -> Result<i64, String> {
    let cell = match suffix {
        None => cell,
        Some(suffix) => match cell.strip_suffix(suffix.as_bytes()) {
            Some(number) => number.trim_ascii_end(),
            None => return Err(format!("does not end with {suffix:?}, the suffix that the layout gives")),
        },
    };
    // A space that does not break lines may be between the number and its suffix.
    let cell = SPACES[1..].iter().find_map(|space| cell.strip_suffix(*space)).unwrap_or(cell);
    on_grid(&plain(cell, style.decimal_mark, style.thousands_mark), grid, style.decimal_mark)
}

/// A number of the file as counts. Uses digits only, no floating point: 0.1 is 0.1.
fn on_grid(cell: &[u8], grid: &Grid, decimal_mark: u8) -> Result<i64, String> {
    let (negative, digits) = match (cell.split_first(), cell.strip_prefix(MINUS)) {
        (_, Some(rest)) => (true, rest),
        (Some((b'-', rest)), None) => (true, rest),
        (Some((b'+', rest)), None) => (false, rest),
        _ => (false, cell),
    };
    let mut value = 0_i64;
    let mut places = None;
    let mut any = false;
    for &byte in digits {
        match byte {
            b'0'..=b'9' => {
                any = true;
                if places == Some(grid.places) {
                    // Beyond the last place that matters, only zeros are allowed.
                    if byte != b'0' {
                        return Err(finer(grid));
                    }
                    continue;
                }
                value = value
                    .checked_mul(10)
                    .and_then(|value| value.checked_add(i64::from(byte - b'0')))
                    .ok_or("has too many digits")?;
                places = places.map(|places| places + 1);
            }
            _ if byte == decimal_mark && places.is_none() => places = Some(0),
            b'e' | b'E' if any => {
                return Err(
                    "has an exponent: a spreadsheet has saved this file, and digits are lost; copy the file \
                     from the reader again"
                        .to_owned(),
                );
            }
            b',' | b'.' | b'\'' | b' ' | 0xa0 | 0xc2 | 0xe2 if any => {
                return Err(
                    "has a mark that is not the decimal mark: digits are grouped (write `thousands_mark`), or \
                     `decimal_mark` is wrong"
                        .to_owned(),
                );
            }
            _ => return Err(no_number(cell)),
        }
    }
    if !any {
        return Err(no_number(cell));
    }
    for _ in places.unwrap_or(0)..grid.places {
        value = value.checked_mul(10).ok_or("has too many digits")?;
    }
    if value % grid.multiple != 0 {
        return Err(finer(grid));
    }
    let counts = (value / grid.multiple).checked_mul(grid.counts.into()).ok_or("has too many digits")?;
    Ok(if negative { -counts } else { counts })
}

fn no_number(cell: &[u8]) -> String {
    if cell.is_empty() {
        "is empty".to_owned()
    } else {
        "is neither a number nor a fault marker nor a `missing` text of the layout".to_owned()
    }
}

fn finer(grid: &Grid) -> String {
    let places = usize::from(grid.places);
    let step = if places == 0 {
        grid.multiple.to_string()
    } else {
        let digits = format!("{:0>width$}", grid.multiple, width = places + 1);
        format!("{}.{}", &digits[..digits.len() - places], &digits[digits.len() - places..])
    };
    format!("is not a multiple of {step}, the resolution that the layout gives for the column")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn groups_of_thousands_are_read_only_if_they_are_groups() {
        let grid = Grid { places: 1, multiple: 1, counts: 1 };
        let read = |cell: &str, decimal_mark: u8, mark: u8| {
            let style = Style { decimal_mark, thousands_mark: Some(mark), ..Style::default() };
            counts_of(cell.as_bytes(), &grid, &style, None).ok()
        };
        assert_eq!(read("1,234,567.5", b'.', b','), Some(12_345_675));
        assert_eq!(read("-1.234,5", b',', b'.'), Some(-12_345));
        assert_eq!(read("1\u{202f}234,5", b',', b' '), Some(12_345));
        assert_eq!(read("1’234.5", b'.', b'\''), Some(12_345));
        assert_eq!(read("1234.5", b'.', b','), Some(12_345), "small numbers have no marks");
        for wrong in ["1,23.4", "1234,567.1", ",123.4", "12,3456.7", "1,234,.5", "1.234,5"] {
            assert_eq!(read(wrong, b'.', b','), None, "{wrong}");
        }
    }

    proptest! {
        #[test]
        fn a_number_comes_out_exactly_or_not_at_all(
            steps in -2_000_000_i64..2_000_000,
            places in 0_u8..5,
            multiple in prop_oneof![Just(1_i64), Just(2), Just(5), Just(25)],
            counts in 1_u32..1000,
            off in 1_i64..25,
        ) {
            // The text is made by integer division, without the code that reads it.
            let write = |value: i64| {
                let unit = 10_i64.pow(places.into());
                let sign = if value < 0 { "-" } else { "" };
                let (whole, rest) = (value.abs() / unit, value.abs() % unit);
                if places == 0 {
                    format!("{sign}{whole}")
                } else {
                    format!("{sign}{whole},{rest:0width$}", width = places.into())
                }
            };
            let grid = Grid { places, multiple, counts };
            let text = write(steps * multiple);
            prop_assert_eq!(on_grid(text.as_bytes(), &grid, b','), Ok(steps * i64::from(counts)));
            let between = write(steps * multiple + off % multiple);
            prop_assert_eq!(on_grid(between.as_bytes(), &grid, b',').is_ok(), off % multiple == 0);
        }
    }
}
