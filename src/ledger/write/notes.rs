//! Write-offs, remarks and manual readings: what people declare and write down, beside the record.
//!
//! Input: checked values (`crate::record::notes`), the roster, the time. Output: numbers of what was written, or a refusal in
//! words; and, for reports, all of it as one consistent state has it. Rows are only ever added.
//!
//! A write-off says that nobody looks for some sequences any more. What covers is decided by coverage alone: a record
//! that turns up all the same counts as held, and its part of the write-off has no effect from then on. Which sequences
//! were missing when it was written stays in `write_off_part`, so it can be told what has turned up since.
//!
//! The rest of an epoch ends where the logger is heard again: a record of it that comes by radio after the write-off
//! shows that it was not lost, and what goes missing from then on is a gap as any other.
//!
//! What is judged here is judged under the write lock, from the same state that is written to; an own commit changes
//! neither coverage nor journal, so what [`Ledger`] knows of them stays right.

use crate::ledger::db::error::Error;
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::open::Ledger;
use crate::record::acts::ActKind;
use crate::record::coverage::RangeSet;
use crate::record::notes::{Kind, NewManual, NewRemark};
use crate::record::roster::Roster;
pub use crate::record::written::{Manual, Remark, WrittenOff};
use crate::report::gaps::{self, EpochMissing};
use crate::text::rfc3339;
use crate::time::Stamp;
use crate::wire::seq::{Address, Epoch};
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use std::fmt;

/// What somebody wants to write off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffAsked {
    /// Of which logger; it may be on the roster or not.
    pub logger: u16,
    /// Of which epoch.
    pub epoch: u32,
    /// From which sequence to which; `None`: the rest of the epoch, after its largest held record.
    pub range: Option<(u32, u32)>,
}

/// What a write-off covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffPlan {
    /// The logger.
    pub logger: Address,
    /// The epoch.
    pub epoch: Epoch,
    /// The first sequence.
    pub first: u32,
    /// The last; `None`: the rest of the epoch.
    pub last: Option<u32>,
    /// What is missing in it now, and not written off yet. Of a rest: nothing that is known.
    pub missing: RangeSet,
    /// What is missing in it and was written off before.
    pub before: RangeSet,
}

/// Why something cannot be written off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WriteOffRefused {
    /// No such logger.
    NotOnRoster(u16),
    /// Nothing is known of this epoch.
    EpochUnknown {
        /// What was asked.
        logger: Address,
        /// The epoch.
        epoch: u32,
        /// Those that are known.
        known: Vec<Epoch>,
    },
    /// By the roster's dates of service, none of this epoch must exist.
    NotExpected {
        /// What was asked.
        logger: Address,
        /// The epoch.
        epoch: Epoch,
    },
    /// No range: it begins with 0, or ends before it begins.
    NoRange(u32, u32),
    /// It goes beyond what must exist.
    Beyond {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
        /// The last that was asked.
        last: u32,
    },
    /// Nothing is missing in the range.
    NoGap {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
        /// The first and the last.
        range: (u32, u32),
    },
    /// All that is missing in it is written off.
    Already {
        /// By which.
        by: WrittenOff,
    },
    /// The epoch's end is told: it has no rest that nobody knows.
    EndTold {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
    },
}

/// How many ranges a message names.
const RANGES_TOLD: usize = 6;

/// Ranges in words: `5, 7 to 9 and 2 more`.
pub fn ranges(set: &RangeSet) -> String {
    let all = set.ranges();
    let mut told: Vec<String> = all
        .iter()
        .take(RANGES_TOLD)
        .map(|&(first, last)| if first == last { first.to_string() } else { format!("{first} to {last}") })
        .collect();
    if all.len() > RANGES_TOLD {
        let more = format!("{} more", all.len() - RANGES_TOLD);
        return format!("{} and {more}", told.join(", "));
    }
    let last = told.pop().unwrap_or_default();
    if told.is_empty() { last } else { format!("{} and {last}", told.join(", ")) }
}

impl fmt::Display for WriteOffRefused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOnRoster(logger) => {
                write!(f, "logger {logger} is not on the roster; `stonechat status` lists the loggers")
            }
            Self::EpochUnknown { logger, epoch, known } if known.is_empty() => {
                write!(
                    f,
                    "logger {logger} was never heard, so nothing of its epoch {epoch} is known to exist; "
                )?;
                f.write_str("there is nothing to write off")
            }
            Self::EpochUnknown { logger, epoch, known } => {
                let known: Vec<String> = known.iter().map(Epoch::to_string).collect();
                write!(
                    f,
                    "logger {logger} has no epoch {epoch} that is known; its epochs are {}",
                    known.join(", ")
                )
            }
            Self::NotExpected { logger, epoch } => write!(
                f,
                "nothing of epoch {epoch} of logger {logger} must exist: its dates of service in the roster leave it \
                 out, so there is nothing to write off"
            ),
            Self::NoRange(first, last) => {
                write!(
                    f,
                    "{first} to {last} is no range of sequences; the first is 1 or more and not above the last"
                )
            }
            Self::Beyond { logger, of, last } => {
                write!(
                    f,
                    "of epoch {} of logger {logger} sequences up to {} must exist, and {last} is beyond; ",
                    of.epoch, of.must
                )?;
                match (of.is_end_told(), of.missing.is_empty()) {
                    (true, true) => f.write_str("nothing of it is missing"),
                    (true, false) => write!(f, "missing are {}", ranges(&of.missing)),
                    (false, _) => f.write_str(
                        "write off what is missing up to there, and what may come after it with --rest-of-epoch",
                    ),
                }
            }
            Self::NoGap { logger, of, range: (first, last) } => {
                write!(
                    f,
                    "nothing is missing from {first} to {last} of epoch {} of logger {logger}",
                    of.epoch
                )?;
                match of.first {
                    Some(expected) if expected > *first => {
                        write!(f, " (its records are expected from {expected} on)")?;
                    }
                    _ => f.write_str(": every record is held")?,
                }
                match of.missing.is_empty() {
                    true => f.write_str("; no gap is in that epoch"),
                    false => write!(f, "; missing in that epoch are {}", ranges(&of.missing)),
                }
            }
            Self::Already { by } => write!(
                f,
                "written off already, as number {} by {} at {}: {}; `stonechat write-off --list` shows it",
                by.id,
                by.by,
                rfc3339(by.written_at),
                by.reason
            ),
            Self::EndTold { logger, of } => {
                write!(f, "epoch {} of logger {logger} is known to have ended with {}; ", of.epoch, of.must)?;
                match of.missing.is_empty() {
                    true => f.write_str("nothing of it is missing"),
                    false => write!(
                        f,
                        "missing are {}: write those off with --first and --last",
                        ranges(&of.missing)
                    ),
                }
            }
        }
    }
}

/// What was missing in a write-off and is held now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TurnedUp {
    /// The first sequence.
    pub first: u32,
    /// The last.
    pub last: u32,
    /// When the first of them came into the ledger, where that is told.
    pub stored_from: Option<i64>,
    /// When the last did.
    pub stored_to: Option<i64>,
}

/// A write-off with its history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffHistory {
    /// As it was written.
    pub off: WrittenOff,
    /// What was missing in it then.
    pub missing_then: RangeSet,
    /// What of that still is.
    pub missing_now: RangeSet,
    /// What has turned up since.
    pub turned_up: Vec<TurnedUp>,
}

/// What became of a manual reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ManualOutcome {
    /// It is in, with this number.
    Added(i64),
    /// One that is the same in all its fields was there.
    Held(i64),
}

impl Ledger {
    /// Writes off, in one step, all that is asked for or nothing. `Ok(Err)`: one of it cannot be written off.
    pub fn write_off(
        &mut self,
        roster: &Roster,
        all: &[WriteOffAsked],
        by: &str,
        reason: &str,
        now: Stamp,
    ) -> Result<Result<Vec<(i64, WriteOffPlan)>, WriteOffRefused>, Error> {
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

    /// Writes a remark. `Ok(Err)`: what it corrects cannot be corrected; nothing is written.
    pub fn add_remark(&mut self, remark: &NewRemark, now: Stamp) -> Result<Result<i64, String>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        if let Some(corrected) = remark.corrects
            && let Err(why) = can_be_corrected(&transaction, "remark", corrected)?
        {
            return Ok(Err(why));
        }
        let id = next_id(&transaction, "remark_row")?;
        table::change(&transaction, "remark_row", "id = ?", [id], |db| {
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
                    now.unix_s,
                    remark.corrects
                ],
            )?)
        })?;
        let act = NewAct { number: Some(id), by: Some(&remark.by), ..NewAct::default() };
        acts::note(&transaction, ActKind::Remark, act, self.actor.as_ref(), now)?;
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Ok(id))
    }

    /// Writes manual readings down, all of them or none; one that is there already is not written again. `file`: the
    /// name of the file they are from. `Ok(Err)`: what one corrects cannot be corrected; nothing is written.
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
                // A correction is news, even where it goes back to what stood there before.
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
        // One act, under the number of its first reading.
        if outcomes.iter().any(|outcome| matches!(outcome, ManualOutcome::Added(_))) {
            let act = NewAct { number: Some(first_new), by: Some(by), ..NewAct::default() };
            acts::note(&transaction, ActKind::ManualReading, act, self.actor.as_ref(), now)?;
        }
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Ok(outcomes))
    }
}

fn next_id(db: &Connection, table: &str) -> Result<i64, Error> {
    let sql = format!("SELECT coalesce(max(id), 0) + 1 FROM {table}");
    Ok(db.query_row(&sql, [], |row| row.get(0))?)
}

/// The manual reading that is the same in all its fields. One that was corrected since counts too: the file that it
/// came from must not bring it back.
fn held_manual(db: &Connection, row: &NewManual) -> Result<Option<i64>, Error> {
    let found = db
        .prepare_cached(
            "SELECT id FROM manual_row WHERE logger = ? AND channel = ? AND at = ? AND value = ? AND unit = ?
                 AND instrument = ? ORDER BY id LIMIT 1",
        )?
        .query_row(
            params![row.logger.number(), row.channel, row.at, row.value, row.unit, row.instrument],
            |row| row.get(0),
        )
        .optional()?;
    Ok(found)
}

/// Whether something of a view is there and is not corrected yet.
fn can_be_corrected(db: &Connection, view: &str, id: i64) -> Result<Result<(), String>, Error> {
    let (what, list) = match view {
        "remark" => ("remark", "`stonechat remark list`"),
        _ => ("manual reading", "`stonechat manual list`"),
    };
    let found: Option<Option<i64>> = db
        .query_row(&format!("SELECT corrected_by FROM {view} WHERE id = ?"), [id], |row| row.get(0))
        .optional()?;
    Ok(match found {
        None => Err(format!("there is no {what} {id} to correct; {list} shows their numbers")),
        Some(Some(by)) => {
            Err(format!("{what} {id} has been corrected by {what} {by} already; correct that one"))
        }
        Some(None) => Ok(()),
    })
}

impl Snapshot<'_> {
    /// What a write-off would cover, or why it cannot be written.
    pub fn plan_write_off(
        &self,
        roster: &Roster,
        asked: &WriteOffAsked,
    ) -> Result<Result<WriteOffPlan, WriteOffRefused>, Error> {
        let known = Address::new(asked.logger).and_then(|address| roster.logger(address));
        let Some(logger) = known else {
            return Ok(Err(WriteOffRefused::NotOnRoster(asked.logger)));
        };
        let address = logger.address;
        if let Some((first, last)) = asked.range
            && (first == 0 || first > last)
        {
            return Ok(Err(WriteOffRefused::NoRange(first, last)));
        }
        let all = gaps::missing(logger, self.coverage(), self)?;
        let Some(of) = all.iter().find(|of| of.epoch.number() == asked.epoch).cloned() else {
            let known = all.iter().map(|of| of.epoch).collect();
            return Ok(Err(WriteOffRefused::EpochUnknown { logger: address, epoch: asked.epoch, known }));
        };
        let epoch = of.epoch;
        if of.first.is_none() {
            return Ok(Err(WriteOffRefused::NotExpected { logger: address, epoch }));
        }
        let offs = self.write_offs(Some(address))?;
        let Some((first, last)) = asked.range else {
            if of.is_end_told() {
                return Ok(Err(WriteOffRefused::EndTold { logger: address, of }));
            }
            let first = of.must.saturating_add(1);
            let counts = |off: &&WrittenOff| off.is_rest_of(address, epoch) && off.first <= first;
            if let Some(by) = offs.iter().find(counts) {
                return Ok(Err(WriteOffRefused::Already { by: by.clone() }));
            }
            let (missing, before) = (RangeSet::default(), RangeSet::default());
            return Ok(Ok(WriteOffPlan { logger: address, epoch, first, last: None, missing, before }));
        };
        if last > of.must {
            return Ok(Err(WriteOffRefused::Beyond { logger: address, of, last }));
        }
        let window: RangeSet = [(first, last)].into_iter().collect();
        let asked_for = of.missing.intersection(&window);
        if asked_for.is_empty() {
            return Ok(Err(WriteOffRefused::NoGap { logger: address, of, range: (first, last) }));
        }
        let counts = |off: &&WrittenOff| off.epoch == epoch;
        let written: RangeSet = offs
            .iter()
            .filter(counts)
            .filter_map(WrittenOff::in_force)
            .map(|off| (off.first, off.last.unwrap_or(u32::MAX)))
            .collect();
        let before = asked_for.intersection(&written);
        let mut missing = RangeSet::default();
        for &(first, last) in asked_for.ranges() {
            missing = missing.union(&written.missing(first..=last));
        }
        if missing.is_empty() {
            // The newest that covers any of it tells who to ask.
            let covers = |off: &&WrittenOff| {
                off.in_force().is_some_and(|off| {
                    let of: RangeSet = [(off.first, off.last.unwrap_or(u32::MAX))].into_iter().collect();
                    off.epoch == epoch && !of.intersection(&asked_for).is_empty()
                })
            };
            if let Some(by) = offs.iter().rev().find(covers) {
                return Ok(Err(WriteOffRefused::Already { by: by.clone() }));
            }
        }
        Ok(Ok(WriteOffPlan { logger: address, epoch, first, last: Some(last), missing, before }))
    }

    /// Write-offs, oldest first: of one logger, or of all.
    pub fn write_offs(&self, of: Option<Address>) -> Result<Vec<WrittenOff>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, logger, epoch, first, last, by_whom, reason, written_at FROM write_off
             WHERE ?1 IS NULL OR logger = ?1 ORDER BY id",
        )?;
        let mut rows = statement.query([of.map(Address::number)])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let (Some(logger), Some(epoch)) = (Address::new(row.get(1)?), Epoch::new(row.get(2)?)) else {
                return Err(Error::Corrupt("a write-off has a reserved logger or epoch".into()));
            };
            let (first, last): (u32, Option<u32>) = (row.get(3)?, row.get(4)?);
            let written_at = row.get(7)?;
            let ended_by = match last {
                Some(_) => None,
                None => self.heard_after(logger, epoch, first, written_at)?.filter(|&heard| heard > 0),
            };
            all.push(WrittenOff {
                id: row.get(0)?,
                logger,
                epoch,
                first,
                last,
                by: row.get(5)?,
                reason: row.get(6)?,
                written_at,
                ended_by,
            });
        }
        Ok(all)
    }

    /// The same with what was missing in each, what of it still is, and what has turned up and when.
    pub fn write_off_histories(&self, of: Option<Address>) -> Result<Vec<WriteOffHistory>, Error> {
        let mut all = Vec::new();
        for off in self.write_offs(of)? {
            let mut missing_then = RangeSet::default();
            let mut parts =
                self.db.prepare_cached("SELECT first, last FROM write_off_part WHERE write_off = ?")?;
            let mut rows = parts.query([off.id])?;
            while let Some(row) = rows.next()? {
                missing_then.insert_range(row.get(0)?, row.get(1)?);
            }
            let held =
                self.coverage().epoch(off.logger, off.epoch).map(|held| held.held()).unwrap_or_default();
            // Of a rest nothing was held; of what an old release wrote, nobody has told what was.
            let written: RangeSet = match missing_then.is_empty() {
                true => [(off.first, off.ended_by.or(off.last).unwrap_or(u32::MAX))].into_iter().collect(),
                false => missing_then.clone(),
            };
            let turned_up = self.turned_up(&off, &held.intersection(&written))?;
            let mut missing_now = RangeSet::default();
            for &(first, last) in missing_then.ranges() {
                missing_now = missing_now.union(&held.missing(first..=last));
            }
            all.push(WriteOffHistory { off, missing_then, missing_now, turned_up });
        }
        Ok(all)
    }

    /// When the records of these ranges came into the ledger, the first and the last of each.
    fn turned_up(&self, off: &WrittenOff, held: &RangeSet) -> Result<Vec<TurnedUp>, Error> {
        let mut all: Vec<TurnedUp> = held
            .ranges()
            .iter()
            .map(|&(first, last)| TurnedUp { first, last, stored_from: None, stored_to: None })
            .collect();
        let (Some(first), Some(last)) = (held.smallest(), held.largest()) else { return Ok(all) };
        for view in ["reading", "profile", "event", "opaque_record"] {
            let mut statement = self.db.prepare_cached(&format!(
                "SELECT sequence, stored_at FROM {view}
                 WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND stored_at IS NOT NULL"
            ))?;
            let mut rows = statement.query(params![off.logger.number(), off.epoch.number(), first, last])?;
            while let Some(row) = rows.next()? {
                let (sequence, stored_at): (u32, i64) = (row.get(0)?, row.get(1)?);
                let at = all.partition_point(|range| range.last < sequence);
                if let Some(range) = all.get_mut(at).filter(|range| range.first <= sequence) {
                    range.stored_from = Some(range.stored_from.map_or(stored_at, |from| from.min(stored_at)));
                    range.stored_to = range.stored_to.max(Some(stored_at));
                }
            }
        }
        Ok(all)
    }

    /// Remarks, oldest first by what they are about, also those that were corrected.
    pub fn remarks(&self, of: Option<Address>) -> Result<Vec<Remark>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects, corrected_by
             FROM remark WHERE ?1 IS NULL OR logger = ?1 ORDER BY from_at, id",
        )?;
        let mut rows = statement.query([of.map(Address::number)])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let kind: String = row.get(5)?;
            let (Some(logger), Some(kind)) = (Address::new(row.get(1)?), Kind::from_name(&kind)) else {
                return Err(Error::Corrupt(format!("remark {id} is of no logger or of no known kind")));
            };
            let what = NewRemark {
                logger,
                channel: row.get(2)?,
                from: row.get(3)?,
                to: row.get(4)?,
                kind,
                text: row.get(6)?,
                by: row.get(7)?,
                corrects: row.get(9)?,
            };
            all.push(Remark { id, what, written_at: row.get(8)?, corrected_by: row.get(10)? });
        }
        Ok(all)
    }

    /// Manual readings by time, also those that were corrected.
    pub fn manual_readings(&self, of: Option<Address>) -> Result<Vec<Manual>, Error> {
        self.manual("?1 IS NULL OR logger = ?1", params![of.map(Address::number)])
    }

    /// Manual readings of a logger between two times, ends included, without those that were corrected.
    pub fn manual_between(&self, of: Address, from: i64, to: i64) -> Result<Vec<Manual>, Error> {
        let condition = "logger = ? AND at BETWEEN ? AND ? AND corrected_by IS NULL";
        self.manual(condition, params![of.number(), from, to])
    }

    fn manual(&self, condition: &str, key: impl rusqlite::Params) -> Result<Vec<Manual>, Error> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT id, logger, channel, at, value, unit, instrument, by_whom, written_at, file, line, corrects,
                 corrected_by
             FROM manual_reading WHERE {condition} ORDER BY at, id"
        ))?;
        let mut rows = statement.query(key)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let logger = Address::new(row.get(1)?)
                .ok_or_else(|| Error::Corrupt(format!("manual reading {id} is of a reserved logger")))?;
            let what = NewManual {
                logger,
                channel: row.get(2)?,
                at: row.get(3)?,
                value: row.get(4)?,
                unit: row.get(5)?,
                instrument: row.get(6)?,
                line: row.get::<_, Option<i64>>(10)?.and_then(|line| u64::try_from(line).ok()),
                corrects: row.get(11)?,
            };
            all.push(Manual {
                id,
                what,
                by: row.get(7)?,
                written_at: row.get(8)?,
                file: row.get(9)?,
                corrected_by: row.get(12)?,
            });
        }
        Ok(all)
    }

    /// The remarks by which loggers are expected to be quiet at an instant: by logger, the one that lasts longest.
    pub fn expected_quiet(&self, now: i64) -> Result<std::collections::BTreeMap<Address, Remark>, Error> {
        let mut quiet = std::collections::BTreeMap::<Address, Remark>::new();
        let end = |remark: &Remark| remark.what.to.unwrap_or(i64::MAX);
        for remark in self.remarks(None)? {
            let is_of_all = remark.what.kind == Kind::ExpectedQuiet && remark.what.channel.is_none();
            if !is_of_all || remark.corrected_by.is_some() || !remark.overlaps(now, now) {
                continue;
            }
            let held = quiet.entry(remark.what.logger).or_insert_with(|| remark.clone());
            if end(held) < end(&remark) {
                *held = remark;
            }
        }
        Ok(quiet)
    }

    /// The write-offs by which the rest of a logger's newest epoch is given up: stolen, struck, drowned.
    pub fn given_up(&self) -> Result<std::collections::BTreeMap<Address, WrittenOff>, Error> {
        let mut given_up = std::collections::BTreeMap::new();
        for off in self.write_offs(None)? {
            let newest = self.coverage().expectations(off.logger).last().map(|newest| newest.epoch);
            if newest.is_some_and(|newest| off.is_rest_of(off.logger, newest)) {
                given_up.insert(off.logger, off);
            }
        }
        Ok(given_up)
    }
}
