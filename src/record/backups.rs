//! Backups of a ledger, as reports name them.

use crate::time::GatewayTime;

/// A backup that must be kept: the ledger removed these readings, and no other backup seen as recently holds them.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct BackupToKeep {
    /// Where it was last seen.
    pub file: String,
    /// The digest of the file, in hex.
    pub sha256: String,
    pub made_at: GatewayTime,
    /// When it was last seen whole.
    pub seen_at: GatewayTime,
    /// Readings for which it is kept.
    pub readings: u64,
    /// How many of those are in no other backup at all.
    pub alone: u64,
}
