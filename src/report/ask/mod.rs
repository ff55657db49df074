//! What to ask a logger for, so that gaps heal over the radio before a person drives.
//!
//! Input: the gaps of the report ([`Wish::of_gaps`]), what a logger was asked and what came of it ([`Asking`]), and how
//! much may be sent and answered ([`budget`]). Output: the spans of one request to send again.
//!
//! ```text
//! gaps ── wishes ──▶ Asking ◀── frames heard
//!                      │
//!   budget, airtime ── next ──▶ spans ──▶ request
//! ```
//!
//! Rules: `docs/wire-format.md`, section 14. What is asked for is missing, not written off, and not known to be gone from
//! the logger. What two requests did not bring, and a later memory statement neither, is not asked for again.
//!
//! No I/O, no clock and no randomness: times are passed in. What this is not: it decides neither whether the gateway may
//! send at all, nor to which radio.

pub mod airtime;
pub mod asking;
pub mod budget;
pub mod wishes;

pub use asking::{Asking, Closed};
pub use wishes::Wish;
