//! Which loggers to visit, in which order, until when, and what to fetch there: the order of visits is decided only
//! here.
//!
//! Input: the gap report, the roster, and what is known of each logger ([`Known`], collected through `Facts`).
//! Output: [`Visit`]s in order, for the list, the sheets of a walk, `gaps` and `status`. Every date comes from
//! `memory`, for a gap, an unclosed epoch or a silence; none is computed here.
//!
//! **The order.** The question is what will be gone if no visit is made. So:
//!
//! 1. [`Class::Dated`]: something large is there: a gap of more than [`SINGLE_RECORDS`] records, an unclosed epoch that
//!    has probably gone on, or what a silent logger has made since it was heard. Sorted by the earliest date from which
//!    the memory may overwrite any of it. Loggers that certainly hold something come before those that only may. With
//!    equal dates a silent logger comes first.
//! 2. [`Class::Undated`]: the same, but it is not known until when. A silent logger comes first: it may have stopped
//!    measuring, and each day costs more.
//! 3. [`Class::Small`]: single records only. Every radio path loses some. They are not urgent, and where something
//!    large is open they do not change its date.
//! 4. [`Class::Elsewhere`]: another unit made what is missing. It is not in the logger that is there now.
//! 5. [`Class::Gone`]: nothing is left in the logger. No visit brings it back; a file that was read before may.
//!
//! An unclosed epoch that is probably complete is not a reason for a visit: no copy of the memory can bring what was
//! never made.
//!
//! No I/O, no SQL and no clock. This module never says that a record is *lost*: after the date it is no longer in
//! the logger, until a person writes it off; what is written off needs no visit.

use super::gaps::{Facts, Gap, GapState, Report, Silence, UnclosedGap};
use super::memory::{InLogger, InMemory};
use crate::record::coverage::Coverage;
use crate::record::roster::{Logger, Roster};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::BTreeMap;

/// Gaps of at most this many records are not urgent, as in the gap report.
pub const SINGLE_RECORDS: u64 = 2;

/// When a memory begins to overwrite something; `None` if not known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Deadline {
    /// Fetch before.
    pub earliest: Option<GatewayTime>,
    /// The latest date, if the logger continues to measure at its interval.
    pub latest: Option<GatewayTime>,
}

impl Deadline {
    /// The date by which a visit is planned.
    pub fn goes_by(self) -> Option<GatewayTime> {
        self.earliest
    }
}

/// What is known of a logger in addition to the gap report.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known {
    pub last_heard: Option<GatewayTime>,
    /// Battery voltage in its newest reading, in mV, and when that was made.
    pub battery: Option<(u16, GatewayTime)>,
    /// The instrument's serial number.
    pub unit: Option<u64>,
    /// The newest held record.
    pub newest: Option<Identity>,
    /// Everything after the newest record is written off: the logger is gone.
    pub is_written_off: bool,
    /// A remark says that it is expected to be quiet.
    pub is_expected_quiet: bool,
}

/// Reads what [`plan`] needs of the wanted loggers. The battery and what people wrote down come from the caller.
pub fn gather<F: Facts>(
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    wanted: impl Fn(Address) -> bool,
) -> Result<BTreeMap<Address, Known>, F::Error> {
    let mut all = BTreeMap::new();
    for logger in roster.loggers().filter(|logger| wanted(logger.address)) {
        let address = logger.address;
        let newest = coverage.epochs_of(address).rev().find_map(|(epoch, held)| {
            let sequence = Sequence::new(held.authentic.largest()?)?;
            Some(Identity { address, epoch, sequence })
        });
        let last_heard = facts.last_heard(address)?;
        let mut known = Known { newest, last_heard, ..Known::default() };
        if let Some(newest) = newest {
            let profile = facts.profile_before(newest)?;
            known.unit = profile.map(|profile| profile.unit).filter(|&unit| unit != 0);
            let next = newest.sequence.number().saturating_add(1);
            known.is_written_off = facts
                .written_off(address)?
                .iter()
                .any(|off| off.epoch == newest.epoch && off.last.is_none() && off.first <= next);
        }
        all.insert(address, known);
    }
    Ok(all)
}

/// How urgent a visit is; the module documentation gives the reasons for this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// Something large is there, until a known date.
    Dated,
    /// Something large is there, and it is not known until when.
    Undated,
    /// Single records.
    Small,
    /// Another unit made it, which is no longer there.
    Elsewhere,
    /// Nothing is left in the logger.
    Gone,
}

impl Class {
    /// Its name in files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Dated => "dated",
            Self::Undated => "undated",
            Self::Small => "small",
            Self::Elsewhere => "elsewhere",
            Self::Gone => "gone",
        }
    }
}

/// A range to copy from a logger, or to look for in older files. If `last` is `None`, it goes to the end of the epoch,
/// which is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Fetch {
    pub logger: Address,
    pub epoch: Epoch,
    pub first: u32,
    pub last: Option<u32>,
    /// Estimated time of the first.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: Option<GatewayTime>,
    /// Estimated time of the last.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: Option<GatewayTime>,
}

impl Fetch {
    /// How many records, if known.
    pub fn records(&self) -> Option<u64> {
        self.last.map(|last| u64::from(last.saturating_sub(self.first)) + 1)
    }

    /// Some of a gap's records.
    fn of(gap: &Gap, first: u32, last: u32) -> Self {
        let (from, to) = (gap.time_of(first), gap.time_of(last));
        Self { logger: gap.logger, epoch: gap.epoch, first, last: Some(last), from, to }
    }

    fn of_rest(open: &UnclosedGap) -> Self {
        let UnclosedGap { logger, epoch, last, from, to, .. } = *open;
        Self { logger, epoch, first: last.saturating_add(1), last: None, from, to }
    }
}

/// What a visit to a logger may bring.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Stake {
    /// Missing records that may still be there.
    pub records: u64,
    /// How many of them are readings, as far as is known.
    pub readings: u64,
    /// Records of gaps whose number of readings is not known.
    #[serde(rename = "records_of_unknown_kind")]
    pub of_unknown_kind: u64,
    /// Readings that a silent logger or an unclosed epoch is presumed to have made.
    #[serde(rename = "presumed_readings")]
    pub presumed: u64,
    /// Something is presumed, and not even its number is known.
    pub presumed_unknown: bool,
    /// The time of the oldest record.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: Option<GatewayTime>,
    /// The time of the newest record.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: Option<GatewayTime>,
}

/// One logger to go to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Visit {
    pub logger: Address,
    /// How urgent.
    pub class: Class,
    /// When its memory begins to overwrite the oldest of the items that determine its class.
    pub deadline: Deadline,
    /// Whether the items that determine its class are still there.
    pub in_logger: InLogger,
    /// Some of the items that determine its class are certainly there.
    pub is_certain: bool,
    /// When nothing of the gaps is left in it, if it continues to measure.
    pub nothing_left_by: Option<GatewayTime>,
    /// It should have been heard and was not.
    pub is_silent: bool,
    /// A remark says that it is expected to be quiet.
    pub is_expected_quiet: bool,
    /// Unclosed epochs that are open and may have gone on.
    pub unclosed: u64,
    /// What may still be there.
    pub stake: Stake,
    /// What to copy, by epoch and sequence.
    pub fetch: Vec<Fetch>,
    /// What is no longer in the logger and not written off: it may be in a file that was read before.
    pub look_for: Vec<Fetch>,
    /// What another, earlier unit made.
    pub elsewhere: Vec<Fetch>,
    /// The instrument's serial number.
    pub unit: Option<u64>,
    pub last_heard: Option<GatewayTime>,
    /// Its newest battery voltage and when that was measured; mV.
    pub battery: Option<(u16, GatewayTime)>,
    /// When the battery was put in, from the roster.
    pub battery_installed: Option<String>,
    pub area: Option<String>,
    /// How to get there.
    pub access: Option<String>,
}

impl Visit {
    /// The visit of a logger, with nothing to fetch yet.
    pub fn new(logger: &Logger, known: &Known) -> Self {
        Self {
            logger: logger.address,
            class: Class::Gone,
            deadline: Deadline::default(),
            in_logger: InLogger::No,
            is_certain: false,
            nothing_left_by: None,
            is_silent: false,
            is_expected_quiet: known.is_expected_quiet,
            unclosed: 0,
            stake: Stake::default(),
            fetch: Vec::new(),
            look_for: Vec::new(),
            elsewhere: Vec::new(),
            unit: known.unit,
            last_heard: known.last_heard,
            battery: known.battery,
            battery_installed: logger.battery_installed.clone(),
            area: logger.area.clone(),
            access: logger.access.clone(),
        }
    }

    /// Whether it is a reason to go: something large is there, or the logger is silent for no known reason.
    pub fn is_reason(&self) -> bool {
        let is_quiet = self.is_silent && self.is_expected_quiet;
        matches!(self.class, Class::Dated | Class::Undated)
            && (!is_quiet || self.stake.records > SINGLE_RECORDS || self.unclosed > 0)
    }

    /// Whether only what a silent logger is presumed to have made is missing.
    pub fn is_only_silent(&self) -> bool {
        self.is_silent && self.stake.records == 0 && self.unclosed == 0
    }

    /// Records that are no longer in the logger.
    pub fn gone_records(&self) -> u64 {
        self.look_for.iter().filter_map(Fetch::records).sum()
    }

    /// Whole days until the visit should be made, rounded down; negative after the date.
    pub fn days_left(&self, now: GatewayTime) -> Option<i64> {
        self.deadline.goes_by().map(|by| by.since(now).div_euclid(86_400))
    }

    /// Whole days since the battery was put in, if the roster says when.
    pub fn cell_days(&self, now: GatewayTime) -> Option<u64> {
        let put_in = crate::when::day(self.battery_installed.as_deref()?).ok()?;
        u64::try_from(now.since(put_in).div_euclid(86_400)).ok()
    }

    fn span(&mut self, from: Option<GatewayTime>, to: Option<GatewayTime>) {
        let stake = &mut self.stake;
        stake.from = [stake.from, from].into_iter().flatten().min();
        stake.to = [stake.to, to].into_iter().flatten().max();
    }
}

/// The items that count towards the class and deadline of a visit.
#[derive(Default)]
struct Urgency {
    large: Vec<InMemory>,
    small: Vec<InMemory>,
}

impl Urgency {
    /// Sets the class, and the deadline of its oldest item: the one with the earliest date.
    fn settle(&self, visit: &mut Visit) {
        let (of, dated, undated) = match (self.large.is_empty(), self.small.is_empty()) {
            (false, _) => (&self.large, Class::Dated, Class::Undated),
            (true, false) => (&self.small, Class::Small, Class::Small),
            (true, true) => {
                visit.class = if visit.elsewhere.is_empty() { Class::Gone } else { Class::Elsewhere };
                visit.in_logger = if visit.elsewhere.is_empty() { InLogger::No } else { InLogger::Perhaps };
                return;
            }
        };
        let is_certain = |of: &InMemory| of.in_logger == InLogger::Yes || of.certain > 0;
        visit.is_certain = of.iter().any(is_certain);
        let oldest = of.iter().filter(|of| of.earliest.is_some()).min_by_key(|of| of.earliest);
        visit.class = if oldest.is_some() { dated } else { undated };
        visit.deadline =
            oldest.map_or_else(Deadline::default, |of| Deadline { earliest: of.earliest, latest: of.latest });
        // From the oldest; if no date is known, from the least certain.
        let least = of.iter().map(|of| of.in_logger).max().unwrap_or_default();
        visit.in_logger = oldest.map_or(least, |of| of.in_logger);
    }
}

/// The open items of one logger.
#[derive(Default)]
struct Open<'a> {
    gaps: Vec<&'a Gap>,
    unclosed: Vec<&'a UnclosedGap>,
    silence: Option<&'a Silence>,
}

/// The visits in order. Loggers without open items are left out, and so are those missing from `known`.
pub fn plan(
    report: &Report,
    roster: &Roster,
    known: &BTreeMap<Address, Known>,
    now: GatewayTime,
) -> Vec<Visit> {
    let mut concerned: BTreeMap<Address, Open<'_>> = BTreeMap::new();
    for gap in report.gaps.iter().filter(|gap| gap.state == GapState::Open) {
        concerned.entry(gap.logger).or_default().gaps.push(gap);
    }
    for open in report.unclosed.iter().filter(|open| open.state == GapState::Open) {
        concerned.entry(open.logger).or_default().unclosed.push(open);
    }
    for silence in &report.silent {
        concerned.entry(silence.logger).or_default().silence = Some(silence);
    }
    let mut visits: Vec<Visit> = concerned
        .iter()
        .filter_map(|(&address, open)| visit(open, roster.logger(address)?, known.get(&address)?, now))
        .collect();
    visits.sort_by_key(|visit| {
        let by = visit.deadline.goes_by().unwrap_or(GatewayTime::MAX);
        (visit.class, !visit.is_certain && visit.class == Class::Dated, by, !visit.is_silent, visit.logger)
    });
    visits
}

fn visit(open: &Open<'_>, logger: &Logger, known: &Known, now: GatewayTime) -> Option<Visit> {
    let mut visit = Visit::new(logger, known);
    let mut urgency = Urgency::default();
    for gap in &open.gaps {
        visit.gap(gap, &mut urgency);
    }
    for open in &open.unclosed {
        visit.rest(open, &mut urgency);
    }
    if let Some(silence) = open.silence.filter(|_| !known.is_written_off) {
        visit.is_silent = true;
        visit.presume(silence.presumed_readings);
        if let Some(newest) = silence.newest {
            visit.fetch.push(Fetch {
                logger: visit.logger,
                epoch: newest.epoch,
                first: newest.sequence.number().saturating_add(1),
                last: None,
                from: silence.last_heard,
                to: Some(now),
            });
            visit.span(silence.last_heard, Some(now));
        }
        urgency.large.push(silence.in_memory);
    }
    urgency.settle(&mut visit);
    let is_needed =
        visit.is_silent || [&visit.fetch, &visit.look_for, &visit.elsewhere].iter().any(|of| !of.is_empty());
    // An epoch that is probably complete is copied too, if the visit is made anyway.
    if is_needed && matches!(visit.class, Class::Dated | Class::Undated | Class::Small) {
        for open in
            open.unclosed.iter().filter(|open| is_probably_whole(open) && open.in_memory.can_be_fetched())
        {
            visit.fetch.push(Fetch::of_rest(open));
        }
    }
    for ranges in [&mut visit.fetch, &mut visit.look_for, &mut visit.elsewhere] {
        ranges.sort_by_key(|fetch| (fetch.epoch, fetch.first));
    }
    is_needed.then_some(visit)
}

/// Whether an unclosed epoch probably ended with its last held record, judged by time.
pub fn is_probably_whole(open: &UnclosedGap) -> bool {
    open.presumed_readings == Some(0)
}

impl Visit {
    fn gap(&mut self, gap: &Gap, urgency: &mut Urgency) {
        // The oldest records are overwritten first.
        let left = gap.left();
        let split = gap.last - u32::try_from(left).unwrap_or(u32::MAX).min(gap.last);
        if left < gap.records() {
            self.look_for.push(Fetch::of(gap, gap.first, split));
        }
        if left == 0 {
            return;
        }
        let fetch = Fetch::of(gap, split + 1, gap.last);
        if gap.in_memory.is_elsewhere {
            self.elsewhere.push(fetch);
            return;
        }
        self.span(fetch.from, fetch.to);
        self.fetch.push(fetch);
        self.stake.records += left;
        match gap.readings.filter(|_| left == gap.records()) {
            Some(readings) => self.stake.readings += readings,
            None => self.stake.of_unknown_kind += left,
        }
        self.nothing_left_by = self.nothing_left_by.max(gap.in_memory.all_latest);
        let rank = if left > SINGLE_RECORDS { &mut urgency.large } else { &mut urgency.small };
        rank.push(gap.in_memory);
    }

    fn rest(&mut self, open: &UnclosedGap, urgency: &mut Urgency) {
        if is_probably_whole(open) {
            return;
        }
        self.unclosed += 1;
        let fetch = Fetch::of_rest(open);
        if open.in_memory.in_logger == InLogger::No {
            self.look_for.push(fetch);
        } else if open.in_memory.is_elsewhere {
            self.elsewhere.push(fetch);
        } else {
            self.fetch.push(fetch);
            self.presume(open.presumed_readings);
            self.span(open.from, open.to);
            urgency.large.push(open.in_memory);
        }
    }

    fn presume(&mut self, readings: Option<u64>) {
        match readings {
            Some(readings) => self.stake.presumed = self.stake.presumed.saturating_add(readings),
            None => self.stake.presumed_unknown = true,
        }
    }
}
