//! Frames that are no readable record of this site: addressed elsewhere, not opened, or not understood. Counts only.

use super::unopened::WhyUnopened;
use crate::time::GatewayTime;
use crate::wire::fields::NotUnderstood;
use crate::wire::seq::{Address, Slot};
use std::collections::BTreeMap;

/// Frames of an address that is not on the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Foreign {
    /// The address; `None`: all further addresses, counted together.
    pub address: Option<u16>,
    pub frames: u64,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub first_heard: GatewayTime,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub last_heard: GatewayTime,
}

/// Frames of one logger and slot that are kept because no key opens them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Kept {
    /// The logger that they claim to be from.
    pub logger: Address,
    pub slot: Slot,
    #[serde(rename = "reason")]
    pub why: WhyUnopened,
    pub frames: u64,
    /// When the first came by radio.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub first_at: Option<GatewayTime>,
    /// When the last frame that could not be opened came by radio, kept or not.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub last_at: Option<GatewayTime>,
}

/// Frames of one logger that waited for a key, or should have waited, and found no room.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Dropped {
    /// The logger that they claimed to be from.
    pub logger: Address,
    pub frames: u64,
    /// When the first frame found no room.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub first_at: GatewayTime,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub last_at: GatewayTime,
}

/// Authentic records of one logger that this version cannot read; they are stored whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opaque {
    pub logger: Address,
    pub records: u64,
    /// Whether there are more, which were not counted.
    pub is_more: bool,
    /// How many of them break each rule.
    pub rules: BTreeMap<NotUnderstood, u64>,
    /// How many of them this version can read, once they are read again.
    pub readable: u64,
}
