//! Compares each row with the held readings, and examines the stretches between anchors: whether there are as many rows
//! as missing sequences between two anchors, each at its time.
//!
//! This is not a proof yet. `evidence` decides whether the anchors distinguish one time from another.

use super::contents::step_s;
use super::{ASK_EVERY, Anchor, Contents, Fit, HeldRecord, Kind, Matcher, Met, Piece, Why};
use crate::record::judge::Row;
use crate::time::LoggerTime;

/// With how many held readings of one time a row is compared.
const SAME_TIME_MAX: usize = 32;

impl<C: Contents> Matcher<'_, '_, '_, C> {
    /// Compares each row with the held readings; `Ok(false)`: it was stopped.
    pub(super) fn meet(&mut self, goes_on: &mut dyn FnMut(u64) -> bool) -> Result<bool, C::Error> {
        self.met.reserve(self.file.len());
        for at in 0..self.file.len() {
            if at.is_multiple_of(ASK_EVERY) && !goes_on(at as u64) {
                return Ok(false);
            }
            let met = self.meets(self.file.row(at))?;
            if let Met::Anchor(held) = met {
                self.anchors.push(Anchor { row: at, held, run: 0 });
            }
            self.met.push(met);
        }
        Ok(true)
    }

    fn meets(&mut self, row: &Row) -> Result<Met, C::Error> {
        let line = self.line;
        let (time, half_s) = (LoggerTime(row.time.into()), i64::from(step_s(row)).div_euclid(2));
        let time_of = |at: usize| line.by_time.get(at).map(|&held| line.held[held as usize].time);
        let from = line.by_time.partition_point(|&held| line.held[held as usize].time < time.later(-half_s));
        let mut to = from;
        while time_of(to).is_some_and(|of| of <= time.later(half_s)) {
            to += 1;
            if to - from > SAME_TIME_MAX {
                return Ok(Met::Several);
            }
        }
        // One more on either side: a held row may be rounded itself, and a reading nearby counts as met although it
        // cannot agree.
        let (mut agreed, mut nearest, mut is_dark) = (None, None, false);
        for at in from.saturating_sub(1)..(to + 1).min(line.by_time.len()) {
            let held = line.by_time[at] as usize;
            let off_s = line.held[held].time.since(time).abs();
            let is_met = 4 * off_s <= i64::from(line.held[held].interval_s);
            if !is_met && off_s > half_s.max(60) {
                continue;
            }
            match self.asked.agrees(line, held, row)? {
                Some(true) if agreed.is_some() => return Ok(Met::Several),
                Some(true) => agreed = Some(held),
                Some(false) if is_met && nearest.is_none_or(|(least, _)| off_s < least) => {
                    nearest = Some((off_s, held));
                }
                Some(false) => {}
                None => is_dark = true,
            }
        }
        Ok(match (agreed, nearest) {
            (Some(held), _) => Met::Anchor(held),
            (None, _) if is_dark => Met::Several,
            (None, Some((_, held))) => Met::Disagrees(held),
            (None, None) => Met::Nothing,
        })
    }

    /// Splits the file into runs of anchors and the rows in between, and tests whether those fit.
    pub(super) fn cut(&self) -> Vec<Piece> {
        let mut pieces = Vec::new();
        let mut from = 0;
        while from < self.met.len() {
            let held = |at: usize| match self.met.get(at) {
                Some(&Met::Anchor(held)) => Some(held),
                _ => None,
            };
            let mut to = from + 1;
            if let Some(first) = held(from) {
                let mut last = first;
                while let Some(next) = held(to) {
                    if next <= last || self.line.held[next].epoch != self.line.held[last].epoch {
                        break;
                    }
                    (last, to) = (next, to + 1);
                }
                pieces.push(Piece { from, to, fit: None });
            } else {
                while to < self.met.len() && held(to).is_none() {
                    to += 1;
                }
                let before = from.checked_sub(1).and_then(held);
                pieces.push(Piece { from, to, fit: Some(self.fit(from, to, before, held(to))) });
            }
            from = to;
        }
        pieces
    }

    /// What one of these rows disagrees with.
    fn disagreement(&self, from: usize, to: usize) -> Option<Why> {
        (from..to).find_map(|at| match self.met[at] {
            Met::Disagrees(held) => Some(Why::Disagrees {
                line: self.file.line(at),
                epoch: self.line.epoch(held).epoch.number(),
                sequence: self.line.sequence(held),
            }),
            _ => None,
        })
    }

    /// Two neighbours with the same time; identical ones were removed before.
    fn doubled(&self, from: usize, to: usize) -> Option<Why> {
        let later = (from.max(1)..(to + 1).min(self.file.len()))
            .find(|&at| self.file.row(at).time == self.file.row(at - 1).time)?;
        Some(Why::Doubled { line: self.file.line(later) })
    }

    /// Whether there are as many rows as sequences between two held readings, each at its time.
    fn fit(&self, from: usize, to: usize, before: Option<usize>, after: Option<usize>) -> Result<Fit, Why> {
        let line = self.line;
        if let Some(doubled) = self.doubled(from, to) {
            let step_s = step_s(self.file.row(from));
            let interval_s =
                before.or(after).map_or(line.history.interval_s, |held| line.held[held].interval_s);
            return Err(if step_s > interval_s / 2 {
                Why::TooCoarse { step_s, interval_s }
            } else {
                doubled
            });
        }
        // Rows that disagree are reported before anything else that is wrong.
        let or = |why: Why| Err(self.disagreement(from, to).unwrap_or(why));
        let (before, after) = match (before, after) {
            (None, None) => return or(Why::NoAnchor),
            (Some(before), Some(after)) if after <= before => return or(Why::OutOfOrder),
            (Some(before), Some(after)) => (before, after),
            (Some(before), None) => (before, before + 1),
            (None, Some(after)) => match after.checked_sub(1) {
                Some(before) => (before, after),
                None => return or(Why::NoNeighbour),
            },
        };
        if after >= line.held.len() {
            return or(Why::NoNeighbour);
        }
        if line.held[before].epoch != line.held[after].epoch {
            return or(Why::TwoEpochs);
        }
        if after != before + 1 {
            return or(Why::HeldBetween { sequence: line.sequence(before + 1) });
        }
        if self.file.broken[from..=to].iter().any(|&is_broken| is_broken) {
            return or(Why::AfterRefused);
        }
        if let Some(several) = (from..to).find(|&at| self.met[at] == Met::Several) {
            return or(Why::Several { line: self.file.line(several) });
        }
        let (first, last) = (line.sequence(before), line.sequence(after));
        let between = line.between(before);
        if let Some(dark) = between.iter().find(|record| record.kind == Kind::Unknown) {
            return or(Why::Unreadable { sequence: dark.sequence });
        }
        let (rows, sequences) = (
            (to - from) as u64,
            u64::from(last.saturating_sub(first)).saturating_sub(1 + between.len() as u64),
        );
        if sequences == 0 {
            return or(Why::NothingMissing);
        }
        if rows != sequences {
            return or(Why::Count { rows, sequences });
        }
        let missing = &line.epoch(before).missing;
        let mut held = between.iter().map(|record| record.sequence).peekable();
        let is_missing = |sequence: &u32| held.next_if_eq(sequence).is_none();
        let sequences: Vec<u32> = (first + 1..last).filter(is_missing).collect();
        if let Some(&sequence) = sequences.iter().find(|&&sequence| !missing.contains(sequence)) {
            return or(Why::NotExpected { sequence });
        }
        match self.in_time(from, before, &sequences) {
            Ok(is_plain) => Ok(Fit { before, sequences, is_plain }),
            Err(why) => or(why),
        }
    }

    /// Whether each row is at the time of its sequence; `Ok(false)`: across a change of clock or interval.
    fn in_time(&self, from: usize, before: usize, sequences: &[u32]) -> Result<bool, Why> {
        let (left, right) = (self.line.held[before], self.line.held[before + 1]);
        let (left_s, right_s) = (i64::from(left.interval_s), i64::from(right.interval_s));
        if left_s == 0 || right_s == 0 {
            return Err(Why::NoInterval);
        }
        let changes = |record: &&HeldRecord| match record.kind {
            Kind::ClockSet { .. } | Kind::PowerUp => true,
            Kind::Profile { interval_s } => interval_s != left.interval_s,
            _ => false,
        };
        let mut changing = self.line.between(before).iter().filter(changes);
        let (first, last) = (changing.next(), changing.next_back());
        let last = last.or(first);
        let count = sequences.len();
        // How many are before the first change, and from which one on they are after the last.
        let (ahead, behind) = match first.zip(last) {
            None => (count, count),
            Some((first, last)) => (
                sequences.partition_point(|&sequence| sequence < first.sequence),
                sequences.partition_point(|&sequence| sequence < last.sequence),
            ),
        };
        if ahead != behind {
            return Err(Why::TwoChanges);
        }
        let off = |at: usize, expected: LoggerTime, interval_s: i64| {
            let off_s = LoggerTime(self.file.row(from + at).time.into()).since(expected);
            let most_s = interval_s / 4;
            let line = self.file.line(from + at);
            if off_s.abs() > most_s { Err(Why::OffTime { line, off_s, most_s }) } else { Ok(()) }
        };
        if first.is_none() {
            let (seconds, intervals) = (right.time.since(left.time), count as i64 + 1);
            if 4 * (seconds - intervals * left_s).abs() > left_s {
                return Err(Why::Span { intervals: intervals as u64, interval_s: left.interval_s, seconds });
            }
            for at in 0..count {
                // Between both neighbours: their deviation is shared.
                off(at, left.time.later(seconds * (at as i64 + 1) / intervals), left_s)?;
            }
            return Ok(true);
        }
        for at in 0..ahead {
            let expected = left.time.later((at as i64 + 1) * left_s);
            off(at, expected, left_s)?;
            if let Some(change) = first.filter(|change| expected > ends_at(change).later(left_s / 4)) {
                // A reading cannot be later than the change that comes after it.
                let (line, off_s) = (self.file.line(from + at), expected.since(ends_at(change)));
                return Err(Why::OffTime { line, off_s, most_s: left_s / 4 });
            }
        }
        for at in ahead..count {
            let expected = right.time.later(-((count - at) as i64 * right_s));
            off(at, expected, right_s)?;
            if let Some(change) = last.filter(|change| expected < begins_at(change).later(-right_s / 4)) {
                let (line, off_s) = (self.file.line(from + at), expected.since(begins_at(change)));
                return Err(Why::OffTime { line, off_s, most_s: right_s / 4 });
            }
        }
        Ok(false)
    }

    /// Gives anchors that follow each other without a break the same number.
    pub(super) fn number_runs(&mut self, pieces: &[Piece]) {
        let (mut run, mut at) = (0, 0);
        let mut crosses = false;
        for piece in pieces {
            match &piece.fit {
                Some(fit) => crosses = fit.as_ref().is_ok_and(|fit| fit.is_plain),
                None => {
                    for place in piece.from..piece.to {
                        let is_inside = place > piece.from;
                        let follows = is_inside
                            && self.follows(self.anchors[at - 1].held, self.anchors[at].held, place);
                        run += u32::from(!follows && (is_inside || !crosses));
                        self.anchors[at].run = run;
                        at += 1;
                    }
                    crosses = false;
                }
            }
        }
    }

    /// Whether no reading and no change lies between two held readings.
    fn follows(&self, before: usize, after: usize, place: usize) -> bool {
        let line = self.line;
        after == before + 1
            && !self.file.broken[place]
            && line.held[before].span == line.held[after].span
            && {
                let between = line.between(before);
                let all_held =
                    line.sequence(after).saturating_sub(line.sequence(before)) as usize == between.len() + 1;
                all_held && between.iter().all(|record| record.kind != Kind::Unknown)
            }
    }
}

/// The latest time that a reading before a change can have.
fn ends_at(change: &HeldRecord) -> LoggerTime {
    match change.kind {
        Kind::ClockSet { seconds_added } => LoggerTime(i64::from(change.time).saturating_sub(seconds_added)),
        // Another clock ran before.
        Kind::PowerUp => LoggerTime(i64::MAX / 2),
        _ => begins_at(change),
    }
}

/// The earliest time that a reading after a change can have.
fn begins_at(change: &HeldRecord) -> LoggerTime {
    LoggerTime(change.time.into())
}
