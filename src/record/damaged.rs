//! A damaged ledger that was set aside, and what is known to be in it.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// A damaged ledger that was set aside.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct DamagedLedger {
    /// Its name beside the present one.
    pub file: String,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub set_aside_at: GatewayTime,
    pub reason: String,
    /// Up to when it is known what it held; `None`: nothing is known.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub known_as_of: Option<GatewayTime>,
    /// When what could be read of it was brought over: nothing counts as held there since.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub salvaged_at: Option<GatewayTime>,
    /// Records that count as held because of it; some may have come again since.
    pub records: u64,
    /// The largest sequence known to be held there, by logger and epoch.
    #[serde(skip)]
    pub reach: BTreeMap<(u16, u32), u32>,
}

impl DamagedLedger {
    /// Whether records that are missing may be in it: of those that came in between its last known state and its
    /// setting aside nobody knows. `from` and `to`: when they were made, as far as that can be told.
    pub fn may_hold(
        &self,
        logger: u16,
        epoch: u32,
        first: u32,
        from: Option<GatewayTime>,
        to: Option<GatewayTime>,
    ) -> bool {
        self.salvaged_at.is_none()
            && self.reach.get(&(logger, epoch)).is_none_or(|&last| first > last)
            && from.is_none_or(|from| from <= self.set_aside_at)
            // Where it cannot be read, nothing counts as held there, and all that was held may be in it.
            && (self.reach.is_empty() || self.known_as_of.is_none_or(|known| to.is_none_or(|to| to >= known)))
    }
}
