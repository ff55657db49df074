//! The visits of one state of the ledger in order, and what comes before any of them.
//!
//! Input: the configuration, the wanted loggers, the present time. Output: [`VisitList`]. The order itself is made in
//! [`super::visits`].

use super::ask::AskReport;
use super::gaps::{self, Silence};
use super::gateway::Gateway;
use super::health;
use super::service::Service;
use super::verdict::Verdict;
use super::visits::{self, Known, Visit};
use crate::config::Config;
use crate::ledger::read::Read;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::clock;
use crate::record::roster::Roster;
use crate::state::DaemonState;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// The visits in order, and what comes before any of them.
#[derive(Clone, Debug)]
pub struct VisitList {
    /// Whether a visit is needed.
    pub verdict: Verdict,
    pub visits: Vec<Visit>,
    pub gateway: Gateway,
    /// Among the loggers that the gateway does not hear: the one whose memory first overwrites what was not received,
    /// and when.
    pub first_to_overwrite: Option<(GatewayTime, Address)>,
    /// Loggers that left.
    pub service: Service,
    /// What loggers were asked to send again, and to which a walk can wait.
    pub asked: AskReport,
}

/// What is known of the wanted loggers in one state of the ledger.
pub fn known(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    wanted: impl Fn(Address) -> bool,
    now: GatewayTime,
) -> Read<BTreeMap<Address, Known>> {
    let mut known = visits::gather(roster, snapshot.coverage(), snapshot, wanted)?;
    for address in snapshot.expected_quiet(now)?.into_keys() {
        if let Some(known) = known.get_mut(&address) {
            known.is_expected_quiet = true;
        }
    }
    Ok(known)
}

/// Among the loggers that the gateway does not hear: the one whose memory first overwrites what was not received, and
/// when.
pub fn first_to_overwrite(
    unheard: &[Silence],
    known: &BTreeMap<Address, Known>,
) -> Option<(GatewayTime, Address)> {
    let overwrites = |silence: &Silence| {
        known.get(&silence.logger).filter(|known| !known.is_written_off)?;
        Some((silence.in_memory.earliest?, silence.logger))
    };
    unheard.iter().filter_map(overwrites).min()
}

/// The visits of one state of the ledger; for these loggers, or for all if empty.
pub fn gather(
    config: &Config,
    snapshot: &Snapshot<'_>,
    loggers: &[Address],
    now: GatewayTime,
) -> Read<(VisitList, BTreeMap<Address, visits::Known>)> {
    let wanted = |address: Address| loggers.is_empty() || loggers.contains(&address);
    let roster = &config.roster;
    let mut report = gaps::report(roster, snapshot.coverage(), snapshot, now, wanted)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let gateway = health::look(roster, snapshot, daemon.as_ref(), is_alive, now)?;
    let unheard = gateway.take_explained(&mut report);
    let mut known = known(roster, snapshot, wanted, now)?;
    let addresses: Vec<Address> = known.keys().copied().collect();
    for (address, (identity, row)) in snapshot.newest_readings(&addresses)? {
        let made = gaps::corrected(snapshot.coverage(), snapshot, identity)?;
        let at = made.map_or(clock::as_if_right(LoggerTime(row.time.into())), |made| made.time);
        if let Some(known) = known.get_mut(&address) {
            known.battery = row.battery_mv.map(|mv| (mv, at));
        }
    }
    let first_to_overwrite = first_to_overwrite(&unheard, &known);
    let mut asked = AskReport::read(config.ask, roster, snapshot, &report, &gateway, now)?;
    asked.loggers.retain(|&logger, _| wanted(logger));
    let visits = visits::plan(&report, roster, &known, now);
    let verdict = Verdict::new(&visits, &report, &gateway);
    let service = report.service;
    Ok((VisitList { verdict, visits, gateway, first_to_overwrite, service, asked }, known))
}

/// Reads the visits from the configured ledger.
pub fn read(config: &Config, loggers: &[Address], now: GatewayTime) -> Read<VisitList> {
    Reader::open(&config.ledger.path)?.read(|snapshot| Ok(gather(config, snapshot, loggers, now)?.0))
}
