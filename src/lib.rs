//! stonechat: an ingest daemon and local time-series store for the gateway of a site.
//!
//! ```text
//! radio bytes ── link ── wire ── seal ── judge ── ledger ── gaps ── cli
//!                                  ▲       ▲
//!              hand downloads ── hand ┘       └── coverage (ranges)
//! ```
//!
//! Readers meet the modules in the order in which the data does; each knows those before it and none after.
//! `wire`, `seal`, `judge`, `coverage`, `gaps`, `visits`, `completeness` and `units` are pure: no I/O, no clock, no
//! chance.

pub mod cli;
pub mod completeness;
pub mod config;
pub mod coverage;
pub mod daemon;
pub mod export;
pub mod files;
pub mod hand;
pub mod judge;
pub mod ledger;
pub mod link;
pub mod people;
pub mod plot;
pub mod record;
pub mod report;
pub mod seal;
#[cfg(feature = "sim")]
pub mod sim;
pub mod state;
pub mod text;
pub mod time;
pub mod units;
pub mod view;
pub mod when;
pub mod wire;

pub use record::clock;
pub use report::{gaps, visits};
