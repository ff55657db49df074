//! Reads a file piece by piece, and reports to a listener in the meantime.

use crate::hand::place::Place;
use crate::report::inputs::ReadError;
use sha2::{Digest, Sha256};
use std::io::Read;

/// Bytes read at once.
const PIECE: usize = 64 * 1024;

/// One refusal, for the file that keeps all refusals.
#[derive(Clone, Copy, Debug)]
pub struct Refusal<'a> {
    pub file: &'a str,
    pub place: Place,
    pub kind: &'a str,
    pub why: &'a str,
    /// The line or the run itself; empty if it could not be decoded.
    pub content: &'a [u8],
}

/// How far the work on the present file has come. The steps follow each other; not every file has all of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// This many bytes have been read.
    Read { bytes: u64 },
    /// Rows without sequence numbers have been compared with what is held.
    Matched { rows: u64, of: u64 },
    /// And those have been judged as far as authentic records decide.
    Judged { rows: u64, of: u64 },
    /// Rows that waited for the file's end have been decided.
    Decided { rows: u64, of: u64 },
}

/// A person stopped the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopped;

/// Receives progress and refusals while files are read.
pub trait Listener {
    /// The work has come this far; an error ends it.
    fn progress(&mut self, step: Step) -> Result<(), Stopped>;
    /// Something is refused. An error ends the planning.
    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()>;
}

/// Why a file is not planned at all: nothing of it is imported.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// It could not be read to its end.
    #[error("cannot be read to its end ({0}); copy it from the reader again, and import that")]
    Read(std::io::Error),
    /// It changed while it was read: the number of bytes differs.
    #[error(
        "changed while it was read ({found} bytes instead of {expected}); wait until copying has finished, and import it \
         again"
    )]
    Changed {
        /// The size that its folder gave.
        expected: u64,
        /// The number of bytes read.
        found: u64,
    },
    /// It contains no valid frame.
    #[error(
        "is not a download: it contains no valid frame, and does not begin with the columns of the gateway's own CSV"
    )]
    NoFrames,
    /// Its header is not that of the gateway's own CSV.
    #[error("line 1: {0}; the gateway's own CSV is described in docs/import.md")]
    Header(String),
    /// It does not fit the layout by which it should be read.
    #[error("{0}")]
    Layout(String),
    /// More new content than one import can take.
    #[error("has more than 4 GB of new records; split it in two")]
    TooMuch,
    /// Reading what the ledger holds failed.
    #[error("the ledger cannot be read: {0}")]
    Ledger(ReadError),
    /// A person stopped the work.
    #[error("stopped")]
    Stopped,
    /// The refusals could not be written.
    #[error("the list of what is refused cannot be written: {0}")]
    Refusals(std::io::Error),
}

impl From<Stopped> for PlanError {
    fn from(_: Stopped) -> Self {
        Self::Stopped
    }
}

impl From<ReadError> for PlanError {
    fn from(error: ReadError) -> Self {
        Self::Ledger(error)
    }
}

/// Size and checksum of a file's bytes.
#[derive(Clone, Debug)]
pub struct Digested {
    pub size_bytes: u64,
    /// Their SHA-256, in hexadecimal.
    pub sha256: String,
}

/// Reads a file piece by piece, once, to its end.
pub fn pieces(
    input: &mut dyn Read,
    expected: Option<u64>,
    listener: &mut dyn Listener,
    mut each: impl FnMut(&[u8], &mut dyn Listener) -> Result<(), PlanError>,
) -> Result<Digested, PlanError> {
    let mut hasher = Sha256::new();
    let mut piece = vec![0; PIECE];
    let mut total = 0_u64;
    loop {
        let read = match input.read(&mut piece) {
            Ok(0) => break,
            Ok(read) => read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(PlanError::Read(error)),
        };
        let bytes = &piece[..read];
        hasher.update(bytes);
        total += read as u64;
        each(bytes, listener)?;
        listener.progress(Step::Read { bytes: total })?;
    }
    if let Some(expected) = expected.filter(|&expected| expected != total) {
        return Err(PlanError::Changed { expected, found: total });
    }
    let sha256 = crate::text::hex(&hasher.finalize());
    Ok(Digested { size_bytes: total, sha256 })
}
