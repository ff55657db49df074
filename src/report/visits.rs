//! Which loggers somebody should go to, in which order, until when, and what to fetch there.
//!
//! Input: the gap report, the roster, and what is known of each logger ([`Known`], gathered through `Facts`).
//! Output: [`Visit`]s in order, for the list and for the sheets of a walk.
//!
//! **The order.** The question is what is no longer there if nobody goes, so:
//!
//! 1. [`Class::Dated`]: by the time at which the logger's memory begins to overwrite the oldest thing that is open:
//!    a gap of more than [`SINGLE_RECORDS`] records, an unclosed epoch that has probably gone on, or what a silent
//!    logger has made since it was heard. By the earliest such time; where only a latest is known, by that. Equal
//!    times: a silent logger first.
//! 2. [`Class::Undated`]: the same, where until when is not known (another instrument, no interval promised). A
//!    silent one leads: it may have stopped measuring, and each day costs more.
//! 3. [`Class::Small`]: single records only, and epochs that probably lack nothing. Every radio path loses some; they
//!    are no reason to hurry, and where something large is open they do not move its date.
//! 4. [`Class::Gone`]: nothing is left in the logger. No walk brings it back; a file that was read before may.
//!
//! What this is not: no I/O, no SQL, no clock. It never says that a record is *lost*: past the date it is no longer in
//! the logger, until somebody writes it off; what is written off is not at stake.

use crate::config::roster::{Logger, Roster};
use crate::coverage::Coverage;
use crate::gaps::{self, Facts, Gap, GapState, Report, UnclosedGap};
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::{BTreeMap, BTreeSet};

/// Gaps of no more records than this hurry nobody. As in the gap report.
pub const SINGLE_RECORDS: u64 = 2;

/// When a memory begins to overwrite something; `None`: not known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Deadline {
    /// At its fastest interval.
    pub earliest: Option<i64>,
    /// At the interval in force.
    pub latest: Option<i64>,
}

impl Deadline {
    /// What a visit is planned by.
    pub fn goes_by(self) -> Option<i64> {
        self.earliest.or(self.latest)
    }
}

/// What is known of a logger beside the gap report.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// When it was last heard.
    pub last_heard: Option<i64>,
    /// Its cell in its newest reading, and when that was made; mV, Unix s on the logger's clock.
    pub battery: Option<(u16, i64)>,
    /// The instrument's serial number.
    pub unit: Option<u64>,
    /// The newest record that is held.
    pub newest: Option<Identity>,
    /// When what came after it begins to be overwritten.
    pub since_newest: Deadline,
    /// The same for what came after the last held record of an unclosed epoch.
    pub after: BTreeMap<Epoch, Deadline>,
    /// What comes after the newest record is written off: the logger is gone.
    pub is_written_off: bool,
}

/// Asks for what [`plan`] needs of the wanted loggers. Battery and last reception come from the caller.
pub fn gather<F: Facts>(
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    report: &Report,
    now: i64,
    wanted: impl Fn(Address) -> bool,
) -> Result<BTreeMap<Address, Known>, F::Error> {
    let mut all = BTreeMap::new();
    for logger in roster.loggers().filter(|logger| wanted(logger.address)) {
        all.insert(logger.address, known(logger, coverage, facts)?);
    }
    // What would the report say of an unclosed epoch if it had had one more record? One epoch of each logger at a time,
    // so that the others stay open.
    let mut left: Vec<&UnclosedGap> = report.unclosed.iter().filter(|open| wanted(open.logger)).collect();
    while !left.is_empty() {
        let (mut asked, mut told) = (BTreeMap::new(), coverage.clone());
        left.retain(|open| {
            if asked.contains_key(&open.logger) {
                return true;
            }
            // A CSV row may lie beyond.
            let held = coverage.epoch(open.logger, open.epoch).map(|held| held.held());
            let next = (open.last.saturating_add(1)..)
                .find(|&next| !held.as_ref().is_some_and(|h| h.contains(next)));
            if let Some(next) = next {
                told.name_epoch(open.logger, open.epoch, next, open.next_epoch);
                asked.insert(open.logger, (*open, next));
            }
            false
        });
        let closed = gaps::report(roster, &told, facts, now, |address| asked.contains_key(&address))?;
        for (address, (open, next)) in asked {
            let gap = closed.gaps.iter().find(|gap| {
                gap.logger == address && gap.epoch == open.epoch && (gap.first..=gap.last).contains(&next)
            });
            let (Some(known), Some(logger)) = (all.get_mut(&address), roster.logger(address)) else {
                continue;
            };
            let Some(gap) = gap else { continue };
            let mut deadline =
                Deadline { earliest: gap.overwritten_earliest, latest: gap.overwritten_latest };
            // How much it made before it started anew, nobody knows: at worst it filled its memory at once.
            let (capacity, interval) = memory(logger, facts, known.newest)?;
            if deadline.latest.is_some_and(|latest| latest > now)
                && let Some(from) = open.from
            {
                let full = gaps::made_by(from, capacity + 1, fastest(logger, interval), true);
                deadline.earliest = [deadline.earliest, full].into_iter().flatten().min();
            }
            known.after.insert(open.epoch, deadline);
        }
    }
    Ok(all)
}

fn known<F: Facts>(logger: &Logger, coverage: &Coverage, facts: &F) -> Result<Known, F::Error> {
    let address = logger.address;
    let newest = coverage.epochs_of(address).rev().find_map(|(epoch, held)| {
        let sequence = Sequence::new(held.authentic.largest()?)?;
        Some(Identity { address, epoch, sequence })
    });
    let mut known = Known { newest, last_heard: facts.last_heard(address)?, ..Known::default() };
    let Some(newest) = newest else { return Ok(known) };
    known.unit = facts.profile_before(newest)?.map(|profile| profile.unit).filter(|&unit| unit != 0);
    let (capacity, interval) = memory(logger, facts, Some(newest))?;
    if let Some(made) = gaps::corrected(coverage, facts, newest)? {
        // The next record is gone when as many more have been made as the memory holds.
        known.since_newest = Deadline {
            earliest: gaps::made_by(made.time, capacity + 1, fastest(logger, interval), true),
            latest: gaps::made_by(made.time, capacity + 1, interval, false),
        };
    }
    known.is_written_off = facts.written_off(address)?.iter().any(|off| {
        let next = newest.sequence.number().saturating_add(1);
        off.epoch == newest.epoch && off.last.is_none() && off.first <= next
    });
    Ok(known)
}

/// Records that a logger's memory holds, and its interval in force; s.
fn memory<F: Facts>(logger: &Logger, facts: &F, at: Option<Identity>) -> Result<(i64, i64), F::Error> {
    let profile = match at {
        Some(at) => facts.profile_before(at)?,
        None => None,
    };
    Ok(profile.map_or((i64::from(logger.memory_records), i64::from(logger.interval_s)), |profile| {
        (i64::from(profile.capacity), i64::from(profile.interval_s))
    }))
}

fn fastest(logger: &Logger, in_force: i64) -> i64 {
    let alarm = logger.fastest_interval_s.map(i64::from);
    alarm.into_iter().chain([in_force]).filter(|&s| s > 0).min().unwrap_or(0)
}

/// How pressing a visit is; the module's page says why in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Something large is there, and until when is known.
    Dated,
    /// Something large is there; until when is not known.
    Undated,
    /// Single records.
    Small,
    /// Nothing is left in the logger.
    Gone,
}

impl Class {
    /// As files write it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Dated => "dated",
            Self::Undated => "undated",
            Self::Small => "small",
            Self::Gone => "gone",
        }
    }
}

/// A range to copy from a logger, or to look for in older files. `last` of `None`: to the end of the epoch, which
/// nobody has told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fetch {
    /// The logger.
    pub logger: Address,
    /// Its epoch.
    pub epoch: Epoch,
    /// The first sequence.
    pub first: u32,
    /// The last.
    pub last: Option<u32>,
    /// Estimated time of the first.
    pub from: Option<i64>,
    /// Estimated time of the last.
    pub to: Option<i64>,
}

impl Fetch {
    /// Records, where that is known.
    pub fn records(&self) -> Option<u64> {
        self.last.map(|last| u64::from(last.saturating_sub(self.first)) + 1)
    }

    fn of(gap: &Gap) -> Self {
        let Gap { logger, epoch, first, last, from, to, .. } = *gap;
        Self { logger, epoch, first, last: Some(last), from, to }
    }
}

/// What a visit to a logger may bring.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stake {
    /// Missing records that may still be there.
    pub records: u64,
    /// How many of them are readings, as far as that can be told.
    pub readings: u64,
    /// Records of gaps of which the number of readings is not known.
    pub of_unknown_kind: u64,
    /// Readings that a silent logger or an unclosed epoch is presumed to have made.
    pub presumed: u64,
    /// Something is presumed of which not even that is known.
    pub presumed_unknown: bool,
    /// The time of the oldest.
    pub from: Option<i64>,
    /// The time of the newest.
    pub to: Option<i64>,
}

/// One logger to go to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Visit {
    /// The logger.
    pub logger: Address,
    /// How pressing.
    pub class: Class,
    /// When its memory begins to overwrite the oldest of what makes its class.
    pub deadline: Deadline,
    /// When nothing of the gaps is left in it, at the latest.
    pub nothing_left_by: Option<i64>,
    /// It should have been heard and was not.
    pub is_silent: bool,
    /// Unclosed epochs that are open.
    pub unclosed: u64,
    /// What may still be there.
    pub stake: Stake,
    /// What to copy, by epoch and sequence.
    pub fetch: Vec<Fetch>,
    /// What is no longer in the logger, and not written off: it may be in a file that was read before.
    pub look_for: Vec<Fetch>,
    /// The instrument's serial number.
    pub unit: Option<u64>,
    /// When it was last heard.
    pub last_heard: Option<i64>,
    /// Its newest battery voltage and when that was measured; mV, Unix s.
    pub battery: Option<(u16, i64)>,
    /// When the cell was put in, as the roster has it.
    pub battery_installed: Option<String>,
    /// Where it stands.
    pub area: Option<String>,
    /// How to get there.
    pub access: Option<String>,
}

impl Visit {
    /// Of a logger, with nothing at stake yet.
    pub fn new(logger: &Logger, known: &Known) -> Self {
        Self {
            logger: logger.address,
            class: Class::Gone,
            deadline: Deadline::default(),
            nothing_left_by: None,
            is_silent: false,
            unclosed: 0,
            stake: Stake::default(),
            fetch: Vec::new(),
            look_for: Vec::new(),
            unit: known.unit,
            last_heard: known.last_heard,
            battery: known.battery,
            battery_installed: logger.battery_installed.clone(),
            area: logger.area.clone(),
            access: logger.access.clone(),
        }
    }

    /// Records that are no longer in the logger.
    pub fn gone_records(&self) -> u64 {
        self.look_for.iter().filter_map(Fetch::records).sum()
    }

    /// Whole days until it should be done, downwards; below 0: since the date.
    pub fn days_left(&self, now: i64) -> Option<i64> {
        self.deadline.goes_by().map(|by| by.saturating_sub(now).div_euclid(86_400))
    }

    fn span(&mut self, from: Option<i64>, to: Option<i64>) {
        let stake = &mut self.stake;
        stake.from = [stake.from, from].into_iter().flatten().min();
        stake.to = [stake.to, to].into_iter().flatten().max();
    }
}

/// What counts towards the class and deadline of a visit.
#[derive(Default)]
struct Urgency {
    large: Vec<Deadline>,
    small: Vec<Deadline>,
}

impl Urgency {
    /// The class, and the deadline of what is oldest in it: that with the earliest date.
    fn settle(&self) -> (Class, Deadline) {
        let oldest = |of: &[Deadline]| {
            let dated = of.iter().filter(|deadline| deadline.goes_by().is_some());
            dated.min_by_key(|deadline| deadline.goes_by()).copied()
        };
        match (self.large.is_empty(), self.small.is_empty()) {
            (false, _) => match oldest(&self.large) {
                Some(deadline) => (Class::Dated, deadline),
                None => (Class::Undated, Deadline::default()),
            },
            (true, false) => (Class::Small, oldest(&self.small).unwrap_or_default()),
            (true, true) => (Class::Gone, Deadline::default()),
        }
    }
}

/// The visits in order. Loggers of which nothing is open are left out, and so are those that `known` lacks.
pub fn plan(report: &Report, roster: &Roster, known: &BTreeMap<Address, Known>, now: i64) -> Vec<Visit> {
    let concerned: BTreeSet<Address> = report
        .gaps
        .iter()
        .filter(|gap| gap.state == GapState::Open)
        .map(|gap| gap.logger)
        .chain(report.unclosed.iter().filter(|open| open.state == GapState::Open).map(|open| open.logger))
        .chain(report.silent.iter().map(|silence| silence.logger))
        .collect();
    let mut visits: Vec<Visit> = concerned
        .into_iter()
        .filter_map(|address| visit(report, roster.logger(address)?, known.get(&address)?, now))
        .collect();
    visits.sort_by_key(|visit| {
        (visit.class, visit.deadline.goes_by().unwrap_or(i64::MAX), !visit.is_silent, visit.logger)
    });
    visits
}

fn visit(report: &Report, logger: &Logger, known: &Known, now: i64) -> Option<Visit> {
    let mut visit = Visit::new(logger, known);
    let mut urgency = Urgency::default();
    let address = logger.address;
    for gap in report.gaps.iter().filter(|gap| gap.logger == address && gap.state == GapState::Open) {
        if gap.all_overwritten_latest.is_some_and(|all| all <= now) {
            visit.look_for.push(Fetch::of(gap));
            continue;
        }
        visit.fetch.push(Fetch::of(gap));
        visit.stake.records += gap.records();
        match gap.readings {
            Some(readings) => visit.stake.readings += readings,
            None => visit.stake.of_unknown_kind += gap.records(),
        }
        visit.span(gap.from, gap.to);
        visit.nothing_left_by = visit.nothing_left_by.max(gap.all_overwritten_latest);
        let deadline = Deadline { earliest: gap.overwritten_earliest, latest: gap.overwritten_latest };
        let rank = if gap.records() > SINGLE_RECORDS { &mut urgency.large } else { &mut urgency.small };
        rank.push(deadline);
    }
    for open in report.unclosed.iter().filter(|open| open.logger == address && open.state == GapState::Open) {
        let deadline = known.after.get(&open.epoch).copied().unwrap_or_default();
        let fetch = Fetch {
            logger: address,
            epoch: open.epoch,
            first: open.last.saturating_add(1),
            last: None,
            from: open.from,
            to: open.to,
        };
        visit.unclosed += 1;
        // Its beginning is gone; how far it went nobody knows, so neither whether its end is there.
        if deadline.latest.is_some_and(|latest| latest <= now) {
            visit.look_for.push(fetch);
            continue;
        }
        visit.fetch.push(fetch);
        visit.presume(open.presumed_readings);
        visit.span(open.from, open.to);
        // Probably none are missing: a copy made anyway will tell.
        let rank = if open.presumed_readings == Some(0) { &mut urgency.small } else { &mut urgency.large };
        rank.push(deadline);
    }
    let silence = report.silent.iter().find(|silence| silence.logger == address);
    if let Some(silence) = silence.filter(|_| !known.is_written_off) {
        visit.is_silent = true;
        visit.presume(silence.presumed_readings);
        if let Some(newest) = known.newest {
            visit.fetch.push(Fetch {
                logger: address,
                epoch: newest.epoch,
                first: newest.sequence.number().saturating_add(1),
                last: None,
                from: silence.last_heard,
                to: Some(now),
            });
            visit.span(silence.last_heard, Some(now));
        }
        urgency.large.push(known.since_newest);
    }
    (visit.class, visit.deadline) = urgency.settle();
    visit.fetch.sort_by_key(|fetch| (fetch.epoch, fetch.first));
    visit.look_for.sort_by_key(|fetch| (fetch.epoch, fetch.first));
    let is_needed = visit.is_silent || !visit.fetch.is_empty() || !visit.look_for.is_empty();
    is_needed.then_some(visit)
}

impl Visit {
    fn presume(&mut self, readings: Option<u64>) {
        match readings {
            Some(readings) => self.stake.presumed = self.stake.presumed.saturating_add(readings),
            None => self.stake.presumed_unknown = true,
        }
    }
}
