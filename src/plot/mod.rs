//! What a plot of readings in time shows: panels, gaps, marks, remarks; and how it becomes a picture.
//!
//! ```text
//! readings, one by one ─▶ Series (thin: few points a column) ─▶ Panel ┐
//! gaps, remarks, manual readings ────────────────────────────────────┴▶ Picture ─▶ scene ─▶ render: SVG, PNG
//!                                                                                (axis: ticks)
//! ```
//!
//! Pure: no I/O, no clock. What this is not: no judge of values. Every value that is drawn is one that is held; where
//! none is, the line is broken and never bridged.

pub mod axis;
#[cfg(feature = "desk")]
pub mod png;
pub mod render;
pub mod scene;
pub mod thin;

use crate::report::gaps::{Gap, GapState, Silence, UnclosedGap};
use std::collections::BTreeMap;
use thin::{At, Columns, Spaced, Thinned};

/// Symbols on a line are this many columns apart.
const SYMBOLS_APART: u32 = 8;

/// Why there is nothing over a span.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// So many records are missing, and can be looked for.
    Records(u64),
    /// So many are, and nobody looks for them.
    WrittenOff(u64),
    /// The epoch is over and nobody has told with which record; about so many readings.
    EndUnknown(Option<u64>),
    /// The logger was not heard since.
    Silent,
}

/// A span without readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// Time of the first missing record, estimated.
    pub from: i64,
    /// Time of the last.
    pub to: i64,
    /// What is missing.
    pub missing: Missing,
    /// How many of the records are readings, where that is known.
    pub readings: Option<u64>,
    /// It is a part of a longer one, and its number is that part by length.
    pub is_part: bool,
}

impl Band {
    /// Of a gap; `None`: nobody knows when it was.
    pub fn of_gap(gap: &Gap) -> Option<Self> {
        let records = gap.records();
        let missing = match gap.state {
            GapState::Open => Missing::Records(records),
            GapState::WrittenOff => Missing::WrittenOff(records),
        };
        let (from, to) = gap.from.zip(gap.to)?;
        Some(Self { from: from.min(to), to: to.max(from), missing, readings: gap.readings, is_part: false })
    }

    /// Of an epoch whose end nobody has told.
    pub fn of_unclosed(open: &UnclosedGap) -> Option<Self> {
        let (from, to) = open.from.zip(open.to).filter(|(from, to)| from < to)?;
        let readings = open.presumed_readings;
        if readings == Some(0) {
            return None;
        }
        Some(Self { from, to, missing: Missing::EndUnknown(readings), readings, is_part: false })
    }

    /// Of a silence that goes on at the end of a plot, `to`.
    pub fn of_silence(silence: &Silence, to: i64) -> Option<Self> {
        let from = silence.last_heard.filter(|&from| from < to)?;
        Some(Self { from, to, missing: Missing::Silent, readings: None, is_part: false })
    }

    /// What of it lies from an instant on and before another: a logger's gap is a point's only while it measured the point.
    pub fn within(self, from: i64, to: i64) -> Option<Self> {
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

    /// Whether a line that crosses it would bridge readings.
    fn breaks(&self) -> bool {
        // A lost profile or event is no reading.
        self.readings != Some(0)
    }

    /// How many readings of it lie in a span, and whether that is told and no estimate: not every missing record need be
    /// a reading, and of a gap that the span cuts a part counts by its length.
    fn readings_within(&self, (from, to): (i64, i64)) -> (u64, bool) {
        let (all, is_told) = match (self.missing, self.readings) {
            (Missing::Silent, _) | (Missing::EndUnknown(_), None) => (0, false),
            (Missing::EndUnknown(_), Some(readings)) => (readings, false),
            (_, Some(readings)) => (readings, !self.is_part),
            (Missing::Records(records) | Missing::WrittenOff(records), None) => (records, false),
        };
        let inside = self.to.min(to).saturating_sub(self.from.max(from));
        if inside < 0 {
            return (0, true);
        }
        let length = self.to.saturating_sub(self.from);
        if inside == length {
            return (all, is_told);
        }
        ((all as f64 * inside as f64 / length as f64).round() as u64, false)
    }

    /// In words, for a band that has room: `36 records missing`.
    pub fn label(&self) -> String {
        let records = |n: u64| if n == 1 { "1 record".to_owned() } else { format!("{n} records") };
        match self.missing {
            Missing::Records(n) => format!("{} missing", records(n)),
            Missing::WrittenOff(n) => format!("{} written off", records(n)),
            Missing::EndUnknown(Some(n)) => format!("about {n} readings missing"),
            Missing::EndUnknown(None) => "not known what is missing".to_owned(),
            Missing::Silent => "not heard since".to_owned(),
        }
    }
}

/// A reading, as a series takes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// When it was made, Unix seconds.
    pub time: i64,
    /// Its value, or why there is none in words.
    pub value: Result<f64, String>,
    /// What the value is in.
    pub unit: &'static str,
    /// What its reader must know, in words; each is counted.
    pub marks: Vec<&'static str>,
    /// It came from a hand download and not by radio.
    pub is_by_hand: bool,
    /// It does not go on from the one before: another sensor, or a new beginning after a pause.
    pub is_new: bool,
}

/// Takes the readings of one channel or point, in order of time, in memory that does not grow with their number.
#[derive(Clone, Debug)]
pub struct Series {
    columns: Columns,
    bands: Vec<Band>,
    /// Of each band and those before it, the latest end.
    ends: Vec<i64>,
    line: Thinned,
    by_hand: Spaced,
    absent: Spaced,
    reasons: BTreeMap<String, u64>,
    marks: BTreeMap<&'static str, Spaced>,
    unit: Option<&'static str>,
    other_units: u64,
    readings: u64,
    last: Option<i64>,
    must_break: bool,
}

/// Reasons that are told apart; those with figures in them could be many.
const REASONS_MAX: usize = 8;

impl Series {
    /// Nothing yet; `bands` of its logger, in any order.
    pub fn new(columns: Columns, mut bands: Vec<Band>) -> Self {
        bands.retain(Band::breaks);
        bands.sort_by_key(|band| (band.from, band.to));
        let mut end = i64::MIN;
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
    fn is_gap(&self, before: i64, after: i64) -> bool {
        let begun = self.bands.partition_point(|band| band.from < after);
        begun.checked_sub(1).and_then(|at| self.ends.get(at)).is_some_and(|&end| end > before)
    }

    /// Takes the next reading.
    pub fn push(&mut self, reading: Drawn) {
        self.readings += 1;
        let time = reading.time;
        let value = match reading.value {
            Ok(value) if value.is_finite() => value,
            Ok(_) => return self.without(time, "its value is no number".to_owned()),
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

    fn without(&mut self, time: i64, why: String) {
        self.must_break = true;
        self.absent.push(At { time, value: 0.0 });
        let known = self.reasons.len() < REASONS_MAX || self.reasons.contains_key(&why);
        let why = if known { why } else { "other reasons".to_owned() };
        *self.reasons.entry(why).or_default() += 1;
    }

    /// What the values are in; `None` where there is none.
    pub fn unit(&self) -> Option<&'static str> {
        self.unit
    }

    /// The panel, with a name and what measures it, and with the manual readings in its unit.
    pub fn finish(self, name: String, measured_by: String, unit: String, manual: Vec<At>) -> Panel {
        let span = (self.columns.from, self.columns.to);
        let missing = self.bands.iter().map(|band| band.readings_within(span));
        let (missing, is_told) =
            missing.fold((0, true), |(sum, told), (readings, is_told)| (sum + readings, told && is_told));
        let bands = self.bands.into_iter().filter(|band| band.to >= span.0 && band.from < span.1).collect();
        let (pieces, hidden_breaks) = self.line.finish();
        let drawn = self.readings - self.absent.count() - self.other_units;
        let reasons = self.reasons.into_iter().collect();
        // What holds for nearly every value is said in words: a symbol on each would hide the line.
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
            is_missing_told: is_told,
        }
    }
}

/// Values that carry a mark.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// What its reader must know.
    pub mark: &'static str,
    /// How many values have it.
    pub count: u64,
    /// Where a symbol stands; none where it holds for most values.
    pub at: Vec<At>,
}

/// One channel or point on the common axis of time.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Its name.
    pub name: String,
    /// Which loggers and channels.
    pub measured_by: String,
    /// Unit of its axis, as people write it.
    pub unit: String,
    /// The line; between two pieces it is broken.
    pub pieces: Vec<Vec<At>>,
    /// Breaks that are narrower than a column.
    pub hidden_breaks: u64,
    /// Spans without readings that reach into the plot, by time.
    pub bands: Vec<Band>,
    /// Where a symbol says that values came from a hand download.
    pub by_hand: Vec<At>,
    /// How many did.
    pub by_hand_count: u64,
    /// When readings without a value were made; thinned.
    pub absent: Vec<i64>,
    /// How many there are.
    pub absent_count: u64,
    /// Why, with how many.
    pub reasons: Vec<(String, u64)>,
    /// Marks of values.
    pub marks: Vec<Marked>,
    /// Manual readings in the unit of the axis.
    pub manual: Vec<At>,
    /// Values in another unit than the first, which are not drawn.
    pub other_units: u64,
    /// Readings held in the span.
    pub readings: u64,
    /// Of them, those with a value that is drawn.
    pub drawn: u64,
    /// Readings of the span that are missing, as far as gaps tell.
    pub missing: u64,
    /// Whether that is known, and no estimate.
    pub is_missing_told: bool,
}

impl Panel {
    /// How much of what must exist is held: `held 468 of 504 readings (92.9 %)`.
    pub fn coverage(&self) -> String {
        let expected = self.readings + self.missing;
        let permille = (self.readings * 1000).checked_div(expected).unwrap_or(0);
        let readings = if expected == 1 { "reading" } else { "readings" };
        let about = if self.is_missing_told { "" } else { "about " };
        format!(
            "held {} of {about}{expected} {readings} ({}.{} %)",
            self.readings,
            permille / 10,
            permille % 10
        )
    }

    /// Lowest and highest of what is drawn; `None`: nothing is.
    pub fn range(&self) -> Option<(f64, f64)> {
        let all = self.pieces.iter().flatten().chain(&self.manual).map(|at| at.value);
        all.fold(None, |range, value| match range {
            None => Some((value, value)),
            Some((low, high)) => Some((value.min(low), value.max(high))),
        })
    }
}

/// A remark that is marked by its number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// From when, Unix seconds.
    pub from: i64,
    /// Until when; `None`: it goes on.
    pub to: Option<i64>,
    /// In words.
    pub text: String,
}

/// Everything that is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// The site.
    pub site: String,
    /// The span, Unix seconds.
    pub from: i64,
    /// Its end.
    pub to: i64,
    /// The site's offset, in seconds east of UTC.
    pub offset_s: i32,
    /// One below the other.
    pub panels: Vec<Panel>,
    /// Remarks of the span, by time.
    pub notes: Vec<Note>,
    /// What stands below in words: manual readings in other units and the like.
    pub lines: Vec<String>,
    /// The last lines: when it was made, and the cautions.
    pub footer: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    const COLUMNS: Columns = Columns { from: 0, to: 100_000, number: 100 };

    fn reading(time: i64, value: Result<f64, String>) -> Drawn {
        Drawn { time, value, unit: "kPa", marks: Vec::new(), is_by_hand: false, is_new: false }
    }

    fn band(from: i64, to: i64, records: u64, readings: Option<u64>) -> Band {
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
        panel.pieces.iter().map(|p| (p[0].time, p[p.len() - 1].time)).collect()
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
        assert_eq!(panel.coverage(), "held 22 of 27 readings (81.4 %)");
        assert_eq!(panel.bands.len(), 1);
        assert_eq!(panel.bands[0].label(), "6 records missing");
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
            ([10_000, 15_000].as_slice(), 2, 3)
        );
        assert_eq!(panel.reasons, [("its value is no number".to_owned(), 1), ("open circuit".to_owned(), 1)]);
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
    fn a_gap_is_a_points_while_its_logger_measured_it() {
        let gap = band(10_000, 20_000, 12, Some(10));
        assert_eq!(gap.within(0, 30_000), Some(gap));
        assert_eq!([gap.within(0, 10_000), gap.within(20_001, 30_000)], [None, None]);
        // By hand: 4,000 s of 10,000 s are 4 of 10 readings.
        let part = gap.within(0, 14_000).unwrap();
        assert_eq!(
            (part.from, part.to, part.missing, part.readings),
            (10_000, 14_000, Missing::Records(4), Some(4))
        );
        assert_eq!(part.readings_within((0, 100_000)), (4, false));
    }

    #[test]
    fn a_gap_that_the_span_cuts_counts_for_its_part() {
        let panel =
            hourly(27..27, vec![band(90_000, 110_000, 20, Some(20)), band(200_000, 210_000, 9, None)]);
        assert_eq!((panel.missing, panel.bands.len()), (10, 1));
        assert!(panel.coverage().starts_with("held 27 of about 37 readings"), "{}", panel.coverage());
        let whole = hourly(10..15, vec![band(10 * 3_600, 14 * 3_600, 6, None)]);
        assert_eq!(whole.coverage(), "held 22 of about 28 readings (78.5 %)", "a record may be no reading");
    }
}
