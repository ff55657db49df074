//! The ledger on disk: connections, schema, rows, locks, and which other processes have its files open.

pub mod actor;
pub mod error;
pub(in crate::ledger) mod frame;
pub mod lock;
pub mod lock_holder;
pub(in crate::ledger) mod meta;
pub mod names;
pub mod place;
pub(in crate::ledger) mod quarters;
pub(in crate::ledger) mod query;
pub(in crate::ledger) mod radio;
pub(in crate::ledger) mod ranges;
pub(in crate::ledger) mod rare;
pub mod response;
pub(in crate::ledger) mod row;
pub(in crate::ledger) mod schema;
pub(in crate::ledger) mod tx;
pub mod wal;
