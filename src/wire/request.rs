//! Requests from a gateway to a logger: the plaintext of a frame of section 14 of the format.
//!
//! Input: what to ask, or the plaintext that a logger opened. Output: the plaintext, or a [`Request`].
//!
//! ```text
//! 0x11 send again   n 1 │ n spans: epoch 4 │ first 4 │ count 2
//! 0x12 set clock    time 4 │ epoch 4 │ sequence 4 of the frame that is answered
//! ```
//!
//! What this is not: it does not decide what to ask, and neither seals nor sends. Promises: never panics; what decodes
//! encodes to exactly the same bytes.

use super::fields::Fields;

const SEND_AGAIN: u8 = 0x11;
const SET_CLOCK: u8 = 0x12;

/// The most spans in one frame.
pub const SPANS_MAX: usize = 16;
/// The most records that one frame asks for. A logger accepts more; a gateway does not ask for more.
pub const RECORDS_MAX: u32 = 64;

/// Records that a logger is asked to send again: successive sequences of one epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AskedSpan {
    pub epoch: u32,
    pub first: u32,
    pub count: u16,
}

impl AskedSpan {
    /// Its epoch, first and last sequence; `None` if it is empty.
    pub fn range(&self) -> Option<(u32, u32, u32)> {
        let more = u32::from(self.count).checked_sub(1)?;
        Some((self.epoch, self.first, self.first.saturating_add(more)))
    }
}

/// A request from a gateway to a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// Send these records again: 1 to 16 spans.
    SendAgain(Vec<AskedSpan>),
    SetClock {
        /// The time to set, in seconds since 1970.
        time: u32,
        /// Epoch and sequence of the frame that is answered. A logger refuses the request unless it has just sent that
        /// frame.
        answers: (u32, u32),
    },
}

impl Request {
    /// Appends the plaintext; `false` (and nothing appended) unless there are 1 to 16 spans.
    pub fn encode(&self, out: &mut Vec<u8>) -> bool {
        match self {
            Self::SendAgain(spans) => {
                let n = u8::try_from(spans.len()).unwrap_or(u8::MAX);
                if spans.is_empty() || spans.len() > SPANS_MAX {
                    return false;
                }
                out.extend([SEND_AGAIN, n]);
                for span in spans {
                    out.extend(span.epoch.to_be_bytes());
                    out.extend(span.first.to_be_bytes());
                    out.extend(span.count.to_be_bytes());
                }
            }
            Self::SetClock { time, answers: (epoch, sequence) } => {
                out.push(SET_CLOCK);
                for number in [time, epoch, sequence] {
                    out.extend(number.to_be_bytes());
                }
            }
        }
        true
    }

    /// The logger's side. `None` if the request is not understood.
    pub fn decode(plaintext: &[u8]) -> Option<Self> {
        let mut fields = Fields(plaintext);
        let request = match fields.u8().ok()? {
            SEND_AGAIN => {
                let n = usize::from(fields.u8().ok()?);
                if n == 0 || n > SPANS_MAX {
                    return None;
                }
                let mut spans = Vec::with_capacity(n);
                for _ in 0..n {
                    let (epoch, first) = (fields.u32().ok()?, fields.u32().ok()?);
                    spans.push(AskedSpan { epoch, first, count: u16::from_be_bytes(fields.take().ok()?) });
                }
                Self::SendAgain(spans)
            }
            SET_CLOCK => {
                let time = fields.u32().ok()?;
                Self::SetClock { time, answers: (fields.u32().ok()?, fields.u32().ok()?) }
            }
            _ => return None,
        };
        fields.end().ok()?;
        Some(request)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn requests_go_both_ways(
            spans in proptest::collection::vec(any::<(u32, u32, u16)>(), 1..=SPANS_MAX),
            (time, epoch, sequence) in any::<(u32, u32, u32)>()
        ) {
            let spans = spans.into_iter().map(|(epoch, first, count)| AskedSpan { epoch, first, count });
            for request in [
                Request::SendAgain(spans.collect()),
                Request::SetClock { time, answers: (epoch, sequence) },
            ] {
                let mut plaintext = Vec::new();
                prop_assert!(request.encode(&mut plaintext));
                prop_assert!(plaintext.len() <= crate::wire::frame::RECORD_MAX);
                prop_assert_eq!(Request::decode(&plaintext), Some(request));
                for len in 0..plaintext.len() {
                    prop_assert_eq!(Request::decode(&plaintext[..len]), None);
                }
                plaintext.push(0);
                prop_assert_eq!(Request::decode(&plaintext), None);
            }
        }
    }
}
