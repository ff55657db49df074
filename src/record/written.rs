//! What people wrote, as a ledger keeps it: write-offs, remarks and manual readings, each with its number and time.
//!
//! Input: rows of a ledger. Output: values for reports and lists. What this is not: it does not check what a person
//! typed (`people`), and makes no text.

use crate::record::coverage::RangeSet;
use crate::record::facts::WriteOff;
use crate::record::notes::{NewManual, NewRemark};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch};

/// A write-off as it was written, and what became of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrittenOff {
    pub id: i64,
    pub logger: Address,
    pub epoch: Epoch,
    pub first: u32,
    /// The last; `None`: the rest of the epoch.
    pub last: Option<u32>,
    pub by: String,
    pub reason: String,
    pub written_at: GatewayTime,
    /// For a rest: the sequence at which its logger was heard again, where the rest ends.
    pub ended_by: Option<u32>,
}

impl WrittenOff {
    /// The part of it that still counts; `None`: nothing any more.
    pub fn in_force(&self) -> Option<WriteOff> {
        let last = match self.ended_by {
            Some(heard) => Some(heard - 1),
            None => self.last,
        };
        last.is_none_or(|last| self.first <= last).then_some(WriteOff {
            epoch: self.epoch,
            first: self.first,
            last,
        })
    }

    /// Whether it writes off a range of sequences, or a part of it.
    pub fn is_of(&self, logger: Address, epoch: Epoch, (first, last): (u32, u32)) -> bool {
        let of = self.in_force().filter(|_| (self.logger, self.epoch) == (logger, epoch));
        of.is_some_and(|off| off.first <= last && off.last.is_none_or(|end| first <= end))
    }

    /// Whether it is a rest of this epoch that still counts.
    pub fn is_rest_of(&self, logger: Address, epoch: Epoch) -> bool {
        (self.logger, self.epoch) == (logger, epoch) && self.in_force().is_some_and(|off| off.last.is_none())
    }
}

/// A remark.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Remark {
    pub id: i64,
    #[serde(flatten)]
    pub what: NewRemark,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub written_at: GatewayTime,
    /// The remark that replaces it.
    pub corrected_by: Option<i64>,
}

impl Remark {
    /// Whether it overlaps the time between two instants, ends included; open remarks have no end.
    pub fn overlaps(&self, from: GatewayTime, to: GatewayTime) -> bool {
        self.what.from <= to && self.what.to.is_none_or(|end| end >= from)
    }
}

/// A manual reading.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Manual {
    pub id: i64,
    #[serde(flatten)]
    pub what: NewManual,
    /// The person who wrote it.
    pub by: String,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub written_at: GatewayTime,
    pub file: Option<String>,
    /// The manual reading that replaces it.
    pub corrected_by: Option<i64>,
}

/// What was missing in a write-off and is held now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct TurnedUp {
    pub first: u32,
    pub last: u32,
    /// When the first of them came into the ledger, if that is recorded.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub stored_from: Option<GatewayTime>,
    /// When the last did.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub stored_to: Option<GatewayTime>,
}

/// A write-off and its history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffHistory {
    pub off: WrittenOff,
    pub missing_then: RangeSet,
    pub missing_now: RangeSet,
    pub turned_up: Vec<TurnedUp>,
}

/// What became of a manual reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ManualOutcome {
    /// It was added, with this number.
    Added(i64),
    /// A reading with the same value in every field was already there.
    Held(i64),
}
