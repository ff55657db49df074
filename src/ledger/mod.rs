//! The ledger: the SQLite file, and the only SQL of the program.
//!
//! Input: batches of opened records, frames that stay shut, and counts, from the daemon and from imports.
//! Output: durable commits, coverage for `judge`, and facts for the reports ([`query`]).
//!
//! ```text
//! batch ── judge, under the write lock ── journal (appended) ── once a day ── settled (clustered)
//!                     ▲                                                      + ranges
//!                 coverage = ranges + what the journal holds beyond them
//! ```
//!
//! Promises: records are only ever added; a batch is in whole or not at all; what is told committed has been
//! synced; several processes may write, each judging again under SQLite's lock.
//!
//! What this is not: it reads no clock (stamps are passed in) and knows no keys. `docs/ledger.md` has the
//! reasons for the layout.

pub mod care;
pub mod db;
pub mod digest;
pub mod read;
pub mod write;

pub use crate::time::Stamp;
pub use care::{rescue, site};
pub use db::error::Error;
pub use db::lock::DaemonLock;
pub use db::lock_holder::{Holder, lock_holder, readers};
pub use db::radio::RadioId;
pub use db::response::Response;
pub use db::row::steps_from_json;
pub use db::schema::VERSION as SCHEMA_VERSION;
pub use db::{actor, wal};
pub use write::aside::Limits as AsideLimits;
pub use write::batch::{Arrival, Batch, BatchItem, Content, ItemOutcome, Receipt, Reception, Shut, Window};
pub use write::notices::NOTICES_MAX;
pub use write::open::Ledger;
pub use write::retry::{Retried, Retry};
pub use write::settle::Settled;
