//! Opaque records that this version can read: they get a typed row next to the opaque one, which stays.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare::{self, IDENTITY, Rare};
use crate::ledger::db::row::{Column, Selection};
use crate::ledger::digest::block::{self};
use crate::ledger::digest::table;
use crate::ledger::write::named::name_ends;
use crate::ledger::write::state::State;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::types::Value;
use rusqlite::{Connection, Transaction, TransactionBehavior};

/// Changes whenever `wire::record` learns to read more, so that opaque records are checked again.
pub(in crate::ledger) const READS: i64 = 2;

/// Opaque records that this version understands get a typed row next to the opaque one, which stays. Returns
/// how many.
pub(in crate::ledger) fn read_opaque_again(db: &Connection, state: &mut State) -> Result<u64, Error> {
    let done = read_opaque(db, state);
    if done.is_err() {
        state.valid = false;
    }
    done
}

pub(in crate::ledger) fn read_opaque(db: &Connection, state: &mut State) -> Result<u64, Error> {
    // Checked first without the write lock, which another process may hold for a long time.
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
    // Reads all of them first, because the typed rows are written to the same ledger.
    let opaque: Vec<(u16, u32, u32, Vec<u8>)> = query::all(
        &transaction,
        "SELECT o.logger, o.epoch, o.sequence, o.plaintext
         FROM opaque_row o JOIN opaque_record r
         ON r.logger = o.logger AND r.epoch = o.epoch AND r.sequence = o.sequence",
        [],
    )?;
    for (logger, epoch, sequence, plaintext) in opaque {
        let Some(id) = Identity::new(logger, epoch, sequence) else { continue };
        let Ok(record) = Record::decode(&plaintext, id) else { continue };
        understood += 1;
        insert_understood(&transaction, state, id, &record)?;
        if !state.recent.contains_key(&id) {
            let block = block::block_of(id.sequence.number());
            renewed.insert((id.address.number(), id.epoch.number(), block));
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
    let content = match record {
        Record::Reading(reading) => {
            // Readings have blocks instead of a table's sum; the caller recomputes them.
            let columns = Selection::new(&Column::CONTENT, reading.counts().len()).then(&[Column::Lag]);
            let mut content: Vec<Value> = vec![
                reading.time.into(),
                reading.battery_mv.into(),
                reading.board_centi_c.into(),
                (reading.counts().len() as i64).into(),
                (reading.faults() as i64).into(),
            ];
            content.extend(reading.counts().iter().map(|&count| Value::from(count)));
            let lag = format!("received_at - {}", reading.time);
            return Ok(rare::insert_from_opaque(db, "settled", columns.list(), &lag, content, id)?);
        }
        other => rare::row_of(Rare::Record(other)),
    };
    let Some((table, content)) = content else {
        return Err(Error::Unexpected("a record has no table".into()));
    };
    let key = (id.address.number(), id.epoch.number(), id.sequence.number());
    table::change(db, table.name, IDENTITY, key, |db| Ok(table.insert_understood(db, content, id)?))?;
    name_ends(db, state, id, record)
}
