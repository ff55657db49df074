//! The lines above the table: the daemon and its ports, the ledger, what came in.

use super::look::whole;
use crate::record::judge::Outcome;
use crate::report::gateway::is_stuck;
use crate::report::status::Status;
use crate::text::{counted, duration, local, size, thousands};
use crate::time::GatewayTime;
use crate::view;

/// The daemon and its ports.
pub(super) fn gateway(status: &Status) -> Vec<(&'static str, String)> {
    let offset = status.around.utc_offset_s;
    let Some(state) = &status.around.daemon else {
        let line = "NO REPORT from a daemon: is it running, and does it use the same `site.runtime_dir` as this command?";
        return vec![("gateway", line.to_owned())];
    };
    if !status.around.daemon_alive {
        let how = if state.phase.is_stopped() {
            "NOT RUNNING: the daemon was stopped"
        } else {
            "NOT RUNNING: the daemon ended without stopping properly"
        };
        let last = whole(&local(state.written_at, offset));
        return vec![("gateway", format!("{how}; its last report is from {last}"))];
    }
    let clock = if state.clock_synchronised { "clock synchronised" } else { "CLOCK NOT SYNCHRONISED" };
    let commit = state.commit.map_or("nothing committed yet".to_owned(), |commit| {
        format!("last commit {}", ago(status, commit.at))
    });
    let mut lines = vec![(
        "gateway",
        format!("running for {}, {clock}, {commit}", duration(status.now.since(state.started_at))),
    )];
    if is_stuck(state, status.now) {
        lines.push(("", format!("STUCK? It last wrote its state {}", ago(status, state.written_at))));
    }
    for not_taken in &status.around.not_taken {
        lines.push(("", view::frame::not_taken(not_taken, offset)));
    }
    if let Some(trouble) = &state.trouble {
        let held = counted(state.waiting, "record");
        lines.push(("", format!("CANNOT COMMIT: {trouble}; {held} held in memory")));
    }
    for radio in &state.radios {
        let last = radio
            .last_frame_at
            .map_or("no frame yet".to_owned(), |at| format!("last frame {}", ago(status, at)));
        lines.push(match (radio.up, &radio.reason) {
            (true, _) => ("port", format!("{}: open, {last}", radio.name)),
            (false, Some(reason)) => ("port", format!("{}: NOT OPEN: {reason}; {last}", radio.name)),
            (false, None) => ("port", format!("{}: not tried yet", radio.name)),
        });
        if let Some(report) = &radio.report {
            // It shows whether a radio that hears nothing is alive.
            let (heard, damaged) = (thousands(report.heard.into()), thousands(report.damaged.into()));
            let sent = match report.sent {
                0 => String::new(),
                sent => format!(", sent {}", thousands(sent.into())),
            };
            let floor =
                report.noise_floor_dbm.map_or(String::new(), |dbm| format!(", noise floor {dbm} dBm"));
            let (when, running) = (ago(status, report.at), duration(report.uptime_s.into()));
            let heard = format!("heard {heard} frames ({damaged} damaged)");
            lines.push(("", format!("its own status {when}: running for {running}, {heard}{sent}{floor}")));
        }
        if radio.waits > 0 {
            let waits = counted(radio.waits, "time");
            lines.push(("", format!("its reader had to wait {waits}: bytes may have been lost before it")));
        }
    }
    lines
}

pub(super) fn ledger(status: &Status) -> (&'static str, String) {
    let around = &status.around;
    let free =
        around.disk_free_bytes.map_or(String::new(), |free| format!(", {} free on its disk", size(free)));
    let growth = status.growth.map_or(String::new(), |growth| {
        let full = growth.full_in_days.map_or(String::new(), |days| format!(", full in {}", years(days)));
        format!("; grows {} a day over {} days{full}", size(growth.bytes_per_day), growth.days)
    });
    let wal = match around.wal_bytes {
        bytes if around.wal_is_long => {
            let by = match around.wal_readers.is_empty() {
                true => String::new(),
                false => format!(", kept by {}", around.wal_readers.join("; ")),
            };
            format!("; {} of it in the -wal{by}", size(bytes))
        }
        _ => String::new(),
    };
    ("ledger", format!("{}{wal}{free}{growth}", size(around.ledger_bytes)))
}

pub(super) fn radios(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    status.radios.iter().map(|radio| {
        let of = |outcome| thousands(radio.tally.of(outcome));
        // Frames that were opened later are stored and no longer count as unopened.
        let still = status.still_unopened.get(&radio.name).copied().unwrap_or(0);
        let came = match radio.tally.of(Outcome::Unopened) {
            all if all == still => String::new(),
            all => format!(" ({} when they came)", thousands(all)),
        };
        let line = format!(
            "{}: {} of {} stored, {} opaque, {} held already, {} in conflict, {} foreign, {} unopened{came}, {} skipped, \
             {} noise",
            radio.name,
            of(Outcome::Stored),
            counted(radio.tally.frames(), "frame"),
            of(Outcome::Opaque),
            of(Outcome::Duplicate),
            of(Outcome::Conflict),
            of(Outcome::Foreign),
            thousands(still),
            of(Outcome::Skipped),
            of(Outcome::Noise),
        );
        ("radio", line)
    })
}

/// Frames and records that came in and are not readable records of this site.
pub(super) fn unread(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    let foreign = view::unread::foreign(&status.foreign, status.now).map(|line| ("foreign", line));
    let opaque = status.opaque.iter().map(|opaque| ("opaque", view::unread::opaque(opaque)));
    let conflicts = view::unread::conflicts(&status.conflicts).map(|line| ("conflict", line));
    let no_room = view::unread::found_no_room(&status.no_room, status.now).map(|line| ("no room", line));
    foreign.into_iter().chain(opaque).chain(conflicts).chain(no_room)
}

pub(super) fn notices(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    let offset = status.around.utc_offset_s;
    status.notices.iter().map(move |notice| {
        ("notice", format!("since {}: {}: {}", local(notice.raised_at, offset), notice.subject, notice.text))
    })
}

fn ago(status: &Status, at: GatewayTime) -> String {
    whole(&format!("{} ago", duration(status.now.since(at))))
}

fn years(days: u64) -> String {
    match days {
        0..800 => format!("{days} days"),
        _ => format!("{} years", days.saturating_mul(4) / 1461),
    }
}
