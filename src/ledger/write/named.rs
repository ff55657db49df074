//! Epochs whose last record is named by a record of another epoch.

use crate::ledger::db::error::Error;
use crate::ledger::digest::table;
use crate::ledger::write::state::State;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Stores the ends that a held record gives of other epochs.
pub(in crate::ledger) fn name_ends(
    db: &Connection,
    state: &mut State,
    id: Identity,
    record: &Record,
) -> Result<(), Error> {
    for (epoch, last) in record.named_ends() {
        let Some(named) = state.coverage.name_epoch(id.address, epoch, last, id.epoch) else { continue };
        let key = (id.address.number(), epoch.number());
        table::change(db, "named_epoch", "logger = ? AND epoch = ?", key, |db| {
            db.prepare_cached(
                "INSERT INTO named_epoch (logger, epoch, last, by_epoch) VALUES (?, ?, ?, ?)
                 ON CONFLICT DO UPDATE SET last = excluded.last, by_epoch = excluded.by_epoch",
            )?
            .execute(params![key.0, key.1, named.last, named.by_epoch.number()])?;
            Ok(())
        })?;
    }
    Ok(())
}
