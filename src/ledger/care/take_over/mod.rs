//! Taking over from a damaged ledger: the damage is detected, the ledger is set aside complete under a dated
//! name, and a new ledger continues at once, which knows what was held.
//!
//! Input: the ledger's path, and the sidecar next to it ([`crate::ledger::care::sidecar`]). Output: a ledger to
//! continue with. A ledger is checked when it is opened, in time that does not grow with the years: the file's
//! length against its header, its schema, the digests of the tables that coverage comes from, and how far it
//! reaches against how far it is known to have reached (a lost `-wal`). Other damage is found when it is read:
//! then the daemon comes here too.
//!
//! The damaged file is renamed together with its `-wal`. It is never written to and never removed. What it
//! holds counts as held (`elsewhere`), so no gap appears for which no visit is needed. A record of it that
//! comes again is stored, because its content is not in the new ledger. Commits since the last settle are
//! copied if their seals prove them complete. If the file is gone, or SQLite cannot open it, nothing of it
//! counts as held: its records are missing in every report, and stay expected (`once_held`). The same is true
//! for what a sound file is known to lack.
//!
//! What this is not: single damaged values in a sound file are no reason to set it aside; `verify` names them.

mod aside;
mod carried;
mod look;
mod made;
mod open;
mod outcome;

pub use aside::ASIDE_MAX;
pub(in crate::ledger) use open::open_if_sound;
pub use open::{Opened, look_again, open, replace};
pub use outcome::TakenOver;
