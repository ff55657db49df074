//! Opens the ledger for the daemon, and takes over if it is damaged.

use super::aside;
use super::look::{differs, file_looks, of_another};
use super::made::{InFile, Lost, make};
use super::outcome::TakenOver;
use crate::files::{self, with_tail};
use crate::ledger::care::restore::tidy;
use crate::ledger::care::sidecar::Sidecar;
use crate::ledger::care::site;
use crate::ledger::db::error::Error;
use crate::ledger::db::tx;
use crate::ledger::write::open::Ledger;
use crate::record::coverage::Coverage;
use crate::time::Stamp;
use rusqlite::Connection;
use std::path::Path;

/// A ledger as the daemon opens it.
#[derive(Debug)]
pub struct Opened {
    pub ledger: Ledger,
    /// Set if the previous ledger was damaged.
    pub taken: Option<TakenOver>,
    /// Whether a complete sidecar is next to it.
    pub is_known: bool,
    /// Why the sidecar is not used, if so.
    pub unused: Option<String>,
}

/// Opens the ledger for the daemon; if it is damaged, sets it aside and makes a new one. Call it under the
/// daemon's lock, with no connection to the ledger open.
pub fn open(path: &Path, now: Stamp) -> Result<Opened, Error> {
    tidy(path);
    let (mut known, mut unused) = read_known(path);
    let reason = match file_looks(path, known.is_some()) {
        _ if aside::unfinished(path, known.as_ref()).is_some() => "a take-over was cut short".to_owned(),
        Some(reason) => reason,
        None => match Ledger::open(path) {
            Ok(ledger) => {
                if let Some(why) = of_another(&ledger, known.as_ref(), path)? {
                    (known, unused) = (None, Some(why));
                }
                match differs(&ledger, known.as_ref())? {
                    None => return Ok(Opened { ledger, taken: None, is_known: known.is_some(), unused }),
                    Some(reason) => reason,
                }
            }
            Err(error) if error.is_damage() => error.cause(),
            // A file of another kind is not touched, unless it is known that a ledger was there.
            Err(Error::NotALedger { .. }) if known.is_some() => "it is not a ledger any more".to_owned(),
            Err(error) => return Err(error),
        },
    };
    let (ledger, taken) = take_over(path, known, &reason, &[], &Coverage::default(), now)?;
    Ok(Opened { ledger, taken: Some(taken), is_known: false, unused })
}

/// Does the same for a running daemon, whose own connection must be closed before. `radios`: the numbers it
/// uses; `memory`: what it knows to be committed, which may be more than the sidecar has.
pub fn replace(
    path: &Path,
    reason: &str,
    radios: &[(u8, String)],
    memory: &Coverage,
    now: Stamp,
) -> Result<(Ledger, TakenOver), Error> {
    let (known, unused) = read_known(path);
    let (ledger, taken) = take_over(path, known, reason, radios, memory, now)?;
    Ok((ledger, TakenOver { unused, ..taken }))
}

/// A second check by a running daemon, whose connection must be closed before: one page that was read wrongly is not a
/// reason to set years of data aside. `None`: it is damaged indeed, or lacks authentic records of `memory`.
pub fn look_again(path: &Path, memory: &Coverage) -> Result<Option<Ledger>, Error> {
    let (known, _) = read_known(path);
    if file_looks(path, known.is_some()).is_some() {
        return Ok(None);
    }
    let ledger = match Ledger::open(path) {
        Ok(ledger) => ledger,
        Err(error) if error.is_damage() || matches!(error, Error::NotALedger { .. }) => return Ok(None),
        Err(error) => return Err(error),
    };
    let known = if of_another(&ledger, known.as_ref(), path)?.is_some() { None } else { known };
    if differs(&ledger, known.as_ref())?.is_some() {
        return Ok(None);
    }
    let lacks = memory.epochs().any(|(address, epoch, held)| {
        let there = ledger.coverage().epoch(address, epoch);
        held.authentic
            .ranges()
            .iter()
            .any(|&(first, last)| there.is_none_or(|there| !there.authentic.missing(first..=last).is_empty()))
    });
    Ok((!lacks).then_some(ledger))
}

fn read_known(path: &Path) -> (Option<Sidecar>, Option<String>) {
    match Sidecar::read(path) {
        Ok(known) => (known, None),
        Err(why) => (None, Some(why)),
    }
}

fn take_over(
    path: &Path,
    known: Option<Sidecar>,
    reason: &str,
    radios: &[(u8, String)],
    memory: &Coverage,
    now: Stamp,
) -> Result<(Ledger, TakenOver), Error> {
    let at = |source| Error::SetAside { path: path.to_owned(), source };
    let aside = aside::name_for(path, known.as_ref(), reason, now.time())?;
    aside::set_aside(path, &aside).map_err(at)?;
    // The file itself may know more than yesterday's sidecar, if that data fits its digests.
    let old = aside::open_damaged(&aside);
    let signs = site::signs_of_file(&aside);
    let before = known.as_ref().map(Sidecar::fingerprints).unwrap_or_default();
    let of_file = |db: &Connection| tx::snapshot(db, |db| Sidecar::of(db, &before, false, now)).ok();
    let in_file = old.as_ref().and_then(of_file);
    let proven = match (&old, &in_file) {
        (None, _) => InFile::Nothing,
        (Some(_), Some(in_file)) => InFile::Proven(in_file.coverage()),
        (Some(_), None) => InFile::Perhaps,
    };
    let known = newer(known, in_file);
    let mut taken = TakenOver {
        is_there: aside.symlink_metadata().is_ok(),
        aside,
        reason: reason.to_owned(),
        known_as_of: known.as_ref().map(|known| known.as_of),
        records: 0,
        missing: 0,
        carried: 0,
        kept: aside::kept_aside(path).len(),
        unused: None,
    };
    // It is made under another name and gets the ledger's name when it is complete: a half-made ledger would
    // look like one that holds nothing.
    let part = with_tail(path, ".taking-over");
    files::remove_own_database(&part);
    let ids = signs.map(|signs| signs.ids).unwrap_or_default();
    let lost = Lost { file: old.as_ref(), ids, in_file: proven, known: known.as_ref(), memory };
    if let Err(error) = make(&part, &lost, radios, now, &mut taken) {
        files::remove_own_database(&part);
        return Err(error);
    }
    files::put_in_place(&part, path, true).map_err(at)?;
    files::remove_own_database(&part);
    Ok((Ledger::open(path)?, taken))
}

/// The newer of the sidecar and what the file itself contains.
fn newer(written: Option<Sidecar>, in_file: Option<Sidecar>) -> Option<Sidecar> {
    match (written, in_file) {
        (Some(written), Some(in_file)) => {
            let is_another = in_file.ledger_id != written.ledger_id && in_file.seen_row > 0;
            Some(if in_file.seen_row >= written.seen_row || is_another { in_file } else { written })
        }
        (written, in_file) => written.or(in_file),
    }
}

/// Opens a ledger that came to the path from elsewhere, if the checks at start find it sound. What is known
/// about the former ledger does not apply to this one.
pub(in crate::ledger) fn open_if_sound(path: &Path) -> Result<Option<Ledger>, Error> {
    if file_looks(path, false).is_some() {
        return Ok(None);
    }
    match Ledger::open(path) {
        Ok(ledger) => Ok(differs(&ledger, None)?.is_none().then_some(ledger)),
        Err(error) if error.is_damage() || matches!(error, Error::NotALedger { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}
