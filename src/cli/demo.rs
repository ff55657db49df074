//! `stonechat demo`: a whole story on simulated loggers, without hardware, root or network.
//!
//! Three simulated weeks of the invented Harrow Tarn embankment go through a real pseudo-terminal into this
//! program's own `run`, as a child process; a storm takes the radio down for a day and a half. Then the gap
//! report, and a comparison of every raw count with the truth, through the public views. The daemon's clock is
//! the simulation's, so that weeks pass in seconds.

use super::gaps::report_text;
use super::simulate::write_truth;
use super::table::{counted, thousands};
use super::{DONE, NO, Progress, could_not};
use crate::config::{self, Config};
use crate::daemon::state::DaemonState;
use crate::gaps::Report;
use crate::ledger::query::Reader;
use crate::ledger::verify;
use crate::link::pty::PtyMaster;
use crate::sim::{Field, FieldPlan, Span, Truth};
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The arguments of `demo`.
#[derive(clap::Args)]
pub struct Args {
    /// Where its files stay [default: a new folder under the system's temporary folder]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Decides what is left to chance
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Simulated days, 3 to 70
    #[arg(long, default_value_t = 21, value_parser = clap::value_parser!(u32).range(3..=70))]
    days: u32,
}

const LOGGERS: usize = 12;
/// How far the simulated clock jumps at once: what a reception time may be off.
const STEP_S: i64 = 300;
/// How long the storm keeps the radio down.
const STORM_S: i64 = 36 * 3600;
/// How long the daemon may take to be there, or to stop.
const PATIENCE: Duration = Duration::from_secs(60);

/// Tells the story; 0 if the ledger equals the truth in every count, 1 if not.
pub fn run(args: &Args, out: &mut dyn Write) -> u8 {
    match story(args, out) {
        Ok(true) => DONE,
        Ok(false) => NO,
        Err(text) => could_not(&text),
    }
}

/// A daemon of our own, ended with us.
struct Daemon {
    child: Child,
}

impl Daemon {
    fn start(dir: &Path, clock: &Path) -> Result<Self, String> {
        let program =
            std::env::current_exe().map_err(|error| format!("this program is not found: {error}"))?;
        let log = File::create(dir.join("daemon.log")).map_err(|error| format!("daemon.log: {error}"))?;
        let child = Command::new(program)
            .arg("-c")
            .arg(dir.join("site.toml"))
            .args(["run", "--simulated-clock"])
            .arg(clock)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .map_err(|error| format!("the daemon cannot be started: {error}"))?;
        Ok(Self { child })
    }

    /// Waits until it listens on its radio.
    fn await_listening(&mut self, dir: &Path) -> Result<(), String> {
        let give_up = Instant::now() + PATIENCE;
        while Instant::now() < give_up {
            let state = DaemonState::read(&dir.join("run"));
            if state.is_some_and(|state| state.radios.iter().all(|radio| radio.up)) {
                return Ok(());
            }
            if let Ok(Some(status)) = self.child.try_wait() {
                return Err(format!("the daemon ended with {status}; see {}/daemon.log", dir.display()));
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        Err(format!("the daemon does not listen; see {}/daemon.log", dir.display()))
    }

    /// SIGTERM, as the service manager stops it.
    fn stop(&mut self, dir: &Path) -> Result<(), String> {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM)
            .map_err(|error| format!("the daemon cannot be stopped: {error}"))?;
        let status = self.child.wait().map_err(|error| error.to_string())?;
        if status.success() {
            Ok(())
        } else {
            Err(format!("the daemon ended with {status}; see {}/daemon.log", dir.display()))
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // After `stop` there is nothing left to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn story(args: &Args, out: &mut dyn Write) -> Result<bool, String> {
    let mut say = |text: &str| writeln!(out, "{text}").map_err(|error| format!("cannot print: {error}"));
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => std::env::temp_dir().join(format!("stonechat-demo-{}", std::process::id())),
    };
    std::fs::create_dir_all(&dir).map_err(|error| format!("{}: {error}", dir.display()))?;
    if dir.join("ledger.db").exists() {
        return Err(format!("{} has a ledger already; name another folder with --dir", dir.display()));
    }
    let mut field = Field::new(plan(args));
    say(&format!(
        "Harrow Tarn embankment (invented): {LOGGERS} simulated loggers, {} days, one gateway on a mast\n\
         files: {}",
        args.days,
        dir.display()
    ))?;

    say("\n1. The gateway listens; on the way a storm takes its radio down for a day and a half")?;
    let clock = dir.join("run").join("clock");
    let mut pty = PtyMaster::open().map_err(|error| format!("no pseudo-terminal: {error}"))?;
    let port = std::path::absolute(dir.join("radio")).map_err(|error| error.to_string())?;
    pty.link_at(&port).map_err(|error| format!("{}: {error}", port.display()))?;
    field
        .plan()
        .write_config(&dir, &port.display().to_string(), 0.1)
        .map_err(|error| format!("{}: {error}", dir.display()))?;
    set_clock(&clock, field.plan().from_unix_s)?;
    let mut daemon = Daemon::start(&dir, &clock)?;
    daemon.await_listening(&dir)?;
    let started = Instant::now();
    let sent = transmit(&mut field, &mut pty, &clock)?;
    daemon.stop(&dir)?;
    drop(pty);
    let seconds = started.elapsed().as_secs_f64();
    say(&format!(
        "   {} through {} in {seconds:.1} s, committed, daemon stopped",
        counted(sent, "frame"),
        port.display()
    ))?;

    say("\n2. The gap report\n")?;
    let config = load(&dir)?;
    let now = field.plan().to_unix_s();
    let (report, text) = report_text(&config, now).map_err(|_| "the gap report cannot be made".to_owned())?;
    for line in text.lines() {
        say(&format!("   {line}"))?;
    }

    say("\n3. Every raw count in the ledger against the truth")?;
    let compared = compare(&config, field.truth(), &report)?;
    for line in &compared.lines {
        say(&format!("   {line}"))?;
    }
    explain_a_value(&config, &dir, &field, &mut say)?;
    write_truth(&field, &dir)?;
    let site = dir.join("site.toml");
    let site = site.display();
    let units = dir.join("calibrations.toml");
    let units = units.display();
    say(&format!(
        "\nThe folder stays. To try there:\n   \
         stonechat -c {site} status --now {}\n   \
         stonechat -c {site} gaps --each\n   \
         stonechat -c {site} verify\n   \
         stonechat -c {site} units show --point 'P-11 pore pressure' --units {units}\n   \
         sqlite3 -readonly {}/ledger.db 'SELECT * FROM raw_value LIMIT 5'\n\
         {}",
        crate::time::rfc3339(now),
        dir.display(),
        super::CAUTION
    ))?;
    Ok(compared.same)
}

/// The last step: one value of a sealed piezometer, corrected by the barometer's logger, as one would check it on paper.
fn explain_a_value(
    config: &Config,
    dir: &Path,
    field: &Field,
    say: &mut impl FnMut(&str) -> Result<(), String>,
) -> Result<(), String> {
    const POINT: &str = "P-11 pore pressure";
    say("\n4. One value of a sealed piezometer, from its raw count, corrected by the barometer's logger\n")?;
    let units = dir.join("calibrations.toml");
    // A day before the end: the barometer's readings on both sides of it are there.
    let at = field.plan().to_unix_s() - 86_400;
    for line in super::units::explained(config, &units, POINT, at)?.lines() {
        say(&format!("   {line}"))?;
    }
    Ok(())
}

fn plan(args: &Args) -> FieldPlan {
    // It ends now, on a whole step, so that reports read like today's.
    let end = crate::time::unix_s() / STEP_S * STEP_S;
    let from = end - i64::from(args.days) * 86_400;
    let mut plan = FieldPlan::harrow_tarn(args.seed, LOGGERS, from, args.days);
    let storm = from + plan.duration_s * 35 / 100;
    plan.radio_outages = vec![Span::new(storm, storm + STORM_S.min(plan.duration_s / 4))];
    plan
}

/// Puts the simulated time where the daemon reads it; by rename, so that it never reads half a number.
fn set_clock(file: &Path, unix_s: i64) -> Result<(), String> {
    let beside = file.with_extension("new");
    std::fs::write(&beside, unix_s.to_string())
        .and_then(|()| std::fs::rename(&beside, file))
        .map_err(|error| format!("{}: {error}", file.display()))
}

/// Sends the whole field, step by step of its own clock. Returns the number of frames and bursts sent.
fn transmit(field: &mut Field, pty: &mut PtyMaster, clock: &Path) -> Result<u64, String> {
    let at_pty = |error: std::io::Error| format!("the pseudo-terminal: {error}");
    let progress = Progress::new();
    let days = field.plan().duration_s / 86_400;
    let (from, mut sent) = (field.plan().from_unix_s, 0);
    let mut next = field.next();
    let mut now = from;
    let mut bytes = Vec::new();
    while next.is_some() {
        now += STEP_S;
        bytes.clear();
        while let Some(emission) = next.take_if(|emission| emission.at_unix_s < now) {
            bytes.extend(emission.bytes);
            sent += 1;
            next = field.next();
        }
        set_clock(clock, now)?;
        if !bytes.is_empty() {
            pty.write_within(&bytes, PATIENCE).map_err(at_pty)?;
            pty.wait_drained(PATIENCE).map_err(at_pty)?;
        }
        if (now - from) % 86_400 == 0 {
            progress.say(&format!(
                "   day {} of {days}, {} sent",
                (now - from) / 86_400,
                counted(sent, "frame")
            ));
        }
    }
    progress.done();
    Ok(sent)
}

fn load(dir: &Path) -> Result<Config, String> {
    config::load(&dir.join("site.toml")).map_err(|problems| problems.to_string())
}

/// What the comparison found, in figures.
struct Compared {
    same: bool,
    lines: Vec<String>,
}

/// The ledger through its public views, against the truth minus what never arrived.
fn compare(config: &Config, truth: &Truth, report: &Report) -> Result<Compared, String> {
    let failed = |error: &dyn std::fmt::Display| format!("the comparison cannot be made: {error}");
    let reader = Reader::open(&config.ledger.path).map_err(|error| failed(&error))?;
    let values = compare_values(reader.connection(), truth).map_err(|error| failed(&error))?;
    let others = compare_others(reader.connection(), truth).map_err(|error| failed(&error))?;

    let reported: BTreeSet<(u16, u32, u32, u32)> = report
        .gaps
        .iter()
        .map(|gap| (gap.logger.number(), gap.epoch.number(), gap.first, gap.last))
        .collect();
    let missing: BTreeSet<(u16, u32, u32, u32)> = truth
        .missing()
        .into_iter()
        .map(|(address, epoch, range)| (address.number(), epoch, *range.start(), *range.end()))
        .collect();
    let unclosed: usize = truth.addresses().map(|address| truth.unclosed(address).len()).sum();
    let verified = verify::verify(&config.ledger.path, |_| ()).map_err(|error| failed(&error))?;

    let made = truth.records().count() as u64;
    let heard = truth.heard().count() as u64;
    let gaps_same = reported == missing && report.unclosed.len() == unclosed;
    let same = values.wrong == 0
        && values.absent == 0
        && others.wrong == 0
        && others.absent == 0
        && values.records + others.records == heard
        && gaps_same
        && verified.differences.is_empty();
    let lines = vec![
        format!("{} made, {} came in whole at least once", counted(made, "record"), thousands(heard)),
        format!(
            "{} of {}: {} different, {} absent",
            counted(values.values, "raw count"),
            counted(values.records, "reading"),
            values.wrong,
            values.absent
        ),
        format!(
            "{} and events: {} different, {} absent",
            counted(others.records, "profile"),
            others.wrong,
            others.absent
        ),
        format!(
            "{} reported, {} in truth: {}",
            counted(reported.len() as u64, "gap"),
            missing.len(),
            if gaps_same { "the same, to the sequence" } else { "NOT the same" }
        ),
        format!("verify: {}", if verified.differences.is_empty() { "sound" } else { "NOT sound" }),
        if same { "=> the ledger equals the truth".to_owned() } else { "=> THE LEDGER DIFFERS".to_owned() },
    ];
    Ok(Compared { same, lines })
}

#[derive(Default)]
struct Counted {
    records: u64,
    values: u64,
    wrong: u64,
    absent: u64,
}

fn compare_values(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let mut statement =
        db.prepare("SELECT logger, epoch, sequence, time, channel, counts, fault FROM raw_value")?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        counted.values += 1;
        let (time, channel): (u32, usize) = (row.get(3)?, row.get::<_, u32>(4)? as usize);
        let (counts, fault): (i32, bool) = (row.get(5)?, row.get(6)?);
        let made = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?).and_then(|id| truth.record(id));
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Reading(reading)) => {
                reading.time == time
                    && reading.counts().get(channel) == Some(&counts)
                    && (reading.faults() >> channel) & 1 == u64::from(fault)
            }
            _ => false,
        };
        counted.wrong += u64::from(!right);
        seen += u64::from(right);
    }
    let mut expected = 0;
    for made in truth.heard() {
        if let Some(Record::Reading(reading)) = made.record() {
            counted.records += 1;
            expected += reading.counts().len() as u64;
        }
    }
    counted.absent = expected.saturating_sub(seen);
    Ok(counted)
}

fn compare_others(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let mut statement = db.prepare(
        "SELECT logger, epoch, sequence, time, interval_s, previous_last FROM profile
         UNION ALL SELECT logger, epoch, sequence, time, code, value FROM event",
    )?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        let made = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?).and_then(|id| truth.record(id));
        let (time, a, b): (u32, i64, i64) = (row.get(3)?, row.get(4)?, row.get(5)?);
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Profile(profile)) => {
                (profile.time, i64::from(profile.interval_s), i64::from(profile.previous_last))
                    == (time, a, b)
            }
            Some(Record::Event(event)) => (event.time, i64::from(event.code), event.value) == (time, a, b),
            _ => false,
        };
        counted.wrong += u64::from(!right);
        seen += u64::from(right);
    }
    counted.records =
        truth.heard().filter(|made| !matches!(made.record(), Some(Record::Reading(_)))).count() as u64;
    counted.absent = counted.records.saturating_sub(seen);
    Ok(counted)
}
