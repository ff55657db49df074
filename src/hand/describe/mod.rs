//! Examines an unknown CSV file: prints what is in it, and a layout to start from.
//!
//! Input: a file's bytes, once from front to back. Output: a [`Description`], whose text is itself a layout: what was
//! found is in comments, and what the file cannot show is left as a choice, which the reader of layouts refuses
//! until a person has made it.
//!
//! It never chooses between day and month if no day exceeds 12, nor a time zone, nor the meaning of an
//! unnamed number. It changes nothing and does not use the ledger.

mod columns;
mod look;
mod print;
mod roles;
mod style;

pub use look::{DescribeError, Description, describe};
