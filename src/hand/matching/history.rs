//! The input of matching: the rows of a file, and what is held and missing of their logger.
//!
//! Values, and the trait that gives the contents of held readings. No matching and no I/O.

use crate::record::coverage::RangeSet;
use crate::record::judge::Row;
use crate::wire::record::Reading;
use crate::wire::seq::{Address, Epoch, Identity};

/// A row of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRow {
    /// Its line, from 1.
    pub line: u64,
    /// Its content: the time on the logger's clock, as the layout converts it to UTC, and `steps` for its resolution.
    pub row: Row,
    /// Whether lines between this row and the logger's previous row were refused: then nothing is concluded across
    /// them.
    pub after_refused: bool,
}

/// The kind of a held record, as far as matching needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A reading, or a CSV row that covers.
    Reading,
    Profile {
        /// Seconds between readings from the next on; 0 if none is promised.
        interval_s: u32,
    },
    ClockSet {
        seconds_added: i64,
    },
    PowerUp,
    /// Any other event.
    Event,
    /// Opaque, or moved to a backup: it may have been a reading, and cannot be compared.
    Unknown,
}

/// A held record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeldRecord {
    pub sequence: u32,
    /// Its time on the logger's clock (after the change, if it sets the clock); without meaning for [`Kind::Unknown`].
    pub time: u32,
    pub kind: Kind,
}

/// One epoch of a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EpochHeld {
    pub epoch: Epoch,
    /// Held records, authentic or by row, ascending by sequence, each once. Records more than two days from the
    /// file's times may be left out; the last profile before the given ones must then come first.
    pub records: Vec<HeldRecord>,
    /// Sequences that must exist, are expected, and are not held. Only these are ever matched.
    pub missing: RangeSet,
}

/// What is known of one logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History {
    pub address: Address,
    /// Seconds between readings by the roster, if no held profile gives it.
    pub interval_s: u32,
    /// Its epochs, ascending.
    pub epochs: Vec<EpochHeld>,
}

/// A held reading, to be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Content {
    /// An authentic reading.
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

/// The source of contents.
pub trait Contents {
    /// What may go wrong.
    type Error;

    /// The reading or row held under an identity that [`History`] calls a [`Kind::Reading`]; `None` if it is not
    /// available, and it then counts as [`Kind::Unknown`]. Mostly requested in ascending order, sometimes a day or so
    /// off.
    fn content(&mut self, identity: Identity) -> Result<Option<Content>, Self::Error>;
}
