//! Randomness from a seed: streams of numbers, and numbers that belong to a place and a time.
//!
//! There are two kinds, for two needs. [`RandomStream`] is a stream, for events that happen one after the other (on the air,
//! on the line). [`mix`] is a function, for values that must be the same each time they are requested (the noise of a
//! channel at an instant), so that an additional outage changes no measured value.
//!
//! It is not a source of secrets.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of numbers, identified by a seed, a label and a number.
pub(super) struct RandomStream(ChaCha8Rng);

impl RandomStream {
    /// The stream of that name. Streams with different names are independent.
    pub(super) fn new(seed: u64, label: &[u8; 4], number: u64) -> Self {
        let mut name = [0; 32];
        name[..8].copy_from_slice(&seed.to_le_bytes());
        name[8..16].copy_from_slice(&number.to_le_bytes());
        name[16..20].copy_from_slice(label);
        Self(ChaCha8Rng::from_seed(name))
    }

    /// 0 to 1, without 1.
    pub(super) fn unit(&mut self) -> f64 {
        to_unit(self.0.next_u64())
    }

    /// True with this probability. Takes one number from the stream, whatever the probability.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// 0 to `end`, without `end`; 0 if that is 0.
    pub(super) fn below(&mut self, end: u32) -> u32 {
        // The product's upper half: a bias of one in 2^32 does not matter here.
        ((u64::from(self.0.next_u32()) * u64::from(end)) >> 32) as u32
    }

    pub(super) fn fill(&mut self, bytes: &mut [u8]) {
        self.0.fill_bytes(bytes);
    }
}

/// A number that depends on every bit of its four arguments.
///
/// Source: the finaliser of SplitMix64; G. Steele, D. Lea, C. Flood, "Fast splittable pseudorandom number
/// generators", OOPSLA 2014.
pub(super) fn mix(seed: u64, a: u64, b: u64, c: u64) -> u64 {
    [a, b, c].into_iter().fold(seed, |state, word| {
        let mut z = state.wrapping_add(word).wrapping_add(0x9E37_79B9_7F4A_7C15);
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    })
}

/// [`mix`] as 0 to 1, without 1.
pub(super) fn unit(seed: u64, a: u64, b: u64, c: u64) -> f64 {
    to_unit(mix(seed, a, b, c))
}

/// Noise of mean 0 and standard deviation 1, never beyond 3.5: four uniform numbers added up.
pub(super) fn noise(seed: u64, a: u64, b: u64, c: u64) -> f64 {
    let bits = mix(seed, a, b, c);
    let sum: f64 = (0..4).map(|part| ((bits >> (16 * part)) & 0xFFFF) as f64 / 65_535.0).sum();
    (sum - 2.0) * 3f64.sqrt()
}

fn to_unit(bits: u64) -> f64 {
    // 53 bits, as many as an f64 holds.
    (bits >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_of_one_name_agree_and_others_do_not() {
        let draw = |seed, label, number| {
            let mut random = RandomStream::new(seed, label, number);
            (random.unit(), random.below(1_000_000))
        };
        assert_eq!(draw(1, b"line", 2), draw(1, b"line", 2));
        assert_ne!(draw(1, b"line", 2), draw(2, b"line", 2));
        assert_ne!(draw(1, b"line", 2), draw(1, b"air ", 2));
        assert_ne!(draw(1, b"line", 2), draw(1, b"line", 3));
    }

    #[test]
    fn noise_has_mean_zero_and_deviation_one_and_below_stays_below() {
        let values: Vec<f64> = (0..20_000).map(|at| noise(5, 1, 2, at)).collect();
        let mean = values.iter().sum::<f64>() / 20_000.0;
        let deviation = (values.iter().map(|value| value * value).sum::<f64>() / 20_000.0).sqrt();
        assert!(mean.abs() < 0.03 && (deviation - 1.0).abs() < 0.03, "{mean} {deviation}");
        assert!(values.iter().all(|value| value.abs() < 3.5));
        let mut random = RandomStream::new(5, b"test", 0);
        assert!((0..1000).all(|_| random.below(7) < 7) && random.below(0) == 0);
        assert!(!random.happens(0.0) && random.happens(1.0));
    }
}
