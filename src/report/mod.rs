//! Answers as values: what the ledger holds, put together for whoever shows it. No text for a screen, no SQL.

pub mod inputs;
pub mod values;
