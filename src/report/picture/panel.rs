//! The readings of one channel or point as a panel: few points a column, and the remarks to be shown with them.
//!
//! Input: readings in order of time. Output: a [`Panel`]. Memory does not grow with the number of readings.

use super::band::Band;
use super::thin::{At, Columns, Spaced, Thinned};
use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// Symbols on a line are this many columns apart.
const SYMBOLS_APART: u32 = 8;

/// A reading to be drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    pub time: GatewayTime,
    /// Its value, or in words why it has none.
    pub value: Result<f64, String>,
    pub unit: &'static str,
    /// What people must know about it, in words; each is counted.
    pub marks: Vec<&'static str>,
    /// It came from a hand download and not by radio.
    pub is_by_hand: bool,
    /// The line does not continue from the previous reading: another sensor, or a new beginning after a pause.
    pub is_new: bool,
}

/// Takes the readings of one channel or point in order of time; its memory does not grow with their number.
#[derive(Clone, Debug)]
pub struct Series {
    columns: Columns,
    bands: Vec<Band>,
    /// For each band, the latest end among it and those before it.
    ends: Vec<GatewayTime>,
    line: Thinned,
    by_hand: Spaced,
    absent: Spaced,
    reasons: BTreeMap<String, u64>,
    marks: BTreeMap<&'static str, Spaced>,
    unit: Option<&'static str>,
    other_units: u64,
    readings: u64,
    last: Option<GatewayTime>,
    must_break: bool,
}

/// How many different reasons are kept; reasons that contain numbers could be very many.
const REASONS_MAX: usize = 8;

impl Series {
    /// An empty series; `bands` of its logger, in any order.
    pub fn new(columns: Columns, mut bands: Vec<Band>) -> Self {
        bands.retain(Band::breaks);
        bands.sort_by_key(|band| (band.from, band.to));
        let mut end = GatewayTime::MIN;
        let ends = bands
            .iter()
            .map(|band| {
                end = end.max(band.to);
                end
            })
            .collect();
        Self {
            columns,
            bands,
            ends,
            line: Thinned::new(columns),
            by_hand: Spaced::new(columns, SYMBOLS_APART),
            absent: Spaced::new(columns, 2),
            reasons: BTreeMap::new(),
            marks: BTreeMap::new(),
            unit: None,
            other_units: 0,
            readings: 0,
            last: None,
            must_break: false,
        }
    }

    /// Whether something is missing between two instants.
    fn is_gap(&self, before: GatewayTime, after: GatewayTime) -> bool {
        let begun = self.bands.partition_point(|band| band.from < after);
        begun.checked_sub(1).and_then(|at| self.ends.get(at)).is_some_and(|&end| end > before)
    }

    /// Takes the next reading.
    pub fn push(&mut self, reading: Drawn) {
        self.readings += 1;
        let time = reading.time;
        let value = match reading.value {
            Ok(value) if value.is_finite() => value,
            Ok(_) => return self.without(time, "its value is not a number".to_owned()),
            Err(why) => return self.without(time, why),
        };
        if *self.unit.get_or_insert(reading.unit) != reading.unit {
            self.other_units += 1;
            self.must_break = true;
            return;
        }
        let at = At { time, value };
        let is_broken =
            self.must_break || reading.is_new || self.last.is_some_and(|last| self.is_gap(last, time));
        self.line.push(at, is_broken && self.last.is_some());
        (self.last, self.must_break) = (Some(time), false);
        if reading.is_by_hand {
            self.by_hand.push(at);
        }
        for mark in reading.marks {
            self.marks.entry(mark).or_insert_with(|| Spaced::new(self.columns, SYMBOLS_APART)).push(at);
        }
    }

    fn without(&mut self, time: GatewayTime, why: String) {
        self.must_break = true;
        self.absent.push(At { time, value: 0.0 });
        let known = self.reasons.len() < REASONS_MAX || self.reasons.contains_key(&why);
        let why = if known { why } else { "other reasons".to_owned() };
        *self.reasons.entry(why).or_default() += 1;
    }

    /// The unit of the values; `None` if there are none.
    pub fn unit(&self) -> Option<&'static str> {
        self.unit
    }

    /// The panel, with a name and what measures it, and with the manual readings in its unit.
    pub fn finish(self, name: String, measured_by: String, unit: String, manual: Vec<At>) -> Panel {
        let span = (self.columns.from, self.columns.to);
        let missing = self.bands.iter().map(|band| band.readings_within(span));
        let (missing, is_exact) = missing.fold((0, true), |(sum, all_exact), (readings, is_exact)| {
            (sum + readings, all_exact && is_exact)
        });
        let bands = self.bands.into_iter().filter(|band| band.to >= span.0 && band.from < span.1).collect();
        let (pieces, hidden_breaks) = self.line.finish();
        let drawn = self.readings - self.absent.count() - self.other_units;
        let reasons = self.reasons.into_iter().collect();
        // A mark that applies to nearly every value is given in words: a symbol on each would hide the line.
        let marks = self
            .marks
            .into_iter()
            .map(|(mark, spaced)| Marked {
                mark,
                count: spaced.count(),
                at: if spaced.count() * 2 > drawn { Vec::new() } else { spaced.kept().to_vec() },
            })
            .collect();
        Panel {
            name,
            measured_by,
            unit,
            pieces,
            hidden_breaks,
            bands,
            by_hand: self.by_hand.kept().to_vec(),
            by_hand_count: self.by_hand.count(),
            absent: self.absent.kept().iter().map(|at| at.time).collect(),
            absent_count: self.absent.count(),
            reasons,
            marks,
            manual,
            other_units: self.other_units,
            readings: self.readings,
            drawn,
            missing,
            is_missing_exact: is_exact,
        }
    }
}

/// Values that have a mark.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// What people must know about them.
    pub mark: &'static str,
    pub count: u64,
    /// The positions of symbols; empty if the mark applies to most values.
    pub at: Vec<At>,
}

/// One channel or point on the common axis of time.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    pub name: String,
    /// Which loggers and channels.
    pub measured_by: String,
    /// Unit of its axis, as people write it.
    pub unit: String,
    /// The line; it is broken between two pieces.
    pub pieces: Vec<Vec<At>>,
    /// Breaks that are narrower than a column.
    pub hidden_breaks: u64,
    /// Spans without readings that reach into the plot, by time.
    pub bands: Vec<Band>,
    /// Positions of symbols that mark values from a hand download.
    pub by_hand: Vec<At>,
    pub by_hand_count: u64,
    /// When readings without a value were made; thinned.
    pub absent: Vec<GatewayTime>,
    pub absent_count: u64,
    /// The reasons, each with its number.
    pub reasons: Vec<(String, u64)>,
    pub marks: Vec<Marked>,
    /// Manual readings in the unit of the axis.
    pub manual: Vec<At>,
    /// How many values have another unit than the first; these are not drawn.
    pub other_units: u64,
    /// Readings held in the span.
    pub readings: u64,
    /// How many of them have a value that is drawn.
    pub drawn: u64,
    /// How many readings of the span are missing, as far as gaps show.
    pub missing: u64,
    /// Whether that number is exact, and not an estimate.
    pub is_missing_exact: bool,
}

impl Panel {
    /// Lowest and highest drawn value; `None` if nothing is drawn.
    pub fn range(&self) -> Option<(f64, f64)> {
        let all = self.pieces.iter().flatten().chain(&self.manual).map(|at| at.value);
        all.fold(None, |range, value| match range {
            None => Some((value, value)),
            Some((low, high)) => Some((value.min(low), value.max(high))),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::band::Missing;
    use super::*;

    const COLUMNS: Columns = Columns { from: GatewayTime(0), to: GatewayTime(100_000), number: 100 };

    fn reading(time: i64, value: Result<f64, String>) -> Drawn {
        let time = GatewayTime(time);
        Drawn { time, value, unit: "kPa", marks: Vec::new(), is_by_hand: false, is_new: false }
    }

    fn band(from: i64, to: i64, records: u64, readings: Option<u64>) -> Band {
        let (from, to) = (GatewayTime(from), GatewayTime(to));
        Band { from, to, missing: Missing::Records(records), readings, is_part: false }
    }

    fn hourly(skip: std::ops::Range<i64>, bands: Vec<Band>) -> Panel {
        let mut series = Series::new(COLUMNS, bands);
        for i in (0..27).filter(|i| !skip.contains(i)) {
            series.push(reading(i * 3_600, Ok(i as f64)));
        }
        series.finish("P".into(), "logger 17".into(), "kPa".into(), vec![])
    }

    fn ends(panel: &Panel) -> Vec<(i64, i64)> {
        panel.pieces.iter().map(|p| (p[0].time.unix_s(), p[p.len() - 1].time.unix_s())).collect()
    }

    #[test]
    fn the_line_is_broken_over_a_gap_and_whole_where_only_a_profile_is_missing() {
        let panel = hourly(
            10..15,
            vec![
                band(10 * 3_600, 14 * 3_600, 6, Some(5)),
                band(20 * 3_600 + 60, 20 * 3_600 + 60, 1, Some(0)),
            ],
        );
        assert_eq!(ends(&panel), [(0, 9 * 3_600), (15 * 3_600, 26 * 3_600)]);
        assert_eq!((panel.readings, panel.missing, panel.is_missing_exact), (22, 5, true));
        assert_eq!(panel.bands.len(), 1);
        assert_eq!(panel.bands[0].missing, Missing::Records(6));
        assert_eq!(ends(&hourly(0..0, vec![])), [(0, 26 * 3_600)], "after the repair it is whole");
    }

    #[test]
    fn a_short_gap_within_a_long_one_of_another_epoch_does_not_close_it() {
        let bands = vec![band(10 * 3_600, 14 * 3_600, 5, None), band(11 * 3_600, 11 * 3_600, 1, None)];
        assert_eq!(ends(&hourly(10..15, bands)), [(0, 9 * 3_600), (15 * 3_600, 26 * 3_600)]);
    }

    #[test]
    fn a_value_that_is_absent_breaks_the_line_and_is_counted_with_its_reason() {
        let mut series = Series::new(COLUMNS, vec![]);
        for (i, value) in
            [Ok(1.0), Ok(2.0), Err("open circuit".to_owned()), Ok(f64::NAN), Ok(3.0)].into_iter().enumerate()
        {
            series.push(reading(i as i64 * 5_000, value));
        }
        let panel = series.finish("P".into(), String::new(), "kPa".into(), vec![]);
        assert_eq!(ends(&panel), [(0, 5_000), (20_000, 20_000)]);
        assert_eq!(
            (panel.absent.as_slice(), panel.absent_count, panel.drawn),
            ([GatewayTime(10_000), GatewayTime(15_000)].as_slice(), 2, 3)
        );
        assert_eq!(
            panel.reasons,
            [("its value is not a number".to_owned(), 1), ("open circuit".to_owned(), 1)]
        );
    }

    #[test]
    fn values_in_another_unit_are_not_drawn_on_the_axis_and_are_counted() {
        let mut series = Series::new(COLUMNS, vec![]);
        series.push(reading(0, Ok(1.0)));
        series.push(Drawn { unit: "[psi]", ..reading(5_000, Ok(0.145)) });
        series.push(reading(10_000, Ok(1.0)));
        let panel = series.finish("P".into(), String::new(), "kPa".into(), vec![]);
        assert_eq!((panel.other_units, panel.drawn, panel.range()), (1, 2, Some((1.0, 1.0))));
        assert_eq!(panel.pieces.len(), 2);
    }

    #[test]
    fn a_mark_that_most_values_have_is_counted_and_has_no_symbols() {
        let mut series = Series::new(COLUMNS, vec![]);
        for i in 0..20 {
            let marks = if i == 3 { vec!["interpolated", "omitted"] } else { vec!["interpolated"] };
            series.push(Drawn { marks, is_by_hand: i < 5, ..reading(i * 5_000, Ok(1.0)) });
        }
        let panel = series.finish("P".into(), String::new(), "kPa".into(), vec![]);
        let marks: Vec<_> = panel.marks.iter().map(|m| (m.mark, m.count, m.at.len())).collect();
        assert_eq!(marks, [("interpolated", 20, 0), ("omitted", 1, 1)]);
        assert_eq!((panel.by_hand_count, panel.by_hand.len()), (5, 3), "symbols are 8 columns apart");
    }

    #[test]
    fn a_gap_that_the_span_cuts_counts_for_its_part() {
        let panel =
            hourly(27..27, vec![band(90_000, 110_000, 20, Some(20)), band(200_000, 210_000, 9, None)]);
        assert_eq!((panel.missing, panel.bands.len()), (10, 1));
        assert_eq!((panel.readings, panel.is_missing_exact), (27, false));
        let whole = hourly(10..15, vec![band(10 * 3_600, 14 * 3_600, 6, None)]);
        let counts = (whole.readings, whole.missing, whole.is_missing_exact);
        assert_eq!(counts, (22, 6, false), "a record may be no reading");
    }
}
