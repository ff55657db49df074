//! What downloads would add, before anything is written: every frame and row judged as the radio's are.
//!
//! Input: the bytes of files, one after the other; the roster, the keyring, and what the ledger holds. Output: a
//! [`FilePlan`] each, with outcomes that add up to what was read, and the new items in compact form. Within a file
//! and over all files of one call, the first of two that disagree is the record, as in the ledger. A CSV row where no
//! authentic record is held waits, in compact form, until its file has ended: its neighbours decide.
//!
//! What this is not: it writes nothing, and it holds the ledger's state for a few thousand items at a time only.
//! Under the lock everything is judged again, so a record that comes by radio meanwhile is a duplicate, and no
//! harm.

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
pub use reading::{Digested, Listener, PlanError, Refusal, pieces};
