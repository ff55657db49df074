//! What can be read of a damaged ledger, brought over into the present one, as far as it is proven to be right.
//!
//! Input: a ledger that was set aside, or any damaged copy of one. Output: its records in the present ledger, through
//! the same judge as a download; and what could not be brought, by logger and sequence. The damaged file is opened as
//! immutable, or as a copy where it has a `-wal`: it is never written to. Reads go block by block by key, and record by
//! record where a block's pages cannot all be read, so a damaged page costs what is in it.
//!
//! Proven is what fits a digest: a whole block its content digest (where a part of it cannot be read, the present
//! ledger's records of the same identities are tried in its place), CSV rows the guard of their block, an unsettled
//! stretch its seal, what people wrote down their table's. What fits none is listed and not taken: its loggers or its
//! backups may still have it. If it is asked for, such readings and rows fill what is missing as CSV rows do,
//! in an import of their own that can be withdrawn.
//!
//! Keys that have opened frames are brought over where their table fits.
//!
//! Only of a ledger of this site (`care::site`): records of another one under the same addresses would stay for good, and
//! the genuine ones would be conflicts. Where a person asks for such a ledger to be adopted, its readings and rows come
//! as CSV rows that are not proven, in imports of their own; no profile, no event, no note and no key comes with
//! them.
//!
//! What this is not: it brings over no reception (such a record stands as one of a download), and neither conflicts
//! nor frames that stayed shut.

mod bring;
mod counted;
mod notes;
mod outcome;
pub(in crate::ledger) mod proof;
mod read;
mod rows;
mod source;

pub use bring::salvage;
pub use outcome::{How, SalvageError, Salvaged};
