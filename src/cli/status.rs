//! `stonechat status`: how the gateway is, and one line a logger.

use super::table::{Table, counted, duration, thousands};
use super::{DONE, could_not, load, print, print_json};
use crate::config::Config;
use crate::daemon::state::DaemonState;
use crate::gaps::{self, GapState, Report};
use crate::judge::Outcome;
use crate::ledger::query::{LastHeard, Notice, RadioTotal, Reader};
use crate::time::{local, offset_label, rfc3339};
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// The arguments of `status`.
#[derive(clap::Args)]
pub struct Args {
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// All that the status is made of.
struct Status {
    now: i64,
    state: Option<DaemonState>,
    alive: bool,
    ledger_bytes: u64,
    growth: Option<Growth>,
    disk_free_bytes: Option<u64>,
    radios: Vec<RadioTotal>,
    foreign: (usize, u64),
    notices: Vec<Notice>,
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

struct LoggerStatus {
    address: Address,
    name: String,
    heard: Option<LastHeard>,
    held: u64,
    missing: u64,
    silent: bool,
    deadline: Option<i64>,
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
    match gather(&config, now) {
        Err(error) => could_not(&error),
        Ok(status) if args.json => print_json(out, &as_json(&config, &status), DONE),
        Ok(status) => print(out, &text(&config, &status), DONE),
    }
}

fn gather(config: &Config, now: i64) -> Result<Status, crate::ledger::Error> {
    let state = config.runtime_dir.as_deref().and_then(DaemonState::read);
    let alive = state.as_ref().is_some_and(|state| state.phase == "running" && is_alive(state.pid));
    let reader = Reader::open(&config.ledger.path)?;
    reader.read(|snapshot| {
        let report = gaps::report(&config.roster, snapshot.coverage(), snapshot, now, |_| true)?;
        let loggers = config
            .roster
            .loggers()
            .map(|logger| {
                let mine = || {
                    report
                        .gaps
                        .iter()
                        .filter(|gap| gap.logger == logger.address && gap.state == GapState::Open)
                };
                LoggerStatus {
                    address: logger.address,
                    name: logger.name.clone(),
                    heard: snapshot.heard(logger.address),
                    held: snapshot
                        .coverage()
                        .epochs_of(logger.address)
                        .map(|(_, held)| held.held().count())
                        .sum(),
                    missing: mine().map(gaps::Gap::records).sum(),
                    silent: report.silent.iter().any(|silence| silence.logger == logger.address),
                    deadline: mine()
                        .filter(|gap| gap.overwritten_latest.is_none_or(|latest| latest > now))
                        .filter_map(|gap| gap.overwritten_earliest)
                        .min(),
                }
            })
            .collect();
        let foreign = snapshot.foreign()?;
        Ok(Status {
            now,
            state,
            alive,
            ledger_bytes: ledger_bytes(&config.ledger.path),
            growth: Growth::new(&snapshot.sizes()?, disk_free(&config.ledger.path)),
            disk_free_bytes: disk_free(&config.ledger.path),
            radios: snapshot.radio_totals()?,
            foreign: (foreign.len(), foreign.iter().map(|(_, frames)| frames).sum()),
            notices: snapshot.notices()?,
            loggers,
            report,
        })
    })
}

/// Whether a process with this number is there.
fn is_alive(pid: u32) -> bool {
    Path::new("/proc").join(pid.to_string()).exists()
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

fn as_json(config: &Config, status: &Status) -> Value {
    let state = status.state.as_ref();
    let loggers: Vec<Value> = status
        .loggers
        .iter()
        .map(|logger| {
            let heard = logger.heard;
            json!({
                "logger": logger.address.number(), "name": logger.name,
                "last_heard": heard.map(|heard| rfc3339(heard.received_at)), "silent": logger.silent,
                "battery_mv": heard.and_then(|heard| heard.battery_mv),
                "rssi_dbm": heard.and_then(|heard| heard.rssi_dbm),
                "snr_db": heard.and_then(|heard| heard.snr_quarter_db).map(|snr| f64::from(snr) / 4.0),
                "held": logger.held, "missing": logger.missing,
                "next_deadline": logger.deadline.map(rfc3339),
            })
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
                "noise_bytes": radio.noise_bytes, "bytes": radio.bytes,
            })
        })
        .collect();
    json!({
        "site": config.site.name, "generated_at": rfc3339(status.now),
        "daemon_running": status.alive, "daemon": state,
        "ledger": {
            "path": config.ledger.path, "bytes": status.ledger_bytes, "disk_free_bytes": status.disk_free_bytes,
            "growth_bytes_per_day": status.growth.map(|growth| growth.bytes_per_day),
            "disk_full_in_days": status.growth.and_then(|growth| growth.full_in_days),
        },
        "radios": radios, "foreign": { "addresses": status.foreign.0, "frames": status.foreign.1 },
        "notices": status.notices, "loggers": loggers,
        "totals": {
            "gaps": status.report.gaps.iter().filter(|gap| gap.state == GapState::Open).count(),
            "records": status.report.open_records(), "silent": status.report.silent.len(),
        },
    })
}

fn text(config: &Config, status: &Status) -> String {
    let offset = config.site.utc_offset_s;
    let mut text = format!("{}, {} {}\n", config.site.name, local(status.now, offset), offset_label(offset));
    text += &daemon_text(status, offset);
    let free =
        status.disk_free_bytes.map_or(String::new(), |free| format!(", {} free on its disk", bytes(free)));
    let growth = status.growth.map_or(String::new(), |growth| {
        let full = growth.full_in_days.map_or(String::new(), |days| format!(", full in {}", years(days)));
        format!("; grows {} a day over {} days{full}", bytes(growth.bytes_per_day), growth.days)
    });
    text += &format!("ledger   {}{free}{growth}\n", bytes(status.ledger_bytes));
    for radio in &status.radios {
        let of = |outcome| thousands(radio.tally.of(outcome));
        text += &format!(
            "radio    {}: {} of {} stored, {} held already, {} foreign, {} unopened, {} noise\n",
            radio.name,
            of(Outcome::Stored),
            counted(radio.tally.frames(), "frame"),
            of(Outcome::Duplicate),
            of(Outcome::Foreign),
            of(Outcome::Unopened),
            of(Outcome::Noise),
        );
    }
    for notice in &status.notices {
        text += &format!(
            "notice   since {}: {}: {}\n",
            local(notice.raised_at, offset),
            notice.subject,
            notice.text
        );
    }
    text.push('\n');
    let mut table = Table::new(&[
        ">logger",
        "name",
        "last heard",
        ">battery",
        ">RSSI",
        ">SNR",
        ">held",
        ">missing",
        "fetch before",
    ]);
    for logger in &status.loggers {
        let heard = logger.heard;
        let number = |value: Option<String>| value.unwrap_or_default();
        let ago = match heard {
            Some(heard) if logger.silent => {
                format!("{} ago, silent", duration(status.now - heard.received_at))
            }
            Some(heard) => format!("{} ago", duration(status.now - heard.received_at)),
            None => "never".to_owned(),
        };
        table.row([
            logger.address.to_string(),
            logger.name.clone(),
            ago,
            number(
                heard.and_then(|heard| heard.battery_mv).map(|mv| format!("{:.2} V", f64::from(mv) / 1000.0)),
            ),
            number(heard.and_then(|heard| heard.rssi_dbm).map(|rssi| format!("{rssi} dBm"))),
            number(
                heard
                    .and_then(|heard| heard.snr_quarter_db)
                    .map(|snr| format!("{:.1} dB", f64::from(snr) / 4.0)),
            ),
            thousands(logger.held),
            thousands(logger.missing),
            logger.deadline.map_or(String::new(), |at| local(at, offset)),
        ]);
    }
    text += &table.text(0);
    if status.report.is_open() {
        text += "\nNext: `stonechat gaps` says what is missing and until when it can be fetched.\n";
    }
    text
}

fn daemon_text(status: &Status, offset: i32) -> String {
    let Some(state) = &status.state else {
        return "gateway  no word from a daemon: is it running, and is `site.runtime_dir` the same for both?\n"
            .to_owned();
    };
    if !status.alive {
        let how = if state.phase == "stopped" { "was stopped" } else { "is gone without having stopped" };
        return format!(
            "gateway  the daemon {how}; its last word is from {}\n",
            local(state.written_at, offset)
        );
    }
    let clock = if state.clock_synchronised { "clock synchronised" } else { "CLOCK NOT SYNCHRONISED" };
    let commit = state.commit.map_or("nothing committed yet".to_owned(), |commit| {
        format!("last commit {} ago", duration(status.now - commit.at))
    });
    let mut text =
        format!("gateway  running for {}, {clock}, {commit}\n", duration(status.now - state.started_at));
    if let Some(trouble) = &state.trouble {
        text += &format!("         CANNOT COMMIT: {trouble}; {} held\n", counted(state.waiting, "record"));
    }
    for radio in &state.radios {
        let last = radio
            .last_frame_at
            .map_or("no frame yet".to_owned(), |at| format!("last frame {} ago", duration(status.now - at)));
        text += &match (radio.up, &radio.reason) {
            (true, _) => format!("port     {}: open, {last}\n", radio.name),
            (false, Some(reason)) => format!("port     {}: NOT OPEN: {reason}; {last}\n", radio.name),
            (false, None) => format!("port     {}: not tried yet\n", radio.name),
        };
        if radio.waits > 0 {
            text += &format!(
                "         its reader had to wait {}: bytes may have been lost before it\n",
                counted(radio.waits, "time")
            );
        }
    }
    text
}

fn years(days: u64) -> String {
    match days {
        0..800 => format!("{days} days"),
        _ => format!("{} years", days * 4 / 1461),
    }
}

fn bytes(number: u64) -> String {
    match number {
        0..1_000_000 => format!("{:.1} kB", number as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", number as f64 / 1e6),
        _ => format!("{:.1} GB", number as f64 / 1e9),
    }
}
