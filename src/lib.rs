//! stonechat: an ingest daemon and local time-series store for the gateway of a site.
//!
//! Four floors, each of which answers one question. No module imports from a floor above; `tests/layers.rs` has the
//! table of allowed imports.
//!
//! ```text
//! How is it said, and asked?   cli  view  daemon
//! What does it mean?           report  hand  export  plot
//! Where is it kept?            config  files  state  ledger/{db, digest, read, write, care}    (link: the radios)
//! What is it?                  time  text  when  wire  seal  record  units  siting             pure
//! ```
//!
//! `wire`, `seal`, `record`, `units`, `siting` and `report` are pure: no I/O, no clock, no randomness. `sim` is a simulated field
//! for the demo and the tests.

// First, because `sim` uses the arithmetic of these clocks for its true time.
#[macro_use]
pub mod time;

pub mod cli;
pub mod config;
pub mod daemon;
pub mod export;
pub mod files;
pub mod hand;
pub mod ledger;
pub mod link;
pub mod plot;
pub mod record;
pub mod report;
pub mod seal;
#[cfg(feature = "sim")]
pub mod sim;
pub mod siting;
pub mod state;
pub mod text;
pub mod units;
pub mod view;
pub mod when;
pub mod wire;
