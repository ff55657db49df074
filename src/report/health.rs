//! The state of the gateway, for every report: from the daemon's own state and from the ledger.
//!
//! Input: one consistent state of the ledger, the roster, the daemon's state file. Output: [`Gateway`]. The
//! rules are in [`super::gateway`].

use crate::ledger::read::Read;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::facts::Listening;
use crate::record::roster::{InService, Roster};
use crate::record::wrong_key::Heard;
use crate::report::gaps::{self, Facts, Report, Silence};
use crate::report::gateway::{Gateway, GatewayEvidence, LoggerHeard};
use crate::state::DaemonState;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Identity, Sequence};
use std::collections::BTreeMap;

/// When the newest held record of a logger came in by radio: it may have been opened later, with another key.
fn opened_later(snapshot: &Snapshot<'_>, address: Address) -> Read<Option<GatewayTime>> {
    let newest = snapshot.coverage().epochs_of(address).rev().find_map(|(epoch, held)| {
        let sequence = Sequence::new(held.authentic.largest()?)?;
        Some(Identity { address, epoch, sequence })
    });
    match newest {
        Some(newest) => Ok(snapshot.seen(newest)?.and_then(|seen| seen.received_at)),
        None => Ok(None),
    }
}

/// The state of the gateway at an earlier time, as far as the ledger shows it: the daemon's state of that time is not
/// kept.
pub struct Then {
    at: GatewayTime,
    listening: Vec<Listening>,
    /// After how long a logger is silent, and from when it is in service.
    limits: BTreeMap<Address, (Option<i64>, Option<GatewayTime>)>,
}

impl Then {
    /// Reads it from one state of the ledger.
    pub fn look(roster: &Roster, snapshot: &Snapshot<'_>, at: GatewayTime) -> Read<Self> {
        let mut limits = BTreeMap::new();
        for logger in roster.loggers() {
            let in_service_from = match logger.in_service {
                Some(InService::From(since)) => Some(since),
                _ => None,
            };
            let limit = gaps::silent_after_s(logger, snapshot.coverage(), snapshot)?;
            limits.insert(logger.address, (limit, in_service_from));
        }
        Ok(Self { at, listening: snapshot.listening()?, limits })
    }

    /// Leaves in a report of that time only the silences that are the loggers' own.
    pub fn take_explained(&self, report: &mut Report) {
        let of_silence = |silence: &Silence| {
            let (silent_after_s, in_service_from) =
                self.limits.get(&silence.logger).copied().unwrap_or_default();
            LoggerHeard {
                logger: silence.logger,
                interval_s: 0,
                silent_after_s,
                in_service_from,
                last_heard: silence.last_heard,
                is_accounted_for: false,
            }
        };
        let loggers: Vec<LoggerHeard> = report.silent.iter().map(of_silence).collect();
        let gateway = Gateway::new(&GatewayEvidence {
            now: self.at,
            daemon: None,
            is_alive: false,
            listening: &self.listening,
            loggers: &loggers,
            unopened: &[],
            failing: &[],
        });
        gateway.take_explained(report);
    }
}

/// Derives the state from one state of the ledger and the daemon's last state.
pub fn look(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    daemon: Option<&DaemonState>,
    is_alive: bool,
    now: GatewayTime,
) -> Read<Gateway> {
    let (quiet, given_up) = (snapshot.expected_quiet(now)?, snapshot.given_up()?);
    let mut loggers = Vec::new();
    for logger in roster.loggers() {
        let address = logger.address;
        let in_service_from = match logger.in_service {
            // It is not in service yet, so it need not be heard.
            Some(InService::From(since)) if since > now => continue,
            Some(InService::From(since)) => Some(since),
            _ => None,
        };
        let last_heard = snapshot.last_heard(address)?.max(opened_later(snapshot, address)?);
        loggers.push(LoggerHeard {
            logger: address,
            interval_s: logger.interval_s,
            silent_after_s: gaps::silent_after_s(logger, snapshot.coverage(), snapshot)?,
            in_service_from,
            last_heard,
            is_accounted_for: logger.out_of_service_from.is_some_and(|since| since <= now)
                || quiet.contains_key(&address)
                || given_up.contains_key(&address),
        });
    }
    let (listening, unopened) = (snapshot.listening()?, snapshot.kept_unopened()?);
    let heard = loggers.iter().map(|logger| Heard {
        logger: logger.logger,
        interval_s: logger.interval_s,
        last_opened: logger.last_heard,
    });
    let failing = snapshot.failing(&heard.collect::<Vec<_>>(), now)?;
    Ok(Gateway::new(&GatewayEvidence {
        now,
        daemon,
        is_alive,
        listening: &listening,
        loggers: &loggers,
        unopened: &unopened,
        failing: &failing,
    }))
}
