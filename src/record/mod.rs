//! What a record is worth: pure rules about records, their clocks and what must exist.
//!
//! Reads no clock, no file and no randomness. What this is not: it keeps nothing (`ledger`) and says nothing to people
//! (`cli`).

pub mod acts;
pub mod backups;
pub mod clock;
pub mod clocks;
pub mod coverage;
pub mod damaged;
pub mod download;
pub mod expected;
pub mod facts;
pub mod gateway_clock;
pub mod imports;
pub mod judge;
pub mod neighbours;
pub mod notes;
pub mod raw_unit;
pub mod roster;
pub mod row;
pub mod set_aside;
pub mod site;
pub mod spans;
pub mod unopened;
pub mod unread;
pub mod waiting;
pub mod write_off;
pub mod written;
pub mod wrong_key;
