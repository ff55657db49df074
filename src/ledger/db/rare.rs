//! Records that are not readings: profiles, events, memory statements, and opaque ones. Each type has its own table, and is listed
//! once, in [`ALL`].
//!
//! Input: a record, or a row of its table. Output: the values of its row, or its plaintext. A new record type
//! is one entry: blocks, comparisons, take-over, salvage and verification go through the list.
//!
//! What this is not: it does not maintain digests; the caller that writes a row does (`digest::table`).

use super::error::Error;
use super::row::{encoded, kind};
use crate::time::GatewayTime;
use crate::wire::record::{Event, Profile, ProfileFields, RawUnit, Record};
use crate::wire::seq::{Epoch, Identity, Sequence};
use crate::wire::statement::{Entry, Statement};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Row, params, params_from_iter};
use std::sync::LazyLock;

/// A table of rare records.
pub struct RareTable {
    pub name: &'static str,
    /// The kind of the journal row that marks such a record.
    pub kind: i64,
    /// When a record was made, as SQL. The time of an opaque record cannot be read, so its reception is the
    /// nearest.
    pub time: &'static str,
    /// Whether this version can read its records.
    pub is_read: bool,
    columns: &'static str,
    encode: fn(Rare<'_>) -> Option<Vec<Value>>,
    decode: fn(&Row<'_>) -> Result<Vec<u8>, Error>,
}

/// What a row is made from.
#[derive(Clone, Copy)]
pub enum Rare<'a> {
    /// A record that this version reads.
    Record(&'a Record),
    /// The plaintext of one that it does not.
    Opaque(&'a [u8]),
}

/// All tables of rare records. The opaque ones come last: a record that was opaque and could be read later is
/// in two tables, and its plaintext is still the record.
pub static ALL: [RareTable; 4] = [
    RareTable {
        name: "profile_row",
        kind: kind::PROFILE,
        time: "time",
        is_read: true,
        columns: PROFILE_COLUMNS,
        encode: |record| match record {
            Rare::Record(Record::Profile(profile)) => Some(profile_values(profile)),
            _ => None,
        },
        decode: |row| Ok(encoded(&Record::Profile(profile(row)?))),
    },
    RareTable {
        name: "event_row",
        kind: kind::EVENT,
        time: "time",
        is_read: true,
        columns: "time, code, value",
        encode: |record| match record {
            Rare::Record(Record::Event(Event { time, code, value })) => {
                Some(vec![(*time).into(), (*code).into(), (*value).into()])
            }
            _ => None,
        },
        decode: |row| {
            let (time, code, value) = row.try_into()?;
            Ok(encoded(&Record::Event(Event { time, code, value })))
        },
    },
    RareTable {
        name: "statement_row",
        kind: kind::STATEMENT,
        time: "time",
        is_read: true,
        columns: "time, entries",
        encode: |record| match record {
            Rare::Record(Record::Statement(statement)) => {
                Some(vec![statement.time.into(), entries_text(statement.entries()).into()])
            }
            _ => None,
        },
        decode: |row| {
            let (time, entries): (u32, String) = row.try_into()?;
            Ok(encoded(&Record::Statement(statement(time, &entries)?)))
        },
    },
    RareTable {
        name: OPAQUE,
        kind: kind::OPAQUE,
        time: "received_at",
        is_read: false,
        columns: "plaintext",
        encode: |record| match record {
            Rare::Opaque(plaintext) => Some(vec![plaintext.to_vec().into()]),
            Rare::Record(_) => None,
        },
        decode: |row| Ok(row.get(0)?),
    },
];

/// The table of opaque records.
pub const OPAQUE: &str = "opaque_row";

/// The tables whose records this version reads.
pub fn read() -> impl Iterator<Item = &'static RareTable> {
    ALL.iter().filter(|table| table.is_read)
}

/// Identity and reception, which every row has.
pub const IDENTITY_COLUMNS: &str = "logger, epoch, sequence, rank";
/// When the record was received by radio; the clustered table keeps the lag instead.
pub const RECEIVED_AT: &str = "received_at";
/// How the record was received, without the time.
pub const RECEPTION: &str = "slot, radio, synchronised, rssi_dbm, snr_quarter_db, import, stored_at";

/// How a record was received.
#[derive(Clone, Copy, Debug)]
pub struct Came {
    /// When it was received by radio.
    pub received_at: Option<GatewayTime>,
    /// The key slot that opened it.
    pub slot: Option<u8>,
    pub radio: Option<u8>,
    /// Whether the gateway's clock was synchronised at the time.
    pub synchronised: Option<bool>,
    /// Signal strength.
    pub rssi_dbm: Option<i64>,
    /// Signal to noise, in quarters.
    pub snr_quarter_db: Option<i64>,
    pub import: Option<i64>,
    /// When the ledger stored it, if no other column shows this.
    pub stored_at: Option<GatewayTime>,
}

/// The table of a record, and the values of its content there; `None` if it is a reading.
pub fn row_of(record: Rare<'_>) -> Option<(&'static RareTable, Vec<Value>)> {
    ALL.iter().find_map(|table| Some((table, (table.encode)(record)?)))
}

impl RareTable {
    pub fn insert(
        &self,
        db: &Connection,
        content: &[Value],
        id: Identity,
        came: &Came,
    ) -> rusqlite::Result<()> {
        let marks = vec!["?"; content.len() + 12].join(", ");
        let sql = format!(
            "INSERT INTO {} ({}, {IDENTITY_COLUMNS}, {RECEIVED_AT}, {RECEPTION}) VALUES ({marks})",
            self.name, self.columns
        );
        let common: [Value; 12] = [
            id.address.number().into(),
            id.epoch.number().into(),
            id.sequence.number().into(),
            0_i64.into(),
            came.received_at.map(GatewayTime::unix_s).into(),
            came.slot.into(),
            came.radio.into(),
            came.synchronised.into(),
            came.rssi_dbm.into(),
            came.snr_quarter_db.into(),
            came.import.into(),
            came.stored_at.map(GatewayTime::unix_s).into(),
        ];
        db.prepare_cached(&sql)?.execute(params_from_iter(content.iter().chain(&common)))?;
        Ok(())
    }

    /// Inserts the row of a record that was opaque before. The reception is copied from its opaque row, which
    /// stays.
    pub fn insert_understood(
        &self,
        db: &Connection,
        content: Vec<Value>,
        id: Identity,
    ) -> rusqlite::Result<()> {
        let columns = format!("{}, {RECEIVED_AT}", self.columns);
        insert_from_opaque(db, self.name, &columns, RECEIVED_AT, content, id)
    }
}

/// Inserts a row into `table`: `content` and `received` (of the opaque row) into `columns`, the other values
/// from the opaque row.
pub fn insert_from_opaque(
    db: &Connection,
    table: &str,
    columns: &str,
    received: &str,
    mut content: Vec<Value>,
    id: Identity,
) -> rusqlite::Result<()> {
    let marks = vec!["?"; content.len()].join(", ");
    let sql = format!(
        "INSERT INTO {table} ({columns}, {IDENTITY_COLUMNS}, {RECEPTION})
         SELECT {marks}, {received}, {IDENTITY_COLUMNS}, {RECEPTION} FROM {OPAQUE} WHERE {IDENTITY} AND rank = 0"
    );
    let key: [Value; 3] = [id.address.number().into(), id.epoch.number().into(), id.sequence.number().into()];
    content.extend(key);
    db.prepare_cached(&sql)?.execute(params_from_iter(content))?;
    Ok(())
}

/// The rows of one identity.
pub const IDENTITY: &str = "logger = ? AND epoch = ? AND sequence = ?";

/// The authentic record that is held under an identity outside journal and settled, as plaintext.
pub fn rare_plaintext(db: &Connection, id: Identity) -> Result<Option<Vec<u8>>, Error> {
    let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
    // The opaque row first.
    for table in ALL.iter().rev() {
        let sql = format!("SELECT {} FROM {} WHERE {IDENTITY} AND rank = 0", table.columns, table.name);
        let found = db.prepare_cached(&sql)?.query_row(key, |row| Ok((table.decode)(row))).optional()?;
        if let Some(plaintext) = found {
            return plaintext.map(Some);
        }
    }
    Ok(None)
}

/// Whether a record that this version reads, and that is not a reading, is held under an identity.
pub fn is_other(db: &Connection, id: Identity) -> Result<bool, Error> {
    static SQL: LazyLock<String> = LazyLock::new(|| {
        let exists = |table: &RareTable| {
            let key = "logger = ?1 AND epoch = ?2 AND sequence = ?3 AND rank = 0";
            format!("EXISTS (SELECT 1 FROM {} WHERE {key})", table.name)
        };
        format!("SELECT {}", read().map(exists).collect::<Vec<_>>().join(" OR "))
    });
    super::query::value(db, &SQL, params![id.address.number(), id.epoch.number(), id.sequence.number()])
}

/// The columns of a profile's content, as [`profile`] takes them.
pub const PROFILE_COLUMNS: &str = "time, unit, interval_s, capacity, oldest, previous_epoch, previous_last, \
     raw_units, firmware";

/// A profile from a row of [`PROFILE_COLUMNS`].
pub fn profile(row: &rusqlite::Row<'_>) -> Result<Profile, Error> {
    let unit: String = row.get(1)?;
    let fields = ProfileFields {
        time: row.get(0)?,
        unit: unit.parse().map_err(|_| Error::Corrupt("a profile's unit is not a number".into()))?,
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

/// The entries of a statement as its table holds them: JSON, an array of epoch, first and last for each.
fn entries_text(entries: &[Entry]) -> String {
    let numbers = entries.iter().map(|entry| format!("[{},{},{}]", entry.epoch, entry.first, entry.last));
    format!("[{}]", numbers.collect::<Vec<_>>().join(","))
}

/// A statement from the columns of its table. Its first entry is of its own epoch, up to itself.
pub fn statement(time: u32, entries: &str) -> Result<Statement, Error> {
    let numbers = serde_json::from_str::<Vec<(u32, u32, u32)>>(entries).unwrap_or_default();
    let entry = |(epoch, first, last)| Some(Entry { epoch: Epoch::new(epoch)?, first, last });
    let entries: Option<Vec<Entry>> = numbers.into_iter().map(entry).collect();
    let own = entries.as_ref().and_then(|entries| entries.first());
    own.and_then(|own| Some((own.epoch, Sequence::new(own.last)?)))
        .and_then(|(epoch, sequence)| Statement::new(time, entries.as_deref()?, epoch, sequence).ok())
        .ok_or_else(|| Error::Corrupt("the entries of a memory statement are out of range".into()))
}

fn profile_values(profile: &Profile) -> Vec<Value> {
    vec![
        profile.time.into(),
        profile.unit.to_string().into(),
        profile.interval_s.into(),
        profile.capacity.into(),
        profile.oldest.into(),
        profile.previous_epoch.into(),
        profile.previous_last.into(),
        raw_unit_names(profile).into(),
        profile.firmware().to_owned().into(),
    ]
}

/// The names of a profile's raw units, as its table keeps them.
fn raw_unit_names(profile: &Profile) -> String {
    let names: Vec<&str> =
        profile.raw_units().iter().filter_map(|&code| RawUnit::from_code(code)).map(RawUnit::name).collect();
    names.join(" ")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::ledger::db::schema;

    fn profile() -> Profile {
        let fields = ProfileFields {
            time: 1_700_000_000,
            unit: u64::MAX,
            interval_s: 300,
            capacity: 4_096,
            oldest: 1,
            previous_epoch: 2,
            previous_last: 77,
        };
        Profile::new(fields, &[RawUnit::from_name("count").map_or(0, |unit| unit as u8)], "1.2").unwrap()
    }

    #[test]
    fn each_type_has_one_entry_and_comes_back_as_the_plaintext_that_it_was() {
        let db = schema::in_memory().unwrap();
        let event = Event { time: 1_700_000_000, code: 3, value: -5 };
        // The third record is record 3 of epoch 1: a statement ends with itself.
        let own = Entry { epoch: Epoch::SMALLEST, first: 2, last: 3 };
        let statement = Statement::new(1_700_000_000, &[own], own.epoch, Sequence::new(3).unwrap()).unwrap();
        let records = [Record::Profile(profile()), Record::Event(event), Record::Statement(statement)];
        let mut all: Vec<(Rare<'_>, Vec<u8>)> =
            records.iter().map(|record| (Rare::Record(record), encoded(record))).collect();
        all.push((Rare::Opaque(&[0x7f, 1, 2]), vec![0x7f, 1, 2]));
        assert_eq!(all.len(), ALL.len(), "a further type needs a record here");
        let mut tables = Vec::new();
        for (at, (rare, plaintext)) in all.into_iter().enumerate() {
            let id = Identity::new(17, 1, at as u32 + 1).unwrap();
            let (table, content) = row_of(rare).unwrap();
            let came = Came {
                received_at: Some(GatewayTime(1_700_000_002)),
                slot: Some(1),
                radio: Some(2),
                synchronised: Some(true),
                rssi_dbm: Some(-90),
                snr_quarter_db: Some(12),
                import: None,
                stored_at: None,
            };
            table.insert(&db, &content, id, &came).unwrap();
            assert_eq!(rare_plaintext(&db, id).unwrap(), Some(plaintext));
            assert_eq!(is_other(&db, id).unwrap(), table.is_read);
            tables.push(table.name);
            let row: (Option<i64>, i64, Option<i64>, bool) = crate::ledger::db::query::one(
                &db,
                &format!("SELECT received_at, slot, rssi_dbm, synchronised FROM {}", table.name),
                [],
            )
            .unwrap();
            assert_eq!(row, (Some(1_700_000_002), 1, Some(-90), true));
        }
        assert_eq!(tables, ALL.each_ref().map(|table| table.name));
        let reading = crate::wire::record::Reading::new(1, 3_600, None, 0, &[1]).unwrap();
        assert!(row_of(Rare::Record(&Record::Reading(reading))).is_none());
    }

    #[test]
    fn every_table_of_rare_records_has_a_sum_of_its_own() {
        for table in &ALL {
            assert!(crate::ledger::digest::table::TABLES.contains(&table.name), "{}", table.name);
        }
    }
}
