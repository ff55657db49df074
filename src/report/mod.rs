//! What the record means: answers as values, for commands, page, notices and files to put into words.
//!
//! Each question has one place here, and every report takes its answer from there: `gaps` says what is missing, `visits`
//! in which order to go.
//!
//! Input: coverage, the roster, the time, and a few facts about held records. What this is not: no I/O, no clock, no SQL
//! and no text.

pub mod gaps;
pub mod visits;
