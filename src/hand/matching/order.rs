//! The rows of the file in the order in which they were made, without repeated ones.

use super::history::FileRow;
use crate::record::judge::Row;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::hash::{BuildHasher, RandomState};

/// The rows in the order in which they were made, without repeated ones.
pub(super) struct Ordered<'a> {
    pub(super) rows: &'a [FileRow],
    /// Indices into `rows`.
    pub(super) order: Vec<u32>,
    /// Whether nothing may be concluded across the border before a place of `order`; the last entry is for the end.
    pub(super) broken: Vec<bool>,
    /// Rows that repeat an earlier one, each with that one; ascending.
    pub(super) repeated: Vec<(u32, u32)>,
}

impl<'a> Ordered<'a> {
    pub(super) fn new(rows: &'a [FileRow]) -> Self {
        let keys = RandomState::new();
        let mut seen: HashMap<u64, u32> = HashMap::with_capacity(rows.len());
        let (mut order, mut broken, mut repeated) = (Vec::new(), Vec::new(), Vec::new());
        let mut is_broken = false;
        'rows: for (at, FileRow { row, after_refused, .. }) in rows.iter().enumerate() {
            is_broken |= after_refused;
            let mut key = keys.hash_one((
                row.time,
                &row.counts,
                row.faults,
                row.missing,
                row.battery_mv,
                row.board_centi_c,
            ));
            // Two rows of one key may still differ.
            loop {
                match seen.entry(key) {
                    Entry::Vacant(free) => {
                        free.insert(at as u32);
                        break;
                    }
                    Entry::Occupied(taken) if rows[*taken.get() as usize].row == *row => {
                        repeated.push((at as u32, *taken.get()));
                        continue 'rows;
                    }
                    Entry::Occupied(_) => key = key.wrapping_add(1),
                }
            }
            order.push(at as u32);
            broken.push(std::mem::take(&mut is_broken));
        }
        broken.push(is_broken);
        let time = |at: u32| rows[at as usize].row.time;
        let up = order.windows(2).filter(|two| time(two[0]) < time(two[1])).count();
        let down = order.windows(2).filter(|two| time(two[0]) > time(two[1])).count();
        if down > up {
            order.reverse();
            broken.reverse();
        }
        Self { rows, order, broken, repeated }
    }

    pub(super) fn row(&self, at: usize) -> &'a Row {
        &self.rows[self.order[at] as usize].row
    }

    pub(super) fn line(&self, at: usize) -> u64 {
        self.rows[self.order[at] as usize].line
    }

    pub(super) fn len(&self) -> usize {
        self.order.len()
    }
}
