//! Bytes and their meaning, one layer at a time.
//!
//! Input: bytes from a serial radio or a hand download. Output: air frames (still sealed) and, from plaintext,
//! [`record::Record`]s; and the same in the other direction.
//!
//! ```text
//! bytes ── cobs::Deframer ── frame::SerialFrame ── frame::AirFrame ── (seal) ── record::Record
//! ```
//!
//! What this is not: it does no I/O, reads no clock, has no keys and does not decide what a frame is worth (`judge`
//! does).
//!
//! Promises: no function here panics, whatever the bytes; memory is one fixed buffer per deframer; nothing is allocated
//! for an incoming frame. The format is described in `docs/wire-format.md`.
//!
//! ```
//! use stonechat::wire::cobs::{Deframer, Run};
//! use stonechat::wire::frame::{KIND_AIR, NoFrame, SerialFrame, VERSION, encode_line, header};
//! use stonechat::wire::seq::{Identity, Slot};
//!
//! # (|| {
//! // Record 42 of logger 17 at Harrow Tarn embankment; 40 bytes in place of the sealed record.
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
//! // With one wrong bit it is line noise.
//! let mut damaged = decoded.to_vec();
//! damaged[20] ^= 1;
//! assert_eq!(SerialFrame::parse(&damaged).err(), Some(NoFrame::CheckSequence));
//! # Some(())
//! # })().unwrap();
//! ```

pub mod airtime;
pub mod check;
pub mod cobs;
pub mod fields;
pub mod frame;
pub mod radio_status;
pub mod record;
pub mod request;
pub mod seq;
pub mod statement;
