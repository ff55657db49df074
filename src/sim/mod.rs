//! The simulated field: loggers, the ground that they are in, the air between, and the truth about all of it.
//!
//! Input: a [`FieldPlan`], made from a seed and a few numbers. Output: the bytes that a gateway's radio
//! would pass on ([`Field`]), what a technician would bring home ([`Truth::sealed_dump`]), and what a
//! correct gateway must make of them ([`Truth`], [`Witness`]). The demo, the tests and the benches run on it.
//!
//! ```text
//! plan ── logger (what each unit measures, from physics; by its clock) ── truth ──┬── field (air, line) ── bytes
//!  ▲ embankment (where loggers are), story (what happens)      ▲ listening          └── memory (hand downloads)
//!                                     questions of the gateway ┘
//!                                             bytes ── witness ── tally, and which records were heard
//! ```
//!
//! The site is the *Harrow Tarn embankment*. It does not exist: every place, name, number and value here
//! is invented, and no sensor is modelled on a real product. General knowledge of the trade is marked
//! "common practice, no source".
//!
//! This is not a model of a dam. Values are plausible, not calculated.
//!
//! Guarantees: no clock and no I/O except for [`FieldPlan::write_config`];
//! the same plan gives the same bytes
//! on one machine (the last digit of a sine may differ on another); [`witness`] computes what is expected of a gateway
//! without any code of `wire::cobs`, of the frame parser or of `judge`.
//!
//! ```
//! use stonechat::sim::{Field, FieldPlan, TrueTime};
//!
//! let plan = FieldPlan::harrow_tarn(7, 3, TrueTime(1_780_000_000), 2);
//! let mut field = Field::new(plan);
//! let first = field.next().expect("loggers speak up in the first hour");
//! assert!(!first.bytes.is_empty());
//! let run = field.run_out();
//! assert_eq!(run.truth.heard().count() as u64, run.tally.stored);
//!
//! // A configuration is written once: a second one would replace a key.
//! let folder = tempfile::tempdir()?;
//! let plan = FieldPlan::harrow_tarn(7, 3, TrueTime(1_780_000_000), 2);
//! plan.write_config(folder.path(), "/dev/harrow-tarn-mast", 10.0)?;
//! let again = plan.write_config(folder.path(), "/dev/harrow-tarn-mast", 10.0).unwrap_err();
//! assert_eq!(again.kind(), std::io::ErrorKind::AlreadyExists);
//! assert!(again.to_string().contains("is there already, so nothing was written; name another folder"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod asking;
mod clock;
mod ears;
mod embankment;
mod files;
mod life;
mod logger;
mod memory;
mod random;
mod sealer;
mod sending;
mod sites;
mod story;
mod true_time;

pub mod field;
pub mod incidents;
pub mod listening;
pub mod physics;
pub mod plan;
pub mod styles;
pub mod truth;
pub mod witness;

pub use clock::ClockDrift;
pub use ears::Asked;
pub use field::{Emission, Field, Run};
pub use incidents::{BatterySwap, BurstLoss, ClockSet, IntervalChange, RestartPlan, Span, UnitReplacement};
pub use life::TruthRecord;
pub use listening::{Listener, ListeningPlan};
pub use physics::{Cell, Measured, Physics, Sensor};
pub use plan::{ChannelPlan, FaultRates, FieldPlan, LoggerPlan};
pub use sending::What;
pub use true_time::TrueTime;
pub use truth::Truth;
pub use witness::{Tally, Witness};
