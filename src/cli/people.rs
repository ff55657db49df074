//! What `write-off`, `remark` and `manual-reading` have in common: the present, and writing to the ledger.

use super::args::now as present;
use super::exit::{Exit, NO};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::{Error, Ledger, Stamp, actor};
use crate::time::{Clock, SystemClock};
use std::fmt::Display;

/// The present for a new entry: the computer's clock, or the time given with `--now`.
pub fn stamp(config: &Config, now: Option<&str>) -> Result<Stamp, Exit> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    match now {
        None => Ok(clock.now()),
        Some(_) => Ok(Stamp { unix_s: present(config, now)?.unix_s(), synchronised: true }),
    }
}

/// Opens the configured ledger and writes to it. It must exist and have this schema: a mistyped path must not make an
/// empty one.
pub fn write<T>(
    config: &Config,
    what: &str,
    write: impl FnOnce(&mut Ledger) -> Result<T, Error>,
) -> Result<T, Exit> {
    let done = Reader::open(&config.ledger.path)
        .and_then(|_| Ledger::open(&config.ledger.path))
        .and_then(|ledger| write(&mut ledger.acting(actor::of_process())));
    done.map_err(|error| match error {
        Error::Busy(_) => Exit::locked(format!("{error}: {what} was not written; try again in a moment")),
        error => Exit::could_not(format!("{what} was not written: {error}")),
    })
}

/// Says why the ledger did not take it; that is an answer, not a failure.
pub fn refused(why: impl Display) -> u8 {
    say!("stonechat: {why}");
    NO
}
