//! What the record means: answers as values; commands, pages, notices and files put them into words.
//!
//! Each question has one place here, and every report takes its answer from there:
//!
//! | file | question |
//! |---|---|
//! | `gaps`, `gap_state`, `silence` | what is missing, what is written off, which loggers are silent |
//! | `memory` | what a logger still holds, and until when |
//! | `reception`, `outage` | what did not come by radio, and why |
//! | `service` | which loggers left |
//! | `visits`, `walk`, `sheet` | in which order to go, and what to take along |
//! | `gateway`, `health` | what prevents the gateway from hearing loggers |
//! | `status`, `days` | the state of the site, and of each day |
//! | `completeness`, `origin` | how much is held, and how it came |
//! | `selection`, `notes` | the gap report of a part, and what people wrote down about it |
//! | `values`, `point_check` | what a point's counts are in engineering units, and which points have none |
//! | `picture` | what is in a picture of readings in time |
//! | `give_up` | what is to be written off |
//! | `enrol` | what is known of a logger that is not on the roster yet |
//!
//! Input: coverage, the roster, the time, and a few facts about held records; for values, held readings. No clock, no
//! SQL and no text.
//!
//! ```
//! use stonechat::ledger::{Ledger, read::snapshot::Reader};
//! use stonechat::record::{coverage::{Basis, Coverage}, roster::{Logger, Roster}};
//! use stonechat::report::gaps;
//! use stonechat::time::GatewayTime;
//! use stonechat::wire::seq::Identity;
//!
//! let (folder, now) = (tempfile::tempdir()?, GatewayTime(1_780_000_000));
//! let held = [1, 2, 5].map(|sequence| Identity::new(17, 1, sequence).expect("no number is reserved"));
//! let mut coverage = Coverage::default();
//! for identity in held {
//!     coverage.insert(identity, Basis::Authentic);
//! }
//! let mut roster = Roster::default();
//! roster.add(Logger::new(held[0].address, "P-17", 900, 10_000)).expect("the address is free");
//!
//! // Facts, such as times, come from a ledger; in this new one there are none.
//! let path = folder.path().join("harrow-tarn.db");
//! let report = |reader: Reader| reader.read(|facts| gaps::report(&roster, &coverage, facts, now, |_| true));
//! let error = Reader::open(&path).and_then(report).unwrap_err();
//! assert!(error.to_string().contains("there is none; `stonechat run` makes it"));
//!
//! Ledger::open(&path)?;
//! let found = Reader::open(&path).and_then(report)?;
//! assert_eq!(found.gaps.iter().map(|gap| (gap.first, gap.last)).collect::<Vec<_>>(), [(3, 4)]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod ask;
pub mod check;
pub mod completeness;
pub mod conditions;
pub mod days;
pub mod enrol;
pub mod gap_state;
pub mod gaps;
pub mod gateway;
pub mod give_up;
pub mod health;
pub mod inputs;
pub mod key_slots;
pub mod memory;
pub mod notes;
pub mod origin;
pub mod outage;
pub mod picture;
pub mod plan;
pub mod point_check;
pub mod reception;
pub mod selection;
pub mod service;
pub mod set_aside;
pub mod sheet;
pub mod silence;
pub mod slots;
pub mod status;
pub mod values;
pub mod verdict;
pub mod visits;
pub mod walk;
