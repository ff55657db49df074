//! Serial frames (kind, signal report, check sequence) and the air frames inside them.
//!
//! Input: decoded runs of `cobs`. Output: an [`AirFrame`] view whose lengths and header are valid, for `seal` to open;
//! or the reason why there is none.
//!
//! ```text
//! serial frame   kind 1 │ signal 0 or 2 │ air frame 29…222 │ FCS 2, least significant byte first
//! air frame      version 1 │ slot 1 │ address 2 │ epoch 4 │ sequence 4 │ sealed record 1…194 │ tag 16
//! ```
//!
//! What this is not: nothing here is authentic yet. A header that parses is only a claim.
//!
//! Promises: never panics; no allocation for incoming frames. The first [`HEADER_LEN`] bytes of an air frame are both
//! nonce and associated data, so the view returns them exactly as they were sent.
//!
//! Standards: the check sequence is the FCS-16 of RFC 1662 (CRC-16/IBM-SDLC).

use super::seq::{Address, Epoch, Identity, Sequence, Slot};
use crc::{CRC_16_IBM_SDLC, Crc, Table};

/// An air frame as received by the gateway's radio.
pub const KIND_AIR: u8 = 0x01;
/// An air frame with the radio's signal report before it.
pub const KIND_AIR_WITH_SIGNAL: u8 = 0x02;
/// An air frame for the gateway's radio to send.
pub const KIND_TO_LOGGER: u8 = 0x81;

/// Version byte of a frame from a logger.
pub const VERSION: u8 = 0x01;
/// Version byte of a frame to a logger.
pub const VERSION_TO_LOGGER: u8 = 0x81;

/// Bytes before the sealed record: nonce and associated data.
pub const HEADER_LEN: usize = 12;
/// Bytes of the GCM tag.
pub const TAG_LEN: usize = 16;
/// The longest record.
pub const RECORD_MAX: usize = 194;
/// The shortest air frame: a record of one byte.
pub const AIR_MIN: usize = HEADER_LEN + 1 + TAG_LEN;
/// The longest air frame.
pub const AIR_MAX: usize = HEADER_LEN + RECORD_MAX + TAG_LEN;

/// Slicing by 16 takes a fifth of the time of the bytewise table (measured).
static FCS: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_SDLC);

/// The check sequence over all bytes from kind to air frame.
pub fn fcs(bytes: &[u8]) -> u16 {
    FCS.checksum(bytes)
}

/// The strength of a received frame, as the gateway's radio measured it. Not authenticated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal {
    /// Received signal strength in dBm.
    pub rssi_dbm: i8,
    /// Signal to noise ratio in quarters of a decibel.
    pub snr_quarter_db: i8,
}

/// Why a decoded run is not a frame from a logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoFrame {
    /// Line noise: no frame of that kind has this length.
    Length,
    /// Line noise: the check sequence fails.
    CheckSequence,
    /// A valid frame of a kind that is not for the gateway.
    Kind,
    /// Another version of the format.
    Version,
    /// Address 0 or 65535, epoch 0 or sequence 0.
    Reserved,
}

impl NoFrame {
    /// Whether this is noise (damage on the line) and not a valid frame for another receiver.
    pub fn is_noise(self) -> bool {
        matches!(self, Self::Length | Self::CheckSequence)
    }
}

/// The logger that a valid frame of another version claims to be from, and that version. This version cannot know where
/// another one has its address, so it reads the address at the position that it has in this version.
pub fn other_version(run: &[u8]) -> Option<(u8, Address)> {
    if !matches!(SerialFrame::parse(run), Err(NoFrame::Version)) {
        return None;
    }
    let header = match *run.first()? {
        KIND_AIR => 1,
        _ => 3,
    };
    let &[version, _, a0, a1] = run.get(header..)?.first_chunk()?;
    Some((version, Address::new(u16::from_be_bytes([a0, a1]))?))
}

/// A valid serial frame with an air frame of this version from a logger.
#[derive(Clone, Copy, Debug)]
pub struct SerialFrame<'a> {
    /// The radio's report, if the frame has one.
    pub signal: Option<Signal>,
    /// What came over the air.
    pub air: AirFrame<'a>,
}

impl<'a> SerialFrame<'a> {
    /// Checks a decoded run by length, check sequence, kind, version and reserved values, in that order.
    pub fn parse(run: &'a [u8]) -> Result<Self, NoFrame> {
        let (body, sent) = run.split_last_chunk::<2>().ok_or(NoFrame::Length)?;
        let (&kind, rest) = body.split_first().ok_or(NoFrame::Length)?;
        let (signal, air) = match kind {
            KIND_AIR => (None, rest),
            KIND_AIR_WITH_SIGNAL => {
                let (report, air) = rest.split_first_chunk::<2>().ok_or(NoFrame::Length)?;
                let [rssi_dbm, snr_quarter_db] = report.map(|byte| byte as i8);
                (Some(Signal { rssi_dbm, snr_quarter_db }), air)
            }
            _ if fcs(body) == u16::from_le_bytes(*sent) => return Err(NoFrame::Kind),
            _ => return Err(NoFrame::CheckSequence),
        };
        if !(AIR_MIN..=AIR_MAX).contains(&air.len()) {
            return Err(NoFrame::Length);
        }
        if fcs(body) != u16::from_le_bytes(*sent) {
            return Err(NoFrame::CheckSequence);
        }
        Ok(Self { signal, air: AirFrame::parse(air)? })
    }
}

/// A view of an air frame from a logger: the header is within its ranges, the rest is sealed.
#[derive(Clone, Copy, Debug)]
pub struct AirFrame<'a> {
    bytes: &'a [u8],
    /// The slot of the key that sealed it.
    pub slot: Slot,
    /// The record that it claims to be.
    pub identity: Identity,
}

impl<'a> AirFrame<'a> {
    /// Checks length, version and the reserved values.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, NoFrame> {
        if !(AIR_MIN..=AIR_MAX).contains(&bytes.len()) {
            return Err(NoFrame::Length);
        }
        let Some((&[version, slot, a0, a1, e0, e1, e2, e3, s0, s1, s2, s3], _)) =
            bytes.split_first_chunk::<HEADER_LEN>()
        else {
            return Err(NoFrame::Length);
        };
        if version != VERSION {
            return Err(NoFrame::Version);
        }
        let identity = Identity::new(
            u16::from_be_bytes([a0, a1]),
            u32::from_be_bytes([e0, e1, e2, e3]),
            u32::from_be_bytes([s0, s1, s2, s3]),
        )
        .ok_or(NoFrame::Reserved)?;
        Ok(Self { bytes, slot: Slot(slot), identity })
    }

    /// The whole frame, exactly as sent.
    pub fn bytes(&self) -> &'a [u8] {
        self.bytes
    }

    /// Header, sealed record and tag, in the form that `seal` takes.
    pub fn parts(&self) -> (&'a [u8], &'a [u8], &'a [u8]) {
        let (header, rest) = self.bytes.split_at(HEADER_LEN);
        let (sealed, tag) = rest.split_at(rest.len() - TAG_LEN);
        (header, sealed, tag)
    }
}

/// The header of a frame from a logger (`version` = [`VERSION`]) or to one ([`VERSION_TO_LOGGER`]).
pub fn header(
    version: u8,
    slot: Slot,
    address: Address,
    epoch: Epoch,
    sequence: Sequence,
) -> [u8; HEADER_LEN] {
    let mut bytes = [0; HEADER_LEN];
    bytes[0] = version;
    bytes[1] = slot.0;
    bytes[2..4].copy_from_slice(&address.number().to_be_bytes());
    bytes[4..8].copy_from_slice(&epoch.number().to_be_bytes());
    bytes[8..12].copy_from_slice(&sequence.number().to_be_bytes());
    bytes
}

/// Appends a serial frame (before COBS) around `air`: kind 0x02 if there is a signal, else `kind`.
pub fn encode_serial(kind: u8, signal: Option<Signal>, air: &[u8], out: &mut Vec<u8>) {
    let start = out.len();
    match signal {
        Some(signal) => {
            out.extend([KIND_AIR_WITH_SIGNAL, signal.rssi_dbm as u8, signal.snr_quarter_db as u8]);
        }
        None => out.push(kind),
    }
    out.extend_from_slice(air);
    let check = fcs(&out[start..]);
    out.extend(check.to_le_bytes());
}

/// Appends the bytes for the line: serial frame, COBS, delimiter.
pub fn encode_line(kind: u8, signal: Option<Signal>, air: &[u8], out: &mut Vec<u8>) {
    let mut serial = Vec::with_capacity(air.len() + 5);
    encode_serial(kind, signal, air, &mut serial);
    super::cobs::encode(&serial, out);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn check_sequence_gives_the_standards_check_value() {
        // Algorithm of RFC 1662, appendix C; check value of CRC-16/IBM-SDLC from public CRC lists.
        assert_eq!(fcs(b"123456789"), 0x906E);
    }

    #[test]
    fn every_length_and_every_flipped_bit_is_refused_or_parsed_without_panic() {
        let identity = Identity::new(300, 2, 9).unwrap();
        let mut air = header(VERSION, Slot(1), identity.address, identity.epoch, identity.sequence).to_vec();
        air.extend([0xAA; 40]);
        let mut frame = Vec::new();
        encode_serial(KIND_AIR, Some(Signal { rssi_dbm: -90, snr_quarter_db: 7 }), &air, &mut frame);
        let parsed = SerialFrame::parse(&frame).unwrap();
        assert_eq!(parsed.air.identity, identity);
        assert_eq!(parsed.signal, Some(Signal { rssi_dbm: -90, snr_quarter_db: 7 }));
        for len in 0..frame.len() {
            assert!(SerialFrame::parse(&frame[..len]).is_err_and(NoFrame::is_noise), "length {len}");
        }
        for bit in 0..frame.len() * 8 {
            let mut damaged = frame.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            assert!(SerialFrame::parse(&damaged).is_err_and(NoFrame::is_noise), "bit {bit}");
        }
    }
}
