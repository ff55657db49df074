//! Digests: of records by blocks, and of every other table. They show what changed, and in what two copies
//! agree.

pub(in crate::ledger) mod block;
pub(in crate::ledger) mod open;
pub(in crate::ledger) mod seal;
pub(in crate::ledger) mod table;
