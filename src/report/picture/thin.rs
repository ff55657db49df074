//! Reduces long spans to few points: for each pixel column the first, lowest, highest and last value, so that no spike
//! is lost.
//!
//! Input: values in order of time, each with whether the line is broken before it. Output: pieces of line with at most
//! four values a column, whatever the input; the memory used is that of the output. Pure.
//!
//! No averaging and no smoothing: every value that comes out also went in.

use crate::time::GatewayTime;

/// A value in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At {
    pub time: GatewayTime,
    pub value: f64,
}

/// Maps time to pixel columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Columns {
    /// Start of the first column.
    pub from: GatewayTime,
    /// End of the last column, after `from`.
    pub to: GatewayTime,
    /// Number of columns, above 0.
    pub number: u32,
}

impl Columns {
    /// The column of an instant; instants outside go to the first or last column.
    pub fn of(&self, time: GatewayTime) -> u32 {
        let span = i128::from(self.to.since(self.from).max(1));
        let into = i128::from(time.since(self.from).max(0));
        let column = into * i128::from(self.number) / span;
        u32::try_from(column).unwrap_or(u32::MAX).min(self.number.saturating_sub(1))
    }
}

#[derive(Clone, Copy, Debug)]
struct Open {
    column: u32,
    first: At,
    low: At,
    high: At,
    last: At,
    /// How many values so far, and the positions of the lowest and the highest: two values may have the same time.
    count: u64,
    low_at: u64,
    high_at: u64,
}

/// Takes values and returns pieces of line.
#[derive(Clone, Debug)]
pub struct Thinned {
    columns: Columns,
    done: Vec<Vec<At>>,
    piece: Vec<At>,
    open: Option<Open>,
    hidden: u64,
}

impl Thinned {
    /// Starts empty.
    pub fn new(columns: Columns) -> Self {
        Self { columns, done: Vec::new(), piece: Vec::new(), open: None, hidden: 0 }
    }

    /// Takes the next value in time; `is_broken`: no line connects it to the previous value.
    ///
    /// A break within a column cannot be seen, and is counted instead, so there are never more pieces than columns.
    pub fn push(&mut self, at: At, is_broken: bool) {
        let column = self.columns.of(at.time);
        match &mut self.open {
            Some(open) if open.column == column => {
                self.hidden += u64::from(is_broken);
                if at.value < open.low.value {
                    (open.low, open.low_at) = (at, open.count);
                }
                if at.value > open.high.value {
                    (open.high, open.high_at) = (at, open.count);
                }
                open.last = at;
                open.count += 1;
            }
            _ => {
                self.flush();
                if is_broken {
                    self.close();
                }
                self.open = Some(Open {
                    column,
                    first: at,
                    low: at,
                    high: at,
                    last: at,
                    count: 1,
                    low_at: 0,
                    high_at: 0,
                });
            }
        }
    }

    fn flush(&mut self) {
        let Some(open) = self.open.take() else { return };
        let between = match open.low_at <= open.high_at {
            true => [open.low, open.high],
            false => [open.high, open.low],
        };
        for at in [open.first, between[0], between[1], open.last] {
            if self.piece.last() != Some(&at) {
                self.piece.push(at);
            }
        }
    }

    fn close(&mut self) {
        if !self.piece.is_empty() {
            self.done.push(std::mem::take(&mut self.piece));
        }
    }

    /// The pieces, and how many breaks are narrower than a column.
    pub fn finish(mut self) -> (Vec<Vec<At>>, u64) {
        self.flush();
        self.close();
        (self.done, self.hidden)
    }
}

/// Instants of symbols, each at least this many columns from the previous one.
#[derive(Clone, Debug)]
pub struct Spaced {
    columns: Columns,
    apart: u32,
    last: Option<u32>,
    kept: Vec<At>,
    all: u64,
}

impl Spaced {
    /// Starts empty.
    pub fn new(columns: Columns, apart: u32) -> Self {
        Self { columns, apart, last: None, kept: Vec::new(), all: 0 }
    }

    /// Takes the next in time.
    pub fn push(&mut self, at: At) {
        self.all += 1;
        let column = self.columns.of(at.time);
        if self.last.is_none_or(|last| column >= last.saturating_add(self.apart)) {
            self.last = Some(column);
            self.kept.push(at);
        }
    }

    /// The symbols that are drawn.
    pub fn kept(&self) -> &[At] {
        &self.kept
    }

    pub fn count(&self) -> u64 {
        self.all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn columns(to: i64, number: u32) -> Columns {
        Columns { from: GatewayTime(0), to: GatewayTime(to), number }
    }

    fn at(time: i64, value: f64) -> At {
        At { time: GatewayTime(time), value }
    }

    #[test]
    fn a_spike_of_one_value_among_a_million_is_drawn() {
        let mut thinned = Thinned::new(columns(1_000_000, 800));
        for time in 0..1_000_000 {
            thinned.push(at(time, if time == 777_777 { 42.0 } else { 1.0 }), false);
        }
        let (pieces, hidden) = thinned.finish();
        assert_eq!((pieces.len(), hidden), (1, 0));
        assert!(pieces[0].contains(&at(777_777, 42.0)));
        assert!(pieces[0].len() <= 3_200, "{}", pieces[0].len());
    }

    #[test]
    fn a_break_is_seen_where_it_spans_columns_and_counted_where_it_does_not() {
        let mut thinned = Thinned::new(columns(100, 10));
        for (time, broken) in [(0, false), (4, true), (8, false), (35, true), (36, false)] {
            thinned.push(at(time, 1.0), broken);
        }
        let (pieces, hidden) = thinned.finish();
        let times: Vec<Vec<i64>> =
            pieces.iter().map(|p| p.iter().map(|at| at.time.unix_s()).collect()).collect();
        assert_eq!((times, hidden), (vec![vec![0, 8], vec![35, 36]], 1));
    }

    #[test]
    fn two_values_of_one_time_stay_in_their_order() {
        let mut thinned = Thinned::new(columns(100, 1));
        for (time, value) in [(0, 0.0), (0, -1.0), (5, -0.5)] {
            thinned.push(at(time, value), false);
        }
        let (pieces, _) = thinned.finish();
        let values: Vec<f64> = pieces[0].iter().map(|at| at.value).collect();
        assert_eq!(values, [0.0, -1.0, -0.5]);
    }

    proptest! {
        #[test]
        fn no_extreme_is_lost_and_nothing_is_made_up(
            steps in prop::collection::vec((0i64..200, -1e6f64..1e6, prop::bool::weighted(0.1)), 1..400),
            number in 1u32..60,
        ) {
            let mut time = 0;
            let mut all = Vec::new();
            for (step, value, broken) in steps {
                time += step;
                all.push((at(time, value), broken));
            }
            let columns = columns(time + 1, number);
            let mut thinned = Thinned::new(columns);
            for &(at, broken) in &all {
                thinned.push(at, broken);
            }
            let (pieces, hidden) = thinned.finish();
            let out: Vec<At> = pieces.iter().flatten().copied().collect();
            // Every value went in, in this order.
            let mut rest = all.iter().map(|(at, _)| at);
            prop_assert!(out.iter().all(|at| rest.any(|other| other == at)));
            for column in 0..number {
                let of = |at: &&At| columns.of(at.time) == column;
                let went: Vec<f64> = all.iter().map(|(at, _)| at).filter(of).map(|at| at.value).collect();
                let came: Vec<f64> = out.iter().filter(of).map(|at| at.value).collect();
                prop_assert!(came.len() <= 4);
                let ends = |v: &[f64]| (v.iter().copied().fold(f64::INFINITY, f64::min), v.iter().copied().fold(f64::NEG_INFINITY, f64::max));
                prop_assert_eq!(ends(&went), ends(&came));
                prop_assert_eq!((went.first(), went.last()), (came.first(), came.last()));
            }
            let breaks = all.iter().skip(1).filter(|(_, broken)| *broken).count() as u64;
            prop_assert_eq!(pieces.len() as u64 - 1 + hidden, breaks);
            prop_assert!(pieces.len() <= number as usize);
        }
    }
}
