//! When each radio was listening.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::Cells;
use crate::record::facts::Listening;
use rusqlite::Connection;

/// Two windows of one radio with a pause of at most this many seconds between them count as one.
pub(in crate::ledger) const LISTENING_SLACK_S: i64 = 5;

/// The windows of listening that the journal holds up to a row, in its order.
pub(in crate::ledger) fn unsettled_listening(db: &Connection, through: i64) -> Result<Vec<Listening>, Error> {
    // Rows of an older release do not record whether the clock was synchronised; mostly it was.
    let mut statement = db.prepare_cached(
        "SELECT radio, coalesce(synchronised, 1), time, time + lag FROM journal
         WHERE kind = 0 AND logger = 0 AND lag > 0 AND radio IS NOT NULL AND row <= ? ORDER BY row",
    )?;
    let rows = statement.query_map([through], listening_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// From radio, synchronised, since, until.
pub(in crate::ledger) fn listening_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Listening> {
    let mut cells = Cells::of(row);
    Ok(Listening {
        radio: cells.take()?,
        synchronised: cells.take()?,
        since: cells.take()?,
        until: cells.take()?,
    })
}

/// Joins windows of a radio that touch, if the clock was synchronised in both or in neither.
pub(in crate::ledger) fn merge_windows(mut windows: Vec<Listening>) -> Vec<Listening> {
    windows.sort_unstable();
    let mut merged: Vec<Listening> = Vec::new();
    for window in windows {
        match merged.last_mut() {
            Some(last)
                if (last.radio, last.synchronised) == (window.radio, window.synchronised)
                    && window.since <= last.until.later(LISTENING_SLACK_S) =>
            {
                last.until = last.until.max(window.until);
            }
            _ => merged.push(window),
        }
    }
    merged
}
