//! What is read of a ledger.

pub mod given_up;
pub mod logbook;
