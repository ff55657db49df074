//! `stonechat demo`: a whole story on simulated loggers, without hardware, root or network.
//!
//! Three simulated weeks of the invented Harrow Tarn embankment go through a real pseudo-terminal into this
//! program's own `run`, as a child process; a storm takes the radio down for a day and a half. Then the gap
//! report, the visit list, downloads and their import, two other readers' CSV, what is left, a write-off, and a
//! comparison of every raw count with the truth, through the public views. The daemon's clock is the simulation's, so
//! that weeks pass in seconds.

mod compare;
mod readers;

use super::simulate::{targets, write_truth};
use super::{DONE, NO, Progress, could_not};
use crate::config::{self, Config};
use crate::link::pty::PtyMaster;
use crate::report::gaps::Gap;
use crate::report::memory::InLogger;
use crate::report::selection::{self, GapsWanted};
use crate::sim::{Field, FieldPlan, Span, Truth};
use crate::state::DaemonState;
use crate::text::counted;
use crate::wire::frame::{KIND_AIR, encode_line};
use crate::wire::seq::Address;
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
/// What a demo makes in its folder, besides what every simulation does.
const MADE: [&str; 8] = [
    "ledger.db",
    "daemon.log",
    "stick",
    "readers",
    "layouts",
    "outage.svg",
    "repaired.svg",
    "pore-pressure.csv",
];
/// How far the simulated clock jumps at once: what a reception time may be off.
const STEP_S: i64 = 300;
/// How long the storm keeps the radio down.
const STORM_S: i64 = 36 * 3600;
/// A sealed piezometer.
const POINT: &str = "P-11 pore pressure";
/// Which of the loggers' copies is cut off: that of the logger whose path loses most.
const CUT_OFF: usize = 5;
/// Its logger.
const LOGGER_VISITED: &str = "11";
/// How long the daemon may take to be there, or to stop.
const PATIENCE: Duration = Duration::from_secs(60);

/// Tells the story; 0 if the ledger equals the truth in every count, 1 if not.
/// `typed` runs a command as a person types it.
pub fn run(args: &Args, typed: Typed, out: &mut dyn Write) -> u8 {
    match story(args, typed, out) {
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

fn story(args: &Args, typed: Typed, out: &mut dyn Write) -> Result<bool, String> {
    let mut say = |text: &str| writeln!(out, "{text}").map_err(|error| format!("cannot print: {error}"));
    let dir = match &args.dir {
        Some(dir) => dir.clone(),
        None => new_folder()?,
    };
    let mut field = Field::new(plan(args));
    // Before anything is made: the folder may be a real site's.
    let made = targets(&dir, field.plan()).into_iter().chain(MADE.map(|name| dir.join(name)));
    crate::files::refuse_taken(made).map_err(|error| error.to_string())?;
    std::fs::create_dir_all(&dir).map_err(|error| format!("{}: {error}", dir.display()))?;
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
    field.plan().write_config(&dir, &port.display().to_string(), 0.1).map_err(|error| error.to_string())?;
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

    let now = field.plan().to_unix_s();
    let at = crate::text::rfc3339(now);
    let site = dir.join("site.toml").display().to_string();
    let mut shell = Shell { site: &site, typed, say: &mut say };

    shell.say("\n2. The gap report\n")?;
    shell.run(&["gaps", "--now", &at])?;
    shell.say("\n   The same as a picture: what the storm took from a sealed piezometer\n")?;
    let units = dir.join("calibrations.toml").display().to_string();
    let picture = |shell: &mut Shell<'_>, name: &str| {
        let file = dir.join(name).display().to_string();
        let temperature = POINT.replace("pore pressure", "temperature");
        shell.run(&[
            "plot",
            "--point",
            POINT,
            "--point",
            &temperature,
            "--units",
            &units,
            "-o",
            &file,
            "--now",
            &at,
        ])
    };
    picture(&mut shell, "outage.svg")?;

    shell.say("\n3. Whom to visit, and what to fetch there\n")?;
    shell.run(&["visits", "--now", &at])?;

    let mut truth = field.truth().clone();
    let stick = dir.join("stick");
    let copied =
        copy_memories(&mut truth, &stick).map_err(|error| format!("{}: {error}", stick.display()))?;
    shell.say(&format!(
        "\n4. Somebody has walked: {} in {}. What would they add?\n",
        counted(copied, "download"),
        stick.display()
    ))?;
    let stick = stick.display().to_string();
    shell.run(&["import", "--dry-run", &stick])?;

    shell.say("\n5. The import\n")?;
    // The plan is the same as before: from its result on.
    shell.run_from(": import ", &["import", "--by", "a demo technician", &stick])?;

    // Beside the record: exports carry it, pictures mark it.
    let visited = crate::text::rfc3339(now - 6 * 3600);
    shell.say("")?;
    shell.run(&[
        "remark",
        "add",
        "--logger",
        LOGGER_VISITED,
        "--kind",
        "visit",
        "--from",
        &visited,
        "--now",
        &at,
        "--by",
        "a demo technician",
        "memory copied, antenna straightened",
    ])?;

    let config = load(&dir)?;
    other_readers(&mut shell, &dir, &config, field.plan(), &mut truth)?;

    shell.say("\n7. What is left\n")?;
    shell.run(&["gaps", "--now", &at])?;

    if let Some(gap) = gone(&config, now)? {
        shell.say("\n8. What no logger has any more is declared, with name and reason\n")?;
        let numbers =
            [gap.logger.to_string(), gap.epoch.to_string(), gap.first.to_string(), gap.last.to_string()];
        let [logger, epoch, first, last] = &numbers;
        shell.run(&[
            "write-off",
            "--logger",
            logger,
            "--epoch",
            epoch,
            "--first",
            first,
            "--last",
            last,
            "--by",
            "a demo operator",
            "--reason",
            "overwritten before anybody came",
        ])?;
    }

    shell.say("\n9. How complete is the record?\n")?;
    shell.run(&["completeness", "--now", &at])?;

    shell.say("\n10. Every raw count in the ledger against the truth\n")?;
    let report = selection::read(&config, &GapsWanted::default(), now)
        .map_err(|error| {
            say!("stonechat: {error}");
            "the gap report cannot be made".to_owned()
        })?
        .report;
    let compared = compare::compare(&config, &truth, &report)?;
    for line in &compared.lines {
        shell.say(&format!("   {line}"))?;
    }

    shell.say(
        "\n11. One value of a sealed piezometer, from its raw count, corrected by the barometer's logger\n",
    )?;
    // A day before the end: the barometer's readings on both sides of it are there.
    let before = crate::text::rfc3339(now - 86_400);
    shell.run(&["units", "explain", "--point", POINT, "--at", &before, "--units", &units])?;

    shell.say("\n12. The same piezometer out in engineering units, and as a picture through the storm and its repair\n")?;
    let values = dir.join("pore-pressure.csv").display().to_string();
    shell.run(&[
        "export",
        "--units",
        &units,
        "--point",
        POINT,
        "--gaps",
        "--remarks",
        "-o",
        &values,
        "--now",
        &at,
    ])?;
    shell.say("")?;
    picture(&mut shell, "repaired.svg")?;
    write_truth(&field, &dir)?;
    shell.say(&format!(
        "\nThe folder stays. To try there:\n   \
         stonechat -c {site} status --now {at}\n   \
         stonechat -c {site} import --list\n   \
         stonechat -c {site} visits --sheet walk.html --now {at}\n   \
         stonechat -c {site} verify\n   \
         stonechat -c {site} units show --point '{POINT}' --units {units}\n   \
         sqlite3 -readonly {}/ledger.db 'SELECT * FROM raw_value LIMIT 5'\n\
         {}",
        dir.display(),
        crate::view::term::wrapped(crate::view::CAUTION, 0, 0, 100)
    ))?;
    Ok(compared.same)
}

/// A folder that was not there before: process numbers come again, and so do their demos' folders.
fn new_folder() -> Result<PathBuf, String> {
    let base = std::env::temp_dir();
    let names = std::iter::once(String::new()).chain((2..100).map(|number| format!("-{number}")));
    for name in names {
        let dir = base.join(format!("stonechat-demo-{}{name}", std::process::id()));
        match std::fs::create_dir(&dir) {
            Ok(()) => return Ok(dir),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(format!("{}: {error}; name a folder with --dir", dir.display())),
        }
    }
    Err(format!("{} is full of demos; take some away, or name a folder with --dir", base.display()))
}

/// Runs a command as a person types it, and gives its exit code.
type Typed = fn(&[&str], &mut dyn Write) -> Result<u8, String>;

/// Types commands, and shows what they say.
struct Shell<'a> {
    site: &'a str,
    typed: Typed,
    say: &'a mut dyn FnMut(&str) -> Result<(), String>,
}

impl Shell<'_> {
    fn say(&mut self, text: &str) -> Result<(), String> {
        (self.say)(text)
    }

    fn run(&mut self, line: &[&str]) -> Result<(), String> {
        self.run_from("", line)
    }

    /// The same, and leaves out what is said before a line with `start` in it.
    fn run_from(&mut self, start: &str, line: &[&str]) -> Result<(), String> {
        let shown: Vec<String> = line
            .iter()
            .map(|word| if word.contains(' ') { format!("\"{word}\"") } else { (*word).to_owned() })
            .collect();
        self.say(&format!("   $ stonechat {}", shown.join(" ")))?;
        let mut out = Vec::new();
        let code = (self.typed)(&[&["-c", self.site], line].concat(), &mut out)?;
        let text = String::from_utf8_lossy(&out);
        let skipped = text.lines().take_while(|line| !line.contains(start)).count();
        if skipped > 0 {
            self.say("   …")?;
        }
        for line in text.lines().skip(skipped) {
            self.say(&if line.is_empty() { String::new() } else { format!("   {line}") })?;
        }
        // 1 is an answer too: something of the files was refused.
        if code > NO {
            return Err(format!("`stonechat {}` ended with {code}", shown.join(" ")));
        }
        Ok(())
    }
}

/// Two loggers were read with other readers too: their CSV files, by layouts. Marks in the truth what they bring.
fn other_readers(
    shell: &mut Shell<'_>,
    dir: &Path,
    config: &Config,
    plan: &FieldPlan,
    truth: &mut Truth,
) -> Result<(), String> {
    let Some(cut_off) = truth.addresses().nth(CUT_OFF) else { return Ok(()) };
    let [numbered, plain] =
        readers::write(dir, plan, truth, cut_off).map_err(|error| format!("{}: {error}", dir.display()))?;
    let (Some(numbered), Some(plain)) = (numbered, plain) else { return Ok(()) };
    shell.say(&format!(
        "\n6. Two files of other readers, each in its own style, read by its layout (in {}/layouts).\n   \
         The first knows no sequence numbers, shows local time to the minute, and rounds. It may fill what the\n   \
         copy of logger {cut_off} lacks that was cut off: where rows before and after agree with held readings\n   \
         (anchored), and as many rows as missing records stand between (matched)\n",
        dir.display()
    ))?;
    shell.run(&["import", "--dry-run", "--layout", plain.layout, &plain.path])?;
    shell.say("")?;
    let by = ["--by", "a demo technician"];
    shell
        .run_from(": import ", &[&["import"], &by[..], &["--layout", plain.layout, &plain.path]].concat())?;
    shell.say("\n   The second shows logger, epoch and sequence; nothing has to be matched\n")?;
    shell.run(&[&["import"], &by[..], &["--layout", numbered.layout, &numbered.path]].concat())?;
    for identity in readers::matched_by_time(&config.ledger.path, &plain)? {
        truth.mark_heard(identity);
    }
    for identity in numbered.readings {
        truth.mark_heard(identity);
    }
    Ok(())
}

/// What a person brings: memories copied as they are at the end. One reader is old and writes CSV; one copy was cut
/// off when the stick was pulled; one logger was read with another reader ([`readers`]). Marks in the truth what is
/// in them. Returns how many files there are.
fn copy_memories(truth: &mut Truth, stick: &Path) -> std::io::Result<u64> {
    std::fs::create_dir_all(stick)?;
    let addresses: Vec<Address> = truth.addresses().collect();
    let (as_csv, cut_off) = (addresses.get(1).copied(), addresses.get(CUT_OFF).copied());
    let elsewhere = readers::numbered(truth);
    let (mut brought, mut files) = (Vec::new(), 0);
    for &address in addresses.iter().filter(|&&address| Some(address) != elsewhere) {
        files += 1;
        let memory = truth.memory_at(address, truth.to_unix_s());
        if Some(address) == as_csv {
            let (csv, taken) = truth.own_csv(address);
            std::fs::write(stick.join(format!("{address}.csv")), csv)?;
            brought.extend(taken);
            continue;
        }
        let part = if Some(address) == cut_off { memory.len() * 6 / 10 } else { memory.len() };
        let mut dump = Vec::new();
        for record in &memory[..part] {
            encode_line(KIND_AIR, None, &truth.air_frame(record), &mut dump);
            brought.push(record.identity);
        }
        if part < memory.len() {
            // Half a frame more, as it is when a stick is pulled.
            let mut next = Vec::new();
            encode_line(KIND_AIR, None, &truth.air_frame(&memory[part]), &mut next);
            dump.extend(&next[..next.len() / 2]);
        }
        std::fs::write(stick.join(format!("{address}.sealed")), dump)?;
    }
    for identity in brought {
        truth.mark_heard(identity);
    }
    Ok(files)
}

/// The oldest gap that no memory has any more.
fn gone(config: &Config, now: i64) -> Result<Option<Gap>, String> {
    let report = selection::read(config, &GapsWanted::default(), now)
        .map_err(|error| {
            say!("stonechat: {error}");
            "the gap report cannot be made".to_owned()
        })?
        .report;
    let gone = |gap: &&Gap| gap.in_memory.in_logger == InLogger::No;
    Ok(report.gaps.iter().filter(gone).min_by_key(|gap| gap.from).copied())
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
