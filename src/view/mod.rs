//! Values in words: one file an answer. Reads no ledger and no file.

pub mod backup;
pub mod check;
pub mod compared;
pub mod completeness;
pub mod export;
pub mod frame;
pub mod gaps;
pub mod gateway;
pub mod import;
pub mod key_sheet;
pub mod key_slots;
pub mod logbook;
pub mod notes;
pub mod picture;
pub mod restored;
pub mod salvaged;
pub mod service;
pub mod set_aside;
pub mod sheet;
pub mod site;
pub mod status;
pub mod term;
pub mod units;
pub mod unread;
pub mod verified;
pub mod visits;
pub mod write_off;
pub mod written;

/// What the program is not, where it presents itself.
pub const CAUTION: &str = "\
This is no warning or alarm system for life safety: local codes, the site's emergency \
plan and licensed engineers decide. Radio use follows the local regulator.";
