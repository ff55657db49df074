//! Keys that have opened frames, by their check values: lists them, and adds one.
//!
//! Input: what a keyring has found out, or another ledger holds. Output: rows of `proven_key`. Only keys of the
//! site's own keyring are added. What this is not: it knows no key and opens nothing.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, AnyText};
use crate::ledger::digest::table;
use crate::ledger::write::open::Ledger;
use crate::time::{GatewayTime, Stamp};
use crate::wire::check::{CheckedKey, KeyCheck};
use crate::wire::seq::{Address, Slot};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;

/// A key that has opened a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct ProvenKey {
    pub key: CheckedKey,
    /// When it opened its first one.
    pub first_at: GatewayTime,
}

/// All of them, by logger and slot. Two of one slot mean that its key was exchanged.
pub fn proven_keys(db: &Connection) -> Result<Vec<ProvenKey>, Error> {
    let mut all = Vec::new();
    query::each(
        db,
        "SELECT logger, slot, check_value, first_at FROM proven_key ORDER BY logger, slot, check_value",
        [],
        |(logger, slot, AnyText(check), first_at)| {
            let (Some(address), Some(check)) = (Address::new(logger), KeyCheck::from_hex(&check)) else {
                return Err(Error::Corrupt("a proven key has a reserved address or no check value".into()));
            };
            let key = CheckedKey { address, slot: Slot(slot), check };
            all.push(ProvenKey { key, first_at });
            Ok(())
        },
    )?;
    Ok(all)
}

/// The key of each slot that was proven last. An earlier key was replaced by it. If an earlier key is put back,
/// perhaps from an old file, the frames that it has opened prove nothing about new frames, and a frame that
/// fails under it must wait.
pub fn newest_of_slots(all: &[ProvenKey]) -> impl Iterator<Item = CheckedKey> {
    let mut newest = BTreeMap::new();
    for proven in all {
        let first_at = newest.entry((proven.key.address, proven.key.slot)).or_insert(proven.first_at);
        *first_at = proven.first_at.max(*first_at);
    }
    let is_newest = move |proven: &&ProvenKey| {
        newest.get(&(proven.key.address, proven.key.slot)) == Some(&proven.first_at)
    };
    all.iter().filter(is_newest).map(|proven| proven.key)
}

/// Adds a key. If it is already there, the earlier time is kept. Call it within a transaction that writes.
pub(in crate::ledger) fn note(db: &Connection, proven: &ProvenKey) -> Result<(), Error> {
    let CheckedKey { address, slot, check } = proven.key;
    let check = check.to_string();
    let key = (address.number(), slot.0, check.as_str());
    table::change(db, "proven_key", "logger = ? AND slot = ? AND check_value = ?", key, |db| {
        db.prepare_cached(
            "INSERT INTO proven_key VALUES (?, ?, ?, ?)
                 ON CONFLICT DO UPDATE SET first_at = min(first_at, excluded.first_at)",
        )?
        .execute(params![key.0, key.1, key.2, proven.first_at])?;
        Ok(())
    })
}

impl Ledger {
    /// The keys that count as proven because of frames that they have opened before: see [`newest_of_slots`].
    pub fn keys_in_use(&self) -> Result<Vec<CheckedKey>, Error> {
        Ok(newest_of_slots(&proven_keys(&self.db)?).collect())
    }

    /// The keys that have opened frames before.
    pub fn proven_keys(&self) -> Result<Vec<ProvenKey>, Error> {
        proven_keys(&self.db)
    }

    /// Records keys that have opened frames.
    pub fn note_proven(&mut self, keys: &[CheckedKey], now: Stamp) -> Result<(), Error> {
        if keys.is_empty() {
            return Ok(());
        }
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        for &key in keys {
            note(&transaction, &ProvenKey { key, first_at: now.time() })?;
        }
        transaction.commit()?;
        self.is_reachable()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_a_slot_the_key_that_opened_its_first_frame_last_counts() {
        let proven = |logger: u16, slot: u8, check: u8, first_at: i64| ProvenKey {
            key: CheckedKey {
                address: Address::new(logger).unwrap(),
                slot: Slot(slot),
                check: KeyCheck::from([check; 16]),
            },
            first_at: GatewayTime(first_at),
        };
        let all = [
            proven(1, 0, 1, 100),
            proven(1, 0, 2, 300),
            proven(1, 0, 3, 200),
            proven(1, 1, 1, 50),
            proven(2, 0, 7, 10),
            proven(2, 0, 8, 10),
        ];
        let found: Vec<CheckedKey> = newest_of_slots(&all).collect();
        assert_eq!(found, [all[1], all[3], all[4], all[5]].map(|proven| proven.key));
    }
}
