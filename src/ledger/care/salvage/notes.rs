//! Brings over what people wrote down in a damaged ledger, if its table fits its digest: remarks, readings by
//! hand and write-offs, with who was logged in.
//!
//! Input: the damaged ledger. Output: notes in the present one under free numbers; and how many were left
//! behind.

use super::outcome::Salvaged;
use super::proof;
use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, Cells};
use crate::ledger::digest::table;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::open::Ledger;
use crate::ledger::write::proven;
use crate::record::acts::{ActKind, Actor};
use crate::time::Stamp;
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, HashMap};

/// A kind of notes.
struct Kind {
    table: &'static str,
    /// The act of writing one.
    act: ActKind,
    /// The name of one in messages.
    called: &'static str,
    /// The columns with the content.
    columns: &'static str,
}

const KINDS: [Kind; 3] = [
    Kind {
        table: "remark_row",
        act: ActKind::Remark,
        called: "remark",
        columns: "logger, channel, from_at, to_at, kind, text, by_whom, written_at",
    },
    Kind {
        table: "manual_row",
        act: ActKind::ManualReading,
        called: "reading by hand",
        columns: "logger, channel, at, value, unit, instrument, by_whom, written_at, file, line",
    },
    Kind {
        table: WRITE_OFF,
        act: ActKind::WriteOff,
        called: "write-off",
        columns: "logger, epoch, first, last, by_whom, reason, written_at",
    },
];

/// The only kind whose notes have parts and do not correct others.
const WRITE_OFF: &str = "write_off";

type Values = Vec<rusqlite::types::Value>;

/// A note in a ledger.
struct Note {
    number: i64,
    /// The number of the note that it corrects.
    corrects: Option<i64>,
    says: Values,
}

/// Brings over the notes that the present ledger does not have, under numbers that are free here; and the keys
/// that have opened frames.
pub(super) fn bring(old: &Connection, ledger: &mut Ledger, salvaged: &mut Salvaged) -> Result<(), Error> {
    let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate)?;
    let acts_fit = proof::fits(old, "act");
    for kind in &KINDS {
        bring_kind(kind, old, &db, acts_fit, salvaged)?;
    }
    if proof::fits(old, "proven_key") {
        for key in proven::proven_keys(old)? {
            proven::note(&db, &key)?;
        }
    }
    Ok(db.commit()?)
}

fn bring_kind(
    kind: &Kind,
    old: &Connection,
    db: &Connection,
    acts_fit: bool,
    salvaged: &mut Salvaged,
) -> Result<(), Error> {
    let is_write_off = kind.table == WRITE_OFF;
    let is_proven = proof::fits(old, kind.table) && (!is_write_off || proof::fits(old, "write_off_part"));
    let (here, _) = all_of(kind, db);
    let held: HashMap<String, i64> =
        here.into_iter().map(|note| (format!("{:?}", note.says), note.number)).collect();
    let (there, is_whole) = all_of(kind, old);
    // By the numbers in the damaged ledger.
    let mut numbers = BTreeMap::new();
    let mut left = 0;
    for note in there {
        if let Some(number) = held.get(&format!("{:?}", note.says)) {
            numbers.insert(note.number, *number);
            continue;
        }
        if !is_proven {
            left += 1;
            continue;
        }
        let sql = format!("SELECT coalesce(max(id), 0) + 1 FROM {}", kind.table);
        let number: i64 = query::value(db, &sql, [])?;
        if acts_fit {
            bring_act(old, db, kind.act, (note.number, number))?;
        }
        let corrects = note.corrects.and_then(|there| numbers.get(&there).copied());
        insert(kind, db, number, note.says, corrects)?;
        if is_write_off {
            bring_parts(old, db, note.number, number)?;
        }
        numbers.insert(note.number, number);
        salvaged.notes += 1;
    }
    if left > 0 || !is_whole {
        salvaged.notes_left.insert(kind.called, left);
    }
    Ok(())
}

/// All notes of a kind that can be read, and whether the table could be read to the end.
fn all_of(kind: &Kind, db: &Connection) -> (Vec<Note>, bool) {
    let corrects = if kind.table == WRITE_OFF { "NULL" } else { "corrects" };
    let sql = format!("SELECT id, {corrects}, {} FROM {} ORDER BY id", kind.columns, kind.table);
    let mut all = Vec::new();
    let mut read = || -> rusqlite::Result<()> {
        let mut statement = db.prepare(&sql)?;
        let count = statement.column_count();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let (number, corrects) = (cells.take()?, cells.take()?);
            let says = (2..count).map(|_| cells.take()).collect::<Result<Values, _>>()?;
            all.push(Note { number, corrects, says });
        }
        Ok(())
    };
    let is_whole = read().is_ok();
    (all, is_whole)
}

fn insert(
    kind: &Kind,
    db: &Connection,
    number: i64,
    says: Values,
    corrects: Option<i64>,
) -> Result<(), Error> {
    let mut names = format!("id, {}", kind.columns);
    let mut all: Values = vec![number.into()];
    all.extend(says);
    if kind.table != WRITE_OFF {
        names += ", corrects";
        all.push(corrects.into());
    }
    let marks = vec!["?"; all.len()].join(", ");
    table::change(db, kind.table, "id = ?", [number], |db| {
        let sql = format!("INSERT INTO {} ({names}) VALUES ({marks})", kind.table);
        db.prepare_cached(&sql)?.execute(rusqlite::params_from_iter(all))?;
        Ok(())
    })
}

/// Who was logged in when a note was written, if that is known there.
fn bring_act(
    old: &Connection,
    db: &Connection,
    kind: ActKind,
    (there, here): (i64, i64),
) -> Result<(), Error> {
    type FoundAct = (i64, Option<String>, Option<String>, Option<u32>, Option<String>, Option<String>);
    let sql = "SELECT at, by_whom, login, uid, ran_as, host FROM act WHERE kind = ? AND number = ? ORDER BY id LIMIT 1";
    let found: Vec<FoundAct> = query::all(old, sql, params![kind.name(), there])?;
    let Some((at, by, login, uid, ran_as, host)) = found.into_iter().next() else { return Ok(()) };
    let actor = Actor { login, uid, ran_as, host };
    let act = NewAct { number: Some(here), by: by.as_deref(), ..NewAct::default() };
    acts::note(db, kind, act, Some(&actor), Stamp { unix_s: at, synchronised: true })
}

/// Which sequences were missing within a write-off.
fn bring_parts(old: &Connection, db: &Connection, there: i64, here: i64) -> Result<(), Error> {
    let sql = "SELECT first, last FROM write_off_part WHERE write_off = ?";
    let parts: Vec<(i64, i64)> = query::all(old, sql, [there])?;
    table::change(db, "write_off_part", "write_off = ?", [here], |db| {
        for (first, last) in parts {
            db.prepare_cached("INSERT INTO write_off_part VALUES (?, ?, ?)")?
                .execute(params![here, first, last])?;
        }
        Ok(())
    })
}
