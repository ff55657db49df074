//! What was kept next to the record; each conflict together with the record that it contradicts.
//!
//! Input: one state of the ledger. Output: [`SetAsideReport`]: frames that no key opens, conflicts with both sides,
//! frames of addresses off the roster, and frames for which there was no room.

use crate::ledger::read::Read;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::Roster;
use crate::record::set_aside::{ConflictSide, SetAside};
use crate::record::unread::{Dropped, Foreign, Kept};
use crate::wire::seq::Identity;

/// What was kept next to the record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideReport {
    /// Unopened frames one by one, as many as were requested, and the other sides of conflicts.
    pub items: Vec<SetAsideItem>,
    /// Unopened frames by logger, slot and reason.
    pub unopened: Vec<Kept>,
    /// Frames of addresses that are not on the roster: counted, not kept.
    pub foreign: Vec<Foreign>,
    /// Unopened frames for which there was no room.
    pub no_room: Vec<Dropped>,
}

/// One unopened frame or one conflict.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideItem {
    pub item: SetAside,
    /// For a conflict, the side that is held; `None` if nothing is held any more.
    pub held: Option<ConflictSide>,
}

impl SetAsideReport {
    /// Reads it; unopened frames one by one, only the newest `frames`.
    pub fn read(snapshot: &Snapshot<'_>, roster: &Roster, frames: u32) -> Read<Self> {
        let mut items = Vec::new();
        for item in snapshot.set_aside_with(frames)? {
            let held = match Identity::new(item.logger, item.epoch, item.sequence) {
                Some(id) if item.is_conflict() => held_side(snapshot, id)?,
                _ => None,
            };
            items.push(SetAsideItem { item, held });
        }
        Ok(Self {
            items,
            unopened: snapshot.kept_unopened()?,
            foreign: snapshot.foreign(roster)?,
            no_room: snapshot.found_no_room()?,
        })
    }
}

fn held_side(snapshot: &Snapshot<'_>, id: Identity) -> Read<Option<ConflictSide>> {
    if let Some(plaintext) = snapshot.plaintext(id)? {
        return Ok(Some(ConflictSide::sealed(&plaintext, Some(id))));
    }
    // Two CSV files may disagree where no authentic record is held.
    Ok(snapshot.readings_at(&[id].into())?.remove(&id).map(ConflictSide::CsvRow))
}
