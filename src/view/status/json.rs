//! The status as JSON.

use super::next::next_step;
use crate::record::in_force::NotTaken;
use crate::record::judge::Outcome;
use crate::record::unread::{Dropped, Foreign};
use crate::record::written::Remark;
use crate::report::days::DayCounts;
use crate::report::gaps::GapState;
use crate::report::memory::InLogger;
use crate::report::service::Service;
use crate::report::status::{LoggerStatus, Status};
use crate::report::verdict::Verdict;
use crate::text::{as_rfc3339, rfc3339};
use crate::time::{Days, GatewayTime};
use crate::view::asked::AskingJson;
use crate::view::gateway::{FirstToOverwrite, GatewayJson};
use crate::view::notes::WriteOffJson;
use crate::view::unread::{ConflictsJson, OpaqueJson};
use crate::wire::seq::Address;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// `D` and `N`: what a daemon reports about itself, and a notice.
#[derive(Serialize)]
struct StatusJson<'a, D, N> {
    site: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    generated_at: GatewayTime,
    visit: Verdict,
    gateway: GatewayJson<'a>,
    if_the_gateway_stays_so: Option<FirstToOverwrite>,
    daemon_running: bool,
    daemon: Option<&'a D>,
    /// The files that were changed since the running daemon took them.
    not_taken: &'a [NotTaken],
    ledger: LedgerJson<'a>,
    radios: Vec<RadioJson<'a>>,
    conflicts: ConflictsJson,
    foreign: ForeignJson<'a>,
    found_no_room: &'a [Dropped],
    notices: &'a [N],
    asking: AskingJson<'a>,
    loggers: Vec<LoggerJson<'a>>,
    totals: Totals,
    next: String,
    #[serde(flatten)]
    service: &'a Service,
}

#[derive(Serialize)]
struct LedgerJson<'a> {
    #[serde(serialize_with = "crate::text::as_path")]
    path: &'a Path,
    bytes: u64,
    wal_bytes: u64,
    wal_readers: &'a [String],
    disk_free_bytes: Option<u64>,
    growth_bytes_per_day: Option<u64>,
    disk_full_in_days: Option<u64>,
    notices_dropped: i64,
}

#[derive(Serialize)]
struct RadioJson<'a> {
    name: &'a str,
    frames: u64,
    outcomes: BTreeMap<&'static str, u64>,
    unopened_still: u64,
    noise_bytes: u64,
    bytes: u64,
    /// What the radio says about itself, if it does.
    own_status: Option<OwnStatus>,
}

#[derive(Serialize)]
struct OwnStatus {
    #[serde(serialize_with = "as_rfc3339")]
    at: Option<GatewayTime>,
    uptime_s: u32,
    heard: u32,
    damaged: u32,
    sent: u32,
    airtime_ms: u32,
    noise_floor_dbm: Option<i8>,
}

#[derive(Serialize)]
struct ForeignJson<'a> {
    addresses: usize,
    frames: u64,
    list: &'a [Foreign],
}

#[derive(Serialize)]
struct Totals {
    gaps: usize,
    records: u64,
    silent: usize,
}

#[derive(Serialize)]
struct LoggerJson<'a> {
    logger: Address,
    name: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    last_heard: Option<GatewayTime>,
    silent: bool,
    unheard_because_of_gateway: bool,
    #[serde(serialize_with = "as_rfc3339")]
    out_of_service_from: Option<GatewayTime>,
    expected_quiet: Option<&'a Remark>,
    written_off: Option<WriteOffJson<'a>>,
    battery_mv: Option<u16>,
    rssi_dbm: Option<i8>,
    snr_db: Option<f64>,
    held: u64,
    missing: u64,
    overwritten: u64,
    #[serde(serialize_with = "as_rfc3339")]
    next_deadline: Option<GatewayTime>,
    in_logger: Option<InLogger>,
    #[serde(serialize_with = "as_rfc3339")]
    next_visit_deadline: Option<GatewayTime>,
    heard_first_time_7d: Option<f64>,
    needs_action: bool,
    strip: Vec<Day<'a>>,
    opaque: OpaqueJson,
}

#[derive(Serialize)]
struct Day<'a> {
    day: String,
    #[serde(flatten)]
    counts: &'a DayCounts,
}

/// The status as JSON; times are in UTC, days are the site's.
pub fn as_json(status: &Status) -> impl Serialize {
    let (around, growth) = (&status.around, status.growth);
    StatusJson {
        site: &around.site,
        generated_at: status.now,
        visit: status.verdict,
        gateway: (&status.gateway).into(),
        if_the_gateway_stays_so: status.first_to_overwrite.map(FirstToOverwrite::from),
        daemon_running: around.daemon_alive,
        daemon: around.daemon.as_ref(),
        not_taken: &around.not_taken,
        ledger: LedgerJson {
            path: &around.ledger_path,
            bytes: around.ledger_bytes,
            wal_bytes: around.wal_bytes,
            wal_readers: &around.wal_readers,
            disk_free_bytes: around.disk_free_bytes,
            growth_bytes_per_day: growth.map(|growth| growth.bytes_per_day),
            disk_full_in_days: growth.and_then(|growth| growth.full_in_days),
            notices_dropped: status.notices_dropped,
        },
        radios: radios_json(status),
        conflicts: status.conflicts.as_slice().into(),
        foreign: ForeignJson {
            addresses: status.foreign.len(),
            frames: status.foreign.iter().map(|foreign| foreign.frames).sum(),
            list: &status.foreign,
        },
        found_no_room: &status.no_room,
        notices: &status.notices,
        asking: (&status.asked).into(),
        loggers: status.loggers.iter().map(|logger| logger_json(status, logger)).collect(),
        totals: Totals {
            gaps: status.report.gaps.iter().filter(|gap| gap.state == GapState::Open).count(),
            records: status.report.open_records(),
            silent: status.report.silent.len(),
        },
        next: next_step(status).replace('\u{a0}', " "),
        service: &status.report.service,
    }
}

fn radios_json(status: &Status) -> Vec<RadioJson<'_>> {
    let radios = status.radios.iter().map(|radio| RadioJson {
        name: &radio.name,
        frames: radio.tally.frames(),
        outcomes: Outcome::ALL.iter().map(|&outcome| (outcome.name(), radio.tally.of(outcome))).collect(),
        unopened_still: status.still_unopened.get(&radio.name).copied().unwrap_or(0),
        noise_bytes: radio.noise_bytes,
        bytes: radio.bytes,
        own_status: own_status(status, &radio.name),
    });
    radios.collect()
}

fn own_status(status: &Status, radio: &str) -> Option<OwnStatus> {
    let radios = &status.around.daemon.as_ref()?.radios;
    let report = radios.iter().find(|of| of.name == radio)?.report?;
    Some(OwnStatus {
        at: Some(report.at),
        uptime_s: report.uptime_s,
        heard: report.heard,
        damaged: report.damaged,
        sent: report.sent,
        airtime_ms: report.airtime_ms,
        noise_floor_dbm: report.noise_floor_dbm,
    })
}

fn logger_json<'a>(status: &Status, logger: &'a LoggerStatus) -> LoggerJson<'a> {
    let heard = logger.heard;
    let strip = logger.strip.numbered().map(|(day, counts)| {
        // The date of a calendar's day is that of the day of UTC with its number.
        let day = rfc3339(Days::UTC.begin_s(day)).chars().take(10).collect();
        Day { day, counts }
    });
    let (radio, due) = logger.strip.heard_first_time();
    LoggerJson {
        logger: logger.address,
        name: &logger.name,
        last_heard: heard.map(|heard| heard.received_at),
        silent: logger.silent,
        unheard_because_of_gateway: logger.unheard,
        out_of_service_from: logger.out_of_service_from,
        expected_quiet: logger.quiet.as_ref(),
        written_off: logger.given_up.as_ref().map(WriteOffJson::from),
        battery_mv: heard.and_then(|heard| heard.battery_mv),
        rssi_dbm: heard.and_then(|heard| heard.rssi_dbm),
        snr_db: heard.and_then(|heard| heard.snr_quarter_db).map(|snr| f64::from(snr) / 4.0),
        held: logger.held,
        missing: logger.missing,
        overwritten: logger.overwritten,
        next_deadline: logger.deadline,
        in_logger: logger.in_logger,
        next_visit_deadline: logger.visit_deadline,
        heard_first_time_7d: (due > 0).then(|| radio as f64 / due as f64),
        needs_action: logger.needs_action(status.now),
        strip: strip.collect(),
        opaque: status.opaque.iter().find(|opaque| opaque.logger == logger.address).into(),
    }
}
