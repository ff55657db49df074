//! Spans without readings, and what is missing there.

use crate::report::gaps::{Gap, GapState, Silence, UnclosedGap};
use crate::time::GatewayTime;

/// Why there are no readings in a span.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// This many records are missing, and can still be fetched.
    Records(u64),
    /// This many records are missing and written off.
    WrittenOff(u64),
    /// The epoch is over and its last record is not known; about this many readings.
    EndUnknown(Option<u64>),
    /// The logger has not been heard since.
    Silent,
}

/// A span without readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// Time of the first missing record, estimated.
    pub from: GatewayTime,
    /// Time of the last.
    pub to: GatewayTime,
    pub missing: Missing,
    /// How many of the records are readings, where that is known.
    pub readings: Option<u64>,
    /// It is a part of a longer span, and its number is in proportion to its length.
    pub is_part: bool,
}

impl Band {
    /// For a gap; `None` if its time is not known.
    pub fn of_gap(gap: &Gap) -> Option<Self> {
        let records = gap.records();
        let missing = match gap.state {
            GapState::Open => Missing::Records(records),
            GapState::WrittenOff => Missing::WrittenOff(records),
        };
        let (from, to) = gap.from.zip(gap.to)?;
        Some(Self { from: from.min(to), to: to.max(from), missing, readings: gap.readings, is_part: false })
    }

    /// For an epoch whose end is not known.
    pub fn of_unclosed(open: &UnclosedGap) -> Option<Self> {
        let (from, to) = open.from.zip(open.to).filter(|(from, to)| from < to)?;
        let readings = open.presumed_readings;
        if readings == Some(0) {
            return None;
        }
        Some(Self { from, to, missing: Missing::EndUnknown(readings), readings, is_part: false })
    }

    /// For a silence that continues at the end of a plot, `to`.
    pub fn of_silence(silence: &Silence, to: GatewayTime) -> Option<Self> {
        let from = silence.last_heard.filter(|&from| from < to)?;
        Some(Self { from, to, missing: Missing::Silent, readings: None, is_part: false })
    }

    /// The part between two instants, end exclusive: a logger's gap is a point's gap only while the logger measured the
    /// point.
    pub fn within(self, from: GatewayTime, to: GatewayTime) -> Option<Self> {
        if self.to < from || self.from >= to {
            return None;
        }
        if self.from >= from && self.to < to {
            return Some(self);
        }
        let (readings, _) = self.readings_within((from, to));
        let missing = match self.missing {
            Missing::Records(_) => Missing::Records(readings),
            Missing::WrittenOff(_) => Missing::WrittenOff(readings),
            Missing::EndUnknown(all) => Missing::EndUnknown(all.map(|_| readings)),
            Missing::Silent => Missing::Silent,
        };
        let readings = self.readings.map(|_| readings);
        Some(Self { from: self.from.max(from), to: self.to.min(to), missing, readings, is_part: true })
    }

    /// Whether a line across it would connect readings that have others missing between them.
    pub(super) fn breaks(&self) -> bool {
        // A lost profile or event is not a reading.
        self.readings != Some(0)
    }

    /// How many of its readings lie in a span, and whether the number is exact. Not every missing record needs to be
    /// a reading, and if the span cuts a gap, a part counts in proportion to its length.
    pub(super) fn readings_within(&self, (from, to): (GatewayTime, GatewayTime)) -> (u64, bool) {
        let (all, is_exact) = match (self.missing, self.readings) {
            (Missing::Silent, _) | (Missing::EndUnknown(_), None) => (0, false),
            (Missing::EndUnknown(_), Some(readings)) => (readings, false),
            (_, Some(readings)) => (readings, !self.is_part),
            (Missing::Records(records) | Missing::WrittenOff(records), None) => (records, false),
        };
        let inside = self.to.min(to).since(self.from.max(from));
        if inside < 0 {
            return (0, true);
        }
        let length = self.to.since(self.from);
        if inside == length {
            return (all, is_exact);
        }
        ((all as f64 * inside as f64 / length as f64).round() as u64, false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(from: i64, to: i64, records: u64, readings: Option<u64>) -> Band {
        let (from, to) = (GatewayTime(from), GatewayTime(to));
        Band { from, to, missing: Missing::Records(records), readings, is_part: false }
    }

    #[test]
    fn a_gap_is_a_points_while_its_logger_measured_it() {
        let gap = band(10_000, 20_000, 12, Some(10));
        let within = |from, to| gap.within(GatewayTime(from), GatewayTime(to));
        assert_eq!(within(0, 30_000), Some(gap));
        assert_eq!([within(0, 10_000), within(20_001, 30_000)], [None, None]);
        // By hand: 4,000 s of 10,000 s are 4 of 10 readings.
        let part = within(0, 14_000).unwrap();
        assert_eq!(
            (part.from, part.to, part.missing, part.readings),
            (GatewayTime(10_000), GatewayTime(14_000), Missing::Records(4), Some(4))
        );
        assert_eq!(part.readings_within((GatewayTime(0), GatewayTime(100_000))), (4, false));
    }
}
