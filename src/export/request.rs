//! What is requested of an export, and what was written.
//!
//! Values only: `mod.rs` exports, and `describe` puts the summary into a descriptor.

use super::table::Column;
use crate::record::clock;
use crate::report::gaps::Gap;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// The arrangement of rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// One row for each reading.
    Wide,
    /// One row for each value of a channel.
    Long,
}

/// The format of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// RFC 4180.
    Csv,
    /// One JSON object for each line.
    JsonLines,
    #[cfg(feature = "desk")]
    Parquet,
}

impl Format {
    /// Whether the format is lines of text.
    pub fn is_text(self) -> bool {
        matches!(self, Self::Csv | Self::JsonLines)
    }

    /// Its name in options and JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::JsonLines => "jsonl",
            #[cfg(feature = "desk")]
            Self::Parquet => "parquet",
        }
    }
}

/// Which clock a row's time comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// As the logger recorded it.
    Logger,
    /// Corrected by settings, by drift and by reception.
    Corrected,
}

/// What is requested.
#[derive(Clone, Debug)]
pub struct Request {
    /// Only these loggers; all loggers if empty.
    pub loggers: Vec<Address>,
    /// A span of the chosen clock, end exclusive.
    pub span: Option<(GatewayTime, GatewayTime)>,
    /// The arrangement of rows.
    pub shape: Shape,
    /// The format of the file.
    pub format: Format,
    /// Which clock a row's time comes from.
    pub clock: Clock,
    /// The offset of times in text, in seconds ahead of UTC.
    pub offset_s: i32,
    /// Whether gaps get rows of their own.
    pub gaps: bool,
    /// Whether CSV keeps text that a spreadsheet would run as a formula unchanged.
    pub leave_formulas: bool,
    /// Only what was held at this time.
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

    /// The time of the chosen clock; the logger's time is used as if it were right.
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
    /// Channels: name on the roster, and the raw unit that was in force last.
    pub channels: Vec<(String, Option<RawUnit>)>,
}

/// What was written.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Rows of the file, without a header.
    pub rows: u64,
    pub readings: u64,
    /// Number of missing records that the rows of gaps represent.
    pub missing: u64,
    pub loggers: BTreeMap<u16, OfLogger>,
    /// The first and the last time of the chosen clock.
    pub times: Option<(GatewayTime, GatewayTime)>,
    /// Readings with an impossible recorded time, in the file.
    pub impossible: u64,
    /// The same, left out because their time is not in the span.
    pub impossible_left_out: u64,
    /// Readings whose time was corrected.
    pub corrected: u64,
    pub fault_codes: BTreeSet<i32>,
    pub columns: Vec<Column>,
    /// The gaps of these loggers in the span.
    pub gaps: Vec<Gap>,
    /// Sequences moved to a backup by retention: (logger, epoch, first, last).
    pub given_up: Vec<(u16, u32, u32, u32)>,
}
