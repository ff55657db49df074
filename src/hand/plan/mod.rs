//! What downloads would add, before anything is written: every frame and row is judged like those from the radio.
//!
//! Input: the bytes of files, one after the other; the roster, the keyring, and what the ledger holds. Output: a
//! [`FilePlan`] for each file, with outcomes that add up to what was read, and the new items in compact form. Within a
//! file and across all files of one call, the first of two that disagree is the record, as in the ledger. A CSV row
//! without an authentic held record waits, in compact form, until its file has ended: its neighbours decide.
//!
//! It writes nothing, and it reads the ledger's state for only a few thousand items at a time.
//! Everything is judged again under the lock, so a record that comes by radio in the meantime is a duplicate and does
//! no harm.

mod both;
mod desk;
mod file;
mod planning;
mod reading;
mod undecided;
mod words;

pub(crate) use both::Both;
pub use file::{FilePlan, RefusedGroup, Shift};
pub use planning::Planning;
pub use reading::{Digested, Listener, PlanError, Refusal, Step, Stopped, pieces};
