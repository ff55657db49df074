//! Which of a ledger's records are proven, and so may be carried on: those that were known before, or fit their
//! digest.

use super::file::{Fingerprints, fingerprint};
use crate::ledger::db::error::Error;
use crate::ledger::digest::block::{self, BlockPlace, Blocks};
use crate::ledger::digest::seal;
use crate::ledger::digest::table;
use crate::wire::seq::Identity;
use rusqlite::Connection;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// The most blocks that are compared with their digests at one time by a daemon that has other work. Records of
/// further blocks follow the next time. What was known before is not compared again.
const PROOFS_MAX: usize = 2_000;

/// Which of a ledger's records may be carried on.
pub(super) struct Proof<'a> {
    db: &'a Connection,
    before: &'a Fingerprints,
    places: BTreeMap<BlockPlace, bool>,
    places_max: usize,
    waiting: BTreeSet<Identity>,
    /// Whether seals prove the unsettled rows.
    pub journal: bool,
}

impl<'a> Proof<'a> {
    pub fn new(db: &'a Connection, before: &'a Fingerprints, is_sound: bool) -> Result<Self, Error> {
        let mut journal = true;
        if !is_sound {
            seal::check_seals(db, |_| journal = false)?;
        }
        Ok(Self {
            db,
            before,
            places: BTreeMap::new(),
            places_max: if is_sound { PROOFS_MAX } else { usize::MAX },
            waiting: block::rare_in_journal(db)?,
            journal,
        })
    }

    /// Whether a table fits its digest.
    pub fn fits(&self, table: &str) -> Result<bool, Error> {
        Ok(table::table_sum(self.db, table, "true", ())? == table::kept(self.db, table)?.unwrap_or_default())
    }

    pub fn was_known(&self, table: &str, row: &[Value]) -> bool {
        self.before.contains(&fingerprint(table, row))
    }

    /// Whether a settled reading is unchanged: known before, or its block fits its digest.
    pub fn settled(&mut self, id: Identity, row: &[Value]) -> Result<bool, Error> {
        let number = |at: usize| row.get(at).and_then(Value::as_u64);
        let key = (id.address.number().into(), id.epoch.number().into(), id.sequence.number().into());
        let is_it = (number(0), number(1), number(2)) == (Some(key.0), Some(key.1), Some(key.2));
        // Nothing was read for it: it is not a settled reading.
        if !is_it || self.was_known("settled", row) {
            return Ok(true);
        }
        let place = (id.address.number(), id.epoch.number(), block::block_of(id.sequence.number()));
        if let Some(&fits) = self.places.get(&place) {
            return Ok(fits);
        }
        if self.places.len() >= self.places_max {
            return Ok(false);
        }
        let fits = match block::stored(self.db, place)? {
            Some(stored) => Blocks::of_block(self.db, place, &self.waiting)? == stored,
            None => false,
        };
        self.places.insert(place, fits);
        Ok(fits)
    }
}
