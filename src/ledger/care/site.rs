//! Whether another ledger is of this site, from the data of both: `record::site` has the rule.
//!
//! Input: the present ledger and the other one, open. Output: [`SitesCompared`]: the verdict, with what agrees
//! and what does not. All code that brings records of one file into another checks here first (`salvage`,
//! `restore`, and a ledger that appears where another vanished), and so does `compare`.
//!
//! The numbers by which ledgers of one site recognise each other are `ledger_id` of `meta` and the rows of
//! `same_site`. What this is not: it changes nothing except `same_site`.

use crate::ledger::care::held;
use crate::ledger::care::salvage::proof;
use crate::ledger::care::stranger;
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::query;
use crate::ledger::digest::{block, table};
use crate::ledger::write::open::Ledger;
use crate::ledger::write::proven;
use crate::record::site::{Alike, Shared, Signs, Verdict};
use crate::time::Stamp;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeSet;
use std::path::Path;

/// Why a number of another ledger is recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SameSiteReason {
    /// It was set aside, and this one took over.
    SetAside,
    /// It vanished, and a copy of it is brought over.
    Copy,
    Salvage,
    /// A backup took its place.
    Restore,
}

impl SameSiteReason {
    fn name(self) -> &'static str {
        match self {
            Self::SetAside => "set-aside",
            Self::Copy => "copy",
            Self::Salvage => "salvage",
            Self::Restore => "restore",
        }
    }
}

/// The result of comparing two ledgers.
#[derive(Clone, Debug)]
pub struct SitesCompared {
    /// Numbers, keys and records.
    pub alike: Alike,
    /// Loggers of which both hold records.
    pub loggers_in_both: Vec<u16>,
    /// Loggers of which only the other one holds records.
    pub loggers_only_there: Vec<u16>,
    /// Whether the present ledger holds nothing at all.
    pub here_is_empty: bool,
    verdict: Verdict,
}

impl SitesCompared {
    pub fn is_one_site(&self) -> bool {
        matches!(self.verdict, Verdict::OneSite(_))
    }
}

/// The signs of a ledger that can be read. Never fails: damaged data gives no signs.
pub(in crate::ledger) fn signs(db: &Connection) -> Signs {
    let fits = |table: &str| {
        let sum = table::table_sum(db, table, "true", ());
        sum.is_ok_and(|sum| table::kept(db, table).is_ok_and(|kept| kept.unwrap_or_default() == sum))
    };
    let mut ids: BTreeSet<i64> = meta(db, "ledger_id").into_iter().collect();
    let others = query::values::<i64>(db, "SELECT ledger_id FROM same_site", []);
    let ids_are_sound = !ids.is_empty() && fits("meta") && (others.is_err() || fits("same_site"));
    ids.extend(others.unwrap_or_default());
    let mut signs = Signs { ids, ids_are_sound, ..Signs::default() };
    // A changed value would look like another key.
    let proven = if fits("proven_key") { proven::proven_keys(db).unwrap_or_default() } else { Vec::new() };
    for proven::ProvenKey { key, .. } in proven {
        signs.keys.entry((key.address.number(), key.slot.0)).or_default().insert(key.check);
    }
    signs
}

/// The signs of a file that may be damaged or of an older schema.
pub(in crate::ledger) fn signs_of_file(path: &Path) -> Option<Signs> {
    stranger::open_damaged(path).map(|db| signs(&db))
}

/// Compares the present ledger with another one, given by its signs. `set_aside_here`: see [`Alike::of`].
pub(in crate::ledger) fn compare(
    ours: &Connection,
    theirs: &Connection,
    their_signs: &Signs,
    set_aside_here: bool,
) -> Result<SitesCompared, Error> {
    let mut alike = Alike::of(&signs(ours), their_signs, set_aside_here);
    let mut verdict = alike.verdict();
    if verdict == Verdict::RecordsDecide {
        let shared: Shared = shared(theirs, ours)?;
        alike.records = Some(shared);
        verdict = alike.verdict();
    }
    let (here, there) = (loggers(ours)?, loggers(theirs).unwrap_or_default());
    Ok(SitesCompared {
        alike,
        loggers_in_both: here.intersection(&there).copied().collect(),
        loggers_only_there: there.difference(&here).copied().collect(),
        here_is_empty: here.is_empty(),
        verdict,
    })
}

/// Records that two ledgers both hold: how many readings and profiles are the same, and how many records
/// differ. Of the first ledger only proven records count. Events and opaque records may be the same by
/// coincidence: a logger whose clock was never set starts like any other.
fn shared(old: &Connection, present: &Connection) -> Result<Shared, Error> {
    let unsettled = proof::unsettled(old).records;
    let mut places = proof::places_of(&proof::expected(old, None), |held| held.authentic.clone());
    places.extend(unsettled.keys());
    let mut shared = Shared::default();
    for place in places {
        let here = held::read_block(present, place)?;
        if here.is_empty() {
            continue;
        }
        for (sequence, found) in proof::block_there(old, place, &unsettled, &here).proven {
            let Some(id) = Identity::new(place.0, place.1, sequence) else { continue };
            let Some(sum) = here.get(&sequence).and_then(|held| held.sum) else { continue };
            if sum != block::record_sum(id, &found.plaintext) {
                shared.different += 1;
            } else if let Ok(Record::Reading(_) | Record::Profile(_)) = Record::decode(&found.plaintext, id) {
                shared.same += 1;
            }
        }
    }
    Ok(shared)
}

/// The loggers of which a ledger holds a record or a row.
fn loggers(db: &Connection) -> Result<BTreeSet<u16>, Error> {
    let sql =
        "SELECT DISTINCT logger FROM held_range UNION SELECT DISTINCT logger FROM journal WHERE kind > 0";
    Ok(query::values(db, sql, [])?.into_iter().collect())
}

/// Records numbers of another ledger as being of this site. Call it within a transaction that writes, or on its
/// own.
pub(in crate::ledger) fn note(
    db: &Connection,
    ids: &BTreeSet<i64>,
    how: SameSiteReason,
    now: Stamp,
) -> Result<(), Error> {
    let own = meta(db, "ledger_id")?;
    for &id in ids.iter().filter(|&&id| id != own) {
        table::change(db, "same_site", "ledger_id = ?", [id], |db| {
            db.prepare_cached("INSERT INTO same_site VALUES (?, ?, ?) ON CONFLICT DO NOTHING")?
                .execute(params![id, now.unix_s, how.name()])?;
            Ok(())
        })?;
    }
    Ok(())
}

impl Ledger {
    /// Records numbers of another ledger as being of this site, in one transaction.
    pub(in crate::ledger) fn note_same_site(
        &mut self,
        ids: &BTreeSet<i64>,
        how: SameSiteReason,
        now: Stamp,
    ) -> Result<(), Error> {
        let db = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        note(&db, ids, how, now)?;
        Ok(db.commit()?)
    }
}
