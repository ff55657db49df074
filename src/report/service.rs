//! Loggers that left: those off the roster of which records are held, and those out of service since a date.
//!
//! Input: the roster, coverage, facts. Output: [`Service`], which every report shows. The gaps of a logger must not
//! disappear when it is taken off the roster: its missing records count as open until the roster says that the logger
//! is out of service, or they are written off.
//!
//! What is expected of a logger is decided only in `record::expected`.

use super::gap_state::open_records;
use crate::record::coverage::Coverage;
use crate::record::expected;
use crate::record::facts::Facts;
use crate::record::roster::{Logger, Roster};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::collections::BTreeSet;

/// A logger that is not on the roster but has held records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct OffRoster {
    pub logger: Address,
    /// How many records are held.
    pub records: u64,
    /// Records that must exist, are not held and are not written off.
    pub missing: u64,
}

/// A logger of the roster that is out of service.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct OutOfService {
    pub logger: Address,
    pub name: String,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub since: GatewayTime,
}

/// Loggers that left.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Service {
    /// By address.
    pub off_roster: Vec<OffRoster>,
    /// By address.
    pub out_of_service: Vec<OutOfService>,
}

impl Service {
    /// Missing records of all loggers off the roster.
    pub fn missing(&self) -> u64 {
        self.off_roster.iter().map(|off| off.missing).sum()
    }

    pub fn is_out(&self, logger: Address) -> bool {
        self.out_of_service.iter().any(|out| out.logger == logger)
    }

    /// Keeps only the loggers that were asked for.
    pub fn retain(&mut self, wanted: impl Fn(Address) -> bool) {
        self.off_roster.retain(|off| wanted(off.logger));
        self.out_of_service.retain(|out| wanted(out.logger));
    }
}

/// Finds the loggers that left.
pub fn service<F: Facts>(
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    now: GatewayTime,
    wanted: impl Fn(Address) -> bool,
) -> Result<Service, F::Error> {
    let mut service = Service::default();
    let known: BTreeSet<Address> = coverage.epochs().map(|(address, ..)| address).collect();
    for address in known.into_iter().filter(|&address| wanted(address) && !roster.contains(address)) {
        // Only its records are known: everything that they prove is expected.
        let logger = Logger::new(address, "", 0, 0);
        let written_off = facts.written_off(address)?;
        let epochs = expected::missing(&logger, coverage, facts)?;
        service.off_roster.push(OffRoster {
            logger: address,
            records: coverage.epochs_of(address).map(|(_, held)| held.held().count()).sum(),
            missing: epochs.iter().map(|of| open_records(of, &written_off)).sum(),
        });
    }
    let out = roster.loggers().filter(|logger| wanted(logger.address)).filter_map(|logger| {
        let since = logger.out_of_service_from.filter(|&since| since <= now)?;
        Some(OutOfService { logger: logger.address, name: logger.name.clone(), since })
    });
    service.out_of_service = out.collect();
    Ok(service)
}
