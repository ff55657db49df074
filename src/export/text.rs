//! Writes numbers and times as text into an existing buffer: no allocation for each cell, no general formatting.
//!
//! Input: integers, Unix seconds. Output: bytes, the same as `{}` and RFC 3339 give. It
//! quotes nothing; each format does that itself.

/// Appends a decimal integer.
pub fn push_int(out: &mut Vec<u8>, value: i64) {
    const PAIRS: &[u8; 200] = b"0001020304050607080910111213141516171819\
        2021222324252627282930313233343536373839\
        4041424344454647484950515253545556575859\
        6061626364656667686970717273747576777879\
        8081828384858687888990919293949596979899";
    let mut digits = [0_u8; 20];
    let (mut at, mut rest) = (digits.len(), value.unsigned_abs());
    while rest >= 100 {
        let pair = (rest % 100) as usize * 2;
        rest /= 100;
        at -= 2;
        digits[at..at + 2].copy_from_slice(&PAIRS[pair..pair + 2]);
    }
    if rest >= 10 {
        let pair = rest as usize * 2;
        at -= 2;
        digits[at..at + 2].copy_from_slice(&PAIRS[pair..pair + 2]);
    } else {
        at -= 1;
        digits[at] = b'0' + rest as u8;
    }
    if value < 0 {
        out.push(b'-');
    }
    out.extend_from_slice(&digits[at..]);
}

/// Appends hundredths as a decimal number with two places: -407 is `-4.07`.
pub fn push_hundredths(out: &mut Vec<u8>, value: i64) {
    if value < 0 {
        out.push(b'-');
    }
    let size = value.unsigned_abs();
    push_int(out, (size / 100) as i64);
    out.push(b'.');
    push_two(out, size % 100);
}

fn push_two(out: &mut Vec<u8>, value: u64) {
    out.push(b'0' + (value / 10 % 10) as u8);
    out.push(b'0' + (value % 10) as u8);
}

/// Appends a number so that it reads back as exactly the same number; `decimals`: rounded to this many places instead.
/// A zero has no sign.
pub fn push_real(out: &mut Vec<u8>, value: f64, decimals: Option<u8>) {
    use std::io::Write;
    let begins = out.len();
    // Writing into a Vec cannot fail.
    let _ = match decimals {
        Some(decimals) => write!(out, "{value:.*}", usize::from(decimals)),
        None => write!(out, "{value}"),
    };
    let is_zero = |text: &[u8]| text.iter().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if out.get(begins) == Some(&b'-') && out.get(begins..).is_some_and(is_zero) {
        out.remove(begins);
    }
}

/// RFC 3339 times with one offset; remembers the last date that it wrote.
#[derive(Clone, Debug)]
pub struct Times {
    offset_s: i64,
    suffix: Vec<u8>,
    day: Option<i64>,
    date: Vec<u8>,
}

impl Times {
    /// An offset of whole minutes from UTC; 0 is written `Z`.
    pub fn new(offset_s: i32) -> Self {
        let suffix = match offset_s {
            0 => "Z".to_owned(),
            // The label of an offset is `UTC-07:00`.
            _ => crate::text::offset_label(offset_s).replacen("UTC", "", 1),
        };
        Self { offset_s: i64::from(offset_s), suffix: suffix.into_bytes(), day: None, date: Vec::new() }
    }

    /// Appends a time. A time outside the calendar's range is written as a number.
    pub fn push(&mut self, out: &mut Vec<u8>, unix_s: i64) {
        let local = unix_s.saturating_add(self.offset_s);
        let (day, second) = (local.div_euclid(86_400), local.rem_euclid(86_400) as u64);
        if self.day != Some(day) {
            let Some(date) = crate::text::date(local) else {
                push_int(out, unix_s);
                return;
            };
            self.date.clear();
            self.date.extend_from_slice(date.as_bytes());
            self.date.push(b'T');
            self.day = Some(day);
        }
        out.extend_from_slice(&self.date);
        push_two(out, second / 3600);
        out.push(b':');
        push_two(out, second / 60 % 60);
        out.push(b':');
        push_two(out, second % 60);
        out.extend_from_slice(&self.suffix);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn text(write: impl FnOnce(&mut Vec<u8>)) -> String {
        let mut out = Vec::new();
        write(&mut out);
        String::from_utf8(out).unwrap()
    }

    proptest! {
        #[test]
        fn integers_equal_the_general_formatter(value in any::<i64>(), small in -2000_i64..2000) {
            prop_assert_eq!(text(|out| push_int(out, value)), value.to_string());
            prop_assert_eq!(text(|out| push_int(out, small)), small.to_string());
        }

        #[test]
        fn times_equal_the_general_formatter_in_any_order_and_offset(
            times in proptest::collection::vec(0_i64..4_300_000_000, 1..20),
            minutes in -1_439_i32..1_440,
        ) {
            let mut writer = Times::new(minutes * 60);
            for unix_s in times {
                let ours = text(|out| writer.push(out, unix_s));
                let read = chrono::DateTime::parse_from_rfc3339(&ours).unwrap();
                prop_assert_eq!(read.timestamp(), unix_s);
                prop_assert_eq!(read.offset().local_minus_utc(), minutes * 60);
            }
        }

        #[test]
        fn hundredths_read_back(value in -40_000_i64..40_000) {
            let read: f64 = text(|out| push_hundredths(out, value)).parse().unwrap();
            prop_assert_eq!((read * 100.0).round() as i64, value);
        }

        #[test]
        fn reals_read_back_to_the_bit(value in any::<f64>().prop_filter("finite", |value| value.is_finite())) {
            let read: f64 = text(|out| push_real(out, value, None)).parse().unwrap();
            prop_assert_eq!(read.to_bits(), (value + 0.0).to_bits());
        }
    }

    #[test]
    fn a_zero_that_is_written_has_no_sign() {
        for (value, decimals, written) in
            [(-0.004, Some(2), "0.00"), (-0.0, None, "0"), (-0.4, Some(0), "0"), (-0.006, Some(2), "-0.01")]
        {
            assert_eq!(text(|out| push_real(out, value, decimals)), written);
        }
    }

    #[test]
    fn the_ends_of_the_ranges_are_written_and_nonsense_does_not_panic() {
        assert_eq!(text(|out| push_int(out, i64::MIN)), i64::MIN.to_string());
        assert_eq!(text(|out| push_int(out, 0)), "0");
        assert_eq!(text(|out| push_hundredths(out, -7)), "-0.07");
        assert_eq!(text(|out| push_hundredths(out, i64::MIN)), "-92233720368547758.08");
        for unix_s in [i64::MIN, i64::MAX] {
            assert_eq!(text(|out| Times::new(0).push(out, unix_s)), unix_s.to_string());
        }
        // `date -u -d 2026-05-04T06:00:00Z +%s` (GNU coreutils).
        assert_eq!(text(|out| Times::new(-25_200).push(out, 1_777_874_400)), "2026-05-03T23:00:00-07:00");
        assert_eq!(text(|out| Times::new(0).push(out, 1_777_874_400)), "2026-05-04T06:00:00Z");
    }
}
