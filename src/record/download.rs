//! What passes between the plan of a hand download and a ledger: what a plan asks, and what it hands over.
//!
//! A ledger implements [`HeldLedger`]; `hand` asks through it. What this is not: nothing here reads or writes.

use crate::record::coverage::{Coverage, RangeSet};
use crate::record::imports::ImportEntry;
use crate::record::judge::{Held, Placed, Row};
use crate::record::roster::Logger;
use crate::record::unopened::WhyShut;
use crate::time::LoggerTime;
use crate::wire::frame::AirFrame;
use crate::wire::seq::{Address, Epoch, Identity, Slot};

/// A download's content, lent to the ledger item by item.
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
        /// By what it has its place. Where the evidence has neighbours, they decide anew.
        placed: Placed,
        /// How far its file rounded: JSON, field or channel to step; `None`: not at all.
        resolution: Option<&'a str>,
    },
    /// A row that agreed with a CSV row held before: it is not written, but may be compared with what came since.
    Witness(&'a Row),
}

/// A frame of a download that no key opens.
#[derive(Clone, Debug)]
pub struct ShutFrame {
    /// The air frame, whole.
    pub frame: Vec<u8>,
    /// Who it claims to be.
    pub identity: Identity,
    pub slot: Slot,
    pub why: WhyShut,
}

impl ShutFrame {
    pub fn new(frame: &AirFrame<'_>, why: impl Into<WhyShut>) -> Self {
        let (identity, slot) = (frame.identity, frame.slot);
        Self { frame: frame.bytes().to_vec(), identity, slot, why: why.into() }
    }
}

/// A held record, as far as plans need it.
#[derive(Clone, Copy, Debug)]
pub struct HeldItem {
    pub identity: Identity,
    /// Its time on the logger's clock; 0 where it cannot be read.
    pub time: u32,
    pub kind: HeldKind,
}

/// What a held record is.
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
    /// Nobody can read it.
    Opaque,
}

/// What is held, and whether the other side of a conflict is kept beside it already.
pub trait HeldNow: Held {
    /// Whether exactly this content stands beside the record of an identity.
    fn is_kept_beside(&mut self, identity: Identity, content: &[u8]) -> Result<bool, Self::Error>;
}

/// What is to be done on one state of what is held.
pub type Judging<'j, E> = dyn FnMut(&mut dyn HeldNow<Error = E>) -> Result<(), E> + 'j;

/// What a plan asks a ledger for.
pub trait HeldLedger {
    /// What reading it may fail with.
    type Error;

    /// What was covered at the last look.
    fn coverage(&self) -> &Coverage;

    /// Calls `judging` once, on one consistent state of what is held.
    fn judge(&mut self, judging: &mut Judging<'_, Self::Error>) -> Result<(), Self::Error>;

    /// What is missing of a logger by epoch, were `coverage` held.
    fn missing(&self, logger: &Logger, coverage: &Coverage) -> Result<Vec<(Epoch, RangeSet)>, Self::Error>;

    /// What is held of a logger, in no order: readings and covering rows of recorded times in `from..to`, and every
    /// profile, event and opaque record.
    fn held_of(
        &self,
        address: Address,
        span: (LoggerTime, LoggerTime),
        give: &mut dyn FnMut(HeldItem),
    ) -> Result<(), Self::Error>;

    /// Imports of a file with this digest that stand.
    fn imports_of(&self, sha256: &str) -> Result<Vec<ImportEntry>, Self::Error>;
}
