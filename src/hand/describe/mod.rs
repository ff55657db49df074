//! A look at an unknown CSV file: what is in it, and a layout to start from.
//!
//! Input: a file's bytes, once from front to back. Output: a [`Description`], whose text is itself a layout: what was
//! seen stands in comments, and what the file cannot say is left as a choice, which the reader of layouts refuses
//! until a person has made it.
//!
//! What this is not: it never chooses between day and month where no day exceeds 12, nor a time zone, nor what an
//! unnamed number is. It changes nothing and asks the ledger nothing.

mod columns;
mod look;
mod print;
mod roles;
mod style;

pub use look::{DescribeError, Description, describe};
