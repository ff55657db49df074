//! Bytes and their meaning, one layer at a time.
//!
//! Input: bytes as a serial radio or a hand download gives them. Output: air frames (still sealed) and,
//! from plaintext, [`record::Record`]s; and all of it the other way round.
//!
//! ```text
//! bytes ── cobs::Deframer ── frame::SerialFrame ── frame::AirFrame ── (seal) ── record::Record
//! ```
//!
//! What this is not: no I/O, no clock, no keys, no opinion on what a frame is worth (that is `judge`).
//!
//! Promises: no function here panics on any bytes; memory is a fixed buffer a deframer; nothing is
//! allocated for a frame on its way in. The format is described in `docs/wire-format.md`.

pub mod check;
pub mod cobs;
pub mod frame;
pub mod record;
pub mod seq;
