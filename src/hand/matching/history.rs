//! What matching works with: the rows of a file, and what is held and missing of their logger.
//!
//! Values, and the trait by which the contents of held readings are asked for. What this is not: no matching, no I/O.

use crate::record::coverage::RangeSet;
use crate::record::judge::Row;
use crate::wire::record::Reading;
use crate::wire::seq::{Address, Epoch, Identity};

/// A row of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRow {
    /// Its line, from 1.
    pub line: u64,
    /// What it says: the time on the logger's clock, as the layout makes it UTC, and `steps` for its resolution.
    pub row: Row,
    /// Whether lines between this row and the logger's row before it were refused: nothing is concluded across.
    pub after_refused: bool,
}

/// What a held record is, as far as matching needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A reading, or a CSV row that covers.
    Reading,
    Profile {
        /// Seconds between readings from the next on; 0: none is promised.
        interval_s: u32,
    },
    ClockSet {
        seconds_added: i64,
    },
    PowerUp,
    /// Any other event.
    Event,
    /// Opaque, or given up: it may have been a reading, and cannot be compared.
    Unknown,
}

/// A held record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeldRecord {
    pub sequence: u32,
    /// Its time on the logger's clock (after the change, where it sets the clock); without meaning where it is [`Kind::Unknown`].
    pub time: u32,
    pub kind: Kind,
}

/// One epoch of a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EpochHeld {
    pub epoch: Epoch,
    /// What is held, authentic or by row, ascending by sequence, each once. What lies more than two days off the
    /// file's times may be left out; the last profile before what is given must then stand first.
    pub records: Vec<HeldRecord>,
    /// What must exist, is expected, and is not held. Only this is ever matched.
    pub missing: RangeSet,
}

/// What is known of one logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History {
    pub address: Address,
    /// Seconds between readings by the roster, where no held profile says it.
    pub interval_s: u32,
    /// Its epochs, ascending.
    pub epochs: Vec<EpochHeld>,
}

/// A held reading, to be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Content {
    /// Authentic.
    Reading(Reading),
    /// A row that covers.
    Row(Row),
}

impl Content {
    pub(super) fn agrees_with(&self, row: &Row) -> bool {
        match self {
            Self::Reading(reading) => row.agrees_with(reading),
            Self::Row(other) => row.agrees_with_row(other),
        }
    }
}

/// Where contents come from.
pub trait Contents {
    /// What may go wrong.
    type Error;

    /// The reading or row held under an identity that [`History`] calls a [`Kind::Reading`]; `None`: it cannot be
    /// had, and is taken for [`Kind::Unknown`]. Mostly asked in ascending order, and now and then a day or so off.
    fn content(&mut self, identity: Identity) -> Result<Option<Content>, Self::Error>;
}
