//! The readings that values are worked out from, and the trait by which they are asked for.
//!
//! Who calculates lends an implementation: a ledger's readings, or a few invented ones. What this is not: no value, no
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
    /// Whether that is not what the logger recorded.
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
        // Nothing of its content.
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

/// The total before one, for what counts on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Earlier {
    /// The last reading before that has a total and no fault.
    pub sample: Sample,
    /// Whether its logger powered up between, or began a new epoch.
    pub restarted: bool,
    /// Whether records between may be missing.
    pub gap: bool,
    /// Readings between that have no total: a fault, or no such channel.
    pub faults: u64,
}

/// Held readings of any channel.
pub trait Inputs {
    /// Why they cannot be read.
    type Error;

    /// The readings of a channel nearest to an instant, none farther than `within_s`.
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
