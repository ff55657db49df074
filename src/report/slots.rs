//! Which key slot a logger sends under: decided only here.
//!
//! Input: held records. Output: the slot in use, and the first record under each slot. Reception decides, and not the
//! largest sequence, because anyone with an old key can choose that. A record that an older slot sealed before a newer
//! slot began may arrive late, so it does not count.
//!
//! This module knows no keyring and no text.

use super::inputs::ReadError;
use crate::ledger::read::snapshot::Snapshot;
use crate::wire::seq::{Address, Identity, Slot};
use std::collections::BTreeMap;

/// What the held records show about a logger's slots.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SlotUse {
    /// The first record under each slot that has opened frames.
    pub firsts: BTreeMap<Slot, Identity>,
    /// The slot that it sends under; `None` if no record is held.
    pub in_use: Option<Slot>,
}

/// Reads the records under the slots that have opened frames of this logger.
pub fn slot_use(
    address: Address,
    opened: impl IntoIterator<Item = Slot>,
    snapshot: &Snapshot<'_>,
) -> Result<SlotUse, ReadError> {
    let mut firsts = BTreeMap::new();
    for slot in opened {
        let first = snapshot.smallest_sealed(address, slot)?;
        firsts.extend(first.map(|first| (slot, first.identity)));
    }
    let mut latest = None;
    for &slot in firsts.keys() {
        let newer = firsts.range(Slot(slot.0.saturating_add(1))..).map(|(_, first)| *first).max();
        let newer = newer.filter(|_| slot.0 < u8::MAX);
        let Some(from) = newer.or_else(|| Identity::new(address.number(), 1, 1)) else { continue };
        let received = snapshot.latest_reception(from, slot)?;
        latest = latest.max(received.map(|received| (received, slot)));
    }
    let in_use = match latest {
        Some((_, slot)) => Some(slot),
        // No record came by radio: the newest of those brought by hand decides.
        None => {
            let newest = snapshot.newest_sealed(&[address], 1)?.remove(&address).unwrap_or_default();
            newest.first().map(|sealed| sealed.slot)
        }
    };
    Ok(SlotUse { firsts, in_use })
}
