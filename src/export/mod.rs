//! Readings out: from the ledger to a file that a spreadsheet, a notebook or a database opens, with a descriptor.
//!
//! ```text
//! ledger::read::extract ──▶ clock (as chosen) ──▶ shape (wide, long) ──▶ csv │ jsonl │ parquet ──▶ file (part, sync, rename)
//!   stretches            gaps (rows of their own)   ▲ convert                                  └▶ describe
//! ```
//!
//! Two threads: one reads and converts a stretch while the other forms the rows of the one before it; a third, of
//! `file`, writes and digests.
//!
//! Input: a [`Request`], a ledger opened for reading beside a daemon, the roster, a [`Convert`]. Output: a file, a
//! [`Summary`], a descriptor. Order: by logger, epoch, sequence. Memory is that of two stretches of rows, of one row
//! group of Parquet, and of the gaps; it does not grow with the readings.
//!
//! Consistency: each stretch is read in a short transaction of its own, so that the daemon's -wal stays small. All
//! that was committed before the beginning is in it once; what is committed meanwhile may be in it or not. With
//! `as_of` it is what stood then.
//!
//! What this is not: nothing here changes the ledger, and no reading is left out for its time alone but by the span
//! that was asked for; how many have impossible times is counted.

pub mod beside;
pub mod convert;
mod csv;
pub mod delivery;
pub mod describe;
mod error;
pub mod file;
mod jsonl;
#[cfg(feature = "desk")]
mod parquet;
pub mod points;
mod request;
mod shape;
mod table;
pub mod text;
mod write;

pub use error::ExportError;
pub use request::{Clock, Format, OfLogger, Request, Shape, Summary};
pub use table::{Column, Kind};
pub use write::write;
