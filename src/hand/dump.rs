//! Sealed dumps: frames in any order, whole or cut off anywhere (docs/wire-format.md, 5).
//!
//! Input: bytes in pieces. Output: runs between delimiters, each with its position. No keys, no judging. A last
//! frame without its delimiter counts if it is valid; memory is bounded whatever the bytes are.

use crate::wire::cobs::{Deframer, ENCODED_MAX, Run};
use crate::wire::frame::{NoFrame, SerialFrame};

/// Splits a dump into runs.
#[derive(Debug, Default)]
pub struct Runs {
    deframer: Deframer,
    taken: u64,
}

/// One run between delimiters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DumpRun<'a> {
    /// Its first byte in the file.
    pub at: u64,
    /// Its decoded bytes; empty if they cannot be decoded.
    pub decoded: &'a [u8],
    /// Its length in the file.
    pub encoded_len: u64,
    /// Whether there is no delimiter before it or after it: the file begins or ends here.
    pub is_at_edge: bool,
}

impl DumpRun<'_> {
    /// Whether it is the rest of a frame from where the file was cut: a dump may begin and end anywhere in a
    /// frame. Anything longer than a frame is damaged.
    pub fn is_cut_frame(&self) -> bool {
        self.is_at_edge
            && self.encoded_len <= ENCODED_MAX as u64
            && matches!(SerialFrame::parse(self.decoded), Err(reason) if NoFrame::is_noise(reason))
    }
}

impl Runs {
    /// Takes a piece, and passes on every run that ends in it.
    pub fn feed<E>(
        &mut self,
        piece: &[u8],
        mut each: impl FnMut(DumpRun<'_>) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut rest = piece;
        while let Some(run) = self.deframer.next_run(&mut rest) {
            let (decoded, encoded_len) = parts(run);
            // The delimiter was taken too.
            let end = self.taken + (piece.len() - rest.len()) as u64 - 1;
            let at = end.saturating_sub(encoded_len);
            each(DumpRun { at, decoded, encoded_len, is_at_edge: at == 0 })?;
        }
        self.taken += piece.len() as u64;
        Ok(())
    }

    /// The last run, if no delimiter ended it.
    pub fn finish<E>(&mut self, mut each: impl FnMut(DumpRun<'_>) -> Result<(), E>) -> Result<(), E> {
        let taken = self.taken;
        let Some(run) = self.deframer.finish() else { return Ok(()) };
        let (decoded, encoded_len) = parts(run);
        each(DumpRun { at: taken.saturating_sub(encoded_len), decoded, encoded_len, is_at_edge: true })
    }
}

fn parts(run: Run<'_>) -> (&[u8], u64) {
    match run {
        Run::Frame { decoded, encoded_len } => (decoded, encoded_len as u64),
        Run::BadStuffing { encoded_len } => (&[], encoded_len as u64),
        Run::TooLong { encoded_len } => (&[], encoded_len),
    }
}

/// Whether these bytes contain a valid frame.
pub fn holds_frames(head: &[u8]) -> bool {
    let mut runs = Runs::default();
    let mut look = |run: DumpRun<'_>| if SerialFrame::parse(run.decoded).is_ok() { Err(()) } else { Ok(()) };
    runs.feed(head, &mut look).is_err() || runs.finish(&mut look).is_err()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::wire::frame::{KIND_AIR, encode_line};

    #[test]
    fn runs_say_where_they_begin_however_the_bytes_come() {
        let mut bytes = Vec::new();
        let mut starts = Vec::new();
        for len in [40_usize, 60, 100] {
            bytes.push(0);
            starts.push(bytes.len() as u64);
            encode_line(KIND_AIR, None, &vec![7; len], &mut bytes);
        }
        // The last delimiter is missing.
        bytes.pop();
        for step in [1, 3, 64, 1000] {
            let mut runs = Runs::default();
            let mut found = Vec::new();
            let mut take = |run: DumpRun<'_>| -> Result<(), ()> {
                found.push(run.at);
                Ok(())
            };
            for piece in bytes.chunks(step) {
                runs.feed(piece, &mut take).unwrap();
            }
            runs.finish(&mut take).unwrap();
            assert_eq!(found, starts, "in pieces of {step}");
        }
    }
}
