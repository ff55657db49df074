//! `stonechat status`: how the gateway is, and one line a logger.
//!
//! Input: one consistent state of the ledger, and what stands around it ([`Surroundings`]: the daemon's state file,
//! sizes of files). Output: [`Status`], and from it [`text`] or [`json`]. Neither knows a terminal, a clock or a
//! disk: width and present are passed in.
//!
//! Costs: day counters, the unsettled journal and the gap report. The years are never read, so a ledger of ten
//! years answers as one of a month does (but for hand downloads of this month, whose blocks are read).

mod strip;
mod text;

pub use strip::{DayCounts, FIRST_TIME_DAYS, STRIP_DAYS, Strip};
pub use text::{Look, text};

use super::{DONE, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::read::snapshot::{LastHeard, Notice, RadioTotal, Reader, Snapshot};
use crate::ledger::{Error, readers, wal};
use crate::record::judge::Outcome;
use crate::record::roster::{InService, Logger, Roster};
use crate::record::unread::{Dropped, Foreign, Opaque};
use crate::record::written::{Remark, WrittenOff};
use crate::report::gaps::{self, Gap, GapState, Report, Silence};
use crate::report::gateway::Gateway;
use crate::report::memory::InLogger;
use crate::report::visits::{self, Class, Visit};
use crate::state::DaemonState;
use crate::text::rfc3339;
use crate::view;
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use strip::DAY_S;

/// What `status --help` says at its end.
pub(super) const HELP: &str = "\
The strip has a character for each of the last 30 days (14 on a narrow terminal), the present day last: full \
blocks are good, low ones bad; the legend below the table names those that occur. Days are days of UTC, shown \
under the site's date. What came by radio is counted on the day it came; missing records on the estimated day on \
which they were made.

heard: the share heard first time over the last 7 days: records that came by radio, of all that were due, which \
is those and what is missing, presumed missing, written off, or was brought by hand later. What the gateway could not \
have heard is left out: while no radio listened, while one of several did not, and while nothing was heard of any \
logger.

fetch before: when the logger's memory may begin to overwrite missing records that it still holds; of gaps of \
three records and more, if there are such, else of records lost one by one.

! marks a logger that needs somebody: silent, heard in less than 90 %, or with gaps of three records and more \
whose time runs out within a week. One that is expected to be quiet (`stonechat remark`) or given up (`stonechat \
write-off --rest-of-epoch`) is not marked for its silence; the lines above the table name it.

Examples:
  stonechat status
  stonechat status --ascii | mail -s 'how it is' somebody@example.org
  stonechat status --json";

/// A time that runs out within this needs somebody now, in seconds.
const URGENT_S: i64 = 7 * DAY_S;
/// Below this share heard first time a path is bad, in percent; and so many must have been due to tell.
const BAD_PATH_PERCENT: u64 = 90;
const BAD_PATH_DUE_MIN: u64 = 20;

/// The arguments of `status`.
#[derive(clap::Args)]
pub struct Args {
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Plain letters instead of block characters; so it is anyway where the locale is not UTF-8
    #[arg(long)]
    ascii: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// What stands around the ledger.
#[derive(Clone, Debug)]
pub struct Surroundings {
    /// The site's name.
    pub site: String,
    /// Its fixed offset, in seconds east of UTC.
    pub utc_offset_s: i32,
    /// The ledger's file.
    pub ledger_path: PathBuf,
    /// The ledger and its -wal.
    pub ledger_bytes: u64,
    /// The -wal alone.
    pub wal_bytes: u64,
    /// Who keeps a reading transaction open, where the -wal is long.
    pub wal_readers: Vec<String>,
    /// What is free on its disk.
    pub disk_free_bytes: Option<u64>,
    /// What a daemon last said of itself.
    pub daemon: Option<DaemonState>,
    /// Whether its process is there.
    pub daemon_alive: bool,
}

impl Surroundings {
    /// As they are now.
    pub fn of(config: &Config) -> Self {
        let (daemon, daemon_alive) = DaemonState::look(config.runtime_dir.as_deref());
        let wal_bytes = wal::bytes(&config.ledger.path);
        let readers = if wal_bytes > wal::LONG_BYTES { readers(&config.ledger.path) } else { Vec::new() };
        Self {
            site: config.site.name.clone(),
            utc_offset_s: config.site.utc_offset_s,
            ledger_path: config.ledger.path.clone(),
            ledger_bytes: ledger_bytes(&config.ledger.path),
            wal_bytes,
            wal_readers: readers.iter().map(ToString::to_string).collect(),
            disk_free_bytes: disk_free(&config.ledger.path),
            daemon,
            daemon_alive,
        }
    }
}

/// All that the status is made of.
pub struct Status {
    now: i64,
    around: Surroundings,
    growth: Option<Growth>,
    radios: Vec<RadioTotal>,
    /// Frames that are still set aside unopened, by radio.
    still_unopened: BTreeMap<String, u64>,
    foreign: Vec<Foreign>,
    /// Records that disagree with what is held, by logger.
    conflicts: Vec<(Address, u64)>,
    opaque: Vec<Opaque>,
    /// Frames that waited for a key and found no room.
    no_room: Vec<Dropped>,
    gateway: Gateway,
    notices: Vec<Notice>,
    notices_dropped: i64,
    loggers: Vec<LoggerStatus>,
    report: Report,
}

/// How the ledger grows.
#[derive(Clone, Copy)]
struct Growth {
    bytes_per_day: u64,
    days: i64,
    /// Days until the disk is full at that rate; `None`: it does not grow.
    full_in_days: Option<u64>,
}

impl Growth {
    /// From sizes by day, newest first; needs two days.
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

/// One logger.
struct LoggerStatus {
    address: Address,
    name: String,
    heard: Option<LastHeard>,
    held: u64,
    missing: u64,
    /// Missing records that are no longer in the logger.
    overwritten: u64,
    silent: bool,
    /// Not heard for as long as a silent one, which the gateway explains.
    unheard: bool,
    /// The remark by which it is expected to be quiet now.
    quiet: Option<Remark>,
    /// Since when it is out of service.
    out_of_service_from: Option<i64>,
    /// The write-off by which the rest of its newest epoch is given up.
    given_up: Option<WrittenOff>,
    /// When its memory may begin to overwrite anything that is missing.
    deadline: Option<i64>,
    /// The same of gaps that are worth a drive, and how many records those have.
    drive: Option<(i64, u64)>,
    /// Whether what a visit would be for is still there; `None`: there is nothing to fetch.
    in_logger: Option<InLogger>,
    strip: Strip,
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
        let deadline = visit.and_then(|visit| visit.deadline.goes_by()).map(|by| by.unix_s());
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
            drive: worth.and_then(|visit| Some((deadline?, visit.stake.records))).filter(|&(_, n)| n > 0),
            in_logger: visit.map(|visit| visit.in_logger),
            strip,
        }
    }

    /// Whole percent heard first time, downwards, so that 100 means all; `None`: nothing was due.
    fn heard_percent(&self) -> Option<u64> {
        let (radio, due) = self.strip.heard_first_time();
        (radio * 100).checked_div(due)
    }

    fn has_bad_path(&self) -> bool {
        let (radio, due) = self.strip.heard_first_time();
        // Of a silent one it is known already that it is not heard; of a quiet one, that it need not be.
        !self.silent
            && !self.unheard
            && self.quiet.is_none()
            && self.out_of_service_from.is_none()
            && due >= BAD_PATH_DUE_MIN
            && radio * 100 < due * BAD_PATH_PERCENT
    }

    fn is_urgent(&self, now: i64) -> bool {
        self.drive.is_some_and(|(at, _)| at - now <= URGENT_S)
    }

    /// Silent, and nobody has said that this is as expected.
    fn is_silent_unexpectedly(&self) -> bool {
        self.silent && self.quiet.is_none() && self.given_up.is_none() && self.out_of_service_from.is_none()
    }

    fn needs_somebody(&self, now: i64) -> bool {
        self.is_silent_unexpectedly() || self.has_bad_path() || self.is_urgent(now)
    }
}

/// Prints the status.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let now = match super::present(args.now.as_deref()) {
        Ok(now) => now,
        Err(code) => return code,
    };
    let status = Reader::open(&config.ledger.path).and_then(|reader| {
        reader.read(|snapshot| gather(&config.roster, snapshot, Surroundings::of(&config), now))
    });
    match status {
        Err(error @ Error::Busy(_)) => {
            let holder = crate::ledger::lock_holder(&config.ledger.path);
            could_not(&format!("{error}: {}", holder.unwrap_or_else(|| "it cannot be seen which".to_owned())))
        }
        Err(error) => could_not(&error),
        Ok(status) if args.json => print_json(out, &json(&status), DONE),
        Ok(status) => print(out, &text(&status, &Look::of_process(args.ascii)), DONE),
    }
}

/// Everything out of one consistent state of the ledger.
pub fn gather(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    around: Surroundings,
    now: i64,
) -> Result<Status, Error> {
    let mut report = gaps::report_with_outages(roster, snapshot.coverage(), snapshot, now)?;
    let gateway =
        crate::report::health::look(roster, snapshot, around.daemon.as_ref(), around.daemon_alive, now)?;
    let unheard = gateway.take_explained(&mut report);
    let known = visits::gather(roster, snapshot.coverage(), snapshot, |_| true)?;
    let visits = visits::plan(&report, roster, &known, now);
    let (mut quiet, mut given_up) = (snapshot.expected_quiet(now)?, snapshot.given_up()?);
    let mut strips = strips(roster, snapshot, &report, &unheard, &given_up, now)?;
    let loggers = roster
        .loggers()
        .map(|logger| {
            let strip = strips.remove(&logger.address).unwrap_or_else(|| Strip::ending(now));
            LoggerStatus {
                quiet: quiet.remove(&logger.address),
                given_up: given_up.remove(&logger.address),
                unheard: gateway.explained.contains(&logger.address),
                ..LoggerStatus::new(logger, snapshot, &report, &visits, strip)
            }
        })
        .collect();
    Ok(Status {
        now,
        growth: Growth::new(&snapshot.sizes()?, around.disk_free_bytes),
        around,
        radios: snapshot.radio_totals()?,
        still_unopened: snapshot.still_unopened()?,
        foreign: snapshot.foreign()?,
        conflicts: snapshot.open_conflicts()?,
        opaque: snapshot.opaque(roster.loggers().map(|logger| logger.address))?,
        no_room: snapshot.found_no_room()?,
        gateway,
        notices: snapshot.notices()?,
        notices_dropped: snapshot.notices_dropped()?,
        loggers,
        report,
    })
}

/// The last days of every logger.
fn strips(
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    report: &Report,
    unheard: &[Silence],
    given_up: &BTreeMap<Address, WrittenOff>,
    now: i64,
) -> Result<BTreeMap<Address, Strip>, Error> {
    let addresses: Vec<Address> = roster.loggers().map(|logger| logger.address).collect();
    let mut strips: BTreeMap<Address, Strip> =
        addresses.iter().map(|&address| (address, Strip::ending(now))).collect();
    let first_day = Strip::ending(now).first_day;
    let days = (first_day, first_day + STRIP_DAYS as i64 - 1);
    let mut count = |counts: BTreeMap<(Address, i64), u64>, field: fn(&mut DayCounts) -> &mut u64| {
        for ((address, day), records) in counts {
            let at = usize::try_from(day - first_day).ok();
            let strip = strips.get_mut(&address);
            if let Some(day) = strip.zip(at).and_then(|(strip, at)| strip.days.get_mut(at)) {
                *field(day) += records;
            }
        }
    };
    count(snapshot.radio_days(&addresses, days)?, |day| &mut day.radio);
    count(snapshot.hand_days(&addresses, days)?, |day| &mut day.hand);
    for gap in &report.gaps {
        // Without any time it shows among the missing records, and in no day.
        let Some(span) = gap.from.zip(gap.to) else { continue };
        let Some(strip) = strips.get_mut(&gap.logger) else { continue };
        match gap.state {
            GapState::Open => strip.spread(span, gap.records(), |day| &mut day.missing),
            GapState::WrittenOff => strip.spread(span, gap.records(), |day| &mut day.written_off),
        }
    }
    for outage in report.outages.iter().filter(|outage| outage.cause.is_the_gateways()) {
        for part in &outage.parts {
            if let Some(strip) = strips.get_mut(&part.logger) {
                strip.spread((part.from, part.to), part.records(), |day| &mut day.gateways);
            }
        }
    }
    for open in &report.unclosed {
        let Some((span, readings)) = open.from.zip(open.to).zip(open.presumed_readings) else { continue };
        let Some(strip) = strips.get_mut(&open.logger) else { continue };
        match open.state {
            GapState::Open => strip.spread(span, readings, |day| &mut day.presumed),
            GapState::WrittenOff => strip.spread(span, readings, |day| &mut day.written_off),
        }
    }
    let silences = report.silent.iter().map(|silence| (silence, false));
    for (silence, is_the_gateways) in silences.chain(unheard.iter().map(|silence| (silence, true))) {
        let in_service = match roster.logger(silence.logger).and_then(|logger| logger.in_service) {
            Some(InService::From(since)) => Some(since),
            _ => None,
        };
        // As the report counts them.
        let Some(since) = silence.last_heard.max(in_service) else { continue };
        let (Some(strip), Some(readings)) = (strips.get_mut(&silence.logger), silence.presumed_readings)
        else {
            continue;
        };
        let until = silence.until;
        let step = (until - since) / i64::try_from(readings).unwrap_or(i64::MAX).max(1);
        let span = (since.saturating_add(step), until);
        if is_the_gateways {
            strip.spread(span, readings, |day| &mut day.gateways);
        }
        match given_up.contains_key(&silence.logger) {
            true => strip.spread(span, readings, |day| &mut day.written_off),
            false => strip.spread(span, readings, |day| &mut day.presumed),
        }
    }
    Ok(strips)
}

/// The ledger and its -wal, by stat: opening them would break SQLite's locks.
fn ledger_bytes(path: &Path) -> u64 {
    let mut wal = path.as_os_str().to_owned();
    wal.push("-wal");
    [path.as_os_str(), &wal]
        .iter()
        .filter_map(|path| std::fs::metadata(path).ok())
        .map(|meta| meta.len())
        .sum()
}

fn disk_free(path: &Path) -> Option<u64> {
    let folder = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let stat = rustix::fs::statvfs(folder).ok()?;
    Some(stat.f_bavail.saturating_mul(stat.f_frsize))
}

/// As files take it; times and days in UTC.
pub fn json(status: &Status) -> Value {
    let loggers: Vec<Value> = status
        .loggers
        .iter()
        .map(|logger| {
            let mut value = logger_json(logger, status.now);
            let opaque = status.opaque.iter().find(|opaque| opaque.logger == logger.address);
            value["opaque"] = view::unread::opaque_json(opaque);
            value
        })
        .collect();
    let radios: Vec<Value> = status
        .radios
        .iter()
        .map(|radio| {
            let outcomes: serde_json::Map<String, Value> = Outcome::ALL
                .iter()
                .map(|&outcome| (outcome.name().to_owned(), radio.tally.of(outcome).into()))
                .collect();
            json!({
                "name": radio.name, "frames": radio.tally.frames(), "outcomes": outcomes,
                "unopened_still": status.still_unopened.get(&radio.name).copied().unwrap_or(0),
                "noise_bytes": radio.noise_bytes, "bytes": radio.bytes,
            })
        })
        .collect();
    let around = &status.around;
    let value = json!({
        "site": around.site, "generated_at": rfc3339(status.now),
        "gateway": view::gateway::as_json(&status.gateway), "daemon_running": around.daemon_alive, "daemon": around.daemon,
        "ledger": {
            "path": around.ledger_path, "bytes": around.ledger_bytes,
            "wal_bytes": around.wal_bytes, "wal_readers": around.wal_readers,
            "disk_free_bytes": around.disk_free_bytes,
            "growth_bytes_per_day": status.growth.map(|growth| growth.bytes_per_day),
            "disk_full_in_days": status.growth.and_then(|growth| growth.full_in_days),
            "notices_dropped": status.notices_dropped,
        },
        "radios": radios, "conflicts": view::unread::conflicts_json(&status.conflicts), "foreign": {
            "addresses": status.foreign.len(),
            "frames": status.foreign.iter().map(|foreign| foreign.frames).sum::<u64>(),
            "list": view::unread::foreign_json(&status.foreign),
        },
        "found_no_room": view::unread::found_no_room_json(&status.no_room),
        "notices": status.notices, "loggers": loggers,
        "totals": {
            "gaps": status.report.gaps.iter().filter(|gap| gap.state == GapState::Open).count(),
            "records": status.report.open_records(), "silent": status.report.silent.len(),
        },
        "next": text::next_step(status).replace('\u{a0}', " "),
    });
    view::service::with_json(value, &status.report.service)
}

fn logger_json(logger: &LoggerStatus, now: i64) -> Value {
    let heard = logger.heard;
    let strip: Vec<Value> = logger
        .strip
        .numbered()
        .map(|(day, counts)| {
            let date: String = rfc3339(day.saturating_mul(DAY_S)).chars().take(10).collect();
            json!({
                "day": date, "radio": counts.radio, "hand": counts.hand, "missing": counts.missing,
                "written_off": counts.written_off, "presumed_missing": counts.presumed,
                "unheard_by_gateway": counts.gateways,
            })
        })
        .collect();
    let (radio, due) = logger.strip.heard_first_time();
    json!({
        "logger": logger.address.number(), "name": logger.name,
        "last_heard": heard.map(|heard| rfc3339(heard.received_at)), "silent": logger.silent,
        "unheard_because_of_gateway": logger.unheard,
        "out_of_service_from": logger.out_of_service_from.map(rfc3339),
        "expected_quiet": logger.quiet.as_ref().map(view::notes::remark_json),
        "written_off": logger.given_up.as_ref().map(view::notes::write_off_json),
        "battery_mv": heard.and_then(|heard| heard.battery_mv),
        "rssi_dbm": heard.and_then(|heard| heard.rssi_dbm),
        "snr_db": heard.and_then(|heard| heard.snr_quarter_db).map(|snr| f64::from(snr) / 4.0),
        "held": logger.held, "missing": logger.missing, "overwritten": logger.overwritten,
        "next_deadline": logger.deadline.map(rfc3339), "in_logger": logger.in_logger.map(InLogger::name),
        "next_drive_deadline": logger.drive.map(|(at, _)| rfc3339(at)),
        "heard_first_time_7d": (due > 0).then(|| radio as f64 / due as f64),
        "needs_somebody": logger.needs_somebody(now),
        "strip": strip,
    })
}
