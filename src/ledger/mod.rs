//! The ledger: the SQLite file, and the only SQL of the program.
//!
//! Input: batches of opened records, unopened frames, and counts, from the daemon and from imports.
//! Output: durable commits, coverage for `judge`, and facts for the reports ([`read`]).
//!
//! ```text
//! batch ── judge, under the write lock ── journal (appended) ── once a day ── settled (clustered)
//!                     ▲                                                      + ranges
//!                 coverage = ranges + what the journal holds beyond them
//! ```
//!
//! Promises: records are only ever added; a batch is stored completely or not at all; what is reported as
//! committed has been synced; several processes may write, and each judges again under SQLite's lock.
//!
//! What this is not: it reads no clock (stamps are passed in) and knows no keys. `docs/ledger.md` has the
//! reasons for the layout.
//!
//! ```
//! use stonechat::ledger::{Arrival, Batch, Error, Ledger, Reception, Stamp, read::snapshot::Reader};
//! use stonechat::record::roster::{Logger, Roster};
//! use stonechat::wire::{record::{Reading, Record}, seq::{Identity, Slot}};
//!
//! let folder = tempfile::tempdir()?;
//! let path = folder.path().join("harrow-tarn.db");
//! let mut ledger = Ledger::open(&path)?;
//! let now = Stamp { unix_s: 1_780_000_000, synchronised: true };
//! let identity = Identity::new(17, 1, 1).expect("no number is reserved");
//! let mut roster = Roster::default();
//! roster.add(Logger::new(identity.address, "P-17", 900, 10_000)).expect("the address is free");
//!
//! let reading = Reading::new(1_780_000_000, 3_600, None, 0, &[8_214]).expect("one channel");
//! let mut plaintext = Vec::new();
//! Record::Reading(reading).encode(&mut plaintext);
//! let reception = Some(Reception { radio: ledger.radios(&["mast"])?[0], at: now, signal: None });
//! let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
//! let mut batch = Batch::default();
//! batch.push_record(arrival, &plaintext);
//! assert_eq!(ledger.append(&batch, &roster, now)?.tally.frames(), 1);
//! assert!(Reader::open(&path)?.read(|held| Ok(held.coverage().holds_authentic(identity)))?);
//!
//! let other = folder.path().join("notes.txt");
//! std::fs::write(&other, "Harrow Tarn, east abutment: gate key at the office")?;
//! assert!(matches!(Ledger::open(&other), Err(Error::NotALedger { path }) if path == other));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

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
pub use write::ask_news::{AskNews, SentClock, SentRequest, Spent};
pub use write::batch::{
    Arrival, Batch, BatchItem, Content, ItemOutcome, Receipt, Reception, UnopenedArrival, Window,
};
pub use write::notices::NOTICES_MAX;
pub use write::open::Ledger;
pub use write::retry::{Retried, Retry};
pub use write::settle::Settled;
