//! What became of a logger's records, day by day.
//!
//! Input: counts from the ledger and the gap report. Output: [`Strip`]; [`DayMark`] describes one day.
//!
//! What is exact and what is estimated:
//!
//! - A day is the site's, from midnight to midnight.
//! - By radio: exact, on the day of *reception*. A record that came hours late counts on the day on which it came.
//! - By hand: on the day of the record's own time, by its logger's clock.
//! - Missing, written off: a gap's records, spread evenly between its estimated ends.
//! - Presumed: what a silent logger should have made since it was last heard, and what an unclosed epoch may have
//!   made after its last held record. This is not known yet.

use super::gap_state::GapState;
use super::gaps::{Report, Silence};
use crate::ledger::read::Read;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::{InService, Roster};
use crate::record::written::WrittenOff;
use crate::time::{Days, GatewayTime};
use crate::wire::seq::Address;
use std::collections::BTreeMap;
use std::iter;

/// Days in a strip.
pub const STRIP_DAYS: usize = 30;
/// Number of days for the share that was heard the first time, including today.
pub const FIRST_TIME_DAYS: usize = 7;
/// One day of one logger, in records.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct DayCounts {
    pub radio: u64,
    pub hand: u64,
    /// Missing, and not written off.
    pub missing: u64,
    /// Missing and written off.
    pub written_off: u64,
    #[serde(rename = "presumed_missing")]
    pub presumed: u64,
    /// Of those that did not come by radio: how many the gateway could not have heard.
    #[serde(rename = "unheard_by_gateway")]
    pub gateways: u64,
}

impl DayCounts {
    /// All records that the logger made that day, as far as is known or presumed.
    pub fn due(&self) -> u64 {
        self.radio.saturating_add(self.hand).saturating_add(self.lost())
    }

    fn lost(&self) -> u64 {
        self.missing.saturating_add(self.written_off).saturating_add(self.presumed)
    }

    /// The day in one word. The limit is a tenth of a day: one or two lost frames, or one or two records brought by
    /// hand, do not make a bad day.
    fn mark(&self) -> DayMark {
        let due = self.due();
        if due == 0 {
            DayMark::NothingDue
        } else if self.lost() * 10 >= due {
            if self.written_off > self.missing + self.presumed {
                DayMark::WrittenOff
            } else if self.presumed > self.missing {
                DayMark::Presumed
            } else if self.lost() * 10 >= due * 9 {
                DayMark::NearlyAllMissing
            } else {
                DayMark::Missing
            }
        } else if self.hand * 10 >= due {
            DayMark::ByHand
        } else if self.lost() > 0 {
            DayMark::FewMissing
        } else {
            DayMark::Heard
        }
    }
}

/// What a day looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayMark {
    /// All came by radio.
    Heard,
    /// Less than a tenth is missing.
    FewMissing,
    /// A tenth or more is missing.
    Missing,
    NearlyAllMissing,
    /// A tenth or more was brought by hand.
    ByHand,
    Presumed,
    WrittenOff,
    NothingDue,
}

impl DayMark {
    /// In the order of the legend.
    pub const ALL: [Self; 8] = [
        Self::Heard,
        Self::FewMissing,
        Self::Missing,
        Self::NearlyAllMissing,
        Self::ByHand,
        Self::Presumed,
        Self::WrittenOff,
        Self::NothingDue,
    ];
}

/// The last days of one logger, oldest first; the last one is today, which is not over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Strip {
    /// The site's calendar.
    pub calendar: Days,
    /// The first day, by its number in the calendar.
    pub first_day: i64,
    /// Always [`STRIP_DAYS`] days.
    pub days: Vec<DayCounts>,
}

impl Strip {
    /// An empty strip that ends today.
    pub fn ending(now: GatewayTime, calendar: Days) -> Self {
        let first_day = calendar.of(now.unix_s()) + 1 - STRIP_DAYS as i64;
        Self { calendar, first_day, days: vec![DayCounts::default(); STRIP_DAYS] }
    }

    /// The days with their numbers in the calendar.
    pub fn numbered(&self) -> impl Iterator<Item = (i64, &DayCounts)> {
        iter::successors(Some(self.first_day), |day| Some(day + 1)).zip(&self.days)
    }

    /// Spreads records evenly over a span of time; what falls outside the strip is left out.
    pub fn spread(
        &mut self,
        (from, to): (GatewayTime, GatewayTime),
        records: u64,
        field: impl Fn(&mut DayCounts) -> &mut u64,
    ) {
        if records == 0 {
            return;
        }
        // The clock was set back in between, so only the end is known.
        let from = if from > to { to } else { from };
        // How many of them were made before an instant: the first is at `from`, the last at `to`.
        let before = |instant: GatewayTime| -> u64 {
            if instant <= from {
                return 0;
            }
            if instant > to {
                return records;
            }
            let begin = i128::from(from.unix_s());
            let (past, whole) = (i128::from(instant.unix_s()) - begin, i128::from(to.unix_s()) - begin);
            // from < instant <= to, so `whole` is above 0; the quotient is rounded up.
            let steps = past.saturating_mul(i128::from(records - 1));
            u64::try_from(steps.saturating_add(whole - 1) / whole).unwrap_or(records).clamp(1, records)
        };
        let calendar = self.calendar;
        let start_of = |day: i64| GatewayTime(calendar.begin_s(day));
        let mut passed = before(start_of(self.first_day));
        for (at, counts) in self.days.iter_mut().enumerate() {
            let end = start_of(self.first_day + at as i64 + 1);
            let through = before(end);
            *field(counts) += through - passed;
            passed = through;
        }
    }

    /// Spreads what a silent logger is presumed to have made, counted as in the report.
    fn spread_silence(
        &mut self,
        silence: &Silence,
        in_service: Option<GatewayTime>,
        is_the_gateways: bool,
        is_given_up: bool,
    ) {
        let Some(since) = silence.last_heard.max(in_service) else { return };
        let Some(readings) = silence.presumed_readings else { return };
        let until = silence.until;
        let step = until.since(since) / i64::try_from(readings).unwrap_or(i64::MAX).max(1);
        let span = (since.later(step), until);
        if is_the_gateways {
            self.spread(span, readings, |day| &mut day.gateways);
        }
        match is_given_up {
            true => self.spread(span, readings, |day| &mut day.written_off),
            false => self.spread(span, readings, |day| &mut day.presumed),
        }
    }

    /// Records heard the first time, and all that were due, over the last [`FIRST_TIME_DAYS`] days.
    ///
    /// A record is heard the first time if it came by radio. Due are those, and records that are missing, presumed
    /// missing or written off, or were brought by hand later; less what the gateway could not have heard, which says
    /// nothing about a logger's radio path.
    pub fn heard_first_time(&self) -> (u64, u64) {
        let days = self.days.iter().rev().take(FIRST_TIME_DAYS);
        let (radio, due, gateways) = days.fold((0_u64, 0_u64, 0_u64), |(radio, due, gateways), day| {
            let due = due.saturating_add(day.due());
            (radio.saturating_add(day.radio), due, gateways.saturating_add(day.gateways))
        });
        (radio, due.saturating_sub(gateways).max(radio))
    }

    /// Marks of the last days, oldest first.
    pub fn marks(&self, days: usize) -> impl Iterator<Item = DayMark> {
        self.days.iter().skip(self.days.len().saturating_sub(days)).map(DayCounts::mark)
    }
}

/// The last days of every logger.
pub fn strips(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    report: &Report,
    unheard: &[Silence],
    given_up: &BTreeMap<Address, WrittenOff>,
    (calendar, now): (Days, GatewayTime),
) -> Read<BTreeMap<Address, Strip>> {
    let addresses: Vec<Address> = roster.loggers().map(|logger| logger.address).collect();
    let mut strips: BTreeMap<Address, Strip> =
        addresses.iter().map(|&address| (address, Strip::ending(now, calendar))).collect();
    let first_day = Strip::ending(now, calendar).first_day;
    let days = (first_day, first_day + STRIP_DAYS as i64 - 1);
    let mut count = |counts: BTreeMap<(Address, i64), u64>, field: fn(&mut DayCounts) -> &mut u64| {
        for ((address, day), records) in counts {
            let at = usize::try_from(day - first_day).ok();
            let strip = strips.get_mut(&address);
            if let Some(day) = strip.zip(at).and_then(|(strip, at)| strip.days.get_mut(at)) {
                *field(day) += records;
            }
        }
    };
    count(snapshot.radio_days(&addresses, calendar, days)?, |day| &mut day.radio);
    count(snapshot.hand_days(&addresses, calendar, days)?, |day| &mut day.hand);
    spread_missing(report, &mut strips);
    let silences = report.silent.iter().map(|silence| (silence, false));
    for (silence, is_the_gateways) in silences.chain(unheard.iter().map(|silence| (silence, true))) {
        let in_service = match roster.logger(silence.logger).and_then(|logger| logger.in_service) {
            Some(InService::From(since)) => Some(since),
            _ => None,
        };
        let Some(strip) = strips.get_mut(&silence.logger) else { continue };
        strip.spread_silence(silence, in_service, is_the_gateways, given_up.contains_key(&silence.logger));
    }
    Ok(strips)
}

/// Adds gaps, outages and unclosed epochs to each day.
fn spread_missing(report: &Report, strips: &mut BTreeMap<Address, Strip>) {
    for gap in &report.gaps {
        // A gap without any time counts as missing, but on no day.
        let Some(span) = gap.from.zip(gap.to) else { continue };
        let Some(strip) = strips.get_mut(&gap.logger) else { continue };
        match gap.state {
            GapState::Open => strip.spread(span, gap.records(), |day| &mut day.missing),
            GapState::WrittenOff => strip.spread(span, gap.records(), |day| &mut day.written_off),
        }
    }
    for outage in report.outages.iter().filter(|outage| outage.cause.is_the_gateways()) {
        for part in &outage.parts {
            if let Some(strip) = strips.get_mut(&part.logger) {
                strip.spread((part.from, part.to), part.records(), |day| &mut day.gateways);
            }
        }
    }
    for open in &report.unclosed {
        let Some((span, readings)) = open.from.zip(open.to).zip(open.presumed_readings) else { continue };
        let Some(strip) = strips.get_mut(&open.logger) else { continue };
        match open.state {
            GapState::Open => strip.spread(span, readings, |day| &mut day.presumed),
            GapState::WrittenOff => strip.spread(span, readings, |day| &mut day.written_off),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY_S: i64 = Days::LENGTH_S;
    const CALENDAR: Days = Days::ahead_of_utc(-7 * 3600);

    #[test]
    fn spread_records_are_as_many_as_there_are_and_lie_where_a_count_one_by_one_puts_them() {
        let now = 1_780_000_000;
        let ending = Strip::ending(GatewayTime(now), CALENDAR);
        let start = CALENDAR.begin_s(ending.first_day);
        for (from, to, records) in [
            (start, start, 1),
            (start + 10, start + 10, 5),
            (start + 100, start + DAY_S - 1, 144),
            (start + 5_000, start + 3 * DAY_S + 7_777, 1_000),
            (start - DAY_S, start + DAY_S, 3),
            (start, start + DAY_S, 2),
            (now - DAY_S, now + 40 * DAY_S, 500),
        ] {
            let mut strip = ending.clone();
            strip.spread((GatewayTime(from), GatewayTime(to)), records, |day| &mut day.missing);
            let mut slow = vec![0; STRIP_DAYS];
            for i in 0..records as i64 {
                // In units of 1/(records - 1) seconds, so that nothing is rounded.
                let n = (records as i64 - 1).max(1);
                let day = ((from - start) * n + i * (to - from)).div_euclid(DAY_S * n);
                if let Some(count) = usize::try_from(day).ok().and_then(|day| slow.get_mut(day)) {
                    *count += 1;
                }
            }
            let fast: Vec<u64> = strip.days.iter().map(|day| day.missing).collect();
            assert_eq!(fast, slow, "{records} records in {from}..={to}");
        }
    }

    #[test]
    fn a_span_that_goes_back_or_has_no_end_does_no_harm() {
        let at = GatewayTime;
        let mut strip = Strip::ending(at(1_780_000_000), CALENDAR);
        strip.spread((at(1_780_000_000), at(1_779_990_000)), 7, |day| &mut day.missing);
        assert_eq!(strip.days.iter().map(|day| day.missing).sum::<u64>(), 7);
        strip.spread((at(i64::MIN), at(i64::MAX)), u64::MAX >> 1, |day| &mut day.presumed);
        Strip::ending(at(i64::MAX - 40 * DAY_S), CALENDAR)
            .spread((at(0), at(i64::MAX)), 9, |day| &mut day.missing);
    }

    #[test]
    fn a_day_is_named_for_what_an_operator_must_know_of_it() {
        let day = |radio, hand, missing, written_off, presumed| {
            DayCounts { radio, hand, missing, written_off, presumed, gateways: 0 }.mark()
        };
        assert_eq!(day(0, 0, 0, 0, 0), DayMark::NothingDue);
        assert_eq!(day(144, 0, 0, 0, 0), DayMark::Heard);
        assert_eq!(day(143, 0, 1, 0, 0), DayMark::FewMissing);
        assert_eq!(day(120, 0, 24, 0, 0), DayMark::Missing);
        assert_eq!(day(1, 0, 143, 0, 0), DayMark::NearlyAllMissing);
        assert_eq!(day(20, 124, 0, 0, 0), DayMark::ByHand);
        assert_eq!(day(143, 1, 0, 0, 0), DayMark::Heard);
        assert_eq!(day(20, 100, 24, 0, 0), DayMark::Missing);
        assert_eq!(day(0, 0, 0, 0, 144), DayMark::Presumed);
        assert_eq!(day(10, 0, 0, 134, 0), DayMark::WrittenOff);
    }
}
