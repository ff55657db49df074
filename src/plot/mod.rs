//! How a picture of readings in time is drawn.
//!
//! ```text
//! report::picture ─▶ scene (axis: ticks; words) ─▶ render: SVG, PNG
//! captions ────────────┘
//! ```
//!
//! Pure: no I/O, no clock. What this is not: no judge of values. Every value that is drawn is one that is held; where
//! none is, the line is broken and never bridged.

pub mod axis;
#[cfg(feature = "desk")]
pub mod png;
pub mod render;
pub mod scene;
pub mod words;
