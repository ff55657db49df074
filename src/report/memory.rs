//! What a logger still holds, and until when: computed only here, for every report.
//!
//! Input: what must exist ([`crate::record::expected`]), the roster's entry, and a few facts about held records.
//! Output: for a range of missing records, an open end of an epoch, or what a silent logger has made since, an
//! [`InMemory`]. Rules: `docs/wire-format.md`, section 13, "What is still in a logger".
//!
//! ```text
//! older ──────────────────────────────────────────────────────▶ newer
//!   missing s             newest by radio n1        newest held n
//!      |<────── m1 ─────────────▶|                       |
//!      |<─────────────── m ─────────────────────────────▶|
//!                                earliest = reception of n1 + the shortest time for C - m1 records
//! ```
//!
//! It counts sequences and uses reception times of the gateway. A logger's clock is not used, except if nothing at all
//! came by radio. The epochs of one instrument form one *unit*; nothing is counted or concluded across units.
//!
//! No I/O and no clock. This module decides nothing about what must exist, and never says that a record is
//! lost: a file that was read before may hold it.

use crate::record::clock;
use crate::record::clocks::Clocks;
use crate::record::expected::{BadEnd, EpochMissing, Pace};
use crate::record::facts::{Came, Facts, ProfileSeen, Stated};
use crate::record::roster::Logger;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// A clock that is set back by less than this (one day) still counts as set.
const PRESENT_SLACK_S: i64 = 86_400;

/// Whether a logger still holds a missing record.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum InLogger {
    /// Yes, until the earliest date.
    Yes,
    #[default]
    Perhaps,
    No,
}

impl InLogger {
    pub const ALL: [Self; 3] = [Self::Yes, Self::Perhaps, Self::No];

    /// Its name in files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::Perhaps => "perhaps",
            Self::No => "no",
        }
    }
}

/// What a logger still holds of something that is missing. Skipped fields belong to gaps only, in answers too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct InMemory {
    /// For the oldest record that is not known to be gone: newer ones are at least as certain. `No`: all are gone.
    pub in_logger: InLogger,
    /// How many of the oldest records are gone. Counted in gaps only.
    #[serde(skip)]
    pub gone: u64,
    /// How many of the newest records are certainly there. Counted in gaps only.
    #[serde(skip)]
    pub certain: u64,
    /// Fetch before this time: from then on, the logger may overwrite the oldest record that is not gone. `None`: not
    /// known, or all gone.
    #[serde(rename = "overwritten_earliest", serialize_with = "crate::text::as_rfc3339")]
    pub earliest: Option<GatewayTime>,
    /// From this time on that record is gone, if the logger continues to measure at its interval.
    #[serde(rename = "overwritten_latest", serialize_with = "crate::text::as_rfc3339")]
    pub latest: Option<GatewayTime>,
    /// The same for the newest record of the range.
    #[serde(skip)]
    pub all_latest: Option<GatewayTime>,
    /// Another unit made it: it is in that unit, and not in the logger that is there now.
    #[serde(rename = "in_another_unit")]
    pub is_elsewhere: bool,
}

impl InMemory {
    /// Whether a visit to the logger that is there now may bring any of it.
    pub fn can_be_fetched(&self) -> bool {
        self.in_logger != InLogger::No && !self.is_elsewhere
    }
}

/// One epoch, in the order of its unit.
#[derive(Clone, Debug)]
struct Line {
    epoch: Epoch,
    unit: usize,
    /// Its last sequence that is certain to exist.
    must: u32,
    /// Whether its end, if a record gives one, is possible.
    is_end_sound: bool,
    largest_held: Option<u32>,
    /// How many records, at least, the unit made before it.
    made_before: i64,
    /// From the last epoch of a chain on, counts are a lower bound: the epochs of one chain are joined by known ends.
    chain: usize,
    /// The shortest interval in the profiles of this and the unit's later epochs.
    shortest: Option<u32>,
    /// Sequences below this are permanently gone, by memory statements; in u64, because all of the epoch may be.
    gone_below: u64,
    /// For each memory statement that lists something of it, ascending: the statement and the first sequence listed.
    listed_from: Vec<(Identity, u32)>,
}

/// The instrument that made some epochs.
#[derive(Clone, Debug, Default)]
struct Unit {
    /// Its epochs, as indices into the lines, ascending.
    lines: Vec<usize>,
    newest: Option<Identity>,
    /// The last profile held of it.
    profile: Option<ProfileSeen>,
    evidence: Evidence,
}

/// What a unit's profiles and events say about its memory; ordered by the identity of the record. What its memory
/// statements say is with the lines.
#[derive(Clone, Copy, Debug, Default)]
struct Evidence {
    /// Everything below this is permanently gone, by a profile's *oldest*.
    gone_below: Option<Identity>,
    /// The last event 3: everything below it is gone, except what a later record shows to be there.
    cleared: Option<Identity>,
}

/// The point from which a chain's earliest dates are counted.
#[derive(Clone, Copy, Debug)]
struct Base {
    /// The place of the record.
    place: i64,
    at: GatewayTime,
    pace: Pace,
}

/// One logger's memory.
pub struct Memory<'a, F> {
    logger: &'a Logger,
    facts: &'a F,
    clocks: &'a Clocks<'a, F>,
    now: GatewayTime,
    /// By epoch.
    lines: Vec<Line>,
    units: Vec<Unit>,
    /// The unit that is there now.
    current: Option<usize>,
    /// The last line of each chain.
    chains: Vec<usize>,
    bases: RefCell<BTreeMap<usize, Option<Base>>>,
    by_radio: RefCell<BTreeMap<usize, Option<(usize, Identity)>>>,
    synchronised: RefCell<BTreeMap<usize, Option<GatewayTime>>>,
}

/// For each unit, notes the last time that its memory was cleared.
fn note_cleared(cleared: impl IntoIterator<Item = Identity>, lines: &[Line], units: &mut [Unit]) {
    for cleared in cleared {
        if let Ok(line) = lines.binary_search_by_key(&cleared.epoch, |line| line.epoch) {
            let evidence = &mut units[lines[line].unit].evidence;
            evidence.cleared = evidence.cleared.max(Some(cleared));
        }
    }
}

/// Notes for each line what memory statements say about it. A statement speaks of its own unit only.
fn note_stated(all: &[Stated], units: &[Unit], lines: &mut [Line]) {
    for Stated { identity, statement } in all {
        let Ok(own) = lines.binary_search_by_key(&identity.epoch, |line| line.epoch) else { continue };
        let of_unit = &units[lines[own].unit].lines;
        let upto = of_unit.partition_point(|&at| at <= own);
        let from = of_unit[..upto].partition_point(|&at| statement.of_epoch(lines[at].epoch).is_none());
        for &at in &of_unit[from..upto] {
            let line = &mut lines[at];
            match statement.of_epoch(line.epoch) {
                None => {}
                Some(None) => line.gone_below = u64::MAX,
                Some(Some(entry)) => {
                    line.gone_below = line.gone_below.max(u64::from(entry.first));
                    if entry.first <= entry.last {
                        line.listed_from.push((*identity, entry.first));
                    }
                }
            }
        }
    }
}

/// For each line, the shortest interval of it and of its unit's later lines.
fn shortest_from_here_on(units: &[Unit], lines: &mut [Line]) {
    for unit in units {
        let mut shortest: Option<u32> = None;
        for &line in unit.lines.iter().rev() {
            shortest = [shortest, lines[line].shortest].into_iter().flatten().min();
            lines[line].shortest = shortest;
        }
    }
}

impl<'a, F: Facts> Memory<'a, F> {
    /// The memory of a logger, from what must exist of it.
    pub fn new(
        logger: &'a Logger,
        facts: &'a F,
        clocks: &'a Clocks<'a, F>,
        epochs: &[EpochMissing],
        bad: &[BadEnd],
        now: GatewayTime,
    ) -> Result<Self, F::Error> {
        let address = logger.address;
        let mut profiles = Vec::with_capacity(epochs.len());
        for of in epochs {
            profiles.push(facts.last_profile(address, of.epoch)?);
        }
        let unit_of = units(address, facts, epochs, &profiles)?;
        let statements = facts.statements(address)?;
        let listed_together: BTreeSet<(Epoch, Epoch)> = statements
            .iter()
            .flat_map(|stated| stated.statement.entries().windows(2))
            .filter_map(|pair| Some((pair.last()?.epoch, pair.first()?.epoch)))
            .collect();
        let mut units = vec![Unit::default(); unit_of.iter().max().map_or(0, |most| most + 1)];
        let (mut lines, mut chains): (Vec<Line>, Vec<usize>) = (Vec::new(), Vec::new());
        for (at, ((of, profile), &unit_at)) in epochs.iter().zip(profiles).zip(&unit_of).enumerate() {
            let identity = |sequence| identity(address, of.epoch, sequence);
            let unit = &mut units[unit_at];
            let before = unit.lines.last().map(|&before| (&epochs[before], &lines[before]));
            let is_bad = bad.iter().any(|bad| bad.epoch == of.epoch);
            // The end of the previous epoch comes from this epoch, or from a statement that lists both, and is possible.
            let joined = before.filter(|(end, line)| {
                let is_named = end.named.is_some_and(|named| named.by_epoch == of.epoch);
                line.is_end_sound && (is_named || listed_together.contains(&(end.epoch, of.epoch)))
            });
            let chain = joined.map_or(chains.len(), |(_, line)| line.chain);
            let made_before = before.map_or(0, |(_, line)| line.made_before + i64::from(line.must));
            if chain == chains.len() {
                chains.push(at);
            }
            chains[chain] = at;
            lines.push(Line {
                epoch: of.epoch,
                unit: unit_at,
                must: if is_bad { of.largest_held.unwrap_or(0) } else { of.must },
                is_end_sound: !is_bad,
                largest_held: of.largest_held,
                made_before,
                chain,
                shortest: facts.shortest_interval(address, of.epoch)?,
                gone_below: 0,
                listed_from: Vec::new(),
            });
            unit.lines.push(at);
            unit.newest = of.largest_held.and_then(identity).or(unit.newest);
            if let Some(profile) = profile {
                unit.profile = Some(profile);
                // Above 1: nothing is left of the unit's earlier epochs either.
                if profile.oldest > 1 {
                    let oldest = identity(profile.oldest.min(profile.identity.sequence.number()));
                    unit.evidence.gone_below = unit.evidence.gone_below.max(oldest);
                }
            }
        }
        note_cleared(facts.memory_cleared(address)?, &lines, &mut units);
        note_stated(&statements, &units, &mut lines);
        shortest_from_here_on(&units, &mut lines);
        let current = lines.iter().rev().find(|line| line.largest_held.is_some()).map(|line| line.unit);
        Ok(Self {
            logger,
            facts,
            clocks,
            now,
            lines,
            units,
            current,
            chains,
            bases: RefCell::default(),
            by_radio: RefCell::default(),
            synchronised: RefCell::default(),
        })
    }

    /// For a range of missing records of one epoch.
    pub fn of_range(&self, epoch: Epoch, first: u32, last: u32) -> Result<InMemory, F::Error> {
        let Some((at, line)) = self.line(epoch) else { return Ok(InMemory::default()) };
        if first > line.must {
            // Beyond what is possible: treated like what an open end may have made.
            return self.of_rest(epoch);
        }
        let left = partition(first, last, |sequence| self.is_gone(at, sequence))?;
        let gone = u64::from(left.unwrap_or(last)) - u64::from(first) + u64::from(left.is_none());
        let Some(oldest) = left else {
            return Ok(InMemory { in_logger: InLogger::No, gone, ..self.elsewhere(line) });
        };
        let sure = partition(oldest, last, |sequence| Ok(self.word(at, sequence)? != InLogger::Yes))?;
        Ok(InMemory {
            in_logger: self.word(at, oldest)?,
            gone,
            certain: sure.map_or(0, |sure| u64::from(last - sure) + 1),
            earliest: self.earliest(at, self.place(line, oldest))?,
            latest: self.latest(line, self.place(line, oldest))?,
            all_latest: self.latest(line, self.place(line, last))?,
            ..self.elsewhere(line)
        })
    }

    /// For what an epoch may have made after its last held record, if no record says where it ended.
    pub fn of_rest(&self, epoch: Epoch) -> Result<InMemory, F::Error> {
        let Some((at, line)) = self.line(epoch) else { return Ok(InMemory::default()) };
        // All of it is gone only if records made after the epoch show it.
        if self.is_gone(at, u32::MAX)? {
            return Ok(InMemory { in_logger: InLogger::No, ..self.elsewhere(line) });
        }
        let oldest = line.made_before + i64::from(line.largest_held.unwrap_or(0)) + 1;
        let earliest = self.earliest(at, oldest)?;
        let is_newest =
            self.current == Some(line.unit) && self.chains[line.chain] == at && self.is_last(line);
        let sure = is_newest && self.capacity(line).is_some() && self.is_to_come(line, earliest)?;
        Ok(InMemory {
            in_logger: if sure { InLogger::Yes } else { InLogger::Perhaps },
            earliest,
            latest: self.latest(line, oldest)?,
            ..self.elsewhere(line)
        })
    }

    /// For what the logger has made since its newest held record; `None` if none is held.
    pub fn of_newer(&self) -> Result<Option<InMemory>, F::Error> {
        let newest = self.current.and_then(|unit| self.units[unit].newest);
        newest.map(|newest| self.of_rest(newest.epoch)).transpose()
    }

    /// The serial number of the unit that is there now.
    pub fn unit(&self) -> Option<u64> {
        let unit = self.current.and_then(|unit| self.units[unit].profile);
        unit.map(|profile| profile.unit).filter(|&unit| unit != 0)
    }

    /// The newest record that is held.
    pub fn newest(&self) -> Option<Identity> {
        self.current.and_then(|unit| self.units[unit].newest)
    }

    fn line(&self, epoch: Epoch) -> Option<(usize, &Line)> {
        let at = self.lines.binary_search_by_key(&epoch, |line| line.epoch).ok()?;
        Some((at, &self.lines[at]))
    }

    /// Whether nothing of its unit is known after an epoch.
    fn is_last(&self, line: &Line) -> bool {
        self.units[line.unit].lines.last().is_some_and(|&last| self.lines[last].epoch == line.epoch)
    }

    fn elsewhere(&self, line: &Line) -> InMemory {
        let is_elsewhere = self.current.is_some_and(|current| current != line.unit);
        InMemory { is_elsewhere, ..InMemory::default() }
    }

    /// A record's number among those that its unit is known to have made.
    fn place(&self, line: &Line, sequence: u32) -> i64 {
        line.made_before + i64::from(sequence)
    }

    fn place_of(&self, identity: Identity) -> Option<i64> {
        self.line(identity.epoch).map(|(_, line)| self.place(line, identity.sequence.number()))
    }

    /// How many records the memory holds at least, if known.
    fn capacity(&self, line: &Line) -> Option<i64> {
        let profile = self.units[line.unit].profile;
        let capacity = profile.map_or(self.logger.memory_records, |profile| profile.capacity);
        (capacity > 0).then_some(i64::from(capacity))
    }

    /// How many records, at least, the unit made after a place, up to its newest held record.
    fn made_since(&self, line: &Line, place: i64) -> i64 {
        let newest = self.units[line.unit].newest.and_then(|newest| self.place_of(newest));
        newest.map_or(0, |newest| newest - place)
    }

    /// Whether a record is no longer in its unit, by evidence or because twice the memory has been made since.
    /// `u32::MAX` means everything that the epoch made.
    fn is_gone(&self, at: usize, sequence: u32) -> Result<bool, F::Error> {
        let line = &self.lines[at];
        let Some(identity) = identity(self.logger.address, line.epoch, sequence) else { return Ok(false) };
        let Evidence { gone_below, cleared } = self.units[line.unit].evidence;
        if gone_below.is_some_and(|below| identity < below) || u64::from(sequence) < line.gone_below {
            return Ok(true);
        }
        // For the whole rest of an epoch: counted from its end.
        let place = self.place(line, sequence.min(line.must));
        let many = |place: i64| {
            self.capacity(line).is_some_and(|capacity| self.made_since(line, place) >= 2 * capacity)
        };
        let is_cleared = cleared.is_some_and(|cleared| identity < cleared);
        if !is_cleared && !many(place) {
            return Ok(false);
        }
        // Whatever the evidence is, a later record that shows it there takes precedence, and counting starts again from
        // that record.
        let there = if sequence == u32::MAX {
            None
        } else {
            let listed = line.listed_from.iter().rev().find(|&&(_, first)| first <= sequence);
            self.facts.last_profile_with(identity)?.max(listed.map(|&(statement, _)| statement))
        };
        Ok(match there {
            None => true,
            Some(there) if cleared.is_some_and(|cleared| there < cleared) => true,
            Some(there) => self.place_of(there).is_some_and(many),
        })
    }

    /// For a record that must exist.
    fn word(&self, at: usize, sequence: u32) -> Result<InLogger, F::Error> {
        if self.is_gone(at, sequence)? {
            return Ok(InLogger::No);
        }
        let line = &self.lines[at];
        let place = self.place(line, sequence);
        let is_exact = self.current == Some(line.unit)
            && self.units[line.unit]
                .newest
                .and_then(|newest| self.line(newest.epoch))
                .is_some_and(|(_, newest)| newest.chain == line.chain);
        let is_within = self.capacity(line).is_some_and(|capacity| self.made_since(line, place) < capacity);
        let sure = is_exact && is_within && self.is_to_come(line, self.earliest(at, place)?)?;
        Ok(if sure { InLogger::Yes } else { InLogger::Perhaps })
    }

    /// Whether a date is known and in the future.
    fn is_to_come(&self, line: &Line, date: Option<GatewayTime>) -> Result<bool, F::Error> {
        Ok(date.is_some_and(|date| date > self.now) && self.present(line)?.is_some())
    }

    /// The present, if it is possible: a time before the last reception comes from a clock that is not set.
    fn present(&self, line: &Line) -> Result<Option<GatewayTime>, F::Error> {
        let base = self.base(self.last_chain(line))?;
        Ok(Some(self.now).filter(|now| base.is_none_or(|base| now.later(PRESENT_SLACK_S) >= base.at)))
    }

    /// The time from which the record at a place may be overwritten.
    fn earliest(&self, at: usize, place: i64) -> Result<Option<GatewayTime>, F::Error> {
        let line = &self.lines[at];
        if self.current != Some(line.unit) {
            return Ok(None);
        }
        let (Some(base), Some(capacity)) = (self.base(line.chain)?, self.capacity(line)) else {
            return Ok(None);
        };
        let left = capacity.saturating_sub(base.place - place);
        let date = base.pace.soonest(left).map(|seconds| base.at.later(seconds));
        // If more records came after a break than the pace allows, they count.
        let latest = self.latest(line, place)?;
        Ok(date.map(|date| latest.map_or(date, |latest| date.min(latest))))
    }

    /// The chain of the newest known epoch of a line's unit.
    fn last_chain(&self, line: &Line) -> usize {
        self.units[line.unit].lines.last().map_or(line.chain, |&last| self.lines[last].chain)
    }

    /// The time from which the record at a place is gone if the logger continues to measure.
    fn latest(&self, line: &Line, place: i64) -> Result<Option<GatewayTime>, F::Error> {
        let unit = &self.units[line.unit];
        let (Some(newest), Some(capacity)) = (unit.newest, self.capacity(line)) else { return Ok(None) };
        if self.current != Some(line.unit) {
            return Ok(None);
        }
        let base = self.base(self.last_chain(line))?;
        let now = self.present(line)?;
        let since = match self.facts.came(newest)? {
            Some(Came::Radio { received_at: Some(at) }) => Some(at),
            // The clock may have been wrong: the time was after what is known before it, and before now.
            Some(Came::Radio { received_at: None }) => now,
            Some(Came::Hand { imported_at: Some(at) }) => {
                let can_be = base.is_none_or(|base| at >= base.at) && now.is_none_or(|now| at <= now);
                if can_be { Some(at) } else { now }
            }
            Some(Came::Hand { imported_at: None }) => None,
            None => None,
        };
        let interval = unit.profile.map_or(self.logger.interval_s, |profile| profile.interval_s);
        let left = capacity.saturating_sub(self.made_since(line, place)).max(0);
        let seconds = left.saturating_mul(i64::from(interval));
        Ok(since.filter(|_| interval > 0).map(|since| since.later(seconds)))
    }

    /// The point from which the earliest dates of a chain are counted; found once.
    fn base(&self, chain: usize) -> Result<Option<Base>, F::Error> {
        if let Some(base) = self.bases.borrow().get(&chain) {
            return Ok(*base);
        }
        let base = self.find_base(self.chains[chain])?;
        self.bases.borrow_mut().insert(chain, base);
        Ok(base)
    }

    /// From the unit's newest record that came by radio, up to the end of a chain; if none did, from the last held
    /// record.
    fn find_base(&self, end: usize) -> Result<Option<Base>, F::Error> {
        let lines = &self.units[self.lines[end].unit].lines;
        if let Some((line, found)) = self.radio_at_or_before(end)? {
            let at = match self.facts.came(found)? {
                Some(Came::Radio { received_at: Some(at) }) => Some(at),
                _ => self.synchronised_at_or_before(line, found)?,
            };
            return Ok(at.map(|at| self.base_at(line, found, at)));
        }
        let held = lines.iter().rev().filter(|&&line| line <= end);
        let held = held.filter_map(|&line| Some((line, self.lines[line].largest_held?))).next();
        let Some((line, sequence)) = held else { return Ok(None) };
        let Some(last) = identity(self.logger.address, self.lines[line].epoch, sequence) else {
            return Ok(None);
        };
        let (Some(seen), Some(Came::Hand { imported_at })) = (self.facts.seen(last)?, self.facts.came(last)?)
        else {
            return Ok(None);
        };
        let made = self.clocks.of(last.epoch)?.corrected(sequence, seen.time, seen.received_at);
        let made = Some(made.time).filter(|&made| made >= clock::FIRST_PLAUSIBLE);
        let made = made.filter(|&made| imported_at.is_some_and(|imported| made <= imported));
        Ok(made.map(|at| self.base_at(line, last, at)))
    }

    /// The newest record by radio of a line's unit, in the line or before it. Each epoch is queried once, whatever the
    /// number of chains.
    fn radio_at_or_before(&self, line: usize) -> Result<Option<(usize, Identity)>, F::Error> {
        let lines = &self.units[self.lines[line].unit].lines;
        let upto = lines.partition_point(|&at| at <= line);
        let mut found = None;
        let mut passed = Vec::new();
        for &at in lines[..upto].iter().rev() {
            if let Some(&known) = self.by_radio.borrow().get(&at) {
                found = known;
                break;
            }
            passed.push(at);
            if let Some(whole) = identity(self.logger.address, self.lines[at].epoch, u32::MAX)
                && let Some(newest) = self.facts.newest_by_radio(whole)?
            {
                found = Some((at, newest));
                break;
            }
        }
        self.by_radio.borrow_mut().extend(passed.into_iter().map(|at| (at, found)));
        Ok(found)
    }

    /// The last moment by a synchronised clock before the reception of a record, from any record of the logger below
    /// it.
    fn synchronised_at_or_before(
        &self,
        line: usize,
        record: Identity,
    ) -> Result<Option<GatewayTime>, F::Error> {
        if let Some(at) = self.facts.newest_synchronised(record)? {
            return Ok(Some(at));
        }
        let mut found = None;
        let mut passed = Vec::new();
        for at in (0..line).rev() {
            if let Some(&known) = self.synchronised.borrow().get(&at) {
                found = known;
                break;
            }
            passed.push(at);
            if let Some(whole) = identity(self.logger.address, self.lines[at].epoch, u32::MAX)
                && let Some(newest) = self.facts.newest_synchronised(whole)?
            {
                found = Some(newest);
                break;
            }
        }
        self.synchronised.borrow_mut().extend(passed.into_iter().map(|at| (at, found)));
        Ok(found)
    }

    fn base_at(&self, line: usize, record: Identity, at: GatewayTime) -> Base {
        let line = &self.lines[line];
        let place = self.place(line, record.sequence.number());
        Base { place, at, pace: Pace::new(self.logger, line.shortest) }
    }
}

fn identity(address: Address, epoch: Epoch, sequence: u32) -> Option<Identity> {
    Some(Identity { address, epoch, sequence: Sequence::new(sequence)? })
}

/// The first of `first..=last` for which `is_before` is false. `is_before` must stay false after it.
fn partition<E>(
    first: u32,
    last: u32,
    mut is_before: impl FnMut(u32) -> Result<bool, E>,
) -> Result<Option<u32>, E> {
    let (mut low, mut high) = (u64::from(first), u64::from(last) + 1);
    while low < high {
        let middle = (low + high) / 2;
        // Below `high`, so it fits.
        if is_before(u32::try_from(middle).unwrap_or(u32::MAX))? { low = middle + 1 } else { high = middle }
    }
    Ok(u32::try_from(low).ok().filter(|&low| low <= last))
}

/// Groups epochs into units: by index, the unit's number. Epochs belong together if they have the same serial number,
/// or if one names the other's end; where a serial number is not known, if they share a key slot and this does not
/// join two serial numbers.
fn units<F: Facts>(
    address: Address,
    facts: &F,
    epochs: &[EpochMissing],
    profiles: &[Option<ProfileSeen>],
) -> Result<Vec<usize>, F::Error> {
    let mut groups = Groups((0..epochs.len()).collect());
    let mut by_serial: BTreeMap<u64, usize> = BTreeMap::new();
    for (at, (of, profile)) in epochs.iter().zip(profiles).enumerate() {
        if let Some(profile) = profile.filter(|profile| profile.unit != 0) {
            groups.join(at, *by_serial.entry(profile.unit).or_insert(at));
        }
        if let Some(by) =
            of.named.and_then(|named| epochs.binary_search_by_key(&named.by_epoch, |of| of.epoch).ok())
        {
            groups.join(at, by);
        }
    }
    let known: BTreeSet<usize> = by_serial.values().map(|&at| groups.root(at)).collect();
    let roots: Vec<usize> = (0..epochs.len()).map(|at| groups.root(at)).collect();
    if roots.iter().any(|root| !known.contains(root)) {
        let mut users: BTreeMap<Slot, BTreeSet<usize>> = BTreeMap::new();
        for (of, &root) in epochs.iter().zip(&roots) {
            for slot in facts.slots(address, of.epoch)? {
                users.entry(slot).or_default().insert(root);
            }
        }
        for same in users.values() {
            let unknown: Vec<usize> = same.iter().copied().filter(|root| !known.contains(root)).collect();
            for pair in unknown.windows(2) {
                groups.join(pair[0], pair[1]);
            }
        }
        // Then with the serial number with which they share a slot, if there is exactly one.
        let mut candidates: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
        for same in users.values() {
            let with: Vec<usize> = same.iter().copied().filter(|root| known.contains(root)).collect();
            for &unknown in same.iter().filter(|root| !known.contains(root)) {
                candidates.entry(groups.root(unknown)).or_default().extend(&with);
            }
        }
        for (unknown, with) in candidates {
            if let (1, Some(&one)) = (with.len(), with.first()) {
                groups.join(unknown, one);
            }
        }
    }
    let mut numbers: BTreeMap<usize, usize> = BTreeMap::new();
    Ok((0..epochs.len())
        .map(|at| {
            let next = numbers.len();
            *numbers.entry(groups.root(at)).or_insert(next)
        })
        .collect())
}

/// Sets that are only ever merged.
struct Groups(Vec<usize>);

impl Groups {
    fn root(&mut self, at: usize) -> usize {
        let mut root = at;
        while self.0[root] != root {
            self.0[root] = self.0[self.0[root]];
            root = self.0[root];
        }
        root
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        let (low, high) = (a.min(b), a.max(b));
        self.0[high] = low;
    }
}
