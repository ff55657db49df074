//! What is written to a ledger.

pub(in crate::ledger) mod acts;
