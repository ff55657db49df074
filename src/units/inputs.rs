//! The readings from which values are calculated, and the trait to ask for them.
//!
//! The caller provides an implementation: a ledger's readings, or a few invented ones. What this is not: no value, no
//! unit, no I/O.

use crate::time::GatewayTime;
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Identity};

/// A count of a channel, as it is held.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    pub identity: Identity,
    /// When it was made, corrected.
    pub time: GatewayTime,
    /// Whether that differs from what the logger recorded.
    pub is_corrected: bool,
    /// The count, or a fault code.
    pub count: i32,
    /// Whether the count is a fault code.
    pub is_fault: bool,
    /// What one count is; `None`: not known.
    pub raw_unit: Option<RawUnit>,
}

impl std::fmt::Debug for Sample {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Shows nothing of its content.
        write!(f, "Sample({} at {})", self.identity, self.time.unix_s())
    }
}

/// The readings on both sides of an instant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Around {
    /// The last at or before it.
    pub before: Option<Sample>,
    /// The first after it.
    pub after: Option<Sample>,
}

/// The total before another one, for running totals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Earlier {
    /// The last reading before that has a total and no fault.
    pub sample: Sample,
    /// Whether its logger powered up in between, or began a new epoch.
    pub restarted: bool,
    /// Whether records in between may be missing.
    pub gap: bool,
    /// Readings in between that have no total: a fault, or no such channel.
    pub faults: u64,
}

/// Held readings of any channel.
pub trait Inputs {
    /// The error if they cannot be read.
    type Error;

    /// The readings of a channel nearest to an instant, none further away than `within_s`.
    fn around(
        &self,
        logger: Address,
        channel: u8,
        at: GatewayTime,
        within_s: i64,
    ) -> Result<Around, Self::Error>;

    fn of_record(&self, channel: u8, identity: Identity) -> Result<Option<Sample>, Self::Error>;

    /// The last reading that its logger made before this one, in the order of identities, with a total on this channel.
    fn earlier(&self, channel: u8, sample: &Sample) -> Result<Option<Earlier>, Self::Error>;
}
