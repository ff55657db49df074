//! Simulates a bad line: damages frames in transit, from a seed, and reports what it did to each.
//!
//! Input: frames as a simulated radio sends them. Output: the bytes that arrive, and [`Passed`], from which a
//! test or the simulated field records what really happened.
//!
//! It knows only one thing about a frame: its last byte, the delimiter, ends it and occurs nowhere else in it.
//!
//! Promises: pure; the same seed, rates and frames give the same bytes. A frame reported as `Whole` or
//! `Repeated` is delimited on both sides and unchanged; a frame reported as `Damaged` differs from the original
//! until its delimiter comes. The model is simple: each frame has at most one fault of its own.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// The longest run of noise, and the longest piece that a cut removes. The number is a choice of this program:
/// a radio frame and a UART's FIFO have about this size.
const RUN_BYTES_MOST: usize = 64;

/// The probability of each fault for a frame, from 0 to 1. The sum is at most 1; all other frames pass
/// unchanged.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rates {
    /// The frame is lost: nothing arrives.
    pub drop: f64,
    /// The frame arrives twice.
    pub repeat: f64,
    /// One to eight bits of one byte arrive flipped.
    pub flip: f64,
    /// A piece is missing, as after an overrun.
    pub cut: f64,
    /// The delimiter is missing, so that this frame and the next one that arrives form one run.
    pub join: f64,
    /// A delimited run of other bytes arrives first; the frame itself is unchanged.
    pub insert_noise: f64,
}

/// The result for a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Passed {
    /// It arrives as it was sent.
    Whole,
    /// It arrives as it was sent, after a run of noise.
    WholeAfterNoise,
    /// It arrives twice as it was sent.
    Repeated,
    /// Nothing of it arrives.
    Dropped,
    /// Something arrives that is not the frame.
    Damaged,
}

impl Passed {
    /// How many whole copies arrive: 0 to 2.
    pub fn copies(self) -> u32 {
        match self {
            Passed::Whole | Passed::WholeAfterNoise => 1,
            Passed::Repeated => 2,
            Passed::Dropped | Passed::Damaged => 0,
        }
    }
}

/// The line.
#[derive(Clone, Debug)]
pub struct Faulty {
    rates: Rates,
    random: ChaCha8Rng,
    /// Whether the last frame that arrived lost its delimiter.
    unended: bool,
}

impl Faulty {
    /// A line with faults at `rates`, all determined by `seed`.
    pub fn new(seed: u64, rates: Rates) -> Self {
        Self { rates, random: ChaCha8Rng::seed_from_u64(seed), unended: false }
    }

    /// Changes the fault rates from the next frame on.
    pub fn set_rates(&mut self, rates: Rates) {
        self.rates = rates;
    }

    /// Appends the bytes that arrive for `frame`, which ends with its delimiter, to `out`.
    ///
    /// A frame without content (the delimiter alone, or nothing) passes unchanged.
    pub fn pass(&mut self, frame: &[u8], out: &mut Vec<u8>) -> Passed {
        let Some((&delimiter, content)) = frame.split_last().filter(|(_, content)| !content.is_empty())
        else {
            out.extend_from_slice(frame);
            self.unended &= frame.is_empty();
            return Passed::Whole;
        };
        let mut roll = self.fraction();
        let mut falls_in = |rate: f64| {
            let within = roll < rate;
            roll -= rate;
            within
        };
        let Rates { drop, repeat, flip, cut, join, insert_noise } = self.rates;
        if falls_in(drop) {
            return Passed::Dropped;
        }
        if self.unended {
            // It runs into the previous frame; no other fault is needed.
            self.unended = false;
            out.extend_from_slice(frame);
            return Passed::Damaged;
        }
        if falls_in(repeat) {
            out.extend_from_slice(frame);
            out.extend_from_slice(frame);
            return Passed::Repeated;
        }
        if falls_in(flip) {
            let at = out.len() + self.below(content.len());
            out.extend_from_slice(frame);
            // A mask of 0 would change nothing.
            out[at] ^= self.below(255) as u8 + 1;
            return Passed::Damaged;
        }
        if falls_in(cut) {
            let from = self.below(content.len());
            let len = 1 + self.below((content.len() - from).min(RUN_BYTES_MOST));
            out.extend_from_slice(&frame[..from]);
            out.extend_from_slice(&frame[from + len..]);
            return Passed::Damaged;
        }
        if falls_in(join) {
            self.unended = true;
            out.extend_from_slice(content);
            return Passed::Damaged;
        }
        if falls_in(insert_noise) {
            for _ in 0..=self.below(RUN_BYTES_MOST) {
                // Any byte except the delimiter.
                out.push(delimiter.wrapping_add(self.below(255) as u8 + 1));
            }
            out.push(delimiter);
            out.extend_from_slice(frame);
            return Passed::WholeAfterNoise;
        }
        out.extend_from_slice(frame);
        Passed::Whole
    }

    /// From 0 inclusive to 1 exclusive, in steps of 2^-53.
    fn fraction(&mut self) -> f64 {
        (self.random.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From 0 inclusive to `end` exclusive; `end` is more than 0. Its bias, below 2^-50, does not matter here.
    fn below(&mut self, end: usize) -> usize {
        (self.random.next_u64() % end as u64) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BAD: Rates = Rates { drop: 0.1, repeat: 0.1, flip: 0.1, cut: 0.1, join: 0.1, insert_noise: 0.1 };

    /// Frame `n`: its number in four digits, which damage to another frame cannot produce, and 0 to 95 more
    /// bytes.
    fn frame(n: usize) -> Vec<u8> {
        let check = (n as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        format!("{n:04}{check:016x}{:.<1$}\n", "", n % 96).into_bytes()
    }

    #[test]
    fn what_arrives_whole_is_what_it_says() {
        for seed in 0..20 {
            let mut line = Faulty::new(seed, BAD);
            let mut bytes = Vec::new();
            let passed: Vec<Passed> = (0..2000).map(|n| line.pass(&frame(n), &mut bytes)).collect();
            let mut arrived = vec![0; 2000];
            for run in bytes.split_inclusive(|&byte| byte == b'\n') {
                let number = run.get(..4).and_then(|digits| std::str::from_utf8(digits).ok()?.parse().ok());
                if let Some(n) = number.filter(|&n| n < 2000 && run == frame(n)) {
                    arrived[n] += 1;
                }
            }
            for (n, passed) in passed.iter().enumerate() {
                assert_eq!(arrived[n], passed.copies(), "seed {seed}, frame {n}, {passed:?}");
            }
        }
    }

    #[test]
    fn every_fault_occurs_about_as_often_as_asked() {
        let mut line = Faulty::new(7, BAD);
        let mut counts = [0; 5];
        for n in 0..10_000 {
            counts[line.pass(&frame(n), &mut Vec::new()) as usize] += 1;
        }
        // 10,000 draws at 0.1 have a standard deviation of 30; a joined frame harms the next one as well.
        let [whole, noisy, repeated, dropped, damaged] = counts;
        for tenth in [dropped, repeated, noisy] {
            assert!((800..1150).contains(&tenth), "{counts:?}");
        }
        assert!((3300..4200).contains(&damaged), "{counts:?}");
        assert!((3200..4150).contains(&whole), "{counts:?}");
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
        let bytes = |seed| {
            let (mut line, mut bytes) = (Faulty::new(seed, BAD), Vec::new());
            for n in 0..100 {
                line.pass(&frame(n), &mut bytes);
            }
            bytes
        };
        assert_eq!(bytes(1), bytes(1));
        assert_ne!(bytes(1), bytes(2));
    }

    #[test]
    fn no_rates_no_change_and_frames_without_content_pass() {
        let mut line = Faulty::new(1, Rates::default());
        let mut bytes = Vec::new();
        for frame in [&b"one\n"[..], b"", b"\n", b"two\n"] {
            assert_eq!(line.pass(frame, &mut bytes), Passed::Whole);
        }
        assert_eq!(bytes, b"one\n\ntwo\n");
    }

    #[test]
    fn a_lost_delimiter_costs_the_next_frame_that_arrives() {
        let mut line = Faulty::new(1, Rates { join: 1.0, ..Rates::default() });
        let mut bytes = Vec::new();
        assert_eq!(line.pass(b"one\n", &mut bytes), Passed::Damaged);
        line.set_rates(Rates { drop: 1.0, ..Rates::default() });
        assert_eq!(line.pass(b"two\n", &mut bytes), Passed::Dropped);
        line.set_rates(Rates::default());
        assert_eq!(line.pass(b"three\n", &mut bytes), Passed::Damaged);
        assert_eq!(line.pass(b"four\n", &mut bytes), Passed::Whole);
        assert_eq!(bytes, b"onethree\nfour\n");
    }
}
