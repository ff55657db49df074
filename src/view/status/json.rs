//! The status as JSON.

use super::next::next_step;
use crate::record::judge::Outcome;
use crate::report::days::DAY_S;
use crate::report::gaps::GapState;
use crate::report::status::{LoggerStatus, Status};
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view;
use serde_json::{Value, json};

/// As files take it; times and days in UTC.
pub fn as_json(status: &Status) -> Value {
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
        "radios": radios_json(status), "conflicts": view::unread::conflicts_json(&status.conflicts), "foreign": {
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
        "next": next_step(status).replace('\u{a0}', " "),
    });
    view::service::with_json(value, &status.report.service)
}

fn radios_json(status: &Status) -> Vec<Value> {
    let radios = status.radios.iter().map(|radio| {
        let outcomes: serde_json::Map<String, Value> = Outcome::ALL
            .iter()
            .map(|&outcome| (outcome.name().to_owned(), radio.tally.of(outcome).into()))
            .collect();
        json!({
            "name": radio.name, "frames": radio.tally.frames(), "outcomes": outcomes,
            "unopened_still": status.still_unopened.get(&radio.name).copied().unwrap_or(0),
            "noise_bytes": radio.noise_bytes, "bytes": radio.bytes,
        })
    });
    radios.collect()
}

fn logger_json(logger: &LoggerStatus, now: GatewayTime) -> Value {
    let heard = logger.heard;
    let strip: Vec<Value> = logger
        .strip
        .numbered()
        .map(|(day, counts)| {
            let date: String = rfc3339(day.saturating_mul(DAY_S)).chars().take(10).collect();
            let mut value = json!(counts);
            value["day"] = json!(date);
            value
        })
        .collect();
    let (radio, due) = logger.strip.heard_first_time();
    json!({
        "logger": logger.address, "name": logger.name,
        "last_heard": heard.map(|heard| rfc3339(heard.received_at)), "silent": logger.silent,
        "unheard_because_of_gateway": logger.unheard,
        "out_of_service_from": logger.out_of_service_from.map(rfc3339),
        "expected_quiet": logger.quiet.as_ref().map(view::notes::remark_json),
        "written_off": logger.given_up.as_ref().map(view::notes::write_off_json),
        "battery_mv": heard.and_then(|heard| heard.battery_mv),
        "rssi_dbm": heard.and_then(|heard| heard.rssi_dbm),
        "snr_db": heard.and_then(|heard| heard.snr_quarter_db).map(|snr| f64::from(snr) / 4.0),
        "held": logger.held, "missing": logger.missing, "overwritten": logger.overwritten,
        "next_deadline": logger.deadline.map(rfc3339), "in_logger": logger.in_logger,
        "next_drive_deadline": logger.drive.map(|(at, _)| rfc3339(at)),
        "heard_first_time_7d": (due > 0).then(|| radio as f64 / due as f64),
        "needs_somebody": logger.needs_somebody(now),
        "strip": strip,
    })
}
