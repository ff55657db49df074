//! Turns values into text: one file for each answer. Reads no ledger and no file.
//!
//! ```
//! use stonechat::report::check::{CheckReport, Files, Mistake};
//! use stonechat::view::{check, term::{Column, Table}};
//!
//! let area = Column::new("area").gives_up(1);
//! let mut table = Table::of(vec![Column::new("logger"), Column::new("missing").right(), area]);
//! table.row(["P-17".into(), "36".into(), "east abutment".into()]);
//! // Columns that do not fit are dropped, the least important first.
//! assert_eq!(table.fitted(20, '…'), "logger  missing\nP-17         36\n");
//!
//! // Failures are put into words here too.
//! let file = std::path::Path::new("harrow-tarn/site.toml");
//! let problems = stonechat::config::load(file).unwrap_err();
//! let problems = problems.iter().map(Mistake::from).collect();
//! let config = Files::of(file, None, None);
//! let report = CheckReport { config, problems, warnings: vec![], ports: vec![], ledger: None };
//! assert_eq!(
//!     check::text(&report),
//!     "harrow-tarn/site.toml: there is no such file; name it with --config, or write a first one with \
//!      `stonechat init DIR`\nthere is 1 mistake; neither ports nor the ledger were tried\n"
//! );
//! ```

pub mod asked;
pub mod backup;
pub mod check;
pub mod compared;
pub mod completeness;
pub mod enrol;
pub mod export;
pub mod frame;
pub mod gaps;
pub mod gateway;
pub mod import;
pub mod key_sheet;
pub mod key_slots;
pub mod logbook;
pub mod notes;
pub mod picture;
pub mod plan;
pub mod restored;
pub mod salvaged;
pub mod screen;
pub mod service;
pub mod set_aside;
pub mod sheet;
pub mod site;
pub mod status;
pub mod term;
pub mod units;
pub mod unread;
pub mod verdict;
pub mod verified;
pub mod visits;
pub mod write_off;
pub mod written;

/// What the program is not, for its help and its pictures.
pub const CAUTION: &str = "This is not a warning or alarm system for life safety: local codes, the site's emergency \
plan and licensed engineers decide. Radio use follows the local regulator.";
