//! The content of a picture of readings in time: panels, gaps, marks, remarks.
//!
//! ```text
//! readings, one by one ─▶ Series (thin: few points a column) ─▶ Panel ┐
//! gaps, remarks, manual readings ────────────────────────────────────┴▶ Picture
//! ```
//!
//! Input: one consistent state of the ledger, and what is wanted of it. Output: a [`Picture`]. This module does not
//! judge values and has no texts but names; `plot` draws it.

mod ask;
mod band;
mod near;
mod panel;
mod thin;

pub use ask::{Ground, Picture, Subject, picture, span};
pub use band::{Band, Missing};
pub use panel::{Drawn, Marked, Panel, Series};
pub use thin::{At, Columns};
