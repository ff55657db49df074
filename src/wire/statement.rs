//! Memory statements: what a logger's memory holds, as the logger itself says. Record type 0x04.
//!
//! Input: the bytes after the type, with the identity of the record. Output: a [`Statement`] whose fields are all in
//! their ranges, or [`NotUnderstood`].
//!
//! ```text
//! 0x04 │ time 4 │ n 1 │ n entries: epoch 4 │ first 4 │ last 4
//! ```
//!
//! Epochs descend strictly; the first entry is of the statement's own epoch and ends with the statement itself.
//!
//! What this is not: it concludes nothing about what is missing (`report::memory` does). Promises: never panics,
//! allocates nothing, and encodes to exactly the bytes that it was decoded from.

use super::fields::{Fields, NotUnderstood};
use super::seq::{Epoch, Sequence};

/// The most entries in a statement.
pub const ENTRIES_MAX: usize = 15;

/// What is in memory of one epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    pub epoch: Epoch,
    /// The first sequence in memory; `last + 1`: nothing of the epoch is left.
    pub first: u32,
    /// The last sequence that the epoch reached.
    pub last: u32,
}

impl Entry {
    /// Whether the logger still had a sequence of this epoch when it made the statement.
    pub fn holds(&self, sequence: u32) -> bool {
        (self.first..=self.last).contains(&sequence)
    }
}

/// What a logger's memory holds, as the logger says.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Statement {
    /// When it was made: seconds since 1970 on the logger's clock.
    pub time: u32,
    n: u8,
    entries: [Entry; ENTRIES_MAX],
}

impl Statement {
    /// Of the record with this epoch and sequence; the error names the rule that the entries break.
    pub fn new(
        time: u32,
        entries: &[Entry],
        epoch: Epoch,
        sequence: Sequence,
    ) -> Result<Self, NotUnderstood> {
        let n = u8::try_from(entries.len()).map_err(|_| NotUnderstood::Entries)?;
        let Some(own) = entries.first().filter(|_| entries.len() <= ENTRIES_MAX) else {
            return Err(NotUnderstood::Entries);
        };
        if own.epoch != epoch || own.last != sequence.number() || own.first > own.last {
            return Err(NotUnderstood::OwnEntry);
        }
        if !entries.is_sorted_by(|newer, older| newer.epoch > older.epoch) {
            return Err(NotUnderstood::EntryOrder);
        }
        // In u64, because one after the largest sequence is not a sequence.
        let is_in_range = |entry: &Entry| {
            entry.first >= 1 && entry.last >= 1 && u64::from(entry.first) <= u64::from(entry.last) + 1
        };
        if !entries.iter().all(is_in_range) {
            return Err(NotUnderstood::EntryRange);
        }
        let mut all = [*own; ENTRIES_MAX];
        all[..entries.len()].copy_from_slice(entries);
        Ok(Self { time, n, entries: all })
    }

    pub(super) fn decode(
        mut fields: Fields<'_>,
        epoch: Epoch,
        sequence: Sequence,
    ) -> Result<Self, NotUnderstood> {
        let time = fields.u32()?;
        let n = usize::from(fields.u8()?);
        if n == 0 || n > ENTRIES_MAX {
            return Err(NotUnderstood::Entries);
        }
        let mut entries = [Entry { epoch, first: 1, last: 1 }; ENTRIES_MAX];
        for entry in &mut entries[..n] {
            let (epoch, first, last) = (fields.u32()?, fields.u32()?, fields.u32()?);
            *entry = Entry { epoch: Epoch::new(epoch).ok_or(NotUnderstood::EntryRange)?, first, last };
        }
        fields.end()?;
        Self::new(time, &entries[..n], epoch, sequence)
    }

    /// Appends what follows the type.
    pub(super) fn encode(&self, out: &mut Vec<u8>) {
        out.extend(self.time.to_be_bytes());
        out.push(self.n);
        for entry in self.entries() {
            for field in [entry.epoch.number(), entry.first, entry.last] {
                out.extend(field.to_be_bytes());
            }
        }
    }

    /// 1 to 15, the newest epoch first.
    pub fn entries(&self) -> &[Entry] {
        &self.entries[..usize::from(self.n)]
    }

    /// What is in memory of an epoch: `Some(None)`: nothing, because the epoch is not listed though it would be; `None`:
    /// the statement says nothing about this epoch, which is newer, or older than a full list reaches.
    pub fn of_epoch(&self, epoch: Epoch) -> Option<Option<&Entry>> {
        let entries = self.entries();
        let (newest, oldest) = (entries.first()?, entries.last()?);
        let is_beyond = epoch > newest.epoch || (entries.len() == ENTRIES_MAX && epoch < oldest.epoch);
        (!is_beyond).then(|| entries.iter().find(|entry| entry.epoch == epoch))
    }
}
