//! Cuts a stream of bytes into frames, and encodes frames: consistent overhead byte stuffing.
//!
//! Input: whatever a read from a port returned, in pieces of any size, starting anywhere. Output: whole decoded frames
//! for `frame`, and one notice for each run that is not a frame. The byte 0x00 ends a frame and never occurs inside
//! one, so after any damage the reader is in step again at the next delimiter.
//!
//! ```text
//! input     …  code data data  code data … 00  code data … 00
//!           └── dropped at start ──┘       │   └── one frame ─┘
//!                                  delimiter
//! ```
//!
//! What this is not: it does not know the content of a frame; `frame` checks the check sequence.
//!
//! Promises: never panics; holds at most [`ENCODED_MAX`] bytes per deframer; a run of any length needs no further
//! memory and is counted once; how the input is cut into pieces does not change the output.
//!
//! Standard: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
//! Networking 7(2), 1999. A full block of 254 bytes at the end may or may not be followed by an empty one;
//! both forms decode.

/// The longest valid serial frame, decoded: kind, signal report, 222 bytes of air frame, check sequence.
pub const DECODED_MAX: usize = 1 + 2 + 222 + 2;

/// The longest valid serial frame, encoded, without its delimiter: below 254 bytes the overhead is one byte.
pub const ENCODED_MAX: usize = DECODED_MAX + 1;

/// Ends a frame.
pub const DELIMITER: u8 = 0;

/// What was between two delimiters (empty frames are ignored).
#[derive(Debug, PartialEq, Eq)]
pub enum Run<'a> {
    /// A run that decodes: `decoded` may still be anything. `encoded_len` is its length on the line, without the
    /// delimiter.
    Frame {
        /// The decoded bytes.
        decoded: &'a [u8],
        /// Length on the line in bytes, without the delimiter.
        encoded_len: usize,
    },
    /// A run whose code bytes do not fit its length.
    BadStuffing {
        /// Length on the line in bytes, without the delimiter.
        encoded_len: usize,
    },
    /// A run longer than any valid frame; dropped up to its delimiter.
    TooLong {
        /// Length on the line in bytes, without the delimiter.
        encoded_len: u64,
    },
}

/// Cuts a stream into frames. See the page of the module.
#[derive(Debug)]
pub struct Deframer {
    /// The run so far; `0 <= held <= ENCODED_MAX`.
    encoded: [u8; ENCODED_MAX],
    held: usize,
    /// Bytes of the current run beyond what `encoded` holds; more than 0 means that it is too long.
    dropped: u64,
    decoded: [u8; ENCODED_MAX],
}

impl Default for Deframer {
    fn default() -> Self {
        Self { encoded: [0; ENCODED_MAX], held: 0, dropped: 0, decoded: [0; ENCODED_MAX] }
    }
}

impl Deframer {
    /// Takes bytes from the front of `input` until a run ends, and returns that run; `None` when all of `input` is
    /// taken and the last run is still open.
    ///
    /// Call it until it returns `None`, and again when there is more input.
    pub fn next_run<'a>(&'a mut self, input: &mut &[u8]) -> Option<Run<'a>> {
        loop {
            let Some(end) = memchr::memchr(DELIMITER, input) else {
                self.hold(input);
                *input = &[];
                return None;
            };
            let (piece, rest) = (&input[..end], &input[end + 1..]);
            *input = rest;
            if self.held == 0 && self.dropped == 0 && piece.len() <= ENCODED_MAX {
                // The whole run is in this piece: decode it in place.
                if piece.is_empty() {
                    continue;
                }
                return Some(run_of(piece, &mut self.decoded));
            }
            self.hold(piece);
            return Some(self.finish_held());
        }
    }

    /// Ends the current run as if a delimiter had come: the last frame of a sealed dump may have no delimiter.
    /// `None` if no run is open.
    pub fn finish(&mut self) -> Option<Run<'_>> {
        if self.held == 0 && self.dropped == 0 { None } else { Some(self.finish_held()) }
    }

    /// Discards an unfinished run, for example when a port closes. Returns the number of bytes discarded.
    pub fn reset(&mut self) -> u64 {
        let forgotten = self.held as u64 + self.dropped;
        self.held = 0;
        self.dropped = 0;
        forgotten
    }

    fn hold(&mut self, piece: &[u8]) {
        let room = ENCODED_MAX - self.held;
        let taken = piece.len().min(room);
        self.encoded[self.held..self.held + taken].copy_from_slice(&piece[..taken]);
        self.held += taken;
        self.dropped += (piece.len() - taken) as u64;
    }

    fn finish_held(&mut self) -> Run<'_> {
        let (held, dropped) = (self.held, self.dropped);
        self.held = 0;
        self.dropped = 0;
        if dropped > 0 {
            return Run::TooLong { encoded_len: held as u64 + dropped };
        }
        run_of(&self.encoded[..held], &mut self.decoded)
    }
}

fn run_of<'a>(encoded: &[u8], decoded: &'a mut [u8; ENCODED_MAX]) -> Run<'a> {
    match decode(encoded, decoded) {
        Some(len) => Run::Frame { decoded: &decoded[..len], encoded_len: encoded.len() },
        None => Run::BadStuffing { encoded_len: encoded.len() },
    }
}

/// Decodes one run (without its delimiter) into the front of `out`; returns the number of bytes.
///
/// `None` if a code byte points beyond the end, if there is a zero inside, or if `out` is too small
/// (it never is if it is as long as `encoded`).
pub fn decode(encoded: &[u8], out: &mut [u8]) -> Option<usize> {
    let (mut from, mut to) = (0, 0);
    while from < encoded.len() {
        let code = usize::from(encoded[from]);
        let block = encoded.get(from + 1..from + code)?;
        if code == 0 || block.contains(&DELIMITER) {
            return None;
        }
        out.get_mut(to..to + block.len())?.copy_from_slice(block);
        to += block.len();
        from += code;
        if code < 0xFF && from < encoded.len() {
            *out.get_mut(to)? = 0;
            to += 1;
        }
    }
    Some(to)
}

/// Appends the encoded form of `data` and its delimiter to `out`.
pub fn encode(data: &[u8], out: &mut Vec<u8>) {
    let mut rest = data;
    loop {
        let zero = memchr::memchr(DELIMITER, &rest[..rest.len().min(254)]);
        let block = zero.unwrap_or(rest.len().min(254));
        // A block is at most 254 bytes, so its code is at most 255.
        out.push(block as u8 + 1);
        out.extend_from_slice(&rest[..block]);
        match zero {
            // The code byte represents the zero itself; something must follow it, even if only 0x01.
            Some(at) => rest = &rest[at + 1..],
            None => {
                rest = &rest[block..];
                if rest.is_empty() {
                    break;
                }
            }
        }
    }
    out.push(DELIMITER);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn runs(pieces: &[&[u8]]) -> Vec<String> {
        let mut deframer = Deframer::default();
        let mut seen = Vec::new();
        for piece in pieces {
            let mut input = *piece;
            while let Some(run) = deframer.next_run(&mut input) {
                seen.push(format!("{run:?}"));
            }
        }
        seen
    }

    #[test]
    fn overlong_run_is_skipped_to_the_next_delimiter_and_counted_once() {
        let mut bytes = vec![7; 1000];
        bytes.push(0);
        encode(b"after", &mut bytes);
        let seen = runs(&[&bytes]);
        assert_eq!(seen.len(), 2);
        assert_eq!(seen[0], format!("{:?}", Run::TooLong { encoded_len: 1000 }));
        assert!(seen[1].starts_with("Frame"));
    }

    #[test]
    fn a_zero_inside_a_run_or_a_code_beyond_its_end_is_refused() {
        let mut out = [0; 16];
        assert_eq!(decode(&[3, 1, 0], &mut out), None);
        assert_eq!(decode(&[5, 1, 2], &mut out), None);
        assert_eq!(decode(&[0], &mut out), None);
        assert_eq!(decode(&[3, 1, 2], &mut out), Some(2));
    }

    #[test]
    fn a_closed_port_leaves_nothing_behind() {
        let mut deframer = Deframer::default();
        let mut input: &[u8] = &[5, 1, 2];
        assert!(deframer.next_run(&mut input).is_none());
        assert_eq!(deframer.reset(), 3);
        assert!(deframer.finish().is_none());
    }

    proptest! {
        #[test]
        fn decode_undoes_encode(data in proptest::collection::vec(prop_oneof![Just(0u8), any::<u8>()], 0..700)) {
            let mut encoded = Vec::new();
            encode(&data, &mut encoded);
            prop_assert_eq!(encoded.pop(), Some(0));
            prop_assert!(!encoded.contains(&0));
            let mut out = vec![0; encoded.len()];
            let len = decode(&encoded, &mut out);
            prop_assert_eq!(len.map(|len| &out[..len]), Some(&data[..]));
        }

        #[test]
        fn any_cut_of_the_bytes_gives_the_same_runs(
            data in proptest::collection::vec(prop_oneof![3 => any::<u8>(), 1 => Just(0u8)], 0..1500),
            long in 0usize..600,
            cuts in proptest::collection::vec(0usize..2100, 0..20),
        ) {
            let mut bytes = data;
            bytes.extend(std::iter::repeat_n(9, long));
            bytes.push(0);
            encode(&[1, 0, 2], &mut bytes);
            let mut cuts: Vec<usize> = cuts.into_iter().map(|cut| cut.min(bytes.len())).collect();
            cuts.extend([0, bytes.len()]);
            cuts.sort_unstable();
            let pieces: Vec<&[u8]> = cuts.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
            let single: Vec<&[u8]> = bytes.chunks(1).collect();
            prop_assert_eq!(runs(&pieces), runs(&[&bytes]));
            prop_assert_eq!(runs(&single), runs(&[&bytes]));
        }
    }
}
