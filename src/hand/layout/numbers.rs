//! Converts numbers of a file to counts, exactly or not at all. Uses digits only, no floating point: 0.1 is 0.1.

use super::row::{NoRow, not_a_row};
use crate::config::layout::{Grid, Place};
use crate::hand::csv::shown;

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

/// A number of the file as counts. Uses digits only, no floating point: 0.1 is 0.1.
pub(super) fn on_grid(cell: &[u8], grid: &Grid, decimal_mark: u8) -> Result<i64, String> {
    let (negative, digits) = match cell.split_first() {
        Some((b'-', rest)) => (true, rest),
        Some((b'+', rest)) => (false, rest),
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
            b',' | b'.' | b'\'' | b' ' | 0xa0 | 0xc2 if any => {
                return Err(
                    "has a mark that is not the decimal mark: digits are grouped, or `decimal_mark` is \
                            wrong"
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
        "is empty; an empty cell is neither a value nor a fault".to_owned()
    } else {
        "is neither a number nor a fault marker of the layout".to_owned()
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
