//! Digests: of records by blocks, and of every other table. They say what changed, and what two copies agree in.

pub(in crate::ledger) mod block;
pub(in crate::ledger) mod open;
pub(in crate::ledger) mod seal;
pub(in crate::ledger) mod table;
