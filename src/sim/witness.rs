//! A second receiver on the line: counts what a correct gateway must make of a stream of bytes.
//!
//! Input: exactly the bytes that a gateway received. Output: a [`Tally`] by the outcomes of the wire format's
//! section 11, and in [`Truth`] which records were heard. A sealed dump is a stream too.
//!
//! It was written from the description of the format, as simply as possible: own splitter, own COBS, check sequence bit
//! by bit, no key but through the truth's own frames. It shares no code with `wire::cobs`, the frame parser or
//! the judge, and must not.

use super::truth::Truth;
use crate::wire::seq::Identity;

/// How many frames had which outcome.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Records that were not held before.
    pub stored: u64,
    /// Records that were held already.
    pub duplicate: u64,
    /// Other records under an identity that is held; the field makes none.
    pub conflict: u64,
    /// Authentic records that cannot be read; the field makes none.
    pub opaque: u64,
    /// Frames that are not authentic.
    pub unopened: u64,
    /// Frames of loggers that are not this site's.
    pub foreign: u64,
    /// Valid frames that are not from a logger.
    pub skipped: u64,
    /// Runs that are not a frame.
    pub noise: u64,
    /// Their bytes on the line, without delimiters.
    pub noise_bytes: u64,
    /// What the radio said about itself: none of the frames.
    pub radio_status: u64,
}

impl Tally {
    /// All frames: what a gateway's outcomes must add up to.
    pub fn frames(&self) -> u64 {
        self.stored
            + self.duplicate
            + self.conflict
            + self.opaque
            + self.unopened
            + self.foreign
            + self.skipped
            + self.noise
    }
}

/// The longest run that can be a valid frame.
const RUN_MAX: usize = 228;

/// Listens to a line.
#[derive(Clone, Debug, Default)]
pub struct Witness {
    /// The run so far, up to one byte more than a valid frame has.
    run: Vec<u8>,
    /// Its real length.
    run_len: u64,
    tally: Tally,
}

impl Witness {
    /// What has been counted so far.
    pub fn tally(&self) -> Tally {
        self.tally
    }

    /// Takes bytes from the line, in pieces of any size, and records in the truth which records they carry.
    pub fn feed(&mut self, bytes: &[u8], truth: &mut Truth) {
        for &byte in bytes {
            if byte == 0 {
                self.finish(truth);
            } else {
                self.run_len += 1;
                if self.run.len() <= RUN_MAX {
                    self.run.push(byte);
                }
            }
        }
    }

    /// The end of a dump, whose last frame may lack its delimiter.
    pub fn finish(&mut self, truth: &mut Truth) {
        if self.run_len > 0 {
            let run = std::mem::take(&mut self.run);
            self.judge(&run, truth);
            self.run_len = 0;
        }
    }

    /// The port closed: an unfinished run is dropped and not counted.
    pub fn reset(&mut self) {
        self.run.clear();
        self.run_len = 0;
    }

    fn judge(&mut self, run: &[u8], truth: &mut Truth) {
        let frame = if run.len() > RUN_MAX { None } else { unstuff(run) };
        let Some(frame) = frame.filter(|frame| check_sequence_is_right(frame)) else {
            return self.noise();
        };
        let body = &frame[..frame.len() - 2];
        let air = match body[0] {
            1 => &body[1..],
            2 if body.len() >= 3 => &body[3..],
            2 => return self.noise(),
            0x10 if frame.len() == 24 => {
                self.tally.radio_status += 1;
                return;
            }
            _ => {
                self.tally.skipped += 1;
                return;
            }
        };
        if air.len() < 29 || air.len() > 222 {
            return self.noise();
        }
        let number =
            |from: usize, to: usize| air[from..to].iter().fold(0u32, |sum, &byte| sum << 8 | u32::from(byte));
        let identity = Identity::new(number(2, 4) as u16, number(4, 8), number(8, 12));
        let (1, Some(identity)) = (air[0], identity) else {
            self.tally.skipped += 1;
            return;
        };
        if !truth.contains(identity.address) {
            self.tally.foreign += 1;
        } else if !is_authentic(air, identity, truth) {
            self.tally.unopened += 1;
        } else if truth.mark_heard(identity) {
            self.tally.stored += 1;
        } else {
            self.tally.duplicate += 1;
        }
    }

    fn noise(&mut self) {
        self.tally.noise += 1;
        self.tally.noise_bytes += self.run_len;
    }
}

/// A frame is authentic if it is the one that the logger sealed; a field's loggers seal each record once.
fn is_authentic(air: &[u8], identity: Identity, truth: &Truth) -> bool {
    truth.record(identity).is_some_and(|record| truth.air_frame(record) == air)
}

/// Decodes COBS, the slow way.
fn unstuff(run: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    let mut at = 0;
    while at < run.len() {
        let code = run[at] as usize;
        for offset in 1..code {
            out.push(*run.get(at + offset)?);
        }
        at += code;
        if code != 255 && at < run.len() {
            out.push(0);
        }
    }
    Some(out)
}

/// Checks the FCS-16, bit by bit. Source: RFC 1662, appendix C.1 (polynomial x^16 + x^12 + x^5 + 1, reversed 0x8408).
fn check_sequence_is_right(frame: &[u8]) -> bool {
    if frame.len() < 3 {
        return false;
    }
    let (body, sent) = frame.split_at(frame.len() - 2);
    let mut register = 0xFFFFu16;
    for &byte in body {
        register ^= u16::from(byte);
        for _ in 0..8 {
            let carry = register & 1;
            register >>= 1;
            if carry == 1 {
                register ^= 0x8408;
            }
        }
    }
    let right = !register;
    sent[0] == (right & 0xFF) as u8 && sent[1] == (right >> 8) as u8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::FieldPlan;
    use crate::wire::frame::encode_line;

    fn truth() -> Truth {
        Truth::new(&FieldPlan::dense(1, 2, 5, 0.0, 0.0, 0.0))
    }

    fn frames(truth: &Truth) -> Vec<Vec<u8>> {
        let line = |record| {
            let mut bytes = Vec::new();
            encode_line(1, None, &truth.air_frame(record), &mut bytes);
            bytes
        };
        truth.records().map(line).collect()
    }

    #[test]
    fn each_outcome_has_its_count() {
        let mut truth = truth();
        let frames = frames(&truth);
        let mut witness = Witness::default();
        // A first frame cut off, two delimiters in a row, the same frame twice.
        witness.feed(&frames[0][5..], &mut truth);
        witness.feed(&[0, 0], &mut truth);
        witness.feed(&frames[0], &mut truth);
        witness.feed(&frames[0], &mut truth);
        // An overlong run, which takes the following frame with it.
        witness.feed(&[7; 900], &mut truth);
        witness.feed(&frames[1], &mut truth);
        // A reserved sequence, a foreign logger, a forgery; each with a correct check sequence.
        let record = truth.records().next().unwrap();
        let air = truth.air_frame(record);
        let mut changed = |at: usize, to: u8, kind: u8| {
            let mut air = air.clone();
            air[at] = to;
            let mut bytes = Vec::new();
            encode_line(kind, None, &air, &mut bytes);
            witness.feed(&bytes, &mut truth);
        };
        changed(11, 0, 1);
        changed(0, 0x81, 1);
        changed(11, 1, 0x81);
        changed(2, 0x70, 1);
        changed(20, !air[20], 1);
        changed(1, 9, 1);
        let noise_bytes = (frames[0].len() - 6 + 900 + frames[1].len() - 1) as u64;
        let expected = Tally {
            stored: 1,
            duplicate: 1,
            skipped: 3,
            foreign: 1,
            unopened: 2,
            noise: 2,
            noise_bytes,
            ..Tally::default()
        };
        assert_eq!(witness.tally(), expected);
        assert_eq!(witness.tally().frames(), 10);
        assert_eq!(truth.heard().count(), 1);
    }

    #[test]
    fn a_closed_port_counts_nothing_and_a_dump_may_end_without_its_delimiter() {
        let mut truth = truth();
        let frames = frames(&truth);
        let mut witness = Witness::default();
        witness.feed(&frames[0][..frames[0].len() - 1], &mut truth);
        witness.reset();
        assert_eq!(witness.tally(), Tally::default());
        witness.feed(&frames[0][..frames[0].len() - 1], &mut truth);
        witness.finish(&mut truth);
        witness.finish(&mut truth);
        assert_eq!((witness.tally().stored, witness.tally().frames()), (1, 1));
        truth.forget_heard();
        assert_eq!(truth.heard().count(), 0);
    }
}
