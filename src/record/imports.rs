//! Imports of hand downloads, as a ledger keeps them.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// An import, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct ImportEntry {
    /// Its number.
    #[serde(rename = "import")]
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
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub imported_at: GatewayTime,
    /// By whom.
    pub by: String,
    /// Outcome to count.
    pub outcomes: BTreeMap<String, u64>,
    /// If it was withdrawn.
    pub withdrawn: Option<Withdrawal>,
}

/// That an import was withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Withdrawal {
    /// When.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub at: GatewayTime,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
}
