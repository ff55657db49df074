//! How long a frame is on the air, and how much of the time that is.
//!
//! Input: bytes of a frame, and how the radio modulates. Output: seconds. What this is not: what is in a frame, and its
//! length, are in `wire`.

use crate::wire::airtime::record_bytes;

/// How a radio puts bytes on the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Modulation {
    /// Bits one after the other.
    BitRate {
        bits_per_s: f64,
        /// What the radio adds to a frame: preamble, sync word, length, check sum.
        overhead_bytes: f64,
    },
    /// Chirp spread spectrum.
    Chirp {
        /// 5 to 12: a symbol carries so many bits.
        spreading_factor: u8,
        bandwidth_hz: f64,
        /// 1 to 4, for 4/5 to 4/8.
        coding_rate: u8,
        preamble_symbols: f64,
        has_header: bool,
        has_check_sum: bool,
        /// Whether each symbol carries two bits less; `None`: for symbols of 16 ms and more.
        is_low_rate: Option<bool>,
    },
}

/// Symbols of this length and more are sent with two bits less. Common practice of such radios, from memory.
const LOW_RATE_S: f64 = 0.016;

impl Modulation {
    /// The length of a chirp symbol, in seconds; `None` for another modulation.
    pub fn symbol_s(&self) -> Option<f64> {
        match *self {
            Self::BitRate { .. } => None,
            Self::Chirp { spreading_factor, bandwidth_hz, .. } => {
                Some(f64::from(1u32 << spreading_factor.min(31)) / bandwidth_hz)
            }
        }
    }

    /// The symbols of a frame after the preamble; `None` for another modulation.
    pub fn payload_symbols(&self, bytes: usize) -> Option<f64> {
        let Self::Chirp { spreading_factor, coding_rate, has_header, has_check_sum, is_low_rate, .. } = *self
        else {
            return None;
        };
        let is_low_rate = is_low_rate.unwrap_or_else(|| self.symbol_s().is_some_and(|s| s >= LOW_RATE_S));
        let factor = f64::from(spreading_factor);
        let bits = 8.0 * bytes as f64 - 4.0 * factor + 28.0 + if has_check_sum { 16.0 } else { 0.0 }
            - if has_header { 0.0 } else { 20.0 };
        let blocks = (bits / (4.0 * (factor - if is_low_rate { 2.0 } else { 0.0 }))).ceil().max(0.0);
        Some(8.0 + blocks * (f64::from(coding_rate) + 4.0))
    }

    /// Seconds on the air. Source for chirps: the formula in the data sheets of such radios, from memory; it holds for
    /// spreading factors of 7 and more.
    pub fn on_air_s(&self, bytes: usize) -> f64 {
        match *self {
            Self::BitRate { bits_per_s, overhead_bytes } => {
                (bytes as f64 + overhead_bytes) * 8.0 / bits_per_s
            }
            Self::Chirp { preamble_symbols, .. } => {
                let symbols = preamble_symbols + 4.25 + self.payload_symbols(bytes).unwrap_or(0.0);
                symbols * self.symbol_s().unwrap_or(0.0)
            }
        }
    }
}

/// The bytes on the air of a reading of so many channels: docs/wire-format.md, section 7.
pub fn reading_bytes(channels: usize) -> usize {
    // Time, battery, board temperature, type and number of channels; fault bits; a count of four bytes each.
    record_bytes(10 + channels.div_ceil(8) + 4 * channels)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn chirp(spreading_factor: u8, bandwidth_hz: f64, coding_rate: u8) -> Modulation {
        Modulation::Chirp {
            spreading_factor,
            bandwidth_hz,
            coding_rate,
            preamble_symbols: 8.0,
            has_header: true,
            has_check_sum: true,
            is_low_rate: None,
        }
    }

    /// Widely published times on air at 125 kHz, 4/5, 8 symbols of preamble, header and check sum, from memory;
    /// the same by tests/scripts/siting_reference.py.
    #[test]
    fn chirps_take_the_published_times() {
        let ms = |factor, bytes| chirp(factor, 125_000.0, 1).on_air_s(bytes) * 1000.0;
        for (factor, bytes, wanted) in [
            (7, 13, 46.336),
            (7, 51, 102.656),
            (8, 51, 184.832),
            (9, 51, 328.704),
            (10, 51, 616.448),
            (11, 51, 1314.816),
            (12, 51, 2465.792),
            (12, 13, 1155.072),
        ] {
            assert!((ms(factor, bytes) - wanted).abs() < 1e-6, "{factor} {bytes}: {}", ms(factor, bytes));
        }
        assert_eq!(chirp(7, 125_000.0, 1).symbol_s(), Some(0.001_024));
    }

    #[test]
    fn bits_take_their_time_with_what_the_radio_adds() {
        let bits = Modulation::BitRate { bits_per_s: 5_470.0, overhead_bytes: 0.0 };
        // As `wire::airtime` has it for the ledger's own sums: 40 bytes in 59 ms, rounded up.
        assert_eq!((bits.on_air_s(40) * 1000.0).ceil() as u64, crate::wire::airtime::on_air_ms(40, 5_470));
        let more = Modulation::BitRate { bits_per_s: 1_000.0, overhead_bytes: 10.0 };
        assert_eq!(more.on_air_s(40), 0.4);
    }

    #[test]
    fn a_reading_is_as_long_as_the_wire_format_has_it() {
        // docs/wire-format.md, section 16: a reading of four channels, 28 bytes of header and tag around 27.
        assert_eq!(reading_bytes(4), record_bytes(27));
        assert_eq!(reading_bytes(40) - reading_bytes(39), 4);
    }

    proptest! {
        #[test]
        fn more_bytes_and_larger_factors_never_take_less(bytes in 1usize..220, factor in 7u8..12, rate in 1u8..=4) {
            let at = |factor, bytes| chirp(factor, 125_000.0, rate).on_air_s(bytes);
            prop_assert!(at(factor, bytes + 1) >= at(factor, bytes));
            prop_assert!(at(factor + 1, bytes) > at(factor, bytes));
        }
    }
}
