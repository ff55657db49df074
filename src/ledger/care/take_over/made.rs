//! The new ledger that takes over: filled with what is known about the damaged one.

use super::carried::carry_over;
use super::outcome::TakenOver;
use crate::files;
use crate::ledger::care::sidecar::{self, Sidecar};
use crate::ledger::care::site;
use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare;
use crate::ledger::db::row::SETTLED;
use crate::ledger::digest::block::Blocks;
use crate::ledger::digest::table;
use crate::ledger::read::elsewhere::elsewhere;
use crate::ledger::read::receptions::receptions;
use crate::ledger::write::once_held::keep_once_held;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::{retire, settle};
use crate::record::coverage::{Basis, Coverage};
use crate::time::Stamp;
use crate::wire::seq::Identity;
use rusqlite::types::Value as Sql;
use rusqlite::{Connection, Transaction, TransactionBehavior, params, params_from_iter};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;

/// Which part of the record is still in the file of a ledger that was set aside.
pub(super) enum InFile {
    /// The file is gone, or cannot be opened at all.
    Nothing,
    /// Exactly this: its own coverage fits its digests.
    Proven(Coverage),
    /// Not known until it is salvaged. Until then, everything that was known to be held counts as held there.
    Perhaps,
}

/// The ledger that a new one takes over from.
pub(super) struct Lost<'a> {
    pub file: Option<&'a Connection>,
    /// Its number and the numbers that it knew, if they can be read.
    pub ids: BTreeSet<i64>,
    pub in_file: InFile,
    pub known: Option<&'a Sidecar>,
    /// What the daemon knows to be committed.
    pub memory: &'a Coverage,
}

/// The new ledger, complete, in one file.
pub(super) fn make(
    part: &Path,
    lost: &Lost<'_>,
    radios: &[(u8, String)],
    now: Stamp,
    taken: &mut TakenOver,
) -> Result<(), Error> {
    let mut ledger = Ledger::open(part)?;
    {
        let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate)?;
        // Records that the new ledger contains itself.
        let mut here = Coverage::default();
        if let Some(known) = lost.known {
            fill(&db, known, &mut here)?;
        }
        for (id, name) in radios {
            table::change(&db, "radio", "id = ?1 OR name = ?2", (id, name), |db| {
                Ok(db.execute("INSERT OR IGNORE INTO radio VALUES (?, ?)", params![id, name])?)
            })?;
        }
        let mut covered = lost.known.map(Sidecar::coverage).unwrap_or_default();
        if lost.memory.epochs().next().is_some() {
            taken.known_as_of = Some(now.time());
            covered.take_in(lost.memory);
        }
        if let (Some(old), Some(known)) = (lost.file, lost.known) {
            taken.carried = carry_over(&db, old, known, &mut covered, &mut here)?;
            if matches!(lost.in_file, InFile::Proven(_)) {
                retire::carry_over(&db, old, known.seen_row, &mut here)?;
            }
        }
        let nothing = Coverage::default();
        let there = match &lost.in_file {
            InFile::Nothing => &nothing,
            InFile::Proven(proven) => proven,
            InFile::Perhaps => &covered,
        };
        count_receptions(&db)?;
        note(&db, taken, there, now)?;
        site::note(&db, &lost.ids, site::SameSiteReason::SetAside, now)?;
        // An earlier ledger may also be set aside and still exist: `fill` has what it holds.
        let mut held = here;
        held.take_in(there);
        held.take_in(&elsewhere(&db)?);
        for (address, epoch, held) in held.epochs() {
            for (basis, set) in [(Basis::Authentic, &held.authentic), (Basis::Csv, &held.csv)] {
                settle::write_ranges(&db, address.number(), epoch.number(), basis as i64, set)?;
            }
        }
        for (address, epoch, was) in covered.epochs() {
            let is = held.epoch(address, epoch).map(|is| is.authentic.clone()).unwrap_or_default();
            let missing = was.authentic.without(&is);
            taken.missing += missing.count();
            keep_once_held(&db, address, epoch, &missing)?;
        }
        taken.records = there.epochs().map(|(_, _, held)| held.authentic.count()).sum();
        db.commit()?;
    }
    if !ledger.truncate_wal()? {
        return Err(Error::Unexpected(format!("{}: another process has it open", part.display())));
    }
    Ok(())
}

fn sql(value: &Value) -> Sql {
    match value {
        Value::Number(number) => number.as_i64().map_or(Sql::Null, Sql::Integer),
        Value::String(text) => Sql::Text(text.clone()),
        _ => Sql::Null,
    }
}

/// Writes what is known into a new ledger. Adds to `here` the records that the new ledger then contains itself.
fn fill(db: &Connection, known: &Sidecar, here: &mut Coverage) -> Result<(), Error> {
    let (mut blocks, mut records) = (Blocks::default(), Vec::new());
    for (table, rows) in &known.rows {
        let is_settled = table == "settled";
        let is_rare = rare::read().any(|rare| rare.name == table);
        if !(is_settled || is_rare || table == "listening" || sidecar::WHOLE.contains(&table.as_str())) {
            return Err(Error::Corrupt(format!("what is known names a table {table:?}")));
        }
        let columns = if is_settled {
            SETTLED.list().to_owned()
        } else {
            let statement = db.prepare(&format!("SELECT * FROM {table}"))?;
            statement.column_names().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
        };
        let count = columns.split(',').count();
        let marks = vec!["?"; count].join(", ");
        let insert = format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})");
        let before = table::table_sum(db, table, "true", ())?;
        for row in rows {
            let values = row.iter().map(sql).chain(std::iter::repeat(Sql::Null)).take(count);
            db.prepare_cached(&insert)?.execute(params_from_iter(values))?;
            let number = |at: usize| row.get(at).and_then(Value::as_u64);
            if let (true, Some(logger), Some(epoch), Some(sequence)) =
                (is_settled || is_rare, number(0), number(1), number(2))
                && let (Ok(logger), Ok(epoch), Ok(sequence)) =
                    (u16::try_from(logger), u32::try_from(epoch), u32::try_from(sequence))
                && let Some(id) = Identity::new(logger, epoch, sequence)
            {
                records.push(id);
            }
        }
        if !is_settled {
            let mut sum = table::kept(db, table)?.unwrap_or_default();
            sum.take(before);
            sum.add(table::table_sum(db, table, "true", ())?);
            table::keep(db, table, sum)?;
        }
    }
    records.sort_unstable();
    records.dedup();
    for id in records {
        blocks.settled_record(db, id)?;
        here.insert(id, Basis::Authentic);
    }
    blocks.store(db, known.seen_row, known.settled_day)?;
    // It continues the numbers of the journal, and keeps the number of the ledger.
    table::set_meta(db, "ledger_id", known.ledger_id)?;
    table::set_meta(db, "settled_through", known.seen_row)?;
    table::set_meta(db, "settled_day", known.settled_day)?;
    Ok(())
}

/// Counts the settled records of a new ledger by day.
fn count_receptions(db: &Connection) -> Result<(), Error> {
    let mut loggers = BTreeSet::<u16>::new();
    for table in rare::ALL.iter().map(|table| table.name).chain(["settled", "retired_row"]) {
        loggers.extend(query::values::<u16>(db, &format!("SELECT DISTINCT logger FROM {table}"), [])?);
    }
    for logger in loggers {
        for (day, quarters) in receptions(db, logger)? {
            let records = i64::try_from(quarters.sum()).unwrap_or(i64::MAX);
            table::change(db, "logger_day", "logger = ? AND day = ?", (logger, day), |db| {
                let mut insert = db.prepare_cached(
                    "INSERT INTO logger_day (logger, day, unopened, duplicate, conflict, opaque, stored, quarters)
                     VALUES (?, ?, 0, 0, 0, 0, ?, ?)",
                )?;
                Ok(insert.execute(params![logger, day, records, quarters])?)
            })?;
        }
    }
    Ok(())
}

/// Records the ledger that was set aside, and what counts as held in it. If nothing does, there is nothing to
/// salvage.
fn note(db: &Connection, taken: &TakenOver, there: &Coverage, now: Stamp) -> Result<(), Error> {
    let id: i64 = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM aside_ledger", [])?;
    let name = files::name_of(&taken.aside);
    let done = (!taken.is_there).then_some(now.unix_s);
    table::change(db, "aside_ledger", "id = ?", [id], |db| {
        let row = params![id, name, now.unix_s, taken.reason, taken.known_as_of, done];
        Ok(db.execute("INSERT INTO aside_ledger VALUES (?, ?, ?, ?, ?, ?)", row)?)
    })?;
    for (logger, epoch, basis, first, last) in sidecar::ranges(there) {
        let key = (id, logger, epoch, basis, first);
        let condition = "ledger = ? AND logger = ? AND epoch = ? AND basis = ? AND first = ?";
        table::change(db, "elsewhere", condition, key, |db| {
            let mut insert = db.prepare_cached("INSERT INTO elsewhere VALUES (?, ?, ?, ?, ?, ?)")?;
            Ok(insert.execute(params![id, logger, epoch, basis, first, last])?)
        })?;
    }
    Ok(())
}
