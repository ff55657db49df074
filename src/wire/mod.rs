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
//!
//! ```
//! use stonechat::wire::cobs::{Deframer, Run};
//! use stonechat::wire::frame::{KIND_AIR, NoFrame, SerialFrame, VERSION, encode_line, header};
//! use stonechat::wire::seq::{Identity, Slot};
//!
//! # (|| {
//! // Record 42 of logger 17 at Harrow Tarn embankment; 40 bytes stand in for what is sealed.
//! let id = Identity::new(17, 1, 42)?;
//! let mut air = header(VERSION, Slot(0), id.address, id.epoch, id.sequence).to_vec();
//! air.extend([0x5A; 40]);
//! let mut line = Vec::new();
//! encode_line(KIND_AIR, None, &air, &mut line);
//!
//! let mut deframer = Deframer::default();
//! let Run::Frame { decoded, .. } = deframer.next_run(&mut &line[..])? else { return None };
//! assert_eq!(SerialFrame::parse(decoded).map(|frame| frame.air.identity), Ok(id));
//!
//! // With one bit wrong it is line noise.
//! let mut damaged = decoded.to_vec();
//! damaged[20] ^= 1;
//! assert_eq!(SerialFrame::parse(&damaged).err(), Some(NoFrame::CheckSequence));
//! # Some(())
//! # })().unwrap();
//! ```

pub mod check;
pub mod cobs;
pub mod frame;
pub mod record;
pub mod seq;
