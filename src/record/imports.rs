//! Imports of hand downloads, as a ledger keeps them.

use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// An import, as the ledger keeps it.
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
    /// The count of each outcome.
    pub outcomes: BTreeMap<String, u64>,
    pub withdrawn: Option<Withdrawal>,
}

/// The withdrawal of an import.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Withdrawal {
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub at: GatewayTime,
    pub by: String,
    pub reason: String,
}
