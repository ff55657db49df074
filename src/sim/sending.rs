//! What comes over the line, and because of which record: values only. `field` and `asking` decide about them.

use super::true_time::TrueTime;
use crate::wire::seq::{Address, Identity};

/// What an emission was meant to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// A logger's frame as it was sent.
    Whole(Identity),
    /// The same frame again, soon after; it may be the first that arrives.
    Repeated(Identity),
    /// A logger's frame with flipped bits.
    Damaged(Identity),
    /// A frame of a logger that is not on the roster.
    Foreign(Identity),
    /// A frame that claims to be a logger's and is not.
    Forged(Identity),
    /// A logger's frame again, much later, sent by an attacker who recorded it.
    Replayed(Identity),
    /// A logger's frame again, because the gateway asked for it.
    Answered(Identity),
    /// Bytes that are not a frame.
    Noise,
    /// What the radio says about itself.
    RadioStatus,
}

/// Something that will come over the line; its bytes are made at that time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sending {
    pub(super) at: TrueTime,
    pub(super) what: What,
    /// The logger and the place in its life of the record with which it came to be.
    pub(super) of: (Address, usize),
}

/// What comes next because of questions, or because the radio reports.
#[derive(Clone, Copy, Debug)]
pub(super) enum Due {
    Sending(Sending),
    /// A logger sends the next record of its answer.
    Answer(Address),
    Status,
}
