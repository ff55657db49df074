//! Salvage: copies the readable data of a damaged ledger into the present one, if it is proven to be correct.
//!
//! Input: a ledger that was set aside, or a damaged copy of one. Output: its records in the present ledger,
//! through the same judge as a download; and a list of what could not be brought over, by logger and sequence.
//! The damaged file is never written to: it is opened as immutable, or as a copy if it has a `-wal`. It is read
//! block by block, and record by record if some pages of a block cannot be read. So a damaged page costs only
//! its own content.
//!
//! What counts as proven:
//!
//! - records of a block that fits its content digest. If a part of the block cannot be read, the present
//!   ledger's records of the same identities are tried in its place;
//! - CSV rows of a block that fits its guard;
//! - unsettled records of a stretch that fits its seal;
//! - notes of people and proven keys, if their table fits its digest.
//!
//! Data that fits no digest is listed and not taken: its loggers or the backups may still have it. On request,
//! such readings and rows fill what is missing, as CSV rows do, in an import of their own that can be
//! withdrawn.
//!
//! Only a ledger of this site is salvaged (`care::site`): records of another site under the same addresses
//! would stay permanently, and the genuine ones would become conflicts. A person can ask to adopt such a
//! ledger. Its readings and rows then come as unproven CSV rows, in imports of their own, without profiles,
//! events, notes and keys.
//!
//! What this is not: it brings over no receptions (the records count as those of a download), no conflicts, and
//! no unopened frames.

mod bring;
mod counted;
mod notes;
mod outcome;
pub(in crate::ledger) mod proof;
mod read;
mod rows;
mod source;

pub use bring::salvage;
pub use outcome::{SalvageError, SalvageOptions, Salvaged};
