//! What there is to write about asking loggers: values only.

use crate::ledger::db::radio::RadioId;
use crate::time::GatewayTime;
use crate::wire::request::AskedSpan;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};

/// A request to send again, as it was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SentRequest {
    pub at: GatewayTime,
    pub radio: RadioId,
    pub logger: Address,
    /// The slot whose key sealed it.
    pub slot: Slot,
    /// The gateway's own numbers.
    pub epoch: Epoch,
    pub sequence: Sequence,
    pub spans: Vec<AskedSpan>,
    /// How long the gateway was sending, in milliseconds.
    pub airtime_ms: u32,
    /// How long the whole answer takes at most.
    pub answer_ms: u32,
}

/// A request to set a clock, as it was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SentClock {
    pub at: GatewayTime,
    pub radio: RadioId,
    /// The slot whose key sealed it.
    pub slot: Slot,
    /// The gateway's own numbers.
    pub epoch: Epoch,
    pub sequence: Sequence,
    /// The logger's frame that it answers.
    pub answers: Identity,
    /// How far the logger's clock is behind, in seconds; negative: ahead.
    pub behind_s: i64,
    /// How long the gateway was sending, in milliseconds.
    pub airtime_ms: u32,
}

/// What there is to write about asking.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AskNews {
    Sent(SentRequest),
    /// A request has ended.
    Closed {
        epoch: Epoch,
        sequence: Sequence,
        at: GatewayTime,
        /// How many of the records asked for came.
        came: u32,
    },
    ClockSent(SentClock),
    /// A logger reports that its clock was set as requested.
    ClockSet {
        /// The logger's frame that the request answered.
        answers: Identity,
        at: GatewayTime,
        added_s: i64,
    },
}

/// A request of the last hour, as far as limits need it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spent {
    pub at: GatewayTime,
    pub radio: RadioId,
    pub logger: Address,
    pub airtime_ms: u32,
    pub answer_ms: u32,
    /// How many records it asked for.
    pub records: u32,
}
