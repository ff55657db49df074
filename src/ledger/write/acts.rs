//! Acts of people and of the program, as the logbook keeps them: who was logged in, on which computer, and
//! details that have no table of their own. Rows of `act` are only ever added.
//!
//! Input: what was done, within the transaction that does it. Output: a row of `act`. `read::logbook` reads
//! them, together with the tables that hold the rest.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::digest::table;
use crate::record::acts::{ActKind, Actor};
use crate::time::Stamp;
use rusqlite::{Connection, params};
use std::collections::{BTreeMap, BTreeSet};

/// The stored fields of an act.
#[derive(Clone, Copy, Debug, Default)]
pub(in crate::ledger) struct NewAct<'a> {
    /// Its number in the table of its kind; `None` if it has none.
    pub number: Option<i64>,
    /// The name that a person gave.
    pub by: Option<&'a str>,
    pub file: Option<&'a str>,
    pub text: Option<&'a str>,
    /// Details for the program, in a machine-readable form.
    pub details: Option<&'a str>,
}

/// Records an act. An act that has a row in a table of its own is recorded only if it is known who was logged
/// in. Call it within a transaction that writes.
pub(in crate::ledger) fn note(
    db: &Connection,
    kind: ActKind,
    act: NewAct<'_>,
    actor: Option<&Actor>,
    now: Stamp,
) -> Result<(), Error> {
    if act.number.is_some() && actor.is_none() {
        return Ok(());
    }
    let id: i64 = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM act", [])?;
    let actor = actor.cloned().unwrap_or_default();
    table::change(db, "act", "id = ?", [id], |db| {
        db.prepare_cached(
            "INSERT INTO act (id, at, kind, number, by_whom, login, uid, ran_as, host, file, text, details)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            id,
            now.unix_s,
            kind.name(),
            act.number,
            act.by,
            actor.login,
            actor.uid,
            actor.ran_as,
            actor.host,
            act.file,
            act.text,
            act.details
        ])?;
        Ok(())
    })
}

/// Adds the acts of another ledger that have no row in a table of their own and are not here yet. Other acts
/// are left out, because the same number can mean different things in two ledgers. Returns how many were added.
pub(in crate::ledger) fn take_over(db: &Connection, old: &Connection) -> Result<u64, Error> {
    const COLUMNS: &str = "at, kind, by_whom, login, uid, ran_as, host, file, text, details";
    let sql = format!("SELECT {COLUMNS} FROM act WHERE number IS NULL ORDER BY id");
    let read = |db: &Connection| -> Result<Vec<Vec<rusqlite::types::Value>>, Error> {
        let mut statement = db.prepare(&sql)?;
        let count = statement.column_count();
        let rows = statement.query_map([], |row| (0..count).map(|at| row.get(at)).collect())?;
        Ok(rows.collect::<Result<_, _>>()?)
    };
    let mut here: BTreeSet<String> = read(db)?.iter().map(|values| format!("{values:?}")).collect();
    let mut taken = 0;
    for values in read(old)? {
        if !here.insert(format!("{values:?}")) {
            continue;
        }
        let id: i64 = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM act", [])?;
        table::change(db, "act", "id = ?", [id], |db| {
            let all = std::iter::once(id.into()).chain(values.iter().cloned());
            let sql = format!("INSERT INTO act (id, {COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
            Ok(db.prepare_cached(&sql)?.execute(rusqlite::params_from_iter(all))?)
        })?;
        taken += 1;
    }
    Ok(taken)
}

/// The most slots that the text about a change of keys names.
const SLOTS_NAMED: usize = 12;

/// A key of a slot, as an act stores it: logger, slot, check value.
pub(in crate::ledger) type Noted = (u16, u8, String);

/// The differences between two states of a keyring, in words.
pub(in crate::ledger) fn changed(
    before: &BTreeMap<(u16, u8), String>,
    now: &BTreeMap<(u16, u8), String>,
) -> String {
    let of = |what: &str, slots: Vec<&(u16, u8)>| {
        let named: Vec<String> = slots
            .iter()
            .take(SLOTS_NAMED)
            .map(|(logger, slot)| format!("logger {logger} slot {slot}"))
            .collect();
        let more = slots.len().saturating_sub(SLOTS_NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        (!slots.is_empty()).then(|| format!("{what} {}{more}", named.join(", ")))
    };
    let others = now.iter().filter(|(slot, check)| before.get(slot).is_some_and(|was| was != *check));
    let all = [
        of("another key for", others.map(|(slot, _)| slot).collect()),
        of("new:", now.keys().filter(|slot| !before.contains_key(slot)).collect()),
        of("gone:", before.keys().filter(|slot| !now.contains_key(slot)).collect()),
    ];
    all.into_iter().flatten().collect::<Vec<_>>().join("; ")
}
