//! Imports of hand downloads, as a ledger keeps them.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// An import, as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct ImportEntry {
    #[serde(rename = "import")]
    pub id: i64,
    pub file: String,
    pub size_bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
    /// `sealed-dump` or `csv`.
    pub kind: String,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub imported_at: GatewayTime,
    pub by: String,
    /// Outcome to count.
    pub outcomes: BTreeMap<String, u64>,
    pub withdrawn: Option<Withdrawal>,
}

/// That an import was withdrawn.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Withdrawal {
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub at: GatewayTime,
    pub by: String,
    pub reason: String,
}
