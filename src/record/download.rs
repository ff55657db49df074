//! What the plan of a hand download and a ledger exchange: the plan's questions, and what it hands over.
//!
//! A ledger implements [`HeldLedger`]; `hand` asks through it. What this is not: nothing here reads or writes.

use crate::record::coverage::{Coverage, RangeSet};
use crate::record::imports::ImportEntry;
use crate::record::judge::{Held, Placed, Row};
use crate::record::roster::Logger;
use crate::record::unopened::WhyUnopened;
use crate::time::LoggerTime;
use crate::wire::frame::AirFrame;
use crate::wire::seq::{Address, Epoch, Identity, Slot};

/// The content of a download, lent to the ledger item by item.
#[derive(Clone, Copy, Debug)]
pub enum Item<'a> {
    Record {
        /// The key slot that opened it.
        slot: Slot,
        plaintext: &'a [u8],
    },
    /// A CSV row.
    Row {
        row: &'a Row,
        /// What determined its place. Where that evidence includes neighbours, the ledger checks them again.
        placed: Placed,
        /// How far its file rounded: JSON from field or channel to step; `None`: not at all.
        resolution: Option<&'a str>,
    },
    /// A row that agreed with a CSV row held before: it is not written, but can be compared with what came since.
    Witness(&'a Row),
}

/// A frame of a download that no key opens.
#[derive(Clone, Debug)]
pub struct UnopenedFrame {
    /// The air frame, whole.
    pub frame: Vec<u8>,
    /// The identity that it claims.
    pub identity: Identity,
    pub slot: Slot,
    pub why: WhyUnopened,
}

impl UnopenedFrame {
    pub fn new(frame: &AirFrame<'_>, why: impl Into<WhyUnopened>) -> Self {
        let (identity, slot) = (frame.identity, frame.slot);
        Self { frame: frame.bytes().to_vec(), identity, slot, why: why.into() }
    }
}

/// A held record, as far as plans need it.
#[derive(Clone, Copy, Debug)]
pub struct HeldItem {
    pub identity: Identity,
    /// Its time on the logger's clock; 0 if it cannot be read.
    pub time: u32,
    pub kind: HeldKind,
}

/// The kind of a held record.
#[derive(Clone, Copy, Debug)]
pub enum HeldKind {
    /// A reading, or a row that covers.
    Reading,
    Profile {
        /// Seconds between readings from the next on.
        interval_s: u32,
    },
    Event {
        code: u8,
        value: i64,
    },
    /// What the logger's memory held.
    Statement,
    /// A record that cannot be read.
    Opaque,
}

/// What is held, and whether the other side of a conflict is kept already.
pub trait HeldNow: Held {
    /// Whether exactly this content is kept as the other side of an identity's record.
    fn is_kept_as_conflict(&mut self, identity: Identity, content: &[u8]) -> Result<bool, Self::Error>;
}

/// What to do on one state of what is held.
pub type Judging<'j, E> = dyn FnMut(&mut dyn HeldNow<Error = E>) -> Result<(), E> + 'j;

/// The questions that a plan asks a ledger.
pub trait HeldLedger {
    /// The error if it cannot be read.
    type Error;

    /// The coverage at the last look.
    fn coverage(&self) -> &Coverage;

    /// Calls `judging` once, on one consistent state of what is held.
    fn judge(&mut self, judging: &mut Judging<'_, Self::Error>) -> Result<(), Self::Error>;

    /// What would be missing of a logger, by epoch, if `coverage` were held.
    fn missing(&self, logger: &Logger, coverage: &Coverage) -> Result<Vec<(Epoch, RangeSet)>, Self::Error>;

    /// What is held of a logger, in no order: readings and covering rows of recorded times in `from..to`, and every
    /// profile, event and opaque record.
    fn held_of(
        &self,
        address: Address,
        span: (LoggerTime, LoggerTime),
        give: &mut dyn FnMut(HeldItem),
    ) -> Result<(), Self::Error>;

    /// Imports of a file with this digest that were not withdrawn.
    fn imports_of(&self, sha256: &str) -> Result<Vec<ImportEntry>, Self::Error>;
}
