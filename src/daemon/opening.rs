//! Opens the ledger for the daemon on a separate thread, while the loop receives.
//!
//! Input: the ledger's path, the radios' names. Output: a ledger that is sound or has replaced a damaged one,
//! and what the loop needs to know about it. Opening may take long: another process holds the write lock and
//! there is something to write, or a new release migrates a ledger of many years. Nothing is written if nothing
//! has changed.

use crate::ledger::care::take_over::{self, TakenOver};
use crate::ledger::{Error, Ledger, RadioId, Stamp, rescue};
use crate::wire::check::CheckedKey;
use std::path::PathBuf;
use tokio::task::{JoinError, JoinHandle};

/// A ledger to continue with.
#[derive(Debug)]
pub struct Opened {
    pub ledger: Ledger,
    /// Set if the previous ledger was damaged.
    pub taken: Option<TakenOver>,
    /// Set if there was no ledger, and a copy of one that had vanished took its place: what was done, and what
    /// must be brought over.
    pub adopted: Option<(String, Option<PathBuf>)>,
    /// Whether a complete sidecar is next to it.
    pub is_known: bool,
    /// Why the sidecar is not used, if so.
    pub unused: Option<String>,
    /// The numbers of the radios in it, in the order of the radios.
    pub radios: Vec<RadioId>,
    /// The keys that have opened frames before.
    pub proven: Vec<CheckedKey>,
}

/// Starts to open it.
pub fn begin(path: PathBuf, radios: Vec<String>, now: Stamp) -> JoinHandle<Result<Opened, Error>> {
    tokio::task::spawn_blocking(move || open(&path, &radios, now))
}

/// The result of a thread that opened the ledger. A thread that panicked is a fault of this program.
pub fn ended(opened: Result<Result<Opened, Error>, JoinError>) -> Result<Opened, Error> {
    opened.unwrap_or_else(|error| Err(Error::Unexpected(format!("opening it ended early ({error})"))))
}

fn open(path: &std::path::Path, radios: &[String], now: Stamp) -> Result<Opened, Error> {
    let names: Vec<&str> = radios.iter().map(String::as_str).collect();
    let adopted = rescue::adopt(path, now)?.map(|on| (on.text, on.salvage));
    let take_over::Opened { mut ledger, mut taken, mut is_known, unused } = take_over::open(path, now)?;
    let mut known = facts(&mut ledger, &names);
    if let Err(error) = &known
        && error.is_damage()
    {
        // Damage that the first check does not see.
        let why = error.cause();
        let memory = ledger.coverage().clone();
        drop(ledger);
        let (new, taken_over) = take_over::replace(path, &why, &[], &memory, now)?;
        (ledger, taken, is_known) = (new, Some(taken_over), false);
        known = facts(&mut ledger, &names);
    }
    match known {
        Ok((radios, proven)) => Ok(Opened { ledger, taken, adopted, is_known, unused, radios, proven }),
        Err(error) => {
            if let Some(taken) = taken {
                // The next try finds a sound ledger, and would not report this.
                tracing::error!(kept = taken.kept, "{}", taken.text());
            }
            Err(error)
        }
    }
}

type Facts = (Vec<RadioId>, Vec<CheckedKey>);

fn facts(ledger: &mut Ledger, names: &[&str]) -> Result<Facts, Error> {
    let proven = ledger.keys_in_use()?.into_iter();
    Ok((ledger.radios(names)?, proven.collect()))
}
