//! Everything that reads from a ledger.

pub(in crate::ledger) mod ahead;
pub mod asks;
pub mod configuration;
pub mod content;
pub(in crate::ledger) mod coverage;
pub mod days;
pub(in crate::ledger) mod elsewhere;
pub mod extract;
pub(in crate::ledger) mod facts;
pub(in crate::ledger) mod failing;
pub mod given_up;
pub(in crate::ledger) mod held;
pub(in crate::ledger) mod history;
pub mod keys;
pub(in crate::ledger) mod listening;
pub mod logbook;
pub mod notes;
pub mod origin;
pub mod readings;
pub mod recent;
pub(in crate::ledger) mod receptions;
pub mod side_tables;
pub mod snapshot;
pub(in crate::ledger) mod tables;
pub(in crate::ledger) mod unread;

/// Why a ledger could not be read.
pub type ReadError = crate::ledger::db::error::Error;

/// The result of reading a ledger.
pub type Read<T> = Result<T, ReadError>;
