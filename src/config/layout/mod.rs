//! A layout: a description in TOML of how one kind of reader writes its CSV files.
//!
//! Input: the file. Output: a checked [`Layout`], which `hand::layout` uses to read rows. All arithmetic that a row
//! needs is prepared in whole numbers: a number of the file is a whole multiple of its column's resolution, and each
//! such step is a whole number of raw counts.
//!
//! What this is not: it opens no CSV file, and it never turns an engineering value back into counts. A layout that asks
//! for that is refused.
//!
//! Time zones: the IANA database, as included in the `chrono-tz` crate.

mod column;
mod folder;
mod format;
mod number;
mod read;
mod values;

pub use folder::load_all;
pub use format::{Format, Piece};
pub use number::unit;
pub use read::{load, parse};
pub use values::{Column, Delimiter, Encoding, Grid, Is, Layout, Place, Style, TimeRule, Zone};
