//! Plans in words: paths, airtime and cells.

pub mod airtime;
pub mod battery;
pub mod path;

use crate::view::term::wrapped;

/// What every plan of a radio ends with.
const ARITHMETIC: &str = "Arithmetic, no measurement: try the radio there. The local regulator decides.";

/// A paragraph whose lines hang by `indent_next`. A number is never parted from its unit.
fn flowing(words: &str, indent_next: usize, columns: usize) -> String {
    let units = [
        " %", " dB", " dBm", " MHz", " m", " km", " s", " ms", " V", " Ah", " µA", " °C", " years", " h",
        " min", " d",
    ];
    let mut text = String::new();
    let mut rest = words;
    while let Some(at) = rest.find(' ') {
        let (before, after) = rest.split_at(at);
        text += before;
        let is_after_digit = before.ends_with(|c: char| c.is_ascii_digit());
        let is_unit = units.iter().any(|unit| {
            after.strip_prefix(unit).is_some_and(|end| !end.starts_with(|c: char| c.is_alphanumeric()))
        });
        text.push(if is_after_digit && is_unit { '\u{a0}' } else { ' ' });
        rest = after.get(1..).unwrap_or_default();
    }
    wrapped(&(text + rest), 0, indent_next, columns)
}
