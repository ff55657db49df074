//! How the status looks, and how it writes times.

use crate::report::days::STRIP_DAYS;
use crate::text::local;
use crate::time::{Days, GatewayTime};

/// Days of the strip if there is little room.
const STRIP_DAYS_NARROW: usize = 14;
/// Below this width there is little room.
const WIDE: usize = 100;
/// Text begins here, after the labels.
pub const INDENT: usize = 9;

/// How the text looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// The width in columns.
    pub width: usize,
    /// Whether block characters can be shown.
    pub unicode: bool,
    /// The whole status instead of the first screen.
    pub all: bool,
}

impl Look {
    /// How many days of the strip have room.
    pub fn strip_days(self) -> usize {
        if self.width < WIDE { STRIP_DAYS_NARROW } else { STRIP_DAYS }
    }
}

/// A time or a length that must stay on one line: its spaces become no-break spaces, which `paragraph` keeps.
pub fn whole(text: &str) -> String {
    text.replace(' ', "\u{a0}")
}

/// A time without its year if the year is clear.
pub fn short_time(at: GatewayTime, now: GatewayTime, offset: i32) -> String {
    let text = local(at, offset);
    let short = if at.since(now).abs() < 180 * Days::LENGTH_S { text.get(5..) } else { text.get(..10) };
    short.unwrap_or(&text).to_owned()
}
