//! Opens sealed dumps: every record in them that a key opens, one after another.
//!
//! Input: files and folders, the roster, a borrowed keyring. Output: records, passed on as they are opened, and a
//! [`Tally`] of the frames. Nothing is judged against a ledger and nothing is kept.

use super::dump::{DumpRun, Runs};
use super::inputs::{self, Input};
use super::leftover::{Leftover, NotTaken};
use super::recognise::Looks;
use crate::record::judge::{self, Opened, Outcome, Tally};
use crate::record::roster::Roster;
use crate::seal::keyring::Keyring;
use crate::wire::frame::RECORD_MAX;
use crate::wire::seq::Identity;
use std::path::{Path, PathBuf};

/// Maximum number of records from dumps in one run: the caller holds them in memory, each in some 60 bytes.
const RECORDS_MAX: u64 = 20_000_000;
/// How many bytes are read at a time.
const PIECE: usize = 64 << 10;

/// Why dumps could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenDumpsError {
    /// A file that was named is not a download, and why.
    #[error("{0} {1}")]
    NoDump(String, String),
    /// A file cannot be read.
    #[error("{0}: cannot be read to its end: {1}; copy it again")]
    Read(String, std::io::Error),
    /// There are more records than can be compared at a time.
    #[error("more than {RECORDS_MAX} records; compare one logger at a time")]
    TooMany,
}

/// Opens every frame of a file or a folder of sealed dumps, and passes the records on. `ledger`: its own files are not
/// touched.
pub fn open_dumps(
    path: &Path,
    ledger: &Path,
    roster: &Roster,
    keyring: &mut Keyring,
    mut take: impl FnMut(Identity, &[u8]),
) -> Result<Tally, OpenDumpsError> {
    let found = inputs::gather(&[PathBuf::from(path)], ledger, false);
    // A CSV has nothing to open; a dump that was not copied would be missing in the comparison.
    let is_missed = |file: &NotTaken| file.is_mistake && file.what != Leftover::Table;
    if let Some(file) = found.not_taken.into_iter().find(is_missed) {
        return Err(OpenDumpsError::NoDump(file.name, file.why));
    }
    let mut tally = Tally::default();
    for input in found.inputs.iter().filter(|input| input.looks != Looks::OwnCsv) {
        open_dump(input, roster, keyring, &mut tally, &mut take)?;
    }
    Ok(tally)
}

fn open_dump(
    input: &Input,
    roster: &Roster,
    keyring: &mut Keyring,
    tally: &mut Tally,
    take: &mut impl FnMut(Identity, &[u8]),
) -> Result<(), OpenDumpsError> {
    let at = |error| OpenDumpsError::Read(input.name.clone(), error);
    let mut plaintext = [0; RECORD_MAX];
    let mut each = |run: DumpRun<'_>| -> Result<(), OpenDumpsError> {
        if run.decoded.is_empty() {
            tally.count(Outcome::Noise);
            return Ok(());
        }
        match judge::open(run.decoded, roster, keyring, &mut plaintext) {
            Opened::Dropped(outcome) => tally.count(outcome),
            // A reader may copy it from the line; nothing of a logger is in it.
            Opened::RadioStatus(_) => {}
            Opened::Foreign(_) => tally.count(Outcome::Foreign),
            Opened::NotOpened { .. } => tally.count(Outcome::Unopened),
            Opened::Record { frame, plaintext, .. } => {
                tally.count(Outcome::Stored);
                take(frame.identity, plaintext);
                if tally.of(Outcome::Stored) > RECORDS_MAX {
                    return Err(OpenDumpsError::TooMany);
                }
            }
        }
        Ok(())
    };
    let opened = input.read(|reader| {
        let (mut runs, mut piece) = (Runs::default(), vec![0; PIECE]);
        loop {
            let read = reader.read(&mut piece).map_err(at)?;
            if read == 0 {
                return runs.finish(&mut each);
            }
            runs.feed(piece.get(..read).unwrap_or(&[]), &mut each)?;
        }
    });
    opened.map_err(at)?
}
