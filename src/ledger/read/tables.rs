//! The tables that hold records, for reports: each with the SQL expressions for its time and its reception.

use crate::ledger::db::rare::{self, RECEIVED_AT};
use crate::wire::seq::Identity;

/// The tables of settled records, with the expressions for their time and their reception.
pub(in crate::ledger) fn sealed_tables() -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    let readings = [("settled", "time", "time + lag"), ("retired_row", "time", "time + lag")];
    readings.into_iter().chain(sealed_rare_tables())
}

/// Those of them that hold no readings.
pub(in crate::ledger) fn sealed_rare_tables()
-> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    rare::ALL.iter().map(|table| {
        let time = if table.is_read { table.time } else { "coalesce(received_at, stored_at, 0)" };
        (table.name, time, RECEIVED_AT)
    })
}

/// The tables of settled authentic records, and the column that is null for hand downloads; each table has an
/// index of these.
pub(in crate::ledger) fn by_hand() -> impl Iterator<Item = (&'static str, &'static str)> {
    let readings = [("settled", "lag"), ("retired_row", "lag")];
    readings.into_iter().chain(rare::ALL.iter().map(|table| (table.name, RECEIVED_AT)))
}

/// Which rows `t` of `settled_or_retired` came by hand and show: authentic ones, and CSV rows that nothing has replaced.
pub(in crate::ledger) const HAND_READINGS: &str =
    "lag IS NULL AND (rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
             AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
         AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";

/// Seconds in a day of UTC, as the counters count days.
pub(in crate::ledger) const DAY_S: i64 = 86_400;

pub(in crate::ledger) fn key(id: Identity) -> (u16, u32, u32) {
    (id.address.number(), id.epoch.number(), id.sequence.number())
}

/// A reception counts for times only if the gateway's clock was synchronised.
pub(in crate::ledger) fn is_synchronised(column: rusqlite::Result<Option<bool>>) -> bool {
    matches!(column, Ok(Some(true)))
}
