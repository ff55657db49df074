//! Backups of a ledger, as reports name them.

use crate::time::GatewayTime;

/// A backup that must be kept: no other one that was seen as lately holds these readings, and the ledger gave them up.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct BackupToKeep {
    /// Where it was seen last.
    pub file: String,
    /// Of the file, in hex.
    pub sha256: String,
    pub made_at: GatewayTime,
    /// When it was last seen whole.
    pub seen_at: GatewayTime,
    /// Readings for which it is kept.
    pub readings: u64,
    /// Of those, in no other backup at all.
    pub alone: u64,
}
