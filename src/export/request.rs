//! What is asked of an export, and what was written.
//!
//! Values only: `mod.rs` does the work, `describe` puts the summary into a descriptor.

use super::table::Column;
use crate::record::clock;
use crate::report::gaps::Gap;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// How rows lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// A row a reading.
    Wide,
    /// A row a channel's value.
    Long,
}

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// RFC 4180.
    Csv,
    /// One JSON object a line.
    JsonLines,
    #[cfg(feature = "desk")]
    Parquet,
}

impl Format {
    /// Whether it is lines of text.
    pub fn is_text(self) -> bool {
        matches!(self, Self::Csv | Self::JsonLines)
    }

    /// As options and JSON write it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::JsonLines => "jsonl",
            #[cfg(feature = "desk")]
            Self::Parquet => "parquet",
        }
    }
}

/// Whose time a row has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// As the logger recorded it.
    Logger,
    /// Set right by settings, by drift and by reception.
    Corrected,
}

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Request {
    /// Of these loggers; of all if there is none.
    pub loggers: Vec<Address>,
    /// From this time of the chosen clock on, and before the other.
    pub span: Option<(GatewayTime, GatewayTime)>,
    /// How rows lie.
    pub shape: Shape,
    /// How the file is written.
    pub format: Format,
    /// Whose time a row has.
    pub clock: Clock,
    /// Seconds that times in text are ahead of UTC.
    pub offset_s: i32,
    /// Whether gaps get rows of their own.
    pub gaps: bool,
    /// Whether text that a spreadsheet would run as a formula is left in CSV as it is.
    pub leave_formulas: bool,
    /// As it stood then.
    pub as_of: Option<GatewayTime>,
    pub now: GatewayTime,
}

impl Request {
    pub(super) fn possible(&self) -> (LoggerTime, LoggerTime) {
        clock::possible(self.now)
    }

    pub(super) fn takes(&self, time: GatewayTime) -> bool {
        self.span.is_none_or(|(from, to)| (from..to).contains(&time))
    }

    /// The time of the chosen clock; the logger's is given out as if it were right.
    pub(super) fn time(&self, recorded: LoggerTime, made: GatewayTime) -> GatewayTime {
        match self.clock {
            Clock::Logger => clock::as_if_right(recorded),
            Clock::Corrected => made,
        }
    }
}

/// What was written of a logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OfLogger {
    /// Its name on the roster.
    pub name: String,
    pub readings: u64,
    /// Channels: name on the roster, and raw unit last in force.
    pub channels: Vec<(String, Option<RawUnit>)>,
}

/// What was written.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Rows of the file, without a header.
    pub rows: u64,
    pub readings: u64,
    /// Missing records that rows of gaps stand for.
    pub missing: u64,
    pub loggers: BTreeMap<u16, OfLogger>,
    /// The first and the last time of the chosen clock.
    pub times: Option<(GatewayTime, GatewayTime)>,
    /// Readings with an impossible recorded time, in the file.
    pub impossible: u64,
    /// The same, left out since their time is not in the span.
    pub impossible_left_out: u64,
    /// Readings whose time was corrected.
    pub corrected: u64,
    pub fault_codes: BTreeSet<i32>,
    pub columns: Vec<Column>,
    /// The gaps of these loggers in the span.
    pub gaps: Vec<Gap>,
    /// Sequences given up to a backup: (logger, epoch, first, last).
    pub given_up: Vec<(u16, u32, u32, u32)>,
}
