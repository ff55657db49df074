//! Radio status: what a radio says about itself, at most every 10 seconds. Serial kind 0x10.
//!
//! Input: a decoded run of `cobs`. Output: a [`RadioStatus`], or `None` if the run is something else.
//!
//! ```text
//! kind 0x10 │ uptime 4 │ heard 4 │ damaged 4 │ sent 4 │ airtime 4 │ noise floor 1 │ FCS 2
//! ```
//!
//! What this is not: it is not a record, it is not sealed, and nothing about a logger may be concluded from it.
//! Promises: never panics, allocates nothing.

use super::frame::fcs;

/// The kind of a radio status on the serial line.
pub const KIND_RADIO_STATUS: u8 = 0x10;
/// The noise floor's value for "not measured".
const NOT_MEASURED: i8 = 127;

/// What a radio counts and measures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RadioStatus {
    /// Seconds since it was powered up.
    pub uptime_s: u32,
    /// Frames heard since then.
    pub heard: u32,
    /// Frames since then that came damaged.
    pub damaged: u32,
    /// Frames sent since then.
    pub sent: u32,
    /// Milliseconds of sending within the last hour.
    pub airtime_ms: u32,
    /// `None`: not measured.
    pub noise_floor_dbm: Option<i8>,
}

impl RadioStatus {
    /// `None` unless the run is of this kind, has its length and a right check sequence.
    pub fn parse(run: &[u8]) -> Option<Self> {
        let (body, sent) = run.split_last_chunk::<2>()?;
        let (&kind, fields) = body.split_first()?;
        let (&numbers, &[noise_floor]) = fields.split_first_chunk::<20>()? else { return None };
        if kind != KIND_RADIO_STATUS || fcs(body) != u16::from_le_bytes(*sent) {
            return None;
        }
        let [u0, u1, u2, u3, h0, h1, h2, h3, d0, d1, d2, d3, s0, s1, s2, s3, a0, a1, a2, a3] = numbers;
        let noise_floor = noise_floor as i8;
        Some(Self {
            uptime_s: u32::from_be_bytes([u0, u1, u2, u3]),
            heard: u32::from_be_bytes([h0, h1, h2, h3]),
            damaged: u32::from_be_bytes([d0, d1, d2, d3]),
            sent: u32::from_be_bytes([s0, s1, s2, s3]),
            airtime_ms: u32::from_be_bytes([a0, a1, a2, a3]),
            noise_floor_dbm: (noise_floor != NOT_MEASURED).then_some(noise_floor),
        })
    }

    /// Appends the bytes for the line, as a radio sends them.
    pub fn encode_line(&self, out: &mut Vec<u8>) {
        let mut serial = vec![KIND_RADIO_STATUS];
        for number in [self.uptime_s, self.heard, self.damaged, self.sent, self.airtime_ms] {
            serial.extend(number.to_be_bytes());
        }
        serial.push(self.noise_floor_dbm.unwrap_or(NOT_MEASURED) as u8);
        let check = fcs(&serial);
        serial.extend(check.to_le_bytes());
        super::cobs::encode(&serial, out);
    }
}
