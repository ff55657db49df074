//! The state of a site: the gateway, its ledger, and each logger.
//!
//! Input: one consistent state of the ledger, and its surroundings ([`Surroundings`]: the daemon's state file,
//! sizes of files). Output: [`Status`]. It uses no terminal, no clock and no disk.
//!
//! Cost: daily counters, the unsettled journal and the gap report. Older records are never read, so a ledger of ten
//! years answers as fast as one of a month (except for hand downloads of this month, whose blocks are read).

use super::ask::AskReport;
use super::days::{Strip, strips};
use super::gap_state::GapState;
use super::gaps::{self, Gap, Report};
use super::gateway::Gateway;
use super::health;
use super::memory::InLogger;
use super::verdict::Verdict;
use super::visits::{self, Class, Visit};
use super::walk;
use crate::config::Ask;
use crate::ledger::read::Read;
use crate::ledger::read::side_tables::{Notice, RadioTotal};
use crate::ledger::read::snapshot::{LastHeard, Snapshot};
use crate::record::in_force::{InForce, NotTaken};
use crate::record::roster::{Logger, Roster};
use crate::record::unread::{Dropped, Foreign, Opaque};
use crate::record::written::{Remark, WrittenOff};
use crate::state::DaemonState;
use crate::time::{Days, GatewayTime};
use crate::wire::seq::Address;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A deadline within this many seconds needs attention now.
const URGENT_S: i64 = 7 * Days::LENGTH_S;
/// A radio path is bad if less than this percentage is heard the first time, and at least this many records were due.
const BAD_PATH_PERCENT: u64 = 90;
const BAD_PATH_DUE_MIN: u64 = 20;

/// What belongs to a site's state and is not in the ledger.
#[derive(Clone, Debug)]
pub struct Surroundings {
    pub site: String,
    /// Its fixed offset, in seconds east of UTC.
    pub utc_offset_s: i32,
    /// The files that cannot be used, instead of which their text in force is used.
    pub in_force: Vec<InForce>,
    /// The files that were changed since the running daemon took them.
    pub not_taken: Vec<NotTaken>,
    pub ledger_path: PathBuf,
    /// Size of the ledger with its -wal.
    pub ledger_bytes: u64,
    /// Size of the -wal alone.
    pub wal_bytes: u64,
    /// Whether the -wal is so long that it needs attention.
    pub wal_is_long: bool,
    /// Which processes keep a read transaction open, if the -wal is long.
    pub wal_readers: Vec<String>,
    pub disk_free_bytes: Option<u64>,
    /// The daemon's last state.
    pub daemon: Option<DaemonState>,
    pub daemon_alive: bool,
    /// How much loggers may be asked; `None`: asking is off.
    pub ask: Option<Ask>,
}

/// Everything that the status consists of.
pub struct Status {
    /// Whether a visit is needed.
    pub verdict: Verdict,
    pub now: GatewayTime,
    pub roster: Roster,
    /// What belongs to a site's state and is not in the ledger.
    pub around: Surroundings,
    pub growth: Option<Growth>,
    pub radios: Vec<RadioTotal>,
    /// Frames that are still kept unopened, by radio.
    pub still_unopened: BTreeMap<String, u64>,
    /// Addresses off the roster.
    pub foreign: Vec<Foreign>,
    /// How many records disagree with held ones, by logger.
    pub conflicts: Vec<(Address, u64)>,
    /// Records that this version cannot read.
    pub opaque: Vec<Opaque>,
    /// Frames that waited for a key and for which there was no room.
    pub no_room: Vec<Dropped>,
    pub gateway: Gateway,
    /// Among the loggers that the gateway does not hear: the one whose memory first overwrites what was not received,
    /// and when.
    pub first_to_overwrite: Option<(GatewayTime, Address)>,
    /// What needs attention, as the daemon recorded it.
    pub notices: Vec<Notice>,
    /// Notices for which there was no room.
    pub notices_dropped: i64,
    /// By address.
    pub loggers: Vec<LoggerStatus>,
    /// The gap report.
    pub report: Report,
    /// What loggers were asked to send again.
    pub asked: AskReport,
}

/// How the ledger grows.
#[derive(Clone, Copy)]
pub struct Growth {
    pub bytes_per_day: u64,
    /// Number of days that the rate covers.
    pub days: i64,
    /// Days until the disk is full at that rate; `None` if the ledger does not grow.
    pub full_in_days: Option<u64>,
}

impl Growth {
    /// From the sizes by day, newest first; needs two days.
    fn new(sizes: &[(i64, u64)], free: Option<u64>) -> Option<Self> {
        let (&(last_day, last), &(first_day, first)) = (sizes.first()?, sizes.last()?);
        let days = last_day - first_day;
        if days <= 0 {
            return None;
        }
        let bytes_per_day = last.saturating_sub(first) / u64::try_from(days).ok()?;
        let full_in_days = free.filter(|_| bytes_per_day > 0).map(|free| free / bytes_per_day);
        Some(Self { bytes_per_day, days, full_in_days })
    }
}

/// The state of one logger.
pub struct LoggerStatus {
    pub address: Address,
    /// The name that people use for it.
    pub name: String,
    pub heard: Option<LastHeard>,
    pub held: u64,
    /// Missing records of open gaps.
    pub missing: u64,
    /// Missing records that are no longer in the logger.
    pub overwritten: u64,
    /// It should have been heard and was not.
    pub silent: bool,
    /// Not heard for as long as a silent logger, but because of the gateway.
    pub unheard: bool,
    /// The remark that says it is expected to be quiet now.
    pub quiet: Option<Remark>,
    pub out_of_service_from: Option<GatewayTime>,
    /// The write-off of the rest of its newest epoch.
    pub given_up: Option<WrittenOff>,
    /// When its memory may begin to overwrite anything that is missing.
    pub deadline: Option<GatewayTime>,
    /// The same for gaps that are worth a visit.
    pub visit_deadline: Option<GatewayTime>,
    /// Its place in the order of visits, if it is a reason to go.
    pub place: Option<usize>,
    /// Whether what a visit would fetch is still there; `None` if there is nothing to fetch.
    pub in_logger: Option<InLogger>,
    /// Its last days.
    pub strip: Strip,
}

impl LoggerStatus {
    fn new(
        logger: &Logger,
        snapshot: &Snapshot<'_>,
        report: &Report,
        visits: &[Visit],
        strip: Strip,
    ) -> Self {
        let mine: Vec<&Gap> = report
            .gaps
            .iter()
            .filter(|gap| gap.logger == logger.address && gap.state == GapState::Open)
            .collect();
        let visit = visits.iter().find(|visit| visit.logger == logger.address);
        let deadline = visit.and_then(|visit| visit.deadline.goes_by());
        let worth = visit.filter(|visit| visit.class == Class::Dated);
        let records = |of: fn(&Gap) -> u64| mine.iter().map(|gap| of(gap)).sum::<u64>();
        Self {
            address: logger.address,
            name: logger.name.clone(),
            heard: snapshot.heard(logger.address),
            held: snapshot.coverage().epochs_of(logger.address).map(|(_, held)| held.held().count()).sum(),
            missing: records(Gap::records),
            overwritten: records(|gap| gap.in_memory.gone),
            silent: report.silent.iter().any(|silence| silence.logger == logger.address),
            quiet: None,
            out_of_service_from: logger.out_of_service_from.filter(|_| report.service.is_out(logger.address)),
            given_up: None,
            unheard: false,
            deadline,
            visit_deadline: deadline.filter(|_| worth.is_some_and(|visit| visit.stake.records > 0)),
            place: visits.iter().position(|visit| visit.logger == logger.address && visit.is_reason()),
            in_logger: visit.map(|visit| visit.in_logger),
            strip,
        }
    }

    /// Percentage heard the first time, rounded down so that 100 means all; `None` if nothing was due.
    pub fn heard_percent(&self) -> Option<u64> {
        let (radio, due) = self.strip.heard_first_time();
        (radio * 100).checked_div(due)
    }

    /// Whether too many of the due records did not come by radio.
    pub fn has_bad_path(&self) -> bool {
        let (radio, due) = self.strip.heard_first_time();
        // A silent logger is reported as silent, and a quiet one need not be heard.
        !self.silent
            && !self.unheard
            && self.quiet.is_none()
            && self.out_of_service_from.is_none()
            && due >= BAD_PATH_DUE_MIN
            && radio * 100 < due * BAD_PATH_PERCENT
    }

    /// Whether its records must be fetched within a week.
    pub fn is_urgent(&self, now: GatewayTime) -> bool {
        self.visit_deadline.is_some_and(|at| at.since(now) <= URGENT_S)
    }

    /// Whether it is silent for no known reason.
    pub fn is_silent_unexpectedly(&self) -> bool {
        self.silent && self.quiet.is_none() && self.given_up.is_none() && self.out_of_service_from.is_none()
    }

    /// Whether a person should do something about it, soon or at the next visit that is needed.
    pub fn needs_action(&self, now: GatewayTime) -> bool {
        self.place.is_some() || self.is_silent_unexpectedly() || self.has_bad_path() || self.is_urgent(now)
    }
}

/// Collects everything from one consistent state of the ledger.
pub fn gather(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    around: Surroundings,
    now: GatewayTime,
) -> Read<Status> {
    let mut report = gaps::report_with_outages(roster, snapshot.coverage(), snapshot, now)?;
    let gateway = health::look(roster, snapshot, around.daemon.as_ref(), around.daemon_alive, now)?;
    let unheard = gateway.take_explained(&mut report);
    let mut asked = AskReport::read(around.ask, roster, snapshot, &report, &gateway, now)?;
    asked.daemon = around.daemon.as_ref().filter(|_| around.daemon_alive).and_then(|of| of.asking.clone());
    let known = walk::known(roster, snapshot, |_| true, now)?;
    let visits = visits::plan(&report, roster, &known, now);
    let first_to_overwrite = walk::first_to_overwrite(&unheard, &known);
    let verdict = Verdict::new(&visits, &report, &gateway);
    let (mut quiet, mut given_up) = (snapshot.expected_quiet(now)?, snapshot.given_up()?);
    let calendar = Days::ahead_of_utc(around.utc_offset_s);
    let mut strips = strips(roster, snapshot, &report, &unheard, &given_up, (calendar, now))?;
    let loggers = roster
        .loggers()
        .map(|logger| {
            let strip = strips.remove(&logger.address).unwrap_or_else(|| Strip::ending(now, calendar));
            LoggerStatus {
                quiet: quiet.remove(&logger.address),
                given_up: given_up.remove(&logger.address),
                unheard: gateway.explained.contains(&logger.address),
                ..LoggerStatus::new(logger, snapshot, &report, &visits, strip)
            }
        })
        .collect();
    Ok(Status {
        verdict,
        now,
        roster: roster.clone(),
        growth: Growth::new(&snapshot.sizes()?, around.disk_free_bytes),
        around,
        radios: snapshot.radio_totals()?,
        still_unopened: snapshot.still_unopened()?,
        foreign: snapshot.foreign(roster)?,
        conflicts: snapshot.open_conflicts()?,
        opaque: snapshot.opaque(roster.loggers().map(|logger| logger.address))?,
        no_room: snapshot.found_no_room()?,
        gateway,
        first_to_overwrite,
        notices: snapshot.notices()?,
        notices_dropped: snapshot.notices_dropped()?,
        loggers,
        report,
        asked,
    })
}
