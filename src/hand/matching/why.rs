//! Why a stretch is not matched, and the words for it.

use std::fmt;

/// Why a stretch is not matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// No row next to it agrees with a held reading.
    NoAnchor,
    /// No reading is held on one of its sides.
    NoNeighbour,
    /// The held readings next to it are of two epochs.
    TwoEpochs,
    /// The file has no row for a reading that is held in between.
    HeldBetween {
        sequence: u32,
    },
    /// Something is held in between that cannot be read or compared.
    Unreadable {
        sequence: u32,
    },
    /// The file ends or begins with it, and nothing held shows that no hour was left out in it.
    OpenEnd,
    /// A sequence in between is neither held nor expected.
    NotExpected {
        sequence: u32,
    },
    /// Everything between the held readings next to it is held.
    NothingMissing,
    /// There are more or fewer rows than sequences.
    Count {
        rows: u64,
        /// Missing sequences.
        sequences: u64,
    },
    NoInterval,
    /// The clock or the interval changed twice, and records in between are missing.
    TwoChanges,
    /// The time between the readings next to it is not that of this many intervals.
    Span {
        intervals: u64,
        interval_s: u32,
        /// Seconds between the two.
        seconds: i64,
    },
    /// A row's time is too far from that of its sequence.
    OffTime {
        line: u64,
        off_s: i64,
        /// Seconds allowed: a quarter of the interval.
        most_s: i64,
    },
    /// Lines of the logger were refused within it or next to it.
    AfterRefused,
    /// A row could be one of several held readings.
    Several {
        line: u64,
    },
    /// The rows next to it are all alike: they do not distinguish one time from another.
    StandsStill,
    /// The rows next to it agree with held readings at another time as well, or, a day off, may do so.
    OtherTime {
        /// How many seconds later; negative: earlier; 0: before or after the clock was set, or in another epoch.
        seconds: i64,
    },
    /// Too many comparisons would be needed.
    TooMuch,
    /// Rows nearby disagree with held readings.
    DisagreeNear,
    /// A row has the time of a held reading, and disagrees with it.
    Disagrees {
        line: u64,
        epoch: u32,
        sequence: u32,
    },
    /// Two rows have the same time and different values.
    Doubled {
        /// The later row's line.
        line: u64,
    },
    /// The file's times are too coarse for the interval.
    TooCoarse {
        /// The step in which the file shows times, in seconds.
        step_s: u32,
        /// Seconds between readings.
        interval_s: u32,
    },
    /// The rows next to it are not in the order of their sequences.
    OutOfOrder,
    /// Another stretch of the file fits the same sequences.
    Twice,
}

impl Why {
    /// Whether the rows themselves are wrong.
    pub(super) fn is_refusal(self) -> bool {
        matches!(self, Self::Disagrees { .. } | Self::Doubled { .. } | Self::OutOfOrder | Self::Twice)
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoAnchor => f.write_str("no row next to them agrees with a held reading"),
            Self::NoNeighbour => f.write_str("no reading is held on one side of them"),
            Self::TwoEpochs => f.write_str("an epoch ends between the held readings next to them"),
            Self::HeldBetween { sequence } => {
                write!(f, "sequence {sequence} is held in between, and no row agrees with it")
            }
            Self::Unreadable { sequence } => {
                write!(f, "sequence {sequence} is held in between, and cannot be compared")
            }
            Self::OpenEnd => f.write_str(
                "the file begins or ends with them, and what is held does not show whether an hour was left out",
            ),
            Self::NotExpected { sequence } => write!(f, "sequence {sequence} is not expected of this logger"),
            Self::NothingMissing => f.write_str("no record is missing between the held readings next to them"),
            Self::Count { rows, sequences } => write!(
                f,
                "{rows} rows for {sequences} missing records, which may include profiles and events"
            ),
            Self::NoInterval => f.write_str("the logger promises no interval at that time"),
            Self::TwoChanges => {
                f.write_str("the clock or the interval changed twice, and records in between are missing")
            }
            Self::Span { intervals, interval_s, seconds } => write!(
                f,
                "the held readings next to them are {seconds} s apart, which is not {intervals} intervals of \
                 {interval_s} s"
            ),
            Self::OffTime { line, off_s, most_s } => {
                write!(f, "line {line} is {off_s} s off the time of its record; at most {most_s} s are allowed")
            }
            Self::AfterRefused => f.write_str("lines within them or next to them were refused"),
            Self::Several { line } => write!(f, "line {line} agrees with several held readings"),
            Self::StandsStill => {
                f.write_str("the rows next to them are too few or too much alike to distinguish one time from another")
            }
            Self::OtherTime { seconds: 0 } => f.write_str(
                "the rows next to them agree with held readings of another setting of the clock as well",
            ),
            Self::OtherTime { seconds } => {
                let (minutes, way) = (seconds.unsigned_abs() / 60, if *seconds > 0 { "later" } else { "earlier" });
                write!(f, "the rows next to them agree with held readings {minutes} min {way} as well")
            }
            Self::TooMuch => f.write_str("the file needs too many comparisons; split it in two"),
            Self::DisagreeNear => f.write_str("rows nearby disagree with held readings"),
            Self::Disagrees { line, epoch, sequence } => {
                write!(f, "line {line} disagrees with the reading held as epoch {epoch}, sequence {sequence}")
            }
            Self::Doubled { line } => {
                write!(f, "line {line} has the time of the row before it, and other values")
            }
            Self::TooCoarse { step_s, interval_s } => write!(
                f,
                "rows have the same time: the file shows times in steps of {step_s} s, and a reading is made every \
                 {interval_s} s"
            ),
            Self::OutOfOrder => f.write_str("the rows next to them are not in the order of their records"),
            Self::Twice => f.write_str("other rows of the file fit the same records"),
        }
    }
}
