//! What the gateway sent to loggers, as a ledger keeps it: requests to send again, and requests to set a clock.
//!
//! Input: rows of a ledger. Output: values for reports, and for the daemon after a start. What this is not: it decides
//! nothing (`report::ask`) and makes no text.

use crate::time::GatewayTime;
use crate::wire::request::AskedSpan;
use crate::wire::seq::{Address, Identity};

/// A request to send records again, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AskedRequest {
    pub logger: Address,
    pub at: GatewayTime,
    pub spans: Vec<AskedSpan>,
    /// How many records it asked for.
    pub records: u32,
    /// When it ended; `None`: it is open.
    pub closed_at: Option<GatewayTime>,
    /// How many of the records came by then; `None`: not known, because the daemon ended meanwhile, or still open.
    pub came: Option<u32>,
}

/// A memory statement of a logger, and when it was stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredStatement {
    pub identity: Identity,
    pub at: Option<GatewayTime>,
}

/// A request to set a clock, and what came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockRequest {
    pub logger: Address,
    pub at: GatewayTime,
    /// The logger's frame that it answered.
    pub answers: Identity,
    /// How far its clock was estimated to be behind, in seconds; negative: ahead.
    pub behind_s: i64,
    /// When the logger's event came that its clock was set; `None`: not yet.
    pub set_at: Option<GatewayTime>,
}

/// What was sent through a radio within an hour.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SentOfHour {
    pub radio: String,
    /// Frames to loggers.
    pub frames: u64,
    /// How long the gateway was sending.
    pub airtime_ms: u64,
    /// How long the answers take at most.
    pub answer_ms: u64,
}
