//! The gap report: what is missing, since when, and whether it can still be fetched.
//!
//! Input: coverage, the roster, the time, and a few facts about held records through [`Facts`], which is asked only
//! at the edges of gaps, so the cost of a report grows with the number of gaps and not with the years. Output:
//! [`Report`] for the commands and the page.
//!
//! Rules: `docs/wire-format.md`, "what must exist" and "how many readings". Every time here is an estimate from
//! loggers' clocks, corrected as far as `clock` can; gaps themselves depend on sequences and on no clock.
//!
//! No I/O and no SQL. The report never says *lost*, only *overwritten*, with an earliest and a latest
//! time at which a logger's memory begins to overwrite what is missing.

use super::gap_state;
pub use super::gap_state::GapState;
use super::memory::{InMemory, Memory};
pub use super::outage::{Cause, Outage, Part};
use super::reception;
use super::service::{self, Service};
pub use super::silence::Silence;
use super::silence::{self, CLOCK_SLACK_S};
use crate::record::clock::{self, Corrected, FIRST_PLAUSIBLE};
use crate::record::clocks::Clocks;
use crate::record::coverage::Coverage;
use crate::record::expected;
pub use crate::record::expected::{BadEnd, EpochMissing, missing};
pub use crate::record::facts::{Came, Facts, ProfileSeen, Seen, WriteOff};
use crate::record::roster::{Logger, Roster};
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch, Identity, Sequence};

/// Reports show minutes, so a smaller correction of a clock is not marked.
const MARKED_S: i64 = 60;
/// Sequences that must exist and are not held: `first..=last`, both missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Gap {
    pub logger: Address,
    pub epoch: Epoch,
    /// The first missing sequence.
    pub first: u32,
    /// The last missing sequence.
    pub last: u32,
    /// How many of them are readings, if known.
    pub readings: Option<u64>,
    /// Estimated time of the first missing record.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: Option<GatewayTime>,
    /// Estimated time of the last.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: Option<GatewayTime>,
    /// Whether it is written off.
    pub state: GapState,
    /// How much of it the logger still holds, and until when.
    #[serde(flatten)]
    pub in_memory: InMemory,
    /// Its times come from a clock that was wrong by a minute or more, and are corrected here.
    #[serde(rename = "times_corrected")]
    pub is_corrected: bool,
}

impl Gap {
    /// How many records are missing.
    pub fn records(&self) -> u64 {
        u64::from(self.last - self.first) + 1
    }

    /// The estimated time of one of its records.
    pub fn time_of(&self, sequence: u32) -> Option<GatewayTime> {
        let (from, to) = (self.from?, self.to?);
        let share = i128::from(sequence.saturating_sub(self.first)) * i128::from(to.since(from));
        let all = i128::from(self.last - self.first).max(1);
        i64::try_from(i128::from(from.unix_s()) + share / all).ok().map(GatewayTime)
    }

    /// How many of them are not known to be gone from the logger.
    pub fn left(&self) -> u64 {
        self.records().saturating_sub(self.in_memory.gone)
    }
}

/// An epoch that is over, but whose last sequence is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct UnclosedGap {
    pub logger: Address,
    pub epoch: Epoch,
    /// The largest authentic sequence that is held of it.
    pub last: u32,
    /// The next epoch: held, or only named by a record.
    pub next_epoch: Epoch,
    /// When that last record was made.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: Option<GatewayTime>,
    /// When the next held record after it was made.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: Option<GatewayTime>,
    /// Readings that may have been made in between.
    pub presumed_readings: Option<u64>,
    /// Whether the rest of the epoch is written off.
    pub state: GapState,
    /// How much of the rest the logger still holds, and until when.
    #[serde(flatten)]
    pub in_memory: InMemory,
    /// Its times come from a clock that was wrong by a minute or more, and are corrected here.
    #[serde(rename = "times_corrected")]
    pub is_corrected: bool,
}

/// The whole report.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// By logger, epoch, sequence.
    pub gaps: Vec<Gap>,
    /// By logger and epoch.
    pub unclosed: Vec<UnclosedGap>,
    /// By logger.
    pub silent: Vec<Silence>,
    /// Longest first; empty unless they were asked for.
    pub outages: Vec<Outage>,
    /// Ends of epochs that no logger can have reached: firmware faults.
    pub bad_ends: Vec<BadEnd>,
    /// Loggers that left service.
    pub service: Service,
}

impl Report {
    /// Whether a gap or an unclosed epoch is open, or records of a logger off the roster are missing.
    pub fn is_open(&self) -> bool {
        self.gaps.iter().any(|gap| gap.state == GapState::Open)
            || self.unclosed.iter().any(|unclosed| unclosed.state == GapState::Open)
            || self.service.missing() > 0
    }

    /// Missing records of all open gaps.
    pub fn open_records(&self) -> u64 {
        self.gaps
            .iter()
            .filter(|gap| gap.state == GapState::Open)
            .map(Gap::records)
            .fold(0, u64::saturating_add)
    }
}

/// Makes the report for every logger of the roster that `wanted` accepts.
pub fn report<F: Facts>(
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    now: GatewayTime,
    wanted: impl Fn(Address) -> bool,
) -> Result<Report, F::Error> {
    let mut report = Report::default();
    for logger in roster.loggers().filter(|logger| wanted(logger.address)) {
        of_logger(logger, coverage, facts, now, &mut report)?;
    }
    // An impossible end, or a clock that nothing corrects, gives impossible dates: they count as not known.
    let plausible =
        |at: Option<GatewayTime>| at.filter(|at| (FIRST_PLAUSIBLE..=now.later(CLOCK_SLACK_S)).contains(at));
    for gap in &mut report.gaps {
        (gap.from, gap.to) = (plausible(gap.from), plausible(gap.to));
    }
    for open in &mut report.unclosed {
        (open.from, open.to) = (plausible(open.from), plausible(open.to));
    }
    report.service = service::service(roster, coverage, facts, now, wanted)?;
    Ok(report)
}

/// The same report with the site's outages, which only all loggers together show.
pub fn report_with_outages<F: Facts>(
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    now: GatewayTime,
) -> Result<Report, F::Error> {
    let mut report = report(roster, coverage, facts, now, |_| true)?;
    report.outages = reception::of_site(roster, coverage, facts)?;
    Ok(report)
}

/// One logger's part of the report.
fn of_logger<F: Facts>(
    logger: &Logger,
    coverage: &Coverage,
    facts: &F,
    now: GatewayTime,
    report: &mut Report,
) -> Result<(), F::Error> {
    let of = Subject::new(logger, coverage, facts)?;
    let written_off = facts.written_off(logger.address)?;
    let is_quiet = of.silence(now)?;
    let is_whole = of.epochs.iter().all(|epoch| epoch.missing.is_empty() && epoch.unclosed().is_none());
    if is_whole && is_quiet.is_none() {
        return Ok(());
    }
    let bad = expected::bad_ends(logger, coverage, facts, &of.epochs)?;
    let memory = Memory::new(logger, facts, &of.clocks, &of.epochs, &bad, now)?;
    for epoch in &of.epochs {
        for &(first, last) in epoch.missing.ranges() {
            let whole = of.gap(epoch.epoch, first, last)?;
            for (part, state) in gap_state::parts(first, last, epoch.epoch, &written_off) {
                let in_memory = memory.of_range(epoch.epoch, part.0, part.1)?;
                report.gaps.push(Gap { in_memory, ..of.part(&whole, part, state) });
            }
        }
    }
    for unclosed in of.unclosed(&written_off)? {
        let in_memory = memory.of_rest(unclosed.epoch)?;
        report.unclosed.push(UnclosedGap { in_memory, ..unclosed });
    }
    if let Some(silence) = is_quiet {
        let in_memory = memory.of_newer()?.unwrap_or_default();
        report.silent.push(Silence { newest: memory.newest(), in_memory, ..silence });
    }
    report.bad_ends.extend(bad);
    Ok(())
}

/// Seconds without a new record by radio after which a logger is silent; `None` if it never is.
pub fn silent_after_s<F: Facts>(
    logger: &Logger,
    coverage: &Coverage,
    facts: &F,
) -> Result<Option<i64>, F::Error> {
    Ok(Subject::new(logger, coverage, facts)?.silent_after()?.1)
}

/// When a held record was made, as far as is known; `None` if it has no time.
pub fn corrected<F: Facts>(
    coverage: &Coverage,
    facts: &F,
    identity: Identity,
) -> Result<Option<Corrected>, F::Error> {
    let Some(seen) = facts.seen(identity)? else { return Ok(None) };
    let clock = Clocks::new(coverage, facts, identity.address).of(identity.epoch)?;
    Ok(Some(clock.corrected(identity.sequence.number(), seen.time, seen.received_at)))
}

/// The nearest held readings on either side of a gap, in its epoch: what moved in the meantime lies between them.
pub fn readings_around<F: Facts>(
    coverage: &Coverage,
    facts: &F,
    gap: &Gap,
) -> Result<(Option<Identity>, Option<Identity>), F::Error> {
    /// A profile, one or two events and a few more records may lie between.
    const STEPS: u32 = 8;
    let held = coverage.epoch(gap.logger, gap.epoch);
    let nearest = |sequences: &mut dyn Iterator<Item = u32>| -> Result<Option<Identity>, F::Error> {
        for sequence in sequences {
            let is_held =
                held.is_some_and(|held| held.authentic.contains(sequence) || held.csv.contains(sequence));
            let identity = Identity::new(gap.logger.number(), gap.epoch.number(), sequence);
            if let Some(identity) = identity.filter(|_| is_held)
                && facts.seen(identity)?.is_some_and(|seen| seen.is_reading)
            {
                return Ok(Some(identity));
            }
        }
        Ok(None)
    };
    let before = nearest(&mut (1..=STEPS).filter_map(|step| gap.first.checked_sub(step)))?;
    let after = nearest(&mut (1..=STEPS).filter_map(|step| gap.last.checked_add(step)))?;
    Ok((before, after))
}

/// The logger that the report is made for.
struct Subject<'a, F> {
    logger: &'a Logger,
    coverage: &'a Coverage,
    facts: &'a F,
    clocks: Clocks<'a, F>,
    epochs: Vec<EpochMissing>,
}

/// A held record, with when it was made.
#[derive(Clone, Copy, Debug)]
struct Made {
    recorded: Seen,
    made: Corrected,
}

impl Made {
    /// Whether the logger's clock was wrong by enough to show in a report.
    fn is_corrected(&self) -> bool {
        clock::off_s(self.recorded.time, self.made.time) >= MARKED_S.unsigned_abs()
    }
}

impl<'a, F: Facts> Subject<'a, F> {
    fn new(logger: &'a Logger, coverage: &'a Coverage, facts: &'a F) -> Result<Self, F::Error> {
        let epochs = expected::missing(logger, coverage, facts)?;
        let clocks = Clocks::new(coverage, facts, logger.address);
        Ok(Self { logger, coverage, facts, clocks, epochs })
    }

    /// A held record with the time at which it was made, as far as is known.
    fn seen(&self, identity: Identity) -> Result<Option<Made>, F::Error> {
        let Some(recorded) = self.facts.seen(identity)? else { return Ok(None) };
        let clock = self.clocks.of(identity.epoch)?;
        let made = clock.corrected(identity.sequence.number(), recorded.time, recorded.received_at);
        Ok(Some(Made { recorded, made }))
    }

    /// When an epoch began, extrapolated from its first held record.
    fn began(&self, epoch: Epoch) -> Result<Option<GatewayTime>, F::Error> {
        let (Some((held, seen)), Some(first)) = (self.first_of(epoch)?, self.identity(epoch, 1)) else {
            return Ok(None);
        };
        let missing = i64::from(held.sequence.number() - 1);
        Ok(Some(seen.made.time.later(missing.saturating_mul(self.interval_s(first)?).saturating_neg())))
    }

    fn first_of(&self, epoch: Epoch) -> Result<Option<(Identity, Made)>, F::Error> {
        let first =
            self.coverage.epoch(self.logger.address, epoch).and_then(|held| held.authentic.smallest());
        let Some(identity) = first.and_then(|sequence| self.identity(epoch, sequence)) else {
            return Ok(None);
        };
        Ok(self.seen(identity)?.map(|seen| (identity, seen)))
    }

    fn identity(&self, epoch: Epoch, sequence: u32) -> Option<Identity> {
        Some(Identity { address: self.logger.address, epoch, sequence: Sequence::new(sequence)? })
    }

    /// The interval in force at an identity: from the last held profile before it, else from the roster.
    fn interval_s(&self, identity: Identity) -> Result<i64, F::Error> {
        let profile = self.facts.profile_before(identity)?;
        Ok(i64::from(profile.map_or(self.logger.interval_s, |profile| profile.interval_s)))
    }

    /// A part of a gap that is written off, or that is not: its times are estimated from those of the whole gap.
    fn part(&self, whole: &Gap, (first, last): (u32, u32), state: GapState) -> Gap {
        if (first, last) == (whole.first, whole.last) {
            return Gap { state, ..*whole };
        }
        let (from, to) = (whole.time_of(first), whole.time_of(last));
        Gap { first, last, readings: None, from, to, state, ..*whole }
    }

    fn gap(&self, epoch: Epoch, first: u32, last: u32) -> Result<Gap, F::Error> {
        let seen = |sequence: Option<u32>| -> Result<Option<(Identity, Made)>, F::Error> {
            let Some(identity) = sequence.and_then(|sequence| self.identity(epoch, sequence)) else {
                return Ok(None);
            };
            Ok(self.seen(identity)?.map(|seen| (identity, seen)))
        };
        let before = seen(first.checked_sub(1))?;
        let after = seen(last.checked_add(1))?;
        let records = u64::from(last - first) + 1;
        let at = self.identity(epoch, first);
        let interval = match before.map(|(identity, _)| identity).or(at) {
            Some(identity) => self.interval_s(identity)?,
            None => i64::from(self.logger.interval_s),
        };
        let readings = match (before, after) {
            // By recorded times, because the logger's own clock timed the readings.
            (Some((left, Made { recorded: a, .. })), Some((right, Made { recorded: b, .. })))
                if a.is_reading && b.is_reading =>
            {
                let unknown = self.facts.clock_set_between(left, right.sequence)?
                    || self.interval_may_have_changed(right, b.time, interval)?;
                readings_between(a.time, b.time, interval, records).filter(|_| !unknown)
            }
            _ => None,
        };
        let (from, to) = self.times(epoch, before, after, interval, records)?;
        let by_estimate = |side: Option<(Identity, Made)>| side.is_some_and(|(_, seen)| seen.is_corrected());
        Ok(Gap {
            logger: self.logger.address,
            epoch,
            first,
            last,
            readings,
            from,
            to,
            state: GapState::Open,
            in_memory: InMemory::default(),
            is_corrected: by_estimate(before) || by_estimate(after),
        })
    }

    /// Whether a profile that announced another interval may be missing before `after`, a reading made at `time`: the
    /// first profile held since then has another interval, and the readings are no longer one interval apart.
    fn interval_may_have_changed(
        &self,
        after: Identity,
        time: LoggerTime,
        interval: i64,
    ) -> Result<bool, F::Error> {
        let since = self.facts.profile_after(after)?;
        if since.is_none_or(|profile| i64::from(profile.interval_s) == interval) {
            return Ok(false);
        }
        let next = after.sequence.number().checked_add(1).and_then(Sequence::new);
        let next = match next {
            Some(sequence) => self.facts.seen(Identity { sequence, ..after })?,
            None => None,
        };
        // The clock's seconds may differ by one in either direction.
        Ok(!next.is_some_and(|next| next.is_reading && (next.time.since(time) - interval).abs() <= 1))
    }

    /// Estimated times of the first and the last missing record.
    fn times(
        &self,
        epoch: Epoch,
        before: Option<(Identity, Made)>,
        after: Option<(Identity, Made)>,
        interval: i64,
        records: u64,
    ) -> Result<(Option<GatewayTime>, Option<GatewayTime>), F::Error> {
        let stretch = i64::try_from(records - 1).unwrap_or(i64::MAX).saturating_mul(interval);
        let time = |side: Option<(Identity, Made)>| side.map(|(_, seen)| seen.made.time);
        Ok(match (time(before), time(after)) {
            (Some(a), Some(b)) => {
                // Between the two held records, one interval from each; none was made before the earlier one.
                let b = b.max(a);
                let step = interval.min(b.since(a) / 2);
                (Some(a.later(step)), Some(b.later(-step)))
            }
            (Some(a), None) => (Some(a.later(interval)), Some(a.later(interval).later(stretch))),
            (None, Some(b)) => (Some(b.later(-interval).later(-stretch)), Some(b.later(-interval))),
            (None, None) => {
                // Only its name is known: it ended before the epoch that names it began.
                let by = self.epoch(epoch).and_then(|of| of.named);
                let began = match by {
                    Some(named) => self.began(named.by_epoch)?,
                    None => None,
                };
                let end = began.map(|began| began.later(-interval));
                (end.map(|end| end.later(-stretch)), end)
            }
        })
    }

    fn epoch(&self, epoch: Epoch) -> Option<&EpochMissing> {
        let at = self.epochs.binary_search_by_key(&epoch, |of| of.epoch).ok()?;
        self.epochs.get(at)
    }

    fn newest(&self) -> Option<Identity> {
        let newest = self.epochs.iter().rev().find_map(|of| Some((of.epoch, of.largest_held?)))?;
        self.identity(newest.0, newest.1)
    }

    fn unclosed(&self, written_off: &[WriteOff]) -> Result<Vec<UnclosedGap>, F::Error> {
        let mut all = Vec::new();
        // The first held record of any later epoch, because the next epoch may be known only by name. The search goes
        // from the end, so that no epoch has to be looked up.
        let mut after = None;
        for of in self.epochs.iter().rev() {
            let later = after;
            if of.largest_held.is_some() {
                after = Some(of.epoch);
            }
            let Some((last_held, next_epoch)) = of.unclosed() else { continue };
            let Some(last) = self.identity(of.epoch, last_held) else { continue };
            let from = self.seen(last)?;
            let after = match later {
                Some(later) => self.first_of(later)?,
                None => None,
            };
            // If a logger lost its clock and nothing was received, it is not known when the next epoch began.
            let to = after.map(|(_, seen)| seen).filter(|seen| !seen.made.is_bound);
            let is_corrected = [from, to].into_iter().flatten().any(|seen| seen.is_corrected());
            let (from, to) = (from.map(|seen| seen.made.time), to.map(|seen| seen.made.time));
            let to = to.map(|to| self.logger.out_of_service_from.map_or(to, |out| to.min(out)));
            let interval = self.interval_s(last)?;
            let presumed_readings = match (from, to) {
                (Some(from), Some(to)) if interval > 0 => {
                    u64::try_from(rounded_div(to.since(from), interval) - 1).ok().or(Some(0))
                }
                _ => None,
            };
            let off = written_off.iter().any(|off| {
                off.epoch == of.epoch && off.last.is_none() && off.first <= last_held.saturating_add(1)
            });
            all.push(UnclosedGap {
                logger: self.logger.address,
                epoch: of.epoch,
                last: last_held,
                next_epoch,
                from,
                to,
                presumed_readings,
                state: if off { GapState::WrittenOff } else { GapState::Open },
                in_memory: InMemory::default(),
                is_corrected,
            });
        }
        all.reverse();
        Ok(all)
    }

    /// The interval in force now, and the seconds without a new record by radio after which the logger is silent.
    fn silent_after(&self) -> Result<(i64, Option<i64>), F::Error> {
        let interval = match self.newest() {
            Some(newest) => self.interval_s(newest)?,
            None => i64::from(self.logger.interval_s),
        };
        Ok((interval, silence::limit_s(self.logger, interval)))
    }

    fn silence(&self, now: GatewayTime) -> Result<Option<Silence>, F::Error> {
        let (interval, Some(limit)) = self.silent_after()? else { return Ok(None) };
        let last_heard = self.facts.last_heard(self.logger.address)?;
        Ok(silence::of(self.logger, interval, limit, last_heard, now))
    }
}

/// a / b rounded to the nearest integer, halves up; `b` must be above 0.
fn rounded_div(a: i64, b: i64) -> i64 {
    (2 * a + b).div_euclid(2 * b)
}

/// How many of `records` missing records between two readings are readings.
pub fn readings_between(before: LoggerTime, after: LoggerTime, interval_s: i64, records: u64) -> Option<u64> {
    // A time that goes back proves that the clock was set in between.
    if interval_s <= 0 || after < before {
        return None;
    }
    let readings = (rounded_div(after.since(before), interval_s) - 1).max(0) as u64;
    (readings <= records).then_some(readings)
}
