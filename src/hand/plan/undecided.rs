//! Rows that wait until their file has ended.

use crate::hand::kept::Kept;
use crate::hand::place::Place;
use crate::record::judge::{Placed, Row};
use crate::wire::seq::Identity;

/// Rows of the present file without an authentic held record: whether they fit is known when the file has ended.
#[derive(Default)]
pub(super) struct Undecided {
    pub(super) rows: Kept,
    pub(super) places: Vec<UndecidedRow>,
    pub(super) lines: Vec<u8>,
}

pub(super) struct UndecidedRow {
    pub(super) item: u32,
    pub(super) place: Place,
    pub(super) line: std::ops::Range<usize>,
    pub(super) matched: bool,
}

impl Undecided {
    /// `false`: there is no room for it.
    pub(super) fn push(
        &mut self,
        identity: Identity,
        row: &Row,
        place: Place,
        line: &[u8],
        matched: bool,
    ) -> bool {
        let Some(item) = self.rows.push_row(identity, row, Placed::default()) else { return false };
        let start = self.lines.len();
        self.lines.extend_from_slice(line);
        self.places.push(UndecidedRow { item, place, line: start..self.lines.len(), matched });
        true
    }
}
