//! What must outlive the ledger's file: a small digested file beside it, written once a day and at a stop, from which
//! a new ledger knows what a damaged one held.
//!
//! In it: what is covered, as ranges; the ends of epochs that profiles name; write-offs and what else people wrote
//! down; slots in use; radios and when they listened; and, whole, the few records on which reports rest: those on either
//! side of each gap with the nearest reading, each epoch's first and last, the profiles in force at gaps, and every clock,
//! power-up and memory event.
//! So a gap report by the new ledger is the one by the old. The size grows with gaps and events, not with readings.
//!
//! A file that does not fit its digest, or is of a version that is not ours, is not used.
//!
//! What this is not: no backup. It has no key, and hardly a measured value.

mod file;
mod proof;
mod taken;

pub use file::{Sidecar, path_of};
pub(in crate::ledger) use file::{WHOLE, ranges};
