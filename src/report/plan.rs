//! Plans: will the radio reach, how many loggers fit, how long does a cell last.
//!
//! Input: the figures of a plan (`config::plan`), the roster, and terrain. Output: answers as values with their
//! calculation. What this is not: the formulas are in `siting`; nothing here reads the ledger.

pub mod airtime;
pub mod battery;
pub mod path;
