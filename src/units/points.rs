//! Points: places in the ground that reports follow while loggers move and sensors are replaced.
//!
//! Pure values: `config` reads them from `points.toml`, which holds no secret; `chain` asks which logger and channel
//! measured a point at a time, and with which sensor. What this is not: `calibration` says what a count means.

use crate::time::GatewayTime;
use crate::wire::seq::Address;

/// One period of a point: where it is measured, and by which sensor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stay {
    /// The point's name; several stays may have it, one after another.
    pub point: String,
    pub logger: Address,
    /// The logger's channel, 0 to 39.
    pub channel: u8,
    /// Start, inclusive.
    pub from: GatewayTime,
    /// End, exclusive; `None` if open-ended.
    pub until: Option<GatewayTime>,
    /// Serial number of the sensor, as in its calibrations; `None`: not known, and then there is no calibration.
    pub serial: Option<String>,
    pub note: Option<String>,
    /// Its line in the points' file, counted from 1.
    pub line: usize,
}

impl Stay {
    pub fn holds_at(&self, at: GatewayTime) -> bool {
        is_within(at, self.from, self.until)
    }

    /// Whether two stays have an instant in common.
    pub fn overlaps(&self, other: &Self) -> bool {
        let ends_after =
            |until: Option<GatewayTime>, from: GatewayTime| until.is_none_or(|until| until > from);
        ends_after(self.until, other.from) && ends_after(other.until, self.from)
    }
}

/// Where and when the readings are made that give a point its values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lead<'a> {
    /// The stay of the point, or of the point that leads it.
    pub stay: &'a Stay,
    /// Start, inclusive.
    pub from: GatewayTime,
    /// End, exclusive.
    pub to: GatewayTime,
}

/// Whether an instant is in `from..until`.
pub fn is_within(at: GatewayTime, from: GatewayTime, until: Option<GatewayTime>) -> bool {
    from <= at && until.is_none_or(|until| at < until)
}

/// All points of a site. No two stays of one point, and none of one channel of a logger, overlap.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Points {
    /// Sorted by name, then by time.
    stays: Vec<Stay>,
}

impl Points {
    /// From stays that do not overlap; `config` checks that.
    pub fn new(mut stays: Vec<Stay>) -> Self {
        stays.sort_by(|a, b| (&a.point, a.from).cmp(&(&b.point, b.from)));
        Self { stays }
    }

    /// All stays, by name and time.
    pub fn stays(&self) -> &[Stay] {
        &self.stays
    }

    /// The stays of one point, by time; empty if there is no such point.
    pub fn of(&self, point: &str) -> &[Stay] {
        let first = self.stays.partition_point(|stay| stay.point.as_str() < point);
        let rest = self.stays.get(first..).unwrap_or_default();
        let len = rest.partition_point(|stay| stay.point == point);
        rest.get(..len).unwrap_or_default()
    }

    pub fn contains(&self, point: &str) -> bool {
        !self.of(point).is_empty()
    }

    /// Where a point is measured at an instant.
    pub fn at(&self, point: &str, at: GatewayTime) -> Option<&Stay> {
        self.of(point).iter().find(|stay| stay.holds_at(at))
    }

    /// The point that a channel of a logger measures at an instant.
    pub fn on(&self, logger: Address, channel: u8, at: GatewayTime) -> Option<&Stay> {
        self.stays.iter().find(|stay| stay.logger == logger && stay.channel == channel && stay.holds_at(at))
    }

    /// The names, each once, in order.
    pub fn names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self.stays.iter().map(|stay| stay.point.as_str()).collect();
        names.dedup();
        names
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stay(point: &str, logger: u16, from: i64, until: Option<i64>) -> Stay {
        let logger = Address::new(logger).unwrap();
        let (from, until) = (GatewayTime(from), until.map(GatewayTime));
        Stay { point: point.into(), logger, channel: 0, from, until, serial: None, note: None, line: 1 }
    }

    #[test]
    fn a_point_is_followed_from_logger_to_logger() {
        let points = Points::new(vec![
            stay("P", 18, 200, None),
            stay("O", 19, 0, None),
            stay("P", 17, 100, Some(150)),
        ]);
        let logger = |at| points.at("P", GatewayTime(at)).map(|stay| stay.logger.number());
        assert_eq!(
            [logger(99), logger(100), logger(149), logger(150), logger(200)],
            [None, Some(17), Some(17), None, Some(18)]
        );
        let of = |logger, at| {
            points.on(Address::new(logger).unwrap(), 0, GatewayTime(at)).map(|stay| stay.point.as_str())
        };
        assert_eq!([of(17, 120), of(17, 160), of(19, 5)], [Some("P"), None, Some("O")]);
        assert_eq!(points.names(), ["O", "P"]);
        assert!(points.contains("O") && !points.contains("Q"));
    }

    #[test]
    fn stays_that_touch_do_not_overlap() {
        let (a, b, c) = (stay("P", 1, 0, Some(10)), stay("P", 1, 10, None), stay("P", 1, 9, Some(11)));
        assert!(!a.overlaps(&b) && !b.overlaps(&a) && a.overlaps(&c) && c.overlaps(&b) && b.overlaps(&b));
    }
}
