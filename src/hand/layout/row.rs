//! A row as a line of the file gives it, or why the line is not a row.

use crate::record::judge::Row;
use crate::when::civil::Instants;
use crate::wire::seq::Address;

/// A row as its line gives it.
#[derive(Debug)]
pub struct Parsed {
    /// Its logger, if a column gives it.
    pub logger: Option<Address>,
    /// Its epoch and sequence, if columns give them.
    pub record: Option<(u32, u32)>,
    /// Its time, as far as the line alone shows it.
    pub instants: Instants,
    /// The other values; its time is 0 until it is decided.
    pub row: Row,
}

/// Why a line is not a row: a kind under which it is counted, and the reason.
#[derive(Debug, PartialEq, Eq)]
pub struct NoRow(pub &'static str, pub String);

/// Lines that hold no time, such as totals, remarks and what follows the rows.
pub(super) const NO_TIME: &str = "no time";
/// Rows that have no value in any channel.
pub(super) const NO_VALUE: &str = "no value";

impl NoRow {
    /// Whether the line is left out and counted, because it holds nothing that could be stored. Otherwise it is refused.
    pub fn is_left_out(&self) -> bool {
        matches!(self.0, NO_TIME | NO_VALUE)
    }
}

/// A reason of the usual kind.
pub(super) fn not_a_row(why: impl Into<String>) -> NoRow {
    NoRow("not a row", why.into())
}
