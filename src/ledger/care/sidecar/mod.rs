//! The sidecar: a small file next to the ledger that must survive it. From it, a new ledger knows what a
//! damaged one held. It is written once a day and at a stop, and contains a digest.
//!
//! It holds: what is covered, as ranges; the ends of epochs that profiles name; write-offs and other notes of
//! people; slots in use; radios and when they listened. It also holds, complete, the few records on which
//! reports depend: the records on either side of each gap with the nearest reading, the first and the last of
//! each epoch, the profiles in force at gaps, and every clock, power-up and memory event. So the new ledger's
//! gap report is the same as the old one's. The file grows with gaps and events, not with readings.
//!
//! A file that does not fit its digest, or is of another version, is not used.
//!
//! What this is not: a backup. It contains no key, and hardly any measured value.

mod file;
mod proof;
mod taken;

pub use file::{Sidecar, path_of};
pub(in crate::ledger) use file::{WHOLE, ranges};
