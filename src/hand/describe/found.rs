//! What a comparison with held readings has shown. Values only: `held` makes them, and `print` says them.

use std::collections::BTreeMap;

/// What held readings have shown.
#[derive(Clone, Debug, Default)]
pub(super) struct Found {
    /// For the person: what was compared, and what it shows.
    pub(super) notes: Vec<String>,
    /// The clock of the file in seconds east of UTC.
    pub(super) offset_s: Option<i32>,
    /// Channel and unit of columns; and the counts in one number of a column, if no unit is that.
    pub(super) channels: BTreeMap<usize, (usize, &'static str, Option<i128>)>,
    /// The columns that hold other values of the record.
    pub(super) battery: Option<(usize, u32)>,
    pub(super) board: Option<(usize, u32)>,
    /// The column with the sequences, and the epoch of all of them.
    pub(super) sequence: Option<(usize, u32)>,
    /// Whether seconds are left out; `None`: not known.
    pub(super) cut: Option<bool>,
    /// Whether times are exact, although no seconds are shown.
    pub(super) is_exact: bool,
    /// Numbers such as -9999, by column: whether they mean that there is no value.
    pub(super) odd: BTreeMap<(usize, String), bool>,
}
