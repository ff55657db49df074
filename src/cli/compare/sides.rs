//! The two sides of a comparison: what each is, and how it is read.

use crate::cli::exit::Exit;
use crate::cli::print::Progress;
use crate::config::{self, Config};
use crate::files::{self, Wanted};
use crate::hand::opened::open_dumps;
use crate::ledger::care::compare::{ComparedSide, Records};
use crate::ledger::care::{stranger, verify};
use crate::ledger::db::error::Error;
use crate::view::compared::{DumpsRead, NamedSide, name_of, not_opened};
use std::path::Path;

/// Refuses a ledger in which SQLite finds damage.
pub fn refuse_unsound(path: &Path) -> Result<(), Exit> {
    let wrong = verify::integrity_of(path).map_err(|error| not_read(path, &error))?;
    match wrong.into_iter().next() {
        Some(first) => Err(not_read(path, &Error::Corrupt(first))),
        None => Ok(()),
    }
}

/// Either side may be a copy that no daemon uses, so its damage has a remedy of its own.
pub fn not_read(path: &Path, error: &Error) -> Exit {
    let path = name_of(path);
    Exit::could_not(match error.is_damage() {
        true => format!(
            "{path}: is damaged ({}); compare with another copy, or bring over what it still has with `stonechat \
             salvage {path}`",
            error.cause()
        ),
        false => format!("{path}: {error}"),
    })
}

/// Whether it is a ledger; otherwise it is read as sealed dumps.
pub fn is_ledger(path: &Path) -> Result<bool, Exit> {
    stranger::looks_like_one(path).map_err(|error| {
        let error = files::explained(path, Wanted::Read, error);
        Exit::could_not(format!("{}: cannot be read: {error}", name_of(path)))
    })
}

/// The records of a file or a folder of sealed dumps.
pub fn dumps(config: &Config, path: &Path) -> Result<(Records, DumpsRead), Exit> {
    let mut keyring = config::load_keyring(config).map_err(|problems| Exit::refused(&problems))?;
    let mut records = Records::default();
    let take = |id, plaintext: &[u8]| records.push(id, plaintext);
    let frames = open_dumps(path, &config.ledger.path, &config.roster, &mut keyring, take);
    let frames = frames.map_err(Exit::could_not)?;
    if records.count() == 0 {
        return Err(Exit::could_not(format!(
            "{}: no record of a logger on the roster could be opened ({}); is it a ledger's backup or a sealed dump of \
             this site?",
            name_of(path),
            not_opened(&frames)
        )));
    }
    let contradicting = records.contradicting;
    Ok((records, DumpsRead { frames, contradicting }))
}

/// A side that can be compared; without dumps, the ledger is read.
pub fn side(
    path: &Path,
    dumps: Option<(Records, DumpsRead)>,
    anew: bool,
    progress: &Progress,
) -> Result<(NamedSide, ComparedSide), Exit> {
    let name = name_of(path);
    if let Some((records, read)) = dumps {
        return Ok((NamedSide { name, dumps: Some(read) }, ComparedSide::records(records)));
    }
    let read = |rows: u64| progress.say(&format!("reading {name}: {rows} rows …"));
    let side = ComparedSide::ledger(path, anew, read).map_err(|error| not_read(path, &error))?;
    Ok((NamedSide { name, dumps: None }, side))
}
