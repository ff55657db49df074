//! What became of a logger's records, day by day, and one character for each day.
//!
//! Input: counts from the ledger and the gap report. Output: [`Strip`], for the text and for JSON. Pure.
//!
//! What is exact and what is not:
//!
//! - A day is a day of UTC, because the ledger's settled counters are; nothing finer is kept for ten years. It is
//!   shown under the site's date that most of it falls on, and the legend says at what hour it changes.
//! - By radio: exact, on the day of *reception*. A record that came hours late counts on the day on which it came.
//! - By hand: on the day of the record's own time, by its logger's clock.
//! - Missing, written off: a gap's records, spread evenly between its estimated ends.
//! - Presumed: what a silent logger should have made since it was last heard, and what an unclosed epoch may have
//!   made after its last held record. Nobody knows yet.

use std::iter;

/// Days in a strip.
pub const STRIP_DAYS: usize = 30;
/// Days over which the share heard first time is taken, the present one included.
pub const FIRST_TIME_DAYS: usize = 7;
pub(super) const DAY_S: i64 = 86_400;

/// One day of one logger, in records.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DayCounts {
    /// Stored by radio.
    pub radio: u64,
    /// Brought by hand.
    pub hand: u64,
    /// Missing, and not written off.
    pub missing: u64,
    /// Missing and written off.
    pub written_off: u64,
    /// Presumed to be missing.
    pub presumed: u64,
    /// Of all those that did not come by radio, what the gateway could not have heard.
    pub gateways: u64,
}

impl DayCounts {
    /// All that the logger made that day, as far as is known or presumed.
    pub fn due(&self) -> u64 {
        self.radio.saturating_add(self.hand).saturating_add(self.lost())
    }

    fn lost(&self) -> u64 {
        self.missing.saturating_add(self.written_off).saturating_add(self.presumed)
    }

    /// What the day looks like in one word. A tenth of a day is the limit: a frame or two lost, or a record or
    /// two brought by hand, make no bad day.
    fn mark(&self) -> Mark {
        let due = self.due();
        if due == 0 {
            Mark::NothingDue
        } else if self.lost() * 10 >= due {
            if self.written_off > self.missing + self.presumed {
                Mark::WrittenOff
            } else if self.presumed > self.missing {
                Mark::Presumed
            } else if self.lost() * 10 >= due * 9 {
                Mark::NearlyAllMissing
            } else {
                Mark::Missing
            }
        } else if self.hand * 10 >= due {
            Mark::ByHand
        } else if self.lost() > 0 {
            Mark::FewMissing
        } else {
            Mark::Heard
        }
    }
}

/// What a day looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mark {
    Heard,
    FewMissing,
    Missing,
    NearlyAllMissing,
    ByHand,
    Presumed,
    WrittenOff,
    NothingDue,
}

impl Mark {
    /// In the order in which the legend tells them.
    pub(super) const ALL: [Self; 8] = [
        Self::Heard,
        Self::FewMissing,
        Self::Missing,
        Self::NearlyAllMissing,
        Self::ByHand,
        Self::Presumed,
        Self::WrittenOff,
        Self::NothingDue,
    ];

    /// Full is good, a low block is little: it reads in black and white. The others stand out by shape.
    pub(super) fn character(self, unicode: bool) -> char {
        match (self, unicode) {
            (Self::Heard, true) => '█',
            (Self::Heard, false) => '#',
            (Self::FewMissing, true) => '▇',
            (Self::FewMissing, false) => '+',
            (Self::Missing, true) => '▄',
            (Self::Missing, false) => '-',
            (Self::NearlyAllMissing, true) => '▁',
            (Self::NearlyAllMissing, false) => '_',
            (Self::ByHand, true) => '▒',
            (Self::ByHand, false) => 'h',
            (Self::Presumed, _) => '?',
            (Self::WrittenOff, _) => 'x',
            (Self::NothingDue, true) => '·',
            (Self::NothingDue, false) => '.',
        }
    }

    pub(super) fn meaning(self) -> &'static str {
        match self {
            Self::Heard => "all by radio",
            Self::FewMissing => "under a tenth missing",
            Self::Missing => "a tenth or more missing",
            Self::NearlyAllMissing => "nearly all missing",
            Self::ByHand => "filled by hand",
            Self::Presumed => "presumed missing",
            Self::WrittenOff => "written off",
            Self::NothingDue => "nothing due",
        }
    }
}

/// The last days of one logger, oldest first; the last one is the present day, as far as it has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Strip {
    /// The first day, in days of UTC since 1970.
    pub first_day: i64,
    /// [`STRIP_DAYS`] of them.
    pub days: Vec<DayCounts>,
}

impl Strip {
    /// Empty, and ending at the present.
    pub fn ending(now: i64) -> Self {
        let first_day = now.div_euclid(DAY_S) + 1 - STRIP_DAYS as i64;
        Self { first_day, days: vec![DayCounts::default(); STRIP_DAYS] }
    }

    /// Its days, numbered as the ledger numbers them.
    pub fn numbered(&self) -> impl Iterator<Item = (i64, &DayCounts)> {
        iter::successors(Some(self.first_day), |day| Some(day + 1)).zip(&self.days)
    }

    /// Spreads records evenly over a span of time; what falls outside the strip is left out.
    pub(super) fn spread(
        &mut self,
        (from, to): (i64, i64),
        records: u64,
        field: impl Fn(&mut DayCounts) -> &mut u64,
    ) {
        if records == 0 {
            return;
        }
        // A clock that was set back in between: all that is known is when it ended.
        let from = if from > to { to } else { from };
        // How many of them lie before an instant: the first at `from`, the last at `to`.
        let before = |instant: i64| -> u64 {
            if instant <= from {
                return 0;
            }
            if instant > to {
                return records;
            }
            let (past, whole) = (i128::from(instant) - i128::from(from), i128::from(to) - i128::from(from));
            // from < instant <= to, so `whole` is above 0; the quotient is rounded up.
            let steps = past.saturating_mul(i128::from(records - 1));
            u64::try_from(steps.saturating_add(whole - 1) / whole).unwrap_or(records).clamp(1, records)
        };
        let mut passed = before(self.first_day.saturating_mul(DAY_S));
        for (at, counts) in self.days.iter_mut().enumerate() {
            let end = (self.first_day + at as i64 + 1).saturating_mul(DAY_S);
            let through = before(end);
            *field(counts) += through - passed;
            passed = through;
        }
    }

    /// Records heard first time, and all that were due, over the last [`FIRST_TIME_DAYS`] days.
    ///
    /// Heard first time is what came by radio; due is that, and what is missing or presumed missing, written off,
    /// or was brought by hand later; less what the gateway could not have heard, which says nothing of a logger's path.
    pub fn heard_first_time(&self) -> (u64, u64) {
        let days = self.days.iter().rev().take(FIRST_TIME_DAYS);
        let (radio, due, gateways) = days.fold((0_u64, 0_u64, 0_u64), |(radio, due, gateways), day| {
            let due = due.saturating_add(day.due());
            (radio.saturating_add(day.radio), due, gateways.saturating_add(day.gateways))
        });
        (radio, due.saturating_sub(gateways).max(radio))
    }

    pub(super) fn marks(&self, days: usize) -> impl Iterator<Item = Mark> {
        self.days.iter().skip(self.days.len().saturating_sub(days)).map(DayCounts::mark)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spread_records_are_as_many_as_there_are_and_lie_where_a_count_one_by_one_puts_them() {
        let now = 1_780_000_000;
        let start = Strip::ending(now).first_day * DAY_S;
        for (from, to, records) in [
            (start, start, 1),
            (start + 10, start + 10, 5),
            (start + 100, start + DAY_S - 1, 144),
            (start + 5_000, start + 3 * DAY_S + 7_777, 1_000),
            (start - DAY_S, start + DAY_S, 3),
            (start, start + DAY_S, 2),
            (now - DAY_S, now + 40 * DAY_S, 500),
        ] {
            let mut strip = Strip::ending(now);
            strip.spread((from, to), records, |day| &mut day.missing);
            let mut slow = vec![0; STRIP_DAYS];
            for i in 0..records as i64 {
                // In units of 1/(records - 1) seconds, so that nothing is rounded.
                let n = (records as i64 - 1).max(1);
                let day = (from * n + i * (to - from)).div_euclid(DAY_S * n) - strip.first_day;
                if let Some(count) = usize::try_from(day).ok().and_then(|day| slow.get_mut(day)) {
                    *count += 1;
                }
            }
            let fast: Vec<u64> = strip.days.iter().map(|day| day.missing).collect();
            assert_eq!(fast, slow, "{records} records in {from}..={to}");
        }
    }

    #[test]
    fn a_span_that_goes_back_or_reaches_for_ever_does_no_harm() {
        let mut strip = Strip::ending(1_780_000_000);
        strip.spread((1_780_000_000, 1_779_990_000), 7, |day| &mut day.missing);
        assert_eq!(strip.days.iter().map(|day| day.missing).sum::<u64>(), 7);
        strip.spread((i64::MIN, i64::MAX), u64::MAX >> 1, |day| &mut day.presumed);
        Strip::ending(i64::MAX - 40 * DAY_S).spread((0, i64::MAX), 9, |day| &mut day.missing);
    }

    #[test]
    fn a_day_is_named_for_what_an_operator_must_know_of_it() {
        let day = |radio, hand, missing, written_off, presumed| {
            DayCounts { radio, hand, missing, written_off, presumed, gateways: 0 }.mark()
        };
        assert_eq!(day(0, 0, 0, 0, 0), Mark::NothingDue);
        assert_eq!(day(144, 0, 0, 0, 0), Mark::Heard);
        assert_eq!(day(143, 0, 1, 0, 0), Mark::FewMissing);
        assert_eq!(day(120, 0, 24, 0, 0), Mark::Missing);
        assert_eq!(day(1, 0, 143, 0, 0), Mark::NearlyAllMissing);
        assert_eq!(day(20, 124, 0, 0, 0), Mark::ByHand);
        assert_eq!(day(143, 1, 0, 0, 0), Mark::Heard);
        assert_eq!(day(20, 100, 24, 0, 0), Mark::Missing);
        assert_eq!(day(0, 0, 0, 0, 144), Mark::Presumed);
        assert_eq!(day(10, 0, 0, 134, 0), Mark::WrittenOff);
        for unicode in [true, false] {
            let mut characters = Mark::ALL.map(|mark| mark.character(unicode)).to_vec();
            characters.sort_unstable();
            characters.dedup();
            assert_eq!(characters.len(), Mark::ALL.len());
        }
    }
}
