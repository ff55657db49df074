//! Which data of a damaged ledger is proven to be correct: data that fits a digest.
//!
//! Input: the damaged ledger, open and limited in work, and what the present one holds. Output: which
//! identities may be there, and which of their records are proven: settled ones by the content digest of their
//! block, unsettled ones by their seal.
//!
//! What this is not: it changes nothing, and brings nothing over.

use super::read::{self, FoundBlock, FoundRecord};
use crate::ledger::care::held::HeldRecord;
use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, Column, StoredRow, kind};
use crate::ledger::digest::block::{self, BlockPlace};
use crate::ledger::digest::seal::Walk;
use crate::ledger::digest::table::{self, Sum};
use crate::record::coverage::{Basis, Coverage, EpochCoverage, RangeSet};
use crate::wire::record::Record;
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};

/// Every identity that may be there, from all parts of the ledger that can be trusted and from what was known.
/// Ranges that fit no digest are left out: one flipped bit in them would mean millions of records that never
/// existed.
pub(in crate::ledger) fn expected(old: &Connection, counted: Option<&Coverage>) -> Coverage {
    let mut all = counted.cloned().unwrap_or_default();
    // A page that cannot be read ends the reading; what came before counts.
    let _ = match fits(old, "held_range") {
        true => add_ranges(old, &mut all),
        false => add_blocks(old, &mut all),
    };
    all
}

fn add_ranges(old: &Connection, all: &mut Coverage) -> Result<(), Error> {
    let sql = "SELECT logger, epoch, first, last, basis FROM held_range";
    query::each(old, sql, [], |(logger, epoch, first, last, basis): (u16, u32, u32, u32, i64)| {
        let basis = if basis == 0 { Basis::Authentic } else { Basis::Csv };
        if let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch))
            && 0 < first
            && first <= last
        {
            all.insert_range(address, epoch, basis, first, last);
        }
        Ok(())
    })
}

/// If ranges are known, blocks add nothing, and would extend over gaps.
fn add_blocks(old: &Connection, all: &mut Coverage) -> Result<(), Error> {
    let sql = "SELECT logger, epoch, first, last, block FROM block";
    query::each(old, sql, [], |(logger, epoch, first, last, block): (u16, u32, u32, u32, u32)| {
        let is_of_block = [first, last].map(block::block_of) == [block; 2];
        if let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch))
            && all.epoch(address, epoch).is_none()
            && is_of_block
            && 0 < first
            && first <= last
        {
            all.insert_range(address, epoch, Basis::Authentic, first, last);
        }
        Ok(())
    })
}

/// The blocks of a part of each epoch.
pub(in crate::ledger) fn places_of(
    expected: &Coverage,
    of: impl Fn(&EpochCoverage) -> RangeSet,
) -> BTreeSet<BlockPlace> {
    let mut places = BTreeSet::new();
    for (address, epoch, held) in expected.epochs() {
        for &(first, last) in of(held).ranges() {
            let blocks = block::block_of(first)..=block::block_of(last);
            places.extend(blocks.map(|block| (address.number(), epoch.number(), block)));
        }
    }
    places
}

/// Whether a table can be read and fits its digest.
pub(in crate::ledger) fn fits(old: &Connection, table: &str) -> bool {
    let sum = table::table_sum(old, table, "true", ());
    sum.is_ok_and(|sum| table::kept(old, table).is_ok_and(|kept| kept == Some(sum)))
}

/// The content of a block.
pub(in crate::ledger) struct ThereOfBlock {
    /// Settled records that can be read.
    pub settled: FoundBlock,
    /// Records that are proven, settled or not.
    pub proven: FoundBlock,
}

/// Reads the content of a block. `unsettled`: [`unsettled`]; `here`: what the present ledger holds of it.
pub(in crate::ledger) fn block_there(
    old: &Connection,
    place: BlockPlace,
    unsettled: &BTreeMap<BlockPlace, FoundBlock>,
    here: &BTreeMap<u32, HeldRecord>,
) -> ThereOfBlock {
    let recent = unsettled.get(&place);
    let mut settled = read::records(old, place);
    // A profile or an event is in its table at once, but in its block's digest only when it is settled.
    settled.retain(|sequence, _| !recent.is_some_and(|recent| recent.contains_key(sequence)));
    let mut proven = proven(place, &settled, read::stored(old, place), here);
    for (sequence, found) in recent.into_iter().flatten() {
        proven.entry(*sequence).or_insert_with(|| found.clone());
    }
    ThereOfBlock { settled, proven }
}

/// The records of a block, if they fit its digest; otherwise none. The present ledger's records may replace
/// those that cannot be read or have changed: they are authentic by themselves.
fn proven(
    place: BlockPlace,
    read: &FoundBlock,
    stored: Option<block::Block>,
    here: &BTreeMap<u32, HeldRecord>,
) -> FoundBlock {
    let Some(stored) = stored else { return FoundBlock::new() };
    let sum_of = |sequence: u32, found: &FoundRecord| {
        Identity::new(place.0, place.1, sequence).map(|id| block::record_sum(id, &found.plaintext))
    };
    let mut sums: BTreeMap<u32, Sum> =
        read.iter().filter_map(|(&sequence, found)| Some((sequence, sum_of(sequence, found)?))).collect();
    let fits = |sums: &BTreeMap<u32, Sum>| {
        let mut sum = Sum::default();
        sums.values().for_each(|&one| sum.add(one));
        sum == stored.content && sums.len() as u64 == u64::from(stored.records)
    };
    if fits(&sums) {
        return read.clone();
    }
    for (&sequence, held) in here {
        if let Some(sum) = held.sum {
            sums.insert(sequence, sum);
        }
    }
    if !fits(&sums) {
        return FoundBlock::new();
    }
    read.iter()
        .filter(|&(&sequence, found)| sums.get(&sequence).copied() == sum_of(sequence, found))
        .map(|(&sequence, found)| (sequence, found.clone()))
        .collect()
}

/// What is proven of a journal's unsettled rows.
pub(in crate::ledger) struct Unsettled {
    pub records: BTreeMap<BlockPlace, FoundBlock>,
    /// Rows that can be read but fit no seal.
    pub unproven: u64,
    /// Whether it could not be read to its end.
    pub is_cut: bool,
}

/// Unsettled records under seals that fit. Profiles, events and opaque records are included only if their whole
/// table fits its digest, because no seal covers them.
pub(in crate::ledger) fn unsettled(old: &Connection) -> Unsettled {
    let mut all: BTreeMap<BlockPlace, FoundBlock> = BTreeMap::new();
    let rare = rare::ALL.iter().all(|table| fits(old, table.name));
    let mut unproven = 0;
    let walk = Walk { in_order: true, ..Walk::WHOLE };
    let read = walk.stretches(
        old,
        |row| Some(*row),
        |stretch| {
            if !stretch.fits {
                unproven += stretch.rows.len() as u64;
                return Ok(());
            }
            for row in stretch.rows.iter().filter(|row| row.get(Column::Rank) == Some(0)) {
                if let Some((id, found)) = of_journal(old, row, rare) {
                    let sequence = id.sequence.number();
                    let place = (id.address.number(), id.epoch.number(), block::block_of(sequence));
                    all.entry(place).or_default().insert(sequence, found);
                }
            }
            Ok(())
        },
    );
    let is_cut = !matches!(read, Ok(Ok(())));
    Unsettled { records: all, is_cut, unproven: if is_cut { 0 } else { unproven } }
}

/// The record of a journal row. `rare`: whether profiles, events and opaque records are proven.
fn of_journal(old: &Connection, row: &StoredRow, rare: bool) -> Option<(Identity, FoundRecord)> {
    let id = row.identity()?;
    let slot = Slot(u8::try_from(row.get(Column::Slot).unwrap_or(0)).ok()?);
    let plaintext = match row.get(Column::Kind)? {
        kind::READING => row::encoded(&Record::Reading(row.reading()?)),
        of if of > kind::READING && rare => rare::rare_plaintext(old, id).ok().flatten()?,
        _ => return None,
    };
    Some((id, FoundRecord { plaintext, slot }))
}
