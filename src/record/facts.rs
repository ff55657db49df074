//! The port by which reports ask about held records: a few facts at the edges of gaps, never the years.
//!
//! Answered by the ledger's snapshot, and by a plain model in tests. No method has a default: a wrapper that forgets
//! one must not compile.

use super::clock::ClockEvent;
use crate::coverage::RangeSet;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::BTreeMap;

/// A held record or CSV row, as far as the report needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Seconds since 1970 on its logger's clock.
    pub time: i64,
    /// When it came by radio, by a gateway whose clock was synchronised.
    pub received_at: Option<i64>,
    /// Whether it is a reading.
    pub is_reading: bool,
}

/// A held profile, as far as the report needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProfileSeen {
    /// Its sequence.
    pub identity: Identity,
    /// Its time on the logger's clock.
    pub time: i64,
    /// Seconds between readings; 0: none is promised.
    pub interval_s: u32,
    /// Records that the memory holds.
    pub capacity: u32,
    /// The oldest sequence of its epoch in memory.
    pub oldest: u32,
    /// The instrument; 0: not known.
    pub unit: u64,
}

/// Sequences of an epoch that somebody declared unrecoverable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WriteOff {
    /// The epoch.
    pub epoch: Epoch,
    /// The first.
    pub first: u32,
    /// The last; `None`: the rest of the epoch, and what it is presumed to have made.
    pub last: Option<u32>,
}

/// What the report asks of the ledger.
pub trait Facts {
    /// What may go wrong.
    type Error;

    /// The record, or the CSV row that covers, held under an identity. An opaque record has the time of its
    /// reception, and is none where it had no reception: when it was made, nobody can read.
    fn seen(&self, identity: Identity) -> Result<Option<Seen>, Self::Error>;
    /// The first held record of a logger, by identity, whose time is `time` or later; opaque ones have none.
    fn first_at_or_after(&self, address: Address, time: i64) -> Result<Option<Identity>, Self::Error>;
    /// The last held profile at or before an identity, in order of identities.
    fn profile_before(&self, identity: Identity) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The first held profile after an identity that says that what was there is overwritten: one of the same
    /// epoch with a larger `oldest`, or of a later epoch with an `oldest` above 1.
    fn overwritten_by_profile(&self, identity: Identity) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The first held profile after an identity, of the same epoch.
    fn profile_after(&self, identity: Identity) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The first held memory-cleared event after an identity, with its time.
    fn memory_cleared_after(&self, identity: Identity) -> Result<Option<(Identity, i64)>, Self::Error>;
    /// The clock-set and power-up events held of an epoch: a few a year.
    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Self::Error>;
    /// Whether a clock-set event is held between two sequences of an epoch.
    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Self::Error>;
    /// When the newest record stored by radio came in.
    fn last_heard(&self, address: Address) -> Result<Option<i64>, Self::Error>;
    /// The authentic records that came by hand and not by radio, by epoch.
    fn by_hand(&self, address: Address) -> Result<BTreeMap<Epoch, RangeSet>, Self::Error>;
    /// When radios were listening, as (radio, since, until).
    fn listening(&self) -> Result<Vec<(u8, i64, i64)>, Self::Error>;
    /// What was declared unrecoverable of a logger.
    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Self::Error>;
}
