//! Opaque records that this version can read: they get a typed row next to the opaque one, which stays.

use crate::ledger::db::error::Error;
use crate::ledger::db::row::IDENTITY;
use crate::ledger::db::row::{self};
use crate::ledger::digest::block::{self};
use crate::ledger::digest::table;
use crate::ledger::write::named::name_previous;
use crate::ledger::write::state::State;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::{Connection, Transaction, TransactionBehavior, params};

/// Changes whenever `wire::record` learns to read more, so that opaque records are looked at again.
pub(in crate::ledger) const READS: i64 = 1;

/// Opaque records that this version understands get a typed row beside the opaque one, which stays.
/// Returns how many.
pub(in crate::ledger) fn read_opaque_again(db: &Connection, state: &mut State) -> Result<u64, Error> {
    let done = read_opaque(db, state);
    if done.is_err() {
        state.valid = false;
    }
    done
}

pub(in crate::ledger) fn read_opaque(db: &Connection, state: &mut State) -> Result<u64, Error> {
    // Asked first without the write lock, which another process may hold for long.
    if crate::ledger::db::meta::meta(db, "opaque_read_by")? == READS {
        return Ok(0);
    }
    let transaction = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    state.refresh(&transaction)?;
    if crate::ledger::db::meta::meta(&transaction, "opaque_read_by")? == READS {
        return Ok(0);
    }
    let mut understood = 0;
    let mut renewed = std::collections::BTreeSet::new();
    {
        let mut statement = transaction.prepare(
            "SELECT o.logger, o.epoch, o.sequence, o.plaintext, o.received_at, o.slot, o.radio, o.synchronised,
                 o.rssi_dbm, o.snr_quarter_db, o.import, o.stored_at
             FROM opaque_row o JOIN opaque_record r
             ON r.logger = o.logger AND r.epoch = o.epoch AND r.sequence = o.sequence",
        )?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let Some(id) = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?) else { continue };
            let plaintext: Vec<u8> = row.get(3)?;
            let Ok(record) = Record::decode(&plaintext, id.epoch) else { continue };
            understood += 1;
            insert_understood(&transaction, state, id, &record)?;
            if !state.recent.contains_key(&id) {
                let block = block::block_of(id.sequence.number());
                renewed.insert((id.address.number(), id.epoch.number(), block));
            }
        }
    }
    block::renew(&transaction, &renewed)?;
    table::set_meta(&transaction, "opaque_read_by", READS)?;
    transaction.commit()?;
    Ok(understood)
}

/// The typed row of a record whose opaque row stays; its reception is copied from there.
pub(in crate::ledger) fn insert_understood(
    db: &Connection,
    state: &mut State,
    id: Identity,
    record: &Record,
) -> Result<(), Error> {
    const RECEPTION: &str = "slot, radio, synchronised, rssi_dbm, snr_quarter_db, import, stored_at";
    const FROM: &str = "FROM opaque_row WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0";
    let (address, epoch, sequence) = (id.address.number(), id.epoch.number(), id.sequence.number());
    let key: [&dyn rusqlite::ToSql; 3] = [&address, &epoch, &sequence];
    let insert = |table: &str, columns: &str, values: &[&dyn rusqlite::ToSql], received: &str| {
        let marks = vec!["?"; values.len()].join(", ");
        let name = if received == "received_at" { "received_at" } else { "lag" };
        let sql = format!(
            "INSERT INTO {table} ({columns}, {name}, logger, epoch, sequence, rank, {RECEPTION})
             SELECT {marks}, {received}, logger, epoch, sequence, rank, {RECEPTION} {FROM}"
        );
        let all: Vec<&dyn rusqlite::ToSql> = values.iter().chain(key.iter()).copied().collect();
        let write = |db: &Connection| Ok(db.prepare_cached(&sql)?.execute(&all[..])?);
        if table == "settled" {
            // Readings have blocks instead; the caller works them out anew.
            return write(db);
        }
        table::change(db, table, IDENTITY, (address, epoch, sequence), write)
    };
    match record {
        Record::Reading(reading) => {
            let columns = format!(
                "time, battery_mv, board_centi_c, n, faults, {}",
                row::channel_columns(reading.counts().len())
            );
            let n = reading.counts().len() as i64;
            let faults = reading.faults() as i64;
            let mut values: Vec<&dyn rusqlite::ToSql> =
                vec![&reading.time, &reading.battery_mv, &reading.board_centi_c, &n, &faults];
            values.extend(reading.counts().iter().map(|count| count as &dyn rusqlite::ToSql));
            insert("settled", &columns, &values, &format!("received_at - {}", reading.time))?;
        }
        Record::Profile(profile) => {
            let (unit, units) = (profile.unit.to_string(), row::raw_unit_names(profile));
            let firmware = profile.firmware();
            let values: [&dyn rusqlite::ToSql; 9] = [
                &profile.time,
                &unit,
                &profile.interval_s,
                &profile.capacity,
                &profile.oldest,
                &profile.previous_epoch,
                &profile.previous_last,
                &units,
                &firmware,
            ];
            insert("profile_row", row::PROFILE_COLUMNS, &values, "received_at")?;
            name_previous(db, state, id, profile.previous_epoch, profile.previous_last)?;
        }
        Record::Event(event) => {
            insert(
                "event_row",
                "time, code, value",
                params![event.time, event.code, event.value],
                "received_at",
            )?;
        }
    }
    Ok(())
}
