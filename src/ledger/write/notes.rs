//! Write-offs, remarks and manual readings: what people declare and write down, kept separately from the
//! records.
//!
//! Input: checked values (`crate::record::notes`), the roster, the time. Output: numbers of what was written,
//! or a refusal in words; and, for reports, all notes as one consistent state has them. Rows are only ever
//! added.
//!
//! A write-off states that some sequences are no longer expected. Coverage alone decides what is covered: a
//! record that is found later counts as held, and its part of the write-off has no effect from then on.
//! `write_off_part` keeps which sequences were missing when the write-off was written, so reports can show what
//! has been found since.
//!
//! An open-ended write-off of an epoch ends where the logger is heard again. A record of the epoch that comes
//! by radio after the write-off shows that the logger was not lost, and sequences that go missing from then on
//! are a gap like any other.
//!
//! Everything here is judged under the write lock, from the same state that is written to. A commit of this
//! process changes neither coverage nor journal, so the state in [`Ledger`] stays correct.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::open::Ledger;
use crate::record::acts::ActKind;
use crate::record::notes::{NewManual, NewRemark};
use crate::record::roster::Roster;
use crate::record::write_off::{WriteOffAsked, WriteOffError, WriteOffPlan};
use crate::record::written::ManualOutcome;
use crate::time::{GatewayTime, Stamp};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};

impl Ledger {
    /// Writes off, in one step, either everything that was requested or nothing. `Ok(Err)`: a part of it cannot
    /// be written off.
    pub fn write_off(
        &mut self,
        roster: &Roster,
        all: &[WriteOffAsked],
        by: &str,
        reason: &str,
        now: Stamp,
    ) -> Result<Result<Vec<(i64, WriteOffPlan)>, WriteOffError>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let mut written = Vec::new();
        for asked in all {
            let plan = match Snapshot::take(&transaction)?.plan_write_off(roster, asked)? {
                Ok(plan) => plan,
                Err(refused) => return Ok(Err(refused)),
            };
            let id = next_id(&transaction, "write_off")?;
            table::change(&transaction, "write_off", "id = ?", [id], |db| {
                Ok(db.execute(
                    "INSERT INTO write_off (id, logger, epoch, first, last, by_whom, reason, written_at)
                     VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    params![
                        id,
                        plan.logger.number(),
                        plan.epoch.number(),
                        plan.first,
                        plan.last,
                        by,
                        reason,
                        now.unix_s
                    ],
                )?)
            })?;
            table::change(&transaction, "write_off_part", "write_off = ?", [id], |db| {
                let mut insert = db.prepare_cached("INSERT INTO write_off_part VALUES (?, ?, ?)")?;
                for &(first, last) in plan.missing.union(&plan.before).ranges() {
                    insert.execute(params![id, first, last])?;
                }
                Ok(())
            })?;
            let act = NewAct { number: Some(id), by: Some(by), ..NewAct::default() };
            acts::note(&transaction, ActKind::WriteOff, act, self.actor.as_ref(), now)?;
            written.push((id, plan));
        }
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Ok(written))
    }

    /// Writes a remark. `Ok(Err)`: the remark that it corrects cannot be corrected; nothing is written.
    pub fn add_remark(&mut self, remark: &NewRemark, now: Stamp) -> Result<Result<i64, String>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        if let Some(corrected) = remark.corrects
            && let Err(why) = can_be_corrected(&transaction, "remark", corrected)?
        {
            return Ok(Err(why));
        }
        let id = insert_remark(&transaction, remark, now.time())?;
        let act = NewAct { number: Some(id), by: Some(&remark.by), ..NewAct::default() };
        acts::note(&transaction, ActKind::Remark, act, self.actor.as_ref(), now)?;
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Ok(id))
    }

    /// Writes manual readings, all of them or none; a reading that is stored already is not written again.
    /// `file`: the name of the file that they are from. `Ok(Err)`: a reading that one of them corrects cannot
    /// be corrected; nothing is written.
    pub fn add_manual(
        &mut self,
        rows: &[NewManual],
        by: &str,
        file: Option<&str>,
        now: Stamp,
    ) -> Result<Result<Vec<ManualOutcome>, String>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        for corrected in rows.iter().filter_map(|row| row.corrects) {
            if let Err(why) = can_be_corrected(&transaction, "manual_reading", corrected)? {
                return Ok(Err(why));
            }
        }
        let first_new = next_id(&transaction, "manual_row")?;
        let outcomes = table::change(&transaction, "manual_row", "id >= ?", [first_new], |db| {
            let mut next = first_new;
            let mut outcomes = Vec::with_capacity(rows.len());
            for row in rows {
                // A correction is always new, even if it returns to an earlier value.
                let held = if row.corrects.is_none() { held_manual(db, row)? } else { None };
                if let Some(held) = held {
                    outcomes.push(ManualOutcome::Held(held));
                    continue;
                }
                let mut insert = db.prepare_cached(
                    "INSERT INTO manual_row (id, logger, channel, at, value, unit, instrument, by_whom, written_at,
                         file, line, corrects) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                )?;
                insert.execute(params![
                    next,
                    row.logger.number(),
                    row.channel,
                    row.at,
                    row.value,
                    row.unit,
                    row.instrument,
                    by,
                    now.unix_s,
                    file,
                    row.line.and_then(|line| i64::try_from(line).ok()),
                    row.corrects
                ])?;
                outcomes.push(ManualOutcome::Added(next));
                next += 1;
            }
            Ok(outcomes)
        })?;
        // One act, with the number of its first reading.
        if outcomes.iter().any(|outcome| matches!(outcome, ManualOutcome::Added(_))) {
            let act = NewAct { number: Some(first_new), by: Some(by), ..NewAct::default() };
            acts::note(&transaction, ActKind::ManualReading, act, self.actor.as_ref(), now)?;
        }
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Ok(outcomes))
    }
}

/// Adds a remark, within a transaction that writes, and returns its number.
pub(in crate::ledger) fn insert_remark(
    db: &Connection,
    remark: &NewRemark,
    now: GatewayTime,
) -> Result<i64, Error> {
    let id = next_id(db, "remark_row")?;
    table::change(db, "remark_row", "id = ?", [id], |db| {
        Ok(db.execute(
            "INSERT INTO remark_row (id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                id,
                remark.logger.number(),
                remark.channel,
                remark.from,
                remark.to,
                remark.kind.name(),
                remark.text,
                remark.by,
                now,
                remark.corrects
            ],
        )?)
    })?;
    Ok(id)
}

fn next_id(db: &Connection, table: &str) -> Result<i64, Error> {
    let sql = format!("SELECT coalesce(max(id), 0) + 1 FROM {table}");
    query::value(db, &sql, [])
}

/// The manual reading that is the same in all its fields. One that was corrected since counts too: importing
/// its file again must not restore it.
fn held_manual(db: &Connection, row: &NewManual) -> Result<Option<i64>, Error> {
    query::first_value(
        db,
        "SELECT id FROM manual_row WHERE logger = ? AND channel = ? AND at = ? AND value = ? AND unit = ?
             AND instrument = ? ORDER BY id LIMIT 1",
        params![row.logger.number(), row.channel, row.at, row.value, row.unit, row.instrument],
    )
}

/// Whether an entry of a view exists and has not been corrected yet.
fn can_be_corrected(db: &Connection, view: &str, id: i64) -> Result<Result<(), String>, Error> {
    let (what, list) = match view {
        "remark" => ("remark", "`stonechat remark list`"),
        _ => ("manual reading", "`stonechat manual-reading list`"),
    };
    let sql = format!("SELECT corrected_by FROM {view} WHERE id = ?");
    let found: Option<Option<i64>> = query::first_value(db, &sql, [id])?;
    Ok(match found {
        None => Err(format!("there is no {what} {id} to correct; {list} shows their numbers")),
        Some(Some(by)) => {
            Err(format!("{what} {id} has been corrected by {what} {by} already; correct that one"))
        }
        Some(None) => Ok(()),
    })
}
