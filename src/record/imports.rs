//! Imports of hand downloads, as a ledger keeps them.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// An import, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportEntry {
    /// Its number.
    pub id: i64,
    /// The file's name.
    pub file: String,
    /// Its size in bytes.
    pub size_bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
    /// `sealed-dump` or `csv`.
    pub kind: String,
    /// When.
    pub imported_at: GatewayTime,
    /// By whom.
    pub by: String,
    /// Outcome to count.
    pub outcomes: BTreeMap<String, u64>,
    /// When it was withdrawn, by whom and why.
    pub withdrawn: Option<(GatewayTime, String, String)>,
}
