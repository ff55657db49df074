//! Whether the anchors next to a stretch prove its time: whether the file could also be off by some hours, as a whole
//! or in part, or belong to another setting of the clock.
//!
//! Each examined shift is tested with the anchors around the stretch, up to [`WINDOW`] on each side; results
//! are kept from stretch to stretch, so that the work grows with the number of rows.

use super::contents::{copy_row, empty_row, loosely};
use super::timeline::Span;
use super::{ASK_EVERY, Contents, Fit, Matcher, Met, Piece, Why};
use crate::time::LoggerTime;

/// The largest shift of a whole file that is examined: a zone's offset, a summer hour, a day.
const SHIFT_S_MAX: i64 = 26 * 3_600;
/// Clocks and zones differ by multiples of this: a quarter of an hour.
const SHIFT_STEP_S: i64 = 900;
/// Shifts by up to this many intervals are all examined.
const SHIFT_NEAR: i64 = 8;
/// By how much local clocks go back in autumn: most by an hour; one zone by half an hour, one by two.
const CLOCK_CHANGES_S: [i64; 3] = [1_800, 3_600, 7_200];
/// How many anchors on one side are used to distinguish one time from another.
const WINDOW: usize = 256;
/// Within this many rows of a stretch no row may disagree, not even one next to a row that agrees with the same
/// reading.
const CLEAN: usize = 16;
/// Values often repeat after a day, so there must be evidence that a file is not off by a day, or nearly a day.
const DAY_S: std::ops::RangeInclusive<i64> = 82_800..=90_000;
/// Pairs of held readings at a given distance are searched among three times this many readings.
const PAIRS: usize = 128;
/// Highest accepted probability that rows agree at random at a time at which they cannot be compared.
const PROBABILITY_MAX: f64 = 0.01;

/// The last evidence that a shift is impossible, so that no anchor is tested twice.
#[derive(Clone, Copy, Debug, Default)]
struct Probed {
    /// Anchors below this (searching back) or up to before this (searching ahead) have been tested.
    asked: usize,
    /// The anchor, from 1, that disagreed.
    against: usize,
    /// The last anchor that agreed, from 1.
    agreed: usize,
}

/// The same for all shifts, in one direction along one run.
#[derive(Debug)]
struct Side {
    is_back: bool,
    run: Option<u32>,
    interval_s: u32,
    shifts: Vec<i64>,
    /// One for each shift; the last one: whether rows differ from the row before them.
    probed: Vec<Probed>,
}

impl Side {
    fn new(is_back: bool) -> Self {
        Self { is_back, run: None, interval_s: 0, shifts: Vec::new(), probed: Vec::new() }
    }

    /// Begins at an anchor: a new run, a new interval.
    fn begin(&mut self, run: u32, interval_s: u32) {
        if self.run == Some(run) && self.interval_s == interval_s {
            return;
        }
        if self.interval_s != interval_s {
            self.shifts = shifts(i64::from(interval_s));
        }
        (self.run, self.interval_s) = (Some(run), interval_s);
        self.probed.clear();
        self.probed.resize(self.shifts.len() + 1, Probed::default());
    }
}

/// By how many intervals a local clock goes back in autumn, as seconds; it must be nearly a whole number of intervals.
fn changes(interval_s: i64) -> impl Iterator<Item = i64> {
    let whole = move |change_s: i64| {
        let shift = (change_s + interval_s / 2).checked_div(interval_s)? * interval_s;
        (shift > 0 && 4 * (shift - change_s).abs() <= interval_s).then_some(shift)
    };
    CLOCK_CHANGES_S.into_iter().filter_map(whole)
}

/// The shifts of a file with which its rows still fall on readings; without 0.
fn shifts(interval_s: i64) -> Vec<i64> {
    let mut all: Vec<i64> = Vec::new();
    if interval_s == 0 {
        return all;
    }
    all.extend((1..=SHIFT_NEAR).map(|step| step * interval_s));
    let nearest = |quarters: i64| (quarters * SHIFT_STEP_S + interval_s / 2) / interval_s * interval_s;
    all.extend((1..=SHIFT_S_MAX / SHIFT_STEP_S).map(nearest).filter(|&shift| shift > 0));
    all.sort_unstable();
    all.dedup();
    all.iter().flat_map(|&shift| [shift, -shift]).collect()
}

impl<C: Contents> Matcher<'_, '_, '_, C> {
    /// For each stretch that fits, tests whether the anchors next to it distinguish its time from others; `Ok(false)`: it was
    /// stopped.
    pub(super) fn test(
        &mut self,
        pieces: &mut [Piece],
        goes_on: &mut dyn FnMut(u64) -> bool,
    ) -> Result<bool, C::Error> {
        let bad = self.disagreements(pieces);
        let (mut back, mut ahead) = (Side::new(true), Side::new(false));
        let budget = 1_000_000 + 64 * self.file.len() as u64 + self.asked.compared;
        let (mut next, mut asked_at) = (0, 0);
        for piece in pieces {
            if piece.from >= asked_at {
                asked_at = piece.from + ASK_EVERY;
                if !goes_on(piece.from as u64) {
                    return Ok(false);
                }
            }
            let Some(fit) = &mut piece.fit else {
                next += piece.to - piece.from;
                continue;
            };
            let Ok(fits) = fit else { continue };
            let why = if self.asked.compared > budget {
                Some(Why::TooMuch)
            } else if self.disagree_near(&bad, piece.from, piece.to) {
                Some(Why::DisagreeNear)
            } else {
                let left = (piece.from > 0).then(|| next - 1);
                let right = (piece.to < self.file.len()).then_some(next);
                self.doubt(fits, piece.from, left, right, [&mut back, &mut ahead])?
            };
            if let Some(why) = why {
                *fit = Err(why);
            }
        }
        Ok(true)
    }

    /// How many rows before each place disagree with what is held: all of them, and those that are not duplicates of
    /// one that agrees. Rows of a stretch that fits may meet readings of another setting of the clock, and do not
    /// count: their place is known.
    fn disagreements(&self, pieces: &[Piece]) -> Vec<[u32; 2]> {
        let mut all = Vec::with_capacity(self.met.len() + 1);
        let mut sum = [0, 0];
        all.push(sum);
        for piece in pieces {
            let counts = matches!(piece.fit, Some(Err(_)));
            for at in piece.from..piece.to {
                if let Met::Disagrees(held) = self.met[at]
                    && counts
                {
                    let next_to = [at.wrapping_sub(1), at + 1];
                    let is_double = next_to.iter().any(|&at| self.met.get(at) == Some(&Met::Anchor(held)));
                    sum = [sum[0] + 1, sum[1] + u32::from(!is_double)];
                }
                all.push(sum);
            }
        }
        all
    }

    /// Whether rows around a stretch disagree with what is held.
    fn disagree_near(&self, bad: &[[u32; 2]], from: usize, to: usize) -> bool {
        [(CLEAN, 0), (WINDOW, 1)].into_iter().any(|(rows, of)| {
            let (first, last) = (from.saturating_sub(rows), (to + rows).min(self.file.len()));
            bad[last][of] != bad[to][of] || bad[from][of] != bad[first][of]
        })
    }

    /// Why the anchors `left` and `right` of a stretch, the nearest ones, do not prove its time.
    fn doubt(
        &mut self,
        fit: &Fit,
        from: usize,
        left: Option<usize>,
        right: Option<usize>,
        [back, ahead]: [&mut Side; 2],
    ) -> Result<Option<Why>, C::Error> {
        // 1. The values of the rows must change; otherwise a file of another logger could agree as well.
        let mut varies = false;
        for (side, at) in [(&mut *back, left), (&mut *ahead, right)] {
            if let Some(at) = at {
                self.begin(side, at);
                varies = varies || self.probe_side(side, side.shifts.len(), at)?.0;
            }
        }
        if let (Some(left), Some(right), false) = (left, right, varies) {
            varies = self.differ(self.anchors[left].row, self.anchors[right].row);
        }
        if !varies {
            return Ok(Some(Why::StandsStill));
        }
        // 2. The file as a whole must not agree at another time.
        if let Some(why) = self.shifted_doubt([(&mut *back, left), (&mut *ahead, right)])? {
            return Ok(Some(why));
        }
        // 3. Nor may a part of it, where a local clock goes back: a reader that keeps one row for each local time loses
        // an hour there, and no hole shows. Read with one offset, everything after the lost hour is early, or
        // everything before it is late. If the lost hour were at the stretch or before it, everything that follows
        // would be early; if after it, everything that comes before would be late.
        let last = from + fit.sequences.len() - 1;
        for (side, at, row, flank) in
            [(&mut *back, left, from, fit.before), (&mut *ahead, right, last, fit.before + 1)]
        {
            if let Some(why) = self.part_doubt(side, at, row, flank)? {
                return Ok(Some(why));
            }
        }
        for (side, at) in [(back, left), (ahead, right)] {
            if let Some(at) = at
                && let Some(why) = self.other_spans(side, at)?
            {
                return Ok(Some(why));
            }
        }
        Ok(None)
    }

    fn begin(&self, side: &mut Side, at: usize) {
        let anchor = self.anchors[at];
        side.begin(anchor.run, self.line.held[anchor.held].interval_s);
    }

    fn shifted_doubt(&mut self, sides: [(&mut Side, Option<usize>); 2]) -> Result<Option<Why>, C::Error> {
        let [(back, left), (ahead, right)] = sides;
        let shifts = if left.is_some() { back.shifts.clone() } else { ahead.shifts.clone() };
        let mut any_against = false;
        for seconds in shifts {
            let (mut against, mut agreed) = (false, false);
            for (side, at) in [(&mut *back, left), (&mut *ahead, right)] {
                if let Some(at) = at.filter(|_| !against)
                    && let Some(shift) = side.shifts.iter().position(|&of| of == seconds)
                {
                    let found = self.probe_side(side, shift, at)?;
                    (against, agreed) = (found.0, agreed || found.1);
                }
            }
            let may_be = agreed
                || (!against && DAY_S.contains(&seconds.abs()) && {
                    let sides = [(&*back, left), (&*ahead, right)];
                    let changes =
                        sides.iter().filter_map(|&(side, at)| Some(self.changes_in(side, at?))).sum();
                    let nearest = left.or(right).unwrap_or(0);
                    !self.is_unlikely(nearest, seconds, changes)?
                });
            if !against && may_be {
                return Ok(Some(Why::OtherTime { seconds }));
            }
            any_against |= against;
        }
        // A shift that cannot be compared counts as excluded if another one can: values that change from one time to
        // the next do not repeat at all anchors.
        Ok((!any_against).then_some(Why::StandsStill))
    }

    /// Whether everything on one side may be off by what clocks go back: starting at `row`, the outermost row of the
    /// stretch. If the file begins or ends with the stretch, there are no further rows.
    fn part_doubt(
        &mut self,
        side: &mut Side,
        at: Option<usize>,
        row: usize,
        flank: usize,
    ) -> Result<Option<Why>, C::Error> {
        let line = self.line;
        let span = line.spans[line.held[flank].span as usize];
        for change_s in changes(i64::from(line.held[flank].interval_s)) {
            let seconds = if side.is_back { -change_s } else { change_s };
            let of_row = self.file.row(row);
            let mut agreed = match line.at_time(span, LoggerTime(of_row.time.into()).later(seconds)) {
                Some(target) => self.asked.values_agree(line, target, of_row)?,
                None => None,
            };
            if agreed == Some(false) {
                continue;
            }
            let Some(at) = at else {
                return Ok(Some(if agreed.is_some() { Why::OtherTime { seconds } } else { Why::OpenEnd }));
            };
            if let Some(shift) = side.shifts.iter().position(|&of| of == seconds) {
                let (against, also) = self.probe_side(side, shift, at)?;
                if against {
                    continue;
                }
                agreed = agreed.or(also.then_some(true));
            }
            let changes = self.changes_in(side, at);
            if agreed.is_some() || !self.is_unlikely(at, seconds, changes)? {
                return Ok(Some(Why::OtherTime { seconds }));
            }
        }
        Ok(None)
    }

    /// How many rows in the window of a side differ from the row before them.
    fn changes_in(&self, side: &Side, at: usize) -> u32 {
        let (lo, hi) = self.window(side, at);
        1 + (lo..hi).filter(|&at| self.differ(self.anchors[at].row, self.anchors[at + 1].row)).count() as u32
    }

    /// Whether rows that cannot be compared at another time would hardly agree there at random: by how often held
    /// readings at that distance differ, at the file's resolution. Equal rows count as one.
    fn is_unlikely(&mut self, at: usize, shift: i64, changes: u32) -> Result<bool, C::Error> {
        let line = self.line;
        let anchor = self.anchors[at];
        let span_number = line.held[anchor.held].span;
        let span = line.spans[span_number as usize];
        let around = anchor.held / PAIRS;
        let (pairs, differing) = match self.pairs.get(&(span_number, shift, around)) {
            Some(&known) => known,
            None => {
                let like = self.file.row(anchor.row);
                let from = span.first.max((around * PAIRS).saturating_sub(PAIRS));
                let (mut pairs, mut differing) = (0, 0);
                for one in from..=span.last.min((around + 2) * PAIRS) {
                    let Some(other) = line.at_time(span, line.held[one].time.later(shift)) else { continue };
                    if other != one
                        && let Some(row) =
                            self.asked.content(line, one)?.and_then(|content| loosely(content, like))
                        && let Some(agrees) = self.asked.values_agree(line, other, &row)?
                    {
                        (pairs, differing) = (pairs + 1, differing + u32::from(!agrees));
                    }
                }
                self.pairs.insert((span_number, shift, around), (pairs, differing));
                (pairs, differing)
            }
        };
        if pairs == 0 {
            // Nothing is known about times this far apart.
            return Ok(line.held[span.last].time.since(line.held[span.first].time) < shift.abs());
        }
        let alike = f64::from(pairs + 1 - differing) / f64::from(pairs + 1);
        Ok(alike.powi(changes.min(1_000) as i32) <= PROBABILITY_MAX)
    }

    /// The same at other settings of the clock that were at the same time or within a day of it.
    fn other_spans(&mut self, side: &Side, at: usize) -> Result<Option<Why>, C::Error> {
        let line = self.line;
        let anchor = self.anchors[at];
        let own = line.held[anchor.held];
        let (lo, hi) = self.window(side, at);
        let time = |at: usize| line.held[self.anchors[at].held].time;
        let (earliest, latest) = (time(lo).later(-SHIFT_S_MAX), time(hi).later(SHIFT_S_MAX));
        for (of, span) in line.spans.iter().enumerate() {
            self.asked.compared += 1;
            let is_far = line.held[span.first].time > latest || line.held[span.last].time < earliest;
            if of == own.span as usize || is_far {
                continue;
            }
            for &shift in [0].iter().chain(&side.shifts) {
                if !(span.from..=span.to).contains(&own.time.later(shift)) {
                    continue;
                }
                let (mut agreed, mut against) = (false, false);
                for step in 0..=hi - lo {
                    match self.probe(if side.is_back { hi - step } else { lo + step }, *span, shift)? {
                        Some(true) => agreed = true,
                        Some(false) => {
                            against = true;
                            break;
                        }
                        None => {}
                    }
                }
                if agreed && !against {
                    return Ok(Some(Why::OtherTime { seconds: shift }));
                }
            }
        }
        Ok(None)
    }

    /// The anchors of the same run on a side, at most [`WINDOW`] of them: first and last.
    fn window(&self, side: &Side, at: usize) -> (usize, usize) {
        let run = self.anchors[at].run;
        if side.is_back {
            let lo = (at + 1).saturating_sub(WINDOW);
            (lo + self.anchors[lo..=at].partition_point(|anchor| anchor.run < run), at)
        } else {
            let hi = (at + WINDOW).min(self.anchors.len());
            (at, at + self.anchors[at..hi].partition_point(|anchor| anchor.run <= run) - 1)
        }
    }

    /// Whether an anchor is evidence for (or against) its row being a reading of `span` at a time `shift` later.
    fn probe(&mut self, at: usize, span: Span, shift: i64) -> Result<Option<bool>, C::Error> {
        let anchor = self.anchors[at];
        self.asked.compared += 1;
        let target = self.line.at_time(span, self.line.held[anchor.held].time.later(shift));
        match target.filter(|&target| target != anchor.held) {
            Some(target) => self.asked.values_agree(self.line, target, self.file.row(anchor.row)),
            None => Ok(None),
        }
    }

    /// The same for a shift by its number in its own run of the clock; the number after the last one tests whether the
    /// row equals the one before it.
    fn probe_one(
        &mut self,
        side: &Side,
        shift: usize,
        at: usize,
        lo: usize,
    ) -> Result<Option<bool>, C::Error> {
        match side.shifts.get(shift) {
            Some(&seconds) => {
                let span = self.line.spans[self.line.held[self.anchors[at].held].span as usize];
                self.probe(at, span, seconds)
            }
            None if at == lo => Ok(None),
            None => Ok(Some(!self.differ(self.anchors[at - 1].row, self.anchors[at].row))),
        }
    }

    /// Whether any anchor of the window disagrees with a shift, and whether any agrees. Each anchor is tested once for
    /// each shift, because stretches come in the order of the file.
    fn probe_side(&mut self, side: &mut Side, shift: usize, at: usize) -> Result<(bool, bool), C::Error> {
        let (lo, hi) = self.window(side, at);
        let mut probed = side.probed[shift];
        if probed.against <= lo {
            let from = lo.max(probed.asked);
            for step in 0..(hi + 1).saturating_sub(from) {
                let anchor = if side.is_back { hi - step } else { from + step };
                if !side.is_back {
                    probed.asked = anchor + 1;
                }
                match self.probe_one(side, shift, anchor, lo)? {
                    Some(true) => probed.agreed = probed.agreed.max(anchor + 1),
                    Some(false) => {
                        probed.against = anchor + 1;
                        break;
                    }
                    None => {}
                }
            }
            if side.is_back {
                probed.asked = hi + 1;
            }
            side.probed[shift] = probed;
        }
        Ok((probed.against > lo, probed.agreed > lo))
    }

    /// Whether two rows of the file have different values.
    fn differ(&self, one: usize, other: usize) -> bool {
        let (one, other) = (self.file.row(one), self.file.row(other));
        let mut same_time = empty_row();
        copy_row(&mut same_time, one);
        same_time.time = other.time;
        !same_time.agrees_with_row(other)
    }
}
