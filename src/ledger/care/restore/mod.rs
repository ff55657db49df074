//! Puts a backup in the ledger's place, without losing anything that only the present ledger has.
//!
//! Input: a backup (or another ledger) and the ledger's path. Output: the backup's content under the ledger's
//! name; the previous ledger is kept next to it under a dated name. The copy is first made under another name,
//! migrated to this release's schema, verified and synced. Then one rename puts it in place, so a power cut
//! leaves either the old ledger or the new one, complete.
//!
//! From before the comparison until the backup has the name, one connection locks the present ledger. A command
//! that writes in the meantime waits, and then finds the restored ledger (`digest::open::open_for_writing`). A
//! restore is refused while a daemon runs or another process has the ledger open. It is also refused if the
//! present ledger holds anything that the backup does not: records (by the digests of blocks), CSV rows, or
//! what people wrote down.
//!
//! What this is not: it merges nothing.

mod aside;
mod carry;
mod exchange;
mod more;
mod outcome;
mod present;

pub(in crate::ledger) use aside::tidy;
pub use exchange::restore;
pub use more::MoreThanBackup;
pub use outcome::{RestoreError, RestoreOptions, Restored};
