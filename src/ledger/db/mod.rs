//! What the ledger is made of on disk: files, locks, and who else has them open.

pub mod actor;
pub mod place;
