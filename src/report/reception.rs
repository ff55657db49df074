//! What came by radio and what did not, even if it was brought by hand later: the only source of causes.
//!
//! Input: for each logger, what must exist and which of it came by radio; when radios listened. Output: [`Outage`]s,
//! each with its cause, its parts by logger, and what became of each part: still missing, brought by hand, written off.
//!
//! ```text
//! not received ── cut where no radio listened ──▶ gateway not running
//!       └── the rest, grouped by time ──▶ nothing heard, a radio off, several loggers, one logger, not known
//! ```
//!
//! A cause depends on receptions and on the windows in which radios listened, both by the gateway's clock, corrected
//! where it was not synchronised (`record::gateway_clock`). It never depends on what is still missing: an import
//! repairs an outage and does not change its cause. Clock events that an import brings may move an outage's times by as
//! much as they correct a clock.
//!
//! **Limits.** The report says that one or some loggers *alone* were unheard only if
//! another one that was due at the time was heard. At the end of a time in which the gateway did not listen, and on a
//! site with one logger, nothing may show that: then the cause is not known. Which radio hears which logger is not
//! considered: while one of several radios does not listen, it is taken as the cause of what several loggers lose; for
//! one logger the cause is then not known, unless both lasted about as long. If the last records of an epoch are
//! missing and nothing says how many there were, they are presumed, and in no outage. One or two records at an edge of
//! an outage may be counted with what came before or after it.
//!
//! Records that retention has deleted count as received, because nothing is left that says how they came.
//!
//! No I/O and no SQL. This module does not say whether a record can still be fetched.

use super::outage::{Cause, Outage, Part};
use crate::record::clock;
use crate::record::clocks::Clocks;
use crate::record::coverage::{Coverage, RangeSet};
use crate::record::expected;
use crate::record::facts::Facts;
use crate::record::gateway_clock::{GatewayClock, Listened};
use crate::record::roster::{InService, Logger, Roster};
use crate::record::spans::{TimeSpan, covered};
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::{BTreeMap, BTreeSet};

/// A radio that has not listened for this long before an outage counts as taken down, and not as off.
const RADIO_RETIRED_S: i64 = 7 * 86_400;
/// A gateway that listens for no longer than this between two times off hears almost nothing, so it is one outage. Our
/// choice.
const BRIEFLY_ON_S: i64 = 600;
/// Fewer records are one or two lost frames, not an outage.
const OUTAGE_RECORDS: u64 = 3;
/// Reports show minutes, so a smaller correction of a clock is not marked.
const MARKED_S: u64 = 60;

/// Sequences of one epoch that must exist and did not come by radio, as one maximal run.
#[derive(Clone, Debug)]
struct Stretch {
    logger: Address,
    epoch: Epoch,
    first: u32,
    last: u32,
    /// When the logger was last heard before it, by the gateway's clock as far as is known.
    since: GatewayTime,
    /// When the first was due.
    from: GatewayTime,
    /// When the last was due.
    to: GatewayTime,
    /// When the logger was heard again.
    until: GatewayTime,
    /// The sequences in it that are not held.
    missing: RangeSet,
    /// Those of them that are written off.
    written_off: RangeSet,
    is_corrected: bool,
}

impl Stretch {
    /// When one of its records was due.
    fn time_of(&self, sequence: u32) -> GatewayTime {
        let (records, at) = (i128::from(self.last - self.first), i128::from(sequence - self.first));
        let lasted = whole_s(self.from, self.to);
        let after = if records == 0 { 0 } else { lasted * at / records };
        let time = i64::try_from(i128::from(self.from.unix_s()) + after);
        time.map_or(self.from, GatewayTime)
    }

    /// The first record that was due at an instant or later; one past the last if there is none.
    fn first_due(&self, at: GatewayTime) -> u64 {
        let (mut low, mut high) = (u64::from(self.first), u64::from(self.last) + 1);
        while low < high {
            let middle = low + (high - low) / 2;
            let is_due = u32::try_from(middle).is_ok_and(|sequence| self.time_of(sequence) >= at);
            if is_due { high = middle } else { low = middle + 1 }
        }
        low
    }

    fn part(&self, first: u32, last: u32) -> Part {
        let records = u64::from(last - first) + 1;
        let only: RangeSet = [(first, last)].into_iter().collect();
        let (missing, off) =
            (self.missing.intersection(&only).count(), self.written_off.intersection(&only).count());
        Part {
            logger: self.logger,
            epoch: self.epoch,
            first,
            last,
            from: self.time_of(first),
            to: self.time_of(last),
            missing: missing.saturating_sub(off),
            brought: records.saturating_sub(missing),
            written_off: off,
        }
    }
}

/// Seconds from one time to another: the difference of the extreme times does not fit an `i64`.
fn whole_s(from: GatewayTime, to: GatewayTime) -> i128 {
    i128::from(to.unix_s()) - i128::from(from.unix_s())
}

/// A record that helps to estimate when unheard records were due.
#[derive(Clone, Copy, Debug)]
struct Heard {
    /// When it came, as the gateway's clock showed it.
    stamp: Option<GatewayTime>,
    is_synchronised: bool,
    /// When it came, in correct time; `None` if not known.
    received_at: Option<GatewayTime>,
    made: GatewayTime,
    /// What its logger's clock showed.
    recorded: LoggerTime,
}

impl Heard {
    fn at(&self) -> GatewayTime {
        self.received_at.unwrap_or(self.made)
    }

    /// Its stamp, and when it was made, if the gateway's clock was not synchronised.
    fn unsynchronised(&self) -> Option<(GatewayTime, GatewayTime)> {
        self.stamp.filter(|_| !self.is_synchronised).map(|stamp| (stamp, self.made))
    }

    fn set_right(&mut self, clock: &GatewayClock) {
        if let Some((stamp, _)) = self.unsynchronised() {
            self.received_at = clock.set_right(stamp);
        }
    }

    /// Whether its time comes from a clock that was wrong by a minute or more: the gateway's, or its logger's.
    fn is_corrected(&self) -> bool {
        match (self.received_at, self.stamp) {
            (Some(at), Some(stamp)) => !self.is_synchronised && at.since(stamp).unsigned_abs() >= MARKED_S,
            _ => clock::off_s(self.recorded, self.made) >= MARKED_S,
        }
    }

    /// Whether only the reception shows when it was made, because its logger's clock was lost.
    fn is_made_by_reception(&self) -> bool {
        self.received_at == Some(self.made) && !clock::is_recorded(self.made, self.recorded)
    }

    /// Whether it may have come more than an interval late, judged by its own times.
    fn may_be_late(&self, interval: i64) -> bool {
        let in_time = self.received_at.is_some_and(|at| at.since(self.made) <= interval);
        !in_time || self.is_made_by_reception()
    }

    /// How long after another record it was made, by the clock of both: minimum and maximum. They differ if that clock
    /// was set between them.
    fn made_after(&self, earlier: &Self) -> (i64, i64) {
        let by_clock = self.recorded.since(earlier.recorded);
        if self.is_made_by_reception() || earlier.is_made_by_reception() {
            return (by_clock, by_clock);
        }
        let made = self.made.since(earlier.made);
        (made.min(by_clock), made.max(by_clock))
    }
}

/// The outages of a site, longest first.
pub fn of_site<F: Facts>(roster: &Roster, coverage: &Coverage, facts: &F) -> Result<Vec<Outage>, F::Error> {
    let mut all = Vec::new();
    for logger in roster.loggers() {
        all.push(Receptions::new(logger, coverage, facts)?);
    }
    let listening = facts.listening()?;
    let unsynchronised =
        all.iter_mut().flat_map(Receptions::heard).filter_map(|heard| heard.unsynchronised());
    let clock = GatewayClock::new(&listening, unsynchronised);
    let (mut unheard, mut witnesses) = (Vec::new(), Vec::new());
    for receptions in &mut all {
        receptions.heard().for_each(|heard| heard.set_right(&clock));
        receptions.without_late();
        unheard.extend(receptions.stretches());
        witnesses.extend(receptions.witness());
    }
    Ok(outages(&unheard, &clock.listened(&listening), &witnesses))
}

/// The records of one logger that came by radio, as far as they show when the others were due.
struct Receptions<'a> {
    logger: &'a Logger,
    epochs: Vec<EpochReceptions>,
}

/// The receptions of one epoch.
struct EpochReceptions {
    epoch: Epoch,
    /// What must exist of it and did not come by radio.
    not_heard: RangeSet,
    /// What is not held.
    missing: RangeSet,
    /// What is written off.
    written_off: RangeSet,
    /// The first and the last record of each run that came by radio, each with its neighbour in the run if that shows
    /// whether it was late. If nothing is missing of the epoch, only those of the first and the last run.
    edges: BTreeMap<u32, Heard>,
    /// If nothing came by radio: the first and the last record that were brought by hand.
    by_hand: Option<(Heard, Heard)>,
}

impl EpochReceptions {
    /// The first record that came by radio, and the last.
    fn ends(&self) -> Option<(Heard, Heard)> {
        let (first, last) = (self.edges.first_key_value()?, self.edges.last_key_value()?);
        Some((*first.1, *last.1))
    }
}

impl<'a> Receptions<'a> {
    /// Records beyond an end that a logger cannot have reached were never made.
    fn new<F: Facts>(logger: &'a Logger, coverage: &Coverage, facts: &F) -> Result<Self, F::Error> {
        let missing = expected::missing(logger, coverage, facts)?;
        let bad = expected::bad_ends(logger, coverage, facts, &missing)?;
        let written_off = facts.written_off(logger.address)?;
        let by_hand = facts.by_hand(logger.address)?;
        let clocks = Clocks::new(coverage, facts, logger.address);
        let heard = |epoch: Epoch, sequence: u32| -> Result<Option<Heard>, F::Error> {
            let Some(sequence) = Sequence::new(sequence) else { return Ok(None) };
            let identity = Identity { address: logger.address, epoch, sequence };
            let Some(seen) = facts.seen(identity)? else { return Ok(None) };
            let made = clocks.of(epoch)?.corrected(sequence.number(), seen.time, seen.received_at);
            Ok(Some(Heard {
                stamp: seen.stamped_at,
                is_synchronised: seen.received_at.is_some(),
                received_at: seen.received_at,
                made: made.time,
                recorded: seen.time,
            }))
        };
        let interval = i64::from(logger.interval_s);
        let mut epochs = Vec::with_capacity(missing.len());
        for of in &missing {
            let radio = match (coverage.epoch(logger.address, of.epoch), by_hand.get(&of.epoch)) {
                (None, _) => RangeSet::default(),
                (Some(held), None) => held.authentic.clone(),
                (Some(held), Some(by_hand)) => held.authentic.without(by_hand),
            };
            let must =
                bad.iter().find(|end| end.epoch == of.epoch).map_or(of.last, |end| end.held.min(of.last));
            let first = of.first.filter(|&first| first <= must);
            let not_heard = first.map_or_else(RangeSet::default, |first| radio.missing(first..=must));
            let runs = radio.ranges();
            let outer = runs.first().into_iter().chain(runs.last());
            let shown: Vec<(u32, u32)> =
                if not_heard.is_empty() { outer.copied().collect() } else { runs.to_vec() };
            let mut edges = BTreeMap::new();
            for (first, last) in shown {
                for (sequence, neighbour) in
                    [(first, first.saturating_add(1)), (last, last.saturating_sub(1))]
                {
                    let Some(seen) = heard(of.epoch, sequence)? else { continue };
                    edges.insert(sequence, seen);
                    let has_neighbour =
                        (first..=last).contains(&neighbour) && !edges.contains_key(&neighbour);
                    if has_neighbour
                        && seen.may_be_late(interval)
                        && let Some(seen) = heard(of.epoch, neighbour)?
                    {
                        edges.insert(neighbour, seen);
                    }
                }
            }
            let mut brought = None;
            if radio.is_empty()
                && let Some((first, last)) = not_heard.smallest().zip(not_heard.largest())
            {
                brought = heard(of.epoch, first)?.zip(heard(of.epoch, last)?);
            }
            let off = written_off.iter().filter(|off| off.epoch == of.epoch);
            epochs.push(EpochReceptions {
                epoch: of.epoch,
                not_heard,
                missing: of.missing.clone(),
                written_off: off.map(|off| (off.first, off.last.unwrap_or(u32::MAX))).collect(),
                edges,
                by_hand: brought,
            });
        }
        Ok(Self { logger, epochs })
    }

    /// Each of its records that shows when something was.
    fn heard(&mut self) -> impl Iterator<Item = &mut Heard> {
        self.epochs.iter_mut().flat_map(|of| of.edges.values_mut())
    }

    /// Corrects receptions that were late: those of a record that came more than an interval later than the one next to
    /// it in its run, and of one that came after records that were made later.
    fn without_late(&mut self) {
        let interval = i64::from(self.logger.interval_s);
        let mut later: Option<Heard> = None;
        for of in self.epochs.iter_mut().rev() {
            by_neighbours(&mut of.edges, interval);
            by_later(&mut of.edges, later, interval);
            later = of.ends().map(|(first, _)| first).or(later);
        }
    }

    /// What did not come by radio, as runs.
    fn stretches(&self) -> Vec<Stretch> {
        let interval = i64::from(self.logger.interval_s);
        let mut all = Vec::new();
        // What came by radio of the neighbouring epochs was made before it and after it.
        let mut later = vec![None; self.epochs.len()];
        let mut next = None;
        for (later, of) in later.iter_mut().zip(&self.epochs).rev() {
            *later = next;
            next = of.ends().map(|(first, _)| first).or(next);
        }
        let mut earlier = None;
        for (of, later) in self.epochs.iter().zip(later) {
            for &(first, last) in of.not_heard.ranges() {
                let side = |sequence: Option<u32>| sequence.and_then(|at| of.edges.get(&at)).copied();
                let (before, after) = (side(first.checked_sub(1)), side(last.checked_add(1)));
                let records = i64::from(last - first) + 1;
                let sides = Sides { before, after, earlier, later };
                let Some(Times { since, from, to, until }) = sides.times(records, interval, of.by_hand)
                else {
                    continue;
                };
                let window: RangeSet = [(first, last)].into_iter().collect();
                let missing = of.missing.intersection(&window);
                all.push(Stretch {
                    logger: self.logger.address,
                    epoch: of.epoch,
                    first,
                    last,
                    since,
                    from,
                    to,
                    until,
                    written_off: missing.intersection(&of.written_off),
                    missing,
                    is_corrected: [before, after].iter().flatten().any(Heard::is_corrected),
                });
            }
            earlier = of.ends().map(|(_, last)| last).or(earlier);
        }
        all
    }

    /// Its evidence on whether the logger was heard; `None` if there is none.
    fn witness(&self) -> Option<Witness> {
        let ends: Vec<(Heard, Heard)> = self.epochs.iter().filter_map(EpochReceptions::ends).collect();
        let in_service_from = match self.logger.in_service {
            Some(InService::From(since)) => Some(since),
            _ => None,
        };
        let between = ends.iter().zip(ends.iter().skip(1));
        Some(Witness {
            address: self.logger.address,
            interval_s: i64::from(self.logger.interval_s),
            last_heard: ends.iter().map(|(_, last)| last.at()).max()?,
            in_service_from,
            between_epochs: between.map(|((_, last), (first, _))| (last.at(), first.at())).collect(),
        })
    }
}

/// What was heard on both sides of a stretch.
struct Sides {
    /// The record before it in its epoch.
    before: Option<Heard>,
    /// The record after it in its epoch.
    after: Option<Heard>,
    /// The last that was heard of an earlier epoch.
    earlier: Option<Heard>,
    /// The first that was heard of a later epoch.
    later: Option<Heard>,
}

/// When the records of a stretch were due, and since and until when nothing was heard.
struct Times {
    since: GatewayTime,
    from: GatewayTime,
    to: GatewayTime,
    until: GatewayTime,
}

impl Sides {
    /// `None` if nothing shows when they were due.
    fn times(&self, records: i64, interval: i64, by_hand: Option<(Heard, Heard)>) -> Option<Times> {
        let stretch = (records - 1).saturating_mul(interval);
        let floor = self.earlier.map_or(GatewayTime::MIN, |heard| heard.at());
        let ceiling = self.later.map_or(GatewayTime::MAX, |heard| heard.at());
        let (mut since, mut until) = (None, None);
        let (from, to) = match (self.before, self.after) {
            (Some(before), Some(after)) => {
                let (a, b) = between(before, after, records, interval);
                (since, until) = (Some(a), Some(b));
                // Evenly spaced between the two records that were heard.
                let step = whole_s(a, b) / (i128::from(records) + 1);
                let step = i64::try_from(step).unwrap_or(0);
                (a.later(step), b.later(step.saturating_neg()))
            }
            (Some(before), None) => {
                let from = before.at().later(interval).min(ceiling);
                (from, from.later(stretch).min(ceiling))
            }
            (None, Some(after)) => {
                let to = after.at().later(-interval).max(floor);
                (to.later(stretch.saturating_neg()).max(floor), to)
            }
            (None, None) => match (by_hand, self.later, self.earlier) {
                (Some((first, last)), ..) if floor <= ceiling => {
                    (first.made.clamp(floor, ceiling), last.made.clamp(floor, ceiling))
                }
                (None, Some(later), _) => {
                    let to = later.at().later(-interval).max(floor);
                    (to.later(stretch.saturating_neg()).max(floor), to)
                }
                (None, None, Some(earlier)) => {
                    let from = earlier.at().later(interval);
                    (from, from.later(stretch))
                }
                _ => return None,
            },
        };
        let (from, to) = (from.min(to), to.max(from));
        let since = since.unwrap_or(from.later(-interval).max(floor)).min(from);
        let until = until.unwrap_or(to.later(interval).min(ceiling)).max(to);
        Some(Times { since, from, to, until })
    }
}

/// Finds late records. One of two records came late if much more time lies between their receptions than the logger's
/// clock shows between them: it is then assumed to have come as long after it was made as the other did. If other
/// records were made between them, and the clock may have been set, the clock has to agree with their number.
fn by_neighbours(edges: &mut BTreeMap<u32, Heard>, interval: i64) {
    let all: Vec<(u32, Heard)> = edges.iter().map(|(&sequence, &heard)| (sequence, heard)).collect();
    for ((sequence, before), (next, after)) in all.iter().zip(all.iter().skip(1)) {
        let (Some(a), Some(b)) = (before.received_at, after.received_at) else { continue };
        let (least, most) = after.made_after(before);
        let steps = i64::from(next.saturating_sub(*sequence));
        // If a record has a neighbour in its run, that neighbour is better evidence.
        let is_alone = |sequence: u32, heard: &Heard| {
            let has_neighbour = [sequence.saturating_sub(1), sequence.saturating_add(1)]
                .iter()
                .any(|at| all.binary_search_by_key(at, |&(sequence, _)| sequence).is_ok());
            !has_neighbour && heard.may_be_late(interval)
        };
        let agrees = |apart: i64| {
            let by_number = steps.saturating_mul(interval);
            apart.abs_diff(by_number) <= interval.saturating_add(MARKED_S as i64).unsigned_abs()
        };
        let apart = b.since(a);
        let (late, heard, by_clock, at) = if apart.saturating_sub(most) > interval && most >= 0 {
            (next, after, most, a.later(most))
        } else if least.saturating_sub(apart) > interval {
            (sequence, before, least, b.later(least.saturating_neg()))
        } else {
            continue;
        };
        if steps > 1 && !(is_alone(*late, heard) && agrees(by_clock)) {
            continue;
        }
        if let Some(late) = edges.get_mut(late) {
            late.received_at = Some(at);
        }
    }
}

/// Removes the receptions of records that came after records made later: they were late, and show nothing.
fn by_later(edges: &mut BTreeMap<u32, Heard>, later: Option<Heard>, interval: i64) {
    let mut soonest = later.and_then(|later| later.received_at).unwrap_or(GatewayTime::MAX);
    for heard in edges.values_mut().rev() {
        let Some(at) = heard.received_at else { continue };
        if at.later(interval.saturating_neg()) > soonest {
            heard.received_at = None;
        }
        soonest = soonest.min(at);
    }
}

/// The time span in which unheard records were made, from the records heard on both sides: by their receptions, unless
/// one came so late that the receptions leave no room for the records in between.
fn between(before: Heard, after: Heard, records: i64, interval: i64) -> TimeSpan {
    let made = (before.made, after.made.max(before.made));
    let by_clock = made.1.since(made.0);
    let (a, b) = match (before.received_at, after.received_at) {
        (Some(a), Some(b)) => (a, b),
        (Some(a), None) => return (a, a.later(by_clock)),
        (None, Some(b)) => return (b.later(by_clock.saturating_neg()), b),
        (None, None) => return made,
    };
    let room = b.since(a);
    let by_interval = (records + 1).saturating_mul(interval);
    if room >= 0 && room.saturating_mul(2) >= by_clock.min(by_interval) {
        return (a, b);
    }
    // The record that came sooner after it was made shows how far the logger's clock is off.
    let slow = a.since(made.0).min(b.since(after.made));
    (made.0.later(slow), made.1.later(slow))
}

/// Evidence on whether a logger was heard during an outage.
struct Witness {
    address: Address,
    interval_s: i64,
    last_heard: GatewayTime,
    in_service_from: Option<GatewayTime>,
    /// From the last record heard of an epoch to the first of the next. If the epoch is unclosed, it is not known how
    /// many records lie in between, but none came.
    between_epochs: Vec<TimeSpan>,
}

impl Witness {
    fn is_there(&self, from: GatewayTime) -> bool {
        self.in_service_from.is_none_or(|since| since <= from) && self.last_heard > from
    }

    /// Whether it should have been heard the whole time.
    fn could_speak(&self, from: GatewayTime, to: GatewayTime) -> bool {
        self.is_there(from) && (OUTAGE_RECORDS as i64).saturating_mul(self.interval_s) <= to.since(from)
    }

    /// For how many seconds of a span it was not heard.
    fn unheard(&self, from: GatewayTime, to: GatewayTime, stretches: &[Stretch]) -> i64 {
        let mine = stretches.iter().filter(|stretch| stretch.logger == self.address);
        let unheard = mine.map(|stretch| (stretch.since, stretch.until));
        let longer = |&&(last, first): &&TimeSpan| first.since(last) > 2 * self.interval_s;
        let unheard = unheard.chain(self.between_epochs.iter().filter(longer).copied());
        covered(from, to, unheard)
    }

    /// Whether it was heard for half of a span or more.
    fn was_heard(&self, from: GatewayTime, to: GatewayTime, stretches: &[Stretch]) -> bool {
        2 * i128::from(self.unheard(from, to, stretches)) < whole_s(from, to)
    }
}

/// A part of a stretch, and the index of the span that explains it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Run {
    stretch: usize,
    first: u32,
    last: u32,
    by: Option<usize>,
}

impl Run {
    fn records(&self) -> u64 {
        u64::from(self.last - self.first) + 1
    }
}

/// Cuts a run at the spans (ascending) that explain parts of it.
fn cut(stretch: &Stretch, run: Run, spans: &[TimeSpan]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut next = u64::from(run.first);
    let end = u64::from(run.last) + 1;
    let mut push = |from: u64, to: u64, by: Option<usize>| {
        if from < to
            && let (Ok(first), Ok(last)) = (u32::try_from(from), u32::try_from(to - 1))
        {
            runs.push(Run { first, last, by, ..run });
        }
    };
    let begin = spans.partition_point(|&(_, until)| until <= stretch.time_of(run.first));
    for (at, &(from, until)) in spans.iter().enumerate().skip(begin) {
        if from > stretch.time_of(run.last) || next >= end {
            break;
        }
        let (first, beyond) = (stretch.first_due(from).max(next), stretch.first_due(until).min(end));
        push(next, first.min(end), None);
        push(first, beyond, Some(at));
        next = next.max(beyond).max(first.min(end));
    }
    push(next, end, None);
    settle(runs)
}

/// Removes cuts that are not real: one or two records at an edge, where times are estimates, and a span in the middle
/// of what was not heard before it and after it.
fn settle(mut runs: Vec<Run>) -> Vec<Run> {
    let all: u64 = runs.iter().map(Run::records).sum();
    if all >= OUTAGE_RECORDS && runs.iter().all(|run| run.records() < OUTAGE_RECORDS) {
        // Too short to be cut: the span that explains most of it explains all of it.
        let mut by = BTreeMap::<Option<usize>, u64>::new();
        for run in &runs {
            *by.entry(run.by).or_default() += run.records();
        }
        let most = by.into_iter().max_by_key(|&(by, records)| (records, by)).and_then(|(by, _)| by);
        for run in &mut runs {
            run.by = most;
        }
        runs = joined(runs);
    }
    loop {
        let merge = |runs: &[Run], at: usize| -> Option<Option<usize>> {
            let before = at.checked_sub(1).and_then(|before| runs.get(before));
            let (run, after) = (runs.get(at)?, runs.get(at + 1));
            let is_long = |run: &&Run| run.records() >= OUTAGE_RECORDS;
            if run.by.is_some()
                && let (Some(before), Some(after)) = (before, after)
                && [before, after].iter().all(|run| run.by.is_none() && is_long(run))
                && before.records() + after.records() >= run.records()
            {
                return Some(None);
            }
            if run.records() >= OUTAGE_RECORDS {
                return None;
            }
            let larger = before.into_iter().chain(after).filter(is_long).max_by_key(|run| run.records())?;
            Some(larger.by)
        };
        let Some((at, by)) = (0..runs.len()).find_map(|at| Some((at, merge(&runs, at)?))) else {
            return runs;
        };
        if let Some(run) = runs.get_mut(at) {
            run.by = by;
        }
        runs = joined(runs);
    }
}

/// Merges neighbours with the same explanation.
fn joined(runs: Vec<Run>) -> Vec<Run> {
    runs.into_iter().fold(Vec::new(), |mut joined: Vec<Run>, run| {
        match joined.last_mut() {
            Some(last) if last.by == run.by => last.last = run.last,
            _ => joined.push(run),
        }
        joined
    })
}

/// When no radio listened, ascending.
fn off(listening: &[Listened]) -> Vec<TimeSpan> {
    let mut on: Vec<TimeSpan> = listening.iter().map(|&(_, since, until)| (since, until)).collect();
    on.sort_unstable();
    let mut joined: Vec<TimeSpan> = Vec::new();
    for (since, until) in on {
        match joined.last_mut() {
            Some((_, end)) if since <= *end => *end = until.max(*end),
            _ => joined.push((since, until)),
        }
    }
    joined.retain(|&(since, until)| until.since(since) > BRIEFLY_ON_S);
    let mut off = Vec::new();
    let mut since = GatewayTime::MIN;
    for (on, until) in joined {
        off.push((since, on));
        since = until;
    }
    off.push((since, GatewayTime::MAX));
    off
}

/// Groups what did not come by radio into outages, longest first.
fn outages(stretches: &[Stretch], listening: &[Listened], witnesses: &[Witness]) -> Vec<Outage> {
    let off = off(listening);
    let mut by_off = BTreeMap::<usize, Vec<Run>>::new();
    let mut rest = Vec::new();
    for (at, stretch) in stretches.iter().enumerate() {
        let whole = Run { stretch: at, first: stretch.first, last: stretch.last, by: None };
        for run in cut(stretch, whole, &off) {
            match run.by {
                Some(span) => by_off.entry(span).or_default().push(run),
                None => rest.push(run),
            }
        }
    }
    let site = Site { stretches, listening, witnesses };
    // An outage of nearly all loggers explains what each of them lost in it.
    let mut storms: Vec<(TimeSpan, Cause)> = site
        .clusters(&rest)
        .iter()
        .filter_map(|cluster| {
            let span = site.middle(cluster);
            let is_storm = site.loggers(cluster).len() > 1 && site.none_heard(span);
            let one_was_off = is_storm && site.a_radio_was_off(span);
            is_storm.then_some((span, if one_was_off { Cause::PortLost } else { Cause::NoneHeard }))
        })
        .collect();
    storms.sort_unstable_by_key(|&(span, _)| span);
    storms.dedup_by(|later, earlier| {
        let is_one = later.0.0 <= earlier.0.1;
        if is_one {
            earlier.0.1 = earlier.0.1.max(later.0.1);
        }
        is_one
    });
    let spans: Vec<TimeSpan> = storms.iter().map(|&((from, to), _)| (from, to.later(1))).collect();
    let mut by_storm = BTreeMap::<usize, Vec<Run>>::new();
    let mut left = Vec::new();
    for run in rest {
        for run in site.stretch(&run).map_or_else(Vec::new, |stretch| cut(stretch, run, &spans)) {
            match run.by {
                Some(storm) => by_storm.entry(storm).or_default().push(run),
                None => left.push(run),
            }
        }
    }
    let mut all: Vec<Outage> = Vec::new();
    all.extend(by_off.into_values().filter_map(|runs| site.outage(&runs, Cause::GatewayNotRunning)));
    for (at, runs) in by_storm {
        let cause = storms.get(at).map_or(Cause::NoneHeard, |&(_, cause)| cause);
        all.extend(site.outage(&runs, cause));
    }
    for cluster in site.clusters(&left) {
        let loggers = site.loggers(&cluster);
        let one_was_off = site.a_radio_was_off(site.middle(&cluster));
        let cause = match loggers.len() {
            number if one_was_off && (number > 1 || site.a_radio_was_off_as_long(&cluster)) => {
                Cause::PortLost
            }
            // Which radio hears which logger is not considered.
            _ if one_was_off || !site.others_heard(&loggers, &cluster) => Cause::NotKnown,
            0 | 1 => Cause::OneLogger,
            _ => Cause::ManyLoggers,
        };
        all.extend(site.outage(&cluster, cause));
    }
    all.sort_by_key(|outage| (std::cmp::Reverse(outage.to.since(outage.from)), outage.from));
    all
}

/// What is known of a site's receptions.
struct Site<'a> {
    stretches: &'a [Stretch],
    listening: &'a [Listened],
    witnesses: &'a [Witness],
}

impl Site<'_> {
    fn stretch(&self, run: &Run) -> Option<&Stretch> {
        self.stretches.get(run.stretch)
    }

    /// When the first and the last record of a run were due.
    fn span(&self, run: &Run) -> TimeSpan {
        self.stretch(run)
            .map_or(Default::default(), |stretch| (stretch.time_of(run.first), stretch.time_of(run.last)))
    }

    /// How long nothing came: half an interval more on each side.
    fn silence(&self, run: &Run) -> TimeSpan {
        let (from, to) = self.span(run);
        let steps = i64::from(run.last - run.first).max(1);
        let half = to.since(from) / steps / 2;
        (from.later(-half), to.later(half).max(from.later(1)))
    }

    fn loggers(&self, runs: &[Run]) -> BTreeSet<Address> {
        runs.iter().filter_map(|run| self.stretch(run)).map(|stretch| stretch.logger).collect()
    }

    /// Groups long runs that probably had the same fault, judged by time: the longest, with those that overlap half of
    /// it.
    fn clusters(&self, runs: &[Run]) -> Vec<Vec<Run>> {
        let long = runs.iter().filter(|run| run.records() >= OUTAGE_RECORDS);
        let mut left: Vec<(TimeSpan, Run)> = long.map(|run| (self.silence(run), *run)).collect();
        left.sort_by_key(|&((from, to), run)| (std::cmp::Reverse(to.since(from)), from, run.stretch));
        // Sorted by start, so that each run is compared with its neighbours only.
        let mut by_start: BTreeSet<(GatewayTime, usize)> =
            left.iter().enumerate().map(|(at, &((from, _), _))| (from, at)).collect();
        let mut clusters = Vec::new();
        for (seed, &((from, to), _)) in left.iter().enumerate() {
            if !by_start.contains(&(from, seed)) {
                continue;
            }
            let length = whole_s(from, to);
            // A run that overlaps half of it is no longer than it, so it begins at most half its length earlier.
            let half = to.since(from) / 2;
            let earliest = from.later(-half).later(-1);
            let mine: Vec<(GatewayTime, usize)> = by_start
                .range((earliest, 0)..=(to, usize::MAX))
                .copied()
                .filter(|&(_, at)| {
                    let Some(&((a, b), _)) = left.get(at) else { return false };
                    2 * whole_s(a.max(from), b.min(to)) >= length
                })
                .collect();
            for key in &mine {
                by_start.remove(key);
            }
            let mut cluster: Vec<Run> =
                mine.iter().filter_map(|&(_, at)| left.get(at)).map(|&(_, run)| run).collect();
            cluster.sort_unstable_by_key(|run| (run.stretch, run.first));
            clusters.push(cluster);
        }
        clusters
    }

    /// The typical time of a cluster: from the median of its starts to the median of its ends.
    fn middle(&self, runs: &[Run]) -> TimeSpan {
        let middle = |mut times: Vec<GatewayTime>| {
            times.sort_unstable();
            times.get(times.len() / 2).copied().unwrap_or_default()
        };
        let from = middle(runs.iter().map(|run| self.silence(run).0).collect());
        let to = middle(runs.iter().map(|run| self.silence(run).1).collect());
        (from, to.max(from))
    }

    /// Whether at most a tenth of the loggers that should have been heard in a span were heard.
    fn none_heard(&self, (from, to): TimeSpan) -> bool {
        let able: Vec<&Witness> =
            self.witnesses.iter().filter(|witness| witness.could_speak(from, to)).collect();
        let heard = able.iter().filter(|witness| witness.was_heard(from, to, self.stretches)).count();
        able.len() > 1 && 10 * heard <= able.len()
    }

    /// Whether another logger than these was heard while their records were missed: clearly within that time, since
    /// times are estimates.
    fn others_heard(&self, loggers: &BTreeSet<Address>, runs: &[Run]) -> bool {
        let (from, to) = self.middle(runs);
        let steps = runs.iter().map(|run| i64::from(run.last - run.first)).max().unwrap_or(0);
        // The silence of a run is one interval longer than the run; this span is one interval shorter.
        let interval = to.since(from) / steps.saturating_add(1).max(1);
        let (from, to) = (from.later(interval), to.later(-interval));
        let to = to.max(from.later(1));
        let mut others = self.witnesses.iter().filter(|witness| !loggers.contains(&witness.address));
        others.any(|other| other.is_there(from) && other.unheard(from, to, self.stretches) < to.since(from))
    }

    /// Whether one of several radios did not listen for more than half of a span, while another did.
    fn a_radio_was_off(&self, (from, to): TimeSpan) -> bool {
        let radios = self.radios(from);
        radios.len() > 1
            && radios.into_iter().any(|radio| {
                let mine = self.listening.iter().filter(|span| span.0 == radio);
                let on = covered(from, to, mine.map(|&(_, since, until)| (since, until)));
                let off = i128::from(self.listened(from, to)) - i128::from(on);
                2 * off > whole_s(from, to)
            })
    }

    /// For how many seconds of a span any radio listened.
    fn listened(&self, from: GatewayTime, to: GatewayTime) -> i64 {
        covered(from, to, self.listening.iter().map(|&(_, since, until)| (since, until)))
    }

    /// The radios in use at an instant: a radio that was put up later was not off, and neither was one that was taken
    /// down long before.
    fn radios(&self, at: GatewayTime) -> BTreeSet<u8> {
        let in_use = self
            .listening
            .iter()
            .filter(|&&(_, since, until)| since <= at && until >= at.later(-RADIO_RETIRED_S));
        in_use.map(|&(radio, _, _)| radio).collect()
    }

    /// Whether a radio was off, while another listened, for about as long as a cluster lasted: then it explains why one
    /// logger was not heard. A logger may also be unheard for another reason while a radio is off for a long time.
    fn a_radio_was_off_as_long(&self, runs: &[Run]) -> bool {
        let span = self.middle(runs);
        let lasted = whole_s(span.0, span.1);
        self.radios(span.0).into_iter().any(|radio| {
            let mine: Vec<Listened> = self.listening.iter().filter(|of| of.0 == radio).copied().collect();
            off(&mine).into_iter().any(|(since, until)| {
                let both = i128::from(self.listened(since.max(span.0), until.min(span.1)));
                2 * both >= lasted.max(i128::from(self.listened(since, until)))
            })
        })
    }

    /// An outage of some runs; `None` if they have too few records.
    fn outage(&self, runs: &[Run], cause: Cause) -> Option<Outage> {
        let mut parts: Vec<Part> =
            runs.iter().filter_map(|run| Some(self.stretch(run)?.part(run.first, run.last))).collect();
        parts.sort_unstable_by_key(|part| (part.logger, part.epoch, part.first));
        let is_corrected =
            runs.iter().filter_map(|run| self.stretch(run)).any(|stretch| stretch.is_corrected);
        let outage = Outage {
            from: parts.iter().map(|part| part.from).min()?,
            to: parts.iter().map(|part| part.to).max()?,
            cause,
            loggers: self.loggers(runs).into_iter().collect(),
            parts,
            is_corrected,
        };
        (outage.records() >= OUTAGE_RECORDS).then_some(outage)
    }
}
