//! What is read of a ledger.

pub(in crate::ledger) mod failing;
pub mod given_up;
pub mod logbook;
