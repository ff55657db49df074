//! Records as rows and back: the column lists shared by journal and settled, and the typed tables.
//!
//! A stored record encodes to the very plaintext it came as; whoever appends checks that before it is called
//! stored.

use crate::ledger::db::error::Error;
use crate::record::judge::{Row, Steps};
use crate::wire::record::Reading;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

use crate::wire::record::CHANNELS_MAX;
use crate::wire::record::Event;
use crate::wire::record::Profile;
use crate::wire::record::ProfileFields;
use crate::wire::record::RawUnit;

use rusqlite::OptionalExtension;

/// The kinds of a journal row.
pub mod kind {
    /// Closes the rows before it with a digest: `epoch` is the first of them, `time` the digest.
    pub const SEAL: i64 = -1;
    /// Counts of frames, no record.
    pub const TALLY: i64 = 0;
    /// A reading, whole.
    pub const READING: i64 = 1;
    /// A profile; its content is in `profile_row`.
    pub const PROFILE: i64 = 2;
    /// An event; its content is in `event_row`.
    pub const EVENT: i64 = 3;
    /// An opaque record; its content is in `opaque_row`.
    pub const OPAQUE: i64 = 4;
}

/// `c0, c1, …` of the first `n` channels.
pub fn channel_columns(n: usize) -> String {
    (0..n).map(|i| format!("c{i}")).collect::<Vec<_>>().join(", ")
}

/// What journal and settled have in common before the counts, in order.
pub const SHARED: &str = "logger, epoch, sequence, rank, time, lag, battery_mv, board_centi_c, n, faults, slot, \
     radio, synchronised, rssi_dbm, snr_quarter_db, import, matched, resolution, stored_at";

/// The columns of a reading's content, in the order in which [`reading_row`] takes them.
pub fn content_columns() -> String {
    format!("time, battery_mv, board_centi_c, n, faults, {}", channel_columns(CHANNELS_MAX))
}

/// A reading's content from a row of [`content_columns`]; battery may be absent in a CSV row.
pub fn row_content(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    let n: u32 = row.get(3)?;
    let counts =
        (0..(n as usize).min(CHANNELS_MAX)).map(|i| row.get(5 + i)).collect::<Result<Vec<i32>, _>>()?;
    Ok(Row {
        time: row.get(0)?,
        battery_mv: row.get(1)?,
        board_centi_c: row.get(2)?,
        faults: row.get::<_, i64>(4)? as u64,
        counts,
        steps: None,
    })
}

/// How far a file rounded, from what the table `resolution` keeps: the way back from [`steps_json`].
pub fn steps_from_json(json: &str) -> Result<Steps, Error> {
    let corrupt = || Error::Corrupt(format!("a resolution is not as it was written: {json}"));
    crate::record::row::steps_from_json(json).ok_or_else(corrupt)
}

/// The same as an authentic reading.
pub fn reading(content: &Row) -> Option<Reading> {
    let battery_mv = content.battery_mv?;
    Reading::new(content.time, battery_mv, content.board_centi_c, content.faults, &content.counts)
}

/// The authentic record held under an identity outside journal and settled, as plaintext.
pub fn rare_plaintext(db: &Connection, id: Identity) -> Result<Option<Vec<u8>>, Error> {
    let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
    const WHERE: &str = "WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0";
    // The opaque row first: where a later version has learnt to read one, its plaintext is still the record.
    let opaque = db
        .prepare_cached(&format!("SELECT plaintext FROM opaque_row {WHERE}"))?
        .query_row(key, |row| row.get(0))
        .optional()?;
    if opaque.is_some() {
        return Ok(opaque);
    }
    let event = db
        .prepare_cached(&format!("SELECT time, code, value FROM event_row {WHERE}"))?
        .query_row(key, |row| Ok(Event { time: row.get(0)?, code: row.get(1)?, value: row.get(2)? }))
        .optional()?;
    if let Some(event) = event {
        return Ok(Some(encoded(&Record::Event(event))));
    }
    let profile = db
        .prepare_cached(&format!("SELECT {PROFILE_COLUMNS} FROM profile_row {WHERE}"))?
        .query_row(key, |row| Ok(profile(row)))
        .optional()?;
    match profile {
        Some(profile) => Ok(Some(encoded(&Record::Profile(profile?)))),
        None => Ok(None),
    }
}

/// Whether a profile or an event is held under an identity.
pub fn is_other(db: &Connection, id: Identity) -> Result<bool, Error> {
    let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
    Ok(db
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM event_row WHERE logger = ?1 AND epoch = ?2 AND sequence = ?3 AND rank = 0)
                 OR EXISTS (SELECT 1 FROM profile_row WHERE logger = ?1 AND epoch = ?2 AND sequence = ?3 AND rank = 0)",
        )?
        .query_row(key, |row| row.get(0))?)
}

/// A record's plaintext.
pub fn encoded(record: &Record) -> Vec<u8> {
    let mut plaintext = Vec::with_capacity(crate::wire::frame::RECORD_MAX);
    record.encode(&mut plaintext);
    plaintext
}

/// The columns of a profile's content, as [`profile`] takes them.
pub const PROFILE_COLUMNS: &str = "time, unit, interval_s, capacity, oldest, previous_epoch, previous_last, \
     raw_units, firmware";

/// A profile from a row of [`PROFILE_COLUMNS`].
pub fn profile(row: &rusqlite::Row<'_>) -> Result<Profile, Error> {
    let unit: String = row.get(1)?;
    let fields = ProfileFields {
        time: row.get(0)?,
        unit: unit.parse().map_err(|_| Error::Corrupt("a profile's unit is no number".into()))?,
        interval_s: row.get(2)?,
        capacity: row.get(3)?,
        oldest: row.get(4)?,
        previous_epoch: row.get(5)?,
        previous_last: row.get(6)?,
    };
    let names: String = row.get(7)?;
    let units: Option<Vec<u8>> =
        names.split_whitespace().map(|name| RawUnit::from_name(name).map(|unit| unit as u8)).collect();
    let firmware: String = row.get(8)?;
    units
        .and_then(|units| Profile::new(fields, &units, &firmware))
        .ok_or_else(|| Error::Corrupt("a profile's raw units or firmware are out of range".into()))
}

/// The names of a profile's raw units, as its table keeps them.
pub fn raw_unit_names(profile: &Profile) -> String {
    let names: Vec<&str> =
        profile.raw_units().iter().filter_map(|&code| RawUnit::from_code(code)).map(RawUnit::name).collect();
    names.join(" ")
}

/// The journal's insert for a record with `n` channels.
pub(in crate::ledger) fn journal_insert(n: usize) -> String {
    let columns = if n == 0 {
        format!("row, kind, {SHARED}")
    } else {
        format!("row, kind, {SHARED}, {}", channel_columns(n))
    };
    let marks = vec!["?"; 21 + n].join(", ");
    format!("INSERT INTO journal ({columns}) VALUES ({marks})")
}

/// The clustered table's insert for a record with `n` channels.
pub(in crate::ledger) fn settled_insert(n: usize) -> String {
    let columns = if n == 0 { SHARED.to_owned() } else { format!("{SHARED}, {}", channel_columns(n)) };
    let marks = vec!["?"; 19 + n].join(", ");
    format!("INSERT INTO settled ({columns}) VALUES ({marks})")
}

/// The rows of one identity in a table of rare records.
pub(in crate::ledger) const IDENTITY: &str = "logger = ? AND epoch = ? AND sequence = ?";

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::record::row::steps_json;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn steps_come_back_from_json_as_they_went_in(
            time_s in 0_u32..=86_400,
            counts in prop::collection::vec(prop_oneof![Just(1_u32), any::<u32>()], 0..40),
            battery_mv in 0_u32..=65_535,
            board_centi_c in 0_u32..=65_535,
        ) {
            let steps = Steps { time_s, counts, battery_mv, board_centi_c };
            let whole = |step: u32| if step > 1 { step } else { 0 };
            match steps_json(&steps) {
                None => prop_assert!(steps.is_exact()),
                Some(json) => {
                    let back = steps_from_json(&json).unwrap();
                    prop_assert_eq!(back.time_s, whole(steps.time_s));
                    prop_assert_eq!(back.battery_mv, whole(steps.battery_mv));
                    prop_assert_eq!(back.board_centi_c, whole(steps.board_centi_c));
                    for (channel, &step) in steps.counts.iter().enumerate() {
                        prop_assert_eq!(back.counts.get(channel).copied().unwrap_or(0), whole(step));
                    }
                }
            }
        }
    }
}
