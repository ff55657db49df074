//! The port through which reports ask about held records: a few facts at the edges of gaps, never years of records.
//!
//! The ledger's snapshot implements it, and a plain model in tests. No method has a default: a wrapper that omits one
//! must not compile.

use super::clock::ClockEvent;
use crate::record::coverage::RangeSet;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use crate::wire::statement::Statement;
use std::collections::{BTreeMap, BTreeSet};

/// A held record or CSV row, with what the report needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// When it was made, by its logger's clock; for an opaque record, when it came.
    pub time: LoggerTime,
    /// When it came by radio, by a gateway whose clock was synchronised.
    pub received_at: Option<GatewayTime>,
    /// When it came by radio, by the gateway's clock whether synchronised or not.
    pub stamped_at: Option<GatewayTime>,
    pub is_reading: bool,
}

/// A held profile, with what the report needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProfileSeen {
    pub identity: Identity,
    pub time: LoggerTime,
    /// Seconds between readings; 0: no interval is promised.
    pub interval_s: u32,
    /// The number of records that the memory holds.
    pub capacity: u32,
    /// The oldest sequence of its epoch in memory.
    pub oldest: u32,
    /// The instrument; 0: not known.
    pub unit: u64,
}

/// A held memory statement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stated {
    pub identity: Identity,
    pub statement: Statement,
}

/// How an authentic record came, and when by the gateway's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Came {
    Radio {
        /// When it was received; `None`: the gateway's clock was not synchronised.
        received_at: Option<GatewayTime>,
    },
    Hand {
        /// When it was imported, if that is known.
        imported_at: Option<GatewayTime>,
    },
}

/// Sequences of an epoch that a person declared unrecoverable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WriteOff {
    pub epoch: Epoch,
    pub first: u32,
    /// The last; `None`: the rest of the epoch, and what the logger is presumed to have made in it.
    pub last: Option<u32>,
}

/// A stretch of time in which a radio was listening, by the gateway's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Listening {
    /// The radio's number in the ledger.
    pub radio: u8,
    /// Whether the gateway's clock was synchronised. If not, both times may be off by years.
    pub synchronised: bool,
    pub since: GatewayTime,
    pub until: GatewayTime,
}

/// What reports ask the ledger.
pub trait Facts {
    /// The error if the answer cannot be read.
    type Error;

    /// The record, or the CSV row that covers, held under an identity. An opaque record has the time of its
    /// reception; without a reception the answer is `None`, because its own time cannot be read.
    fn seen(&self, identity: Identity) -> Result<Option<Seen>, Self::Error>;
    /// The last held profile at or before an identity, in order of identities.
    fn profile_before(&self, identity: Identity) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The first held profile after an identity, of the same epoch.
    fn profile_after(&self, identity: Identity) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The last held profile of an epoch.
    fn last_profile(&self, address: Address, epoch: Epoch) -> Result<Option<ProfileSeen>, Self::Error>;
    /// The last held profile after an identity, of the same epoch, which shows that the record was in memory: its
    /// `oldest` is not larger.
    fn last_profile_with(&self, identity: Identity) -> Result<Option<Identity>, Self::Error>;
    /// The shortest interval in held profiles of an epoch; 0: one of them promises no interval.
    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, Self::Error>;
    /// Key slots that sealed records of an epoch: those of its first and last records and of its profiles and events.
    fn slots(&self, address: Address, epoch: Epoch) -> Result<BTreeSet<Slot>, Self::Error>;
    /// The memory-cleared events held of a logger, ascending.
    fn memory_cleared(&self, address: Address) -> Result<Vec<Identity>, Self::Error>;
    /// The memory statements held of a logger, ascending.
    fn statements(&self, address: Address) -> Result<Vec<Stated>, Self::Error>;
    /// How the authentic record under an identity came.
    fn came(&self, identity: Identity) -> Result<Option<Came>, Self::Error>;
    /// The newest authentic record that came by radio, of the identity's epoch and at or below the identity.
    fn newest_by_radio(&self, not_above: Identity) -> Result<Option<Identity>, Self::Error>;
    /// When the newest record came by radio while the gateway's clock was synchronised, of the identity's epoch and at
    /// or below the identity.
    fn newest_synchronised(&self, not_above: Identity) -> Result<Option<GatewayTime>, Self::Error>;
    /// The largest sequence of an epoch that came by radio before an instant, by a synchronised clock.
    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, Self::Error>;
    /// The smallest authentic sequence of an epoch that was received by a synchronised clock, or has a time by its
    /// logger, at an instant or later.
    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, Self::Error>;
    /// The largest authentic sequence of an epoch below another that came by hand and has a plausible time before an
    /// instant.
    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, Self::Error>;
    /// The clock-set and power-up events held of an epoch: a few per year.
    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Self::Error>;
    /// Whether a clock-set event is held between two sequences of an epoch.
    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Self::Error>;
    /// When the newest record stored by radio came in.
    fn last_heard(&self, address: Address) -> Result<Option<GatewayTime>, Self::Error>;
    /// The authentic records that came by hand and not by radio, by epoch.
    fn by_hand(&self, address: Address) -> Result<BTreeMap<Epoch, RangeSet>, Self::Error>;
    /// When radios were listening. Stretches of one radio that touch are joined if the clock was synchronised in both
    /// or in neither.
    fn listening(&self) -> Result<Vec<Listening>, Self::Error>;
    /// What was declared unrecoverable of a logger.
    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Self::Error>;
}
