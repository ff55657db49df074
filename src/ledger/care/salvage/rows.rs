//! Which CSV rows of a damaged ledger are brought over: rows of imports that are not withdrawn, for which
//! nothing is held here, with how they were placed and rounded.
//!
//! Input: the damaged ledger and the present one. Output: [`RowsThere`]. A row is proven if it fits the guard
//! of its block.

use super::proof;
use super::read::{self, CsvRow};
use crate::ledger::db::error::Error;
use crate::ledger::db::{query, row, tx};
use crate::ledger::digest::block::{self, Blocks};
use crate::ledger::read::coverage::load_coverage;
use crate::record::coverage::Coverage;
use crate::wire::seq::{Address, Epoch};
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// CSV rows to be brought over.
#[derive(Default)]
pub(super) struct RowsThere {
    /// Proven ones, by the import that they came with.
    pub proven: BTreeMap<CameWith, Vec<CsvRow>>,
    /// Rows that can be read but fit no digest.
    pub doubtful: Vec<CsvRow>,
}

/// The import that rows came with.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct CameWith {
    pub number: i64,
    pub file: String,
    pub size_bytes: u64,
    pub sha256: String,
}

/// The name of the import for a file's rows that a salvage brought over.
pub(super) fn brought_as(file: &str, name: &str) -> String {
    format!("{file} (salvage of {name})")
}

/// The CSV rows of imports that are not withdrawn, for which nothing is held here.
pub(super) fn missing_here(
    old: &Connection,
    present: &Connection,
    expected: &Coverage,
    name: &str,
) -> Result<RowsThere, Error> {
    let mut there = RowsThere::default();
    let covered = tx::snapshot(present, load_coverage)?;
    let (imports, fit) = standing(old, present, name)?;
    let resolutions = if proof::fits(old, "resolution") { resolutions(old) } else { BTreeMap::new() };
    let waiting = block::rare_in_journal(old).unwrap_or_default();
    for place in proof::places_of(expected, |held| held.held()) {
        let here = match (Address::new(place.0), Epoch::new(place.1)) {
            (Some(address), Some(epoch)) => covered.epoch(address, epoch).map(|epoch| epoch.held()),
            _ => continue,
        }
        .unwrap_or_default();
        let found = read::csv_rows(old, place);
        if found.iter().all(|(id, ..)| here.contains(id.sequence.number())) {
            continue;
        }
        let is_proven = fit
            && read::stored(old, place).is_some_and(|stored| {
                Blocks::of_block(old, place, &waiting).is_ok_and(|block| block.guard == stored.guard)
            });
        let mut taken = BTreeSet::new();
        for (id, import, resolution, row) in found {
            let Some(came) = imports.get(&import) else { continue };
            // The row with the lowest rank is the one that covers.
            if here.contains(id.sequence.number()) || !taken.insert(id) {
                continue;
            }
            let (mut row, mut is_proven) = (row, is_proven);
            if let Some(number) = resolution {
                row.resolution = resolutions.get(&number).cloned();
                match row.resolution.as_deref().map(row::steps_from_json) {
                    Some(Ok(steps)) => row.row.steps = Some(Arc::new(steps)),
                    // It is not known how far it was rounded, so its true value is uncertain.
                    _ => continue,
                }
            }
            is_proven &= came.number > 0;
            match is_proven {
                true => there.proven.entry(came.clone()).or_default().push(row),
                false => there.doubtful.push(row),
            }
        }
    }
    Ok(there)
}

/// Imports of the damaged ledger that were withdrawn neither there nor here since, and whose rows from an
/// earlier salvage were not withdrawn either; and whether their table fits its digest.
fn standing(
    old: &Connection,
    present: &Connection,
    name: &str,
) -> Result<(BTreeMap<i64, CameWith>, bool), Error> {
    let read = |db: &Connection| -> Result<Vec<(CameWith, bool)>, Error> {
        let sql = "SELECT id, file, size_bytes, sha256, withdrawn_at IS NOT NULL FROM import";
        let mut all = Vec::new();
        query::each(db, sql, [], |(number, file, size, sha256, is_withdrawn): (_, _, i64, _, _)| {
            let size_bytes = u64::try_from(size).unwrap_or(0);
            all.push((CameWith { number, file, size_bytes, sha256 }, is_withdrawn));
            Ok(())
        })?;
        Ok(all)
    };
    let here = read(present)?;
    // What is known here about the same imports replaces a table that cannot be read.
    let fit = proof::fits(old, "import");
    let there = if fit { read(old).unwrap_or_default() } else { here.clone() };
    let standing = there
        .into_iter()
        .filter(|(came, withdrawn)| {
            let is_same = |other: &CameWith| {
                other.sha256 == came.sha256
                    && (other.file == came.file || other.file == brought_as(&came.file, name))
            };
            !withdrawn && !here.iter().any(|(other, withdrawn)| *withdrawn && is_same(other))
        })
        .map(|(came, _)| (came.number, came))
        .collect();
    Ok((standing, fit))
}

fn resolutions(old: &Connection) -> BTreeMap<i64, String> {
    let all = query::all::<(i64, String)>(old, "SELECT id, steps FROM resolution", []);
    all.unwrap_or_default().into_iter().collect()
}
