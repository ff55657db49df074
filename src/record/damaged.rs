//! A damaged ledger that was set aside, and what is known to be in it.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// A damaged ledger that was set aside.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct DamagedLedger {
    /// Its name, next to the present ledger.
    pub file: String,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub set_aside_at: GatewayTime,
    pub reason: String,
    /// The time up to which its content is known; `None`: nothing is known.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub known_as_of: Option<GatewayTime>,
    /// When everything readable in it was brought over; since then nothing counts as held there.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub salvaged_at: Option<GatewayTime>,
    /// Records that count as held because of it; some may have come again since.
    pub records: u64,
    /// The largest sequence known to be held there, by logger and epoch.
    #[serde(skip)]
    pub reach: BTreeMap<(u16, u32), u32>,
}

impl DamagedLedger {
    /// Whether missing records may be in it: it is not known which records came in between its last known state and the
    /// time when it was set aside. `from` and `to`: when the records were made, as far as known.
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
            // If it cannot be read, nothing counts as held there, and everything that was held may be in it.
            && (self.reach.is_empty() || self.known_as_of.is_none_or(|known| to.is_none_or(|to| to >= known)))
    }
}
