//! Settling: once a day the journal's readings move into the clustered table, its counts into daily counts, and
//! coverage into stored ranges, in one transaction of limited length.
//!
//! Nothing is lost or doubled at any moment: a row is either in the journal or settled, and the ranges written
//! are those of what is committed. A settle that is interrupted leaves no trace.

use crate::ledger::db::error::Error;
use crate::ledger::db::quarters::Quarters;
use crate::ledger::db::query;
use crate::ledger::db::ranges::address_epoch;
use crate::ledger::db::row::{self, Column, RowView, SETTLED, kind};
use crate::ledger::digest::block::Blocks;
use crate::ledger::digest::table;
use crate::ledger::read::listening::LISTENING_SLACK_S;
use crate::ledger::write::append::keep_as_conflict;
use crate::ledger::write::batch::Arrival;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::state::State;
use crate::record::clock;
use crate::record::coverage::{Basis, RangeSet};
use crate::record::facts::Listening;
use crate::record::judge::Outcome;
use crate::time::{GatewayTime, LoggerTime};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet};

/// How many addresses off the roster are listed separately.
const FOREIGN_ADDRESSES_MAX: i64 = 1024;

/// What a settle did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// Journal rows taken.
    pub rows: u64,
    /// Readings among them.
    pub readings: u64,
    /// Rows still in the journal.
    pub left: u64,
    /// Readings whose place was taken, or that fit nowhere: only damage causes these. They are kept next to the
    /// held record, unless they are the same.
    pub place_taken: u64,
}

impl Ledger {
    /// Settles the oldest `rows_max` rows of the journal, and stores on which `day` (the caller chooses how to
    /// count days). Call it again, with pauses, while `left` is not 0.
    pub fn settle(&mut self, rows_max: u32, day: i64) -> Result<Settled, Error> {
        let done = settle(&self.db, &mut self.state, rows_max, day);
        if done.is_err() {
            self.state.valid = false;
        }
        let settled = done?;
        self.after_commit()?;
        Ok(settled)
    }

    /// Stores the ledger's size on a day, to show its growth.
    pub fn note_size(&mut self, day: i64) -> Result<(), Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let bytes: i64 = query::value(
            &transaction,
            "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()",
            [],
        )?;
        table::change(&transaction, "size_day", "day = ?", [day], |db| {
            Ok(db.execute("INSERT OR REPLACE INTO size_day VALUES (?, ?)", [day, bytes])?)
        })?;
        Ok(transaction.commit()?)
    }

    /// The day stored by the last settle.
    pub fn settled_day(&self) -> Result<i64, Error> {
        crate::ledger::db::meta::meta(&self.db, "settled_day")
    }
}

fn settle(db: &Connection, state: &mut State, rows_max: u32, day: i64) -> Result<Settled, Error> {
    let transaction = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    state.refresh(&transaction)?;
    let newest: Option<i64> = query::value(
        &transaction,
        "SELECT max(row) FROM (SELECT row FROM journal ORDER BY row LIMIT ?)",
        [rows_max],
    )?;
    let Some(limit) = newest else { return Ok(Settled::default()) };
    // Whole seals only: the last seal within the limit, or the first one beyond it.
    let through: Option<i64> = query::value(
        &transaction,
        "SELECT coalesce((SELECT max(row) FROM journal WHERE kind = -1 AND row <= ?1),
             (SELECT min(row) FROM journal WHERE kind = -1 AND row > ?1))",
        [limit],
    )?;
    let through = through.unwrap_or(limit);
    let (readings, taken) = place_readings(&transaction, through)?;
    for &row in &taken {
        keep_as_conflict_with_held(&transaction, row)?;
    }
    Blocks::of_journal(&transaction, through, &taken)?.store(&transaction, through, day)?;
    store_ranges(&transaction, state, through)?;
    let days: (Option<i64>, Option<i64>) = query::one(
        &transaction,
        "SELECT min((time + lag) / 86400), max((time + lag) / 86400) FROM journal
         WHERE kind >= 0 AND lag IS NOT NULL AND row <= ?",
        [through],
    )?;
    if let (Some(first), Some(last)) = days {
        let (db, of_days) = (&*transaction, "day BETWEEN ? AND ?");
        table::change(db, "radio_day", of_days, (first, last), |db| settle_radio_days(db, through))?;
        table::change(db, "logger_day", of_days, (first, last), |db| {
            settle_logger_days(db, through)?;
            settle_receptions(db, through, &taken)
        })?;
    }
    table::change(&transaction, "last_heard", "true", (), |db| settle_last_heard(db, through))?;
    table::change(&transaction, "listening", "true", (), |db| settle_listening(db, through))?;
    table::change(&transaction, "foreign_address", "true", (), |db| settle_foreign(db, through))?;
    // Without a condition SQLite drops the whole tree and writes none of its pages.
    let rows = if through >= state.seen_row {
        transaction.prepare_cached("DELETE FROM journal")?.execute([])?
    } else {
        transaction.prepare_cached("DELETE FROM journal WHERE row <= ?")?.execute([through])?
    };
    table::set_meta(&transaction, "settled_through", through)?;
    table::set_meta(&transaction, "settled_day", day)?;
    transaction.commit()?;
    state.forget_settled(through);
    Ok(Settled {
        rows: rows as u64,
        readings: readings as u64,
        left: state.unsettled(),
        place_taken: taken.len() as u64,
    })
}

/// Moves the journal's readings up to a row to their places. Returns how many, and the rows that found no
/// place.
fn place_readings(db: &Connection, through: i64) -> Result<(usize, BTreeSet<i64>), Error> {
    let columns = SETTLED.list();
    let all = db
        .prepare_cached(&format!(
            "INSERT INTO settled ({columns}) SELECT {columns} FROM journal
             WHERE kind = {} AND row <= ? ORDER BY logger, epoch, sequence, rank",
            kind::READING
        ))?
        .execute([through]);
    match all {
        Ok(readings) => return Ok((readings, BTreeSet::new())),
        Err(error) if is_constraint(&error) => {}
        Err(error) => return Err(error.into()),
    }
    // One of the rows meets a place that is taken, and SQLite has undone the rest of that statement. One
    // damaged row must not stop settling permanently, so the rows are moved one by one.
    let numbers: Vec<i64> = query::values(
        db,
        &format!("SELECT row FROM journal WHERE kind = {} AND row <= ? ORDER BY row", kind::READING),
        [through],
    )?;
    let mut one = db.prepare_cached(&format!(
        "INSERT INTO settled ({columns}) SELECT {columns} FROM journal WHERE row = ?"
    ))?;
    let (mut readings, mut taken) = (0, BTreeSet::new());
    for row in numbers {
        match one.execute([row]) {
            Ok(placed) => readings += placed,
            Err(error) if is_constraint(&error) => {
                taken.insert(row);
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok((readings, taken))
}

fn is_constraint(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation)
}

/// Keeps a journal row that found no place next to the record that is held there, unless both are the same.
fn keep_as_conflict_with_held(db: &Connection, row: i64) -> Result<(), Error> {
    let sql = format!("SELECT {} FROM journal WHERE row = ?", SETTLED.list());
    let mut statement = db.prepare_cached(&sql)?;
    let mut found = statement.query([row])?;
    let Some(found) = found.next()? else { return Ok(()) };
    let found = SETTLED.view(found);
    let id = found.identity()?;
    let (rank, time): (i64, LoggerTime) = (found.get(Column::Rank)?, found.get(Column::Time)?);
    let lag: Option<i64> = found.get(Column::Lag)?;
    let plaintext = plaintext_of(&found)?.filter(|_| rank == 0);
    if let Some(plaintext) = &plaintext {
        let sql = format!(
            "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0",
            SETTLED.list()
        );
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
        let mut held = db.prepare_cached(&sql)?;
        let mut held = held.query(key)?;
        if let Some(held) = held.next()?
            && plaintext_of(&SETTLED.view(held))?.as_ref() == Some(plaintext)
        {
            return Ok(());
        }
    }
    let slot = found.number(Column::Slot)?.and_then(|slot| u8::try_from(slot).ok());
    let arrival = Arrival {
        identity: id,
        slot: slot.map(crate::wire::seq::Slot),
        reception: None,
        import: found.number(Column::Import)?,
        stored_at: None,
    };
    let content = match plaintext {
        Some(plaintext) => plaintext,
        // It is no longer a record: keep its columns as they are.
        None => {
            let mut columns = serde_json::Map::new();
            for (name, value) in found.numbers()? {
                columns.insert(name, value.into());
            }
            serde_json::Value::Object(columns).to_string().into_bytes()
        }
    };
    let source = match (rank, lag) {
        (1.., _) => "csv",
        (_, Some(_)) => "radio",
        _ => "sealed-dump",
    };
    keep_as_conflict(db, &arrival, source, &content, clock::received(time, lag.unwrap_or(0)))
}

/// The record's plaintext; `None` if the row cannot be decoded.
fn plaintext_of(row: &RowView<'_>) -> Result<Option<Vec<u8>>, Error> {
    let Some(n) = row.channels()? else { return Ok(None) };
    let reading = row.reading(n)?;
    Ok(reading.map(|reading| row::encoded(&crate::wire::record::Record::Reading(reading))))
}

/// Writes the ranges of every epoch that the settled rows touch, if they have changed.
fn store_ranges(db: &Connection, state: &State, through: i64) -> Result<(), Error> {
    let mut touched = BTreeSet::new();
    query::each(
        db,
        "SELECT DISTINCT logger, epoch, rank > 0 FROM journal WHERE row <= ? AND kind > 0",
        [through],
        |(logger, epoch, is_row): (u16, u32, bool)| {
            let (address, epoch) = address_epoch(logger, epoch)?;
            let basis = if is_row { Basis::Csv } else { Basis::Authentic };
            touched.insert((address, epoch, basis));
            Ok(())
        },
    )?;
    for (address, epoch, basis) in touched {
        let Some(held) = state.coverage.epoch(address, epoch) else { continue };
        let now = if basis == Basis::Authentic { &held.authentic } else { &held.csv };
        write_ranges(db, address.number(), epoch.number(), basis as i64, now)?;
    }
    Ok(())
}

/// Makes the stored ranges of one epoch equal to `now`, touching only those that differ.
pub(in crate::ledger) fn write_ranges(
    db: &Connection,
    logger: u16,
    epoch: u32,
    basis: i64,
    now: &RangeSet,
) -> Result<(), Error> {
    let now: BTreeSet<(u32, u32)> = now.ranges().iter().copied().collect();
    let before = "SELECT first, last FROM held_range WHERE logger = ? AND epoch = ? AND basis = ?";
    let before: Vec<(u32, u32)> = query::all(db, before, params![logger, epoch, basis])?;
    let before = BTreeSet::from_iter(before);
    let condition = "logger = ? AND epoch = ? AND basis = ? AND first = ?";
    for (first, _) in before.difference(&now) {
        let key = (logger, epoch, basis, *first);
        table::change(db, "held_range", condition, key, |db| {
            Ok(db.prepare_cached(&format!("DELETE FROM held_range WHERE {condition}"))?.execute(key)?)
        })?;
    }
    for (first, last) in now.difference(&before) {
        table::change(db, "held_range", condition, (logger, epoch, basis, *first), |db| {
            let mut insert = db.prepare_cached("INSERT INTO held_range VALUES (?, ?, ?, ?, ?)")?;
            Ok(insert.execute(params![logger, epoch, basis, first, last])?)
        })?;
    }
    Ok(())
}

fn settle_radio_days(db: &Connection, through: i64) -> Result<(), Error> {
    db.prepare_cached(
        "INSERT INTO radio_day (radio, day, noise, skipped, \"foreign\", unopened, duplicate, conflict, opaque,
             stored, noise_bytes, bytes)
         SELECT radio, (time + lag) / 86400, total(c0), total(c1), total(c2), total(c3), total(c4), total(c5),
             total(c6), total(c7), total(c8), total(c9)
         FROM journal WHERE kind = 0 AND logger = 0 AND radio IS NOT NULL AND row <= ? GROUP BY 1, 2
         ON CONFLICT DO UPDATE SET noise = noise + excluded.noise, skipped = skipped + excluded.skipped,
             \"foreign\" = \"foreign\" + excluded.\"foreign\", unopened = unopened + excluded.unopened,
             duplicate = duplicate + excluded.duplicate, conflict = conflict + excluded.conflict,
             opaque = opaque + excluded.opaque, stored = stored + excluded.stored,
             noise_bytes = noise_bytes + excluded.noise_bytes, bytes = bytes + excluded.bytes",
    )?
    .execute([through])?;
    Ok(())
}

/// Frames that contained no record count on the day they came.
fn settle_logger_days(db: &Connection, through: i64) -> Result<(), Error> {
    db.prepare_cached(&format!(
        "INSERT INTO logger_day (logger, day, unopened, duplicate, conflict, opaque, stored)
         SELECT logger, (time + lag) / 86400, total(c{unopened}), total(c{duplicate}), total(c{conflict}), 0, 0
         FROM journal
         WHERE row <= ? AND kind = 0 AND logger <> 0 AND lag IS NOT NULL AND coalesce(c{foreign}, 0) = 0
         GROUP BY 1, 2
         ON CONFLICT DO UPDATE SET unopened = unopened + excluded.unopened,
             duplicate = duplicate + excluded.duplicate, conflict = conflict + excluded.conflict",
        unopened = Outcome::Unopened as usize,
        duplicate = Outcome::Duplicate as usize,
        conflict = Outcome::Conflict as usize,
        foreign = Outcome::Foreign as usize,
    ))?
    .execute([through])?;
    Ok(())
}

/// A record that came by radio counts at its reception. Rows that found no place are no records.
fn settle_receptions(db: &Connection, through: i64, taken: &BTreeSet<i64>) -> Result<(), Error> {
    #[derive(Default)]
    struct Received {
        opaque: i64,
        stored: i64,
        quarters: Quarters,
    }
    let mut days = BTreeMap::<(u16, i64), Received>::new();
    query::each(
        db,
        "SELECT row, logger, time + lag, kind FROM journal
         WHERE row <= ? AND kind > 0 AND rank = 0 AND lag IS NOT NULL",
        [through],
        |(row, logger, received_at, of_kind): (i64, u16, GatewayTime, i64)| {
            if !taken.contains(&row) {
                let (day, quarter) = Quarters::place_of(received_at.unix_s());
                let received = days.entry((logger, day)).or_default();
                match of_kind {
                    kind::OPAQUE => received.opaque += 1,
                    _ => received.stored += 1,
                }
                received.quarters.add(quarter, 1);
            }
            Ok(())
        },
    )?;
    let held = "SELECT quarters FROM logger_day WHERE logger = ? AND day = ?";
    for ((logger, day), mut received) in days {
        if let Some(held) = query::first_value::<Quarters>(db, held, (logger, day))? {
            received.quarters.add_all(&held);
        }
        db.prepare_cached(
            "INSERT INTO logger_day (logger, day, unopened, duplicate, conflict, opaque, stored, quarters)
             VALUES (?, ?, 0, 0, 0, ?, ?, ?)
             ON CONFLICT DO UPDATE SET opaque = opaque + excluded.opaque, stored = stored + excluded.stored,
                 quarters = excluded.quarters",
        )?
        .execute(params![logger, day, received.opaque, received.stored, received.quarters])?;
    }
    Ok(())
}

fn settle_last_heard(db: &Connection, through: i64) -> Result<(), Error> {
    // The record heard last, by row number: if the clock jumps, receptions are not in order of time.
    db.prepare_cached(
        "INSERT INTO last_heard (logger, received_at, battery_mv, rssi_dbm, snr_quarter_db)
         SELECT logger, time + lag, battery_mv, rssi_dbm, snr_quarter_db FROM journal j
         WHERE row IN (SELECT max(row) FROM journal WHERE row <= ? AND kind > 0 AND lag IS NOT NULL
             AND stored_at IS NULL GROUP BY logger)
         ON CONFLICT DO UPDATE SET received_at = excluded.received_at,
             battery_mv = coalesce(excluded.battery_mv, battery_mv),
             rssi_dbm = coalesce(excluded.rssi_dbm, rssi_dbm),
             snr_quarter_db = coalesce(excluded.snr_quarter_db, snr_quarter_db)",
    )?
    .execute([through])?;
    // The newest row may be a profile or an event, which has no battery value, or may have come without its
    // signal. Then the newest row that has the value counts, as it does before settling. One pass over the
    // journal for each column, because it has no index.
    for (column, kinds) in
        [("battery_mv", "kind = 1"), ("rssi_dbm", "kind > 0"), ("snr_quarter_db", "kind > 0")]
    {
        db.prepare_cached(&format!(
            "UPDATE last_heard SET {column} = newest.{column}
             FROM (SELECT logger, {column} FROM journal
                 WHERE row IN (SELECT max(row) FROM journal WHERE row <= ? AND {kinds} AND lag IS NOT NULL
                     AND stored_at IS NULL AND {column} IS NOT NULL GROUP BY logger)) newest
             WHERE newest.logger = last_heard.logger"
        ))?
        .execute([through])?;
    }
    Ok(())
}

fn settle_listening(db: &Connection, through: i64) -> Result<(), Error> {
    let windows = crate::ledger::read::listening::unsettled_listening(db, through)?;
    for Listening { radio, synchronised, since, until } in
        crate::ledger::read::listening::merge_windows(windows)
    {
        // Extends the last stored span of this radio, or starts a new one.
        let extended = db
            .prepare_cached(
                "UPDATE listening SET until = max(until, ?4) WHERE radio = ?1 AND synchronised = ?2
                     AND since = (SELECT max(since) FROM listening
                         WHERE radio = ?1 AND synchronised = ?2 AND since <= ?3)
                     AND until >= ?3 - ?5",
            )?
            .execute(params![radio, synchronised, since, until, LISTENING_SLACK_S])?;
        if extended == 0 {
            db.prepare_cached(
                "INSERT INTO listening (radio, synchronised, since, until) VALUES (?, ?, ?, ?)
                 ON CONFLICT DO UPDATE SET until = max(until, excluded.until)",
            )?
            .execute(params![radio, synchronised, since, until])?;
        }
    }
    Ok(())
}

fn settle_foreign(db: &Connection, through: i64) -> Result<(), Error> {
    let counts: Vec<(u16, i64, GatewayTime, GatewayTime)> = query::all(
        db,
        "SELECT logger, sum(c2), min(time), max(time) FROM journal
         WHERE kind = 0 AND logger <> 0 AND c2 > 0 AND row <= ? GROUP BY 1",
        [through],
    )?;
    for (address, frames, first_at, last_at) in counts {
        db.prepare_cached(
            "INSERT INTO foreign_address (address, frames, first_at, last_at)
             SELECT iif((SELECT count(*) FROM foreign_address) < ?5
                     OR EXISTS (SELECT 1 FROM foreign_address WHERE address = ?1), ?1, 65535), ?2, ?3, ?4
             WHERE true
             ON CONFLICT DO UPDATE SET frames = frames + excluded.frames, last_at = excluded.last_at",
        )?
        .execute(params![address, frames, first_at, last_at, FOREIGN_ADDRESSES_MAX])?;
    }
    Ok(())
}
