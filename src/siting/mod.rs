//! Will it reach, will it last: radio path, airtime and battery of loggers that are planned.
//!
//! ```text
//! section (CSV), grid and geodesy ──▶ Section ─┐
//! radio: powers, gains, noise ─────────────────┴▶ link: margins, with every step ──▶ report
//! airtime: time on air ──▶ collisions: frames lost ──▶ battery: charge by consumer, years of life
//! ```
//!
//! Input: figures that a person gave. Output: figures with their unit at the end of their names, and written
//! calculations. Pure: no I/O, no clock; a random source is passed in.
//!
//! What this is not: no measurement, and no statement about what may be sent anywhere. Limits of power and airtime are
//! the user's own figures.
//!
//! The sources of the formulas are named where they are used. Recommendations of ITU-R are cited from memory, unless it
//! says otherwise; docs/plan.md lists what was read and what was checked.

pub mod airtime;
pub mod battery;
pub mod cell;
pub mod collisions;
pub mod diffraction;
pub mod geodesy;
pub mod grid;
pub mod link;
pub mod path;
pub mod radio;
pub mod section;
pub mod woodland;
