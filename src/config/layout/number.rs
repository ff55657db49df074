//! Converts the numbers of a file to raw counts, in whole numbers only.

use super::values::Grid;
use crate::config::read::{Field, Table};
use crate::wire::record::RawUnit;

/// The most decimal places of a resolution.
const PLACES_MAX: usize = 9;
/// The most digits before the point: one of the largest units has 10 (1 A is 1,000,000,000 nanoamperes).
const WHOLE_MAX: usize = 12;
/// What is wrong with a number that is none of these.
const NO_NUMBER: &str =
    "is not a positive number of at most twelve digits before its point, and nine after it";

pub(super) const SCALE: Field =
    Field::optional("scale", "how many raw counts one of the file's number is, as 1000 or \"1000/3\"");
pub(super) const RESOLUTION: Field = Field::required(
    "resolution",
    "the step from one number that the column can show to the next, as in \"0.1\"",
);

/// What an instrument measures, as files name it: the name, its raw unit, and the number of counts in one.
pub(super) const UNITS: [(&str, Option<RawUnit>, &str); 22] = [
    ("count", None, "1"),
    ("Hz", Some(RawUnit::MilliHertz), "1000"),
    ("mHz", Some(RawUnit::MilliHertz), "1"),
    ("kHz", Some(RawUnit::MilliHertz), "1000000"),
    ("ohm", Some(RawUnit::MilliOhm), "1000"),
    ("mohm", Some(RawUnit::MilliOhm), "1"),
    ("kohm", Some(RawUnit::MilliOhm), "1000000"),
    ("V/V", Some(RawUnit::NanoRatio), "1000000000"),
    ("mV/V", Some(RawUnit::NanoRatio), "1000000"),
    ("uV/V", Some(RawUnit::NanoRatio), "1000"),
    ("A", Some(RawUnit::NanoAmp), "1000000000"),
    ("mA", Some(RawUnit::NanoAmp), "1000000"),
    ("uA", Some(RawUnit::NanoAmp), "1000"),
    ("nA", Some(RawUnit::NanoAmp), "1"),
    ("V", Some(RawUnit::TenNanoVolt), "100000000"),
    ("mV", Some(RawUnit::TenNanoVolt), "100000"),
    ("uV", Some(RawUnit::TenNanoVolt), "100"),
    ("sine", Some(RawUnit::NanoSine), "1000000000"),
    ("pulse", Some(RawUnit::Pulse), "1"),
    ("pulses", Some(RawUnit::Pulse), "1"),
    ("digit", None, "1"),
    ("counts", None, "1"),
];

/// The raw unit of a unit that a layout may name, and how many counts one is; `None` if no instrument measures it.
pub fn unit(name: &str) -> Option<(Option<RawUnit>, &'static str)> {
    UNITS.iter().find(|unit| unit.0 == name).map(|unit| (unit.1, unit.2))
}

/// A number without loss of digits: `number / over`, where `over` is positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Ratio {
    number: i128,
    over: i128,
}

impl Ratio {
    /// A positive decimal number with at most twelve digits before its point, and nine after it.
    fn decimal(text: &str) -> Option<Self> {
        let (before, after) = text.split_once('.').unwrap_or((text, ""));
        let digits =
            |part: &str, most: usize| part.len() <= most && part.bytes().all(|byte| byte.is_ascii_digit());
        if before.is_empty() || !digits(before, WHOLE_MAX) || !digits(after, PLACES_MAX) {
            return None;
        }
        let number = format!("{before}{after}").parse().ok()?;
        (number > 0).then_some(Self { number, over: 10_i128.pow(after.len() as u32) })
    }

    /// A decimal number, or two with `/` between them.
    fn parse(text: &str) -> Option<Self> {
        match text.split_once('/') {
            None => Self::decimal(text),
            Some((above, below)) => {
                let (above, below) = (Self::decimal(above.trim())?, Self::decimal(below.trim())?);
                above.times(Self { number: below.over, over: below.number })
            }
        }
    }

    /// `None`: more digits than can be multiplied.
    fn times(self, other: Self) -> Option<Self> {
        let number = self.number.checked_mul(other.number)?;
        Some(Self { number, over: self.over.checked_mul(other.over)? })
    }

    fn equals(self, other: Self) -> bool {
        let (one, two) = (self.number.checked_mul(other.over), other.number.checked_mul(self.over));
        one.is_some() && one == two
    }
}

/// How the numbers of a column become counts. `usual`: the counts in one, unless the layout says otherwise.
pub(super) fn grid(table: &Table<'_, '_>, usual: &str, counts: &str, in_hundredths: bool) -> Option<Grid> {
    let usual = Ratio::parse(usual)?;
    let scale = if table.has(&SCALE) {
        let text = table.decimal(&SCALE)?.value;
        let Some(scale) = Ratio::parse(&text) else {
            table.note_value(&SCALE, &text, NO_NUMBER);
            return None;
        };
        // The unit of a channel fixes what one is; only a bare count leaves it open.
        if !usual.equals(scale) && usual.number != usual.over {
            table.note(&SCALE, &format!(
                "{text} raw counts are not what `unit` says: there one is {}; leave `scale` out, or name the right unit",
                usual.number / usual.over
            ));
            return None;
        }
        scale
    } else {
        usual
    };
    let text = table.decimal(&RESOLUTION)?.value;
    let Some(resolution) = Ratio::decimal(&text) else {
        table.note_value(&RESOLUTION, &text, NO_NUMBER);
        return None;
    };
    let hundredths = Ratio { number: if in_hundredths { 100 } else { 1 }, over: 1 };
    let step = resolution.times(scale).and_then(|step| step.times(hundredths));
    let whole = step.filter(|step| step.number % step.over == 0);
    let whole = whole.and_then(|step| u32::try_from(step.number / step.over).ok()).filter(|&whole| whole > 0);
    let Some(whole) = whole else {
        table.note(&RESOLUTION, &format!(
            "a step of {text} is not a whole number of {counts}; write the step that one of them makes, or a multiple"
        ));
        return None;
    };
    // Trailing zeros of a resolution mean nothing: "0.10" is a step of 0.1.
    let (mut multiple, mut over) = (resolution.number, resolution.over);
    while over > 1 && multiple % 10 == 0 {
        (multiple, over) = (multiple / 10, over / 10);
    }
    Some(Grid { places: over.ilog10() as u8, multiple: i64::try_from(multiple).ok()?, counts: whole })
}
