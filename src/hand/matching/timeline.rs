//! What is held of a logger along its clock: readings by sequence and by time, runs of the clock between two
//! settings, and the records between two readings.

use super::history::{EpochHeld, HeldRecord, History, Kind};
use crate::time::LoggerTime;
use crate::wire::seq::Identity;

/// A held reading in the order of identities.
#[derive(Clone, Copy, Debug)]
pub(super) struct Held {
    pub(super) time: LoggerTime,
    pub(super) epoch: u32,
    pub(super) record: u32,
    /// Its run of the clock, between two settings: within it, times ascend.
    pub(super) span: u32,
    pub(super) interval_s: u32,
}

/// All held readings, and what lies between them.
pub(super) struct Timeline<'a> {
    pub(super) history: &'a History,
    pub(super) held: Vec<Held>,
    /// Indices into `held`, by time.
    pub(super) by_time: Vec<u32>,
    /// First and last index into `held` of each run of the clock, and the times that it may cover.
    pub(super) spans: Vec<Span>,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub(super) first: usize,
    pub(super) last: usize,
    pub(super) from: LoggerTime,
    pub(super) to: LoggerTime,
}

impl<'a> Timeline<'a> {
    pub(super) fn new(history: &'a History) -> Self {
        let mut held: Vec<Held> = Vec::new();
        let mut interval_s = history.interval_s;
        let mut span = 0;
        for (epoch, of) in history.epochs.iter().enumerate() {
            let mut is_cut = true;
            for (record, what) in of.records.iter().enumerate() {
                match what.kind {
                    Kind::Profile { interval_s: now } => interval_s = now,
                    Kind::ClockSet { .. } | Kind::PowerUp => is_cut = true,
                    Kind::Event | Kind::Unknown => {}
                    Kind::Reading => {
                        let time = LoggerTime(what.time.into());
                        let runs_back = held.last().is_some_and(|last| last.time >= time);
                        span += u32::from((is_cut || runs_back) && !held.is_empty());
                        is_cut = false;
                        held.push(Held {
                            time,
                            epoch: epoch as u32,
                            record: record as u32,
                            span,
                            interval_s,
                        });
                    }
                }
            }
        }
        let mut by_time: Vec<u32> = (0..held.len() as u32).collect();
        by_time.sort_by_key(|&at| held.get(at as usize).map(|held| held.time));
        let mut line = Self { history, held, by_time, spans: Vec::new() };
        line.spans = line.find_spans();
        line
    }

    /// The times that a run of the clock may cover: its readings, and what is missing on either side of them.
    fn find_spans(&self) -> Vec<Span> {
        let mut spans: Vec<Span> = Vec::new();
        for (at, held) in self.held.iter().enumerate() {
            let same = at.checked_sub(1).is_some_and(|before| self.held[before].span == held.span);
            if let Some(span) = spans.last_mut().filter(|_| same) {
                (span.last, span.to) = (at, held.time);
            } else {
                spans.push(Span { first: at, last: at, from: held.time, to: held.time });
            }
        }
        for span in &mut spans {
            let (first, last) = (self.held[span.first], self.held[span.last]);
            let before =
                match span.first.checked_sub(1).filter(|&before| self.held[before].epoch == first.epoch) {
                    Some(before) => self.sequence(span.first).saturating_sub(self.sequence(before)),
                    None => self.sequence(span.first),
                };
            let after = match self.held.get(span.last + 1).filter(|after| after.epoch == last.epoch) {
                Some(_) => i64::from(self.sequence(span.last + 1).saturating_sub(self.sequence(span.last))),
                // It is not known how long an epoch went on.
                None => i64::from(u32::MAX),
            };
            span.from = span.from.later(-(i64::from(before) * i64::from(first.interval_s)));
            span.to = span.to.later(after * i64::from(last.interval_s));
        }
        spans
    }

    pub(super) fn sequence(&self, at: usize) -> u32 {
        let held = self.held[at];
        self.history.epochs[held.epoch as usize].records[held.record as usize].sequence
    }

    pub(super) fn epoch(&self, at: usize) -> &'a EpochHeld {
        &self.history.epochs[self.held[at].epoch as usize]
    }

    pub(super) fn identity(&self, at: usize) -> Option<Identity> {
        let (epoch, sequence) = (self.epoch(at).epoch.number(), self.sequence(at));
        Identity::new(self.history.address.number(), epoch, sequence)
    }

    /// The records held between a reading and the next, of the same epoch.
    pub(super) fn between(&self, before: usize) -> &'a [HeldRecord] {
        let (from, to) = (self.held[before].record as usize, self.held[before + 1].record as usize);
        &self.epoch(before).records[from + 1..to]
    }

    /// The reading of a run of the clock that is nearest to a time, if within a quarter of its interval.
    pub(super) fn at_time(&self, span: Span, time: LoggerTime) -> Option<usize> {
        let of_span = &self.held[span.first..=span.last];
        let after = span.first + of_span.partition_point(|held| held.time < time);
        let is_near = |&at: &usize| {
            (span.first..=span.last).contains(&at) && {
                let held = self.held[at];
                4 * held.time.since(time).abs() <= i64::from(held.interval_s)
            }
        };
        let near = [after.checked_sub(1), Some(after)].into_iter().flatten().filter(is_near);
        near.min_by_key(|&at| self.held[at].time.since(time).abs())
    }
}
