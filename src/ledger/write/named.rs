//! Epochs whose last record is named by a later epoch.

use crate::ledger::db::error::Error;
use crate::ledger::digest::table;
use crate::ledger::write::state::State;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Stores what a held profile states about its previous epoch.
pub(in crate::ledger) fn name_previous(
    db: &Connection,
    state: &mut State,
    id: Identity,
    previous_epoch: u32,
    last: u32,
) -> Result<(), Error> {
    let Some(epoch) = crate::wire::seq::Epoch::new(previous_epoch) else { return Ok(()) };
    let Some(named) = state.coverage.name_epoch(id.address, epoch, last, id.epoch) else {
        return Ok(());
    };
    let key = (id.address.number(), previous_epoch);
    table::change(db, "named_epoch", "logger = ? AND epoch = ?", key, |db| {
        db.prepare_cached(
            "INSERT INTO named_epoch (logger, epoch, last, by_epoch) VALUES (?, ?, ?, ?)
             ON CONFLICT DO UPDATE SET last = excluded.last, by_epoch = excluded.by_epoch",
        )?
        .execute(params![
            id.address.number(),
            previous_epoch,
            named.last,
            named.by_epoch.number()
        ])?;
        Ok(())
    })
}
