//! How each record of the loggers came, counted by span: `completeness` as somebody asks for it.
//!
//! Input: the configuration, what is wanted, the present. Output: [`LoggerCounts`] by logger.

use super::completeness::{CompletenessWanted, LoggerCounts};
use super::gaps::Report;
use super::health;
use super::service::{Service, service};
use crate::config::Config;
use crate::ledger::read::Read;
use crate::ledger::read::origin::Unsettled;
use crate::ledger::read::snapshot::Reader;
use crate::report::origin;
use crate::state::DaemonState;
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::time::{Duration, Instant};

/// One state of the ledger is read for no longer than this plus one logger, so that the daemon's -wal can be folded in
/// between.
const HOLD: Duration = Duration::from_secs(5);

/// Counts, logger by logger. Each logger is counted in one state of the ledger; two loggers may be counted in two.
pub fn count(
    config: &Config,
    wanted: &CompletenessWanted,
    now: GatewayTime,
    mut progress: impl FnMut(Address, usize, usize),
) -> Read<Vec<LoggerCounts>> {
    let loggers: Vec<_> = config.roster.loggers().filter(|logger| wanted.takes(logger.address)).collect();
    let reader = Reader::open(&config.ledger.path)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let mut counts = Vec::new();
    while counts.len() < loggers.len() {
        reader.read(|snapshot| {
            let taken = Instant::now();
            let unsettled = Unsettled::take(snapshot)?;
            // Where the gateway explains a silence, no readings are presumed, here as in `gaps`.
            let explained: Box<dyn Fn(&mut Report)> = match wanted.as_of {
                None => {
                    let gateway = health::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?;
                    Box::new(move |report| drop(gateway.take_explained(report)))
                }
                Some(at) => {
                    let then = health::Then::look(&config.roster, snapshot, at)?;
                    Box::new(move |report| then.take_explained(report))
                }
            };
            while let Some(logger) = loggers.get(counts.len()) {
                progress(logger.address, counts.len() + 1, loggers.len());
                counts.push(origin::count(
                    snapshot,
                    &unsettled,
                    logger,
                    &wanted.spans,
                    now,
                    wanted.as_of,
                    &explained,
                )?);
                if taken.elapsed() > HOLD {
                    break;
                }
            }
            Ok(())
        })?;
    }
    Ok(counts)
}

/// Loggers that left, of those that are wanted.
pub fn left(config: &Config, wanted: &CompletenessWanted, now: GatewayTime) -> Read<Service> {
    let takes = |logger: Address| wanted.takes(logger);
    Reader::open(&config.ledger.path)?
        .read(|snapshot| service(&config.roster, snapshot.coverage(), snapshot, now, takes))
}
