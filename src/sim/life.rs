//! The life of one logger: its records in order, its epochs, and which records its memory still holds.
//!
//! `logger` fills it; `truth` counts in it. Nothing here knows the plan or the line.

use super::true_time::TrueTime;
use crate::wire::record::Record;
use crate::wire::seq::{Epoch, Identity, Slot};

/// One record, as its logger made it.
#[derive(Clone, PartialEq, Eq)]
pub struct TruthRecord {
    pub identity: Identity,
    /// The key slot that it was sealed with.
    pub slot: Slot,
    pub made_at: TrueTime,
    /// When it was made, by the logger's clock: the record's time.
    pub time: u32,
    /// The record before sealing.
    pub plaintext: Box<[u8]>,
    /// Whether a whole copy came over the line, as [`super::Witness`] saw it.
    pub heard: bool,
    /// When the first such copy came, if it was recorded.
    pub heard_at: Option<TrueTime>,
}

// Like the record itself: nothing of its content is printed.
impl std::fmt::Debug for TruthRecord {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "TruthRecord({}, heard: {})", self.identity, self.heard)
    }
}

impl TruthRecord {
    /// From when a gateway can know of it: when it came, or else when it was made.
    pub(super) fn known_at(&self) -> TrueTime {
        self.heard_at.unwrap_or(self.made_at)
    }

    /// The record decoded from its plaintext; always there.
    pub fn record(&self) -> Option<Record> {
        Record::decode(&self.plaintext, self.identity).ok()
    }
}

/// One logger's records, in the order in which it made them.
#[derive(Clone, Debug)]
pub(super) struct LoggerTruth {
    pub(super) memory_records: usize,
    /// From when on the roster expects its records, if it says so.
    pub(super) in_service_from: Option<TrueTime>,
    /// The shortest interval that the roster gives.
    pub(super) interval_s: u32,
    /// The most records a day next to its readings, as the roster lets one expect.
    pub(super) others_per_day: i64,
    pub(super) records: Vec<TruthRecord>,
    /// In order; epoch numbers grow.
    pub(super) epochs: Vec<EpochTruth>,
    /// Indices of the records that are first in a cleared memory, or in a new unit's memory.
    pub(super) clears: Vec<usize>,
}

/// One epoch of a logger: its records are without gaps from `first_index` to the next epoch's.
#[derive(Clone, Copy, Debug)]
pub(super) struct EpochTruth {
    pub(super) epoch: Epoch,
    pub(super) first_index: usize,
    /// The previous epoch and its last sequence, if this epoch's profiles give them.
    pub(super) names: Option<(Epoch, u32)>,
}

impl LoggerTruth {
    /// The index of the oldest record in memory when `made` records have been made.
    pub(super) fn oldest_index(&self, made: usize) -> usize {
        let cleared = self.clears.iter().copied().filter(|index| *index < made).max().unwrap_or(0);
        made.saturating_sub(self.memory_records).max(cleared)
    }

    pub(super) fn index(&self, identity: Identity) -> Option<usize> {
        let epoch = self.epochs.iter().find(|epoch| epoch.epoch == identity.epoch)?;
        let index = epoch.first_index + identity.sequence.number() as usize - 1;
        self.records.get(index).filter(|record| record.identity == identity).map(|_| index)
    }

    /// Whether a record is in memory when `made` records have been made.
    pub(super) fn holds(&self, identity: Identity, made: usize) -> bool {
        self.index(identity).is_some_and(|index| (self.oldest_index(made)..made).contains(&index))
    }

    /// How many records have been made at an instant.
    pub(super) fn made_by(&self, at: TrueTime) -> usize {
        self.records.partition_point(|record| record.made_at <= at)
    }

    pub(super) fn of_epoch(&self, epoch: u32) -> impl Iterator<Item = &TruthRecord> {
        self.records.iter().filter(move |record| record.identity.epoch.number() == epoch)
    }

    pub(super) fn heard(&self) -> impl Iterator<Item = &TruthRecord> {
        self.records.iter().filter(|record| record.heard)
    }

    /// The first expected sequence of an epoch; `None` if none is expected.
    pub(super) fn first_expected(&self, epoch: u32) -> Option<u32> {
        let Some(since) = self.in_service_from else { return Some(1) };
        let heard = || self.heard().filter(move |record| record.identity.epoch.number() == epoch);
        let sequence = |record: &TruthRecord| u64::from(record.identity.sequence.number());
        let before = heard().filter(|r| r.known_at() < since).map(sequence).max().unwrap_or(0);
        let after = heard().filter(|r| sequence(r) > before).min_by_key(|r| r.identity);
        let later = self.heard().filter(|r| r.identity.epoch.number() > epoch).min_by_key(|r| r.identity);
        let (first, at) = match (after, later) {
            (Some(after), _) => (sequence(after), Some(after.known_at())),
            (None, Some(later)) if later.known_at() <= since => return None,
            (None, later) => {
                let named = self.named().filter(|(of, _)| *of == epoch).map(|(_, last)| last).max();
                (before.max(u64::from(named.unwrap_or(0))) + 1, later.map(|r| r.known_at()))
            }
        };
        let profiles = heard().filter_map(|record| match record.record() {
            Some(Record::Profile(profile)) => Some(profile.interval_s),
            _ => None,
        });
        let interval = i64::from(profiles.chain([self.interval_s]).min().unwrap_or(0));
        let Some(span) = at.map(|at| at.since(since)).filter(|&span| span >= 0 && interval > 0) else {
            return u32::try_from(before + 1).ok();
        };
        let up = |by: i64| u64::try_from((span + by - 1) / by).unwrap_or(0);
        let most = up(interval) + up(86_400) * self.others_per_day as u64 + 6;
        u32::try_from(before.max(first.saturating_sub(most + 1)) + 1).ok()
    }

    /// What heard records say of other epochs: (epoch, its last sequence).
    pub(super) fn named(&self) -> impl Iterator<Item = (u32, u32)> {
        self.heard().filter_map(TruthRecord::record).flat_map(|record| {
            record.named_ends().map(|(epoch, last)| (epoch.number(), last)).collect::<Vec<_>>()
        })
    }
}
