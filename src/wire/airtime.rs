//! How long frames take: on the air, and on the line to the radio.
//!
//! A radio begins to send when it has the whole frame, and the logger must hear the beginning within a second. So a
//! slow line limits how long a request may be.

use super::frame::{HEADER_LEN, TAG_LEN};
use super::request::SPANS_MAX;

/// A logger listens for this long after its frame.
const LISTENS_MS: u64 = 1_000;
/// The longest time after the frame until the gateway begins to send.
pub const BEGIN_MS: u64 = 200;
/// For the radio itself, between the last byte of the line and the first on the air. Our choice.
const RADIO_MS: u64 = 100;
/// Type and number of spans.
const REQUEST_BYTES: usize = 2;
const SPAN_BYTES: usize = 10;
/// The bytes on the air of a request to set a clock: type, time, epoch and sequence.
pub const CLOCK_BYTES: usize = HEADER_LEN + 13 + TAG_LEN;
/// Kind and check sequence, COBS and delimiter.
const LINE_BYTES: usize = 3 + 2;
/// On a serial line a byte takes ten bits: a start and a stop bit as well.
const LINE_BITS: u64 = 10;

/// The bytes on the air of a request for so many spans.
pub fn request_bytes(spans: usize) -> usize {
    HEADER_LEN + REQUEST_BYTES + SPAN_BYTES * spans + TAG_LEN
}

/// The bytes on the air of a record of so many bytes.
pub fn record_bytes(plaintext: usize) -> usize {
    HEADER_LEN + plaintext + TAG_LEN
}

/// Milliseconds on the air, rounded up. `bits_per_s` of 0 is not a radio: it takes unlimited time.
pub fn on_air_ms(bytes: usize, bits_per_s: u32) -> u64 {
    match bits_per_s {
        0 => u64::MAX,
        bits => (bytes as u64 * 8 * 1_000).div_ceil(bits.into()),
    }
}

/// The most spans that a request may have on a line of this speed, so that the radio begins within the second; `None`:
/// not even one. `baud`: `None` for a device server, whose line is not known and counts as fast.
pub fn spans_in_time(baud: Option<u32>) -> Option<usize> {
    let Some(baud) = baud else { return Some(SPANS_MAX) };
    let left_ms = LISTENS_MS - BEGIN_MS - RADIO_MS;
    let fits = |spans: &usize| {
        let bytes = (request_bytes(*spans) + LINE_BYTES) as u64;
        bytes * LINE_BITS * 1_000 <= left_ms * u64::from(baud)
    };
    (1..=SPANS_MAX).rev().find(fits)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_follow_from_bytes_and_speeds() {
        // 30 bytes and 10 a span: the frame of section 16 of the format for one span has 40.
        assert_eq!(request_bytes(1), 40);
        assert_eq!(CLOCK_BYTES, 41);
        assert_eq!(request_bytes(SPANS_MAX), 190);
        assert_eq!(record_bytes(19), 47);
        assert_eq!(on_air_ms(40, 5_470), 59);
        assert_eq!(on_air_ms(1, 8_000), 1);
        assert_eq!(on_air_ms(1, 0), u64::MAX);
    }

    #[test]
    fn a_slow_line_shortens_requests_until_none_fits() {
        assert_eq!(spans_in_time(None), Some(SPANS_MAX));
        assert_eq!(spans_in_time(Some(115_200)), Some(SPANS_MAX));
        // 0.7 s at 1,200 bit/s are 84 bytes: 35 and 10 a span.
        assert_eq!(spans_in_time(Some(1_200)), Some(4));
        assert_eq!(spans_in_time(Some(643)), Some(1));
        assert_eq!(spans_in_time(Some(642)), None);
    }
}
