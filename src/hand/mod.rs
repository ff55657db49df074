//! Hand downloads: what a technician brings back on a stick, from bytes to a plan of what it would add.
//!
//! Input: the bytes of sealed dumps and CSV files, a roster, a keyring, and what the ledger holds. Output: a
//! [`Plan`](plan::Planning) that says of every frame and row what would become of it, and keeps what is new in a
//! compact form until the ledger takes it. Nothing here writes: judging uses the same `judge` as the radio, and
//! `ledger::write::import` judges once more under the lock.
//!
//! Every file is hostile: cut off anywhere, damaged, another site's, gigabytes without a line's end. Memory grows
//! with what is new in the files, about 130 bytes a record, and not with their size.

pub mod cover;
pub mod csv;
pub mod describe;
pub mod dump;
pub mod effect;
pub mod foreign;
pub mod inputs;
pub mod kept;
pub mod layout;
pub mod lines;
pub mod local;
mod loose;
pub mod matching;
pub mod opened;
pub mod outcome;
mod place;
pub mod plan;
mod recognise;
pub mod refusals;

pub use place::Place;
pub use recognise::{HEAD_BYTES, Looks, recognise};
