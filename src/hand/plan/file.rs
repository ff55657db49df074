//! What one file brings.

use crate::hand::kept::Kept;
use crate::hand::matching::Stretch;
use crate::hand::place::Place;
use crate::record::download::UnopenedFrame;
use crate::record::judge::Row;
use crate::record::neighbours::{Neighbours, Votes};
use crate::record::unopened::WhyUnopened;
use crate::wire::record::Reading;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// Why items of a file are refused, and how often.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RefusedGroup {
    pub count: u64,
    /// The positions of the first ones, with what is wrong with each.
    pub examples: Vec<(Place, String)>,
}

/// What one file brings.
#[derive(Debug, Default)]
pub struct FilePlan {
    /// Its name, as the person gave it.
    pub name: String,
    pub size_bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
    /// Whether it is a sealed dump (else: CSV).
    pub is_sealed: bool,
    /// Frames or rows read.
    pub read: u64,
    /// How many are to be stored.
    pub new: u64,
    /// How many of those are CSV rows that too few other rows of the file can prove.
    pub unproven: u64,
    /// How many are already in the ledger, identical.
    pub held: u64,
    /// How many came earlier in these files, identical.
    pub twice: u64,
    /// How many disagree with what is held or came earlier: they are kept next to it.
    pub conflicts: u64,
    /// For how many of those the other side is already kept next to the record.
    pub conflicts_kept: u64,
    /// New records that disagree with a CSV row held before; they take that row's place.
    pub rows_differ: u64,
    /// Records with an impossible time; they are accepted, because a record is known by its numbers.
    pub odd_times: u64,
    /// How many of the file's two ends are within a frame. That is legitimate, and such a part is not read.
    pub cut_at_edges: u8,
    /// How rows compare with held authentic records.
    pub neighbours: Neighbours,
    /// By how much those that disagree are off, by logger.
    pub shifts: BTreeMap<Address, Shift>,
    pub refused: BTreeMap<&'static str, RefusedGroup>,
    /// Lines that hold nothing that could be stored, by kind: totals, remarks, rows without a value.
    pub skipped: BTreeMap<&'static str, RefusedGroup>,
    /// The loggers of its frames and rows, as these claim.
    pub loggers: BTreeSet<Address>,
    /// How many frames no key opens, by reason and logger.
    pub not_opened: BTreeMap<(WhyUnopened, Address), u64>,
    /// Some of those frames, to be set aside.
    pub unopened: Vec<UnopenedFrame>,
    /// What is to go into the ledger.
    pub kept: Kept,
    /// Earlier imports of the very same file that were not withdrawn.
    pub same_as: Vec<i64>,
    /// Only whole files are imported, and something of this one is refused: nothing of it is imported.
    pub left_out: bool,
    /// The layout by which it was read, if it is in another style.
    pub layout: Option<String>,
    /// The outcome of rows without sequence numbers, by logger.
    pub stretches: Vec<(Address, Stretch)>,
    /// How many of those rows were matched by time to missing records.
    pub matched: u64,
    /// How many of those rows agree with held readings.
    pub anchored: u64,
}

impl FilePlan {
    /// How a logger's rows compare with the held authentic records, and by how many seconds all that disagree are
    /// off, if that is one number; loggers without disagreeing rows are left out.
    pub fn disagreements(&self) -> impl Iterator<Item = (Address, Votes, Option<i64>)> {
        let shift = |address| self.shifts.get(&address).and_then(Shift::constant_s);
        self.neighbours
            .loggers()
            .filter(|(_, votes)| votes.disagree() > 0)
            .map(move |(address, votes)| (address, votes, shift(address)))
    }

    /// Whether something of this logger is in it.
    pub fn has_of(&self, logger: Address) -> bool {
        self.loggers.contains(&logger) || self.stretches.iter().any(|&(of, _)| of == logger)
    }

    /// Lines that hold nothing that could be stored.
    pub fn skipped_count(&self) -> u64 {
        self.skipped.values().map(|group| group.count).sum()
    }

    pub fn refused_count(&self) -> u64 {
        self.refused.values().map(|group| group.count).sum()
    }

    /// Conflicting records that are not passed on, because their side is already kept or came twice.
    pub fn conflicts_not_handed_in(&self) -> u64 {
        self.conflicts - (self.kept.len() as u64).saturating_sub(self.new).min(self.conflicts)
    }

    /// Whether there is anything that the ledger does not have.
    pub fn changes(&self) -> bool {
        !self.kept.is_empty() || (self.same_as.is_empty() && !self.unopened.is_empty())
    }
}

/// By how much rows that disagree with held readings are off in time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shift {
    rows: u64,
    fits: u64,
    by_s: Option<i64>,
}

/// Time zones and summer time differ by multiples of this: a quarter of an hour.
const ZONE_STEP_S: i64 = 900;

impl Shift {
    /// Counts a row that disagrees with what is held; `reading`: the one held under its identity.
    pub(super) fn note(&mut self, row: &Row, reading: Option<&Reading>) {
        self.rows += 1;
        let Some(reading) = reading else { return };
        let apart = i64::from(row.time) - i64::from(reading.time);
        // A file that rounds its times is off by the nearest zone step.
        let is_rounded = row.steps.as_ref().is_some_and(|steps| steps.time_s > 1);
        let own =
            if is_rounded { (apart + ZONE_STEP_S / 2).div_euclid(ZONE_STEP_S) * ZONE_STEP_S } else { apart };
        let by_s = self.by_s.unwrap_or(own);
        let Ok(time) = u32::try_from(i64::from(row.time) - by_s) else { return };
        let moved = Row { time, ..row.clone() };
        if by_s != 0 && moved.agrees_with(reading) {
            self.by_s = Some(by_s);
            self.fits += 1;
        }
    }

    /// By how many seconds all of them are too late, if that is one number.
    pub fn constant_s(&self) -> Option<i64> {
        self.by_s.filter(|_| self.fits == self.rows)
    }
}
