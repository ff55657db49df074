//! A row as a line of the file gives it, or why it is none.

use crate::record::judge::Row;
use crate::when::civil::Instants;
use crate::wire::seq::Address;

/// A row as its line gives it.
#[derive(Debug)]
pub struct Parsed {
    /// Its logger, where a column says.
    pub logger: Option<Address>,
    /// Its epoch and sequence, where columns say.
    pub record: Option<(u32, u32)>,
    /// When, as far as the line alone tells.
    pub instants: Instants,
    /// The rest; its time is 0 until it is settled.
    pub row: Row,
}

/// Why a line is no row: a kind to count it under, and the reason.
#[derive(Debug, PartialEq, Eq)]
pub struct NoRow(pub &'static str, pub String);

/// Of the usual kind.
pub(super) fn not_a_row(why: impl Into<String>) -> NoRow {
    NoRow("not a row", why.into())
}
