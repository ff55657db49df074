//! The content of a download that is to go into the ledger, in little memory: plaintexts and rows one after the other,
//! and 24 bytes for each item to find them.
//!
//! It is sorted by identity before it is handed over, so that the ledger's clustered table is written from front to
//! back.

use crate::record::download::Item;
use crate::record::judge::{Placed, Row, Steps};
use crate::record::row::steps_json;
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use std::collections::BTreeSet;
use std::sync::Arc;

/// The most bytes of new content of one file: more than every logger's memory at a site.
pub const BYTES_MAX: usize = u32::MAX as usize;

#[derive(Clone, Copy, Debug)]
enum What {
    Record(Slot),
    Row(Placed),
    Witness,
}

#[derive(Clone, Copy, Debug)]
struct Place {
    identity: Identity,
    at: u32,
    len: u16,
    what: What,
}

/// See the module documentation.
#[derive(Debug, Default)]
pub struct Kept {
    bytes: Vec<u8>,
    places: Vec<Place>,
    /// How many items are not to be written.
    witnesses: usize,
    /// The file's rounding: its steps, and the same as the ledger stores them.
    resolution: Option<(Arc<Steps>, String)>,
}

impl Kept {
    /// Sets the file's rounding for all its rows.
    pub fn set_steps(&mut self, steps: &Steps) {
        self.resolution = steps_json(steps).map(|json| (Arc::new(steps.clone()), json));
    }

    fn steps(&self) -> Option<Arc<Steps>> {
        self.resolution.as_ref().map(|(steps, _)| steps.clone())
    }

    /// How many records and rows are to be written.
    pub fn len(&self) -> usize {
        self.places.len() - self.witnesses
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    pub fn identity(&self, item: u32) -> Option<Identity> {
        self.places.get(item as usize).map(|place| place.identity)
    }

    /// How many bytes of memory it takes.
    pub fn weight(&self) -> usize {
        self.bytes.capacity() + self.places.capacity() * size_of::<Place>()
    }

    /// Adds a record; `None` if it is full.
    pub fn push_record(&mut self, identity: Identity, slot: Slot, plaintext: &[u8]) -> Option<u32> {
        let at = self.start()?;
        self.bytes.extend_from_slice(plaintext);
        self.place(identity, at, What::Record(slot))
    }

    /// Adds a row; `None` if it is full.
    pub fn push_row(&mut self, identity: Identity, row: &Row, placed: Placed) -> Option<u32> {
        self.push(identity, row, What::Row(placed))
    }

    /// Adds a row that is not to be written: when more records are held, it may be evidence for or against its
    /// neighbours.
    pub fn push_witness(&mut self, identity: Identity, row: &Row) -> Option<u32> {
        self.witnesses += 1;
        self.push(identity, row, What::Witness)
    }

    fn push(&mut self, identity: Identity, row: &Row, what: What) -> Option<u32> {
        let at = self.start()?;
        let out = &mut self.bytes;
        out.extend(row.time.to_be_bytes());
        out.push(u8::from(row.battery_mv.is_some()) | u8::from(row.board_centi_c.is_some()) << 1);
        out.extend(row.battery_mv.unwrap_or(0).to_be_bytes());
        out.extend(row.board_centi_c.unwrap_or(0).to_be_bytes());
        out.extend(row.faults.to_be_bytes());
        out.extend(row.missing.to_be_bytes());
        for count in &row.counts {
            out.extend(count.to_be_bytes());
        }
        self.place(identity, at, what)
    }

    fn start(&self) -> Option<u32> {
        // Room for the largest item.
        (self.bytes.len() + 1024 < BYTES_MAX).then_some(self.bytes.len() as u32)
    }

    fn place(&mut self, identity: Identity, at: u32, what: What) -> Option<u32> {
        let len = u16::try_from(self.bytes.len() - at as usize).ok()?;
        self.places.push(Place { identity, at, len, what });
        u32::try_from(self.places.len() - 1).ok()
    }

    /// The plaintext of an item; `None` if it is a row.
    pub fn plaintext(&self, item: u32) -> Option<&[u8]> {
        let place = self.places.get(item as usize)?;
        matches!(place.what, What::Record(_)).then(|| self.content(place))
    }

    /// The row of an item; `None` if it is a record.
    pub fn row(&self, item: u32) -> Option<Row> {
        let place = self.places.get(item as usize)?;
        matches!(place.what, What::Row(_)).then(|| unpacked(self.content(place), self.steps()))
    }

    fn content(&self, place: &Place) -> &[u8] {
        let at = place.at as usize;
        self.bytes.get(at..at + usize::from(place.len)).unwrap_or(&[])
    }

    /// Removes witnesses of epochs that have nothing to be written. Numbers of items become invalid.
    fn drop_idle_witnesses(&mut self) {
        let is_witness = |place: &Place| matches!(place.what, What::Witness);
        let written: BTreeSet<(Address, Epoch)> = self
            .places
            .iter()
            .filter(|place| !is_witness(place))
            .map(|place| (place.identity.address, place.identity.epoch))
            .collect();
        self.places.retain(|place| {
            !is_witness(place) || written.contains(&(place.identity.address, place.identity.epoch))
        });
        self.witnesses = self.places.iter().filter(|place| is_witness(place)).count();
        if self.places.is_empty() {
            self.bytes = Vec::new();
        }
    }

    /// Sorts items by identity; those of one identity keep their order. Numbers of items become invalid.
    pub fn sort(&mut self) {
        self.drop_idle_witnesses();
        self.places.sort_by_key(|place| place.identity);
    }

    /// Passes on every item, in order.
    pub fn each<E>(&self, give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), E>) -> Result<(), E> {
        for place in &self.places {
            let content = self.content(place);
            match place.what {
                What::Record(slot) => give(place.identity, Item::Record { slot, plaintext: content })?,
                What::Row(placed) => {
                    let row = unpacked(content, self.steps());
                    let resolution = self.resolution.as_ref().map(|(_, json)| json.as_str());
                    give(place.identity, Item::Row { row: &row, placed, resolution })?;
                }
                What::Witness => give(place.identity, Item::Witness(&unpacked(content, self.steps())))?,
            }
        }
        Ok(())
    }
}

fn unpacked(bytes: &[u8], steps: Option<Arc<Steps>>) -> Row {
    let part = |at: usize, len: usize| bytes.get(at..at + len).unwrap_or(&[]);
    let flags = part(4, 1).first().copied().unwrap_or(0);
    let two = |at: usize| part(at, 2).try_into().unwrap_or([0; 2]);
    let eight = |at: usize| u64::from_be_bytes(part(at, 8).try_into().unwrap_or([0; 8]));
    Row {
        time: u32::from_be_bytes(part(0, 4).try_into().unwrap_or([0; 4])),
        battery_mv: (flags & 1 != 0).then(|| u16::from_be_bytes(two(5))),
        board_centi_c: (flags & 2 != 0).then(|| i16::from_be_bytes(two(7))),
        faults: eight(9),
        missing: eight(17),
        counts: bytes
            .get(25..)
            .unwrap_or(&[])
            .chunks_exact(4)
            .map(|count| i32::from_be_bytes(count.try_into().unwrap_or([0; 4])))
            .collect(),
        steps,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_row_comes_out_as_it_went_in(
            time in any::<u32>(),
            battery_mv in any::<Option<u16>>(),
            board_centi_c in any::<Option<i16>>(),
            faults in any::<u64>(),
            counts in prop::collection::vec(any::<i32>(), 1..40),
        ) {
            let missing = if faults & 1 == 0 { 0 } else { faults >> 1 };
            let row = Row { time, counts, faults, missing, battery_mv, board_centi_c, steps: None };
            let mut kept = Kept::default();
            kept.push_record(Identity::new(9, 1, 1).unwrap(), Slot(0), b"x").unwrap();
            let item = kept.push_row(Identity::new(9, 1, 2).unwrap(), &row, Placed::ByNumber).unwrap();
            let witness = kept.push_witness(Identity::new(9, 1, 3).unwrap(), &row).unwrap();
            prop_assert_eq!((kept.len(), kept.row(witness)), (2, None));
            prop_assert_eq!(kept.row(item), Some(row));
            prop_assert_eq!(kept.plaintext(item), None);
            prop_assert_eq!(kept.plaintext(0), Some(&b"x"[..]));
        }
    }
}
