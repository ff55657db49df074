//! What is read of a ledger.

pub(in crate::ledger) mod ahead;
pub mod extract;
pub(in crate::ledger) mod failing;
pub mod given_up;
pub mod logbook;
pub mod origin;
pub mod readings;
pub mod snapshot;
pub(in crate::ledger) mod unread;

/// What comes of reading a ledger.
pub type Read<T> = Result<T, crate::ledger::db::error::Error>;
