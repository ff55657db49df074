//! What `write-off`, `remark` and `manual` have in common: the present, and writing to the ledger.

use super::{COULD_NOT, could_not};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::{Error, Ledger, Stamp};
use crate::time::{Clock, SystemClock};

/// The present for what is written: the computer's clock, or what `--now` says.
pub fn stamp(config: &Config, now: Option<&str>) -> Result<Stamp, u8> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    match now {
        None => Ok(clock.now()),
        Some(_) => Ok(Stamp { unix_s: super::present(now)?, synchronised: true }),
    }
}

/// Opens the configured ledger for writing and does it. Only an existing one of this schema: a mistyped path must not
/// make an empty one.
pub fn write<T>(
    config: &Config,
    what: &str,
    write: impl FnOnce(&mut Ledger) -> Result<T, Error>,
) -> Result<T, u8> {
    let done = Reader::open(&config.ledger.path)
        .and_then(|_| Ledger::open(&config.ledger.path))
        .and_then(|ledger| write(&mut ledger.acting(crate::ledger::actor::of_process())));
    done.map_err(|error| match error {
        Error::Busy(_) => {
            could_not(&format!("{error}: {what} was not written; try again in a moment"));
            COULD_NOT
        }
        error => could_not(&format!("{what} was not written: {error}")),
    })
}
