//! What the ledger is made of on disk: files, locks, and who else has them open.

pub mod actor;
pub mod lock;
pub mod lock_holder;
pub mod names;
pub mod place;
pub mod wal;
