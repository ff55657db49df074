//! Outages: records of one time that did not come by radio, with the cause, the loggers, and what became of the
//! records.
//!
//! Values only; [`super::reception`] computes them.

use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch};

/// The cause of an outage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// No radio was listening.
    GatewayNotRunning,
    /// A radio was not listening while another was.
    PortLost,
    OneLogger,
    /// Several loggers were not heard, while the gateway listened and heard others.
    ManyLoggers,
    /// Nearly every logger was not heard, while the gateway listened.
    NoneHeard,
    /// One or some loggers were not heard, while the gateway listened: nothing shows whether it could have heard them.
    NotKnown,
}

impl Cause {
    pub const ALL: [Self; 6] = [
        Self::GatewayNotRunning,
        Self::PortLost,
        Self::OneLogger,
        Self::ManyLoggers,
        Self::NoneHeard,
        Self::NotKnown,
    ];

    /// Whether the gateway is the cause: no logger could get anything through, or only by another radio.
    pub fn is_the_gateways(self) -> bool {
        match self {
            Self::GatewayNotRunning | Self::PortLost | Self::NoneHeard => true,
            Self::OneLogger | Self::ManyLoggers | Self::NotKnown => false,
        }
    }
}

/// Records of one time that did not come by radio.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outage {
    /// The earliest of them, estimated.
    pub from: GatewayTime,
    /// The latest.
    pub to: GatewayTime,
    pub cause: Cause,
    /// All loggers concerned, even if only a part of the report was asked for.
    pub loggers: Vec<Address>,
    /// Its records, by logger, epoch and sequence.
    pub parts: Vec<Part>,
    /// Its times come from a clock that was wrong by a minute or more, and are corrected here.
    pub is_corrected: bool,
}

/// Records of one logger in an outage: `first..=last`, none of which came by radio.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Part {
    pub logger: Address,
    pub epoch: Epoch,
    pub first: u32,
    pub last: u32,
    /// When the first was due, estimated.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: GatewayTime,
    /// When the last was due.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: GatewayTime,
    /// How many are missing, and not written off.
    pub missing: u64,
    /// How many were brought by hand.
    pub brought: u64,
    pub written_off: u64,
}

impl Part {
    /// All of them.
    pub fn records(&self) -> u64 {
        self.missing.saturating_add(self.brought).saturating_add(self.written_off)
    }
}

impl Outage {
    fn sum(&self, of: impl Fn(&Part) -> u64) -> u64 {
        self.parts.iter().map(of).fold(0, u64::saturating_add)
    }

    /// Records that did not come by radio.
    pub fn records(&self) -> u64 {
        self.sum(Part::records)
    }

    /// Those that are missing, and not written off.
    pub fn missing(&self) -> u64 {
        self.sum(|part| part.missing)
    }

    pub fn brought(&self) -> u64 {
        self.sum(|part| part.brought)
    }

    pub fn written_off(&self) -> u64 {
        self.sum(|part| part.written_off)
    }

    /// Whether no record of it is missing any more.
    pub fn is_repaired(&self) -> bool {
        self.missing() == 0
    }
}
