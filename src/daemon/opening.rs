//! Opening the ledger for the daemon: on a thread of its own, while the loop hears.
//!
//! Input: the ledger's path, the radios' names. Output: a ledger that is sound, or has taken a damaged one's place, and
//! what the loop needs to know of it. It may take long: another process holds the write lock and there is something to
//! write, or a new release brings a ledger of many years up to date. Nothing is written where there is no news.

use crate::ledger::care::take_over::{self, TakenOver};
use crate::ledger::{Error, Ledger, RadioId, Stamp, rescue};
use crate::wire::check::CheckedKey;
use std::path::PathBuf;
use tokio::task::{JoinError, JoinHandle};

/// A ledger to go on with.
#[derive(Debug)]
pub struct Opened {
    pub ledger: Ledger,
    /// Where the one that was there was damaged.
    pub taken: Option<TakenOver>,
    /// Where there was none, and a copy of one that had vanished took its place: what was done, and what is to be
    /// brought over.
    pub adopted: Option<(String, Option<PathBuf>)>,
    /// Whether what must outlive it stands beside it, whole.
    pub is_known: bool,
    /// Why what stands there is not used, if so.
    pub unused: Option<String>,
    /// The radios' numbers in it, in their order.
    pub radios: Vec<RadioId>,
    /// The keys that have opened frames before.
    pub proven: Vec<CheckedKey>,
}

/// Begins to open it.
pub fn begin(path: PathBuf, radios: Vec<String>, now: Stamp) -> JoinHandle<Result<Opened, Error>> {
    tokio::task::spawn_blocking(move || open(&path, &radios, now))
}

/// What a thread that opened the ledger brought back. One that panicked is a fault of this program.
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
        // Damage that the first look does not see.
        let why = error.cause();
        let memory = ledger.coverage().clone();
        drop(ledger);
        let (new, told) = take_over::replace(path, &why, &[], &memory, now)?;
        (ledger, taken, is_known) = (new, Some(told), false);
        known = facts(&mut ledger, &names);
    }
    match known {
        Ok((radios, proven)) => Ok(Opened { ledger, taken, adopted, is_known, unused, radios, proven }),
        Err(error) => {
            if let Some(taken) = taken {
                // The next try finds a sound ledger, and would not say it.
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
