//! The tables that hold records, as reports walk them: each with the expressions for its time and its reception.

use crate::wire::seq::Identity;

/// Where records lie at rest, with what is their time and their reception.
pub(in crate::ledger) const SEALED_TABLES: [(&str, &str, &str); 5] = [
    ("settled", "time", "time + lag"),
    ("retired_row", "time", "time + lag"),
    ("profile_row", "time", "received_at"),
    ("event_row", "time", "received_at"),
    ("opaque_row", "coalesce(received_at, stored_at, 0)", "received_at"),
];

/// Where authentic records lie at rest, and the column that is empty of those that came by hand; each has an index of them.
pub(in crate::ledger) const BY_HAND: [(&str, &str); 5] = [
    ("settled", "lag"),
    ("retired_row", "lag"),
    ("profile_row", "received_at"),
    ("event_row", "received_at"),
    ("opaque_row", "received_at"),
];

/// Where records of hand downloads lie at rest, and what tells them from those that came by radio.
pub(in crate::ledger) const HAND_TABLES: [(&str, &str); 3] = [
    (
        "settled_or_retired",
        "lag IS NULL AND (rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))",
    ),
    ("profile_row", "received_at IS NULL AND rank = 0"),
    ("event_row", "received_at IS NULL AND rank = 0"),
];

/// Seconds in a day of UTC, as the counters count days.
pub(in crate::ledger) const DAY_S: i64 = 86_400;

pub(in crate::ledger) fn key(id: Identity) -> (u16, u32, u32) {
    (id.address.number(), id.epoch.number(), id.sequence.number())
}

/// A reception counts for times only where the gateway knew its own.
pub(in crate::ledger) fn is_synchronised(column: rusqlite::Result<Option<bool>>) -> bool {
    matches!(column, Ok(Some(true)))
}
