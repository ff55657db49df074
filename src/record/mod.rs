//! What a record is worth: pure rules about records, their clocks and what must exist.
//!
//! Reads no clock, no file and no randomness. What this is not: it keeps nothing (`ledger`) and shows nothing to people
//! (`cli`).
//!
//! ```
//! use stonechat::record::coverage::{Basis, Coverage};
//! use stonechat::record::notes;
//! use stonechat::record::roster::{Logger, Roster};
//! use stonechat::wire::seq::{Address, Epoch};
//!
//! # (|| {
//! // P-17 toe drain is on the roster of Harrow Tarn embankment. Its records 1 to 40 and 43 to 50 are held.
//! let (logger, epoch) = (Address::new(17)?, Epoch::new(1)?);
//! let mut roster = Roster::default();
//! roster.add(Logger::new(logger, "P-17 toe drain", 3600, 8000)).ok()?;
//! let mut coverage = Coverage::default();
//! coverage.insert_range(logger, epoch, Basis::Authentic, 1, 40);
//! coverage.insert_range(logger, epoch, Basis::Authentic, 43, 50);
//! let must = coverage.expectations(logger)[0].must;
//! assert_eq!(coverage.epoch(logger, epoch)?.held().missing(1..=must).ranges(), [(41, 42)]);
//!
//! // Logger 71 is not on the roster.
//! let refused = "logger 71 is not on the roster; `stonechat status` lists the loggers";
//! assert_eq!(notes::logger(&roster, 71), Err(refused.to_owned()));
//! # Some(())
//! # })().unwrap();
//! ```

pub mod acts;
pub mod asked;
pub mod backups;
pub mod clock;
pub mod clocks;
pub mod coverage;
pub mod damaged;
pub mod download;
pub mod expected;
pub mod facts;
pub mod gateway_clock;
pub mod imports;
pub mod in_force;
pub mod judge;
pub mod neighbours;
pub mod notes;
pub mod raw_unit;
pub mod roster;
pub mod row;
pub mod set_aside;
pub mod site;
pub mod spans;
pub mod unopened;
pub mod unread;
pub mod waiting;
pub mod write_off;
pub mod written;
pub mod wrong_key;
